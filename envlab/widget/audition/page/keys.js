// Keys that work wherever the focus is in the widget. What a field needs itself is left to it.

const BOARDS = ["board_a", "board_b", "digital"];
const WRITES = new Set(["text", "number", "file", "search", "email", "url"]);

export function writesText(element) {
  return element.tagName === "TEXTAREA" || (element.tagName === "INPUT" && WRITES.has(element.type));
}

const MARKS = { b: "begin", e: "end", w: "whole" };

// What a key means: "play", "seek", "undo", "redo", "begin", "end", "whole", a board to show, or "" for the
// browser's own meaning.
export function meaningOf({ key, target, repeat, ctrlKey, metaKey, altKey, shiftKey }) {
  if (altKey || writesText(target)) return "";
  if (ctrlKey || metaKey) return key.toLowerCase() === "z" ? (shiftKey ? "redo" : "undo") : "";
  if (key === " ") {
    if (target.dataset?.key === "play_anyway" || target.dataset?.key === "play_steady") return repeat ? "none" : "";
    return repeat ? "none" : "play";
  }
  // In a list, letters and numbers look for an option.
  if (/^[123]$/.test(key) && target.tagName !== "SELECT") return BOARDS[Number(key) - 1];
  if (key in MARKS && target.tagName !== "SELECT") return repeat ? "none" : MARKS[key];
  return target.dataset?.key === "seek" ? "seek" : "";
}

// actions: {play(), seek(key) → handled, show(board), undo(), redo(), begin(), end(), whole()}
export function listenForKeys(root, actions) {
  // A notebook takes arrows and letters for itself, unless the very element in focus forbids it.
  root.addEventListener("focusin", (event) => event.target.setAttribute("data-lm-suppress-shortcuts", "true"));
  root.addEventListener("keydown", (event) => {
    const meaning = meaningOf(event);
    if (meaning === "") return;
    if (meaning === "seek" && !actions.seek(event.key)) return;
    if (BOARDS.includes(meaning)) actions.show(meaning);
    else if (meaning !== "seek") actions[meaning]?.();
    event.preventDefault();
    event.stopPropagation();
  });
  // A button is pressed when Space comes up again; then Space has played already.
  root.addEventListener("keyup", (event) => {
    if (event.key === " " && meaningOf(event) === "play") event.preventDefault();
  });
}
