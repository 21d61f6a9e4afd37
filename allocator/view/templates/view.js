"use strict";
// the page around the pages of plans: what is changed goes to the server, and what it knows comes back
(() => {
const $ = (pick, from) => (from || document).querySelector(pick);
const all = (pick, from) => [...(from || document).querySelectorAll(pick)];
function made(name, facts, ...inner) {
  const node = document.createElement(name);
  for (const key in facts || {}) { if (key in node && key !== "list") node[key] = facts[key]; else node.setAttribute(key, facts[key]); }
  node.append(...inner);
  return node;
}
const form = $("#form"), controls = $("#controls"), NS = "http://www.w3.org/2000/svg";
let given = null, formOf = null, state = null, seen = -1, shownPages = {present: null, new: null};

async function ask(path, data) {
  const facts = data === undefined ? {} : {method: "POST", headers: {"Content-Type": "application/json"}, body: JSON.stringify(data)};
  const answer = await fetch(path, facts);
  const found = await answer.json().catch(() => ({faults: [`the server answered ${answer.status}`]}));
  if (!answer.ok) throw found.faults || ["the server refused the request"];
  return found;
}

// the form
function field(words, input, about) {
  const label = made("label", {className: "field"}, made("span", {}, words, ...(about ? [made("small", {}, about)] : [])));
  label.append(input);
  return label;
}
function group(title, ...inner) { const box = made("fieldset", {}, made("legend", {}, title)); box.append(...inner.filter(Boolean)); return box; }
function text(kind, key, value) { return made("input", {type: "text", value, "data-kind": kind, "data-key": key, "data-first": value, spellcheck: false}); }
function number(kind, key, value, most) { return made("input", {type: "number", min: 0, max: most, step: 1, value: String(value), "data-kind": kind, "data-key": key, "data-first": String(value)}); }
function choice(kind, key, options, value) {
  const found = made("select", {"data-kind": kind, "data-key": key, "data-first": value});
  for (const [word, words] of options) found.append(made("option", {value: word, selected: word === value}, words));
  found.value = value;
  return found;
}
const readable = address => address.replace(/^(demands|storage|limits)\./, "").replace(/\.size\.max$/, ", largest size").replace(/\.(power|flow)$/, "").replace(/^stock\./, "stock of ");
function build() {
  const groups = new Map();
  for (const one of given.values) {
    if (!groups.has(one.group)) groups.set(one.group, []);
    groups.get(one.group).push(field(readable(one.address), text("values", one.address, one.value)));
  }
  const boxes = [...groups].map(([title, fields]) => group(title, ...fields));
  boxes.push(group("Machines that may be used", ...given.units.map(one => field(one.address.replace("@", " at "), number("units", one.address, one.most, 99), `${one.used} in the present plan`)),
    given.firm && field("hold with any units out", number("counts", "lose_machines", given.lose_machines, 99), "machine units, any of them")));
  const sources = given.sources.map(one => {
    const options = [["", "flow as in file"], ...(one.low ? [["low", "low end"]] : []), ["lost", "lost"]];
    const row = made("div", {className: "source"}, made("span", {}, one.name, made("small", {}, one.flow)), choice("flow", one.name, options, ""));
    row.lastChild.setAttribute("aria-label", `flow of ${one.name}`);
    if (one.clocked) {
      const clock = choice("clock", one.name, [["free", "free"], ["surveyed", "surveyed"], ["calendar", "calendar"]], one.clock);
      row.append(made("div", {className: "clock-of"}, made("label", {}, "clock", clock), made("label", {}, "next start in", text("next_start", one.name, one.next_start)), made("label", {}, "error", text("error", one.name, one.error))));
    }
    return row;
  });
  boxes.push(group("Gas lost", given.firm && field("hold with any sources lost", number("counts", "lose", given.lose, 99)), given.firm && field("hold with any sources low", number("counts", "robust", given.robust, 99), "at the low end of their range"),
    made("details", {}, made("summary", {}, `Sources and their clocks (${given.sources.length})`), ...sources)));
  boxes.push(group("How to plan again", field("keep to the present plan", made("input", {type: "checkbox", id: "keep", "data-kind": "keep", "data-first": ""}), "as far as 10 % of what it serves allows")));
  controls.replaceChildren(...boxes);
  note();
}
function inputs() { return all("[data-kind]", controls); }
const now = input => input.type === "checkbox" ? (input.checked ? "yes" : "") : input.value.trim();
function note() {
  let count = 0;
  for (const input of inputs()) {
    const touched = now(input) !== input.dataset.first;
    input.classList.toggle("touched", touched);
    count += touched;
  }
  $("#changed").textContent = count ? `${count} value${count > 1 ? "s" : ""} changed.` : "Nothing is changed.";
}
function changes() {
  const found = {values: {}, units: {}, sources: {}};
  for (const input of inputs()) {
    const {kind, key, first} = input.dataset, value = now(input);
    if (kind === "counts") { found[key] = whole(value); continue; }
    if (value === first) continue;
    if (kind === "keep") found.keep_weight = 0.1;
    else if (kind === "values") found.values[key] = value;
    else if (kind === "units") found.units[key] = whole(value);
    else { found.sources[key] = found.sources[key] || {}; found.sources[key][kind] = value; }
  }
  return found;
}
const whole = text => /^[0-9]+$/.test(text) ? +text : text;
form.addEventListener("input", note);
$("#reset").addEventListener("click", () => { for (const input of inputs()) if (input.type === "checkbox") input.checked = false; else input.value = input.dataset.first; note(); });
form.addEventListener("submit", e => { e.preventDefault(); act("plan", changes()).then(done => { if (done && innerWidth <= 1000) $("#search").scrollIntoView(); }); });
for (const what of ["stop", "discard", "accept"]) $("#" + what).addEventListener("click", () => act(what, what === "accept" && state.run ? {run: state.run.number} : {}));
let refused = [];  // what the last request of this window was refused for
async function act(what, data) {
  fault(refused = []);
  const buttons = all(".acts button");
  for (const button of buttons) button.disabled = true;
  try {
    await ask(what, data);
    return true;
  } catch (lines) { fault(refused = Array.isArray(lines) ? lines : ["the server does not answer: was it ended?"]); return false; } finally { for (const button of buttons) button.disabled = false; }
}
function fault(lines) {
  $("#faults").hidden = !lines.length;
  $("#faults").replaceChildren(...lines.map(line => made("li", {}, line)));
}

// what the server says
const STATES = {planning: "Planning", simulating: "Planned; a year is simulated", done: "Planned", stopped: "Stopped", failed: "No new plan"};
function show() {
  const run = state.run;
  $("#where").textContent = state.accepted ? `accepted: ${state.folder}/${state.accepted}` : `accepted plans go to ${state.folder}`;
  $("#page-notes").textContent = [...state.notes, ...(state.stale ? ["the site file was changed since: end this view and open it again to use it"] : [])].join("; ");
  const busy = run && ["planning", "simulating"].includes(run.state), made_ = run && run.made;
  if (!run) $("#said").textContent = state.accepted ? `The new plan is accepted, in ${state.accepted}; the plan before it is kept.` : "Change something on the form, then plan again: the new plan is shown beside the present one.";
  else $("#said").textContent = `${STATES[run.state]}${run.changes.length ? ` with ${run.changes.join("; ")}` : ""}. ${run.state === "planning" ? run.words : ""}${made_ && !run.last && !busy ? "Not searched to the end: a plan may be better." : ""}`;
  fault([...refused, ...(run ? run.faults : [])]);
  $("#notes").textContent = run ? run.notes.join("; ") : "";
  $("#stop").hidden = !busy;
  $("#accept").hidden = !made_;
  $("#discard").hidden = !run || busy;
  compare(run ? run.compared : {});
  chart(run ? run.lines : []);
  page("present", state.planned ? state.page : null);
  page("new", made_ ? run.page : null);
  for (const button of all("[data-shown]:is(button)")) button.disabled = button.dataset.shown !== "present" && !made_;
  if (!made_ && frames.dataset.shown !== "present") pick("present");
  if (made_ && !state.planned && frames.dataset.shown === "present") pick("new");
}
function page(which, mark) {
  if (shownPages[which] === mark) return;
  shownPages[which] = mark;
  const frame = $("#" + which);
  if (mark === null) frame.removeAttribute("src"); else frame.src = `plans/${which}?v=${mark}`;
  if (which === "new" && mark !== null && frames.dataset.shown === "present") pick(innerWidth > 1500 ? "both" : "new");
}
const frames = $(".frames");
function pick(which) {
  frames.dataset.shown = which;
  for (const button of all("button[data-shown]")) button.setAttribute("aria-pressed", String(button.dataset.shown === which));
}
for (const button of all("button[data-shown]")) button.addEventListener("click", () => pick(button.dataset.shown));
let shownTables = "";
function compare(compared) {
  const text = JSON.stringify(compared);
  if (text === shownTables) return;
  shownTables = text;
  const nodes = [];
  for (const table of compared.tables || []) {
    const head = made("tr", {}), body = made("tbody");
    table.heads.forEach((words, i) => head.append(made("th", {scope: "col", className: table.right[i] ? "r" : ""}, words)));
    for (const row of table.rows) { const line = made("tr"); row.forEach((cell, i) => line.append(made("td", {className: table.right[i] ? "r" : ""}, cell))); body.append(line); }
    nodes.push(made("div", {className: "scroll", tabIndex: 0, role: "region", "aria-label": table.title}, made("table", {}, made("caption", {}, table.title), made("thead", {}, head), body)));
  }
  const counts = Object.entries(compared.counts || {}).map(([fate, n]) => `${n} ${fate}`);
  $("#counts").textContent = counts.length ? `Things built: ${counts.join(", ")}.` : "";
  $("#compared").replaceChildren(...nodes);
}

// value and bound of the first goal, as they come
function part(name, facts, words) {
  const node = document.createElementNS(NS, name);
  for (const key in facts) node.setAttribute(key, facts[key]);
  if (words !== undefined) node.textContent = words;
  return node;
}
function chart(lines) {
  // the best plan and bound so far: a later search begins from no plan, but the earlier ones stay
  const first = lines.length ? lines[0][1] : "", own = [];
  const most = lines.some(line => line[1] === first && line[2] !== null && line[3] !== null && line[3] >= line[2]);
  const better = (a, b, up) => a === null ? b : b === null ? a : up ? Math.max(a, b) : Math.min(a, b);
  let value = null, bound = null;
  for (const line of lines) if (line[1] === first && (line[2] !== null || line[3] !== null)) { value = better(line[2], value, most); bound = better(line[3], bound, !most); own.push([line[0], first, value, bound]); }
  $("#course").hidden = own.length < 2;
  if (own.length < 2) return;
  const wide = Math.max($("#chart").getBoundingClientRect().width, 280), tall = 150, left = 8, room = wide - left - 8;
  const end = Math.max(own[own.length - 1][0], 1), values = own.flatMap(line => [line[2], line[3]]).filter(v => v !== null);
  const top = Math.max(...values), low = Math.min(...values, 0.8 * top), span = top - low || 1;
  const x = t => (left + room * t / end).toFixed(1), y = v => (14 + (tall - 34) * (top - v) / span).toFixed(1);
  const steps = place => {
    let d = "", last = null;
    for (const line of own) { const v = line[place]; if (v === null) continue; d += last === null ? `M${x(line[0])} ${y(v)}` : `H${x(line[0])}V${y(v)}`; last = v; }
    return d && `${d}H${x(end)}`;
  };
  const nodes = [part("path", {d: `M${left} ${tall - 20}H${left + room}`, class: "grid"})];
  const about = end / 4, power = 10 ** Math.floor(Math.log10(about)), step = [1, 2, 5, 10].map(m => m * power).find(m => m >= about);
  for (let t = 0; t <= end; t += step) nodes.push(part("text", {x: x(t), y: tall - 6, class: "tick", "text-anchor": t === 0 ? "start" : t > 0.95 * end ? "end" : "middle"}, `${+t.toPrecision(3)} s`));
  for (const [place, look] of [[3, "bound"], [2, "found"]]) nodes.push(part("path", {d: steps(place), class: look}));
  $("#chart").setAttribute("viewBox", `0 0 ${wide} ${tall}`);
  $("#chart").replaceChildren(...nodes);
  $("#chart-words").textContent = state.run.words;
}
async function follow() {
  for (;;) {
    try {
      state = await ask(seen < 0 ? "state" : `state?seen=${seen}`);
      const fresh = state.version !== seen;
      seen = state.version;
      if (fresh) show();
      if (formOf !== state.accepted) {  // accepted here or in another window: the form is of that plan
        given = await ask("controls");
        formOf = state.accepted;
        build();
      }
      if (state.run && state.run.state === "planning") await new Promise(go => setTimeout(go, 250));
    } catch {
      $("#page-notes").textContent = "the server does not answer: was it ended? Start 'allocator view' again.";
      await new Promise(go => setTimeout(go, 2000));
    }
  }
}
(async () => {
  formOf = (await ask("state")).accepted;
  given = await ask("controls");
  build();
  document.documentElement.dataset.ready = "yes";
  follow();
})();
})();
