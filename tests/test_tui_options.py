"""The dashboard's options file: read strictly, told with file, line and key."""

import subprocess
import sys
from pathlib import Path

import pytest

from firmware_py.errors import LineholdError
from tui.options import KEYS, STEPS, Options, OptionsError, load_options, read_options
from tui.units import Fall, System, Units

ROOT = Path(__file__).resolve().parent.parent
EXAMPLE = ROOT / "examples" / "dashboard.toml"


def test_without_a_file_all_is_default() -> None:
    assert load_options(None) == Options()


def test_the_example_holds_every_key_at_its_default() -> None:
    assert load_options(EXAMPLE) == Options()
    text = EXAMPLE.read_text(encoding="utf-8")
    for place in KEYS:
        assert f"\n{place[-1]} = " in text
    for action in Options().keys:
        assert f"\n{action} = " in text


def test_every_key_is_taken() -> None:
    text = """
theme = "contrast"
[units]
lengths = "us"
crossfall = "1:n"
[steps]
height_mm = 5
crossfall_pct = 0.25
gate_mm = 10.0
dead_band_mm = 0.3
[sound]
volume_pct = 25
muted = true
[check]
words = "Staff on the left pin."
[keys]
engage = "g"
help = "f1"
"""
    options = read_options(text, "o.toml")
    assert options.theme == "contrast"
    assert options.units == Units(System.US, Fall.ONE_IN)
    assert options.nudge_step_m == pytest.approx(0.005)
    assert options.crossfall_step == pytest.approx(0.0025)
    assert options.gate_step_m == pytest.approx(0.01)
    assert options.dead_band_step_m == pytest.approx(0.0003)
    assert (options.volume, options.muted) == (pytest.approx(0.25), True)
    assert options.check_words == "Staff on the left pin."
    assert (options.keys["engage"], options.keys["help"], options.keys["mark"]) == ("g", "f1", "m")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('theme = "drak"', 'o.toml:1: theme: "drak": "light", "dark" or "contrast" is right; did'),
        ("theme = 3", 'o.toml:1: theme: 3: "light", "dark" or "contrast" is right'),
        ("\nthem = 'dark'", "o.toml:2: them: unknown key; did you mean theme?"),
        ("[units]\nlength = 'us'", "o.toml:2: units.length: unknown key; did you mean lengths?"),
        ("[sound]\nx = 1", "o.toml:2: sound.x: unknown key; known are muted, volume_pct"),
        ("sound = 3", "o.toml:1: sound: 3: a table [sound] is right"),
        ("[[keys]]\na = 'b'", "o.toml:1: keys: a list: a table [keys] is right"),
        ("[steps]\nheight_mm = 50.1", "o.toml:2: steps.height_mm: 50.1: a number from 0.3 to 50"),
        ("[steps]\nheight_mm = 0.29", "o.toml:2: steps.height_mm: 0.29: a number from 0.3 to 50"),
        ("[steps]\nheight_mm = true", "o.toml:2: steps.height_mm: true: a number"),
        ("[steps]\nheight_mm = nan", "o.toml:2: steps.height_mm: nan: a number"),
        ("[steps]\nheight_mm = '2'", 'o.toml:2: steps.height_mm: "2": a number'),
        ("[sound]\nvolume_pct = 101", "o.toml:2: sound.volume_pct: 101: a number from 0 to 100"),
        ("[sound]\nmuted = 1", "o.toml:2: sound.muted: 1: true or false is right"),
        ("[check]\nwords = 'a\tb'", "o.toml:2: check.words:"),
        ("[keys]\nmark = 7", 'o.toml:2: keys.mark: 7: a key such as "g" or "f5" is right'),
        ("[keys]\n\nengage = 'd'", 'o.toml:3: keys.engage: "d" is the key of both engage and'),
        ("[keys]\nengag = 'g'", 'o.toml:2: keys.engag: "engag" is no action; did you mean'),
        ("keys.mute = 'space'", 'o.toml:1: keys.mute: "space" always shuts the valves'),
        ("a = 1\na = 2", "o.toml:2: not TOML:"),
        ("theme =", "o.toml:1: not TOML:"),
        ("x = " + "[" * 2000, "o.toml: tables or lists are nested too deeply"),
    ],
)
def test_what_is_wrong_is_told_with_its_place(text: str, words: str) -> None:
    with pytest.raises(OptionsError) as caught:
        read_options(text, "o.toml")
    assert str(caught.value).startswith(words)
    assert "\n" not in str(caught.value)
    assert isinstance(caught.value, LineholdError)
    assert isinstance(caught.value, ValueError)


@pytest.mark.parametrize("name", list(STEPS))
def test_both_ends_of_each_step_are_taken_and_nothing_beyond(name: str) -> None:
    low, high = STEPS[name]
    for value in (low, high):
        assert getattr(Options().with_steps(**{name: value}), name) == value
    for value in (low * 0.99, high * 1.01, float("nan")):
        with pytest.raises(OptionsError, match="a step lies between"):
            Options().with_steps(**{name: value})


def test_a_file_may_give_what_the_screen_may_give() -> None:
    """The same ends of the range, through the units of the file."""
    text = "[steps]\nheight_mm = 50\ncrossfall_pct = 1\ngate_mm = 50\ndead_band_mm = 5"
    options = read_options(text, "o.toml")
    for name, (_, high) in STEPS.items():
        assert getattr(options, name) == pytest.approx(high)


def test_files_that_cannot_be_read_are_told(tmp_path: Path) -> None:
    with pytest.raises(OptionsError, match=r"none\.toml: cannot be read: No such file"):
        load_options(tmp_path / "none.toml")
    with pytest.raises(OptionsError, match="cannot be read: Is a directory"):
        load_options(tmp_path)
    odd = tmp_path / "odd.toml"
    odd.write_bytes(b"theme = '\xff'")
    with pytest.raises(OptionsError, match="not UTF-8"):
        load_options(odd)
    odd.write_bytes(b"#" * 100_001)
    with pytest.raises(OptionsError, match="100000 at most"):
        load_options(odd)


def test_windows_line_ends_are_read(tmp_path: Path) -> None:
    path = tmp_path / "o.toml"
    path.write_bytes(b'theme = "light"\r\n[sound]\r\nmuted = true\r\n')
    assert load_options(path) == Options(theme="light", muted=True)


def test_a_bad_file_is_told_before_the_screen_is_loaded() -> None:
    """Options load without Textual and without numpy: a slip shows at once."""
    code = "import sys, tui.options; print([m for m in ('textual', 'numpy') if m in sys.modules])"
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[]"
