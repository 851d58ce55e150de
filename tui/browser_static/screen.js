// The cells of the dashboard's screen, and what its bytes do to them: text, cursor, colours.
// Sequences as in ECMA-48 (CUP, SGR); what a dashboard has no use for here is passed over.

export const BOLD = 1, DIM = 2, ITALIC = 4, UNDERLINE = 8, REVERSE = 16, STRIKE = 32;
export const PAPER = 0x000000, INK = 0xffffff;  // until the dashboard names colours
const STYLES = { 1: BOLD, 2: DIM, 3: ITALIC, 4: UNDERLINE, 7: REVERSE, 9: STRIKE };
const ENDS = { 22: BOLD | DIM, 23: ITALIC, 24: UNDERLINE, 27: REVERSE, 29: STRIKE };
const MOST_HELD = 4096;  // letters of a sequence that has not ended yet
// CSI; OSC with its end; one letter after ESC; or an ESC whose rest has not come yet.
const SEQUENCE =
  /\x1b(?:\[([0-?]*)([ -/]*)([@-~])|\][^\x07\x1b]*(?:\x07|\x1b\\)|[ -/]*[0-OQ-WYZ\\^-~])/y;
const WIDE = new RegExp("\\p{Emoji_Presentation}|[\\u1100-\\u115f\\u2e80-\\ua4cf\\uac00-\\ud7a3" +
  "\\uf900-\\ufaff\\ufe30-\\ufe6f\\uff00-\\uff60\\uffe0-\\uffe6]", "u");
const MARK = /\p{Mn}/u;

// The 256 colours: 16 plain ones, a cube of six steps a side, 24 greys.
function indexed(n) {
  if (n >= 232) return 0x010101 * (8 + 10 * (n - 232));
  if (n >= 16) {
    const step = (k) => (k ? 55 + 40 * k : 0), m = n - 16;
    return (step(Math.floor(m / 36)) << 16) | (step(Math.floor(m / 6) % 6) << 8) | step(m % 6);
  }
  const level = n >= 8 ? 255 : 170, low = n >= 8 ? 85 : 0;
  const part = (bit) => (n & bit ? level : low);
  return (part(1) << 16) | (part(2) << 8) | part(4);
}

export class Screen {
  constructor(columns, rows) {
    this.reset(columns, rows);
  }

  // A blank one, of another size or for another process.
  reset(columns, rows) {
    this.decoder = new TextDecoder();
    this.held = "";
    this.columns = columns;
    this.rows = rows;
    const count = columns * rows;
    this.letters = new Array(count).fill(" ");
    this.inks = new Int32Array(count).fill(INK);
    this.papers = new Int32Array(count).fill(PAPER);
    this.styles = new Uint8Array(count);
    this.changed = new Set(Array.from({ length: rows }, (_, y) => y));
    this.x = this.y = 0;
    this.plain();
  }

  plain() {
    this.ink = INK;
    this.paper = PAPER;
    this.style = 0;
  }

  // Bytes as they come; a sequence may be cut anywhere.
  feed(bytes) {
    const text = this.held + this.decoder.decode(bytes, { stream: true });
    this.held = "";
    let at = 0;
    while (at < text.length) {
      const code = text.codePointAt(at);
      if (code === 0x1b) {
        SEQUENCE.lastIndex = at;
        const found = SEQUENCE.exec(text);
        if (!found) {
          if (text.length - at < MOST_HELD) this.held = text.slice(at);
          return;
        }
        if (found[3]) this.obey(found[1], found[2], found[3]);
        at = SEQUENCE.lastIndex;
      } else {
        const letter = String.fromCodePoint(code);
        at += letter.length;
        if (code >= 0x20 && code !== 0x7f) this.put(letter);
        else if (letter === "\n") this.y = Math.min(this.y + 1, this.rows - 1);
        else if (letter === "\r") this.x = 0;
      }
    }
  }

  put(letter) {
    const at = this.y * this.columns + this.x;
    if (MARK.test(letter)) {
      if (this.x > 0) this.letters[at - 1] += letter;
      return;
    }
    const width = WIDE.test(letter) ? 2 : 1;
    for (let k = 0; k < width && this.x < this.columns; k++, this.x++) {
      this.letters[at + k] = k ? "" : letter;
      this.inks[at + k] = this.ink;
      this.papers[at + k] = this.paper;
      this.styles[at + k] = this.style;
    }
    this.changed.add(this.y);
  }

  obey(parameters, between, final) {
    if (between || /[<=>?]/.test(parameters)) return;
    const n = parameters.split(/[;:]/).map((word) => parseInt(word || "0", 10));
    const within = (k, most) => Math.min(Math.max((n[k] || 1) - 1, 0), most - 1);
    if (final === "H" || final === "f") {
      this.y = within(0, this.rows);
      this.x = within(1, this.columns);
    } else if (final === "m") {
      this.paint(n);
    }
  }

  paint(n) {
    for (let k = 0; k < n.length; k++) {
      const code = n[k];
      if (code === 0) this.plain();
      else if (code in STYLES) this.style |= STYLES[code];
      else if (code in ENDS) this.style &= ~ENDS[code];
      else if (code === 38 || code === 48) {
        const direct = n[k + 1] === 2;
        const colour = direct
          ? ((n[k + 2] & 255) << 16) | ((n[k + 3] & 255) << 8) | (n[k + 4] & 255)
          : indexed(n[k + 2] & 255);
        if (code === 38) this.ink = colour;
        else this.paper = colour;
        k += direct ? 4 : 2;
      } else if (code === 39) this.ink = INK;
      else if (code === 49) this.paper = PAPER;
      else if (code >= 30 && code <= 37) this.ink = indexed(code - 30);
      else if (code >= 40 && code <= 47) this.paper = indexed(code - 40);
      else if (code >= 90 && code <= 97) this.ink = indexed(code - 82);
      else if (code >= 100 && code <= 107) this.paper = indexed(code - 92);
    }
  }

  // All of it as plain text: for screen readers and for tests.
  text() {
    const lines = [];
    for (let y = 0; y < this.rows; y++) {
      const line = this.letters.slice(y * this.columns, (y + 1) * this.columns);
      lines.push(line.join("").trimEnd());
    }
    return lines.join("\n");
  }
}
