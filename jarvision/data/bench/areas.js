// What is drawn on a photo: the jar's outline, by a few handles, and parts that are left out.
// Places are parts of the photo's width and height [%], so that they hold at any size.

import { element } from "./glass.js";

const ENDS = ["upper left end of the wall", "upper right end of the wall", "lower right end of the wall", "lower left end of the wall"];
const GRIPS = { left: [0, 3], right: [1, 2], floor: [2, 3, 4] };
const USUAL = [[32, 25], [68, 25], [67, 70], [33, 70], [50, 75]];
const ARROWS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
const LEAST = 1;

const within = (value) => Math.round(Math.min(Math.max(value, 0), 100) * 1000) / 1000;

// The outline with one of its parts moved: a wall to the side, the floor along the walls, an end or all anywhere.
function moved(points, part, dx, dy) {
  const made = points.map((point) => [...point]);
  const shift = (i, x, y) => { made[i] = [within(points[i][0] + x), within(points[i][1] + y)]; };
  if (part === "all") points.forEach((_, i) => shift(i, dx, dy));
  else if (part === "left" || part === "right") GRIPS[part].forEach((i) => shift(i, dx, 0));
  else if (part === "floor") {
    for (const [low, high] of [[2, 1], [3, 0]]) {
      const lean = (points[low][0] - points[high][0]) / (points[low][1] - points[high][1]);
      shift(low, lean * dy, dy);
    }
    shift(4, 0, dy);
  } else shift(Number(part), dx, dy);
  return made;
}

const corners = ([[x1, y1], [x2, y2]]) => [[Math.min(x1, x2), Math.min(y1, y2)], [Math.max(x1, x2), Math.max(y1, y2)]].map((point) => point.map(within));

export class Areas {
  // `page` gives svg, spot(event), photo(), size(), desk(), by(), magnify(event), lens, and redraw() and keep().
  constructor(page) {
    Object.assign(this, { page, mode: "", held: null, draft: null, timer: 0 });
    page.svg.addEventListener("pointerdown", (event) => this.#down(event));
    page.svg.addEventListener("pointermove", (event) => this.#move(event));
    for (const end of ["pointerup", "pointercancel"]) page.svg.addEventListener(end, (event) => this.#up(event, end === "pointerup"));
  }

  choose(mode, byKeyboard = false) {
    this.#settle();
    this.mode = this.mode === mode ? "" : mode;
    this.draft = null;
    this.page.svg.classList.toggle("drawing", Boolean(this.mode));
    this.page.svg.classList.toggle("outlining", this.mode === "outline");
    if (this.mode === "left out" && byKeyboard) {
      const { x, y, width, height } = this.page.svg.viewBox.baseVal;
      const place = (px, py) => this.#pct([px, py]);
      this.draft = corners([place(x + 0.4 * width, y + 0.4 * height), place(x + 0.6 * width, y + 0.6 * height)]);
    }
    this.page.redraw();
    if (byKeyboard) this.page.svg.querySelector("[data-part]")?.focus();
  }

  get outline() {
    const photo = this.page.photo();
    const own = this.page.desk().areas(photo.name).find((one) => one.what === "outline");
    return own ? own.points : photo.outline || USUAL;
  }

  // What of the photo is shown while the outline is drawn: all of it where nothing was found.
  frame() {
    const photo = this.page.photo();
    const [high, wide] = this.page.size();
    const points = this.page.desk().areas(photo.name).find((one) => one.what === "outline")?.points || photo.outline;
    if (!points) return [0, 0, wide, high];
    const xs = points.map(([x]) => x), ys = points.map(([, y]) => y);
    const beside = 0.35 * (Math.max(...xs) - Math.min(...xs)), over = 0.25 * (Math.max(...ys) - Math.min(...ys));
    const left = Math.max(Math.min(...xs) - beside, 0), right = Math.min(Math.max(...xs) + beside, 100);
    const top = Math.max(Math.min(...ys) - over, 0), bottom = Math.min(Math.max(...ys) + over, 100);
    return [(left * wide) / 100, (top * high) / 100, ((right - left) * wide) / 100, ((bottom - top) * high) / 100];
  }

  draw() {
    const { page } = this;
    const made = page.desk().areas(page.photo().name).filter((one) => one.what === "left out").map((one) => this.#box(one.points, "leftout"));
    if (this.draft) made.push(this.#newBox());
    if (this.mode === "outline") made.push(this.#outline(this.held?.points || this.outline));
    return made;
  }

  #px([x, y]) {
    const [high, wide] = this.page.size();
    return [(x / 100) * wide - 0.5, (y / 100) * high - 0.5];
  }

  #pct([x, y]) {
    const [high, wide] = this.page.size();
    return [within(((x + 0.5) / wide) * 100), within(((y + 0.5) / high) * 100)];
  }

  #box(points, kind) {
    const [[x1, y1], [x2, y2]] = corners(points).map((point) => this.#px(point));
    return element("rect", { class: kind, x: x1, y: y1, width: x2 - x1, height: y2 - y1 });
  }

  #newBox() {
    const box = this.#box(this.draft, "leftout new");
    if (this.held) return box;
    this.#handle(box, "box", "Part to leave out: move it with the arrow keys, size it with shift, press Enter to leave it out");
    return box;
  }

  #outline(points) {
    const [a, b, c, d, floor] = points.map((point) => this.#px(point));
    const line = (from, to) => `M${from.join(" ")}L${to.join(" ")}`;
    const middle = [(c[0] + d[0]) / 2, (c[1] + d[1]) / 2];
    const turn = Math.atan2(c[1] - d[1], c[0] - d[0]) * (180 / Math.PI);
    const half = Math.hypot(c[0] - d[0], c[1] - d[1]) / 2;
    const sag = Math.abs(floor[1] - middle[1]);
    const curve = `M${d.join(" ")}A${half} ${Math.max(sag, 0.01)} ${turn} 0 ${floor[1] >= middle[1] ? 0 : 1} ${c.join(" ")}`;
    const group = element("g", { class: "outline" });
    const edge = (part, path, name) => {
      const made = element("g", { class: "wall" }, ...["edge", "core", "grip"].map((kind) => element("path", { class: kind, d: path })));
      group.append(this.#handle(made, part, name));
    };
    group.append(this.#handle(element("path", { class: "inside", d: `M${[a, b, c, d].map((point) => point.join(" ")).join("L")}Z` }), "all", "whole outline"));
    edge("left", line(a, d), "left wall");
    edge("right", line(b, c), "right wall");
    if (!this.page.photo().strip) edge("floor", curve, "inside floor");
    const size = this.page.svg.viewBox.baseVal.width / 60;
    [a, b, c, d].forEach(([cx, cy], i) => group.append(this.#handle(element("circle", { class: "end", cx, cy, r: size }), String(i), ENDS[i])));
    return group;
  }

  #handle(made, part, name) {
    for (const [key, value] of Object.entries({ tabindex: 0, role: "button", "data-part": part, "aria-label": name })) made.setAttribute(key, value);
    made.addEventListener("keydown", (event) => this.#key(event, part));
    return made;
  }

  #key(event, part) {
    const step = ARROWS[event.key];
    if (part === "box" && event.key === "Enter") { event.preventDefault(); this.#keepBox(); }
    if (event.key === "Escape") { this.draft = null; this.held = null; this.page.redraw(); }
    if (!step) return;
    event.preventDefault();
    const [dx, dy] = step.map((by) => by * (part === "box" || event.shiftKey ? 1 : 0.1));
    if (part === "box") {
      const [from, to] = this.draft;
      this.draft = [event.shiftKey ? from : [from[0] + dx, from[1] + dy], [to[0] + dx, to[1] + dy]].map((point) => point.map(within));
      this.page.redraw();
      return;
    }
    this.held = { points: moved(this.held?.points || this.outline, part, dx, dy) };
    this.page.redraw();
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.#settle(), 700);
  }

  #settle() {
    clearTimeout(this.timer);
    if (this.held?.points) this.#keepOutline(this.held.points);
  }

  #down(event) {
    if (!this.mode || this.held?.id !== undefined) return;
    const { page } = this;
    const part = event.target.closest("[data-part]")?.dataset.part;
    if (this.mode === "outline" && !part) return;
    event.preventDefault();
    this.#settle();
    const at = this.#pct(page.spot(event));
    this.held = { id: event.pointerId, part, at, first: this.outline, points: null, moved: false };
    if (this.mode === "left out") this.draft = [at, at];
    page.svg.setPointerCapture(event.pointerId);
    if (part) page.svg.querySelector(`[data-part="${part}"]`)?.focus({ preventScroll: true });
    page.magnify(event);
  }

  #move(event) {
    const { held, page } = this;
    if (!held || held.id !== event.pointerId) return;
    const at = this.#pct(page.spot(event));
    held.moved = true;
    if (this.mode === "left out") this.draft = [held.at, at];
    else held.points = moved(held.first, held.part, at[0] - held.at[0], at[1] - held.at[1]);
    page.redraw();
    page.magnify(event);
  }

  #up(event, isKept) {
    const { held, page } = this;
    if (!held || held.id !== event.pointerId) return;
    page.lens.hidden = true;
    this.held = null;
    if (!isKept || !held.moved) this.draft = null;
    if (isKept && held.moved && this.mode === "outline") this.#keepOutline(held.points);
    else if (isKept && held.moved) this.#keepBox();
    else page.redraw();
  }

  #keepOutline(points) {
    this.held = null;
    const { page } = this;
    page.desk().draw({ what: "outline", photo: page.photo().name, points, sd_mm: page.sdMm(), by: page.by() });
    page.keep();
  }

  #keepBox() {
    const { page } = this;
    const points = corners(this.draft);
    this.draft = null;
    if (points[1][0] - points[0][0] >= LEAST && points[1][1] - points[0][1] >= LEAST / 2) {
      page.desk().draw({ what: "left out", photo: page.photo().name, points, by: page.by() });
      this.choose(this.mode);
      page.keep();
    } else page.redraw();
  }
}
