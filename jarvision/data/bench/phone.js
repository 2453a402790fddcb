import { $, asker, say } from "./asking.js";

const DUE = [[60, "1 minute"], [7200, "2 hours"], [172800, "48 hours"]];
let shaken = {}, ahead = 0, waiting = null, runs = -1, rung = true, sound = null;

const ask = asker("The teacher's computer does not answer; stay in its network and try again.");

const key = () => $("jar").value.trim();
const since = () => Date.now() / 1000 + ahead - shaken[key()];

// An older answer may come after a newer one: the later shake of each jar counts.
function known(answer) {
  for (const [jar, at] of Object.entries(answer.shaken_s)) shaken[jar] = Math.max(at, shaken[jar] ?? 0);
  ahead = answer.now_s - Date.now() / 1000;
  tick();
}

function ring() {
  if (navigator.vibrate) navigator.vibrate([300, 150, 300]);
  if (!sound) return;
  const tone = sound.createOscillator();
  tone.connect(sound.destination);
  tone.start();
  tone.stop(sound.currentTime + 0.7);
}

function tick() {
  const running = key() && key() in shaken;
  $("count").textContent = "";
  $("due").replaceChildren();
  if (!running) return;
  const passed = since();
  const left = Math.ceil(60 - passed);
  if (left > 0) { rung = false; $("count").textContent = `${left} s`; }
  else if (!rung) { rung = true; ring(); }
  if (left <= 0 && left > -60) $("count").textContent = "Now";
  $("due").replaceChildren(...DUE.map(([after, words]) => {
    const item = document.createElement("li");
    const at = new Date(1000 * (shaken[key()] + after - ahead));
    item.textContent = `${words}: ${at.toLocaleString([], { weekday: "short", hour: "2-digit", minute: "2-digit" })}`;
    return item;
  }));
}

$("jar").value = localStorage.getItem("jar") || "";
$("jar").addEventListener("input", () => { localStorage.setItem("jar", key()); waiting = null; show(null); tick(); });
$("shaken").addEventListener("click", async () => {
  const answer = ask("api/shaken", { method: "PUT", body: JSON.stringify({ jar: key() }) });
  // sound may only begin with a tap, and may take long or fail: the clock does not wait for it
  try { sound = sound || (window.AudioContext ? new AudioContext() : null); } catch { sound = null; }
  try { known(await answer); say("The clock runs."); } catch (error) { say(error.message, true); }
});

$("camera").addEventListener("change", async (event) => {
  const [file] = event.target.files;
  if (!file) return;
  say("Sending …");
  try {
    const { name } = await ask("api/photos", { method: "POST", body: file, headers: { "x-photo-name": encodeURIComponent(file.name), "x-jar": encodeURIComponent(key()), "content-type": "application/octet-stream" } });
    waiting = name;
    show(null);
    say("It is there. Looking at it …");
  } catch (error) { say(error.message, true); }
  event.target.value = "";
});

function show(tile, runs) {
  $("verdict").textContent = tile ? tile.verdict : "";
  $("why").textContent = tile ? tile.sentence || tile.check : "";
  $("drawn").hidden = !(tile && tile.overlay);
  if (tile && tile.overlay) $("drawn").src = `overlay/${encodeURIComponent(tile.overlay)}?${runs}`;
}

async function look() {
  try {
    const mine = waiting; // a photo that is sent meanwhile is looked for the next time
    const doing = await ask("api/doing");
    const lasts = doing.waited_for.includes(mine);
    if (mine && mine === waiting && (!lasts || doing.runs !== runs)) {
      runs = doing.runs;
      const { jars } = await ask("api/jars");
      const tile = jars.find((one) => one.photos.includes(waiting));
      if (!tile && lasts) { setTimeout(look, 1000); return; }
      waiting = null;
      if (tile) { show(tile, doing.runs); say(""); }
      else say("This photo could not be used; take it again, with the whole jar and its strip in it.", true);
    }
  } catch (error) { say(error.message, true); }
  setTimeout(look, 2000);
}

// Until here a tap would have been lost, on a slow network with a jar that was just shaken.
for (const name of ["jar", "shaken", "camera"]) $(name).disabled = false;
say("");
try { known(await ask("api/shaken")); } catch (error) { say(error.message, true); }
setInterval(tick, 250);
look();
