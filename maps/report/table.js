// Tables that sort by a press on a column head, and filters above them.
(() => {
  "use strict";

  // value is what a cell sorts by: its number where it states one, else its text.
  const value = (row, column) => {
    const cell = row.cells[column];
    return cell.dataset.v === undefined ? cell.textContent.trim().toLowerCase() : cell.dataset.v === "" ? null : Number(cell.dataset.v);
  };

  // compare puts missing values last in either direction.
  const compare = (a, b, sign) => {
    if (a === null || b === null) return (a === null) - (b === null);
    return sign * (typeof a === "number" && typeof b === "number" ? a - b : String(a).localeCompare(String(b), "en", { numeric: true }));
  };

  const sort = (table, head) => {
    const down = head.getAttribute("aria-sort") === "ascending";
    for (const h of table.tHead.rows[0].cells) h.removeAttribute("aria-sort");
    head.setAttribute("aria-sort", down ? "descending" : "ascending");
    const body = table.tBodies[0];
    const rows = [...body.rows].map((row) => ({ row, key: value(row, head.cellIndex) }));
    rows.sort((a, b) => compare(a.key, b.key, down ? -1 : 1));
    body.append(...rows.map((r) => r.row));
  };

  for (const table of document.querySelectorAll("table.sortable")) {
    for (const head of table.tHead.rows[0].cells) {
      const button = document.createElement("button");
      button.type = "button";
      button.append(...head.childNodes);
      button.addEventListener("click", () => sort(table, head));
      head.append(button);
    }
  }

  const table = document.getElementById("spot-table");
  const filter = document.getElementById("spot-filter");
  if (table && filter) {
    const count = document.getElementById("spot-count");
    const rows = [...table.tBodies[0].rows];
    for (const kind of ["field", "verdict"]) {
      const label = document.createElement("label");
      const select = document.createElement("select");
      label.append(kind === "field" ? "Field " : "Verdict ", select);
      select.dataset.kind = kind;
      select.append(new Option("all", ""), ...[...new Set(rows.map((r) => r.dataset[kind]))].map((v) => new Option(v)));
      filter.prepend(label);
    }
    filter.addEventListener("change", () => {
      let n = 0;
      for (const row of rows) {
        row.hidden = [...filter.querySelectorAll("select")].some((s) => s.value !== "" && row.dataset[s.dataset.kind] !== s.value);
        n += !row.hidden;
      }
      count.textContent = `${n} of ${rows.length} spots shown`;
    });
    filter.hidden = false;
  }

  const copy = document.getElementById("methods-copy");
  if (copy && navigator.clipboard) {
    copy.hidden = false;
    copy.addEventListener("click", async () => {
      const said = document.getElementById("methods-said");
      try {
        await navigator.clipboard.writeText(document.getElementById("methods-text").innerText);
        said.textContent = "copied";
      } catch {
        said.textContent = "the browser does not allow copying; mark the text instead";
      }
    });
  }
})();
