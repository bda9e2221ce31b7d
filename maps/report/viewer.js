// Maps with a linked cursor, and the spectrum of the spot or block that is
// picked. What is drawn comes from the JSON in #view-data; see viewer.go.
(() => {
  "use strict";
  const source = document.getElementById("view-data");
  const root = document.getElementById("view");
  if (!source || !root) return;
  const data = JSON.parse(source.textContent);

  // ---- unpacking ----
  const bytes = (text) => Uint8Array.from(atob(text), (c) => c.charCodeAt(0));
  const floats = (text) => new Float32Array(bytes(text).buffer);
  const counts = (text, n) => {
    const b = bytes(text), out = new Float64Array(n);
    let at = 0, i = 0;
    const varint = () => {
      let v = 0, scale = 1;
      for (; ; scale *= 128) {
        const x = b[at++];
        v += (x & 127) * scale;
        if (x < 128) return v;
      }
    };
    while (at < b.length) {
      const v = varint();
      if (v === 0) i += varint();
      else out[i++] = v;
    }
    return out;
  };
  const colours = bytes(data.colours);
  const missing = 255;
  const shapes = data.shapes.map((s) => ({ name: s.name, line: s.line, energy: s.e, v: floats(s.v) }));
  const channels = shapes.length ? shapes[0].v.length : 0;
  for (const f of data.fields) f.maps = f.maps.map(bytes);

  // ---- small tools ----
  const svgNS = "http://www.w3.org/2000/svg";
  const make = (name, attributes = {}, ...children) => {
    const e = document.createElement(name);
    for (const [k, v] of Object.entries(attributes)) e.setAttribute(k, v);
    e.append(...children);
    return e;
  };
  const draw = (name, attributes = {}, text) => {
    const e = document.createElementNS(svgNS, name);
    for (const [k, v] of Object.entries(attributes)) e.setAttribute(k, v);
    if (text !== undefined) e.textContent = text;
    return e;
  };
  const number = (v) => {
    if (v === null || !Number.isFinite(v)) return "–";
    const a = Math.abs(v);
    return (a >= 100 || a === 0 ? v.toFixed(0) : v.toPrecision(a < 1 ? 2 : 3)).replace("-", "−");
  };
  const fixed = (v, n) => v.toFixed(n).replace("-", "−");
  const measured = (v, sigma) => {
    if (!Number.isFinite(v)) return "–";
    if (!(sigma > 0) || !Number.isFinite(sigma)) return number(v);
    const n = sigma < 1 ? Math.min(6, 1 - Math.floor(Math.log10(sigma))) : 0;
    return `${fixed(v, n)} ± ${fixed(sigma, n)}`;
  };
  const clamp = (v, low, high) => Math.min(high, Math.max(low, v));

  // ---- state ----
  const treated = data.fields.findIndex((f) => f.role === "treated");
  const blank = data.fields.findIndex((f) => f.role.startsWith("untreated"));
  const state = {
    line: 0, mode: "fields", left: Math.max(0, treated), right: blank < 0 ? Math.min(1, data.fields.length - 1) : blank,
    x: 0.5, y: 0.5, rings: true, field: Math.max(0, treated), kind: "sum", index: 0, log: true, focus: false, parts: true, around: true,
  };

  // ---- controls ----
  const group = (title, name, choices, chosen, act) => {
    const box = make("fieldset", { class: "choice" }, make("legend", {}, title));
    for (const [value, text] of choices) {
      const input = make("input", { type: "radio", name, value, id: `${name}-${value}` });
      input.checked = value === chosen;
      input.addEventListener("change", () => act(value));
      box.append(input, make("label", { for: input.id }, text));
    }
    return box;
  };
  const tick = (text, on, act) => {
    const input = make("input", { type: "checkbox" });
    input.checked = on;
    input.addEventListener("change", () => act(input.checked));
    return make("label", { class: "tick" }, input, " " + text);
  };
  const chooser = (text, act) => {
    const select = make("select");
    data.fields.forEach((f, i) => select.append(new Option(`${f.name} (${f.role})`, i)));
    select.addEventListener("change", () => act(Number(select.value)));
    return { label: make("label", {}, text + " ", select), select };
  };
  const lines = group("Line", "view-line", data.lines.map((l, i) => [String(i), l.name]), "0", (v) => { state.line = Number(v); maps(); });
  const left = chooser("Field", (v) => { state.left = v; maps(); });
  const right = chooser("beside", (v) => { state.right = v; maps(); });
  const modes = group("Show", "view-mode", [["fields", "this line in all fields"], ["pair", "two fields side by side"], ["lines", "all lines of one field"]], "fields", (v) => { state.mode = v; maps(); });
  const kinds = make("span", { class: "kinds" });
  for (const [kind, text] of [["target", "target"], ["other-compound", "other compound"], ["substrate", "substrate"], ["artefact", "artefact"], ["cannot-tell", "cannot tell"]]) {
    if (!data.fields.some((f) => f.spots.some((o) => o.class === kind))) continue;
    const icon = draw("svg", { viewBox: "0 0 20 20", "aria-hidden": "true" });
    kinds.append(icon, text);
    icon.append(draw("rect", { width: 20, height: 20, class: "ground" }));
    icon.dataset.kind = kind;
  }
  const grid = make("div", { class: "maps" });
  const bar = make("div", { class: "bar" });
  const why = make("p", { class: "note" });
  root.append(make("div", { class: "controls" }, lines, modes, left.label, right.label, tick("spots", true, (v) => { state.rings = v; overlays(); }), kinds), grid, bar, why);

  // ---- maps ----
  let shown = []; // what the grid shows: {field, line, marks, text}
  const paint = (canvas, field, line) => {
    canvas.width = field.w;
    canvas.height = field.h;
    const c = canvas.getContext("2d"), image = c.createImageData(field.w, field.h), m = field.maps[line];
    for (let p = 0; p < m.length; p++) {
      image.data.set(colours.subarray(3 * m[p], 3 * m[p] + 3), 4 * p);
      image.data[4 * p + 3] = 255;
    }
    c.putImageData(image, 0, 0);
  };
  const place = (f) => [clamp(Math.floor(state.x * f.w), 0, f.w - 1), clamp(Math.floor(state.y * f.h), 0, f.h - 1)];
  const spotAt = (f, x, y) => {
    let best = -1, least = Infinity;
    f.spots.forEach((s, i) => {
      const d = Math.hypot(x - s.x, y - s.y);
      if (d <= Math.max(s.r, f.w / 60) + 1 && d < least) [best, least] = [i, d];
    });
    return best;
  };
  const pickAt = (i) => {
    const f = data.fields[i], [x, y] = place(f), s = spotAt(f, x, y);
    if (s >= 0) pick(i, "spot", s);
    else if (f.blocks.length) pick(i, "block", Math.floor(y / f.block) * f.columns + Math.floor(x / f.block));
  };
  const maps = () => {
    left.label.hidden = state.mode === "fields";
    right.label.hidden = state.mode !== "pair";
    lines.disabled = state.mode === "lines";
    left.select.value = state.left;
    right.select.value = state.right;
    const all = state.mode === "fields" ? data.fields.map((_, i) => [i, state.line]) : state.mode === "pair" ? [[state.left, state.line], [state.right, state.line]] : data.lines.map((_, k) => [state.left, k]);
    grid.className = "maps " + state.mode;
    grid.replaceChildren();
    shown = all.map(([i, k]) => {
      const f = data.fields[i], canvas = make("canvas", { "aria-hidden": "true" }), marks = draw("svg", { viewBox: `0 0 ${f.w} ${f.h}`, "aria-hidden": "true" });
      const name = `${data.lines[k].name} in ${f.name}, ${f.role}`;
      const map = make("div", { class: "map", tabindex: "0", role: "application", "aria-label": `${name}. Arrow keys move the cursor, Enter shows the spectrum of the place, S goes to the next spot.` }, canvas, marks);
      const text = make("span", { class: "value" });
      paint(canvas, f, k);
      const move = (e) => {
        const r = map.getBoundingClientRect();
        [state.x, state.y] = [clamp((e.clientX - r.left) / r.width, 0, 1), clamp((e.clientY - r.top) / r.height, 0, 1)];
        overlays();
      };
      map.addEventListener("pointermove", move);
      map.addEventListener("click", (e) => { move(e); pickAt(i); });
      map.addEventListener("keydown", (e) => keys(e, i));
      grid.append(make("figure", {}, map, make("figcaption", {}, make("strong", {}, state.mode === "lines" ? data.lines[k].name : f.name), ` ${state.mode === "lines" ? f.name + ", " : ""}${f.role}`, make("br"), text)));
      return { field: i, line: k, marks, text };
    });
    legend();
    overlays();
  };
  const keys = (e, i) => {
    const f = data.fields[i], step = e.shiftKey ? f.block : 1;
    let [x, y] = place(f);
    switch (e.key) {
      case "ArrowLeft": x -= step; break;
      case "ArrowRight": x += step; break;
      case "ArrowUp": y -= step; break;
      case "ArrowDown": y += step; break;
      case "Enter": case " ": e.preventDefault(); pickAt(i); return;
      case "s": case "S": {
        if (!f.spots.length) return;
        const next = state.kind === "spot" && state.field === i ? (state.index + 1) % f.spots.length : 0;
        pick(i, "spot", next);
        return;
      }
      default: return;
    }
    e.preventDefault();
    state.x = (clamp(x, 0, f.w - 1) + 0.5) / f.w;
    state.y = (clamp(y, 0, f.h - 1) + 0.5) / f.h;
    overlays();
  };
  // marker is the outline of a spot: its shape and colour tell the verdict.
  const marker = (kind, x, y, r) => {
    const corners = (n, turn) => "M" + Array.from({ length: n }, (_, i) => `${x + r * Math.cos(turn + (2 * Math.PI * i) / n)} ${y + r * Math.sin(turn + (2 * Math.PI * i) / n)}`).join("L") + "Z";
    switch (kind) {
      case "target": return `M${x - r} ${y}a${r} ${r} 0 1 0 ${2 * r} 0a${r} ${r} 0 1 0 ${-2 * r} 0Z`;
      case "other-compound": return corners(4, Math.PI / 4);
      case "substrate": return corners(6, 0);
      case "artefact": return corners(3, -Math.PI / 2);
    }
    return corners(4, 0);
  };
  const overlays = () => {
    for (const s of shown) {
      const f = data.fields[s.field], [x, y] = place(f), unit = f.w / 100;
      s.marks.replaceChildren();
      const chosen = state.field === s.field;
      if (chosen && state.kind === "block" && f.blocks.length) {
        s.marks.append(draw("rect", { class: "block", x: (state.index % f.columns) * f.block, y: Math.floor(state.index / f.columns) * f.block, width: f.block, height: f.block, "stroke-width": 2 }));
      }
      if (state.rings) {
        f.spots.forEach((o, i) => {
          const r = Math.max(o.r, 1.6 * unit) + unit, d = marker(o.class, o.x + 0.5, o.y + 0.5, r);
          const here = chosen && state.kind === "spot" && state.index === i;
          s.marks.append(draw("path", { class: "halo", d, "stroke-width": here ? 7 : 4 }), draw("path", { class: "ring " + o.class, d, "stroke-width": here ? 3.5 : 1.8 }));
        });
      }
      s.marks.append(draw("path", { class: "cross", d: `M${x + 0.5} 0V${f.h}M0 ${y + 0.5}H${f.w}`, "stroke-width": 1 }));
      const code = f.maps[s.line][y * f.w + x], scale = f.px === null ? 1 : f.px, name = f.px === null ? "px" : "µm";
      s.text.textContent = `x ${number((x + 0.5) * scale)}, y ${number((y + 0.5) * scale)} ${name}: ${code === missing ? "no value" : number(data.lines[s.line].codes[code]) + " counts"}`;
    }
  };
  const legend = () => {
    const l = data.lines[state.line], canvas = make("canvas", { "aria-hidden": "true" });
    canvas.width = 201;
    canvas.height = 1;
    const c = canvas.getContext("2d"), image = c.createImageData(201, 1);
    for (let i = 0; i <= 200; i++) image.data.set([...colours.subarray(3 * i, 3 * i + 3), 255], 4 * i);
    c.putImageData(image, 0, 0);
    bar.replaceChildren(make("span", {}, "0"), canvas, make("span", {}, state.mode === "lines" ? "end of each line’s display range" : `${number(l.high)} counts per pixel and above`));
    why.textContent = state.mode === "lines"
      ? "Each line has its own display range, the one it has in all fields: " + data.lines.map((k) => `${k.name} 0 to ${number(k.high)}`).join(", ") + "."
      : `${l.name}: ${l.why}. One display range for all fields; the cursor stands at the same place in all maps. Values under the cursor are rounded to the display levels.`;
  };

  // ---- spectrum ----
  const plot = draw("svg", { role: "img", class: "plot" });
  const picker = make("select", { id: "view-pick" });
  const title = make("h3", { id: "view-title", "aria-live": "polite" });
  const note = make("p", { class: "note" });
  const swatches = make("p", { class: "swatches" });
  const list = make("dl", { id: "view-net", class: "net" });
  data.fields.forEach((f, i) => {
    const og = make("optgroup", { label: `${f.name} (${f.role})` });
    og.append(new Option("whole field", `${i}/sum/0`), ...f.spots.map((s, k) => new Option(`spot ${s.id}: ${s.verdict}`, `${i}/spot/${k}`)));
    picker.append(og);
  });
  const other = new Option("block under the cursor", "block");
  other.disabled = true;
  picker.append(other);
  picker.addEventListener("change", () => {
    const [i, kind, k] = picker.value.split("/");
    pick(Number(i), kind, Number(k));
  });
  const redraw = (change) => (v) => { change(v); spectrum(); };
  root.append(title, make("div", { class: "controls" }, make("label", {}, "Spectrum of ", picker),
    group("Counts", "view-scale", [["log", "logarithmic"], ["linear", "linear"]], "log", redraw((v) => { state.log = v === "log"; })),
    group("Energies", "view-range", [["all", "all"], ["focus", `around ${data.lines.length ? data.lines[0].name : "the line"}`]], "all", redraw((v) => { state.focus = v === "focus"; })),
    tick("components", true, redraw((v) => { state.parts = v; })), tick("surroundings", true, redraw((v) => { state.around = v; }))), plot, swatches, note, make("p", { class: "note" }, "Net counts with standard uncertainties (k = 1); bold where they exceed three of them:"), list);

  const pick = (i, kind, k) => {
    const f = data.fields[i];
    Object.assign(state, { field: i, kind, index: k });
    if (kind === "spot") [state.x, state.y] = [(f.spots[k].x + 0.5) / f.w, (f.spots[k].y + 0.5) / f.h];
    other.disabled = kind !== "block";
    picker.value = kind === "block" ? "block" : `${i}/${kind}/${k}`;
    if (state.mode !== "fields" && state.left !== i && !(state.mode === "pair" && state.right === i)) {
      state.left = i;
      maps();
    } else overlays();
    spectrum();
  };

  // current returns the chosen spectrum with its fit.
  const current = () => {
    const f = data.fields[state.field];
    const s = state.kind === "spot" ? f.spots[state.index] : null;
    const r = s ? s.region : state.kind === "block" ? f.blocks[state.index] : f.sum;
    const out = { pixels: r.n, counts: counts(r.c, channels), net: floats(r.net), sigma: floats(r.sigma), around: null };
    if (s && s.ring) out.around = counts(s.around, channels).map((v) => (v * r.n) / s.ring);
    // Amplitudes that the fit could not give count as none in the picture.
    const given = Array.from(out.net).every(Number.isFinite);
    out.amount = out.net.map((v) => (Number.isFinite(v) ? v : 0));
    out.model = new Float64Array(channels);
    shapes.forEach((sh, k) => { for (let c = 0; c < channels; c++) out.model[c] += out.amount[k] * sh.v[c]; });
    const total = out.counts.reduce((a, b) => a + b, 0);
    out.title = s ? `${f.name}, spot ${s.id}: ${s.verdict}` : state.kind === "block" ? `${f.name}, block in column ${(state.index % f.columns) + 1}, row ${Math.floor(state.index / f.columns) + 1}` : `${f.name}, whole field`;
    out.note = `${total.toFixed(0)} counts of ${r.n} ${r.n === 1 ? "pixel" : "pixels"}` + (s && s.ring ? `; surroundings: ${s.ring} pixels of a ring that no listed spot reaches, scaled to ${r.n}` : "") + ". The fit holds the shapes of the sum spectrum of all fields and frees the amplitudes." + (given ? "" : " It did not converge for this spectrum.");
    return out;
  };
  const dashes = ["", "7 3", "2 3", "9 3 2 3", "4 2", "1 2"];
  const spectrum = () => {
    const s = current(), width = clamp(root.clientWidth || 920, 320, 1000), L = 52, R = width - 8, T = 34, B = 290, from = data.first, step = data.step;
    title.textContent = "Spectrum: " + s.title;
    note.textContent = s.note;
    plot.replaceChildren();
    plot.setAttribute("viewBox", `0 0 ${width} 404`);
    plot.setAttribute("aria-label", `Spectrum of ${s.title}; net counts stand below.`);
    const low = state.focus ? data.focus[0] : from, high = state.focus ? data.focus[1] : from + step * (channels - 1);
    const a = clamp(Math.floor((low - from) / step), 0, channels - 1), b = clamp(Math.ceil((high - from) / step), a + 1, channels - 1);
    const x = (e) => L + ((e - low) / (high - low)) * (R - L);
    let top = 1;
    for (let c = a; c <= b; c++) top = Math.max(top, s.counts[c], s.model[c]);
    const floor = state.log ? 0.5 : 0;
    top = state.log ? top * 2 : top * 1.12;
    const y = (v) => (state.log ? B - ((Math.log(Math.max(v, floor)) - Math.log(floor)) / (Math.log(top) - Math.log(floor))) * (B - T) : B - (v / top) * (B - T));
    const stairs = (v) => {
      let d = "";
      for (let c = a; c <= b; c++) d += `${c === a ? "M" : "L"}${x(from + step * (c - 0.5)).toFixed(1)} ${y(v[c]).toFixed(1)}H${x(from + step * (c + 0.5)).toFixed(1)}`;
      return d;
    };
    const curve = (v) => {
      let d = "", on = false;
      for (let c = a; c <= b; c++) {
        const n = v(c);
        if (n > floor) d += `${on ? "L" : "M"}${x(from + step * c).toFixed(1)} ${y(n).toFixed(1)}`;
        on = n > floor;
      }
      return d;
    };
    const clip = draw("clipPath", { id: "view-clip" });
    clip.append(draw("rect", { x: L, y: T - 2, width: R - L, height: 400 }));
    plot.append(clip);
    axes(x, y, low, high, floor, top, L, R, T, B);
    const inside = draw("g", { "clip-path": "url(#view-clip)" });
    plot.append(inside);
    inside.append(draw("path", { class: "counts", d: stairs(s.counts) + `V${B}H${x(from + step * (a - 0.5)).toFixed(1)}Z` }));
    if (state.around && s.around) inside.append(draw("path", { class: "around", d: stairs(s.around) }));
    if (state.parts) {
      const rest = shapes.length - 1;
      inside.append(draw("path", { class: "part p0", d: curve((c) => s.amount[rest] * shapes[rest].v[c]) }));
      strongest(s, a, b).forEach((k, i) => inside.append(draw("path", { class: `part p${i + 1}`, "stroke-dasharray": dashes[i % dashes.length], d: curve((c) => s.amount[k] * shapes[k].v[c]) })));
    }
    inside.append(draw("path", { class: "model", d: curve((c) => s.model[c]) }));
    labels(s, x, low, high, L, R, T);
    residuals(s, x, a, b, from, step, L, R, inside);
    key(s, a, b);
    net(s);
  };
  // strongest returns the families with the most counts in the range, five at most.
  const strongest = (s, a, b) => shapes.slice(0, -1).map((sh, k) => {
    let n = 0;
    for (let c = a; c <= b; c++) n += s.amount[k] * sh.v[c];
    return [k, n];
  }).filter(([, n]) => n > 0.5).sort((p, q) => q[1] - p[1]).slice(0, 5).map(([k]) => k);
  const axes = (x, y, low, high, floor, top, L, R, T, B) => {
    plot.append(draw("path", { class: "axis", d: `M${L} ${T}V${B}H${R}` }));
    const span = (high - low) / 1000, every = [0.05, 0.1, 0.2, 0.5, 1, 2, 5].find((v) => span / v <= (R - L) / 60) || 10;
    for (let e = Math.ceil(low / 1000 / every) * every; e <= high / 1000 + 1e-9; e += every) {
      plot.append(draw("path", { class: "axis", d: `M${x(1000 * e)} ${B}v4` }), draw("text", { x: x(1000 * e), y: 386, "text-anchor": "middle" }, String(Math.round(e * 100) / 100)));
    }
    plot.append(draw("text", { x: (L + R) / 2, y: 401, "text-anchor": "middle" }, "energy, keV"), draw("text", { transform: `translate(11 ${(T + B) / 2}) rotate(-90)`, "text-anchor": "middle" }, "counts per channel"));
    const ticks = [];
    if (state.log) for (let v = 1; v <= top; v *= 10) ticks.push(v);
    else {
      const raw = top / 5, p = 10 ** Math.floor(Math.log10(raw)), d = Math.max(1, [1, 2, 5, 10].find((m) => raw <= m * p) * p);
      for (let v = 0; v <= top; v += d) ticks.push(v);
    }
    for (const v of ticks) plot.append(draw("path", { class: "grid", d: `M${L} ${y(v)}H${R}` }), draw("text", { x: L - 7, y: y(v) + 4, "text-anchor": "end" }, v >= 10000 ? `${v / 1000}k` : String(v)));
  };
  const labels = (s, x, low, high, L, R, T) => {
    const taken = [[], []];
    shapes.slice(0, -1).map((sh, k) => ({ sh, k, sure: s.net[k] / s.sigma[k] })).filter((o) => o.sure > 3 && o.sh.energy > low && o.sh.energy < high).sort((p, q) => q.sure - p.sure).forEach(({ sh }) => {
      const at = x(sh.energy), half = 4.2 * sh.name.length, row = taken.findIndex((t) => t.every(([c, h]) => Math.abs(c - at) > h + half + 4));
      if (row < 0 || at - half < L || at + half > R) return;
      taken[row].push([at, half]);
      plot.append(draw("path", { class: "tick", d: `M${at} ${T + 2}v8` }), draw("text", { class: "line", x: at, y: row === 0 ? T - 2 : T - 15, "text-anchor": "middle" }, sh.name));
    });
  };
  const residuals = (s, x, a, b, from, step, L, R, inside) => {
    const mid = 336, reach = 32, size = 5;
    plot.append(draw("path", { class: "grid", d: `M${L} ${mid - reach * 2 / size}H${R}M${L} ${mid + reach * 2 / size}H${R}` }), draw("path", { class: "axis", d: `M${L} ${mid - reach}v${2 * reach}M${L} ${mid}H${R}` }));
    for (const v of [-2, 2]) plot.append(draw("text", { x: L - 7, y: mid - (v * reach) / size + 4, "text-anchor": "end" }, v < 0 ? "−2" : "2"));
    let d = "";
    for (let c = a; c <= b; c++) if (s.model[c] > 0) d += `M${x(from + step * c).toFixed(1)} ${mid}V${(mid - clamp((s.counts[c] - s.model[c]) / Math.sqrt(s.model[c]), -size, size) * reach / size).toFixed(1)}`;
    inside.append(draw("path", { class: "residual", d }));
    plot.append(draw("text", { transform: `translate(11 ${mid}) rotate(-90)`, "text-anchor": "middle", class: "small" }, "residual"));
  };
  const key = (s, a, b) => {
    const items = [["counts", "counts"], ["model", "fit"]];
    if (state.around && s.around) items.push(["around", "surroundings, scaled"]);
    if (state.parts) {
      items.push(["part p0", "continuum"]);
      strongest(s, a, b).forEach((k, i) => items.push([`part p${i + 1}`, shapes[k].name, dashes[i % dashes.length]]));
    }
    swatches.replaceChildren(...items.map(([kind, text, dash]) => {
      const icon = draw("svg", { viewBox: "0 0 30 12", class: "plot", "aria-hidden": "true" });
      icon.append(draw("path", { class: kind, d: kind === "counts" ? "M2 11V4H28V11Z" : "M1 6H29", ...(dash ? { "stroke-dasharray": dash } : {}) }));
      return make("span", {}, icon, text);
    }), make("span", {}, "Residuals: (counts − fit)/√fit."));
  };
  const net = (s) => {
    list.replaceChildren(...shapes.slice(0, -1).map((sh, k) => {
      const value = make("dd", { "data-family": sh.name, "data-net": s.net[k], "data-sigma": s.sigma[k] }, measured(s.net[k], s.sigma[k]));
      if (s.net[k] > 3 * s.sigma[k]) value.className = "sure";
      return make("div", {}, make("dt", {}, sh.name), value);
    }));
    plot.dataset.counts = Array.from(s.counts).join(" ");
  };

  // ---- rows of the table of spots lead here ----
  for (const cell of document.querySelectorAll("#spot-table [data-spot]")) {
    const [i, k] = cell.dataset.spot.split("/").map(Number);
    if (!data.fields[i] || !data.fields[i].spots[k]) continue;
    const button = make("button", { type: "button", title: "show its spectrum" }, ...cell.childNodes);
    button.addEventListener("click", () => { pick(i, "spot", k); title.scrollIntoView({ block: "start" }); });
    cell.append(button);
  }

  for (const icon of kinds.children) icon.append(draw("path", { class: "ring " + icon.dataset.kind, d: marker(icon.dataset.kind, 10, 10, 6), "stroke-width": 1.6 }));
  root.hidden = false;
  let drawnAt = 0;
  new ResizeObserver(() => {
    if (Math.abs(root.clientWidth - drawnAt) < 20) return;
    drawnAt = root.clientWidth;
    spectrum();
  }).observe(root);
  maps();
  const first = data.fields.findIndex((f) => f.spots.length > 0);
  if (data.fields.length) first >= 0 ? pick(first, "spot", 0) : pick(state.field, "sum", 0);
})();
