// time: one slider for the map, the strips and the levels of stores
const T = data.times, clock = $("#time"), board = $("#strips"), cursor = $("#cursor"), tip = $("#tip");
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
  return v >= 1000 && unit === "kg" ? `${figures(v / 1000)} t` : `${figures(v)} ${unit}`;
}
function part(name, facts, text) {
  const node = document.createElementNS(NS, name);
  for (const key in facts) node.setAttribute(key, facts[key]);
  if (text !== undefined) node.textContent = text;
  return node;
}
function isOn(source, t) {
  const stages = source.stages;
  let x = t + source.phase;
  for (let i = stages.length - 1; i >= 0; i--) {
    const [on, every] = stages[i];
    x = (x % every + every) % every;
    if (x >= on) return false;
  }
  return true;
}
function levelAt(store, t) { // lowest and highest in the stretch of the recording that holds t
  let low = 0, high = store.t.length - 1;
  while (low < high) { const m = (low + high) >> 1; if (store.t[m] < t) low = m + 1; else high = m; }
  return [store.low[low], store.high[low]];
}
function rateWords(kg) { const g = kg * 1000; return g >= 0.0005 ? `${figures(g)} g/s` : "0"; }
let time = null, going = new Array(T.sources.length).fill(null), span = 0, start = 0, rows = [], edge = 0, room = 1;
const flowing = new Map(T.pipes.map(p => [p[0], null])), fed = new Map(T.pipes.map(p => [p[0], p]));
const tops = T.stores.map(s => Math.max(...s.high, 1e-9)), fills = T.stores.map(s => s.k >= 0 && $(".level", byNumber[s.k]));
const long = () => span ? Math.min(span, T.end) : T.end;
const flowOf = k => { const [, steady, parts] = fed.get(k); return parts.reduce((sum, [i, rate]) => sum + (going[i] ? rate : 0), steady); };
function now(t) { // null: no time, the plan as it is on average
  const timed = t !== null;
  if (timed !== (time !== null)) { map.classList.toggle("timed", timed); if (cursor) cursor.hidden = !timed; $("#off").disabled = !timed; }
  time = t;
  if (!timed) { $("#time-words").textContent = "all times"; return; }
  let on = 0, rate = 0;
  T.sources.forEach((source, i) => {
    const is = isOn(source, t);
    if (is) { on += 1; rate += source.flow; }
    if (is === going[i]) return;
    going[i] = is;
    const node = byNumber[source.k];
    if (node) { node.classList.toggle("on", is); node.classList.toggle("off", !is); }
  });
  for (const [k, steady, parts] of T.pipes) {
    const flows = steady > 0 || parts.some(p => going[p[0]]);
    if (flows === flowing.get(k)) continue;
    flowing.set(k, flows);
    byNumber[k].classList.toggle("still", !flows);
  }
  T.stores.forEach((store, i) => {
    if (!fills[i]) return;
    const share = levelAt(store, t)[1] / tops[i], tall = (11 * share).toFixed(1);
    if (fills[i].getAttribute("height") === tall) return;
    fills[i].setAttribute("height", tall); fills[i].setAttribute("y", (8 - tall).toFixed(1));
  });
  $("#time-words").textContent = `${words(t)}: ${on} of ${T.sources.length} sources on, ${rateWords(rate)}`;
  if (!board) return;
  if (t < start - 1e-6 || t > start + long() + 1e-6) strips();
  cursor.style.transform = `translateX(${(edge + room * (t - start) / long()).toFixed(1)}px)`;
}
moment = k => {
  if (time === null) return "";
  if (fed.has(k)) return flowOf(k) > 0 ? `${rateWords(flowOf(k))} flows` : "no flow";
  const source = T.sources.find(s => s.k === k), store = T.stores.find(s => s.k === k);
  if (source) return isOn(source, time) ? `on, ${rateWords(source.flow)}` : "off";
  return store ? levelWords(store, time) : "";
};
function levelWords(store, t) {
  const [low, high] = levelAt(store, t).map(v => amount(v, store.unit));
  return low === high ? high : `${low} to ${high}`;
}
function strips() {
  if (!board) return;
  const wide = Math.max(board.getBoundingClientRect().width, 320), narrow = wide < 640, left = narrow ? 112 : 196, end = T.end, length = long();
  room = wide - left - 12; edge = left;
  start = Math.max(0, Math.min(length * Math.floor((time || 0) / length + 1e-9), end - length));
  $("#span-words").textContent = `${words(start)} to ${words(start + length)}`;
  rows = [];
  const x = t => left + room * (t - start) / length;
  const nodes = [];
  let y = 4;
  const fits = Math.floor((left - 10) / (narrow ? 6 : 6.5)), short = name => name.length > fits ? name.slice(0, Math.ceil(fits / 2) - 1) + "…" + name.slice(-Math.floor(fits / 2)) : name;
  for (const source of T.sources.slice(0, T.shown)) {
    nodes.push(part("text", {x: left - 8, y: y + 10, "text-anchor": "end"}, short(source.name)));
    nodes.push(part("path", {d: `M${left} ${y + 12.5}H${left + room}`, class: "grid"}));
    const paths = {};
    onSpells(source.stages, source.phase, start, start + length, (b, e, share) => {
      if (e <= b) return;
      const key = share.toFixed(2);
      (paths[key] = paths[key] || []).push(`M${x(b).toFixed(1)} ${y}H${Math.max(x(e), x(b) + 0.4).toFixed(1)}V${y + 12}H${x(b).toFixed(1)}Z`);
    });
    for (const key in paths) nodes.push(part("path", {d: paths[key].join(""), class: `on c${source.look}`, opacity: 0.25 + 0.75 * key}));
    rows.push([y, y + 16, source, null]);
    y += 17;
  }
  for (const store of T.stores) {
    y += narrow ? 22 : 8;
    const tall = 52, most = Math.max(...store.high, 1e-9), up = v => (y + tall - tall * v / most).toFixed(1);
    const kept = store.t.map((t, i) => i).filter(i => store.t[i] >= start && (i === 0 || store.t[i - 1] <= start + length));
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
    rows.push([y, y + tall, null, store]);
    y += tall;
  }
  y += 6;
  const about = length / (wide < 640 ? 3 : 6);
  const round = [60, 300, 900, 3600, 10800, 21600, 43200, 86400, 172800, 432000, 864000, 1728000, 2592000, 8640000, 31557600].find(s => s >= about) || about;
  for (let t = Math.ceil(start / round) * round; t <= start + length; t += round) {
    nodes.push(part("path", {d: `M${x(t).toFixed(1)} 0V${y}`, class: "grid"}));
    nodes.push(part("text", {x: x(t).toFixed(1), y: y + 12, class: "tick", "text-anchor": "middle"}, words(t)));
  }
  y += 18;
  board.setAttribute("viewBox", `0 0 ${wide} ${y}`);
  board.replaceChildren(...nodes);
  cursor.style.height = `${y - 18}px`;
}
function seek(t) { clock.value = Math.round(1000 * t / T.end); now(t); }
clock.addEventListener("input", () => now(T.end * clock.value / 1000));
// on a narrow screen the clock is there where the map or the strips are
const timedParts = new Set(), timeBar = $(".clock");
const nearby = new IntersectionObserver(seen => {
  for (const one of seen) timedParts[one.isIntersecting ? "add" : "delete"](one.target);
  timeBar.classList.toggle("away", !timedParts.size);
});
for (const one of all(".drawing,#times")) nearby.observe(one);
$("#off").addEventListener("click", () => { stop(); now(null); });
let playing = 0;
function stop() { cancelAnimationFrame(playing); playing = 0; $("#play").textContent = "Run"; }
function play() { // the whole span shown in 40 s
  $("#play").textContent = "Pause";
  let last = performance.now();
  const tick = at => {
    const t = (time === null ? 0 : time) + long() * (at - last) / 40000;
    last = at;
    seek(t > T.end ? 0 : t);
    playing = requestAnimationFrame(tick);
  };
  playing = requestAnimationFrame(tick);
}
$("#play").addEventListener("click", () => playing ? stop() : play());
if (board) {
  for (const button of all("#spans button")) button.hidden = +button.dataset.span >= T.end;
  for (const button of all("#spans button")) button.addEventListener("click", () => {
    span = +button.dataset.span;
    for (const other of all("#spans button")) other.setAttribute("aria-pressed", String(other === button));
    strips();
    if (time !== null) now(time);
  });
  const timeAt = e => start + long() * (e.clientX - board.getBoundingClientRect().left - edge) / room;
  board.addEventListener("pointermove", e => {
    const r = board.getBoundingClientRect(), t = timeAt(e), y = e.clientY - r.top, row = rows.find(([top, foot]) => y >= top && y <= foot);
    tip.hidden = t < start || t > start + long();
    if (tip.hidden) return;
    const said = !row ? "" : row[2] ? `: ${row[2].name} ${isOn(row[2], t) ? `on, ${rateWords(row[2].flow)}` : "off"}` : `: ${row[3].name.replace("@", " at ")} ${levelWords(row[3], t)}`;
    tip.textContent = words(t) + said;
    const x = e.clientX - r.left;
    tip.style.transform = `translate(${x > r.width / 2 ? x - tip.offsetWidth - 10 : x + 10}px,${Math.max(0, y - 32)}px)`;
    if (row) light(data.names[(row[2] || row[3]).k]);
  });
  board.addEventListener("pointerleave", () => { tip.hidden = true; light(null); });
  board.addEventListener("click", e => { const t = timeAt(e); if (t >= start && t <= start + long()) seek(t); });
}

