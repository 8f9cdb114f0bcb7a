/* The trees: one canvas over the map that draws symbols, dots or hexagons, whichever the spacing on screen allows. */
const HEX_WIDE = 26, HEX_SIZE = HEX_WIDE / Math.sqrt(3);
const HEX_SHARES = [0, 0.1, 0.25, 0.5]; // upper ends; the last class has none
const MOST_SYMBOLS = 6000, MOST_DOTS = 250000;
const CROWD_PX = 5; // where most trees have two neighbours nearer than this, even small symbols would lie on each other
const SMALLEST = 3.4; // half a symbol's width, in pixels: smaller, shapes can't be told apart

/** A canvas of Leaflet's that prints: three pixels where the screen shows one, and as a picture. */
const PrintingCanvas = L.Canvas.extend({
  _update() {
    if (this._map._animatingZoom && this._bounds) return;
    L.Renderer.prototype._update.call(this);
    const { min } = this._bounds, size = this._bounds.getSize(), canvas = this._container, sharp = rm.printing ? 3 : L.Browser.retina ? 2 : 1;
    L.DomUtil.setPosition(canvas, min);
    canvas.width = sharp * size.x;
    canvas.height = sharp * size.y;
    canvas.style.width = `${size.x}px`;
    canvas.style.height = `${size.y}px`;
    this._ctx.scale(sharp, sharp);
    this._ctx.translate(-min.x, -min.y);
    this.fire("update");
  },

  _updatePaths() {
    L.Canvas.prototype._updatePaths.call(this);
    if (rm.printing) asPicture(this._ctx);
  },
});

/** Chromium prints a canvas as drawing commands and wipes what lies below it; writing one pixel makes it a picture. */
function asPicture(context) {
  context.putImageData(new ImageData(1, 1), 0, 0);
}

const TreeLayer = L.Renderer.extend({
  options: { pane: "rmTrees", padding: 0.12 },

  _initContainer() {
    this._container = make("canvas", { "aria-hidden": "true" });
    this._context = this._container.getContext("2d", { willReadFrequently: false });
    this._hexes = new Map();
    this.kind = "symbols";
  },

  _destroyContainer() {
    this._container.remove();
    delete this._container;
  },

  _updatePaths() {},

  _update() {
    if (this._map._animatingZoom && this._bounds) return;
    L.Renderer.prototype._update.call(this);
    L.DomUtil.setPosition(this._container, this._bounds.min);
    this.draw();
    this.fire("update");
  },

  /** Pixels of this canvas per step, and where the grid's corner lies on it. */
  _frame() {
    const { grid } = rm.meta, world = 256 * 2 ** this._map.getZoom(), origin = this._map.getPixelOrigin(), min = this._bounds.min;
    return {
      k: world / WORLD_M * grid.step,
      left: world * (0.5 + grid.x / WORLD_M) - origin.x - min.x,
      top: world * (0.5 - grid.y / WORLD_M) - origin.y - min.y,
      world: { x: origin.x + min.x, y: origin.y + min.y },
    };
  },

  draw() {
    if (!this._bounds || !rm.shown) return;
    const started = performance.now(), size = this._bounds.getSize();
    const sharp = this.sharpness = rm.printing ? 3 : Math.min(window.devicePixelRatio || 1, 3);
    const canvas = this._container, wide = Math.round(size.x * sharp), high = Math.round(size.y * sharp);
    if (canvas.width !== wide || canvas.height !== high) {
      canvas.width = wide;
      canvas.height = high;
      canvas.style.width = `${size.x}px`;
      canvas.style.height = `${size.y}px`;
    } else this._context.clearRect(0, 0, wide, high);
    const frame = this._frame(), spacing = Math.sqrt(rm.cellsShown / Math.max(rm.count, 1)) * rm.meta.grid.side * frame.k;
    const inView = this._inView(frame, size);
    this.spacing = spacing;
    this.kind = this._kindFor(spacing, inView.length);
    this._hexes.clear();
    if (this.kind === "hexagons") this._drawHexes(frame, inView, sharp);
    else if (this.kind === "overview") this._context.clearRect(0, 0, wide, high); // the hexagons of all trees speak
    else if (this.kind === "dots") this._drawDots(frame, inView, sharp, wide, high);
    else this._drawSymbols(frame, inView, sharp);
    this._drawChosen(frame, sharp);
    if (rm.printing) asPicture(this._context);
    this.drawMs = performance.now() - started;
    const told = this.kind === "symbols" && this.crowded ? "crowded" : this.kind;
    if (told !== this._lastKind) { this._lastKind = told; kindChanged(told); }
  },

  _kindFor(spacing, inView) {
    if (rm.overviewOn && spacing < 3) return "overview";
    if (rm.count <= 400) return "symbols";
    if (!rm.meta.overview && (spacing < 1.6 || inView > MOST_DOTS)) return "hexagons";
    return spacing < 7.5 || inView > MOST_SYMBOLS ? "dots" : "symbols";
  },

  /** Shown trees on the canvas, as places in the columns. */
  _inView(frame, size) {
    const { grid } = rm.meta, { cellStarts, shown, x, y } = rm, cell = grid.side * frame.k, found = rm.viewBuffer;
    const edge = 14, from = Math.max(0, Math.floor((-edge - frame.left) / cell)), to = Math.min(grid.columns - 1, Math.floor((size.x + edge - frame.left) / cell));
    const first = Math.max(0, Math.floor((-edge - frame.top) / cell)), last = Math.min(grid.rows - 1, Math.floor((size.y + edge - frame.top) / cell));
    let n = 0;
    if (from <= to) for (let row = first; row <= last; row++) {
      const end = cellStarts[row * grid.columns + to + 1];
      for (let i = cellStarts[row * grid.columns + from]; i < end; i++) if (shown[i]) found[n++] = i;
    }
    for (let i = grid.near; i < grid.placed; i++) {
      const px = frame.left + x[i] * frame.k, py = frame.top + y[i] * frame.k;
      if (shown[i] && px > -edge && py > -edge && px < size.x + edge && py < size.y + edge) found[n++] = i;
    }
    return found.subarray(0, n);
  },

  symbolSize() {
    const nearest = rm.meta.nearest_steps * this._frame().k; // rows of a planting stand far closer than the site's mean
    return Math.max(5, Math.min(8.5, this.spacing * 0.42, nearest ? nearest * 0.8 : 99));
  },

  _drawSymbols(frame, inView, sharp) {
    const context = this._context, full = this.symbolSize(), size = full * sharp, sprites = new Map();
    const spriteOf = (code, half) => {
      const key = `${code} ${half}`, box = Math.ceil(half * sharp * 1.5) + 4;
      if (!sprites.has(key)) {
        const sprite = document.createElement("canvas"), entry = rm.mode.classes[code];
        sprite.width = sprite.height = 2 * box;
        drawSymbol(sprite.getContext("2d"), entry.symbol, box, box, half * sharp * (entry.grow ?? 1));
        sprites.set(key, sprite);
      }
      return [sprites.get(key), box];
    };
    const order = Array.from(inView).sort((a, b) => rm.mode.rank[a] - rm.mode.rank[b] || a - b);
    const codes = rm.mode.codes, { dots, halves } = this._crowded(frame, order, full);
    this.crowded = 0;
    order.forEach((i, at) => {
      const x = (frame.left + rm.x[i] * frame.k) * sharp, y = (frame.top + rm.y[i] * frame.k) * sharp;
      if (dots[at]) { this.crowded++; this._drawDot(rm.mode.classes[codes[i]], x, y, dots[at] * sharp, sharp); return; }
      const [sprite, box] = spriteOf(codes[i], halves[at]);
      context.drawImage(sprite, Math.round(x) - box, Math.round(y) - box);
    });
    if (rm.ticks.size) for (const i of order) {
      const tick = tickOf(i);
      if (tick) this._drawTick(tick, (frame.left + rm.x[i] * frame.k) * sharp + size * 0.9, (frame.top + rm.y[i] * frame.k) * sharp - size * 0.9, sharp);
    }
  },

  /**
   * For each tree half the width of its symbol, smaller where the trees around stand closer than whole symbols have room,
   * and the radius of the dot that it shrinks to where most of them crowd, 0 elsewhere.
   */
  _crowded(frame, order, full) {
    const n = order.length, reach = Math.max(2 * full, CROWD_PX), first = new Float64Array(n).fill(reach), second = new Float64Array(n).fill(reach);
    const dots = new Float32Array(n), halves = new Float32Array(n);
    const x = Float64Array.from(order, i => frame.left + rm.x[i] * frame.k), y = Float64Array.from(order, i => frame.top + rm.y[i] * frame.k);
    const tiles = side => {
      const held = new Map(), key = (column, row) => column * 65536 + row, tile = value => Math.floor(value / side);
      for (let at = 0; at < n; at++) {
        const here = key(tile(x[at]), tile(y[at]));
        if (held.has(here)) held.get(here).push(at); else held.set(here, [at]);
      }
      return at => [-1, 0, 1].flatMap(c => [-1, 0, 1].map(r => held.get(key(tile(x[at]) + c, tile(y[at]) + r)) ?? []));
    };
    const near = tiles(reach), around = tiles(5 * CROWD_PX), sums = new Map();
    for (let at = 0; at < n; at++) {
      look: for (const held of near(at)) for (const other of held) {
        const far = other === at ? reach : Math.hypot(x[other] - x[at], y[other] - y[at]);
        if (far < first[at]) { second[at] = first[at]; first[at] = far; } else if (far < second[at]) second[at] = far;
        if (second[at] < 1) break look;
      }
    }
    const sumOf = held => {
      if (!sums.has(held)) sums.set(held, held.reduce(([close, room], at) => [close + (second[at] < CROWD_PX), room + second[at]], [0, 0]));
      return sums.get(held);
    };
    for (let at = 0; at < n; at++) {
      let all = 0, crowded = 0, room = 0;
      for (const held of around(at)) if (held.length) { const [close, sum] = sumOf(held); all += held.length; crowded += close; room += sum; }
      if (2 * crowded >= all) dots[at] = Math.max(1.6, 0.42 * Math.min(first[at], CROWD_PX));
      halves[at] = Math.max(Math.min(SMALLEST, full), Math.min(full, Math.round(room / all) / 2)); // half a pixel makes another sprite
    }
    return { dots, halves };
  },

  _drawDot(entry, x, y, radius, sharp) {
    const context = this._context;
    context.beginPath();
    context.arc(x, y, entry.quiet ? 0.8 * radius : radius, 0, 7);
    context.fillStyle = entry.dot ?? entry.symbol.fill;
    context.fill();
    if (entry.quiet) return;
    context.strokeStyle = INK;
    context.lineWidth = 0.7 * sharp;
    context.stroke();
  },

  _drawTick(tick, x, y, sharp) {
    const context = this._context, r = 5.5 * sharp;
    context.fillStyle = TICK_COLOURS[tick.status];
    context.strokeStyle = "#ffffff";
    context.lineWidth = 1.4 * sharp;
    context.beginPath();
    context.arc(x, y, r, 0, 7);
    context.fill();
    context.stroke();
    context.beginPath();
    if (tick.status === "done") { context.moveTo(x - r / 2, y); context.lineTo(x - r / 8, y + r / 2.4); context.lineTo(x + r / 2, y - r / 2.4); }
    else if (tick.status === "skipped") { context.moveTo(x - r / 2, y); context.lineTo(x + r / 2, y); }
    else { context.moveTo(x, y - r / 1.8); context.lineTo(x, y + r / 6); context.moveTo(x, y + r / 2.2); context.lineTo(x, y + r / 1.8); }
    context.lineWidth = 1.8 * sharp;
    context.stroke();
  },

  dotRadius() {
    return Math.max(0.7, Math.min(4, this.spacing * 0.36));
  },

  _drawDots(frame, inView, sharp, wide, high) {
    const image = this._context.createImageData(wide, high), pixels = new Uint32Array(image.data.buffer);
    const above = new Uint8Array(wide * high), { codes, rank, classes } = rm.mode;
    const radius = this.dotRadius() * sharp, edge = radius >= 2.2 ? Math.max(1, 0.9 * sharp) : 0;
    const colours = Uint32Array.from(classes, entry => abgr(entry.dot ?? entry.symbol.fill)), ink = abgr(INK);
    const quiet = classes.map(entry => Boolean(entry.quiet));
    const discOf = (inner, outer) => {
      const disc = [], reach = Math.ceil(outer);
      for (let dy = -reach; dy <= reach; dy++) for (let dx = -reach; dx <= reach; dx++) {
        const far = Math.hypot(dx, dy);
        if (far <= outer) disc.push(dx, dy, far <= inner ? 1 : 0);
      }
      return disc;
    };
    const loud = discOf(radius, radius + edge), soft = discOf(radius * 0.8, radius * 0.8); // nothing to do: small, no rim
    const { x, y } = rm, left = frame.left * sharp, top = frame.top * sharp, k = frame.k * sharp;
    for (let v = 0; v < inView.length; v++) {
      const i = inView[v], px = Math.round(left + x[i] * k), py = Math.round(top + y[i] * k), over = rank[i] + 1, colour = colours[codes[i]];
      const disc = quiet[codes[i]] ? soft : loud;
      for (let d = 0; d < disc.length; d += 3) {
        const ax = px + disc[d], ay = py + disc[d + 1];
        if (ax < 0 || ay < 0 || ax >= wide || ay >= high) continue;
        const at = ay * wide + ax;
        if (above[at] > over || (above[at] === over && !disc[d + 2])) continue;
        above[at] = over;
        pixels[at] = disc[d + 2] ? colour : ink;
      }
    }
    this._context.putImageData(image, 0, 0);
  },

  /** Hexagons keep to places of the world, so that they do not crawl when the map is dragged. */
  _drawHexes(frame, inView, sharp) {
    const { x, y, mode } = rm, hot = mode.hot, rowHigh = HEX_SIZE * 1.5, hexes = this._hexes;
    const left = frame.left + frame.world.x, top = frame.top + frame.world.y, k = frame.k;
    const firstRow = Math.floor(frame.world.y / rowHigh) - 2, firstColumn = Math.floor(frame.world.x / HEX_WIDE) - 2;
    const size = this._bounds.getSize(), columns = Math.ceil(size.x / HEX_WIDE) + 6, rows = Math.ceil(size.y / rowHigh) + 6;
    const all = new Uint32Array(columns * rows), hits = new Uint32Array(columns * rows);
    for (let v = 0; v < inView.length; v++) {
      const i = inView[v], wx = left + x[i] * k, wy = top + y[i] * k;
      let row = Math.round(wy / rowHigh), column = Math.round(wx / HEX_WIDE - (row & 1) / 2);
      const dy = wy - row * rowHigh, dx = wx - (column + (row & 1) / 2) * HEX_WIDE;
      if (Math.abs(dy) * 3 > rowHigh) { // near the slanted sides the next row may be nearer
        const other = row + (dy < 0 ? -1 : 1), there = Math.round(wx / HEX_WIDE - (other & 1) / 2);
        const ey = wy - other * rowHigh, ex = wx - (there + (other & 1) / 2) * HEX_WIDE;
        if (ex * ex + ey * ey < dx * dx + dy * dy) { row = other; column = there; }
      }
      const at = (row - firstRow) * columns + column - firstColumn;
      all[at]++;
      hits[at] += hot[i];
    }
    const most = Math.max(...chunked(all)), context = this._context;
    context.lineWidth = 0.8 * sharp;
    context.strokeStyle = INK;
    for (let at = 0; at < all.length; at++) {
      if (!all[at]) continue;
      const row = firstRow + Math.floor(at / columns), column = firstColumn + at % columns;
      const cx = (column + (row & 1) / 2) * HEX_WIDE - frame.world.x, cy = row * rowHigh - frame.world.y;
      const r = HEX_SIZE * (0.34 + 0.6 * Math.sqrt(all[at] / most));
      context.fillStyle = hexRamp()[hexClass(hits[at] / all[at])];
      context.beginPath();
      for (let corner = 0; corner < 6; corner++) {
        const angle = Math.PI / 3 * corner + Math.PI / 6;
        context.lineTo((cx + r * Math.cos(angle)) * sharp, (cy + r * Math.sin(angle)) * sharp);
      }
      context.closePath();
      context.fill();
      context.stroke();
      hexes.set(`${row}:${column}`, { n: all[at], hot: hits[at], x: cx, y: cy });
    }
  },

  _drawChosen(frame, sharp) {
    if (rm.chosen < 0 || !hasPlace(rm.chosen)) return;
    const context = this._context, x = (frame.left + rm.x[rm.chosen] * frame.k) * sharp, y = (frame.top + rm.y[rm.chosen] * frame.k) * sharp;
    for (const [colour, wide] of [["#ffffff", 6], [INK, 3]]) {
      context.beginPath();
      context.arc(x, y, 14 * sharp, 0, 7);
      context.strokeStyle = colour;
      context.lineWidth = wide * sharp;
      context.stroke();
    }
  },

  /** The shown tree nearest to a layer point within so many pixels, or -1. */
  treeAt(point, within = this.kind === "symbols" ? 16 : Math.max(7, this.dotRadius() + 5)) {
    if (this.kind === "overview") return -1;
    const { grid } = rm.meta, frame = this._frame(), { x, y, shown, cellStarts } = rm;
    const px = point.x - this._bounds.min.x, py = point.y - this._bounds.min.y, cell = grid.side * frame.k;
    const clamp = (value, most) => Math.max(0, Math.min(most, Math.floor(value)));
    let best = -1, least = within * within;
    const look = i => {
      if (!shown[i]) return;
      const dx = frame.left + x[i] * frame.k - px, dy = frame.top + y[i] * frame.k - py, far = dx * dx + dy * dy;
      if (far < least || (far === least && best >= 0 && rm.mode.rank[i] > rm.mode.rank[best])) { least = far; best = i; }
    };
    const from = clamp((px - within - frame.left) / cell, grid.columns - 1), to = clamp((px + within - frame.left) / cell, grid.columns - 1);
    const first = clamp((py - within - frame.top) / cell, grid.rows - 1), last = clamp((py + within - frame.top) / cell, grid.rows - 1);
    for (let row = first; row <= last; row++) {
      const end = cellStarts[row * grid.columns + to + 1];
      for (let i = cellStarts[row * grid.columns + from]; i < end; i++) look(i);
    }
    for (let i = grid.near; i < grid.placed; i++) look(i);
    return best;
  },

  hexAt(point) {
    const px = point.x - this._bounds.min.x, py = point.y - this._bounds.min.y;
    for (const hex of this._hexes.values()) if (Math.hypot(hex.x - px, hex.y - py) < HEX_SIZE) return hex;
    return null;
  },

  hexPlace(hex) {
    return this._map.layerPointToLatLng(L.point(hex.x, hex.y).add(this._bounds.min));
  },
});

const hexRamp = () => rm.mode.pressure ? rm.meta.ramp : rm.meta.share_ramp;

const hexClass = share => { let at = 0; while (at < HEX_SHARES.length && (at ? share >= HEX_SHARES[at] : share > 0)) at++; return Math.min(at, 4); };

function* chunked(values) { // Math.max takes no array of a hundred thousand
  for (let at = 0; at < values.length; at += 8192) yield Math.max(...values.subarray(at, at + 8192));
}

function abgr(colour) {
  const value = parseInt(colour.slice(1), 16);
  return (0xff000000 | (value & 255) << 16 | (value >> 8 & 255) << 8 | value >> 16) >>> 0;
}
