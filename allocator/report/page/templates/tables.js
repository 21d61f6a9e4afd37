// tables: sort and copy
const exact = cell => cell.dataset.x !== undefined && cell.dataset.x !== "" ? +cell.dataset.x : cell.textContent.trim();
for (const table of all("table.sortable")) {
  all("thead th", table).forEach((th, column) => $("button", th).addEventListener("click", () => {
    const down = th.getAttribute("aria-sort") === "ascending";
    for (const other of all("thead th", table)) other.removeAttribute("aria-sort");
    th.setAttribute("aria-sort", down ? "descending" : "ascending");
    const body = table.tBodies[0];
    const order = (a, b) => {
      const p = exact(a.cells[column]), q = exact(b.cells[column]);
      if (p === "" || q === "") return (p === "") - (q === "");
      const by = typeof p === "number" && typeof q === "number" ? p - q : String(p).localeCompare(String(q), undefined, {numeric: true});
      return down ? -by : by;
    };
    body.append(...[...body.rows].sort(order));
  }));
}
for (const button of all(".copy")) button.addEventListener("click", async () => {
  const table = $("table", button.closest("details"));
  const clean = text => { const t = String(text).replace(/[\t\r\n]+/g, " ").trim(); return /^[=+\-@]/.test(t) && isNaN(+t) ? "'" + t : t; };
  const text = [...table.rows].map(row => [...row.cells].map(cell => clean(cell.dataset.x || cell.dataset.c || cell.textContent)).join("\t")).join("\n");
  let done = true;
  try { await navigator.clipboard.writeText(text); } catch {
    const box = document.createElement("textarea");
    box.value = text; document.body.append(box); box.select();
    done = document.execCommand("copy"); box.remove();
  }
  button.textContent = done ? "Copied" : "Could not copy";
  setTimeout(() => { button.textContent = "Copy"; }, 1600);
});

for (const button of all(".columns")) button.addEventListener("click", () => {
  const whole = $("table", button.closest("details")).classList.toggle("whole");
  button.setAttribute("aria-pressed", String(whole));
});

// paper shows what is marked for it, whether it is folded away on the screen or not
let folded = [];
addEventListener("beforeprint", () => { for (const d of all("details.paper:not([open])")) { folded.push(d); d.open = true; } });
addEventListener("afterprint", () => { for (const d of folded) d.open = false; folded = []; });
document.documentElement.dataset.tables = "yes";
