const $ = (pick, from) => (from || document).querySelector(pick);
// a number as the function short_number of Python writes it
const figures = v => String(Math.abs(v) >= 999.5 ? Math.round(v) : +v.toPrecision(3)).replace(/^-?\d{5,}/, whole => whole.replace(/\B(?=(\d{3})+$)/g, "\u00a0"));
const all = (pick, from) => [...(from || document).querySelectorAll(pick)];
