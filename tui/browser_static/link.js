// The WebSocket to linehold browse, and how old the picture is at most.
//
// A beat goes out, passes through the dashboard, and comes back behind everything that the
// dashboard had drawn till then. So the picture is no older than the newest beat that is back.

const BEAT_MS = 100;
export const OLD_MS = 300;  // an older picture is never shown as if fresh
const KEY_LATE_MS = 1000;  // keys pressed on an older picture are not sent
const HOLD = [" ", "\x1b"];  // but for "hold now": space and escape
const AGAIN_MS = 3000;

export class Link {
  // told: begin() before the first picture of a connection, picture(bytes), said(sentence), lost(sentence, again), size() -> [columns, rows]
  constructor(told) {
    this.told = told;
    this.back = 0;
    this.number = 0;
    this.sent = new Map();
    this.since = -Infinity;
    setInterval(() => this.beat(), BEAT_MS);
  }

  open() {
    clearTimeout(this.timer);
    this.sent.clear();
    this.since = -Infinity;
    this.ended = null;
    this.begun = false;
    let opened = false;
    const socket = this.socket = new WebSocket(`ws://${location.host}/ws`);
    socket.binaryType = "arraybuffer";
    socket.onopen = () => { opened = true; this.size(); };
    socket.onmessage = (event) => this.take(event.data);
    socket.onclose = () => this.closed(opened);
  }

  get live() { return this.socket?.readyState === WebSocket.OPEN; }

  // Milliseconds; Infinity before the first picture.
  age() { return performance.now() - this.since; }

  tell(words) { if (this.live) this.socket.send(JSON.stringify(words)); }

  size() {
    const [width, height] = this.told.size();
    this.tell({ type: "size", width, height });
  }

  beat() {
    if (!this.live) return;
    this.number += 1;
    this.sent.set(this.number, performance.now());
    this.tell({ type: "beat", n: this.number });
  }

  keys(keys) {
    if (!this.live) return this.told.said("Not sent: there is no connection.");
    if (!HOLD.includes(keys) && this.late()) return;
    this.tell({ type: "keys", keys, beat: this.back });
  }

  mouse(button, x, y, down) {
    if (!this.live || this.late()) return;
    this.tell({ type: "mouse", button, x, y, down, beat: this.back });
  }

  late() {
    if (this.age() < KEY_LATE_MS) return false;
    this.told.said("Not sent: the picture is old.");
    return true;
  }

  take(data) {
    if (typeof data !== "string") {
      if (!this.begun) this.told.begin();  // what an earlier process drew is not to look fresh
      this.begun = true;
      return this.told.picture(new Uint8Array(data));
    }
    const words = JSON.parse(data);
    if (words.beat !== undefined) this.beatBack(words.beat);
    else if (words.refused) this.told.said(words.refused);
    else if (words.ended) this.ended = words;
  }

  beatBack(n) {
    if (!this.sent.has(n)) return;  // of an earlier connection
    this.back = n;
    this.since = this.sent.get(n);
    for (const old of this.sent.keys()) if (old <= n) this.sent.delete(old);
  }

  async closed(opened) {
    this.since = -Infinity;
    let why = this.ended?.ended ?? "The connection is lost.", again = this.ended?.again ?? true;
    if (!opened) [why, again] = await this.ask();
    this.told.lost(why, again);
    if (again) this.timer = setTimeout(() => this.retry(), AGAIN_MS);
  }

  // A page that nobody looks at needs no process.
  retry() {
    if (document.visibilityState === "visible") this.open();
    else document.addEventListener("visibilitychange", () => this.retry(), { once: true });
  }

  // Why the WebSocket was refused: a browser does not say.
  async ask() {
    try {
      const answer = await fetch("state");
      if (!answer.ok) return [(await answer.text()).trim(), false];
      const state = await answer.json();
      if (state.viewers < state.most) return ["The connection is lost.", true];
      return [`All places are taken (${state.most}); close another page.`, true];
    } catch {
      return ["No answer from linehold browse.", true];
    }
  }
}
