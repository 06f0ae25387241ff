// The lines over the picture and the points that a person can move: mouse, finger, pen or arrow keys.

import { draw } from "./dom.js";

const REACH = 26;
const HINT = "Drag a point, or Tab and arrows";
const LABELS = {
  toe_left: "toe, left",
  toe_right: "toe, right",
  plate_left: "plate line, left",
  plate_right: "plate line, right",
  root: "root",
  root_toe_left: "toe of the root side, left",
  root_toe_right: "toe of the root side, right",
  root_plate_left: "plate line of the root side, left",
  root_plate_right: "plate line of the root side, right",
  root_edge_left: "root edge, left",
  root_edge_right: "root edge, right",
};
const SHAPES = {
  triangle: "M0-11 L9.5 6.5 H-9.5 Z",
  circle: "M-9 0 A9 9 0 1 1 9 0 A9 9 0 1 1 -9 0 Z",
  square: "M-8-8 H8 V8 H-8 Z",
  diamond: "M0-8 L8 0 L0 8 L-8 0 Z",
};

function shapeOf(name) {
  if (name.includes("plate")) return "diamond";
  if (name === "root" || name.includes("edge")) return "square";
  return name.endsWith("left") ? "triangle" : "circle";
}

// The names that a hand on this point moves: the root takes both plate lines along.
function ledBy(handle) {
  return handle.name === "root" ? ["root", "plate_left", "plate_right"] : [handle.name];
}

export class Overlay {
  // moved(name, points, done) is called with the new points of a handle; done tells that the hand has let go.
  constructor({ svg, lines, marks, handles, loupe, spot, view, moved }) {
    Object.assign(this, { svg, lines, marks, group: handles, loupe, spot, view, moved });
    this.handles = [];
    this.led = [];
    this.drag = null;
    this.locked = false;
    const pane = view.pane;
    pane.addEventListener("pointerdown", (event) => this.down(event));
    pane.addEventListener("pointermove", (event) => this.move(event));
    for (const end of ["pointerup", "pointercancel"]) pane.addEventListener(end, (event) => this.up(event));
  }

  clear() {
    this.lines.replaceChildren();
    this.marks.replaceChildren();
    this.group.replaceChildren();
    this.handles = [];
    this.led = [];
    this.shown = null;
    this.chosen = null;
    this.drag = null;
    this.loupe.hidden = true;
    this.spot.textContent = HINT;
  }

  setLines(outlines, lines) {
    const path = (points, name) => draw("path", { class: name, d: `M${points.map((p) => p.join(" ")).join("L")}` });
    const both = (points, name) => [path(points, `under ${name}`), path(points, `line ${name}`)];
    this.lines.replaceChildren(
      ...outlines.flatMap((points) => [path(points, "line outline")]),
      ...lines.plate.flatMap((points) => both(points, "plate")),
      ...lines.chord.flatMap((points) => both(points, "chord")),
      ...(lines.fusion || []).flatMap((points) => both(points, "fusion")),
      ...lines.face.flatMap((points) => both(points, "face")),
    );
    this.shown = lines.values;
    this.mark(this.chosen);
  }

  // Show the distance that a value is.
  mark(name) {
    this.chosen = name;
    const segments = (name && this.shown && this.shown[name]) || [];
    this.marks.replaceChildren(
      ...segments.flatMap((points) => {
        const d = `M${points.map((p) => p.join(" ")).join("L")}`;
        return [draw("path", { class: "under mark", d }), draw("path", { class: "line mark", d })];
      }),
    );
  }

  // An answer to moves that are older than the last one does not put back what was led since.
  setHandles(handles, kept = {}, late = false) {
    if (!late) this.led = [];
    const wanted = Object.entries(handles).flatMap(([name, points]) => points.map((_, index) => `${name}/${index}`));
    if (wanted.join() !== this.handles.map((handle) => handle.key).join()) this.rebuild(handles);
    for (const handle of this.handles) {
      const points = kept[handle.name] || handles[handle.name];
      if (this.led.includes(handle.name) || (this.drag && this.drag.names.includes(handle.name))) continue;
      handle.at = points[handle.index];
    }
    this.place();
  }

  rebuild(handles) {
    this.handles = Object.entries(handles).flatMap(([name, points]) =>
      points.map((at, index) => {
        const d = SHAPES[shapeOf(name)];
        const element = draw(
          "g",
          { class: `handle ${shapeOf(name)}`, tabindex: "0", role: "button", "data-name": name, "data-index": index },
          draw("circle", { class: "touch", r: 22 }),
          draw("path", { class: "halo", d }),
          draw("path", { class: "shape", d }),
          draw("path", { class: "cross", d: "M-3.5 0H3.5M0-3.5V3.5" }),
        );
        const label = LABELS[name] + (points.length > 1 ? `, ${index === 0 ? "near" : "far"} point` : "");
        const handle = { key: `${name}/${index}`, name, index, at, element, label };
        element.addEventListener("keydown", (event) => this.key(event, handle));
        element.addEventListener("focus", () => this.focus(handle));
        element.addEventListener("blur", () => {
          if (this.drag) return;
          this.loupe.hidden = true;
          this.spot.textContent = HINT;
        });
        return handle;
      }),
    );
    this.group.replaceChildren(...this.handles.map((handle) => handle.element));
  }

  place() {
    const { k, x, y } = this.view;
    const transform = `translate(${x} ${y}) scale(${k}) translate(0.5 0.5)`;
    this.lines.setAttribute("transform", transform);
    this.marks.setAttribute("transform", transform);
    for (const handle of this.handles) {
      const [sx, sy] = this.view.toScreen(handle.at);
      handle.element.setAttribute("transform", `translate(${sx.toFixed(2)} ${sy.toFixed(2)})`);
      const where = `x ${handle.at[0].toFixed(1)}, y ${handle.at[1].toFixed(1)} px`;
      handle.element.setAttribute("aria-label", `${handle.label}, ${where}`);
    }
    const active = this.drag ? this.drag.handle : this.handles.find((handle) => handle.element === document.activeElement);
    if (active) this.look(active);
  }

  focus(handle) {
    if (!this.drag) this.view.reach(handle.at);
    this.look(handle);
  }

  // The loupe shows what a finger hides.
  look(handle) {
    this.spot.textContent = `${handle.label}: ${handle.at[0].toFixed(1)}, ${handle.at[1].toFixed(1)} px`;
    if (!this.view.small && !this.view.full) return;
    const ratio = window.devicePixelRatio || 1;
    const side = 176;
    this.loupe.hidden = false;
    if (this.loupe.width !== side * ratio) this.loupe.width = this.loupe.height = side * ratio;
    const [sx, sy] = this.view.toScreen(handle.at);
    this.loupe.classList.toggle("right", sx < side + 50 && sy < side + 50);
    const context = this.loupe.getContext("2d");
    const k = Math.min(48, Math.max(6, 4 * this.view.k)) * ratio;
    const middle = (side * ratio) / 2;
    const x = middle - (handle.at[0] + 0.5) * k;
    const y = middle - (handle.at[1] + 0.5) * k;
    this.view.paint(context, side * ratio, side * ratio, k, x, y);
    for (const [colour, width] of [["#ffffffb0", 3], ["#1d4f91", 1]]) {
      context.strokeStyle = colour;
      context.lineWidth = width * ratio;
      context.beginPath();
      for (const [dx, dy] of [[1, 0], [-1, 0], [0, 1], [0, -1]]) {
        context.moveTo(middle + dx * 6 * ratio, middle + dy * 6 * ratio);
        context.lineTo(middle + dx * middle, middle + dy * middle);
      }
      context.stroke();
    }
  }

  nearest(event) {
    const frame = this.view.pane.getBoundingClientRect();
    const at = [event.clientX - frame.left, event.clientY - frame.top];
    let best = null;
    let least = REACH;
    for (const handle of this.handles) {
      const [x, y] = this.view.toScreen(handle.at);
      const distance = Math.hypot(x - at[0], y - at[1]);
      if (distance < least) [best, least] = [handle, distance];
    }
    return best;
  }

  down(event) {
    if (event.button !== 0) return;
    const handle = this.drag || this.view.fingers.size || this.locked ? null : this.nearest(event);
    this.view.pane.setPointerCapture(event.pointerId);
    event.preventDefault();
    if (!handle) {
      if (document.activeElement && document.activeElement !== document.body) document.activeElement.blur();
      this.view.down(event);
      return;
    }
    this.drag = { handle, id: event.pointerId, from: [event.clientX, event.clientY], at: handle.at, names: ledBy(handle), far: false };
    this.start = new Map(this.handles.map((other) => [other.key, other.at]));
    handle.element.focus({ preventScroll: true });
    handle.element.classList.add("held");
  }

  move(event) {
    if (!this.drag || event.pointerId !== this.drag.id) {
      this.view.move(event);
      return;
    }
    const dx = event.clientX - this.drag.from[0];
    const dy = event.clientY - this.drag.from[1];
    // A touch that only means to choose a point does not move it.
    if (!this.drag.far && Math.hypot(dx, dy) < 3) return;
    this.drag.far = true;
    const at = [this.drag.at[0] + dx / this.view.k, this.drag.at[1] + dy / this.view.k];
    this.shift(this.drag.handle, at, this.start, false);
  }

  up(event) {
    this.view.up(event);
    if (!this.drag || event.pointerId !== this.drag.id) return;
    const { handle, far } = this.drag;
    this.drag = null;
    handle.element.classList.remove("held");
    if (far) this.shift(handle, handle.at, this.start, true);
    if (event.pointerType === "touch") this.loupe.hidden = true;
  }

  key(event, handle) {
    const ways = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
    const way = ways[event.key];
    if (!way || this.locked || event.ctrlKey || event.altKey || event.metaKey) return;
    event.preventDefault();
    const step = event.shiftKey ? 1 : 0.1;
    const start = new Map(this.handles.map((other) => [other.key, other.at]));
    this.shift(handle, [handle.at[0] + way[0] * step, handle.at[1] + way[1] * step], start, true);
    this.view.reach(handle.at);
  }

  // Move one handle; the root takes both plate lines along in parallel, so that they meet where it is.
  shift(handle, at, start, done) {
    const [width, height] = this.view.size;
    const inside = ([x, y]) => [Math.min(width - 1, Math.max(0, x)), Math.min(height - 1, Math.max(0, y))];
    const rounded = (point) => inside(point).map((part) => Math.round(part * 1000) / 1000);
    handle.at = rounded(at);
    this.led = ledBy(handle);
    if (handle.name !== "root") {
      const points = this.handles.filter((other) => other.name === handle.name).map((other) => other.at);
      this.place();
      this.moved({ [handle.name]: points }, done);
      return;
    }
    const from = start.get(handle.key);
    const by = [handle.at[0] - from[0], handle.at[1] - from[1]];
    const changes = {};
    for (const name of ["plate_left", "plate_right"]) {
      const ends = this.handles.filter((other) => other.name === name);
      const [a, b] = ends.map((end) => start.get(end.key));
      const length = Math.hypot(b[0] - a[0], b[1] - a[1]);
      const normal = [-(b[1] - a[1]) / length, (b[0] - a[0]) / length];
      const across = by[0] * normal[0] + by[1] * normal[1];
      for (const end of ends) {
        const old = start.get(end.key);
        end.at = rounded([old[0] + across * normal[0], old[1] + across * normal[1]]);
      }
      changes[name] = ends.map((end) => end.at);
    }
    this.place();
    this.moved(changes, done);
  }
}
