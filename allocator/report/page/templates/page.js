"use strict";
(() => {
const $ = (pick, from) => (from || document).querySelector(pick);
const all = (pick, from) => [...(from || document).querySelectorAll(pick)];
const data = JSON.parse($("#data").textContent);
const NS = "http://www.w3.org/2000/svg";

// the map: details of a thing
const map = $("#map"), sheet = $(".sheet"), shield = $(".shield"), panel = $("#panel");
const things = all("[data-k]", map);
let lit = null;
function show(thing) {
  if (lit === thing) return;
  if (lit) lit.classList.remove("lit");
  lit = thing;
  if (!thing) return;
  thing.classList.add("lit");
  const [heading, facts] = data.things[+thing.dataset.k];
  const title = document.createElement("h3");
  title.textContent = heading;
  const list = document.createElement("dl");
  for (const [words, figure] of facts) {
    const row = document.createElement("div"), dt = document.createElement("dt"), dd = document.createElement("dd");
    dt.textContent = words; dd.textContent = figure;
    row.append(dt, dd); list.append(row);
  }
  panel.replaceChildren(title, list);
}
map.addEventListener("pointerover", e => { const t = e.target.closest("[data-k]"); if (t && !held) show(t); });
map.addEventListener("click", e => { const t = e.target.closest("[data-k]"); if (t) show(t); });

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
// labels look for room in what is seen: those of built places first, the rest when the map is closer
const labels = all(".labels > g", map), texts = labels.map(g => $("text", g));
const brush = document.createElement("canvas").getContext("2d");
let lengths = null;
function meets(b, x1, y1, x2, y2) { // a box and a line
  let t0 = 0, t1 = 1;
  for (const [p, d, low, high] of [[x1, x2 - x1, b[0], b[2]], [y1, y2 - y1, b[1], b[3]]]) {
    if (Math.abs(d) < 1e-9) { if (p < low || p > high) return false; continue; }
    const a = (low - p) / d, c = (high - p) / d;
    t0 = Math.max(t0, Math.min(a, c)); t1 = Math.min(t1, Math.max(a, c));
    if (t0 > t1) return false;
  }
  return true;
}
function declutter() {
  if (!labels.length) return;
  const font = width < 640 ? 11 : 11.5;
  if (!lengths) { brush.font = `100px ${getComputedStyle(texts[0]).fontFamily}`; lengths = texts.map(t => brush.measureText(t.textContent).width / 100); }
  const frame = map.getBoundingClientRect(), s = 1 / perPixel();
  const left = (frame.width - 1000 / view.k * s) / 2 - view.x * s, top = (frame.height - TALL / view.k * s) / 2 - view.y * s;
  const at = data.labels.map(([x, y]) => [left + x * s, top + y * s]);
  const seen = at.map(([x, y]) => x > 0 && y > 0 && x < frame.width && y < frame.height);
  const room = frame.width * frame.height / (width < 640 ? 5500 : 9000);
  const shown = [0, 1, 2, 3].map(rank => data.labels.filter((label, i) => label[3] <= rank && seen[i]).length);
  const most = map.classList.contains("plain") ? 0 : Math.max(0, shown.filter(n => n <= room).length - 1);
  const cells = new Map(), SIZE = 64;
  const near = (b, does) => { for (let i = Math.floor(b[0] / SIZE); i <= b[2] / SIZE; i++) for (let j = Math.floor(b[1] / SIZE); j <= b[3] / SIZE; j++) { const key = i * 4096 + j; if (does(key)) return true; } return false; };
  const take = b => near(b, key => { if (!cells.has(key)) cells.set(key, []); cells.get(key).push(b); return false; });
  const taken = b => near(b, key => (cells.get(key) || []).some(t => b[0] < t[2] && t[0] < b[2] && b[1] < t[3] && t[1] < b[3]));
  const crowd = Math.min(1, map.dataset.crowd * Math.sqrt(view.k)), half = i => data.labels[i][2] * small() * (data.labels[i][3] ? crowd : Math.max(crowd, 0.75));
  const tall = i => 10 * small() * (data.labels[i][3] ? crowd : Math.max(crowd, 0.75));
  at.forEach(([x, y], i) => { if (seen[i] && !(map.classList.contains("plain") && data.labels[i][3])) take([x - half(i), y - tall(i) * (data.labels[i][4] ? 2 : 1), x + half(i), y + tall(i)]); });
  const laid = data.laid.map(([a, b, c, d]) => [left + a * s, top + b * s, left + c * s, top + d * s]);
  const order = at.map((_, i) => i).sort((i, j) => data.labels[i][3] - data.labels[j][3] || data.labels[j][2] - data.labels[i][2] || i - j);
  for (const i of order) {
    const [x, y] = at[i], long = lengths[i] * font, h = half(i), v = tall(i);
    let found = null, poor = null;
    if (seen[i] && data.labels[i][3] <= most)
      for (const [dx, dy, anchor] of [[h + 4, 4, "start"], [-h - 4, 4, "end"], [0, -(data.labels[i][4] ? 2 : 1) * v - 4, "middle"], [0, v + font, "middle"], [h, -v, "start"], [h, v + font, "start"], [-h, -v, "end"], [-h, v + font, "end"]]) {
        const from = x + dx - (anchor === "start" ? 0 : anchor === "end" ? long : long / 2);
        const box = [from - 2, y + dy - font, from + long + 2, y + dy + 4];
        if (box[0] < 2 || box[1] < 2 || box[2] > frame.width - 2 || box[3] > frame.height - 2 || taken(box)) continue;
        if (laid.some(l => meets(box, ...l))) { poor = poor || [dx, dy, anchor, box]; continue; }
        found = [dx, dy, anchor, box]; break;
      }
    found = found || poor;
    labels[i].style.display = found ? "inline" : "none";
    if (!found) continue;
    take(found[3]);
    texts[i].setAttribute("x", found[0].toFixed(1)); texts[i].setAttribute("y", found[1].toFixed(1)); texts[i].setAttribute("text-anchor", found[2]);
  }
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
  show(stops[at]);
  const box = stops[at].getBoundingClientRect(), r = map.getBoundingClientRect();
  const x = (box.left + box.right) / 2, y = (box.top + box.bottom) / 2;
  if (view.k > 1 && (x < r.left || x > r.right || y < r.top || y > r.bottom)) { const unit = perPixel(); view.x += (x - (r.left + r.right) / 2) * unit; view.y += (y - (r.top + r.bottom) / 2) * unit; settle(); }
}
map.addEventListener("keydown", e => {
  const does = {ArrowLeft: () => step(-0.12, 0), ArrowRight: () => step(0.12, 0), ArrowUp: () => step(0, -0.12), ArrowDown: () => step(0, 0.12),
    "+": () => zoom(1.4), "=": () => zoom(1.4), "-": () => zoom(1 / 1.4), "0": whole, n: () => go(1), p: () => go(-1)}[e.key];
  if (does && !e.ctrlKey && !e.metaKey && !e.altKey) { e.preventDefault(); does(); }
});
for (const button of all("[data-zoom]")) button.addEventListener("click", () => ({in: () => zoom(1.5), out: () => zoom(1 / 1.5), all: whole})[button.dataset.zoom]());
for (const radio of all("#layers input")) radio.addEventListener("change", () => { map.dataset.layer = radio.value; });
$("#unbuilt").addEventListener("change", e => { map.classList.toggle("plain", !e.target.checked); declutter(); });
new ResizeObserver(() => { if (map.getBoundingClientRect().width !== width) { if (view.k <= 1) whole(); else settle(); strips(); } }).observe($(".frame"));

// strips: when each source is on, and levels of stores
const board = $("#strips");
let span = 0, start = 0;
function onSpells(stages, phase, from, to, seen) {
  // calls seen(begin, end, share): spells within [from, to]; fine ones are told by their share
  const fine = (to - from) / 700;
  const share = depth => { let s = 1; for (let i = 0; i <= depth; i++) s *= stages[i][0] / stages[i][1]; return s; };
  const inner = (depth, zero, begin, end) => {
    if (depth < 0) { seen(Math.max(begin, from), Math.min(end, to), 1); return; }
    const [on, every] = stages[depth];
    if (every < fine) { seen(Math.max(begin, from), Math.min(end, to), share(depth)); return; }
    for (let k = Math.max(0, Math.floor((Math.max(begin, from) - zero) / every)); zero + k * every < Math.min(end, to); k++) {
      const b = zero + k * every, e = Math.min(b + on, end);
      if (e > from) inner(depth - 1, b, b, e);
    }
  };
  const last = stages.length - 1, every = stages[last][1];
  const zero = from - ((from + phase) % every + every) % every;
  inner(last, zero, zero, to);
}
function words(s) {
  return s >= 2 * 86400 ? `${+(s / 86400).toFixed(1)} d` : s >= 7200 ? `${+(s / 3600).toFixed(1)} h` : s >= 120 ? `${Math.round(s / 60)} min` : `${Math.round(s)} s`;
}
function amount(v, unit) {
  if (unit === "J") { v /= 3.6e6; unit = "kWh"; }
  return v >= 1000 && unit === "kg" ? `${+(v / 1000).toPrecision(3)} t` : `${+v.toPrecision(3)} ${unit}`;
}
function part(name, facts, text) {
  const node = document.createElementNS(NS, name);
  for (const key in facts) node.setAttribute(key, facts[key]);
  if (text !== undefined) node.textContent = text;
  return node;
}
function strips() {
  if (!board) return;
  const wide = Math.max(board.getBoundingClientRect().width, 320), narrow = wide < 640, left = narrow ? 112 : 196, room = wide - left - 12;
  const end = data.strips.end, long = span ? Math.min(span, end) : end;
  start = (end - long) * (+$("#from").value / 1000);
  $("#from").disabled = long >= end;
  $("#from-words").textContent = `${words(start)} to ${words(start + long)}`;
  const x = t => left + room * (t - start) / long;
  const nodes = [];
  let y = 4;
  const fits = Math.floor((left - 10) / (narrow ? 6 : 6.5)), short = name => name.length > fits ? name.slice(0, Math.ceil(fits / 2) - 1) + "…" + name.slice(-Math.floor(fits / 2)) : name;
  for (const source of data.strips.sources) {
    nodes.push(part("text", {x: left - 8, y: y + 10, "text-anchor": "end"}, short(source.name)));
    nodes.push(part("path", {d: `M${left} ${y + 12.5}H${left + room}`, class: "grid"}));
    const paths = {};
    onSpells(source.stages, source.phase, start, start + long, (b, e, share) => {
      if (e <= b) return;
      const key = share.toFixed(2);
      (paths[key] = paths[key] || []).push(`M${x(b).toFixed(1)} ${y}H${Math.max(x(e), x(b) + 0.4).toFixed(1)}V${y + 12}H${x(b).toFixed(1)}Z`);
    });
    for (const key in paths) nodes.push(part("path", {d: paths[key].join(""), class: `on c${source.look}`, opacity: 0.25 + 0.75 * key}));
    y += 17;
  }
  for (const store of data.strips.stores) {
    y += narrow ? 22 : 8;
    const tall = 52, most = Math.max(...store.high, 1e-9), up = v => (y + tall - tall * v / most).toFixed(1);
    const kept = store.t.map((t, i) => i).filter(i => store.t[i] >= start && (i === 0 || store.t[i - 1] <= start + long));
    const name = store.name.replace("@", " at ");
    if (narrow) nodes.push(part("text", {x: 0, y: y - 5}, name.length > 52 ? name.slice(0, 51) + "…" : name));
    else nodes.push(part("text", {x: left - 8, y: y + tall / 2, "text-anchor": "end"}, short(name)));
    nodes.push(part("text", {x: left - 8, y: y + 9, "text-anchor": "end", class: "tick"}, amount(most, store.unit)), part("text", {x: left - 8, y: y + tall, "text-anchor": "end", class: "tick"}, "0"));
    nodes.push(part("path", {d: `M${left} ${y}H${left + room}M${left} ${y + tall}H${left + room}`, class: "grid"}));
    const within = t => Math.min(Math.max(x(t), left), left + room).toFixed(1);
    if (kept.length) {
      const top = kept.map(i => `${within(store.t[i])} ${up(store.high[i])}`), low = kept.map(i => `${within(store.t[i])} ${up(store.low[i])}`);
      nodes.push(part("path", {d: `M${top.join("L")}L${low.reverse().join("L")}Z`, class: "band"}));
      nodes.push(part("path", {d: `M${low.reverse().join("L")}`, class: "level"}));
    }
    y += tall;
  }
  y += 6;
  const about = long / (wide < 640 ? 3 : 6);
  const round = [60, 300, 900, 3600, 10800, 21600, 43200, 86400, 172800, 432000, 864000, 1728000, 2592000, 8640000, 31557600].find(s => s >= about) || about;
  for (let t = Math.ceil(start / round) * round; t <= start + long; t += round) {
    nodes.push(part("path", {d: `M${x(t).toFixed(1)} 0V${y}`, class: "grid"}));
    nodes.push(part("text", {x: x(t).toFixed(1), y: y + 12, class: "tick", "text-anchor": "middle"}, words(t)));
  }
  y += 18;
  board.setAttribute("viewBox", `0 0 ${wide} ${y}`);
  board.replaceChildren(...nodes);
}
if (board) {
  for (const button of all("#spans button")) button.hidden = +button.dataset.span >= data.strips.end;
  for (const button of all("#spans button")) button.addEventListener("click", () => {
    span = +button.dataset.span;
    for (const other of all("#spans button")) other.setAttribute("aria-pressed", String(other === button));
    strips();
  });
  $("#from").addEventListener("input", strips);
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
for (const section of all("main > section[id]")) if (links.has(section.id)) watch.observe(section);

whole();
strips();
document.documentElement.dataset.ready = "yes";
})();
