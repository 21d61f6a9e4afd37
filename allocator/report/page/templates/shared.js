const $ = (pick, from) => (from || document).querySelector(pick);
const all = (pick, from) => [...(from || document).querySelectorAll(pick)];
