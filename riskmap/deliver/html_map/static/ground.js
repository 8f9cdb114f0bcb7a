/* Ground layers, reach areas, the user's own picture and online tiles: all below the trees, none clickable. */
const MANY_VERTICES = 50000;

/** Unfolds one part of a layer into latitudes and longitudes, shape by shape. */
function shapesOf(name) {
  const dx = numbers(`${name}:x`), dy = numbers(`${name}:y`), lengths = numbers(`${name}:n`), rings = numbers(`${name}:rings`);
  const { frame } = rm.meta, shapes = [];
  let at = 0, ring = 0, x = 0, y = 0;
  for (const parts of rings) {
    const shape = [];
    for (let part = 0; part < parts; part++, ring++) {
      const places = new Array(lengths[ring]);
      for (let i = 0; i < places.length; i++, at++) {
        x += unfold(dx[at]);
        y += unfold(dy[at]);
        places[i] = L.latLng(Math.atan(Math.sinh((frame.y - y * frame.step) / 6378137)) * 180 / Math.PI, (frame.x + x * frame.step) / 6378137 * 180 / Math.PI);
      }
      shape.push(places);
    }
    shapes.push(shape);
  }
  return shapes;
}

function verticesOf(entry) {
  return (entry.kinds ?? []).reduce((sum, kind) => sum + numbers(`${entry.name}:${kind}:x`).length, 0);
}

function drawEntry(entry, style, renderer) {
  const group = L.layerGroup(), pane = renderer.options.pane, common = { renderer, pane, interactive: false, smoothFactor: 0.6 };
  for (const kind of entry.kinds ?? []) {
    const shapes = shapesOf(`${entry.name}:${kind}`);
    if (kind === "area")
      L.polygon(shapes, { ...common, color: style.edge, weight: style.weight, dashArray: style.dash || null,
        fill: style.fill !== "none", fillColor: style.fill, fillOpacity: style.opacity ?? 1 }).addTo(group);
    else if (kind === "line") {
      // A line gets its edge colour, and its fill on top where the role is an area drawn as its middle line.
      L.polyline(shapes.map(shape => shape[0]), { ...common, color: style.edge, weight: style.weight + 2.4, dashArray: style.dash || null }).addTo(group);
      if (style.fill !== "none" && !style.dash)
        L.polyline(shapes.map(shape => shape[0]), { ...common, color: style.fill, weight: 1.8 }).addTo(group);
    } else for (const shape of shapes) for (const place of shape[0] ?? [])
      L.circleMarker(place, { ...common, radius: 4, color: style.edge, fillColor: style.fill === "none" ? style.edge : style.fill, fillOpacity: 1, weight: 1.2 }).addTo(group);
  }
  return group;
}

function switchRow(list, { label, picture, checked, note, onChange }) {
  const box = make("input", { type: "checkbox", checked });
  box.addEventListener("change", () => onChange(box.checked, box));
  const row = make("li", {}, make("label", {}, box, picture, make("span", { class: "word" }, label)));
  if (note) row.append(make("p", { class: "note under" }, note));
  list.append(row);
  return box;
}

function paneOf(name, zIndex) {
  const pane = rm.map.createPane(name);
  pane.style.zIndex = zIndex;
  pane.style.pointerEvents = "none";
  return name;
}

function startGround() {
  const { ground, reach } = rm.meta, list = byId("rm-ground");
  const many = ground.reduce((sum, entry) => sum + verticesOf(entry), 0) > MANY_VERTICES;
  const rendererFor = pane => many ? new PrintingCanvas({ pane, padding: 0.3 }) : L.svg({ pane, padding: 0.6 });
  paneOf("rmPicture", 210);
  const renderer = rendererFor(paneOf("rmGround", 300));
  rm.groundOn = new Map();
  const layers = ground.map(entry => ({ entry, group: drawEntry(entry, entry, renderer) }));
  for (const { entry, group } of layers) { group.addTo(rm.map); rm.groundOn.set(entry, true); }
  for (const { entry, group } of [...layers].reverse()) {
    switchRow(list, {
      label: entry.label, checked: true, picture: patchPicture(entry, entry.kinds.every(kind => kind === "line")),
      onChange: on => {
        rm.groundOn.set(entry, on);
        for (const each of layers) each.group.remove(); // all off and on again keeps the drawing order
        for (const each of layers) if (rm.groundOn.get(each.entry)) each.group.addTo(rm.map);
        say(`${entry.label} ${on ? "shown" : "hidden"}`);
      },
    });
  }
  rm.pictures = new Set();
  startOverview(list);
  startPicture(list);
  startTiles(list);
  byId("rm-ground-section").hidden = !list.childElementCount;
  startReach(reach);
}

const farText = metres => metres < 0.05 ? "at its edge" : `to ${lengthText(metres)}`;

function startReach(reach) {
  const list = byId("rm-reach"), pane = paneOf("rmReach", 320);
  rm.reachOn = new Map();
  for (const entry of reach) {
    const agent = rm.meta.agents[entry.agent], from = entry.ground;
    const said = entry.bands.map(band => `${rm.meta.bands.words[band.band]} ${farText(band.to_m)}`).reverse().join(", ");
    if (entry.left_out) {
      list.append(make("li", { class: "bare" }, make("span", { class: "word" }, `${agent.label}, from ${from}`), make("p", { class: "note under" }, `${said}. Not drawn: ${entry.left_out}.`)));
      continue;
    }
    let group = null;
    switchRow(list, {
      label: `${agent.label}, from ${from}`, checked: false, note: said,
      picture: patchPicture({ fill: rm.meta.ramp[Math.max(...entry.bands.map(band => band.band))], edge: INK, dash: "3 2", opacity: 0.6 }),
      onChange: on => {
        if (on && !group) {
          const vertices = entry.bands.reduce((sum, band) => sum + verticesOf(band), 0);
          const renderer = vertices > MANY_VERTICES ? new PrintingCanvas({ pane, padding: 0.3 }) : L.svg({ pane, padding: 0.6 });
          group = L.layerGroup(entry.bands.map(band => drawEntry(band, { fill: rm.meta.ramp[band.band], edge: rm.meta.ramp[Math.max(band.band, 2)], weight: 1.4, dash: "5 3", opacity: 0.38 }, renderer)));
        }
        if (on) group.addTo(rm.map); else group?.remove();
        rm.reachOn.set(entry, on);
        say(`Reach of ${agent.label} ${on ? `shown: ${said}` : "hidden"}`);
      },
    });
  }
  byId("rm-reach-section").hidden = !list.childElementCount;
}

/** All trees of a list too long for one page, as hexagons: drawn while they are small enough to be an overview. */
function startOverview(list) {
  const { overview, frame } = rm.meta;
  if (!overview) return;
  const pane = paneOf("rmOverview", 310), renderer = new PrintingCanvas({ pane, padding: 0.2 }), group = L.layerGroup();
  const x = numbers("overview:x"), y = numbers("overview:y"), n = numbers("overview:n"), hot = numbers("overview:hot");
  const place = (px, py) => L.latLng(Math.atan(Math.sinh((frame.y - py * frame.step) / 6378137)) * 180 / Math.PI, (frame.x + px * frame.step) / 6378137 * 180 / Math.PI);
  const most = Math.max(...chunked(n)), radius = overview.wide / Math.sqrt(3);
  for (let i = 0; i < n.length; i++) {
    const cx = unfold(x[i]), cy = unfold(y[i]), r = radius * (0.4 + 0.55 * Math.sqrt(n[i] / most));
    const corners = [0, 1, 2, 3, 4, 5].map(corner => place(cx + r * Math.cos(Math.PI / 3 * corner + Math.PI / 6), cy + r * Math.sin(Math.PI / 3 * corner + Math.PI / 6)));
    L.polygon(corners, { renderer, pane, interactive: false, color: INK, weight: 0.6, fillColor: rm.meta.share_ramp[hexClass(hot[i] / n[i])], fillOpacity: 0.85 }).addTo(group);
  }
  rm.map.addLayer(group);
  rm.overviewOn = true;
  switchRow(list, { label: `All ${count(overview.trees)} trees, gathered in hexagons`, checked: true, note: "Darker: a larger share of the trees needs something done. Larger: more trees.",
    picture: symbolPicture({ shape: "hexagon", fill: rm.meta.share_ramp[3] }, 7), onChange: on => { rm.overviewOn = on; rm.trees.draw(); } });
}

/** Over a picture, areas become glass and keep their edges. */
function pictured(name, on) {
  if (on) rm.pictures.add(name); else rm.pictures.delete(name);
  rm.map.getContainer().classList.toggle("pictured", rm.pictures.size > 0);
}

function startPicture(list) {
  const { picture } = rm.meta;
  if (!picture) return;
  const bytes = rm.columns.get("picture").bytes;
  const address = URL.createObjectURL(new Blob([bytes], { type: picture.kind }));
  const overlay = L.imageOverlay(address, picture.bounds, { pane: "rmPicture", alt: "", interactive: false }).addTo(rm.map);
  switchRow(list, { label: "Background picture", checked: true, picture: patchPicture({ fill: "#8d9a7c", edge: "#5d6a50" }), onChange: on => { pictured("own", on); if (on) overlay.addTo(rm.map); else overlay.remove(); } });
  pictured("own", true);
}

function startTiles(list) {
  const { tiles } = rm.meta;
  if (!tiles) return;
  const note = make("p", { class: "note under", role: "status" });
  let layer = null, came = 0, failed = 0;
  const box = switchRow(list, {
    label: `Online background (${tiles.host})`, checked: false, picture: patchPicture({ fill: "#dfe5ea", edge: "#7b8890", dash: "2 2" }),
    onChange: on => {
      const shown = byId("rm-attribution");
      shown.hidden = !on || !tiles.attribution;
      shown.textContent = tiles.attribution;
      note.textContent = "";
      if (on && !layer) {
        layer = L.tileLayer(tiles.address, { pane: "rmPicture", maxZoom: 22, maxNativeZoom: 19, referrerPolicy: "no-referrer" });
        layer.on("tileload", () => { came++; note.textContent = ""; });
        layer.on("tileerror", () => {
          failed++;
          if (!came && failed > 2) note.textContent = "The background pictures could not be reached. Everything else on this map still works.";
        });
      }
      pictured("tiles", on);
      if (on) { came = failed = 0; layer.addTo(rm.map); } else layer?.remove();
    },
  });
  box.closest("li").append(note);
}
