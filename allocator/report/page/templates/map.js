// the map: cards of things; what is pointed at is lit on the map, in the lists and in the flow picture
const data = JSON.parse($("#data").textContent);
const NS = "http://www.w3.org/2000/svg";
const map = $("#map"), frame = $(".frame"), sheet = $(".sheet"), shield = $(".shield"), card = $("#card");
const things = all("[data-k]", map), byNumber = [];
for (const thing of things) byNumber[+thing.dataset.k] = thing;
let shown = null, pinned = false, index = null, bright = [];
function lightable() {
  index = new Map();
  const note = (name, node) => { if (name) { if (!index.has(name)) index.set(name, []); index.get(name).push(node); } };
  data.names.forEach((name, k) => note(name, byNumber[k]));
  for (const node of all("[data-t]")) note(node.dataset.t, node);
  for (const node of all("[data-from]")) note(node.dataset.from, node);
  for (const node of all("[data-to]")) note(node.dataset.to, node);
}
function light(name) {
  if (!index) lightable();
  for (const node of bright) node.classList.remove("lit");
  bright = (name && index.get(name)) || [];
  for (const node of bright) node.classList.add("lit");
}
let moment = () => ""; // what flows, or is held, at the time that the slider shows
function show(thing) {
  if (shown === thing) return;
  shown = thing;
  light(thing ? data.names[+thing.dataset.k] : null);
  card.hidden = !thing;
  if (!thing) return;
  const k = +thing.dataset.k, [heading, facts] = data.things[k], now = moment(k);
  const title = document.createElement("h3");
  title.textContent = heading;
  const list = document.createElement("dl");
  for (const [words, figure] of now ? [["at the time shown", now], ...facts] : facts) {
    const row = document.createElement("div"), dt = document.createElement("dt"), dd = document.createElement("dd");
    dt.textContent = words; dd.textContent = figure;
    row.append(dt, dd); list.append(row);
  }
  card.replaceChildren(title, list);
}
function place(x, y) {
  const f = frame.getBoundingClientRect(), w = card.offsetWidth, h = card.offsetHeight;
  const left = x - f.left + 16 + w > f.width ? Math.max(4, x - f.left - 16 - w) : x - f.left + 16;
  const top = Math.max(4, Math.min(y - f.top + 16, f.height - h - 4));
  card.style.transform = `translate(${left.toFixed(0)}px,${top.toFixed(0)}px)`;
}
function showAt(thing) { show(thing); const r = thing.getBoundingClientRect(); place((r.left + r.right) / 2, (r.top + r.bottom) / 2); }
map.addEventListener("pointerover", e => { const t = e.target.closest("[data-k]"); if (!held && !pinned && t) { show(t); place(e.clientX, e.clientY); } });
map.addEventListener("pointerout", e => { if (!pinned && !(e.relatedTarget && e.relatedTarget.closest && e.relatedTarget.closest("[data-k]"))) show(null); });
map.addEventListener("click", e => { const t = e.target.closest("[data-k]"); pinned = Boolean(t); show(t); if (t) place(e.clientX, e.clientY); });

// the map: moving and zooming; a move is a transform, which is cheap, until it ends
const TALL = +map.dataset.height;
// on a narrow screen the whole is drawn a little smaller, for symbols at the edge
const least = () => (map.getBoundingClientRect().width || 1000) < 640 ? 0.88 : 1;
let view = {x: 0, y: 0, k: 1}, held = null, moved = {x: 0, y: 0}, waiting = false;
function perPixel() { const r = map.getBoundingClientRect(); return 1 / Math.min(r.width / (1000 / view.k), r.height / (TALL / view.k)); }
function settle() {
  const w = 1000 / view.k, h = TALL / view.k;
  view.x = Math.min(Math.max(view.x, -w * 0.45), 1000 - w * 0.55);
  view.y = Math.min(Math.max(view.y, -h * 0.45), TALL - h * 0.55);
  map.setAttribute("viewBox", `${view.x} ${view.y} ${w} ${h}`);
  fit();
  map.classList.toggle("near", view.k > 1.9);
  declutter();
}
// symbols and words keep their size on the screen, whatever the zoom and the width of the page
let width = 0;
const small = () => width < 640 ? 0.85 : 1;
function fit() {
  width = map.getBoundingClientRect().width || 1000;
  map.style.setProperty("--u", perPixel().toFixed(4));
  map.style.setProperty("--small", small());
  map.style.setProperty("--crowd", Math.min(1, map.dataset.crowd * Math.sqrt(view.k)).toFixed(3));
}
function zoom(by, cx, cy) {
  const k = Math.min(Math.max(view.k * by, least()), 24), w = 1000 / view.k, h = TALL / view.k;
  const px = cx === undefined ? 0.5 : cx, py = cy === undefined ? 0.5 : cy;
  view.x += (w - 1000 / k) * px; view.y += (h - TALL / k) * py; view.k = k;
  settle();
}
function whole() { const k = least(); view = {x: 500 - 500 / k, y: TALL / 2 - TALL / 2 / k, k}; settle(); }
function step(dx, dy) { view.x += dx * 1000 / view.k; view.y += dy * TALL / view.k; settle(); }
const pointers = new Map();
let pinch = 0;
map.addEventListener("pointerdown", e => {
  pointers.set(e.pointerId, e);
  if (pointers.size === 2) { const [a, b] = [...pointers.values()]; pinch = Math.hypot(a.clientX - b.clientX, a.clientY - b.clientY); }
  if (e.pointerType === "touch" && view.k <= 1.9 && pointers.size < 2) return;
  held = {x: e.clientX, y: e.clientY, started: false, id: e.pointerId}; moved = {x: 0, y: 0};
});
map.addEventListener("pointermove", e => {
  if (pointers.has(e.pointerId)) pointers.set(e.pointerId, e);
  if (pointers.size === 2) {
    const [a, b] = [...pointers.values()], far = Math.hypot(a.clientX - b.clientX, a.clientY - b.clientY), r = map.getBoundingClientRect();
    if (pinch && Math.abs(far / pinch - 1) > 0.02) { zoom(far / pinch, ((a.clientX + b.clientX) / 2 - r.left) / r.width, ((a.clientY + b.clientY) / 2 - r.top) / r.height); pinch = far; }
    return;
  }
  if (!held) return;
  moved = {x: e.clientX - held.x, y: e.clientY - held.y};
  if (!held.started && Math.hypot(moved.x, moved.y) < 4) return;
  if (!held.started) { held.started = true; map.classList.add("held"); map.setPointerCapture(held.id); shield.hidden = false; }
  if (!waiting) { waiting = true; requestAnimationFrame(() => { waiting = false; if (held && held.started) sheet.style.transform = `translate(${moved.x}px,${moved.y}px)`; }); }
});
function release(e) {
  pointers.delete(e.pointerId);
  if (!held) return;
  if (held.started) {
    const unit = perPixel();
    view.x -= moved.x * unit; view.y -= moved.y * unit;
    sheet.style.transform = ""; shield.hidden = true;
    settle();
  }
  held = null; map.classList.remove("held");
}
map.addEventListener("pointerup", release);
map.addEventListener("pointercancel", release);
map.addEventListener("wheel", e => {
  if (!e.ctrlKey && document.activeElement !== map) return;
  e.preventDefault();
  const r = map.getBoundingClientRect();
  zoom(Math.exp(-e.deltaY * 0.0015), (e.clientX - r.left) / r.width, (e.clientY - r.top) / r.height);
}, {passive: false});
map.addEventListener("dblclick", e => { const r = map.getBoundingClientRect(); zoom(2, (e.clientX - r.left) / r.width, (e.clientY - r.top) / r.height); });
let at = -1;
const stops = things.filter(t => !t.closest(".unbuilt") && !t.classList.contains("spot"));
function go(by) {
  if (!stops.length) return;
  at = (at + by + stops.length) % stops.length;
  visit(stops[at]);
}
function visit(thing) { // shows its card, and moves the map where it is out of sight
  pinned = true; show(null);
  const box = thing.getBoundingClientRect(), r = map.getBoundingClientRect();
  const x = (box.left + box.right) / 2, y = (box.top + box.bottom) / 2;
  if (view.k > 1 && (x < r.left || x > r.right || y < r.top || y > r.bottom)) { const unit = perPixel(); view.x += (x - (r.left + r.right) / 2) * unit; view.y += (y - (r.top + r.bottom) / 2) * unit; settle(); }
  showAt(thing);
}
map.addEventListener("keydown", e => {
  const does = {ArrowLeft: () => step(-0.12, 0), ArrowRight: () => step(0.12, 0), ArrowUp: () => step(0, -0.12), ArrowDown: () => step(0, 0.12),
    "+": () => zoom(1.4), "=": () => zoom(1.4), "-": () => zoom(1 / 1.4), "0": whole, n: () => go(1), p: () => go(-1), Escape: () => { pinned = false; show(null); }}[e.key];
  if (does && !e.ctrlKey && !e.metaKey && !e.altKey) { e.preventDefault(); does(); }
});
for (const button of all("[data-zoom]")) button.addEventListener("click", () => ({in: () => zoom(1.5), out: () => zoom(1 / 1.5), all: whole})[button.dataset.zoom]());
for (const radio of all("#layers input")) radio.addEventListener("change", () => { map.dataset.layer = radio.value; });
$("#unbuilt").addEventListener("change", e => { map.classList.toggle("plain", !e.target.checked); declutter(); });
