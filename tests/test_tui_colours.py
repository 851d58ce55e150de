"""Contrast of every colour that carries text.

Outside check: contrast ratio and relative luminance as WCAG 2.1 defines them (W3C Recommendation,
5 June 2018: success criteria 1.4.3 with 4.5:1, 1.4.6 with 7:1). Whether the colours can be told
apart with a colour vision deficiency is not simulated here: the sets were chosen for that by
their authors, and no screen says anything by colour alone.
"""

import pytest

from tui import colours
from tui.colours import COLOURS, NAMES, Colours, after, theme, themes

INKS = ("text", "dim", "blade", "target", "accent", "good", "warn", "bad")
LEAST = {"light": 4.5, "dark": 4.5, "contrast": 7.0}

# The sets as published, by the names of this module.
OKABE_ITO_2008 = {
    "BLACK": (0, 0, 0), "ORANGE": (230, 159, 0), "SKY_BLUE": (86, 180, 233),
    "BLUISH_GREEN": (0, 158, 115), "YELLOW": (240, 228, 66), "VERMILLION": (213, 94, 0),
}  # fmt: skip
TOL_2021 = {
    "INDIGO": (51, 34, 136), "GREEN": (17, 119, 51), "WINE": (136, 34, 85),
    "DARK_YELLOW": (102, 102, 51), "DARK_GREY": (85, 85, 85), "PALE_GREY": (221, 221, 221),
}  # fmt: skip


def rgb(hex_words: str) -> tuple[int, ...]:
    return tuple(bytes.fromhex(hex_words.removeprefix("#")))


def luminance(hex_words: str) -> float:
    """WCAG 2.1, "relative luminance"."""
    linear = [
        c / 12.92 if (c := part / 255.0) <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4
        for part in rgb(hex_words)
    ]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """WCAG 2.1, "contrast ratio": (L1 + 0.05) / (L2 + 0.05)."""
    dark, light = sorted((luminance(one), luminance(other)))
    return (light + 0.05) / (dark + 0.05)


def test_the_formula_gives_the_ends_of_its_range() -> None:
    """WCAG 2.1: ratios go from 1 to 21; #767676 on white is the well-known grey just over 4.5."""
    assert contrast("#000000", "#FFFFFF") == pytest.approx(21.0)
    assert contrast("#123456", "#123456") == 1.0
    assert contrast("#767676", "#FFFFFF") > 4.5 > contrast("#777777", "#FFFFFF")


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("ink", INKS)
def test_text_stands_out_from_both_grounds(name: str, ink: str) -> None:
    c = COLOURS[name]
    for ground in (c.ground, c.panel):
        assert contrast(getattr(c, ink), ground) >= LEAST[name]


@pytest.mark.parametrize("name", NAMES)
def test_a_banner_can_be_read_and_seen(name: str) -> None:
    c = COLOURS[name]
    assert contrast(c.banner_text, c.banner) >= 7.0
    assert contrast(c.banner, c.ground) >= 3.0


@pytest.mark.parametrize("name", NAMES)
def test_a_chosen_row_of_a_list_can_be_read(name: str) -> None:
    """The ground's colour upon the accent."""
    assert contrast(COLOURS[name].ground, COLOURS[name].accent) >= LEAST[name]


@pytest.mark.parametrize(("name", "value"), [*OKABE_ITO_2008.items(), *TOL_2021.items()])
def test_the_values_are_the_published_ones(name: str, value: tuple[int, ...]) -> None:
    """Okabe & Ito (2008), figure 16; Tol (2021), SRON/EPS/TN/09-002 issue 3.2, section 1."""
    assert rgb(getattr(colours, name)) == value


def test_every_hue_is_of_a_published_set() -> None:
    known = {*OKABE_ITO_2008.values(), *TOL_2021.values()}
    for c in COLOURS.values():
        for field in Colours.__slots__:
            value = getattr(c, field)
            if isinstance(value, str):
                is_grey = len(set(rgb(value))) == 1
                assert is_grey or rgb(value) in known


def test_themes_carry_the_fields_as_variables() -> None:
    assert [one.name for one in themes()] == list(NAMES) == ["light", "dark", "contrast"]
    light = theme("light")
    assert not light.dark
    assert theme("contrast").dark
    assert light.variables["blade"] == COLOURS["light"].blade
    assert light.background == COLOURS["light"].ground


def test_the_key_goes_through_all_themes() -> None:
    seen = [NAMES[0]]
    while (name := after(seen[-1])) not in seen:
        seen.append(name)
    assert set(seen) == set(NAMES)
    assert after("no such theme") == colours.DEFAULT
