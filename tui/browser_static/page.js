// The page: what is pressed goes out, what comes in is painted, and an old picture is called old.

import { sequence } from "./keys.js";
import { Link, OLD_MS } from "./link.js";
import { LEAST, MOST, Picture } from "./picture.js";
import { Screen } from "./screen.js";

const COLUMNS = 80, ROWS = 24;  // enough for every screen of the dashboard
const SAID_MS = 4000, TEXT_MS = 500, SETTLE_MS = 200, WATCH_MS = 50;
const ESCAPE = "\x1b";  // "hold now" on every screen, also where a space would be text
const WHEEL_UP = 64, WHEEL_DOWN = 65;
const at = (id) => document.getElementById(id);
const room = document.querySelector("main"), canvas = at("picture"), letters = at("letters");

const screen = new Screen(COLUMNS, ROWS), picture = new Picture(canvas);
let lost = "Opening.", clearSaid = 0, settle = 0, waiting = false, textOld = true;

const link = new Link({
  begin() { screen.reset(screen.columns, screen.rows); },
  picture(bytes) { screen.feed(bytes); paint(); },
  said(words) {
    at("said").textContent = words;
    clearTimeout(clearSaid);
    clearSaid = setTimeout(() => { at("said").textContent = ""; }, SAID_MS);
  },
  lost(why, again) {
    lost = again ? `${why} Trying again.` : why;
    at("again").hidden = again;
    watch();
  },
  size: () => [screen.columns, screen.rows],
});

function paint() {
  if (waiting) return;
  waiting = true;
  requestAnimationFrame(() => { waiting = false; textOld = true; picture.draw(screen); });
}

// --- size -----------------------------------------------------------------------------------

function fit() {
  const { clientWidth: width, clientHeight: height } = room;
  const asked = Number(localStorage.getItem("letters"));
  picture.setSize(asked || picture.best(width, height, COLUMNS, ROWS));
  screen.reset(...picture.cells(width, height));
  picture.fit(screen);
  paint();
  link.size();
}

function resize(step) {
  const pixels = Math.min(Math.max(Math.round(picture.pixels) + step, LEAST), MOST);
  localStorage.setItem("letters", pixels);
  fit();
}

// --- the picture's age ----------------------------------------------------------------------

function watch() {
  const age = link.age(), old = !(age <= OLD_MS);
  document.body.classList.toggle("old", old);
  at("banner").hidden = !old;
  if (!old) { lost = ""; return; }
  const since = `OLD PICTURE, ${(age / 1000).toFixed(1)} s: no word from the dashboard.`;
  const words = Number.isFinite(age) ? since : lost || "Waiting for the dashboard.";
  if (at("banner").textContent !== words) at("banner").textContent = words;
}

// --- what is pressed ------------------------------------------------------------------------

function key(event) {
  const keys = sequence(event);
  if (!keys) return;
  event.preventDefault();  // also on a button that was pressed last: space is always "hold now"
  event.stopPropagation();
  link.keys(keys);
}

function pointer(event, down) {
  event.preventDefault();
  if (down) canvas.setPointerCapture(event.pointerId);
  link.mouse(Math.max(event.button, 0), ...picture.at(event).map((n) => Math.max(n, 0)), down);
}

// An on-screen keyboard often names no keys: what it wrote counts.
function typed() {
  for (const letter of letters.value) link.keys(letter);
  letters.value = "";
}

function press(id, action) {
  at(id).addEventListener("click", () => { at(id).blur(); action(); });
}

function start() {
  window.addEventListener("keydown", key, true);
  canvas.addEventListener("pointerdown", (event) => pointer(event, true));
  canvas.addEventListener("pointerup", (event) => pointer(event, false));
  canvas.addEventListener("pointercancel", (event) => pointer(event, false));
  canvas.addEventListener("contextmenu", (event) => event.preventDefault());
  canvas.addEventListener("wheel", (event) => {
    event.preventDefault();
    link.mouse(event.deltaY < 0 ? WHEEL_UP : WHEEL_DOWN, ...picture.at(event), true);
  }, { passive: false });
  letters.addEventListener("input", typed);
  press("smaller", () => resize(-1));
  press("larger", () => resize(1));
  press("hold", () => link.keys(ESCAPE));
  press("typing", () => letters.focus());
  press("again", () => { at("again").hidden = true; lost = "Opening."; link.open(); });
  new ResizeObserver(() => { clearTimeout(settle); settle = setTimeout(fit, SETTLE_MS); })
    .observe(room);
  setInterval(watch, WATCH_MS);
  setInterval(() => {
    if (!textOld) return;
    at("text").textContent = screen.text();
    at("text").dataset.size = `${screen.columns} ${screen.rows}`;
    textOld = false;
  }, TEXT_MS);
}

async function may() {
  const answer = await fetch("state").catch(() => null);
  if (!answer?.ok) return;
  const { control } = await answer.json();
  at("may").textContent = control ? "CONTROL" : "VIEW ONLY";
  at("typing").hidden = at("hold").hidden = !control;
}

start();
fit();
may();
link.open();
