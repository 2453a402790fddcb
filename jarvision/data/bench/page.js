import { Areas } from "./areas.js";
import { $, asker, say } from "./asking.js";
import { Desk, isTop } from "./gestures.js";
import { fileItem, filled, html, leftOutItem, told as toldOf } from "./photos.js";
import { element, frame, heightAt, labelled, path, rightEnd } from "./glass.js";

const NAMES = { sand: "top of the sand", silt: "top of the silt", clay: "top of the clay", floor: "inside floor", water: "water line", outline: "outline of the jar", "left out": "part that is left out" };
const desks = new Map();
let jar = null, desk = null, shown = 0, all = [], runs = -1, closer = false;

const ask = asker("The program does not answer any more; start jarvision bench again.");
const send = (path, method, body) => ask(path, { method, body: JSON.stringify(body), headers: { "content-type": "application/json" } });

// --- all jars -----------------------------------------------------------------------------------

async function showAll() {
  const { jars, left_out: leftOut, ...doing } = await ask("api/jars");
  $("jars").replaceChildren(...jars.map((one) => {
    const words = html("div", {}, html("strong", { textContent: one.title }), html("span", { textContent: one.soil }));
    if (one.odds) words.append(html("span", { className: "hint", textContent: one.odds }));
    const check = one.check || one.sentence;
    words.append(html("span", { className: one.check === "nothing unusual" ? "hint" : "check", textContent: check }));
    if (one.put_right.length) words.append(html("span", { className: "hint", textContent: `put right by hand: ${one.put_right.join(", ")}` }));
    const link = html("a", { href: `#${encodeURIComponent(one.stem)}` });
    if (one.overlay) link.append(html("img", { src: `overlay/${encodeURIComponent(one.overlay)}?${doing.runs}`, alt: "", loading: "lazy" }));
    link.append(words);
    return html("li", {}, link);
  }));
  $("known").replaceChildren(...jars.map((one) => html("option", { value: one.jar })));
  $("leftout").hidden = !leftOut.length;
  $("leftout").lastElementChild.replaceChildren(...leftOut.map((row) => leftOutItem(row, sayOf)));
  $("phones").hidden = !doing.phone;
  if (doing.phone && !$("code").src) $("code").src = "phone.svg";
  told(doing, jars.length);
}

function told(doing, count) {
  runs = doing.runs;
  if (doing.reading) say(progress(doing));
  else if (doing.said) say(doing.said, true);
  else if (!jar && !count) say("No jars yet: add the photos of one.");
  else say("");
}

const progress = ({ doing }) => `${doing || "Reading photos"} …`;

async function look() {
  try {
    const doing = await ask("api/doing");
    if (doing.runs !== runs) {
      if (jar) {
        const { stem } = jar, { version } = desk;
        const next = await ask(`api/jar/${encodeURIComponent(stem)}`);
        // a gesture that was kept meanwhile is newer than this answer
        if (jar && jar.stem === stem && desk.isIdle && desk.version === version) {
          const others = next.version !== desk.version;
          desk.know(next); take(next); told(doing, 1);
          if (others) say("Somebody else has put lines of this jar right; they are here.");
        }
      }
      else await showAll();
    } else if (doing.reading) say(progress(doing));
  } catch (error) {
    if (jar && error.status === 422) location.hash = "";
    say(error.message, true);
  }
  setTimeout(look, 1500);
}

// What is said of a photo stands in no jar's lines: it goes to the program at once.
async function sayOf(file, what, value) {
  const was = file.said ? file.said[what]?.value ?? null : file.value;
  const one = { photo: file.photo, digest: file.digest, jar: file.jar, what, by: $("by").value };
  const own = desk, of = jar && jar.stem;
  const put = async (to, from) => {
    let kept = true;
    await send("api/said", "PUT", { ...one, value: to, was: from }).catch((error) => { kept = false; say(error.message, true); });
    if (!jar) await showAll();
    else if (desk.isIdle) { const next = await ask(`api/jar/${encodeURIComponent(jar.stem)}`); if (jar && jar.stem === next.stem) { desk.know(next); take(next); } }
    if (kept) say("Kept.");
    return kept;
  };
  if (!(await put(value, was)) || !of) return;
  own.did({ undo: () => put(was, value), redo: () => put(value, was) });
  if (jar && jar.stem === of) byHand();
}

// --- one jar ------------------------------------------------------------------------------------

async function showJar(stem) {
  const next = await ask(`api/jar/${encodeURIComponent(stem)}`);
  if (!desks.has(stem)) desks.set(stem, deskOf(stem));
  desk = desks.get(stem);
  if (desk.isIdle) desk.know(next);
  all = [];
  take(next);
}

// A jar's gestures go on being kept when the page shows another; only the shown one is drawn.
function deskOf(stem) {
  const path = `api/jar/${encodeURIComponent(stem)}`;
  const own = (act) => (...given) => { if (jar && jar.stem === stem) act(...given); };
  const made = new Desk(
    { read: () => ask(path), keep: (version, lines) => send(`${path}/lines`, "PUT", { version, lines, by: $("by").value }) },
    {
      kept: own((next) => { if (desk.isIdle) { take(next); say("Kept."); } else { jar = { ...next, result: jar.result }; attempt(); } }),
      waits: own((error) => say(`Not kept yet, trying again: ${error.message}`, true)),
      refused: own((next, error) => { take(next); if (!desk.isIdle) attempt(); say(error.message, true); }),
      met: (next, theirs, both) => {
        made.words = clash(made, next.scaled, theirs, both);
        own(() => { take(next); attempt(); if (both.length) $("mine").focus(); else say(made.words); })();
      },
    },
  );
  return made;
}

function clash(one, scaled, theirs, both) {
  const off = one.find("floor") ? one.find("floor").at : 0;
  const called = ({ what, at, gone }) => `${NAMES[what]}${scaled && !gone && at !== undefined ? ` at ${(at - (what === "floor" ? 0 : off)).toFixed(1)} mm` : ""}`;
  const words = theirs.map((line) => `${line.by || "Somebody else"} ${line.gone ? "took back the" : "put the"} ${called(line)}`).join("; ");
  if (!both.length) return `${words}; yours is kept as well.`;
  return `${words}. You had ${both.map(({ own }) => (own ? `put the ${called(own)}` : "taken back that line")).join("; ")}.`;
}

for (const name of ["mine", "theirs"]) {
  $(name).addEventListener("click", () => { $("asked").hidden = true; desk.answer(name === "mine"); attempt(); drawPhoto(); });
}
addEventListener("beforeunload", (event) => { if ([...desks.values()].some((one) => !one.isIdle)) event.preventDefault(); });

function take(next) {
  const was = all[shown]?.name;
  jar = next;
  all = [...next.photos, ...next.unseen];
  shown = all.findIndex((photo) => photo.name === was);
  if (shown < 0) shown = (next.photos.length || all.length) - 1;
  const bare = !all.length;
  $("one").classList.toggle("bare", bare);
  $("whose").open ||= bare;
  filled($("of"), next.files.map((file) => fileItem(file, sayOf)));
  if (bare) { takeBare(next); return; }
  $("typed").hidden = !next.scaled;
  $("asked").hidden = !desk.asked;
  if (desk.asked) $("clash").textContent = desk.words;
  next.result.floor ??= floorOf(next.lines);
  drawn(next.result);
  $("title").textContent = next.title;
  document.title = next.title;
  $("photos").replaceChildren(...all.map((photo, i) => {
    const made = html("button", { type: "button", textContent: photo.when });
    made.setAttribute("aria-pressed", i === shown);
    made.addEventListener("click", () => { shown = i; take(jar); if (!desk.isIdle) attempt(); });
    return made;
  }));
  $("doubts").replaceChildren(...(next.doubts.length ? next.doubts : ["Nothing unusual."]).map((words) => html("li", { textContent: words })));
  drawPhoto();
}

// There are no lines to be moved: only whose photos these are can be said.
function takeBare(next) {
  $("title").textContent = document.title = next.title;
  $("asked").hidden = true;
  $("soil").textContent = next.soil;
  $("odds").textContent = next.sentence;
  $("shown").hidden = true;
  $("weight").textContent = "";
  $("photos").replaceChildren(...(next.overlay ? [html("img", { src: `overlay/${encodeURIComponent(next.overlay)}?${runs}`, alt: "The newest photo" })] : []));
  $("doubts").replaceChildren(...(next.doubts.length ? next.doubts : ["Nothing but what stands above."]).map((words) => html("li", { textContent: words })));
  byHand();
}

function drawn(result) {
  jar.result = result;
  $("shown").hidden = !result.tops;
  if (!result.tops) {
    $("soil").textContent = "not read";
    const next = result.missing.length ? `Or move each line in the photo to where you see it; missing: ${result.missing.join(", ")}.` : "Or put in the jar's outline by hand.";
    $("odds").textContent = `${jar.unread} ${next}`;
    $("weight").textContent = "";
    byHand();
    return;
  }
  called(result, jar.weight);
  if (!$("shares").contains(document.activeElement)) $("shares").replaceChildren(...["clay", "silt", "sand"].map((layer) => {
    const i = ["sand", "silt", "clay"].indexOf(layer);
    const { mm, range } = result.tops[i];
    const top = jar.scaled ? [heightBox(layer, mm), ` ${range}`] : ["no scale"];
    return html("tr", {}, html("th", { scope: "row", textContent: layer }), html("td", {}, ...top), html("td", { textContent: result.pcts[i].text }));
  }));
  soilAt.setAttribute("d", `M${result.triangle.point[0]} ${result.triangle.point[1]}h.01`);
  dots.setAttribute("d", result.triangle.dots.map(([x, y]) => `M${x} ${y}h.01`).join(""));
  $("bar").replaceChildren(...["sand", "silt", "clay"].map((layer, i) => {
    const part = html("span", { className: layer });
    part.style.flexGrow = Math.max(result.pcts[i].pct, 0);
    return part;
  }));
  byHand();
}

// As everywhere: by weight first, on the glass second.
function called(result, weight) {
  const isWeighed = weight.soil || !weight.holds;
  $("soil").textContent = !weight.holds ? "being worked out again …" : weight.soil || result.soil;
  $("odds").textContent = !weight.holds ? "By weight, estimated." : weight.soil ? `By weight, estimated: ${weight.odds}.` : `On the glass, by height: ${result.odds}.`;
  $("weight").textContent = isWeighed ? `On the glass, by height: ${result.soil} (${result.odds}).` : weight.not_weighed;
}

// Who measured a top on the glass types it.
function heightBox(layer, mm) {
  const box = html("input", { type: "number", step: "0.1", value: mm.toFixed(1) });
  box.setAttribute("aria-label", `${NAMES[layer]}, mm`);
  box.addEventListener("change", () => {
    const typed = box.valueAsNumber;
    box.blur();
    if (!Number.isFinite(typed)) return;
    desk.done();
    put(layer, typed + floorMm());
    keep();
  });
  return box;
}

function byHand() {
  const lines = desk.plain;
  const ofPhotos = jar.files.flatMap((file) => Object.entries(file.said).map(([what, one]) => html("li", { textContent: `${file.photo}: ${toldOf(what, one)}` })));
  const items = [...lines.map((one) => html("li", { textContent: said(one) }, ...(one.points ? [takeBack(one)] : []))), ...ofPhotos];
  $("byhand").replaceChildren(...(items.length ? items : [html("li", { textContent: "Nothing." })]));
  $("undo").disabled = !desk.past.length && !desk.draft;
  $("redo").disabled = !desk.future.length;
  $("one").setAttribute("aria-busy", !desk.isIdle);
  $("back").disabled = !lines.length;
}

function takeBack(one) {
  const made = html("button", { type: "button", textContent: "Take it back" });
  made.addEventListener("click", () => { desk.draw(null, one); changed(); });
  return made;
}

function said(one) {
  if (one.points) return `${NAMES[one.what]}, ${all.find((each) => each.name === one.photo)?.when || one.photo}${one.by ? `, by ${one.by}` : ""} `;
  const photo = jar.photos.find((each) => each.reading === one.reading);
  const unit = jar.scaled ? ` at ${one.mm.toFixed(1)} mm` : "";
  return `${NAMES[one.what]}${unit}${photo && one.what in { sand: 1, silt: 1, clay: 1 } ? `, photo at ${photo.when}` : ""}${one.by ? `, by ${one.by}` : ""}`;
}

const photoNow = () => all[shown];
const mine = (what) => desk.find(what, photoNow().reading);
const floorOf = (lines) => lines.find((one) => one.what === "floor")?.mm || 0;
const floorMm = () => (mine("floor") ? mine("floor").at : 0);

// Heights in the picture count from the floor that was read; those of a result from the one in force.
function places() {
  const photo = photoNow();
  const { floor, water_mm: water } = jar.result;
  const found = [{ what: "floor", mm: floorMm() }];
  const place = (what, now, start) => {
    const known = mine(what) || now !== null;
    return { what, mm: mine(what) ? mine(what).at : known ? now + floor : start, isNew: !known };
  };
  found.push(place("water", water, 100));
  photo.tops.forEach((top, i) => {
    found.push({ ...place(top.what, jar.result.photos[shown][i].mm, 12 * (i + 1)), older: i < photo.tops.length - 1 });
  });
  return found;
}

function drawPhoto() {
  const photo = photoNow();
  const svg = $("photo");
  const source = `api/jar/${encodeURIComponent(jar.stem)}/photo/${shown}?${encodeURIComponent(photo.name)}`;
  if (!photo.size_px) { sizeOf(photo, source); return; }
  const { what: focused, part } = document.activeElement?.dataset || {};
  const top = photo.glass && Math.max(...places().filter((one) => isTop(one.what)).map((one) => one.mm));
  const [x, y, w, h] = areas.mode === "outline" || !photo.glass ? areas.frame() : closer ? frame(photo.glass, photo.size_px, -5, top + 8) : frame(photo.glass, photo.size_px);
  svg.setAttribute("viewBox", `${x} ${y} ${w} ${h}`);
  const image = () => element("image", { href: source, x: -0.5, y: -0.5, width: photo.size_px[1], height: photo.size_px[0], preserveAspectRatio: "none" });
  if (svg.dataset.source !== source) {
    svg.dataset.source = source;
    const picture = image();
    // a picture that a busy computer could not make in time is asked for again
    picture.addEventListener("error", () => setTimeout(() => { if (picture.isConnected) picture.setAttribute("href", `${source}&${Date.now()}`); }, 3000));
    svg.replaceChildren(picture, element("g", { id: "lines" }));
    $("lens").replaceChildren(image(), element("use", { href: "#lines" }));
  }
  const made = [];
  photo.tops.forEach((top) => {
    if (mine(top.what)) return;
    const drawn = top.mark === null ? [] : [{ mm: top.mark, sd_mm: Math.max(top.mark_sd_mm ?? jar.hand_sd_mm.line, 0.2), isMark: true }];
    [...top.or_here.filter((one) => one.odds > 0.02), ...drawn].forEach((one) => {
      const group = line({ what: top.what, mm: one.mm, isMark: one.isMark }, "here");
      group.setAttribute("role", "button");
      group.setAttribute("aria-label", `Put the ${NAMES[top.what]} here: ${one.mm.toFixed(1)} mm, ${one.isMark ? "the mark on the glass" : `odds ${(10 * one.odds).toFixed(1)} in 10`}`);
      const accept = () => { desk.done(); put(top.what, one.mm, one.sd_mm); keep(); };
      group.addEventListener("click", accept);
      group.addEventListener("keydown", (event) => { if (event.key === "Enter" || event.key === " ") { event.preventDefault(); accept(); } });
      made.push(group);
    });
  });
  if (photo.glass) places().forEach((one) => made.push(dragged(one)));
  labelled(made).push(...areas.draw());
  for (const [name, mode] of MODES) $(name).setAttribute("aria-pressed", areas.mode === mode);
  $("how").textContent = MODES.find(([, mode]) => mode === areas.mode)?.[2] || "";
  document.getElementById("lines").replaceChildren(...made);
  if (focused) { const again = svg.querySelector(`.line:not(.here)[data-what="${focused}"]`); if (again) again.focus({ preventScroll: true }); }
  if (part) svg.querySelector(`[data-part="${part}"]`)?.focus({ preventScroll: true });
}

// A photo in which nothing was found tells its size when it comes.
function sizeOf(photo, source) {
  $("photo").replaceChildren();
  delete $("photo").dataset.source;
  const picture = new Image();
  picture.addEventListener("load", () => {
    photo.size_px = [picture.naturalHeight, picture.naturalWidth];
    if (jar && photoNow() === photo) drawPhoto();
  });
  picture.src = source;
}

function line(one, kind) {
  const d = path(photoNow().glass, one.mm);
  const group = element("g", { class: `line ${one.what} ${kind}`, tabindex: 0, "data-what": kind === "here" ? "" : one.what },
    element("path", { class: "edge", d }), element("path", { class: "core", d }), element("path", { class: "grip", d }));
  const [x, y] = rightEnd(photoNow().glass, one.mm);
  const view = $("photo").viewBox.baseVal;
  const size = view.width / 32;
  const words = one.isMark ? `mark of ${one.what}` : kind === "here" ? "or here" : one.isNew ? `${one.what}?` : `${one.what}${jar.scaled && isTop(one.what) ? ` ${(one.mm - floorMm()).toFixed(1)}` : ""}`;
  const tag = element("text", { class: "tag", x: 0, y: 0 }, words);
  tag.at = [x + size * 0.5, y + size * (one.what === "floor" ? 1.1 : 0.3), size];
  group.append(tag);
  return group;
}

let held = null, timer = 0, busy = false, again = false, refused = false;

function dragged(one) {
  const group = line(one, one.isNew ? "new own" : one.older ? "older" : "own");
  group.setAttribute("role", "slider");
  group.setAttribute("aria-orientation", "vertical");
  const tell = (mm) => {
    group.setAttribute("aria-valuenow", mm.toFixed(1));
    group.setAttribute("aria-valuetext", `${mm.toFixed(1)} mm`);
  };
  group.setAttribute("aria-label", `${NAMES[one.what]}${one.isNew ? ", not found: move it to where you see it" : ""}`);
  group.setAttribute("aria-valuemin", "-15");
  group.setAttribute("aria-valuemax", photoNow().glass.heights_mm.at(-1));
  tell(one.what === "floor" ? one.mm : one.mm - floorMm());
  group.querySelector(".grip").addEventListener("pointerdown", (event) => {
    event.preventDefault();
    desk.done();
    const [x, y] = spot(event);
    const at = heightAt(photoNow().glass, x, y);
    const near = places().reduce((best, each) => (Math.abs(each.mm - at) < Math.abs(best.mm - at) ? each : best), one);
    held = { what: near.what, id: event.pointerId, off: at - near.mm, moved: false };
    document.querySelector(`.line:not(.here)[data-what="${held.what}"]`).focus({ preventScroll: true });
    $("photo").setPointerCapture(event.pointerId);
    magnify(event);
  });
  group.addEventListener("keydown", (event) => {
    const step = { ArrowUp: 1, ArrowDown: -1 }[event.key];
    if (!step) return;
    event.preventDefault();
    const now = places().find((each) => each.what === one.what).mm;
    put(one.what, now + step * (event.shiftKey ? 1 : 0.1));
    changed();
    clearTimeout(timer); timer = setTimeout(keep, 500);
  });
  return group;
}

function spot(event) {
  const at = new DOMPoint(event.clientX, event.clientY).matrixTransform($("photo").getScreenCTM().inverse());
  return [at.x, at.y];
}

function put(what, at, sd = jar.hand_sd_mm[closer || visualViewport?.scale > 1.5 ? "closer" : "line"]) {
  const has = !isTop(what) || photoNow().tops.some((top) => top.what === what);
  const { reading } = has ? photoNow() : jar.photos.at(-1);
  desk.move({ what, reading, at, sd_mm: sd, by: $("by").value });
}

$("photo").addEventListener("pointermove", (event) => {
  if (!held || event.pointerId !== held.id) return;
  const [x, y] = spot(event);
  held.moved = true;
  put(held.what, heightAt(photoNow().glass, x, y) - held.off);
  changed(); magnify(event);
});
for (const end of ["pointerup", "pointercancel"]) {
  $("photo").addEventListener(end, (event) => {
    if (!held || event.pointerId !== held.id) return;
    const { moved } = held;
    held = null;
    $("lens").hidden = true;
    if (moved) keep(); else drawPhoto();
  });
}

function magnify(event) {
  const [x, y] = spot(event);
  const lens = $("lens");
  const box = document.querySelector(".pane").getBoundingClientRect();
  const view = $("photo").viewBox.baseVal;
  const wide = Math.max(view.width / 9, 60);
  lens.setAttribute("viewBox", `${x - wide / 2} ${y - wide / 2} ${wide} ${wide}`);
  const side = event.clientX - box.left > box.width / 2 ? 8 : box.width - 160;
  lens.style.left = `${side}px`;
  lens.style.top = `${Math.min(Math.max(event.clientY - box.top - 76, 0), box.height - 152)}px`;
  lens.hidden = false;
}

// One question at a time while a line is dragged; the latest place is always asked last.
async function attempt() {
  if (busy) { again = true; return; }
  busy = true;
  const { stem } = jar, lines = desk.plain;
  try {
    const result = await send(`api/jar/${encodeURIComponent(stem)}/try`, "POST", { lines });
    if (jar && jar.stem === stem) {
      drawn({ ...result, floor: floorOf(lines) });
      if (!held) drawPhoto();
      if (refused) say("");
      refused = false;
    }
  } catch (error) { refused = true; say(error.message, true); }
  busy = false;
  if (again) { again = false; if (jar) attempt(); }
}

function keep() {
  clearTimeout(timer);
  desk.done();
  changed();
}

function changed() { if (!all.length) { byHand(); return; } attempt(); byHand(); drawPhoto(); }

const areas = new Areas({
  svg: $("photo"), lens: $("lens"), spot, magnify,
  photo: photoNow, size: () => photoNow().size_px, desk: () => desk, by: () => $("by").value, sdMm: () => jar.hand_sd_mm.outline, redraw: () => drawPhoto(), keep: () => { changed(); say("Kept; reading again …"); },
});
const MODES = [
  ["outline", "outline", "Drag the outline, then its walls, their ends and the inside floor, to where you see them. With a strip the walls alone count."],
  ["leave", "left out", "Drag a box over a label or glare: the photo is read again without it."],
];
for (const [name, mode] of MODES) $(name).addEventListener("click", (event) => areas.choose(mode, event.detail === 0));

$("closer").addEventListener("click", (event) => {
  closer = !closer;
  event.target.setAttribute("aria-pressed", closer);
  drawPhoto();
});
$("undo").addEventListener("click", () => { desk.undo(); changed(); });
$("redo").addEventListener("click", () => { desk.redo(); changed(); });
$("back").addEventListener("click", () => { desk.clear(); changed(); });
document.addEventListener("keydown", (event) => {
  if (!jar || !(event.ctrlKey || event.metaKey) || event.key.toLowerCase() !== "z" || event.target.tagName === "INPUT") return;
  event.preventDefault();
  if (event.shiftKey) desk.redo(); else desk.undo();
  changed();
});

// --- photos -------------------------------------------------------------------------------------

async function add(files) {
  const all = [...files];
  let done = 0;
  const wrong = [];
  for (const file of all) {
    say(`Adding photos: ${done} of ${all.length}`);
    try {
      await ask("api/photos", { method: "POST", body: file, headers: { "x-photo-name": encodeURIComponent(file.name), "content-type": "application/octet-stream" } });
    } catch (error) { wrong.push(`${file.name}: ${error.message}`); }
    done += 1;
  }
  say(wrong.join(" ") || "Reading photos …", wrong.length > 0);
}
$("files").addEventListener("change", (event) => { add(event.target.files); event.target.value = ""; });
document.addEventListener("dragover", (event) => { event.preventDefault(); document.body.classList.add("dropping"); });
document.addEventListener("dragleave", () => document.body.classList.remove("dropping"));
document.addEventListener("drop", (event) => { event.preventDefault(); document.body.classList.remove("dropping"); add(event.dataTransfer.files); });

// --- where we are -------------------------------------------------------------------------------

async function go() {
  const stem = decodeURIComponent(location.hash.slice(1));
  $("all").hidden = Boolean(stem);
  $("one").hidden = !stem;
  try {
    if (stem) await showJar(stem);
    else { jar = null; $("title").textContent = "Jars"; document.title = "Jars"; await showAll(); }
    $("title").focus({ preventScroll: true });
  } catch (error) { jar = null; $("one").hidden = true; $("all").hidden = false; await showAll(); say(error.message, true); }
}
const dots = element("path", { class: "dots" }), soilAt = element("path", { class: "point" });
fetch("triangle.svg").then((answer) => answer.text()).then((text) => {
  const sheet = document.importNode(new DOMParser().parseFromString(text, "image/svg+xml").documentElement, true);
  sheet.append(dots, soilAt);
  $("triangle").replaceChildren(sheet);
});

addEventListener("hashchange", go);
await go();
setTimeout(look, 1500);
