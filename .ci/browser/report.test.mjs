// Opens the report of the demo in a browser and uses it as a reader does:
//   node report.test.mjs FOLDER CHROMIUM [PAGES [SCREENSHOTS]]
// FOLDER is the output of the demo, PAGES holds reports of awkward data. Complaints
// are printed, one a line; any makes the exit code 1. Into the last folder go
// screenshots.
import { readdir, readFile } from "node:fs/promises";
import { createRequire } from "node:module";
import { join, resolve } from "node:path";
import puppeteer from "puppeteer-core";

const [folder, chromium, awkward, pictures] = process.argv.slice(2);
const axeSource = await readFile(createRequire(import.meta.url).resolve("axe-core/axe.min.js"), "utf8");
let complaints = 0;
const must = (holds, text) => {
  if (holds) return;
  complaints++;
  console.log("COMPLAINT: " + text);
};
const json = async (name) => JSON.parse(await readFile(join(folder, name), "utf8"));

const result = await json("result.json");
const page = resolve(join(folder, "index.html"));
const demo = "file://" + page;
const browser = await puppeteer.launch({ executablePath: chromium, args: ["--no-sandbox", "--disable-gpu"] });

// opened returns a tab that complains on errors and on requests that leave the page.
const opened = async (address = demo, script = true) => {
  const tab = await browser.newPage();
  await tab.setJavaScriptEnabled(script);
  await tab.setViewport({ width: 1280, height: 800 });
  tab.on("console", (m) => must(m.type() !== "error" && m.type() !== "warn", `console: ${m.text()}`));
  tab.on("pageerror", (e) => must(false, `script: ${e.message}`));
  tab.on("dialog", (d) => { must(false, `dialog: ${d.message()}`); d.dismiss(); });
  tab.on("request", (r) => must(r.url() === address || r.url().startsWith("data:"), `request of ${r.url().slice(0, 80)}`));
  await tab.goto(address, { waitUntil: "load" });
  return tab;
};
const text = (tab, selector) => tab.$eval(selector, (e) => e.textContent.trim());
const shot = async (tab, name) => {
  if (pictures) await tab.screenshot({ path: join(pictures, name + ".png") });
};

// ---- the first screen ----
const tab = await opened();
for (const selector of ["h1", ".verdict .main", ".verdict p:nth-of-type(2)", ".brief div:nth-child(1)", ".brief div:nth-child(2)", ".brief div:nth-child(3)", ".brief div:nth-child(4)"]) {
  const bottom = await tab.$eval(selector, (e) => e.getBoundingClientRect().bottom);
  must(bottom <= 800, `${selector} ends at ${bottom} px, below the first screen of 800 px`);
}
await shot(tab, "first");

// ---- spots: every one leads to its spectrum, with the numbers of its file ----
// shown is the spectrum that the page draws.
const shown = () => tab.evaluate(() => ({
  title: document.querySelector("#view-title").textContent,
  counts: document.querySelector("#view .plot").dataset.counts.split(" ").map(Number),
  net: Object.fromEntries([...document.querySelectorAll("#view-net dd")].map((d) => [d.dataset.family, [Number(d.dataset.net), Number(d.dataset.sigma)]])),
  path: document.querySelector("#view .plot path.counts").getAttribute("d").length,
}));
const near = (a, b) => Math.abs(a - b) <= 1e-6 * Math.max(1, Math.abs(b)); // float32 in the page
const same = (got, want, what) => {
  must(got.counts.length === want.counts.length && got.counts.every((n, i) => n === want.counts[i]), `${what}: counts differ from the file`);
  for (const f of want.net) {
    const [net, sigma] = got.net[f.family] ?? [];
    must(near(net, f.net_counts ?? NaN) || f.net_counts === null, `${what}: ${f.family} shows ${net}, the file ${f.net_counts}`);
    must(f.sigma === null || near(sigma, f.sigma), `${what}: sigma of ${f.family} is ${sigma}, in the file ${f.sigma}`);
  }
  must(got.path > 100, `${what}: no spectrum is drawn`);
};
const rows = await tab.$$("#spot-table tbody tr");
let total = 0;
for (const [i, field] of result.fields.entries()) {
  if (field.spots.length === 0) continue;
  const file = await json(field.files.spectra);
  for (const [k, spot] of field.spots.slice(0, 100).entries()) {
    total++;
    if (k > 2 && k < field.spots.length - 1) continue;
    await tab.$eval(`#spot-table [data-spot="${i}/${k}"] button`, (b) => b.click());
    const got = await shown();
    must(got.title.includes(`${field.field.name}, spot ${spot.id}`), `spot ${spot.id} of ${field.field.name} shows “${got.title}”`);
    same(got, file.spots[k], `spot ${spot.id} of ${field.field.name}`);
  }
}
must(rows.length === total, `${rows.length} rows in the table of spots, ${total} spots in result.json`);

// ---- a click on a map, the whole field from the list, a block by the keyboard ----
const first = result.fields.findIndex((f) => f.spots.length > 0);
if (first >= 0) {
  const { field, spots: [spot], files } = result.fields[first];
  const file = await json(files.spectra);
  await tab.select("#view-pick", `${first}/sum/0`);
  same(await shown(), file.whole_field, "whole field");
  const map = (await tab.$$("#view .map"))[first];
  await map.scrollIntoView();
  const box = await map.boundingBox();
  await tab.mouse.click(box.x + ((spot.x_px + 0.5) / field.width) * box.width, box.y + ((spot.y_px + 0.5) / field.height) * box.height);
  same(await shown(), file.spots[0], "click on the map");
  await tab.keyboard.press("Tab");
  await map.focus();
  const before = await text(tab, "#view .maps figure .value");
  await tab.keyboard.press("ArrowRight");
  await tab.keyboard.press("ArrowDown");
  must(before !== (await text(tab, "#view .maps figure .value")), "arrow keys do not move the cursor");
  const positions = await tab.$$eval("#view .maps .value", (l) => [...new Set(l.map((e) => e.textContent.split(":")[0]))]);
  must(positions.length === 1, `the cursor stands at different places: ${positions}`);
  await tab.keyboard.press("s");
  must((await text(tab, "#view-title")).includes("spot"), "S does not go to a spot");
}

// ---- switching lines ----
const colours = () => tab.$eval("#view .map canvas", (c) => c.getContext("2d").getImageData(0, 0, c.width, c.height).data.reduce((a, b, i) => (a + b * (i % 97)) % 1e9, 0));
const lines = await tab.$$("input[name=view-line]");
must(lines.length > 1, "no lines to switch");
const start = await colours();
await tab.click(`label[for=view-line-1]`);
const clicked = await colours();
must(clicked !== start, "a click on another line changes nothing");
await tab.focus("#view-line-1");
await tab.keyboard.press("ArrowLeft");
must((await colours()) === start, "the arrow key does not go back to the first line");
for (const [mode, maps] of [["pair", 2], ["lines", lines.length], ["fields", result.fields.length]]) {
  await tab.click(`label[for=view-mode-${mode}]`);
  const n = (await tab.$$("#view .map")).length;
  must(n === maps, `“${mode}” shows ${n} maps, want ${maps}`);
}
for (const [choice, path] of [["view-scale-linear", "counts"], ["view-range-focus", "counts"], ["view-scale-log", "counts"], ["view-range-all", "counts"]]) {
  const drawn = () => tab.$eval(`#view .plot path.${path}`, (e) => e.getAttribute("d"));
  const was = await drawn();
  await tab.click(`label[for=${choice}]`);
  must(was !== (await drawn()), `${choice} changes nothing`);
}
await tab.$eval("#viewer", (e) => e.scrollIntoView());
await shot(tab, "viewer");

// ---- sorting, by mouse and keyboard ----
const column = (n) => tab.$$eval("#spot-table tbody tr", (l, n) => l.map((r) => (r.cells[n].dataset.v === undefined ? r.cells[n].textContent : r.cells[n].dataset.v)), n);
const sorted = async (n, down) => {
  const v = (await column(n)).map((x) => (x === "" ? NaN : Number(x)));
  const there = v.filter((x) => !Number.isNaN(x));
  must(there.every((x, i) => i === 0 || (down ? there[i - 1] >= x : there[i - 1] <= x)), `column ${n} is not sorted ${down ? "down" : "up"}`);
  must(v.slice(there.length).every(Number.isNaN), `missing values of column ${n} do not come last`);
  const state = await tab.$$eval("#spot-table thead th", (l) => l.map((h) => h.getAttribute("aria-sort")));
  must(state[n] === (down ? "descending" : "ascending") && state.filter((s) => s).length === 1, `aria-sort is ${state}`);
};
if (total > 1) {
  await tab.click("#spot-table thead th:nth-child(6) button");
  await sorted(5, false);
  await tab.click("#spot-table thead th:nth-child(6) button");
  await sorted(5, true);
  await tab.focus("#spot-table thead th:nth-child(5) button");
  await tab.keyboard.press("Enter");
  await sorted(4, false);
  await tab.select('#spot-filter select[data-kind="verdict"]', "target");
  const kinds = await tab.$$eval("#spot-table tbody tr:not([hidden])", (l) => [...new Set(l.map((r) => r.dataset.verdict))]);
  must(kinds.length === 1 && kinds[0] === "target", `the filter leaves ${kinds}`);
  await tab.select('#spot-filter select[data-kind="verdict"]', "");
}

// ---- accessibility ----
const accessible = async (tab, name, widths) => {
  await tab.evaluate(axeSource);
  for (const width of widths) {
    await tab.setViewport({ width, height: 800 });
    const found = await tab.evaluate(() => axe.run(document, { resultTypes: ["violations"] }));
    for (const v of found.violations) {
      console.log(`${name}, axe at ${width} px: ${v.impact}: ${v.id}: ${v.help} (${v.nodes.length} times, e.g. ${v.nodes[0].html.slice(0, 120)})`);
      must(v.impact !== "serious" && v.impact !== "critical", `${name}: axe: ${v.id}`);
    }
    const wide = await tab.evaluate(() => document.documentElement.scrollWidth);
    must(wide <= width, `${name} is ${wide} px wide in a window of ${width} px`);
  }
};
await accessible(tab, "the demo", [1280, 400]);
await shot(tab, "narrow");

// ---- focus is seen ----
await tab.setViewport({ width: 1280, height: 800 });
await tab.evaluate(() => scrollTo(0, 0));
for (let i = 0; i < 25; i++) {
  await tab.keyboard.press("Tab");
  const outline = await tab.evaluate(() => {
    let e = document.activeElement;
    if (e === document.body) return null;
    if (e.matches(".choice input")) e = e.nextElementSibling;
    const s = getComputedStyle(e);
    return { width: s.outlineStyle === "none" ? 0 : parseFloat(s.outlineWidth), html: e.outerHTML.slice(0, 60) };
  });
  must(outline === null || outline.width >= 2, `focus is not seen on ${outline?.html}`);
}

// ---- paper ----
// Pages are counted in the file; nothing may be wider than the paper.
const pdf = Buffer.from(await tab.pdf({ format: "A4", printBackground: true, path: pictures && join(pictures, "report.pdf") }));
const pages = (pdf.toString("latin1").match(/\/Type\s*\/Page\b/g) ?? []).length;
must(pages >= 5 && pages <= 40, `${pages} pages on paper`);
await tab.emulateMediaType("print");
await tab.setViewport({ width: 688, height: 1000 }); // 210 mm less margins of 14 mm at 96 dots per inch
const cut = await tab.evaluate(() => [...document.querySelectorAll("table, img, pre, p, dl")].filter((e) => e.offsetParent !== null && e.getBoundingClientRect().right > innerWidth + 1).map((e) => e.outerHTML.slice(0, 80)));
must(cut.length === 0, `cut off on paper: ${cut}`);
await tab.close();

// ---- without script: the essentials stand ----
const plain = await opened(demo, false);
for (const id of ["evidence", "fields", "spots", "comparison", "limits", "spectrum", "settings", "methods", "checklist", "sources", "claims", "cautions", "repeat"]) {
  must((await plain.$(`#${id}`)) !== null, `without script there is no section ${id}`);
}
await plain.close();

// ---- awkward data ----
for (const name of awkward ? await readdir(awkward) : []) {
  const hard = await opened("file://" + resolve(join(awkward, name)));
  must(await hard.$eval("#view", (e) => !e.hidden), `${name}: nothing to look at`);
  for (const map of (await hard.$$("#view .map")).slice(0, 2)) {
    await map.click();
    await map.focus();
    for (const key of ["ArrowRight", "ArrowUp", "s", "Enter"]) await hard.keyboard.press(key);
  }
  must((await hard.$eval("#view .plot path.counts", (e) => e.getAttribute("d"))).includes("NaN") === false, `${name}: a spectrum that is no number`);
  must(!/NaN|undefined|Infinity/.test(await hard.$eval("#view", (e) => e.textContent)), `${name}: shows what is no number`);
  await accessible(hard, name, name === "markup.html" ? [1280] : [400]);
  if (pictures) await hard.screenshot({ path: join(pictures, name + ".png") });
  await hard.close();
}
await browser.close();
console.log(`${total} spots, ${lines.length} lines, ${pages} pages on paper, ${complaints} complaints`);
process.exit(complaints > 0 ? 1 : 0);
