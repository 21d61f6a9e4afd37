// rows and the flow picture light what they are about on the map
for (const kind of ["pointerover", "focusin"]) document.addEventListener(kind, e => {
  const node = e.target.closest && e.target.closest("[data-t],[data-from]");
  if (node && !node.closest("#map")) light(node.dataset.t || node.dataset.from);
});
for (const kind of ["pointerout", "focusout"]) document.addEventListener(kind, e => {
  const node = e.target.closest && e.target.closest("[data-t],[data-from]");
  if (node && !node.closest("#map")) light(shown ? data.names[+shown.dataset.k] : null);
});

// search: what matches is lit on the map, other rows of the lists step back; Enter goes from one to the next
const find = $("#find"), count = $("#found");
let matches = [], turn = -1;
function seekName() {
  const asked = find.value.trim().toLowerCase();
  turn = -1;
  matches = asked ? things.filter(t => data.things[+t.dataset.k][0].toLowerCase().includes(asked)) : [];
  for (const t of things) t.classList.toggle("match", matches.includes(t));
  map.classList.toggle("searching", matches.length > 0);
  count.textContent = asked ? matches.length ? `${matches.length} found` : "none found" : "";
  for (const row of all("#lists tbody tr")) row.hidden = asked !== "" && !row.textContent.toLowerCase().includes(asked);
}
find.addEventListener("input", seekName);
find.addEventListener("keydown", e => {
  if (e.key === "Escape") { find.value = ""; seekName(); pinned = false; show(null); }
  if (e.key !== "Enter" || !matches.length) return;
  e.preventDefault();
  turn = (turn + 1) % matches.length;
  $("#site-map").scrollIntoView({block: "nearest"});
  visit(matches[turn]);
  count.textContent = `${turn + 1} of ${matches.length}`;
});

// one picture of many, chosen by name
for (const choice of all("select[data-shows]")) {
  const figures = all(`#${choice.dataset.shows} > figure`);
  const pick = () => figures.forEach((figure, i) => { figure.hidden = i !== choice.selectedIndex; });
  choice.addEventListener("change", pick);
  pick();
}

// tabs: arrow keys go from one to the next
for (const list of all("[role=tablist]")) {
  const tabs = all("[role=tab]", list);
  const open = (tab, focus) => {
    for (const other of tabs) {
      other.setAttribute("aria-selected", String(other === tab));
      other.tabIndex = other === tab ? 0 : -1;
      $("#" + other.getAttribute("aria-controls")).hidden = other !== tab;
    }
    if (focus) tab.focus();
  };
  tabs.forEach((tab, i) => {
    tab.addEventListener("click", () => open(tab, false));
    tab.addEventListener("keydown", e => {
      const to = {ArrowRight: i + 1, ArrowLeft: i - 1, Home: 0, End: tabs.length - 1}[e.key];
      if (to !== undefined) { e.preventDefault(); open(tabs[(to + tabs.length) % tabs.length], true); }
    });
  });
  open(tabs[0], false);
}

// where the reader is
const links = new Map(all("nav a").map(a => [a.getAttribute("href").slice(1), a]));
const watch = new IntersectionObserver(entries => {
  for (const entry of entries) if (entry.isIntersecting) {
    for (const a of links.values()) a.removeAttribute("aria-current");
    const a = links.get(entry.target.id), bar = a && a.closest("ul");
    if (a) { a.setAttribute("aria-current", "true"); bar.scrollTo({left: a.offsetLeft - bar.clientWidth / 3}); }
  }
}, {rootMargin: "-15% 0px -75% 0px"});
for (const section of all("main section[id]")) if (links.has(section.id)) watch.observe(section);

new ResizeObserver(() => { if (map.getBoundingClientRect().width !== width) { if (view.k <= 1) whole(); else settle(); strips(); bars(); } }).observe(frame);

whole();
strips();
bars();
document.documentElement.dataset.ready = "yes";

