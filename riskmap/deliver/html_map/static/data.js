/* Unfolds the page's columns. Text of the user's only ever becomes text nodes: see text() and make(). */
const rm = { meta: null, map: null, columns: new Map(), dicts: new Map() };
const NONE = 255;

const byId = id => document.getElementById(id);

/** Makes an element; children that are strings become text, never markup. */
function make(tag, attributes = {}, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (value === null || value === undefined || value === false) continue;
    if (name === "class") element.className = value;
    else if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else element.setAttribute(name, value === true ? "" : String(value));
  }
  element.append(...children.filter(child => child !== null && child !== undefined && child !== ""));
  return element;
}

const grouped = new Intl.NumberFormat("en-US");
const count = number => grouped.format(number);
const trees = number => `${count(number)} ${number === 1 ? "tree" : "trees"}`;

function say(words) {
  byId("rm-live").textContent = words;
}

async function bytesOf(text, packed) {
  let bytes;
  if (Uint8Array.fromBase64) bytes = Uint8Array.fromBase64(text);
  else {
    const raw = atob(text);
    bytes = new Uint8Array(raw.length);
    for (let i = 0; i < raw.length; i++) bytes[i] = raw.charCodeAt(i);
  }
  if (!packed) return bytes;
  if (typeof DecompressionStream === "undefined")
    throw new Error("This browser is too old to unpack the trees. Chrome or Edge 80, Firefox 113 and Safari 16.4 or later can.");
  const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("gzip"));
  return new Uint8Array(await new Response(stream).arrayBuffer());
}

async function unpack(meta, text) {
  const bytes = await bytesOf(text, meta.packed);
  for (const column of meta.columns)
    rm.columns.set(column.name, { kind: column.t, bytes: bytes.subarray(column.off, column.off + column.len) });
}

/** A column as a typed array; the byte planes are woven together on first use. */
function numbers(name) {
  const column = rm.columns.get(name);
  if (!column) return null;
  if (column.values) return column.values;
  const { kind, bytes } = column;
  if (kind === "u8") column.values = bytes;
  else {
    const width = kind === "u16" ? 2 : 4, n = bytes.length / width;
    const values = width === 2 ? new Uint16Array(n) : new Uint32Array(n);
    if (width === 2) for (let i = 0; i < n; i++) values[i] = bytes[i] << 8 | bytes[n + i];
    else for (let i = 0; i < n; i++)
      values[i] = (bytes[i] << 24 | bytes[n + i] << 16 | bytes[2 * n + i] << 8 | bytes[3 * n + i]) >>> 0;
    column.values = values;
  }
  return column.values;
}

const decoder = new TextDecoder();

function list(name) {
  if (!rm.dicts.has(name)) {
    const column = rm.columns.get(name);
    rm.dicts.set(name, column ? JSON.parse(decoder.decode(column.bytes)) : null);
  }
  return rm.dicts.get(name);
}

/** The text of tree i in a column of codes into a list of texts. */
function text(name, i) {
  const codes = numbers(name), values = list(`${name}:values`);
  return codes && values ? values[codes[i]] ?? "" : "";
}

/** Where each tree's id starts among the joined ids. */
function idStarts() {
  if (!rm.idStarts) {
    const { bytes } = rm.columns.get("ids");
    const starts = new Uint32Array(rm.n + 1);
    let tree = 0;
    for (let at = bytes.indexOf(10); at >= 0 && tree < rm.n; at = bytes.indexOf(10, at + 1)) starts[++tree] = at + 1;
    rm.idStarts = starts;
  }
  return rm.idStarts;
}

function ownId(i) {
  const starts = idStarts();
  return decoder.decode(rm.columns.get("ids").bytes.subarray(starts[i], starts[i + 1] - 1));
}

function idOf(i) {
  const id = ownId(i);
  if (id) return id;
  const rows = numbers("row");
  return rows ? `row ${rows[i]}` : `tree ${i + 1}`;
}

/** Finds trees whose id equals, begins with or holds the words, letter case apart: at most `most`. */
function findIds(words, most) {
  const wanted = words.trim().toLowerCase();
  const equal = [], begin = [], hold = [];
  if (!wanted) return [];
  for (let i = 0; i < rm.n; i++) {
    const id = idOf(i).toLowerCase();
    if (id === wanted) equal.push(i);
    else if (begin.length < most && id.startsWith(wanted)) begin.push(i);
    else if (hold.length < most && id.includes(wanted)) hold.push(i);
    if (equal.length >= most) break;
  }
  return [...equal, ...begin, ...hold].slice(0, most);
}

/** Unfolds cells into whole steps from the site's top left corner. */
function unfoldPlaces() {
  const { grid } = rm.meta, counts = numbers("count"), innerX = numbers("inner_x"), innerY = numbers("inner_y");
  const x = rm.x = new Int32Array(rm.n), y = rm.y = new Int32Array(rm.n);
  const starts = rm.cellStarts = new Uint32Array(counts.length + 1);
  let tree = 0;
  for (let cell = 0; cell < counts.length; cell++) {
    starts[cell] = tree;
    const end = tree + counts[cell];
    if (end === tree) continue;
    const left = cell % grid.columns * grid.side, top = (cell / grid.columns | 0) * grid.side;
    for (; tree < end; tree++) { x[tree] = left + innerX[tree]; y[tree] = top + innerY[tree]; }
  }
  starts[counts.length] = tree;
  const farX = numbers("far_x"), farY = numbers("far_y");
  for (let i = 0; i < farX.length; i++, tree++) { x[tree] = unfold(farX[i]); y[tree] = unfold(farY[i]); }
}

const unfold = folded => folded >>> 1 ^ -(folded & 1);

const WORLD_M = 2 * Math.PI * 6378137;

function latLngOf(i) {
  const { grid } = rm.meta;
  const mx = grid.x + rm.x[i] * grid.step, my = grid.y - rm.y[i] * grid.step;
  return L.latLng(Math.atan(Math.sinh(my / 6378137)) * 180 / Math.PI, mx / 6378137 * 180 / Math.PI);
}

const hasPlace = i => i < rm.meta.grid.placed;

/** Pressure codes: bands split evenly into levels, so that the band is exact and the share near enough to read. */
function bandOf(code) {
  if (code === NONE) return -1;
  const { first } = rm.meta.bands;
  let band = first.length - 1;
  while (code < first[band]) band--;
  return band;
}

function shareOf(code) {
  const { first, levels, limits } = rm.meta.bands, band = bandOf(code);
  const low = band ? limits[band - 1] : 0, high = limits[band] ?? 1;
  return low + (code - first[band] + 0.5) / levels[band] * (high - low);
}

function percentText(code) {
  if (code === 0) return "under 0.1 %";
  const percent = 100 * shareOf(code);
  return `${percent < 10 ? percent.toFixed(1) : Math.round(percent)} %`;
}

function lengthText(metres) {
  if (rm.meta.units === "us") {
    const feet = metres / 0.3048;
    return `${feet < 20 ? feet.toFixed(1) : count(Math.round(feet))} ft`;
  }
  return `${metres < 20 ? metres.toFixed(1) : count(Math.round(metres))} m`;
}

const MONTHS = ["", "January", "February", "March", "April", "May", "June", "July", "August", "September", "October",
  "November", "December"];
