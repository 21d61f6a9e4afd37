// build order: bars by material, or by time once it is said what the crew builds a day
const B = data.build, chart = $("#bars"), crew = $("#crew"), stepper = $("#step");
const sourceOf = new Map(T.sources.map(s => [s.k, s]));
const madeBy = new Map(); // thing -> step that builds it: the first that is about it
B.steps.forEach(([, , , , k], i) => { if (k >= 0 && !madeBy.has(k)) madeBy.set(k, i); });
const ROW = 15, HEAD = 22;
function bars() {
  if (!chart) return;
  const wide = Math.max(chart.parentElement.clientWidth, 300), narrow = wide < 640, left = narrow ? 4 : Math.min(420, wide * 0.4), room = wide - left - 14;
  const a_day = +crew.value, whole = Math.max(...B.steps.map(s => s[2]), 1e-9), days = a_day > 0 ? whole / a_day : 0;
  const x = kg => left + room * kg / whole, nodes = [];
  const about = (days || whole / 1000) / (narrow ? 3 : 7), scale = 10 ** Math.floor(Math.log10(about)), step = [1, 2, 5, 10].map(m => m * scale).find(m => m >= about), end = days || whole / 1000;
  for (let v = 0; v <= end * 1.0001; v += step) {
    const at = left + room * v / end;
    nodes.push(part("path", {d: `M${at.toFixed(1)} ${HEAD - 4}V${HEAD + ROW * B.steps.length}`, class: "grid"}));
    nodes.push(part("text", {x: at.toFixed(1), y: 12, class: "tick", "text-anchor": v ? "middle" : "start"}, `${figures(v)} ${days ? "d" : "t"}`));
  }
  const fits = Math.floor((left - 14) / 6.1);
  B.steps.forEach(([text, mass, sofar, power, k, spell], i) => {
    const y = HEAD + ROW * i, from = x(sofar - mass), to = x(sofar), g = part("g", {class: "step", "data-i": i}), source = sourceOf.get(k);
    g.append(part("rect", {x: 0, y, width: wide, height: ROW, class: "row"}), part("title", {}, `${i + 1}. ${text}`));
    if (!narrow) g.append(part("text", {x: left - 8, y: y + 11, "text-anchor": "end"}, text.length > fits ? text.slice(0, fits - 1) + "…" : text));
    if (days && source) {
      const outer = source && source.stages[source.stages.length - 1];
      const [first, on, every] = spell.length ? spell : [-(source.phase % outer[1]), ...outer], last = days * 86400;
      let d = "";
      for (let t = first, n = 0; t < last && n < 400; t += every, n++) { const p = Math.max(t, 0), q = Math.min(t + on, last); if (q > p) d += `M${(left + room * p / last).toFixed(1)} ${y + 2}H${(left + room * q / last).toFixed(1)}V${y + 13}H${(left + room * p / last).toFixed(1)}Z`; }
      if (d) g.append(part("path", {d, class: `spells ${spell.length ? "" : "example"}`}));
    }
    g.append(mass > 0 ? part("rect", {x: from.toFixed(1), y: y + 4, width: Math.max(to - from, 1.5).toFixed(1), height: 7, class: "bar-of-step"})
      : part("path", {d: k < 0 ? `M${to} ${y + 2}l5 5.5l-5 5.5l-5 -5.5z` : `M${to} ${y + 3}v9`, class: k < 0 ? "start" : "tick-of-step"}));
    nodes.push(g);
  });
  const tall = HEAD + ROW * B.steps.length + 4;
  chart.setAttribute("viewBox", `0 0 ${wide} ${tall}`);
  chart.setAttribute("height", tall);
  chart.replaceChildren(...nodes);
  mark();
}
let reached = B.steps.length;
function mark() {
  if (!chart) return;
  all(".step", chart).forEach((g, i) => { g.classList.toggle("done", i < reached); g.classList.toggle("current", i === reached - 1); });
}
function build(n) { // the map as it is after n steps
  const before = reached;
  reached = Math.max(0, Math.min(n, B.steps.length));
  stepper.value = reached;
  map.classList.toggle("building", reached < B.steps.length);
  for (const [k, i] of madeBy) if (byNumber[k]) byNumber[k].classList.toggle("later", i >= reached);
  const last = B.steps[reached - 1];
  $("#step-words").textContent = !last ? "nothing built yet" : `${reached} of ${B.steps.length}: ${last[0]}`;
  $("#step-power").textContent = last ? `${figures(last[2] / 1000)} t of material, ${figures(last[3] / 1000)} kW firm` : "";
  light(last && last[4] >= 0 ? data.names[last[4]] : null);
  mark();
  const box = chart.parentElement, y = HEAD + ROW * (reached - 1);
  if (before !== reached && (y < box.scrollTop + HEAD || y > box.scrollTop + box.clientHeight - 2 * ROW)) box.scrollTop = Math.max(0, y - box.clientHeight / 2);
}
if (chart) {
  stepper.addEventListener("input", () => build(+stepper.value));
  for (const button of all("[data-step]")) button.addEventListener("click", () => build(button.dataset.step === "all" ? B.steps.length : reached + +button.dataset.step));
  crew.addEventListener("input", bars);
  chart.addEventListener("click", e => { const g = e.target.closest(".step"); if (g) build(+g.dataset.i + 1); });
}

