// Signs that are drawn by us and not by a font: braille dots, blocks and lines. Fonts of tablets
// lack some of them, or leave gaps between them.

// Arms of a line from the middle of its cell: left, right, up, down; 1 thin, 2 thick.
const ARMS = {};
for (const word of ("─1100 │0011 ┌0101 ┐1001 └0110 ┘1010 ├0111 ┤1011 ┬1101 ┴1110 ┼1111 " +
  "╭0101 ╮1001 ╰0110 ╯1010 ╴1000 ╶0100 ╵0010 ╷0001 " +
  "━2200 ┃0022 ┏0202 ┓2002 ┗0220 ┛2020 ┣0222 ┫2022 ┳2202 ┻2220 ╋2222 " +
  "╸2000 ╺0200 ╹0020 ╻0002").split(" ")) {
  ARMS[word[0]] = Array.from(word.slice(1), Number);
}
// Quarters of a cell: 1 upper left, 2 upper right, 4 lower left, 8 lower right.
const QUARTERS = { "▖": 4, "▗": 8, "▘": 1, "▙": 13, "▚": 9, "▛": 7, "▜": 11, "▝": 2, "▞": 6, "▟": 14 };
// Dots of braille: the bit, its column and its row.
const DOTS = [[0, 0], [0, 1], [0, 2], [1, 0], [1, 1], [1, 2], [0, 3], [1, 3]];
const SHADES = { "░": 0.25, "▒": 0.5, "▓": 0.75 };

// A part of a cell, edges as shares of it, to whole pixels so that neighbours touch.
function part(pen, cell, left, top, right, bottom) {
  const x = Math.round(cell.x + left * cell.w), y = Math.round(cell.y + top * cell.h);
  pen.fillRect(x, y, Math.round(cell.x + right * cell.w) - x,
    Math.round(cell.y + bottom * cell.h) - y);
}

function braille(pen, cell, bits) {
  const size = Math.max(Math.round(Math.min(cell.w / 2, cell.h / 4) * 0.8), 1);
  DOTS.forEach(([column, row], bit) => {
    if (!(bits & (1 << bit))) return;
    const x = cell.x + (column + 0.5) * cell.w / 2, y = cell.y + (row + 0.5) * cell.h / 4;
    pen.fillRect(Math.round(x - size / 2), Math.round(y - size / 2), size, size);
  });
}

function line(pen, cell, [left, right, up, down]) {
  const thin = Math.max(Math.round(cell.w / 8), 1);
  const x = Math.round(cell.x + cell.w / 2 - thin / 2), y = Math.round(cell.y + cell.h / 2 - thin / 2);
  const wide = (arm) => (arm === 2 ? 3 * thin : thin), off = (arm) => (arm === 2 ? thin : 0);
  const endX = cell.x + cell.w, endY = cell.y + cell.h;
  if (left) pen.fillRect(cell.x, y - off(left), x + thin - cell.x, wide(left));
  if (right) pen.fillRect(x, y - off(right), endX - x, wide(right));
  if (up) pen.fillRect(x - off(up), cell.y, wide(up), y + thin - cell.y);
  if (down) pen.fillRect(x - off(down), y, wide(down), endY - y);
}

function block(pen, cell, letter) {
  const code = letter.codePointAt(0);
  if (code === 0x2580) part(pen, cell, 0, 0, 1, 0.5);
  else if (code <= 0x2588) part(pen, cell, 0, 1 - (code - 0x2580) / 8, 1, 1);
  else if (code <= 0x258f) part(pen, cell, 0, 0, (0x2590 - code) / 8, 1);
  else if (code === 0x2590) part(pen, cell, 0.5, 0, 1, 1);
  else if (code === 0x2594) part(pen, cell, 0, 0, 1, 1 / 8);
  else if (code === 0x2595) part(pen, cell, 7 / 8, 0, 1, 1);
  else if (letter in SHADES) {
    const before = pen.globalAlpha;
    pen.globalAlpha = before * SHADES[letter];
    part(pen, cell, 0, 0, 1, 1);
    pen.globalAlpha = before;
  } else {
    const bits = QUARTERS[letter];
    for (let k = 0; k < 4; k++) {
      const x = (k % 2) / 2, y = k > 1 ? 0.5 : 0;
      if (bits & (1 << k)) part(pen, cell, x, y, x + 0.5, y + 0.5);
    }
  }
}

// True when the sign was drawn; a font has to do it otherwise. The pen has its colour already.
export function drawn(pen, cell, letter) {
  const code = letter.codePointAt(0);
  if (code >= 0x2800 && code <= 0x28ff) braille(pen, cell, code & 0xff);
  else if (letter in ARMS) line(pen, cell, ARMS[letter]);
  else if (code >= 0x2580 && code <= 0x259f) block(pen, cell, letter);
  else return false;
  return true;
}
