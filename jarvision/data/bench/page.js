import { element, frame, heightAt, path, rightEnd } from "./glass.js";

const NAMES = { sand: "top of the sand", silt: "top of the silt", clay: "top of the clay", floor: "inside floor", water: "water line" };
const SD_MM = 0.5;
const $ = (id) => document.getElementById(id);
let jar = null, shown = 0, lines = [], past = [], future = [], runs = -1;

function say(words, wrong = false) {
  $("said").textContent = words;
  $("said").classList.toggle("wrong", wrong);
}

async function ask(path, options = {}) {
  const answer = await fetch(path, options).catch(() => null);
  if (!answer) throw new Error("The program does not answer any more; start jarvision bench again.");
  const kind = answer.headers.get("content-type") || "";
  if (!answer.ok) {
    const words = kind.includes("json") ? (await answer.json()).sentence : await answer.text();
    throw Object.assign(new Error(words || "That did not work; load the page again."), { status: answer.status });
  }
  return answer.json();
}

const send = (path, method, body) => ask(path, { method, body: JSON.stringify(body), headers: { "content-type": "application/json" } });

// --- all jars -----------------------------------------------------------------------------------

function html(name, attributes = {}, ...children) {
  const made = document.createElement(name);
  Object.assign(made, attributes);
  made.append(...children);
  return made;
}

async function showAll() {
  const { jars, ...doing } = await ask("api/jars");
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
  $("phones").hidden = !doing.phone;
  if (doing.phone && !$("code").src) $("code").src = "phone.svg";
  told(doing, jars.length);
}

function told(doing, count) {
  runs = doing.runs;
  if (doing.reading) say("Reading photos …");
  else if (doing.said) say(doing.said, true);
  else if (!jar && !count) say("No jars yet: add the photos of one.");
  else say("");
}

async function look() {
  try {
    const doing = await ask("api/doing");
    if (doing.runs !== runs) {
      if (jar) { const same = jar.version; const next = await ask(`api/jar/${encodeURIComponent(jar.stem)}`); if (same === next.version && !held) take(next); told(doing, 1); }
      else await showAll();
    } else if (doing.reading) say("Reading photos …");
  } catch (error) { say(error.message, true); }
  setTimeout(look, 1500);
}

// --- one jar ------------------------------------------------------------------------------------

async function showJar(stem) {
  jar = await ask(`api/jar/${encodeURIComponent(stem)}`);
  past = []; future = []; shown = jar.photos.length - 1;
  take(jar);
}

function take(next) {
  jar = next;
  lines = next.lines.map((one) => ({ ...one }));
  drawn(next.result);
  $("title").textContent = next.title;
  document.title = next.title;
  $("photos").replaceChildren(...next.photos.map((photo, i) => {
    const made = html("button", { type: "button", textContent: photo.when });
    made.setAttribute("aria-pressed", i === shown);
    made.addEventListener("click", () => { shown = i; take({ ...jar, lines }); });
    return made;
  }));
  const weight = next.weight;
  $("weight").textContent = !weight.holds ? "By weight: being worked out again …" : weight.soil ? `By weight, estimated: ${weight.soil} (${weight.odds}).` : weight.not_weighed;
  $("doubts").replaceChildren(...(next.doubts.length ? next.doubts : ["Nothing unusual."]).map((words) => html("li", { textContent: words })));
  drawPhoto();
}

function drawn(result) {
  jar.result = result;
  $("soil").textContent = result.soil;
  $("odds").textContent = `On the glass, by height: ${result.odds}.`;
  $("shares").replaceChildren(...["clay", "silt", "sand"].map((layer) => {
    const i = ["sand", "silt", "clay"].indexOf(layer);
    const { mm, sd_mm: sd } = result.tops[i];
    const share = result.pcts[i];
    const top = jar.scaled ? `${mm.toFixed(1)} ± ${(1.64 * sd).toFixed(1)} mm` : "no scale";
    return html("tr", {}, html("th", { scope: "row", textContent: layer }), html("td", { textContent: top }), html("td", { textContent: `${share.pct.toFixed(0)} ± ${(1.64 * share.sd).toFixed(0)} %` }));
  }));
  $("bar").replaceChildren(...["sand", "silt", "clay"].map((layer, i) => {
    const part = html("span", { className: layer });
    part.style.flexGrow = Math.max(result.pcts[i].pct, 0);
    return part;
  }));
  $("byhand").replaceChildren(...(lines.length ? lines : [null]).map((one) => html("li", { textContent: one ? said(one) : "Nothing." })));
  $("undo").disabled = !past.length;
  $("redo").disabled = !future.length;
  $("back").disabled = !lines.length;
}

function said(one) {
  const photo = jar.photos.find((each) => each.reading === one.reading);
  const unit = jar.scaled ? ` at ${one.mm.toFixed(1)} mm` : "";
  return `${NAMES[one.what]}${unit}${photo && one.what in { sand: 1, silt: 1, clay: 1 } ? `, photo at ${photo.when}` : ""}${one.by ? `, by ${one.by}` : ""}`;
}

const photoNow = () => jar.photos[shown];
const isTop = (what) => what !== "floor" && what !== "water";
const mine = (what) => lines.find((one) => one.what === what && (!isTop(what) || one.reading === null || one.reading === photoNow().reading));

// Heights in the picture count from the floor that was read; those of lines from the one in force.
const floorMm = () => (mine("floor") ? mine("floor").mm : 0);

function places() {
  const photo = photoNow();
  const found = [{ what: "floor", mm: floorMm() }];
  if (jar.result.water_mm !== null) found.push({ what: "water", mm: jar.result.water_mm + floorMm() });
  photo.tops.forEach((top, i) => {
    const now = jar.result.photos[shown][i];
    found.push({ what: top.what, mm: (mine(top.what) ? mine(top.what).mm : now.mm) + floorMm(), older: i < photo.tops.length - 1 });
  });
  const water = found.find((one) => one.what === "water");
  if (water && mine("water")) water.mm = mine("water").mm + floorMm();
  return found;
}

function drawPhoto() {
  const photo = photoNow();
  const svg = $("photo");
  if (!photo.glass) { svg.replaceChildren(); say("Read these photos again to see their lines on them.", true); return; }
  const focused = document.activeElement && document.activeElement.dataset ? document.activeElement.dataset.what : "";
  const [x, y, w, h] = frame(photo.glass, photo.size_px);
  svg.setAttribute("viewBox", `${x} ${y} ${w} ${h}`);
  const source = `api/jar/${encodeURIComponent(jar.stem)}/photo/${shown}`;
  const image = () => element("image", { href: source, x: -0.5, y: -0.5, width: photo.size_px[1], height: photo.size_px[0], preserveAspectRatio: "none" });
  if (svg.dataset.source !== source) {
    svg.dataset.source = source;
    svg.replaceChildren(image(), element("g", { id: "lines" }));
    $("lens").replaceChildren(image(), element("use", { href: "#lines" }));
  }
  const made = [];
  photo.tops.forEach((top) => {
    if (mine(top.what)) return;
    top.or_here.filter((one) => one.odds > 0.02).forEach((one) => {
      const group = line({ what: top.what, mm: one.mm }, "here");
      group.setAttribute("role", "button");
      group.setAttribute("aria-label", `Put the ${NAMES[top.what]} here: ${one.mm.toFixed(1)} mm, odds ${(10 * one.odds).toFixed(1)} in 10`);
      const accept = () => { remember(); put(top.what, one.mm); keep(); };
      group.addEventListener("click", accept);
      group.addEventListener("keydown", (event) => { if (event.key === "Enter" || event.key === " ") { event.preventDefault(); accept(); } });
      made.push(group);
    });
  });
  places().forEach((one) => made.push(dragged(one)));
  document.getElementById("lines").replaceChildren(...made);
  if (focused) { const again = svg.querySelector(`.line:not(.here)[data-what="${focused}"]`); if (again) again.focus({ preventScroll: true }); }
}

function line(one, kind) {
  const d = path(photoNow().glass, one.mm);
  const group = element("g", { class: `line ${one.what} ${kind}`, tabindex: 0, "data-what": kind === "here" ? "" : one.what },
    element("path", { class: "edge", d }), element("path", { class: "core", d }), element("path", { class: "grip", d }));
  const [x, y] = rightEnd(photoNow().glass, one.mm);
  const view = $("photo").viewBox.baseVal;
  const size = view.width / 32;
  const words = kind === "here" ? "or here" : `${one.what}${jar.scaled && isTop(one.what) ? ` ${(one.mm - floorMm()).toFixed(1)}` : ""}`;
  const tag = element("text", { class: "tag", x: 0, y: 0, transform: `translate(${x + size * (kind === "here" ? 5 : 0.5)} ${y + size * (one.what === "floor" ? 1.1 : 0.3)}) scale(${size})` }, words);
  group.append(tag);
  return group;
}

let held = null, timer = 0, busy = false, again = false;

function dragged(one) {
  const group = line(one, one.older ? "older" : "own");
  group.setAttribute("role", "slider");
  group.setAttribute("aria-orientation", "vertical");
  const tell = (mm) => {
    group.setAttribute("aria-valuenow", mm.toFixed(1));
    group.setAttribute("aria-valuetext", `${mm.toFixed(1)} mm`);
  };
  group.setAttribute("aria-label", NAMES[one.what]);
  group.setAttribute("aria-valuemin", "-15");
  group.setAttribute("aria-valuemax", photoNow().glass.heights_mm.at(-1));
  tell(one.what === "floor" ? one.mm : one.mm - floorMm());
  group.querySelector(".grip").addEventListener("pointerdown", (event) => {
    event.preventDefault();
    group.focus({ preventScroll: true });
    const [x, y] = spot(event);
    held = { what: one.what, id: event.pointerId, off: heightAt(photoNow().glass, x, y) - one.mm, moved: false };
    group.classList.add("held");
    $("photo").setPointerCapture(event.pointerId);
    magnify(event);
  });
  group.addEventListener("keydown", (event) => {
    const step = { ArrowUp: 1, ArrowDown: -1 }[event.key];
    if (!step) return;
    event.preventDefault();
    if (!event.repeat) remember();
    const now = places().find((each) => each.what === one.what).mm;
    put(one.what, now + step * (event.shiftKey ? 1 : 0.1));
    drawPhoto(); attempt();
    clearTimeout(timer); timer = setTimeout(keep, 500);
  });
  return group;
}

function spot(event) {
  const at = new DOMPoint(event.clientX, event.clientY).matrixTransform($("photo").getScreenCTM().inverse());
  return [at.x, at.y];
}

function remember() { past.push(lines.map((one) => ({ ...one }))); future = []; }

function put(what, mm) {
  const floor = floorMm();
  const others = lines.filter((one) => one !== mine(what));
  if (what === "floor") {
    // the tops and the water stay where they are in the picture
    lines = others.map((one) => ({ ...one, mm: one.mm + floor - mm }));
    lines.push({ what, reading: photoNow().reading, mm, sd_mm: SD_MM, by: $("by").value });
  } else {
    lines = [...others, { what, reading: photoNow().reading, mm: mm - floor, sd_mm: SD_MM, by: $("by").value }];
  }
}

$("photo").addEventListener("pointermove", (event) => {
  if (!held || event.pointerId !== held.id) return;
  const [x, y] = spot(event);
  if (!held.moved) { remember(); held.moved = true; }
  put(held.what, heightAt(photoNow().glass, x, y) - held.off);
  drawPhoto(); magnify(event); attempt();
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
  try {
    drawn(await send(`api/jar/${encodeURIComponent(jar.stem)}/try`, "POST", { lines }));
    if (!held) drawPhoto();
    say("");
  } catch (error) { say(error.message, true); }
  busy = false;
  if (again) { again = false; attempt(); }
}

async function keep() {
  clearTimeout(timer);
  try {
    take(await send(`api/jar/${encodeURIComponent(jar.stem)}/lines`, "PUT", { version: jar.version, lines, by: $("by").value }));
    say("Kept.");
  } catch (error) {
    if (error.status === 409 || error.status === 422) { past = error.status === 409 ? [] : past.slice(0, -1); future = []; take(await ask(`api/jar/${encodeURIComponent(jar.stem)}`)); }
    say(error.message, true);
  }
}

function step(from, to) {
  if (!from.length) return;
  to.push(lines); lines = from.pop(); keep();
}
$("undo").addEventListener("click", () => step(past, future));
$("redo").addEventListener("click", () => step(future, past));
$("back").addEventListener("click", () => { remember(); lines = []; keep(); });
document.addEventListener("keydown", (event) => {
  if (!jar || !(event.ctrlKey || event.metaKey) || event.key.toLowerCase() !== "z" || event.target.tagName === "INPUT") return;
  event.preventDefault();
  if (event.shiftKey) step(future, past); else step(past, future);
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
addEventListener("hashchange", go);
await go();
setTimeout(look, 1500);
