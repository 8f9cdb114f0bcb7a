/* The same trees as rows: sorted by counting, so that a million rows turn in a blink. */
const PAGE_ROWS = 25;
const WHOLE_ID = 16; // letters of an id that is never broken; a longer one may be, lest it push the table off the screen
const sorting = { key: "need", down: true, page: 0, order: null };

const COLUMNS = [
  { key: "id", label: "Tree" },
  { key: "species", label: "Species" },
  { key: "action", label: "What to do" },
  { key: "guard", label: "Guard" },
  { key: "worst", label: "Worst pressure" },
  { key: "open", label: "Left open" },
];

function tableColumns() {
  return [...COLUMNS, ...rm.meta.filters.map((filterOf, f) => ({ key: `f${f}`, label: filterOf.label, plain: true }))];
}

function startTable() {
  for (const [id, turn] of [["rm-first", () => 0], ["rm-prev", () => sorting.page - 1], ["rm-next", () => sorting.page + 1], ["rm-last", () => Infinity]])
    byId(id).addEventListener("click", () => { sorting.page = turn(); fillTable(); });
  fillHead();
}

function fillHead() {
  const row = make("tr", {}, ...tableColumns().map(column => {
    const sorted = sorting.key === column.key ? sorting.down ? "descending" : "ascending" : "none";
    return make("th", { scope: "col", "aria-sort": sorted }, make("button", { type: "button", onclick: () => sortBy(column.key) }, column.label,
      make("span", { class: "arrow", "aria-hidden": "true" }, sorted === "none" ? "↕" : sorted === "ascending" ? "↑" : "↓")));
  }));
  byId("rm-table").tHead.replaceChildren(row);
}

function sortBy(key) {
  sorting.down = sorting.key === key ? !sorting.down : key === "worst";
  sorting.key = key;
  sorting.page = 0;
  sorting.order = null;
  fillHead();
  fillTable();
}

function tableChanged() {
  sorting.order = null;
  sorting.page = 0;
  cancelAnimationFrame(sorting.frame);
  sorting.frame = requestAnimationFrame(fillTable);
}

/** Sort values per tree for one column: a rank for each code, or each tree's own text. */
function ranksOf(key) {
  if (key === "need") return Uint16Array.from(rm.worst, (code, i) => (rm.needs[i] ? 512 : 256) + (code === NONE ? 0 : code + 1));
  if (key === "worst") return Uint16Array.from(rm.worst, code => code === NONE ? 0 : code + 1);
  if (key === "action") return numbers("action");
  const values = key === "guard" || key === "open" ? list("plan:values").map(plan => key === "guard" ? plan.guard : agentLabels(plan.open)) : list(`${key}:values`);
  const codes = numbers(key === "guard" || key === "open" ? "plan" : key);
  const collator = new Intl.Collator("en", { numeric: true });
  const order = values.map((_, at) => at).sort((a, b) => collator.compare(values[a], values[b]));
  const rank = new Uint32Array(values.length);
  let place = 0;
  order.forEach((at, o) => { if (o && values[at] !== values[order[o - 1]]) place++; rank[at] = place; });
  return Uint32Array.from(codes, code => rank[code]);
}

function orderOf() {
  if (sorting.order) return sorting.order;
  const chosen = new Uint32Array(rm.total);
  let n = 0;
  if (sorting.key === "id") {
    for (const i of idOrder()) if (rm.shown[i]) chosen[n++] = i;
  } else {
    const rank = sorting.ranks?.key === sorting.key ? sorting.ranks.values : ranksOf(sorting.key);
    sorting.ranks = { key: sorting.key, values: rank };
    let most = 0;
    for (let i = 0; i < rm.n; i++) if (rm.shown[i] && rank[i] > most) most = rank[i];
    const starts = new Uint32Array(most + 2);
    for (let i = 0; i < rm.n; i++) if (rm.shown[i]) starts[rank[i] + 1]++;
    for (let at = 1; at < starts.length; at++) starts[at] += starts[at - 1];
    for (let i = 0; i < rm.n; i++) if (rm.shown[i]) { chosen[starts[rank[i]]++] = i; n++; }
  }
  if (sorting.down) chosen.reverse();
  sorting.order = chosen;
  return chosen;
}

/** Trees by id, numbers in ids by their size; worked out once, when first asked for. */
function idOrder() {
  rm.idOrder ??= numberOrder() ?? wordOrder();
  return rm.idOrder;
}

/** Where every id is a plain number: number and place packed into one double, which typed arrays sort in a blink. */
function numberOrder() {
  const { bytes } = rm.columns.get("ids"), starts = idStarts(), packed = new Float64Array(rm.n), room = 2 ** 20;
  if (rm.n > room) return null;
  for (let i = 0; i < rm.n; i++) {
    let value = 0;
    const end = starts[i + 1] - 1;
    if (end === starts[i] || end - starts[i] > 9) return null;
    for (let at = starts[i]; at < end; at++) {
      const digit = bytes[at] - 48;
      if (digit < 0 || digit > 9) return null;
      value = 10 * value + digit;
    }
    packed[i] = value * room + i;
  }
  return Uint32Array.from(packed.sort(), value => value % room);
}

function wordOrder() {
  const keys = Array.from({ length: rm.n }, (_, i) => idOf(i).replace(/\d+/g, digits => digits.padStart(12, "0")));
  return Uint32Array.from(keys.keys()).sort((a, b) => keys[a] < keys[b] ? -1 : keys[a] > keys[b] ? 1 : a - b);
}

function fillTable() {
  const order = orderOf(), pages = Math.max(1, Math.ceil(order.length / PAGE_ROWS)), body = byId("rm-table").tBodies[0];
  sorting.page = Math.max(0, Math.min(sorting.page, pages - 1));
  const rows = Array.from(order.subarray(sorting.page * PAGE_ROWS, (sorting.page + 1) * PAGE_ROWS), tableRow);
  body.replaceChildren(...rows);
  byId("rm-caption").textContent = order.length ? `${trees(order.length)}, 25 a page` : "No tree passes the filters.";
  byId("rm-page").textContent = `Page ${count(sorting.page + 1)} of ${count(pages)}`;
  byId("rm-first").disabled = byId("rm-prev").disabled = sorting.page === 0;
  byId("rm-next").disabled = byId("rm-last").disabled = sorting.page === pages - 1;
  markRow();
}

function tableRow(i) {
  const { action, plan, symbol } = adviceOf(i), code = rm.worst[i];
  const open = make("button", { type: "button", class: "link", onclick: event => showOnMap(i, event.currentTarget) }, idOf(i));
  const worst = code === NONE ? "not scored" : `${rm.meta.bands.words[bandOf(code)]}${bandOf(code) ? `: ${rm.meta.agents[rm.worstAgent[i]].label.toLowerCase()}` : ""}`;
  const row = make("tr", { "data-tree": i }, make("th", { scope: "row", class: idOf(i).length <= WHOLE_ID ? "whole" : null }, open), make("td", {}, text("species", i)), make("td", {}, action.label),
    make("td", {}, plan.guard ? symbolPicture(symbol, 5.5) : null, plan.guard), make("td", {}, worst), make("td", {}, agentLabels(plan.open)),
    ...rm.meta.filters.map((_, f) => make("td", {}, text(`f${f}`, i))));
  return row;
}

function showOnMap(i, button) {
  choose(i, { from: "table", move: true });
  byId("stage").scrollIntoView({ block: "nearest" });
  button.focus({ preventScroll: true });
}

/** Marks the chosen tree's row; `turn` brings its page up first. */
function markRow(turn = false) {
  if (!sorting.order && turn) orderOf();
  if (turn && rm.chosen >= 0 && sorting.order) {
    const at = sorting.order.indexOf(rm.chosen);
    if (at >= 0 && Math.floor(at / PAGE_ROWS) !== sorting.page) { sorting.page = Math.floor(at / PAGE_ROWS); fillTable(); return; }
  }
  for (const row of byId("rm-table").tBodies[0].rows) {
    const chosen = Number(row.dataset.tree) === rm.chosen;
    row.classList.toggle("chosen", chosen);
    if (chosen) row.setAttribute("aria-current", "true"); else row.removeAttribute("aria-current");
  }
}
