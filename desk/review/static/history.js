// Undo and redo of moves. Nudges of one point in quick succession are one step.

const QUICK_MS = 900;

export class History {
  constructor() {
    this.start({});
  }

  start(moves) {
    this.steps = [moves];
    this.place = 0;
    this.last = null;
  }

  get now() {
    return this.steps[this.place];
  }

  push(moves, what) {
    const time = Date.now();
    const same = this.last && this.last.what === what && time - this.last.time < QUICK_MS && this.place > 0;
    this.steps.length = same ? this.place : this.place + 1;
    this.steps.push(moves);
    this.place = this.steps.length - 1;
    this.last = { what, time };
  }

  undo() {
    if (this.place > 0) this.place -= 1;
    this.last = null;
    return this.now;
  }

  redo() {
    if (this.place < this.steps.length - 1) this.place += 1;
    this.last = null;
    return this.now;
  }

  get canUndo() {
    return this.place > 0;
  }

  get canRedo() {
    return this.place < this.steps.length - 1;
  }
}
