"""Three themes from published colour-blind-safe sets. Nothing is said by colour alone.

Okabe & Ito (2008), "Color Universal Design: how to make figures and presentations that are
friendly to colorblind people"; Paul Tol (2021), "Colour schemes", technical note
SRON/EPS/TN/09-002, issue 3.2.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from textual.theme import Theme

# Okabe & Ito (2008), figure 16.
BLACK = "#000000"
ORANGE = "#E69F00"
SKY_BLUE = "#56B4E9"
BLUISH_GREEN = "#009E73"
YELLOW = "#F0E442"
VERMILLION = "#D55E00"

# Tol, scheme "muted".
INDIGO = "#332288"
GREEN = "#117733"
WINE = "#882255"
# Tol, scheme "dark": for text on white.
DARK_YELLOW = "#666633"
DARK_GREY = "#555555"
# Tol, the grey of the schemes "pale" and "muted".
PALE_GREY = "#DDDDDD"

# Of no set: greys are told apart by brightness alone.
WHITE = "#FFFFFF"
PAPER = "#EEEEEE"
SHADE = "#141414"
SOFT_GREY = "#AAAAAA"


@dataclass(frozen=True, slots=True)
class Colours:
    """What a theme paints with. All but the grounds are text and lines upon either ground."""

    dark: bool
    ground: str  # behind all
    panel: str  # behind a group
    text: str
    dim: str  # less important text
    blade: str
    target: str
    accent: str  # keys, chosen rows
    good: str
    warn: str
    bad: str
    banner: str  # ground of a banner; banner_text stands on it
    banner_text: str


COLOURS = {
    "light": Colours(
        dark=False, ground=WHITE, panel=PAPER, text=BLACK, dim=DARK_GREY,
        blade=BLACK, target=INDIGO, accent=INDIGO, good=GREEN, warn=DARK_YELLOW, bad=WINE,
        banner=WINE, banner_text=WHITE,
    ),
    "dark": Colours(
        dark=True, ground=BLACK, panel=SHADE, text=PALE_GREY, dim=SOFT_GREY,
        blade=PALE_GREY, target=SKY_BLUE, accent=SKY_BLUE, good=BLUISH_GREEN, warn=ORANGE,
        bad=VERMILLION, banner=ORANGE, banner_text=BLACK,
    ),
    "contrast": Colours(
        dark=True, ground=BLACK, panel=BLACK, text=WHITE, dim=WHITE,
        blade=WHITE, target=YELLOW, accent=YELLOW, good=SKY_BLUE, warn=ORANGE, bad=ORANGE,
        banner=YELLOW, banner_text=BLACK,
    ),
}  # fmt: skip
NAMES = tuple(COLOURS)  # in the order in which the key goes through them
DEFAULT = "dark"


def theme(name: str) -> Theme:
    """Textual's theme; its variables $blade, $target, $dim and so on are the fields above."""
    from textual.theme import Theme

    c = COLOURS[name]
    return Theme(
        name=name, dark=c.dark, primary=c.accent, secondary=c.target, accent=c.accent,
        foreground=c.text, background=c.ground, surface=c.ground, panel=c.panel,
        success=c.good, warning=c.warn, error=c.bad, text_alpha=1.0,
        variables={
            "text": c.text, "text-muted": c.dim, "text-disabled": c.dim, "foreground": c.text,
            "foreground-muted": c.dim, "dim": c.dim, "blade": c.blade, "target": c.target,
            "banner": c.banner, "banner-text": c.banner_text,
            "good": c.good, "warn": c.warn, "bad": c.bad,
            "footer-foreground": c.text, "footer-description-foreground": c.text,
            "footer-key-foreground": c.accent, "footer-background": c.panel,
            "block-cursor-foreground": c.ground, "block-cursor-background": c.accent,
            "border": c.dim, "input-cursor-background": c.text,
            "input-cursor-foreground": c.ground,
        },
    )  # fmt: skip


def themes() -> tuple[Theme, ...]:
    """All, to be registered by the app."""
    return tuple(theme(name) for name in NAMES)


def after(name: str) -> str:
    """The next theme's name; round and round."""
    return NAMES[(NAMES.index(name) + 1) % len(NAMES)] if name in NAMES else DEFAULT
