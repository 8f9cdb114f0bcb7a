/* The page's first breath: unpack, draw, wire up. */
const SCALE_STEPS = [1, 2, 5];

/** The longest round length that fits in so many units. */
function roundLength(most) {
  const power = 10 ** Math.floor(Math.log10(most));
  return power * ([...SCALE_STEPS].reverse().find(step => step * power <= most) || 1);
}

function scaleBar(metresAPixel, most, unitM, small, smallM, large) {
  let length = roundLength(most * metresAPixel / unitM), unit = unitM, name = small;
  if (length * unitM >= large.from) { unit = large.metres; name = large.name; length = roundLength(most * metresAPixel / unit); }
  if (length < 1 && smallM) { unit = smallM.metres; name = smallM.name; length = roundLength(most * metresAPixel / unit); }
  return { wide: length * unit / metresAPixel, words: `${length < 1 ? length : count(length)} ${name}` };
}

function drawScale() {
  const { map } = rm, size = map.getSize(), metresAPixel = metresPerPixel(map.getZoom(), map.containerPointToLatLng([size.x / 2, size.y / 2]).lat);
  const most = Math.min(150, size.x * 0.36);
  const bars = [scaleBar(metresAPixel, most, 1, "m", { metres: 0.01, name: "cm" }, { from: 1000, metres: 1000, name: "km" }),
    scaleBar(metresAPixel, most, 0.3048, "ft", { metres: 0.0254, name: "in" }, { from: 1609.344, metres: 1609.344, name: "mi" })];
  if (rm.meta.units === "us") bars.reverse();
  const box = byId("rm-scale");
  box.setAttribute("aria-label", `Scale bars: ${bars.map(bar => `${bar.words} is ${Math.round(bar.wide)} pixels`).join(", ")}`);
  box.replaceChildren(...bars.map(bar => {
    const picture = svgPart("svg", { width: bar.wide + 2, height: 7, class: "bar", "data-wide": bar.wide });
    picture.append(svgPart("rect", { x: 1, y: 1, width: bar.wide, height: 5, fill: "#ffffff", stroke: INK, "stroke-width": 1.2 }));
    for (const part of [0, 2]) picture.append(svgPart("rect", { x: 1 + part * bar.wide / 4, y: 1, width: bar.wide / 4, height: 5, fill: INK }));
    return make("span", { class: "scale" }, picture, make("span", {}, bar.words));
  }));
}

function wholeSite(animate = true) {
  const { view } = rm.meta;
  rm.map.fitBounds(view.bounds, { padding: [24, 24], maxZoom: 19, animate: animate && !window.matchMedia("(prefers-reduced-motion: reduce)").matches });
}

function startPointer() {
  const { map } = rm, tip = byId("rm-tip");
  let waiting = null;
  const at = event => {
    waiting = null;
    if (map._animatingZoom || !rm.trees._bounds) return;
    let words = "";
    if (event.originalEvent.target.closest(".leaflet-popup, .leaflet-control")) {
      // an open card or a button lies over the trees: nothing to say of what is below it
    } else if (rm.trees.kind === "hexagons") {
      const hex = rm.trees.hexAt(event.layerPoint);
      if (hex) words = `${trees(hex.n)}, ${Math.round(100 * hex.hot / hex.n)} % ${rm.mode.pressure ? "with some pressure or more" : "need something done"}`;
    } else {
      const i = rm.trees.treeAt(event.layerPoint);
      if (i >= 0) words = `${idOf(i)}: ${rm.mode.classes[rm.mode.codes[i]].label}`;
    }
    map.getContainer().style.cursor = words ? "pointer" : "";
    tip.hidden = !words;
    tip.textContent = words;
    const right = event.containerPoint.x > map.getSize().x - 240;
    tip.style.transform = `translate(${event.containerPoint.x + (right ? -14 : 14)}px, ${event.containerPoint.y + 14}px)${right ? " translateX(-100%)" : ""}`;
  };
  map.on("mousemove", event => { if (!waiting) requestAnimationFrame(() => at(waiting)); waiting = event; });
  map.on("mouseout movestart zoomstart", () => { tip.hidden = true; });
  map.on("click", event => {
    tip.hidden = true;
    if (rm.trees.kind === "hexagons") {
      const hex = rm.trees.hexAt(event.layerPoint);
      if (hex) map.setView(rm.trees.hexPlace(hex), map.getZoom() + 2);
      return;
    }
    if (rm.trees.kind === "overview") map.setView(event.latlng, map.getZoom() + 2);
    else choose(rm.trees.treeAt(event.layerPoint));
  });
}

function startKeys() {
  const { map } = rm, box = map.getContainer();
  box.setAttribute("role", "application");
  box.setAttribute("aria-label", `Map of ${trees(rm.n)}. Arrow keys move it, plus and minus zoom, Enter opens the tree nearest the cross in the middle, Escape closes it. The same trees stand in the table below.`);
  box.addEventListener("keydown", event => {
    if (event.target !== box) return;
    if (event.key === "Enter") {
      event.preventDefault();
      const size = map.getSize(), point = map.containerPointToLayerPoint([size.x / 2, size.y / 2]);
      if (rm.trees.kind === "hexagons") {
        const hex = rm.trees.hexAt(point);
        if (hex) { map.setView(rm.trees.hexPlace(hex), map.getZoom() + 2); say(`Zoomed in on ${trees(hex.n)}`); } else say("No hexagon under the cross");
        return;
      }
      const i = rm.trees.treeAt(point, Math.hypot(size.x, size.y));
      if (i < 0) say("No tree is shown near the cross"); else choose(i);
    }
  });
  document.addEventListener("keydown", event => {
    if (event.key !== "Escape") return;
    if (document.documentElement.classList.contains("sheet")) { openKey(false); byId("rm-open-key").focus(); return; }
    if (rm.chosen >= 0) { const inside = document.activeElement?.closest(".card, #rm-dock, .leaflet-popup"); choose(-1); if (inside) box.focus({ preventScroll: true }); say("Closed"); }
  });
}

function openKey(open) {
  document.documentElement.classList.toggle("sheet", open);
  byId("rm-open-key").setAttribute("aria-expanded", String(open));
  if (open) byId("rm-close-key").focus({ preventScroll: true });
}

/** Puts the key away on narrow screens, so that what was asked for can be seen. */
function clearView() {
  if (!document.documentElement.classList.contains("sheet")) return;
  openKey(false);
  rm.map.getContainer().focus({ preventScroll: true });
}

function fail(words) {
  const box = byId("rm-fail");
  box.textContent = words;
  box.hidden = false;
  document.documentElement.classList.add("failed");
}

async function riskmapStart(name, options) {
  const started = performance.now();
  try {
    const meta = rm.meta = JSON.parse(byId("rm-meta").textContent);
    const map = rm.map = L.map(name, { ...options, fadeAnimation: false, zoomAnimation: !window.matchMedia("(prefers-reduced-motion: reduce)").matches });
    rm.n = meta.n;
    rm.chosen = -1;
    const holder = byId("rm-data");
    await unpack(meta, holder.textContent);
    holder.textContent = "";
    rm.closeZoom = 18;
    unfoldPlaces();
    wholeSite(false);
    paneOf("rmTrees", 450);
    rm.herePane = paneOf("rmHere", 460);
    rm.ticks = new Map();
    startKey();
    startTable();
    startGround();
    setMode("guard");
    rm.trees = new TreeLayer().addTo(map);
    startField();
    startPrint();
    startPointer();
    startKeys();
    map.on("move zoom resize", drawScale);
    map.on("popupclose", event => { if (event.popup === rm.popup) { rm.popup = null; rm.chosen = -1; rm.trees.draw(); markRow(); } });
    drawScale();
    byId("rm-in").addEventListener("click", () => map.zoomIn());
    byId("rm-out").addEventListener("click", () => map.zoomOut());
    byId("rm-whole").addEventListener("click", () => wholeSite());
    byId("rm-open-key").addEventListener("click", () => openKey(!document.documentElement.classList.contains("sheet")));
    byId("rm-close-key").addEventListener("click", () => { openKey(false); byId("rm-open-key").focus(); });
    new ResizeObserver(() => { if (!rm.printing) map.invalidateSize({ animate: false }); }).observe(map.getContainer());
    rm.readyMs = performance.now() - started;
    document.documentElement.classList.add("ready");
  } catch (error) {
    fail(error instanceof Error ? error.message : String(error));
    throw error;
  }
}
