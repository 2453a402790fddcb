// What both pages do: ask the program, and say how it went.

export const $ = (id) => document.getElementById(id);

export function say(words, wrong = false) {
  $("said").textContent = words;
  $("said").classList.toggle("wrong", wrong);
}

// `gone` is what is said where the program does not answer.
export const asker = (gone) => async (path, options = {}) => {
  const answer = await fetch(path, options).catch(() => null);
  if (!answer) throw new Error(gone);
  const kind = answer.headers.get("content-type") || "";
  if (!answer.ok) {
    const words = kind.includes("json") ? (await answer.json()).sentence : await answer.text();
    throw Object.assign(new Error(words || "That did not work; load the page again."), { status: answer.status });
  }
  return answer.json();
};
