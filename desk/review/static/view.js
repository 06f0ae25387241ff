// The picture on the screen: zoom, pan, pinch. Picture points count from the centre of the first pixel.

const LARGEST = 64;

export class View {
  constructor(pane, canvas, changed) {
    this.pane = pane;
    this.canvas = canvas;
    this.changed = changed;
    this.size = [1, 1];
    this.small = null;
    this.full = null;
    this.k = 1;
    this.x = 0;
    this.y = 0;
    this.box = null;
    this.fingers = new Map();
    new ResizeObserver(() => this.resized()).observe(pane);
    pane.addEventListener("wheel", (event) => this.wheel(event), { passive: false });
  }

  show(size, box) {
    this.size = size;
    this.small = null;
    this.full = null;
    this.box = box;
    this.fit(box);
  }

  get width() {
    return this.pane.clientWidth;
  }

  get height() {
    return this.pane.clientHeight;
  }

  toScreen([x, y]) {
    return [(x + 0.5) * this.k + this.x, (y + 0.5) * this.k + this.y];
  }

  toPicture([x, y]) {
    return [(x - this.x) / this.k - 0.5, (y - this.y) / this.k - 0.5];
  }

  whole() {
    this.fit([0, 0, this.size[0], this.size[1]]);
  }

  fit([x0, y0, x1, y1]) {
    this.box = [x0, y0, x1, y1];
    if (!this.width || !this.height) return;
    this.k = Math.min(LARGEST, this.width / Math.max(1, x1 - x0), this.height / Math.max(1, y1 - y0));
    this.x = this.width / 2 - (this.k * (x0 + x1)) / 2;
    this.y = this.height / 2 - (this.k * (y0 + y1)) / 2;
    this.redraw();
  }

  zoom(by, at = [this.width / 2, this.height / 2]) {
    const least = 0.5 * Math.min(this.width / this.size[0], this.height / this.size[1]);
    const k = Math.min(LARGEST, Math.max(least, this.k * by));
    this.x = at[0] - ((at[0] - this.x) * k) / this.k;
    this.y = at[1] - ((at[1] - this.y) * k) / this.k;
    this.k = k;
    this.box = null;
    this.redraw();
  }

  pan(dx, dy) {
    this.x += dx;
    this.y += dy;
    this.box = null;
    this.redraw();
  }

  // Bring a point of the picture into view.
  reach(point) {
    const [x, y] = this.toScreen(point);
    const edge = 48;
    const dx = x < edge ? edge - x : x > this.width - edge ? this.width - edge - x : 0;
    const dy = y < edge ? edge - y : y > this.height - edge ? this.height - edge - y : 0;
    if (dx || dy) this.pan(dx, dy);
  }

  wheel(event) {
    event.preventDefault();
    const frame = this.pane.getBoundingClientRect();
    const step = event.deltaMode === 1 ? event.deltaY * 16 : event.deltaY;
    // Two fingers on a touch pad come as small steps with Ctrl.
    this.zoom(Math.exp(-step / (event.ctrlKey ? 100 : 400)), [event.clientX - frame.left, event.clientY - frame.top]);
  }

  down(event) {
    this.fingers.set(event.pointerId, [event.clientX, event.clientY]);
  }

  move(event) {
    const before = this.fingers.get(event.pointerId);
    if (!before) return;
    const now = [event.clientX, event.clientY];
    if (this.fingers.size === 1) this.pan(now[0] - before[0], now[1] - before[1]);
    if (this.fingers.size === 2) {
      const other = [...this.fingers.entries()].find(([id]) => id !== event.pointerId)[1];
      const apart = (a, b) => Math.hypot(a[0] - b[0], a[1] - b[1]);
      const frame = this.pane.getBoundingClientRect();
      this.pan((now[0] - before[0]) / 2, (now[1] - before[1]) / 2);
      const middle = [(now[0] + other[0]) / 2 - frame.left, (now[1] + other[1]) / 2 - frame.top];
      this.zoom(apart(now, other) / Math.max(1, apart(before, other)), middle);
    }
    this.fingers.set(event.pointerId, now);
  }

  up(event) {
    this.fingers.delete(event.pointerId);
  }

  resized() {
    const ratio = window.devicePixelRatio || 1;
    this.canvas.width = Math.max(1, Math.round(this.width * ratio));
    this.canvas.height = Math.max(1, Math.round(this.height * ratio));
    if (this.box) this.fit(this.box);
    else this.redraw();
  }

  redraw() {
    if (this.waiting) return;
    this.waiting = true;
    requestAnimationFrame(() => {
      this.waiting = false;
      const ratio = window.devicePixelRatio || 1;
      this.paint(this.canvas.getContext("2d"), this.canvas.width, this.canvas.height, this.k * ratio, this.x * ratio, this.y * ratio);
      this.changed();
    });
  }

  // Draw the part of the picture that a canvas shows, from the small picture while that is fine enough.
  paint(context, width, height, k, x, y) {
    context.setTransform(1, 0, 0, 1, 0, 0);
    context.clearRect(0, 0, width, height);
    const fine = !this.small || k > this.small.width / this.size[0];
    const source = fine ? this.full || this.small : this.small;
    if (!source) return;
    context.imageSmoothingEnabled = k < 3;
    context.imageSmoothingQuality = "high";
    const sx = source.width / this.size[0];
    const sy = source.height / this.size[1];
    const x0 = Math.max(0, Math.floor(-x / k));
    const y0 = Math.max(0, Math.floor(-y / k));
    const x1 = Math.min(this.size[0], Math.ceil((width - x) / k));
    const y1 = Math.min(this.size[1], Math.ceil((height - y) / k));
    if (x1 <= x0 || y1 <= y0) return;
    context.drawImage(source, x0 * sx, y0 * sy, (x1 - x0) * sx, (y1 - y0) * sy, x0 * k + x, y0 * k + y, (x1 - x0) * k, (y1 - y0) * k);
  }
}
