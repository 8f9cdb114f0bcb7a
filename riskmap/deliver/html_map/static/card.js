/* One tree's card: in a pop-up on wide screens, docked under the map on narrow ones. */
const narrow = window.matchMedia("(max-width: 800px)");
const WEAK = new Set(["recalled", "judgement"]);

function planOf(i) {
  return list("plan:values")[numbers("plan")[i]];
}

const agentLabels = keys => keys.map(agent => rm.meta.agents[agent].label.toLowerCase()).join(", ");

function adviceOf(i) {
  const action = rm.meta.actions[numbers("action")[i]], plan = planOf(i);
  return { action, plan, symbol: rm.meta.guards[numbers("guard")[i]].symbol };
}

/** When the guard goes on and comes off, as words. */
function seasonText(plan) {
  const parts = [];
  if (plan.on) parts.push(`on in ${MONTHS[plan.on]}`);
  if (plan.off) parts.push(`off in ${MONTHS[plan.off]}`);
  if (plan.when) parts.push(plan.when.startsWith("when ") && !plan.off ? `off ${plan.when}` : plan.when);
  const words = parts.join("; ");
  return words && words[0].toUpperCase() + words.slice(1);
}

function meter(code) {
  const band = bandOf(code), share = Math.sqrt(Math.min(1, shareOf(code)));
  const bar = svgPart("svg", { viewBox: "0 0 100 10", preserveAspectRatio: "none", class: "meter", "aria-hidden": "true" });
  bar.append(svgPart("rect", { x: 0, y: 0, width: 100, height: 10, class: "trough" }));
  bar.append(svgPart("rect", { x: 0, y: 0, width: Math.max(code ? 1.2 : 0, 100 * share), height: 10, fill: rm.meta.ramp[band], class: "fill" }));
  for (const limit of rm.meta.bands.limits) bar.append(svgPart("path", { d: `M${100 * Math.sqrt(limit)} 0V10`, class: "limit" }));
  return bar;
}

function pressureTable(i) {
  const { agents, bands } = rm.meta, rows = [], none = [], unscored = [];
  agents.forEach((agent, a) => {
    const code = numbers(`p${a}`)[i];
    if (code === NONE) unscored.push(agent.label.toLowerCase());
    else if (bandOf(code) === 0) none.push(agent.label.toLowerCase());
    else rows.push({ agent, a, code });
  });
  rows.sort((one, other) => other.code - one.code);
  const decisive = numbers("decisive")[i];
  const table = make("table", { class: "pressures" },
    make("caption", {}, "Pressure: chance of damage in a year without a guard"),
    make("thead", { class: "unseen" }, make("tr", {}, ...["Agent", "Band", "Share and evidence"].map(word => make("th", { scope: "col" }, word)))),
    make("tbody", {}, ...rows.map(({ agent, a, code }) => make("tr", {},
      make("th", { scope: "row" }, agent.label, a === decisive ? make("span", { class: "decides", title: "The agent with the largest expected loss" }, "decides") : null),
      make("td", { class: "band" }, make("span", { class: "word" }, bands.words[bandOf(code)]), meter(code)),
      make("td", { class: "number" }, percentText(code), make("span", { class: "grade" }, agent.grade))))));
  const parts = rows.length ? [table] : [make("p", { class: "calm" }, "No agent that was scored presses on this tree.")];
  if (none.length) parts.push(make("p", { class: "note" }, make("b", {}, "None: "), none.join(", ")));
  const why = text("unscored", i);
  if (unscored.length) parts.push(make("p", { class: "note" }, make("b", {}, "Not scored: "), unscored.join(", "), why ? ` (${why})` : ""));
  if (rows.some(row => WEAK.has(row.agent.grade)))
    parts.push(make("p", { class: "note" }, "Percentages resting on judgement or memory are rough: read the band."));
  return parts;
}

function distanceText(i) {
  const { roles } = rm.meta, near = numbers("near_role");
  // A page of very many trees carries one distance only: that of the agent that decides.
  if (near) return near[i] < roles.length ? [oneDistance(roles[near[i]], numbers("near_m")[i])].filter(Boolean) : [];
  return roles.map((role, r) => oneDistance(role, numbers(`d${r}`)[i])).filter(Boolean);
}

function oneDistance(role, code) {
  if (code === 0) return "";
  if (code === 1) return `${role.label}: beyond ${lengthText(role.reach_m)}`;
  if (code === 2) return `${role.label}: inside it`;
  const { steps } = rm.meta;
  const stepsIn = at => Math.round((steps[at + 1][0] - steps[at][0]) / steps[at][1]);
  let left = code - 3, at = 0;
  for (; at + 1 < steps.length && left >= stepsIn(at); at++) left -= stepsIn(at);
  return `${role.label}: ${steps[at][1] > 1 ? "about " : ""}${lengthText(steps[at][0] + left * steps[at][1])}`;
}

function stemText(i) {
  const parts = [], stem = numbers("stem"), high = numbers("height"), us = rm.meta.units === "us";
  if (stem?.[i]) parts.push(us ? `${rm.meta.stem_word} ${((stem[i] - 1) / 25.4).toFixed(1)} in` : `${rm.meta.stem_word} ${stem[i] - 1} mm`);
  if (high?.[i]) parts.push(us ? `height ${((high[i] - 1) / 6.096).toFixed(1)} ft` : `height ${((high[i] - 1) / 20).toFixed(2).replace(/0$/, "")} m`);
  const planted = text("planted", i);
  if (planted) parts.push(`planted ${planted}`);
  return parts.join(", ");
}

function costText(i) {
  const costs = list("cost:values");
  if (!costs) return "";
  const cost = costs[numbers("cost")[i]];
  return cost ? `${rm.meta.currency} ${cost.toLocaleString("en-US", { minimumFractionDigits: Number.isInteger(cost) ? 0 : 2, maximumFractionDigits: 2 })}` : "";
}

function card(i) {
  const { action, plan, symbol } = adviceOf(i), species = text("species", i), stem = stemText(i), why = text("why", i), remark = text("remark", i);
  const facts = [];
  const fact = (name, value) => { if (value) facts.push(make("dt", {}, name), make("dd", {}, value)); };
  fact("When", seasonText(plan));
  fact("Stops", plan.stopped.length ? agentLabels(plan.stopped) : "");
  fact("Cost now", costText(i));
  fact("Instead", text("beside", i));
  rm.meta.filters.forEach((filter, f) => fact(filter.label, text(`f${f}`, i)));
  const distances = distanceText(i);
  return make("article", { class: "card", "aria-label": `Tree ${idOf(i)}` },
    make("h2", {}, idOf(i)),
    make("p", { class: "species" }, species ? make("i", {}, species) : "Species not given", stem ? `, ${stem}` : ""),
    hasPlace(i) ? null : make("p", { class: "open" }, "This row has no place on the map."),
    make("div", { class: "advice" }, symbolPicture(symbol, 8),
      make("div", {}, make("b", {}, action.label), plan.guard ? make("span", { class: "guard" }, plan.guard) : null)),
    plan.open.length ? make("p", { class: "open" }, make("b", {}, "Left open: "), agentLabels(plan.open)) : null,
    ...pressureTable(i),
    why ? make("p", { class: "why" }, make("b", {}, "Why: "), why) : null,
    facts.length ? make("dl", { class: "facts" }, ...facts) : null,
    distances.length ? make("p", { class: "note" }, make("b", {}, "Distances. "), distances.join("; ")) : null,
    remark ? make("p", { class: "note" }, make("b", {}, "Remarks: "), remark) : null,
    fieldForm(i));
}

/** Chooses a tree: ring, card and table row move together. `from` says who asked, so that nothing fights the user. */
function choose(i, { from = "map", move = false } = {}) {
  closeCard(false);
  rm.chosen = i;
  if (i < 0) { rm.trees?.draw(); markRow(); return; }
  if (hasPlace(i) && move) {
    const place = latLngOf(i), zoom = Math.max(rm.map.getZoom(), rm.closeZoom);
    rm.map.setView(place, zoom, { animate: false });
  }
  const node = card(i);
  if (narrow.matches || !hasPlace(i)) {
    const dock = byId("rm-dock");
    dock.replaceChildren(make("button", { type: "button", class: "close", "aria-label": "Close", onclick: () => choose(-1) }, "×"), node);
    dock.hidden = false;
    dock.scrollTop = 0;
    if (hasPlace(i) && narrow.matches) keepAboveDock(i, dock);
  } else {
    rm.popup = L.popup({ maxWidth: 340, minWidth: 300, maxHeight: Math.max(220, Math.min(500, rm.map.getSize().y - 70)), autoPanPadding: [18, 18], closeOnClick: false, offset: [0, -10] })
      .setLatLng(latLngOf(i)).setContent(node).openOn(rm.map);
  }
  rm.trees?.draw();
  markRow(from !== "table");
  const { action, plan } = adviceOf(i);
  say(`Tree ${idOf(i)}: ${action.label}${plan.guard ? `, ${plan.guard}` : ""}. ${worstText(i)}`);
}

function worstText(i) {
  const code = rm.worst[i];
  if (code === NONE) return "Not scored.";
  return `Worst pressure ${rm.meta.bands.words[bandOf(code)]}: ${rm.meta.agents[rm.worstAgent[i]].label}.`;
}

function keepAboveDock(i, dock) {
  const at = rm.map.latLngToContainerPoint(latLngOf(i)), size = rm.map.getSize(), free = size.y - dock.offsetHeight;
  if (at.y > free - 30 || at.y < 20 || at.x < 20 || at.x > size.x - 20) rm.map.panBy([at.x - size.x / 2, at.y - Math.max(free, 80) / 2], { animate: false });
}

function closeCard(redraw = true) {
  const popup = rm.popup;
  rm.popup = null;
  popup?.remove();
  const dock = byId("rm-dock");
  dock.hidden = true;
  dock.replaceChildren();
  if (redraw) { rm.chosen = -1; rm.trees?.draw(); markRow(); }
}
