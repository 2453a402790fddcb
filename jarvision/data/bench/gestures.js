// The lines of one jar: as the program keeps them, and what was done on this page since.
//
// A gesture says what its lines were before and what they are after; gestures wait in a queue, one
// is sent at a time, with the newest version. Where somebody else was quicker, their lines are
// taken over and the gesture is sent again on top; where both moved the same line, we ask.
// Heights (`at`) count from the floor that was read, so that moving the floor moves no other line.

export const isTop = (what) => what !== "floor" && what !== "water";
// What is drawn on a photo has points; of an outline a photo has one, of parts left out as many.
const keyOf = ({ what, reading, photo, points }) => (
  points ? `${what} ${photo} ${what === "outline" ? "" : points}` : isTop(what) ? `${what} ${reading ?? ""}` : what
);
const isSame = (a, b) => {
  if (!a || !b) return !a && !b;
  return a.points ? String(a.points) === String(b.points) : Math.abs(a.at - b.at) < 0.02;
};
const wait = (ms) => new Promise((done) => setTimeout(done, ms));

function apply(lines, gestures) {
  const made = new Map(lines);
  for (const { after } of gestures) {
    for (const [key, one] of after) if (one) made.set(key, one); else made.delete(key);
  }
  return made;
}

function fromProgram(lines) {
  const floor = lines.find((one) => one.what === "floor");
  const off = floor ? floor.mm : 0;
  return new Map(lines.map((one) => [keyOf(one), one.points ? one : { ...one, at: one.what === "floor" ? one.mm : one.mm + off }]));
}

function toProgram(lines) {
  const off = lines.has("floor") ? lines.get("floor").at : 0;
  return [...lines.values()].map((one) => (one.points ? one : { ...one, mm: one.what === "floor" ? one.at : one.at - off }));
}

export class Desk {
  // `program` has read() -> jar and keep(version, lines) -> jar; `page` is told what happens.
  constructor(program, page) {
    Object.assign(this, { program, page, queue: [], past: [], future: [], draft: null, asked: null, busy: false });
    this.know({ lines: [], version: "" });
  }

  know({ lines, version }) { this.kept = fromProgram(lines); this.version = version; }

  get isIdle() { return !this.queue.length && !this.draft && !this.asked; }

  get lines() { return apply(this.kept, this.draft ? [...this.queue, this.draft] : this.queue); }

  get plain() { return toProgram(this.lines); }

  find(what, reading) {
    const { lines } = this;
    return isTop(what) ? lines.get(`${what} ${reading}`) || lines.get(`${what} `) : lines.get(what);
  }

  // Move a line; the gesture goes on until it is done. A line of all photos gives way to one.
  move(one) {
    const old = this.find(one.what, one.reading);
    this.draft ||= { before: new Map(), after: new Map() };
    if (old && keyOf(old) !== keyOf(one)) this.#change(keyOf(old), null);
    this.#change(keyOf(one), one);
  }

  // Something drawn on a photo comes, goes, or takes the place of what was drawn before.
  draw(one, old = null) {
    this.done();
    this.draft = { before: new Map(), after: new Map() };
    if (old) this.#change(keyOf(old), null);
    if (one) this.#change(keyOf(one), one);
    this.done();
  }

  areas(photo) { return [...this.lines.values()].filter((one) => one.points && one.photo === photo); }

  #change(key, one) {
    const { before, after } = this.draft;
    if (!before.has(key)) before.set(key, this.lines.get(key) || null);
    after.set(key, one);
  }

  done() {
    if (!this.draft) return;
    this.queue.push(this.draft);
    this.past.push(this.draft);
    this.draft = null;
    this.future = [];
    this.#send();
  }

  drop() { this.draft = null; }

  // Something else was done on the page, which undo() and redo() of its own take back and repeat.
  did(one) {
    this.done();
    this.past.push(one);
    this.future = [];
  }

  clear() {
    this.done();
    const { lines } = this;
    if (!lines.size) return;
    this.draft = { before: lines, after: new Map([...lines.keys()].map((key) => [key, null])) };
    this.done();
  }

  undo() {
    this.done();
    const last = this.past.pop();
    if (!last) return;
    this.future.push(last);
    if (last.undo) { last.undo(); return; }
    this.queue.push({ before: last.after, after: last.before });
    this.#send();
  }

  redo() {
    this.done();
    const next = this.future.pop();
    if (!next) return;
    this.past.push(next);
    if (next.redo) { next.redo(); return; }
    this.queue.push(next);
    this.#send();
  }

  async #send() {
    if (this.busy) return;
    this.busy = true;
    while (this.queue.length && !this.asked) {
      const [first] = this.queue;
      try {
        const next = await this.program.keep(this.version, toProgram(apply(this.kept, [first])));
        this.queue.shift();
        this.know(next);
        this.page.kept(next);
      } catch (error) {
        if (error.status === 409) await this.#meet();
        else if (error.status === 422) await this.#refused(first, error);
        else { this.page.waits(error); await wait(2000); }
      }
    }
    this.busy = false;
  }

  async #read() {
    for (;;) {
      try { return await this.program.read(); } catch (error) { this.page.waits(error); await wait(2000); }
    }
  }

  async #refused(gesture, error) {
    this.queue = this.queue.filter((one) => one !== gesture);
    this.past = this.past.filter((one) => one !== gesture);
    const next = await this.#read();
    this.know(next);
    this.page.refused(next, error);
  }

  async #meet() {
    const before = this.kept;
    const next = await this.#read();
    this.know(next);
    const keys = new Set([...before.keys(), ...this.kept.keys()]);
    const theirs = [...keys].filter((key) => !isSame(before.get(key), this.kept.get(key)));
    const own = apply(this.kept, this.queue);
    const moved = (key) => this.queue.some(({ after }) => after.has(key));
    const both = theirs.filter((key) => moved(key) && !isSame(own.get(key), this.kept.get(key)));
    for (const key of theirs) { // undoing one's own gesture brings back theirs
      const first = this.queue.find(({ after }) => after.has(key));
      if (first) first.before.set(key, this.kept.get(key) || null);
    }
    const told = (key) => this.kept.get(key) || { ...before.get(key), gone: true };
    if (both.length) this.asked = both;
    this.page.met(next, theirs.map(told), both.map((key) => ({ theirs: told(key), own: own.get(key) || null })));
  }

  answer(own) {
    if (!this.asked) return;
    const without = (one) => { if (one.undo) return true; for (const key of this.asked) { one.after.delete(key); one.before.delete(key); } return one.after.size; };
    if (!own) {
      this.queue = this.queue.filter(without);
      this.past = this.past.filter(without);
      this.future = this.future.filter(without);
    }
    this.asked = null;
    this.#send();
  }
}
