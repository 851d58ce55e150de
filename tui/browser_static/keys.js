// Keys of a browser as a terminal sends them.

const NAMED = {
  Enter: "\r", Escape: "\x1b", Backspace: "\x7f", Tab: "\t",
  Delete: "\x1b[3~", Insert: "\x1b[2~", PageUp: "\x1b[5~", PageDown: "\x1b[6~",
  F1: "\x1bOP", F2: "\x1bOQ", F3: "\x1bOR", F4: "\x1bOS", F6: "\x1b[17~", F7: "\x1b[18~",
  F8: "\x1b[19~", F9: "\x1b[20~", F10: "\x1b[21~",
};
const MOVING = { ArrowUp: "A", ArrowDown: "B", ArrowRight: "C", ArrowLeft: "D", Home: "H", End: "F" };
const BROWSERS_OWN = "cijmnqrtwz";  // with ctrl: copy, reload, new tab and the like

// "" for what is left to the browser: F5, F11, F12, ctrl+R and the like.
export function sequence(event) {
  if (event.altKey || event.metaKey || event.isComposing) return "";
  if (event.ctrlKey) {
    const letter = event.key.toLowerCase();
    if (!/^[a-z]$/.test(letter) || BROWSERS_OWN.includes(letter)) return "";
    return String.fromCharCode(letter.charCodeAt(0) - 96);
  }
  if (event.key === "Tab" && event.shiftKey) return "\x1b[Z";
  if (event.key in MOVING) return `\x1b[${event.shiftKey ? "1;2" : ""}${MOVING[event.key]}`;
  if (event.key in NAMED) return NAMED[event.key];
  return Array.from(event.key).length === 1 ? event.key : "";
}
