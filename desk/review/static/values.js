// The sheet of values: value beside its uncertainty, limit and outcome, doubts, modelled gauges.

import { make } from "./dom.js";
import { aligned, plain, symbolOf, worded, wordedSteps, written } from "./units.js";

export const WORDS = { meets: "meets", does_not_meet: "does not meet", undecided: "undecided", not_assessed: "not assessed" };
export const SIGNS = { meets: "●", does_not_meet: "■", undecided: "◆", not_assessed: "–" };
const GROUPS = [
  ["toes and plates", /^(undercut|toe_|overlap|pit_|spatter)/],
  ["inside the section", /^(penetration|root_penetration|root_side_penetration|lack_of|throat_with|sidewall|fused|weld_metal|dilution|haz|root_centreline|pore|largest_pore|longest_linear)/],
];
const groupOf = (name) => (GROUPS.find(([, names]) => names.test(name)) || ["weld"])[0];

export function outcomeMark(outcome) {
  const word = WORDS[outcome] || outcome;
  return make("span", { class: `outcome ${WORDS[outcome] ? outcome : ""}` }, make("span", { class: "sign", "aria-hidden": "true" }, SIGNS[outcome] || "–"), ` ${word}`);
}

export function showValues(place, { item, weld, found, system, chosen, drawable, choose }) {
  const parts = [summary(weld), doubts(weld, system), table(weld, found, system, chosen, drawable, choose), gauges(weld, system), origin(item)];
  const top = place.scrollTop;
  const held = document.activeElement && place.contains(document.activeElement) ? document.activeElement.dataset.name : null;
  place.replaceChildren(...parts.filter(Boolean));
  place.scrollTop = top;
  if (held) {
    const again = place.querySelector(`[data-name="${CSS.escape(held)}"]`);
    if (again) again.focus({ preventScroll: true });
  }
}

function summary(weld) {
  const outcomes = weld.outcomes || [];
  if (outcomes.length === 0) return null;
  const marks = ["does_not_meet", "undecided", "not_assessed", "meets"]
    .map((kind) => [kind, outcomes.filter((part) => part.outcome === kind).length])
    .filter(([, count]) => count > 0)
    .map(([kind, count]) => make("li", {}, make("b", {}, String(count)), " ", outcomeMark(kind)));
  const rules = [...new Set(outcomes.map((part) => part.rule).filter(Boolean))];
  return make("div", { class: "summary" }, make("ul", { "aria-label": "Outcomes" }, ...marks), rules.length ? make("p", { class: "reason" }, `Decision rule: ${rules.join("; ")}. P: probability that the true value conforms.`) : null);
}

function doubts(weld, system) {
  if (!weld.flags || weld.flags.length === 0) return null;
  return make("details", { class: "doubts", open: weld.flags.length < 4 },
    make("summary", {}, `${weld.flags.length} ${weld.flags.length === 1 ? "doubt" : "doubts"}`),
    make("ul", {}, ...weld.flags.map((flag) => make("li", {}, worded(flag.message, system)))));
}

function table(weld, found, system, chosen, drawable, choose) {
  const all = Object.entries(weld.measurements);
  const figures = new Map(all.filter(([, item]) => item.state === "measured").map(([name, item]) => [name, written(item, system)]));
  const names = [...figures.keys()];
  const values = aligned(names.map((name) => figures.get(name).value));
  const tails = aligned(names.map((name) => figures.get(name).doubt));
  const at = new Map(names.map((name, index) => [name, index]));
  const inch = system === "inch";
  const columns = make("colgroup", {}, ...["of-name", "of-value", "of-doubt", "of-unit", ...(inch ? ["of-fraction"] : [])].map((name) => make("col", { class: name })));
  const head = make("thead", {}, make("tr", {}, make("th", { scope: "col" }, "quantity"), make("th", { scope: "col", class: "n" }, "value"),
    make("th", { scope: "col", class: "n" }, `± (k = ${coverage(all)})`), make("th", { scope: "col", class: "last" }, "unit"),
    inch ? make("th", { scope: "col", class: "n" }, "1/64 in") : null));
  const groups = ["weld", ...GROUPS.map(([title]) => title)].map((title) => [title, all.filter(([name]) => groupOf(name) === title)]);
  const bodies = groups.filter(([, rows]) => rows.length > 0).map(([title, rows]) =>
    make("tbody", {}, make("tr", { class: "group" }, make("th", { scope: "rowgroup", colspan: inch ? 5 : 4 }, title)),
      ...rows.flatMap(([name, item]) => row(name, item))));
  const unseen = (weld.outcomes || []).filter((part) => !(part.quantity in weld.measurements));
  if (unseen.length > 0) {
    bodies.push(make("tbody", {}, make("tr", { class: "group" }, make("th", { scope: "rowgroup", colspan: inch ? 5 : 4 }, "limits of what is not measured")),
      ...unseen.map(limit)));
  }
  return make("table", { class: inch ? "figures inch" : "figures" }, make("caption", { class: "unseen" }, "Measured values"), columns, head, ...bodies);

  function row(name, item) {
    const label = item.label || name;
    const title = drawable.has(name) && item.state === "measured"
      ? make("button", { type: "button", class: "name", "data-name": name, "aria-pressed": String(chosen === name) }, label)
      : make("span", { class: "name" }, label);
    if (title.tagName === "BUTTON") title.addEventListener("click", () => choose(chosen === name ? null : name));
    const rows = [];
    if (item.state === "measured") {
      const index = at.get(name);
      const { unit, fraction } = figures.get(name);
      rows.push(make("tr", { class: chosen === name ? "chosen" : null, "data-quantity": name },
        make("th", { scope: "row" }, title, was(name, item)), make("td", { class: "n value" }, values[index]),
        make("td", { class: "n doubt" }, tails[index]), make("td", { class: "unit" }, unit), inch ? make("td", { class: "n doubt" }, fraction) : null));
    } else {
      rows.push(make("tr", { class: "absent", "data-quantity": name }, make("th", { scope: "row" }, title),
        make("td", { colspan: inch ? 4 : 3 }, "not measurable")), make("tr", { class: "because" }, make("td", { colspan: inch ? 5 : 4 }, worded(item.reason, system))));
    }
    for (const part of (weld.outcomes || []).filter((outcome) => outcome.quantity === name)) rows.push(limit(part));
    return rows;
  }

  function was(name, item) {
    const before = found && found.measurements[name];
    if (!before || before.state !== "measured") return null;
    const old = written(before, system).value;
    return old === written(item, system).value ? null : make("span", { class: "was" }, `found ${old}`);
  }

  function limit(part) {
    const known = part.limit !== null && part.limit !== undefined;
    const way = !known ? "" : part.limit === part.upper ? "at most" : part.limit === part.lower ? "at least" : "limit";
    const bound = !known ? "" : part.own_allowed === "none" ? "none allowed" : part.own_allowed && !/^[≤≥]/.test(part.own_allowed) ? part.own_allowed
      : `${way} ${part.own_limit || plain(part.limit, part.unit, system)}`;
    const clear = part.outcome === "meets" && !/;|not proven|long/.test(part.message || "");
    const why = clear ? null : part.message || part.reason;
    const source = [clear && part.verified !== "given" ? null : part.criterion, part.source, part.verified === "from memory" ? "limit from memory, check it in the standard" : null];
    const likely = part.outcome === "undecided" && typeof part.probability === "number" ? ` · P ${percent(part.probability)}` : "";
    return make("tr", { class: "limit" }, make("td", { colspan: inch ? 5 : 4 }, outcomeMark(part.outcome), bound ? ` · ${bound}${likely}` : likely,
      why ? make("span", { class: "reason" }, String(why)) : null,
      make("span", { class: "source", title: part.criterion }, source.filter(Boolean).join(", "))));
  }
}

// Never reads as certain.
function percent(share) {
  return share > 0.999 ? "> 99.9 %" : share < 0.001 ? "< 0.1 %" : `${(100 * share).toFixed(1)} %`;
}

function coverage(all) {
  const measured = all.find(([, item]) => item.state === "measured");
  return measured ? measured[1].coverage_factor : 2;
}

// Where the values come from: file, scale, who and what measured, identification.
function origin(item) {
  const scale = item.calibration;
  const share = scale ? 200 * scale.relative_standard_uncertainty : 0;
  const lines = [
    ["file", item.path],
    ["scale", scale ? `${scale.kind}, ${scale.mm_per_px.toPrecision(4)} mm per pixel${share > 0 ? ` ± ${share.toPrecision(2)} %` : ", taken as given"}` : "the profile is in mm"],
    ["measured by", [item.operator, item.tool ? `${item.tool.name} ${item.tool.version}` : null].filter(Boolean).join(", ")],
    ...Object.entries(item.identification).map(([name, text]) => [name.replaceAll("_", " "), text]),
  ];
  return make("dl", { class: "about" }, ...lines.filter(([, text]) => text).flatMap(([name, text]) => [make("dt", {}, name), make("dd", {}, String(text))]));
}

function gauges(weld, system) {
  if (!weld.gauges || weld.gauges.length === 0) return null;
  const rows = weld.gauges.map((part) => make("tr", {}, make("th", { scope: "row" }, String(part.gauge), make("span", { class: "of" }, labelOf(weld, part.quantity))),
    make("td", { class: "n" }, make("span", { class: "value" }, reading(part, system)), modelled(part, system)),
    make("td", { class: "reason" }, wordedSteps(String(part.why || part.reason || ""), system))));
  return make("table", { class: "figures gauges" }, make("caption", {}, "What a hand gauge would read here, modelled: the gauge is taken for perfect and set with a steady hand"),
    make("colgroup", {}, make("col", { class: "of-gauge" }), make("col", { class: "of-reading" }), make("col")),
    make("thead", {}, make("tr", {}, make("th", { scope: "col" }, "gauge"), make("th", { scope: "col", class: "n" }, "reading"), make("th", { scope: "col", class: "last" }, "why it differs"))),
    make("tbody", {}, ...rows));
}

function labelOf(weld, name) {
  const item = weld.measurements[name];
  return (item && item.label) || String(name || "");
}

// What a gauge with steps stands at before a person reads it.
function modelled(part, system) {
  if (!part.step_text || typeof part.reading !== "number") return null;
  return make("span", { class: "stands" }, plain(part.reading, part.unit || "mm", system));
}

function reading(part, system) {
  if (part.step_text) return String(part.step_text);
  if (typeof part.reading === "number") return plain(part.reading, part.unit || "mm", system);
  return part.reading === null || part.reading === undefined ? "–" : `${part.reading} ${part.unit ? symbolOf(part.unit, "metric") : ""}`.trim();
}
