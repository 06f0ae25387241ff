// The desk: what waits, the picture, the values, the decision.

import { get, picture, post, Refusal } from "./api.js";
import { find, make } from "./dom.js";
import { History } from "./history.js";
import { Overlay } from "./overlay.js";
import { SIGNS as OUTCOME_SIGNS, WORDS, showValues } from "./values.js";
import { View } from "./view.js";

const STATES = { waiting: "waits", confirmed: "confirmed", rejected: "rejected" };
const SIGNS = { waiting: "○", confirmed: "●", rejected: "■" };

const desk = { items: [], item: null, moves: {}, weld: null, system: "metric", chosen: null, busy: false, pending: false, bad: false, again: false };
const drafts = new Map();
const history = new History();
const view = new View(find("pane"), find("canvas"), () => overlay.place());
const overlay = new Overlay({
  svg: find("overlay"), lines: find("lines"), marks: find("marks"), handles: find("handles"), loupe: find("loupe"), spot: find("spot"), view, moved,
});

// ---- what waits

function showList() {
  const waiting = desk.items.filter((line) => line.state === "waiting").length;
  find("count").textContent = `${waiting} of ${desk.items.length}`;
  find("items").replaceChildren(...desk.items.map((line) => {
    const current = desk.item && desk.item.line.id === line.id;
    const what = line.weld ? `weld ${line.weld} · ${line.joint}` : "no weld";
    const state = line.problem ? "cannot be opened" : STATES[line.state];
    const worst = ["does_not_meet", "undecided"].find((kind) => line.outcomes.includes(kind));
    const judged = worst && `${line.outcomes.filter((kind) => kind === worst).length} ${WORDS[worst]}`;
    const button = make("button", { type: "button", class: `item ${line.problem ? "problem" : line.state}`, "aria-current": current ? "true" : null, "data-id": line.id },
      make("span", { class: "name" }, line.name), make("span", { class: "what" }, what),
      judged ? make("span", { class: `judged ${worst}` }, make("span", { class: "sign", "aria-hidden": "true" }, OUTCOME_SIGNS[worst]), ` ${judged}`) : null,
      make("span", { class: "state" }, make("span", { class: "sign", "aria-hidden": "true" }, line.problem ? "!" : SIGNS[line.state]), ` ${state}`, line.record ? ` · ${line.record}` : ""));
    button.addEventListener("click", () => open(line.id));
    return make("li", {}, button);
  }));
}

async function load() {
  const content = await get("/api/items");
  desk.items = content.items;
  if (content.operator && !find("who").value) find("who").value = content.operator;
  const named = decodeURIComponent(location.hash.slice(1));
  const start = desk.items.find((line) => line.id === named) || nextWaiting(null) || desk.items[0];
  if (start) await open(start.id);
}

function nextWaiting(after) {
  const at = desk.items.findIndex((line) => line.id === after);
  const turned = [...desk.items.slice(at + 1), ...desk.items.slice(0, at + 1)];
  return turned.find((line) => line.state === "waiting" && !line.problem && line.id !== after);
}

// ---- one item

async function open(id) {
  const line = desk.items.find((other) => other.id === id);
  if (!line) return;
  keepDraft();
  globalThis.history.replaceState(null, "", `#${encodeURIComponent(id)}`);
  Object.assign(desk, { item: { line }, moves: {}, weld: null, chosen: null, bad: false, again: false });
  overlay.clear();
  view.show([1, 1], [0, 0, 1, 1]);
  find("values").replaceChildren();
  find("blank").hidden = false;
  find("blank").textContent = line.problem || "Opening the picture …";
  find("title").textContent = line.weld ? `${line.name} · weld ${line.weld} · ${line.joint}` : line.name;
  document.title = `${line.name} · Toeline`;
  find("note").value = "";
  find("why").value = "";
  find("scale").textContent = "";
  say("");
  showList();
  showDecision();
  history.start({});
  showMoves();
  if (line.problem) return;
  try {
    const item = await get(`/api/items/${encodeURIComponent(id)}`);
    if (desk.item.line !== line) return;
    show(item);
  } catch (problem) {
    if (desk.item.line !== line) return;
    find("blank").textContent = problem.message;
    find("stamp").textContent = "Cannot be opened";
  }
}

function show(item) {
  desk.items = desk.items.map((line) => (line.id === item.line.id ? item.line : line));
  desk.item = item;
  desk.moves = item.moves;
  history.start(item.moves);
  find("blank").hidden = true;
  view.show(item.size, around(item.handles, item.lines, item.size));
  take(item);
  showList();
  showDecision();
  takeDraft();
  showMoves();
  find("fusion-key").hidden = item.lines.fusion.length === 0;
  const scale = item.calibration;
  find("scale").textContent = scale ? `${scale.mm_per_px.toPrecision(4)} mm per px` : "profile, no picture";
  if (item.picture) pictures(item);
}

// What was moved and written is not lost by looking at another weld; it is kept in this page alone.
function keepDraft() {
  if (!desk.weld) return;
  const draft = { moves: desk.moves, note: find("note").value, why: find("why").value };
  if (draft.note || draft.why || !sameMoves()) drafts.set(desk.item.line.id, draft);
  else drafts.delete(desk.item.line.id);
}

function takeDraft() {
  const draft = drafts.get(desk.item.line.id);
  if (!draft) return;
  find("note").value = draft.note;
  find("why").value = draft.why;
  if (told(draft.moves) === told(desk.moves)) return;
  history.push(draft.moves, "draft");
  setMoves(draft.moves);
}

async function pictures(item) {
  for (const size of ["small", "full"]) {
    if (size === "full" && view.small && view.small.width >= item.size[0]) break;
    try {
      const bitmap = await picture(item.line.id, size);
      if (desk.item !== item) return;
      view[size] = bitmap;
      view.redraw();
    } catch {
      if (desk.item === item && !view.small) {
        find("blank").hidden = false;
        find("blank").textContent = "The picture cannot be shown: it may have been changed since it was measured.";
      }
      return;
    }
  }
}

// The part of the picture round the weld.
function around(handles, lines, size) {
  const near = Object.entries(handles).flatMap(([name, points]) => (name.includes("plate") ? points.slice(0, 1) : points));
  const points = [...near, ...lines.face.flat()];
  const [xs, ys] = [points.map((p) => p[0]), points.map((p) => p[1])];
  const box = [Math.min(...xs), Math.min(...ys), Math.max(...xs), Math.max(...ys)];
  const margin = 0.28 * Math.max(box[2] - box[0], box[3] - box[1]);
  return [Math.max(0, box[0] - margin), Math.max(0, box[1] - margin), Math.min(size[0], box[2] + margin), Math.min(size[1], box[3] + margin)];
}

// Take over what the desk measured; the answer is late where points were moved on since it was asked for.
function take(content, late = false) {
  // While a hand moves a point, gauges keep the reading they had, and pale.
  const waiting = desk.weld && desk.weld.gauges && !content.weld.gauges;
  desk.weld = waiting ? { ...content.weld, gauges: desk.weld.gauges } : content.weld;
  find("values").classList.toggle("waiting", Boolean(waiting));
  desk.lines = content.lines;
  overlay.setLines(desk.item.outlines, content.lines);
  overlay.setHandles(content.handles, desk.moves, late);
  desk.handles = content.handles;
  showSheet();
}

function showSheet() {
  if (!desk.weld) return;
  const moved = Object.keys(desk.moves).length > 0;
  find("values").classList.toggle("stale", desk.bad);
  showValues(find("values"), {
    item: desk.item, weld: desk.weld, found: moved ? desk.item.found : null, system: desk.system, chosen: desk.chosen, drawable: new Set(Object.keys(desk.lines.values)),
    choose: (name) => {
      desk.chosen = name;
      overlay.mark(name);
      showSheet();
    },
  });
}

// ---- moves

function moved(changes, done) {
  desk.moves = { ...desk.moves, ...changes };
  desk.moving = !done;
  if (done) history.push(desk.moves, Object.keys(changes).join());
  showMoves();
  measure();
}

function setMoves(moves) {
  desk.moves = moves;
  desk.moving = false;
  showMoves();
  measure();
}

function showMoves() {
  const locked = !desk.weld || (decided() && !desk.again);
  overlay.locked = locked;
  find("overlay").classList.toggle("locked", locked);
  find("undo").disabled = locked || !history.canUndo;
  find("redo").disabled = locked || !history.canRedo;
  const changed = Object.keys(desk.moves).length > 0;
  find("reset").disabled = locked || !changed;
  const corrected = !sameMoves();
  find("confirm").textContent = corrected ? "Correct and confirm" : "Confirm";
  find("why").required = corrected;
  find("stamp").classList.toggle("moved", corrected);
  if (desk.weld && (!decided() || desk.again)) find("stamp").textContent = corrected ? "Proposal, points moved, not confirmed" : "Proposal, not confirmed";
}

const told = (moves) => JSON.stringify(Object.entries(moves || {}).sort());
const sameMoves = () => told(desk.moves) === told(desk.item && desk.item.moves);
const decided = () => Boolean(desk.item && desk.item.line.state !== "waiting");

const sent = () => Object.fromEntries(Object.entries(desk.moves).map(([name, points]) => [name, name.includes("plate") ? points : points[0]]));

async function measure() {
  if (desk.busy) {
    desk.pending = true;
    return;
  }
  const { item, moves } = desk;
  desk.busy = true;
  try {
    const content = await post(`/api/items/${encodeURIComponent(item.line.id)}/measure`, { moves: sent(), moving: desk.moving });
    if (desk.item === item) {
      // What a decision still needs stays on the page: only what points were blamed for is taken back.
      if (desk.bad) say("");
      desk.bad = false;
      take(content, desk.moves !== moves);
      if (!desk.pending && desk.moves === moves) tell(content.weld);
    }
  } catch (problem) {
    if (desk.item === item) {
      desk.bad = true;
      say(problem.message);
      if (desk.handles) overlay.setHandles(desk.handles, desk.moves, true);
      showSheet();
    }
  } finally {
    desk.busy = false;
    if (desk.pending) {
      desk.pending = false;
      measure();
    }
  }
}

// For a screen reader: the first values, once the hand rests.
let resting = null;
function tell(weld) {
  clearTimeout(resting);
  resting = setTimeout(() => {
    const first = Object.values(weld.measurements).filter((value) => value.state === "measured" && value.unit === "mm").slice(0, 3);
    find("told").textContent = first.map((value) => `${value.label} ${value.value.toFixed(2)} mm`).join(", ");
  }, 700);
}

// ---- the decision

function showDecision() {
  const closed = decided() && !desk.again;
  const openable = Boolean(desk.weld);
  find("fields").hidden = closed;
  find("after").hidden = !closed;
  find("decision").dataset.state = closed ? desk.item.line.state : "waiting";
  for (const id of ["note", "why", "who", "confirm", "reject"]) find(id).disabled = !openable;
  const next = nextWaiting(desk.item && desk.item.line.id);
  find("next").disabled = !next;
  find("next").textContent = next ? "Next" : "Nothing more waits";
  if (closed) {
    const { decided: by, record, state } = desk.item.line;
    const stamp = find("stamp");
    stamp.replaceChildren(make("b", {}, state === "confirmed" ? "Confirmed" : "Rejected"), by ? ` by ${by.who}, ${by.at.slice(0, 16).replace("T", " ")} UTC` : "",
      record ? make("span", { class: "record" }, `record ${record}`) : "", by && by.why ? make("span", { class: "reason" }, by.why) : "");
  } else if (!openable) {
    find("stamp").textContent = desk.item && desk.item.line.problem ? "Cannot be opened" : "";
  }
}

function say(text) {
  find("trouble").textContent = text;
}

async function decide(decision) {
  if (!desk.weld || desk.deciding) return;
  const need = (id, text) => {
    if (find(id).value.trim()) return true;
    find(id).setAttribute("aria-invalid", "true");
    find(id).focus();
    say(text);
    return false;
  };
  for (const id of ["who", "why"]) find(id).removeAttribute("aria-invalid");
  const corrected = !sameMoves();
  if (decision === "confirm" && desk.bad) return say("These points give no values: move them until they do, or reject.");
  if (decision === "reject" && !need("why", "Say why it is rejected.")) return;
  if (decision === "confirm" && corrected && !need("why", "Say why the points were moved: the reason is kept with them.")) return;
  if (!need("who", "Write your name: a decision belongs to a person.")) return;
  const { item } = desk;
  desk.deciding = true;
  try {
    const line = await post(`/api/items/${encodeURIComponent(item.line.id)}/decision`, {
      decision, who: find("who").value, why: find("why").value || null, note: find("note").value || null, moves: decision === "reject" && desk.bad ? {} : sent(),
    });
    desk.items = desk.items.map((other) => (other.id === line.id ? line : other));
    if (desk.item !== item) return showList();
    item.line = line;
    item.moves = desk.moves;
    drafts.delete(line.id);
    desk.again = false;
    find("note").value = "";
    find("why").value = "";
    say("");
    find("told").textContent = `${line.state}, record ${line.record}`;
    showList();
    showDecision();
    history.start(desk.moves);
    showMoves();
    (find("next").disabled ? find("again") : find("next")).focus();
  } catch (problem) {
    say(problem.message + (problem instanceof Refusal && problem.status === 409 ? " Open it again from the list." : ""));
  } finally {
    desk.deciding = false;
  }
}

// ---- buttons and keys

find("decision").addEventListener("submit", (event) => {
  event.preventDefault();
  decide("confirm");
});
find("reject").addEventListener("click", () => decide("reject"));
find("next").addEventListener("click", () => {
  const next = nextWaiting(desk.item.line.id);
  if (next) open(next.id);
});
find("again").addEventListener("click", () => {
  desk.again = true;
  showDecision();
  showMoves();
});
find("undo").addEventListener("click", () => setMoves(history.undo()));
find("redo").addEventListener("click", () => setMoves(history.redo()));
find("reset").addEventListener("click", () => {
  history.push({}, "reset");
  setMoves({});
});
find("in").addEventListener("click", () => view.zoom(1.5));
find("out").addEventListener("click", () => view.zoom(1 / 1.5));
find("weld").addEventListener("click", showWeld);
find("whole").addEventListener("click", () => view.whole());
find("metric").addEventListener("click", () => setSystem("metric"));
find("inch").addEventListener("click", () => setSystem("inch"));
find("close").addEventListener("click", async () => {
  try {
    await post("/api/close", {});
  } catch {
    // It is closed already.
  }
  document.body.replaceChildren(make("main", { class: "closed" }, make("h1", {}, "The desk is closed."), make("p", {}, "Decisions are in the records. Start toeline review again to go on.")));
});

function showWeld() {
  if (desk.weld) view.fit(around(desk.handles, desk.lines, desk.item.size));
}

function setSystem(system) {
  desk.system = system;
  for (const name of ["metric", "inch"]) find(name).setAttribute("aria-pressed", String(name === system));
  showSheet();
}

document.addEventListener("keydown", (event) => {
  const typing = event.target.matches("input, textarea");
  const letter = event.key.toLowerCase();
  if ((event.ctrlKey || event.metaKey) && !typing && (letter === "z" || letter === "y")) {
    event.preventDefault();
    const button = letter === "y" || event.shiftKey ? find("redo") : find("undo");
    if (!button.disabled) button.click();
  } else if (!typing && !event.ctrlKey && !event.metaKey && !event.altKey) {
    if (event.key === "+" || event.key === "=") view.zoom(1.5);
    if (event.key === "-") view.zoom(1 / 1.5);
    if (event.key === "0") showWeld();
  }
});

load().catch((problem) => {
  find("blank").hidden = false;
  find("blank").textContent = problem.message;
});
