/* Field use: where am I, ticks kept in this browser, and a file of them that a later run reads as its log. */
const TICK_COLOURS = { done: "#1f7a45", skipped: "#5a6670", damaged: "#a8321f" };
const TICK_WORDS = { done: "Done", skipped: "Skipped", damaged: "Damaged" };
const storageName = () => `riskmap ticks ${rm.meta.site_key}`;

/** Today on this device, as 2026-10-15. */
function today() {
  const now = new Date();
  return `${now.getFullYear()}-${String(now.getMonth() + 1).padStart(2, "0")}-${String(now.getDate()).padStart(2, "0")}`;
}

const tickOf = i => rm.ticks.get(i);

function startField() {
  rm.ticks = new Map();
  rm.strangers = []; // ticks of trees that are not in this page: kept, and saved with the others
  let kept = [];
  try { kept = JSON.parse(localStorage.getItem(storageName()) ?? "[]"); } catch { rm.noStore = true; }
  if (Array.isArray(kept)) for (const tick of kept) {
    if (!tick || typeof tick !== "object" || !TICK_WORDS[tick.status]) continue;
    const at = tick.index < rm.n && ownId(tick.index) === tick.tree_id ? tick.index : tick.tree_id ? findIds(tick.tree_id, 1).find(i => ownId(i) === tick.tree_id) ?? -1 : -1;
    if (at >= 0 && !rm.ticks.has(at)) rm.ticks.set(at, { ...tick, index: at }); else rm.strangers.push(tick);
  }
  try { byId("rm-observer").value = localStorage.getItem("riskmap observer") ?? ""; } catch { rm.noStore = true; }
  byId("rm-observer").addEventListener("change", event => { try { localStorage.setItem("riskmap observer", event.target.value); } catch { rm.noStore = true; } });
  byId("rm-export").addEventListener("click", saveTicks);
  byId("rm-where").addEventListener("click", whereAmI);
  sayTicks();
}

function keepTicks() {
  try { localStorage.setItem(storageName(), JSON.stringify([...rm.ticks.values(), ...rm.strangers])); rm.noStore = false; } catch { rm.noStore = true; }
  sayTicks();
  rm.trees.draw();
}

function sayTicks() {
  const n = rm.ticks.size + rm.strangers.length, by = {};
  for (const tick of [...rm.ticks.values(), ...rm.strangers]) by[tick.status] = (by[tick.status] ?? 0) + 1;
  const words = n ? `${count(n)} ticked: ${Object.entries(by).map(([status, number]) => `${count(number)} ${status}`).join(", ")}.` : "Nothing ticked yet.";
  byId("rm-field-status").textContent = rm.noStore ? `${words} This browser keeps nothing for files: save the ticks before you close the page.` : words;
  byId("rm-export").disabled = !n;
}

/** The ticks' part of a card. */
function fieldForm(i) {
  const form = make("form", { class: "field", "aria-label": "Field tick" }), tick = tickOf(i);
  const fill = status => {
    const old = tickOf(i) ?? {};
    const field = (name, label, attributes = {}) => make("label", {}, label, make("input", { name, value: old[name] ?? "", maxlength: 500, ...attributes }));
    const pick = (name, label, options) => make("label", {}, label, make("select", { name }, ...options.map(([value, word]) => make("option", { value, selected: (old[name] ?? "") === value }, word))));
    const rows = [make("label", {}, "Date", make("input", { name: "date", type: "date", value: old.date ?? today(), required: true }))];
    if (status === "damaged") rows.push(
      pick("agent", "Agent", [["", "unknown"], ...rm.meta.agents.map(agent => [agent.key, agent.label.toLowerCase()]), ["other", "other"]]),
      pick("agent_sure", "How sure", [["", "not said"], ["sure", "sure"], ["likely", "likely"], ["unknown", "unknown"]]),
      field("circumference_percent", "Of the girth, %", { type: "number", min: 0, max: 100, inputmode: "numeric" }),
      field("height_low_mm", "From height, mm", { type: "number", min: 0, max: 20000, inputmode: "numeric" }),
      field("height_high_mm", "To height, mm", { type: "number", min: 0, max: 20000, inputmode: "numeric" }),
      pick("fresh_or_old", "Wound", [["", "not said"], ["fresh", "fresh"], ["old", "old"]]),
      pick("side", "Side", [["", "not said"], ["N", "north"], ["E", "east"], ["S", "south"], ["W", "west"]]));
    if (status === "done") {
      if (old.guard === undefined) old.guard = planOf(i).guard;
      rows.push(field("guard", "Guard fitted"), field("gap_mm", "Gap to the bark, mm", { type: "number", min: 0, max: 5000, inputmode: "numeric" }),
        pick("stake", "Staked", [["", "not said"], ["yes", "yes"], ["no", "no"]]));
    }
    rows.push(make("label", { class: "wide" }, "Note", make("textarea", { name: "note", rows: 2, maxlength: 500 }, old.note ?? "")));
    const save = make("button", { type: "submit", class: "main" }, `Save: ${TICK_WORDS[status].toLowerCase()}`);
    const drop = tickOf(i) ? make("button", { type: "button", onclick: () => { rm.ticks.delete(i); keepTicks(); refresh("Tick removed"); } }, "Remove tick") : null;
    body.replaceChildren(make("div", { class: "grid" }, ...rows), make("div", { class: "row" }, save, drop));
    form.dataset.status = status;
    for (const button of buttons) button.setAttribute("aria-pressed", String(button.dataset.status === status));
    rm.popup?.update();
  };
  const buttons = Object.keys(TICK_WORDS).map(status => make("button", { type: "button", "data-status": status, class: `tick ${status}`, "aria-pressed": String(tick?.status === status), onclick: () => fill(status) }, TICK_WORDS[status]));
  const body = make("div"), refresh = words => { const fresh = fieldForm(i); form.replaceWith(fresh); fresh.querySelector("button").focus({ preventScroll: true }); say(words); };
  form.append(make("p", { class: "ticks" }, make("b", {}, "Tick"), ...buttons));
  if (tick) form.append(make("p", { class: "note" }, `${TICK_WORDS[tick.status]} on ${tick.date}${tick.note ? `: ${tick.note}` : ""}`));
  form.append(body);
  form.addEventListener("submit", event => {
    event.preventDefault();
    const given = Object.fromEntries(new FormData(form));
    const plan = planOf(i), status = form.dataset.status, record = { ...given, index: i, tree_id: ownId(i), row: numbers("row")?.[i] ?? "", status, observer: byId("rm-observer").value };
    if (status === "done") Object.assign(record, { action: rm.meta.actions[numbers("action")[i]].key, guard_keys: plan.keys, guard_height_mm: plan.height_mm ?? "", installed_on: given.date, installed_by: record.observer });
    rm.ticks.set(i, record);
    keepTicks();
    refresh(`${TICK_WORDS[status]}: saved`);
  });
  return form;
}

/** One cell of CSV; a text that a spreadsheet would take for a formula gets an apostrophe, as in our other files. */
function csvCell(value) {
  let cell = String(value ?? "");
  if (/^'*[=+\-@\t\r]/.test(cell) && !/^[+-]?(\d+\.?\d*|\.\d+)(e[+-]?\d+)?$/i.test(cell)) cell = `'${cell}`;
  return /[",\n\r]/.test(cell) ? `"${cell.replaceAll('"', '""')}"` : cell;
}

function ticksCsv() {
  const columns = rm.meta.log_columns, rows = [...rm.ticks.values(), ...rm.strangers].sort((a, b) => a.date < b.date ? -1 : a.date > b.date ? 1 : a.index - b.index);
  return "\ufeff" + [columns, ...rows.map(tick => columns.map(column => tick[column]))].map(row => row.map(csvCell).join(",")).join("\r\n") + "\r\n";
}

function saveTicks() {
  const address = URL.createObjectURL(new Blob([ticksCsv()], { type: "text/csv" }));
  const link = make("a", { href: address, download: `field-log-${today()}.csv` });
  document.body.append(link);
  link.click();
  link.remove();
  setTimeout(() => URL.revokeObjectURL(address), 30000);
  say("Ticks saved as a file");
}

function whereAmI() {
  const button = byId("rm-where"), status = byId("rm-field-status");
  if (rm.watching !== undefined) {
    navigator.geolocation.clearWatch(rm.watching);
    rm.watching = undefined;
    rm.here?.remove();
    rm.here = null;
    button.setAttribute("aria-pressed", "false");
    sayTicks();
    return;
  }
  if (!navigator.geolocation) { status.textContent = "This browser does not tell pages where it is."; return; }
  status.textContent = "Asking where this device is …";
  rm.watching = navigator.geolocation.watchPosition(({ coords }) => {
    const place = L.latLng(coords.latitude, coords.longitude), first = !rm.here;
    rm.here ??= L.layerGroup().addTo(rm.map);
    rm.here.clearLayers();
    L.circle(place, { radius: coords.accuracy, pane: rm.herePane, color: "#1558b0", weight: 1, fillOpacity: 0.12, interactive: false }).addTo(rm.here);
    L.circleMarker(place, { radius: 7, pane: rm.herePane, color: "#ffffff", weight: 3, fillColor: "#1558b0", fillOpacity: 1, interactive: false }).addTo(rm.here);
    if (first) { clearView(); rm.map.setView(place, Math.max(rm.map.getZoom(), 17)); say("Your place is shown"); }
    const near = nearestTree(place);
    status.textContent = `You are here, give or take ${lengthText(coords.accuracy)}${near}.`;
  }, error => {
    const words = { 1: "This browser does not allow the page to know where it is.", 2: "The device does not know where it is.", 3: "The device took too long to find its place." };
    status.textContent = words[error.code] ?? words[2];
    button.setAttribute("aria-pressed", "false");
    navigator.geolocation.clearWatch(rm.watching);
    rm.watching = undefined;
  }, { enableHighAccuracy: true, timeout: 30000, maximumAge: 5000 });
  button.setAttribute("aria-pressed", "true");
}

function nearestTree(place) {
  const i = rm.trees.treeAt(rm.map.latLngToLayerPoint(place), 400);
  return i < 0 ? "" : `; nearest shown tree ${idOf(i)}, ${lengthText(place.distanceTo(latLngOf(i)))}`;
}
