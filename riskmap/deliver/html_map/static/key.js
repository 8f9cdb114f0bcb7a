/* What the colours mean, who is shown, and how many. */
const NEEDS = new Set(["fit", "swap", "loosen", "remove", "look"]);

/** Works out once what every way of colouring needs. */
function startModes() {
  const { agents, actions, bands } = rm.meta, n = rm.n, action = numbers("action");
  const worst = rm.worst = new Uint8Array(n).fill(NONE), worstAgent = rm.worstAgent = new Uint8Array(n);
  agents.forEach((_, a) => {
    const codes = numbers(`p${a}`);
    for (let i = 0; i < n; i++) if (codes[i] !== NONE && (worst[i] === NONE || codes[i] > worst[i])) { worst[i] = codes[i]; worstAgent[i] = a; }
  });
  rm.bandTable = Uint8Array.from({ length: 256 }, (_, code) => code === NONE ? bands.words.length : bandOf(code));
  const needs = actions.map(entry => NEEDS.has(entry.key));
  rm.needs = new Uint8Array(n);
  for (let i = 0; i < n; i++) rm.needs[i] = needs[action[i]] ? 1 : 0;
  rm.modes = [
    { key: "guard", label: "Recommended guard", build: () => byColumn("guard", rm.meta.guards) },
    { key: "action", label: "What to do", build: () => byColumn("action", rm.meta.actions) },
    { key: "worst", label: "Pressure: worst of all agents", build: () => byPressure(worst) },
    ...agents.map((agent, a) => ({ key: agent.key, label: `Pressure: ${agent.label.toLowerCase()}`, agent, build: () => byPressure(numbers(`p${a}`)) })),
  ];
}

/** Dots of trees with nothing to do recede behind those that need something. */
const QUIET = { query: "#8f9aa1", ring: "#a3abaf", speck: "#c9cccb", lens: "#5d6a72" };

function byColumn(name, classes) {
  const rank = new Uint8Array(rm.n), table = rm.bandTable, worst = rm.worst;
  for (let i = 0; i < rm.n; i++) { const band = table[worst[i]]; rank[i] = (rm.needs[i] ? 8 : 0) + (band > 4 ? 0 : band + 1); }
  return { classes: classes.map(entry => ({ label: entry.label, symbol: entry.symbol, quiet: QUIET[entry.symbol.shape], grow: entry.symbol.shape === "ring" ? 0.8 : 1, dot: QUIET[entry.symbol.shape] })), codes: numbers(name), rank, hot: rm.needs, pressure: false, basis: worst };
}

const BAND_SIZES = [0.62, 0.74, 0.86, 0.98, 1.1];

function byPressure(source) {
  const { bands, ramp } = rm.meta, codes = new Uint8Array(rm.n), rank = new Uint8Array(rm.n), hot = new Uint8Array(rm.n), table = rm.bandTable;
  for (let i = 0; i < rm.n; i++) {
    const band = codes[i] = table[source[i]];
    rank[i] = band > 4 ? 0 : band + 1;
    hot[i] = band < 5 && band >= 2 ? 1 : 0;
  }
  const classes = bands.words.map((word, band) => ({ label: word, detail: bands.ranges[band], symbol: { shape: "circle", fill: ramp[band] }, grow: BAND_SIZES[band] }));
  classes.push({ label: "not scored", symbol: { shape: "query", fill: "#ffffff" }, dot: QUIET.query, quiet: true, grow: 0.8 });
  return { classes, codes, rank, hot, pressure: true, basis: source };
}

function setMode(key) {
  const mode = rm.modes.find(each => each.key === key) ?? rm.modes[0];
  mode.on ??= null;
  if (!mode.codes) Object.assign(mode, mode.build());
  mode.on ??= new Uint8Array(mode.classes.length).fill(1);
  rm.mode = mode;
  byId("rm-mode").value = mode.key;
  byId("rm-mode-note").textContent = mode.agent ? `${mode.agent.meaning}. Evidence for its rate: ${mode.agent.grade}.${mode.agent.surveyed ? "" : " Its ground was not surveyed."}` : "";
  buildKey();
  filter();
}

function buildKey() {
  const mode = rm.mode, box = byId("rm-key");
  box.replaceChildren();
  mode.counts = mode.classes.map(() => make("span", { class: "count" }));
  mode.classes.forEach((entry, at) => {
    const tick = make("input", { type: "checkbox", checked: Boolean(mode.on[at]) });
    tick.addEventListener("change", () => { mode.on[at] = tick.checked ? 1 : 0; filter(); });
    box.append(make("li", {}, make("label", {}, tick, symbolPicture(entry.symbol, 7 * (entry.grow ?? 1)),
      make("span", { class: "word" }, entry.label, entry.detail ? make("span", { class: "detail" }, entry.detail) : ""), mode.counts[at])));
  });
}

/** Runs every filter over all trees in one pass; keys count what the other filters let through. */
function filter() {
  const { mode, n } = rm, { codes, on, basis } = mode, table = rm.bandTable, least = rm.least, unscored = rm.unscored;
  const shown = rm.shown ??= new Uint8Array(n), counts = new Uint32Array(mode.classes.length);
  const columns = rm.filterState.filter(state => state.wanted >= 0);
  let total = 0, placed = 0;
  for (let i = 0; i < n; i++) {
    const band = table[basis[i]];
    let pass = band > 4 ? unscored !== "hide" && (least === 0 || unscored === "only") : unscored !== "only" && band >= least;
    for (let c = 0; pass && c < columns.length; c++) pass = columns[c].codes[i] === columns[c].wanted;
    if (pass && rm.wantedAction >= 0) pass = rm.actionCodes[i] === rm.wantedAction;
    if (pass) counts[codes[i]]++;
    const seen = pass && on[codes[i]] ? 1 : 0;
    shown[i] = seen;
    total += seen;
    if (seen && i < rm.meta.grid.placed) placed++;
  }
  rm.viewBuffer ??= new Uint32Array(n);
  rm.total = total;
  rm.count = placed;
  rm.cellsShown = 0;
  const starts = rm.cellStarts;
  for (let cell = 0; cell + 1 < starts.length; cell++)
    for (let i = starts[cell]; i < starts[cell + 1]; i++) if (shown[i]) { rm.cellsShown++; break; }
  mode.counts.forEach((node, at) => { node.textContent = count(counts[at]); node.closest("li").classList.toggle("empty", !counts[at]); });
  rm.classCounts = counts;
  byId("rm-shown").textContent = total === rm.meta.n_all ? trees(total) : `${count(total)} of ${trees(rm.meta.n_all)} shown`;
  tableChanged();
  rm.trees?.draw();
}

function kindChanged(kind) {
  const note = byId("rm-kind"), share = rm.mode?.pressure ? "with some pressure or more" : "that need something done";
  note.replaceChildren();
  if (rm.meta.overview) rm.map.getPane("rmOverview").style.display = kind === "overview" ? "" : "none";
  if (kind === "overview") note.textContent = "Each hexagon gathers trees. Zoom in for the trees.";
  else if (kind === "crowded") note.textContent = "Each symbol is one tree; where trees crowd, each is a dot of its symbol's colour. Zoom in for the symbols.";
  else if (kind === "symbols") note.textContent = rm.n ? "Each symbol is one tree." : "";
  else if (kind === "dots") note.textContent = "Each dot is one tree, drawn in its symbol's colour. Zoom in for the symbols.";
  else {
    note.append(`Each hexagon gathers trees: darker means a larger share ${share}, larger means more trees. Choose one to zoom in.`);
    note.append(make("span", { class: "shares" }, ...["none", "under 10 %", "10 to 25 %", "25 to 50 %", "over 50 %"].map((word, at) =>
      make("span", {}, symbolPicture({ shape: "hexagon", fill: hexRamp()[at] }, 6), word))));
  }
}

function startKey() {
  startModes();
  const select = byId("rm-mode");
  select.append(...rm.modes.map(mode => make("option", { value: mode.key }, mode.label)));
  select.addEventListener("change", () => { setMode(select.value); rm.trees._lastKind = null; rm.trees.draw(); say(`Trees coloured by ${select.selectedOptions[0].textContent}`); });
  rm.least = 0;
  rm.unscored = "show";
  rm.wantedAction = -1;
  rm.actionCodes = numbers("action");
  const least = byId("rm-least"), word = () => rm.least ? `${rm.meta.bands.words[rm.least]} or more` : "all trees";
  least.addEventListener("input", () => { rm.least = Number(least.value); byId("rm-least-word").textContent = word(); least.setAttribute("aria-valuetext", word()); filter(); });
  least.setAttribute("aria-valuetext", "all trees");
  byId("rm-unscored").addEventListener("change", event => { rm.unscored = event.target.value; filter(); });
  startFilters();
  startActions();
  startFind();
  byId("rm-reset").addEventListener("click", resetFilters);
}

function startFilters() {
  rm.filterState = rm.meta.filters.map((filterOf, f) => {
    const state = { codes: numbers(`f${f}`), wanted: -1 }, values = list(`f${f}:values`), id = `rm-filter-${f}`;
    const counts = new Uint32Array(values.length);
    for (const code of state.codes) counts[code]++;
    const order = values.map((_, at) => at).filter(at => counts[at]).sort((a, b) => values[a].localeCompare(values[b], "en", { numeric: true }));
    state.select = make("select", { id }, make("option", { value: "-1" }, "All"), ...order.slice(0, 2000).map(at => make("option", { value: at }, `${values[at] || "(empty)"} (${count(counts[at])})`)));
    state.select.addEventListener("change", () => { state.wanted = Number(state.select.value); filter(); });
    byId("rm-filters").append(make("label", { for: id }, filterOf.label), state.select);
    return state;
  });
}

/** The bar of actions at the head of the panel: also a filter. */
function startActions() {
  const { actions } = rm.meta, box = byId("rm-actions"), all = Math.max(rm.n, 1);
  const bar = svgPart("svg", { viewBox: "0 0 100 8", preserveAspectRatio: "none", class: "stack", "aria-hidden": "true" });
  let from = 0;
  for (const entry of actions) {
    const wide = 100 * entry.count / all;
    bar.append(svgPart("rect", { x: from, y: 0, width: wide, height: 8, fill: entry.symbol.shape === "query" ? "#b4bcc2" : entry.symbol.shape === "ring" || entry.symbol.shape === "speck" ? "#d9d6cd" : entry.symbol.fill }));
    from += wide;
  }
  if (rm.n) box.append(bar);
  rm.actionButtons = actions.map((entry, at) => {
    const button = make("button", { type: "button", class: "chip", "aria-pressed": "false" }, symbolPicture(entry.symbol, 6), make("span", { class: "word" }, entry.label), make("span", { class: "count" }, count(entry.count)));
    button.addEventListener("click", () => { rm.wantedAction = rm.wantedAction === at ? -1 : at; pressActions(); filter(); });
    return button;
  });
  box.append(...rm.actionButtons);
  if (!rm.n) box.append(make("p", { class: "note" }, "There are no trees in this list. The ground layers are shown."));
  for (const line of rm.meta.headlines) box.append(make("p", { class: "note" }, line));
}

function pressActions() {
  rm.actionButtons.forEach((button, at) => button.setAttribute("aria-pressed", String(rm.wantedAction === at)));
}

function startFind() {
  byId("rm-find-form").addEventListener("submit", event => {
    event.preventDefault();
    const words = byId("rm-find").value, found = findIds(words, 8), note = byId("rm-found");
    note.replaceChildren();
    if (!words.trim()) return;
    if (!found.length) { note.textContent = `No tree id holds “${words.trim()}”.`; return; }
    if (found.length > 1) note.append("Also: ", ...found.slice(1).flatMap(i => [make("button", { type: "button", class: "link", onclick: () => show(i) }, idOf(i)), " "]));
    show(found[0]);
  });
}

/** Shows a tree whatever the filters say. */
function show(i, from = "find") {
  if (!rm.shown[i]) resetFilters();
  clearView();
  choose(i, { from, move: true });
}

function resetFilters() {
  rm.least = 0;
  rm.unscored = "show";
  rm.wantedAction = -1;
  byId("rm-least").value = "0";
  byId("rm-least").setAttribute("aria-valuetext", "all trees");
  byId("rm-least-word").textContent = "all trees";
  byId("rm-unscored").value = "show";
  for (const state of rm.filterState) { state.wanted = -1; state.select.value = "-1"; }
  pressActions();
  rm.mode.on.fill(1);
  buildKey();
  filter();
}
