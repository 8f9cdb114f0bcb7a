/* Print: one sheet, a round scale that a ruler confirms, a key of what is on the map only. */
const CSS_PIXEL_M = 0.0254 / 96;
const SCALES = {
  metric: [100, 200, 250, 500, 1000, 1500, 2000, 2500, 3000, 4000, 5000, 7500, 10000, 15000, 20000, 25000, 50000, 75000, 100000, 150000, 200000, 250000, 500000, 1000000, 2000000, 5000000, 10000000],
  us: [120, 240, 360, 480, 600, 1200, 1800, 2400, 3600, 4800, 6000, 7200, 9600, 12000, 18000, 24000, 31680, 63360, 126720, 253440, 506880, 1013760, 2534400, 5068800, 10137600],
};
/** Room inside the margins, in millimetres. */
const SHEETS = { "letter landscape": [259.4, 195.9], "letter portrait": [195.9, 259.4], "A4 landscape": [277, 190], "A4 portrait": [190, 277] };

const metresPerPixel = (zoom, latitude) => WORLD_M / 256 * Math.cos(latitude * Math.PI / 180) / 2 ** zoom;

/** "1:2,500", or with US units "1 inch = 200 feet (1:2,400)". */
function scaleWords(denominator) {
  const ratio = `1:${count(denominator)}`;
  if (rm.meta.units !== "us") return ratio;
  return denominator >= 31680 ? `1 inch = ${count(denominator / 63360)} miles (${ratio})` : `1 inch = ${count(denominator / 12)} feet (${ratio})`;
}

const paperWords = () => byId("rm-paper").value.replace(/^letter/, "US letter").replace(/ (?=\w+$)/, " paper, ");

function setSheet() {
  const paper = byId("rm-paper").value, [wide, high] = SHEETS[paper];
  byId("rm-sheet").textContent = `@page { size: ${paper}; margin: 10mm; }`;
  document.documentElement.style.setProperty("--sheet-wide", `${wide}mm`);
  document.documentElement.style.setProperty("--sheet-high", `${high}mm`);
}

function beforePrint() {
  if (rm.printing) return;
  const { map } = rm, seen = map.getBounds(), site = L.latLngBounds(rm.meta.view.bounds);
  const bounds = seen.contains(site) ? site.pad(0.04) : seen; // the whole site is wanted whole, not the paper round it
  rm.beforePrint = { centre: map.getCenter(), zoom: map.getZoom(), snap: map.options.zoomSnap };
  setSheet();
  printKey();
  document.documentElement.classList.add("printing");
  rm.printing = true;
  map.options.zoomSnap = 0;
  map.invalidateSize({ animate: false, pan: false });
  const latitude = bounds.getCenter().lat, fitting = map.getBoundsZoom(bounds, false);
  const wanted = metresPerPixel(fitting, latitude) / CSS_PIXEL_M, listed = SCALES[rm.meta.units === "us" ? "us" : "metric"];
  const denominator = listed.find(each => each >= wanted * 0.999) ?? Math.ceil(wanted);
  const zoom = Math.log2(metresPerPixel(0, latitude) / (denominator * CSS_PIXEL_M));
  map.setView(bounds.getCenter(), zoom, { animate: false });
  rm.printScale = denominator;
  byId("rm-print-scale").textContent = `Scale ${scaleWords(denominator)} when printed at full size (100 %) on ${paperWords()}. On other paper, or at another size, trust the scale bar and not these numbers.`;
  rm.trees.draw();
  drawScale();
  printKey();
}

function afterPrint() {
  if (!rm.printing) return;
  const { map } = rm, { centre, zoom, snap } = rm.beforePrint;
  document.documentElement.classList.remove("printing");
  rm.printing = false;
  map.invalidateSize({ animate: false, pan: false });
  map.options.zoomSnap = snap;
  map.setView(centre, zoom, { animate: false });
  rm.trees.draw();
  drawScale();
}

/** The key of the sheet: classes that have a tree shown, ground that is switched on, reach areas that are. */
function printKey() {
  const box = byId("rm-print-key"), { mode, meta } = rm, seen = new Uint32Array(mode.classes.length);
  if (rm.trees._bounds) { const view = rm.trees._inView(rm.trees._frame(), rm.trees._bounds.getSize()); for (let v = 0; v < view.length; v++) seen[mode.codes[view[v]]]++; }
  const item = (picture, words) => make("span", { class: "item" }, picture, make("span", {}, words));
  const items = [make("b", {}, rm.modes.find(each => each.key === mode.key).label)];
  const { kind } = rm.trees, shares = ["none", "under 10 %", "10 to 25 %", "25 to 50 %", "over 50 %"];
  if (kind === "hexagons" || kind === "overview") {
    const ramp = kind === "overview" ? meta.share_ramp : hexRamp();
    items.push(...shares.map((word, at) => item(symbolPicture({ shape: "hexagon", fill: ramp[at] }, 5), word)),
      make("span", {}, `of the trees in each hexagon ${kind === "hexagons" && mode.pressure ? "have some pressure or more" : "need something done"}`));
  }
  else mode.classes.forEach((entry, at) => { if (seen[at]) items.push(item(symbolPicture(entry.symbol, 5 * (entry.grow ?? 1)), `${entry.label}${entry.detail ? ` (${entry.detail})` : ""}: ${count(seen[at])}`)); });
  if (kind === "dots" || (kind === "symbols" && rm.trees.crowded)) items.push(make("span", {}, "Dots stand for symbols, in their colours, where trees crowd"));
  if (mode.agent) items.push(make("span", {}, `evidence for the rate: ${mode.agent.grade}`));
  for (const [entry, on] of rm.groundOn) if (on) items.push(item(patchPicture(entry, entry.kinds.every(kind => kind === "line")), entry.label));
  for (const [entry, on] of rm.reachOn) if (on) for (const band of [...entry.bands].reverse())
    items.push(item(patchPicture({ fill: meta.ramp[band.band], edge: meta.ramp[Math.max(band.band, 2)], dash: "3 2", opacity: 0.5 }), `${meta.agents[entry.agent].label}, ${meta.bands.words[band.band]}: ${farText(band.to_m)}`));
  box.replaceChildren(...items);
}

function startPrint() {
  const paper = byId("rm-paper");
  paper.value = rm.meta.paper;
  if (!paper.value) paper.selectedIndex = 0;
  paper.addEventListener("change", setSheet);
  setSheet();
  window.addEventListener("beforeprint", beforePrint);
  window.addEventListener("afterprint", afterPrint);
  byId("rm-print").addEventListener("click", () => window.print());
}
