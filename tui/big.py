"""Digits and words several rows high, for reading at arm's length. The shapes are our own."""

from __future__ import annotations

from tui.canvas import Canvas, Ink

ROWS = 5  # pixels of a glyph's height
# Each glyph row by row, rows parted by a slash; # is a pixel.
GLYPHS = {
    "0": "###/# #/# #/# #/###",
    "1": " # /## / # / # /###",
    "2": "###/  #/###/#  /###",
    "3": "###/  #/ ##/  #/###",
    "4": "# #/# #/###/  #/  #",
    "5": "###/#  /###/  #/###",
    "6": "###/#  /###/# #/###",
    "7": "###/  #/ # / # / # ",
    "8": "###/# #/###/# #/###",
    "9": "###/# #/###/  #/###",
    "+": "   / # /###/ # /   ",
    "-": "   /   /###/   /   ",
    ".": " / / / /#",
    ":": " /#/ /#/ ",
    " ": " / / / / ",
    "A": "###/# #/###/# #/# #",
    "B": "## /# #/## /# #/## ",
    "C": "###/#  /#  /#  /###",
    "D": "## /# #/# #/# #/## ",
    "E": "###/#  /## /#  /###",
    "F": "###/#  /## /#  /#  ",
    "G": "####/#   /# ##/#  #/####",
    "H": "# #/# #/###/# #/# #",
    "I": "#/#/#/#/#",
    "K": "# #/# #/## /# #/# #",
    "L": "#  /#  /#  /#  /###",
    "M": "#   #/## ##/# # #/#   #/#   #",
    "N": "#  #/## #/# ##/#  #/#  #",
    "O": "###/# #/# #/# #/###",
    "P": "###/# #/###/#  /#  ",
    "R": "###/# #/## /# #/# #",
    "S": "###/#  /###/  #/###",
    "T": "###/ # / # / # / # ",
    "U": "# #/# #/# #/# #/###",
    "V": "# #/# #/# #/# #/ # ",
    "W": "#   #/#   #/# # #/## ##/#   #",
}
HALVES = {(False, False): " ", (True, False): "▀", (False, True): "▄", (True, True): "█"}
SMALL_ROWS = 3  # five pixels in half blocks


def pixels(words: str) -> list[str]:
    """The words as ROWS lines of pixels, # set; a glyph that is not known is left out."""
    glyphs = [GLYPHS[c].split("/") for c in words.upper() if c in GLYPHS]
    return [" ".join(glyph[row] for glyph in glyphs) for row in range(ROWS)]


def width_of(words: str, size: int) -> int:
    """Columns that the words take: size 0 has half blocks, size n has n rows a pixel."""
    return len(pixels(words)[0]) * max(2 * size, 1)


def rows_of(size: int) -> int:
    """Rows that any words take."""
    return ROWS * size if size else SMALL_ROWS


def draw(canvas: Canvas, at: tuple[int, int], words: str, size: int, ink: Ink) -> None:
    """Draw the words with their upper left corner in a cell."""
    (x, y), bitmap = at, pixels(words)
    if size == 0:
        bitmap = [*bitmap, " " * len(bitmap[0])]
        for row in range(SMALL_ROWS):
            pairs = zip(bitmap[2 * row], bitmap[2 * row + 1], strict=True)
            line = "".join(HALVES[up == "#", down == "#"] for up, down in pairs)
            canvas.text(x, y + row, line, ink)
        return
    for row in range(ROWS * size):
        line = "".join(("█" if c == "#" else " ") * 2 * size for c in bitmap[row // size])
        canvas.text(x, y + row, line, ink)
