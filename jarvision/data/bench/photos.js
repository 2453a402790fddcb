// What is said of a photo: which jar it shows, when it was taken, that it shows none.

export function html(name, attributes = {}, ...children) {
  const made = document.createElement(name);
  Object.assign(made, attributes);
  made.append(...children);
  return made;
}

const WORDS = { jar: (value) => `jar ${value}`, taken: (value) => `taken ${value}`, "no jar": () => "no jar" };
export const told = (what, { value, by }) => `${WORDS[what](value)}${by ? `, by ${by}` : ""}`;

const picture = (file) => html("img", { src: `api/photo/${encodeURIComponent(file.digest)}`, alt: "", loading: "lazy", width: 96, height: 72 });

// `say(file, what, value)` writes it down; null takes back what was said.
export function fileItem(file, say) {
  const said = (what) => file.said[what]?.value ?? "";
  const box = (what, words, attributes) => {
    const input = html("input", { maxLength: 80, autocomplete: "off", ...attributes });
    const known = input.value;
    input.dataset.known = known;
    input.addEventListener("change", () => {
      const typed = input.value.trim();
      input.blur();
      if (typed && typed !== known) say(file, what, typed);
      else if (!typed && file.said[what]) say(file, what, null);
      else input.value = known;
    });
    return html("label", {}, words, input);
  };
  const jar = box("jar", "Shows jar ", { value: said("jar") || file.jar });
  jar.lastChild.setAttribute("list", "known");
  const taken = box("taken", "Taken ", { value: said("taken"), placeholder: file.when });
  const none = html("button", { type: "button", textContent: "This is no jar" });
  none.addEventListener("click", () => say(file, "no jar", ""));
  const back = Object.keys(file.said).map((what) => {
    const button = html("button", { type: "button", textContent: "Back to what was read" });
    button.setAttribute("aria-label", `Back to what was read: ${file.photo}, ${told(what, file.said[what])}`);
    button.addEventListener("click", () => say(file, what, null));
    return html("p", { className: "hint" }, `Put right by hand: ${told(what, file.said[what])} `, button);
  });
  const item = html("li", {}, picture(file), html("div", {}, html("strong", { textContent: file.photo }), jar, taken, none, ...back));
  item.setAttribute("aria-label", file.photo);
  return item;
}

// Show photos anew, unless somebody types there; whoever stands on a control stays on it.
export function filled(list, items) {
  const at = document.activeElement;
  if (list.contains(at) && "known" in at.dataset && at.value !== at.dataset.known) return;
  const place = [...list.querySelectorAll("input, button")].indexOf(at);
  list.replaceChildren(...items);
  if (place >= 0) list.querySelectorAll("input, button")[place]?.focus({ preventScroll: true });
}

export function leftOutItem(row, say) {
  const back = html("button", { type: "button", textContent: "Take it back" });
  back.setAttribute("aria-label", `Take ${row.photo} back`);
  back.addEventListener("click", () => say(row, "no jar", null));
  return html("li", {}, picture(row), html("div", {}, html("strong", { textContent: row.photo }), row.by ? ` by ${row.by} ` : " ", back));
}
