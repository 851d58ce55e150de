// Paints the cells on a canvas, in whole device pixels.

import { BOLD, DIM, ITALIC, REVERSE, STRIKE, UNDERLINE } from "./screen.js";
import { drawn } from "./signs.js";

const FONT = '"DejaVu Sans Mono", "Noto Sans Mono", "Roboto Mono", Menlo, Consolas, monospace';
const LINE = 1.2;  // height of a line, in sizes of the letters
export const LEAST = 5, MOST = 60;  // CSS pixels of letters
const USUAL_MOST = 28;  // read at arm's length; more only when asked for

const css = (colour) => "#" + (colour & 0xffffff).toString(16).padStart(6, "0");

export class Picture {
  constructor(canvas) {
    this.canvas = canvas;
    this.pen = canvas.getContext("2d", { alpha: false });
    this.setSize(16);
  }

  // Letters of so many CSS pixels; cells become whole device pixels.
  setSize(pixels) {
    this.ratio = window.devicePixelRatio || 1;
    this.pixels = pixels;
    const cell = this.cellOf(pixels);
    this.w = cell.w;
    this.h = cell.h;
  }

  cellOf(pixels) {
    this.pen.font = `${pixels * this.ratio}px ${FONT}`;
    const w = Math.max(Math.round(this.pen.measureText("0").width), 1);
    return { w, h: Math.max(Math.round(pixels * this.ratio * LINE), 1) };
  }

  // How many cells fit into a box of CSS pixels.
  cells(width, height) {
    return [Math.max(Math.floor(width * this.ratio / this.w), 1),
      Math.max(Math.floor(height * this.ratio / this.h), 1)];
  }

  // The largest usual letters with which so many cells still fit.
  best(width, height, columns, rows) {
    for (let pixels = USUAL_MOST; pixels > LEAST; pixels--) {
      this.setSize(pixels);
      const [across, down] = this.cells(width, height);
      if (across >= columns && down >= rows) return pixels;
    }
    return LEAST;
  }

  // Make room for a screen; the canvas is blank afterwards.
  fit(screen) {
    this.canvas.width = screen.columns * this.w;
    this.canvas.height = screen.rows * this.h;
    this.canvas.style.width = `${this.canvas.width / this.ratio}px`;
    this.canvas.style.height = `${this.canvas.height / this.ratio}px`;
    this.pen.textBaseline = "alphabetic";
  }

  // Where a pointer is, in cells.
  at(event) {
    const box = this.canvas.getBoundingClientRect();
    return [Math.floor((event.clientX - box.left) * this.ratio / this.w),
      Math.floor((event.clientY - box.top) * this.ratio / this.h)];
  }

  draw(screen) {
    for (const y of screen.changed) {
      for (let x = 0; x < screen.columns; x++) this.paper(screen, x, y);
      for (let x = 0; x < screen.columns; x++) this.letter(screen, x, y);
    }
    screen.changed.clear();
  }

  paper(screen, x, y) {
    const k = y * screen.columns + x;
    this.pen.fillStyle = css(screen.styles[k] & REVERSE ? screen.inks[k] : screen.papers[k]);
    this.pen.fillRect(x * this.w, y * this.h, this.w, this.h);
  }

  letter(screen, x, y) {
    const k = y * screen.columns + x, style = screen.styles[k], letter = screen.letters[k];
    const cell = { x: x * this.w, y: y * this.h, w: this.w, h: this.h }, pen = this.pen;
    if (letter === "" || (letter === " " && !(style & (UNDERLINE | STRIKE)))) return;
    pen.fillStyle = css(style & REVERSE ? screen.papers[k] : screen.inks[k]);
    pen.globalAlpha = style & DIM ? 0.6 : 1;
    if (!drawn(pen, cell, letter)) {
      const slant = style & ITALIC ? "italic " : "", weight = style & BOLD ? "bold " : "";
      pen.font = `${slant}${weight}${this.pixels * this.ratio}px ${FONT}`;
      const wide = screen.letters[k + 1] === "" ? 2 : 1;
      pen.fillText(letter, cell.x, cell.y + Math.round(cell.h * 0.78), wide * cell.w + 1);
    }
    const thick = Math.max(Math.round(cell.h / 16), 1);
    if (style & UNDERLINE) pen.fillRect(cell.x, cell.y + cell.h - 2 * thick, cell.w, thick);
    if (style & STRIKE) pen.fillRect(cell.x, cell.y + Math.round(cell.h / 2), cell.w, thick);
    pen.globalAlpha = 1;
  }
}
