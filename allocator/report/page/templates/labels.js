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
  inward(at, seen, half, frame.width, s);
  at.forEach(([x, y], i) => { if (seen[i] && !(map.classList.contains("plain") && data.labels[i][3])) take([x - half(i), y - tall(i) * (data.labels[i][4] ? 2 : 1), x + half(i), y + tall(i)]); });
  const laid = data.laid.map(([a, b, c, d]) => [left + a * s, top + b * s, left + c * s, top + d * s]);
  const order = at.map((_, i) => i).sort((i, j) => data.labels[i][3] - data.labels[j][3] || data.labels[j][2] - data.labels[i][2] || i - j);
  const first = order.filter(i => data.labels[i][3] === 0);
  for (const i of first) put(i);
  pipeLabels(at, s, half, laid, take, taken);
  for (const i of order.slice(first.length)) put(i);
  function put(i) {
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
    if (!found) return;
    take(found[3]);
    texts[i].setAttribute("x", found[0].toFixed(1)); texts[i].setAttribute("y", found[1].toFixed(1)); texts[i].setAttribute("text-anchor", found[2]);
  }
}
// symbols at the edge of the picture move inward, so that none is cut
const groups = all(".things > g", map);
function inward(at, seen, half, wide, s) {
  at.forEach((spot, i) => {
    const h = half(i) + 3, x = seen[i] ? Math.min(Math.max(spot[0], Math.min(h, wide / 2)), Math.max(wide - h, wide / 2)) : spot[0], by = x - spot[0];
    const group = groups[data.labels[i][5]], fixed = group && group.firstElementChild;
    if (fixed && (by || fixed.style.translate)) fixed.style.translate = by ? `${(by / s).toFixed(1)}px 0` : "";
    spot[2] = spot[0]; spot[0] = x;
    if (by) { const label = labels[i].firstElementChild; label.style.translate = `${(by / s).toFixed(1)}px 0`; } else if (labels[i].firstElementChild.style.translate) labels[i].firstElementChild.style.translate = "";
  });
}
// labels of pipes stand along them: build, mean flow and use of capacity, or less where the pipe is short
const slots = all(".pipe-labels > g", map), spoken = new Map(), MOST_PIPES = 150, SMALL = 10;
function wordsWide(text) {
  if (!spoken.has(text)) spoken.set(text, brush.measureText(text).width / 100 * SMALL);
  return spoken.get(text);
}
function pipeLabels(at, s, half, laid, take, taken) {
  const left = data.labels.length ? at[0][2] - data.labels[0][0] * s : 0, top = data.labels.length ? at[0][1] - data.labels[0][1] * s : 0;
  const view = map.getBoundingClientRect();
  let tried = 0;
  data.pipes.forEach(([x1, y1, x2, y2, bend, ...texts], i) => {
    const ax = left + x1 * s, ay = top + y1 * s, bx = left + x2 * s, by = top + y2 * s, long = Math.hypot(bx - ax, by - ay);
    const text = long > 46 && ++tried <= MOST_PIPES ? texts.find(t => wordsWide(t) + 34 < long) : undefined;
    let spot = null;
    if (text !== undefined) {
      let turn = Math.atan2(by - ay, bx - ax);
      const turned = Math.abs(turn) > Math.PI / 2, outward = bend > 0 !== turned ? 13 : -12; // beside a pipe on the same route
      if (turned) turn += turn > 0 ? -Math.PI : Math.PI;
      const nx = -(by - ay) / long, ny = (bx - ax) / long, wide = wordsWide(text), cx = Math.cos(turn), cy = Math.sin(turn);
      const mx = (ax + bx) / 2 + nx * bend * s / 2, my = (ay + by) / 2 + ny * bend * s / 2;
      for (const side of bend ? [outward] : [-12, 13]) {
        const x = mx - cy * side, y = my + cx * side, boxes = [];
        for (let d = -wide / 2; d <= wide / 2; d += 7) boxes.push([x + d * cx - 5, y + d * cy - 5, x + d * cx + 5, y + d * cy + 5]);
        if (x < 10 || y < 10 || x > view.width - 10 || y > view.height - 10 || boxes.some(taken)) continue;
        if (laid.some((l, j) => boxes.some(b => meets([b[0] + 2, b[1] + 2, b[2] - 2, b[3] - 2], ...l)) && !(Math.abs(l[0] - ax) < 1 && Math.abs(l[1] - ay) < 1 && Math.abs(l[2] - bx) < 1))) continue;
        for (const b of boxes) take(b);
        spot = [(x - left) / s, (y - top) / s, turn * 180 / Math.PI, text];
        break;
      }
    }
    const slot = slots[i];
    slot.style.display = spot ? "inline" : "none";
    if (!spot) return;
    if (!slot.firstChild) { const fixed = part("g", {class: "fixed"}); fixed.append(part("text", {"text-anchor": "middle", y: 3.5})); slot.append(fixed); }
    slot.setAttribute("transform", `translate(${spot[0].toFixed(1)} ${spot[1].toFixed(1)}) rotate(${spot[2].toFixed(1)})`);
    slot.firstChild.firstChild.textContent = spot[3];
  });
}
