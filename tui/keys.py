"""The table of actions: name, default key, the words shown. The app binds from it.

Keys carry Textual's names ("space", "up", "question_mark"); a person writes "?" as well.
"""

from __future__ import annotations

import string
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass

from firmware_py.errors import LineholdError, nearest, shown


class KeysError(LineholdError, ValueError):
    """A key that clashes, is unknown or is taken for good; `action` is the one to look at."""

    def __init__(self, action: str, words: str) -> None:
        self.action = action
        super().__init__(words)


@dataclass(frozen=True, slots=True)
class Action:
    """One thing that a key does. sure: asks for enter; simulated, job: shown only with one."""

    name: str
    key: str
    words: str  # in the footer and on buttons
    more: str  # in the help
    simulated: bool = False
    sure: bool = False
    job: bool = False


HOLD_NOW = "hold_now"
HOLD_KEY = "space"  # always shuts the valves, whatever else the options file gives to it

ACTIONS: tuple[Action, ...] = (
    Action(HOLD_NOW, HOLD_KEY, "HOLD NOW", "Shut both valves at once. Works on every screen."),
    Action("engage", "e", "engage", "Ask for automatic; then enter within 3 s.", sure=True),
    Action("choose_end", "tab", "end", "Choose the left end, the right end or both."),
    Action("datum", "d", "datum", "Take the present clearance as target; then enter.", sure=True),
    Action("raise_target", "up", "raise", "Raise the target of the chosen end by one step."),
    Action("lower_target", "down", "lower", "Lower the target of the chosen end by one step."),
    Action("crossfall_less", "left", "crossfall -", "Let the blade fall less to the right."),
    Action("crossfall_more", "right", "crossfall +", "Let the blade fall more to the right."),
    Action("hold_end", "h", "hold end", "Hold the chosen end, or let it be led again."),
    Action("undo", "z", "undo", "Take the last change of a target or a setting back."),
    Action("mark", "m", "mark", "Put a note of yours into the recording."),
    Action("pin", "p", "at pin", "The edge stands at a pin: correct the chainage.", job=True),
    Action("transition", "t", "refuse/accept", "Refuse a transition of the job, or accept it.",
           job=True),
    Action("mute", "s", "mute", "Sound off or on."),
    Action("units", "u", "units", "Millimetres and metres, or inches and feet."),
    Action("theme", "c", "colours", "Light for sun, dark for dusk, or high contrast."),
    Action("show_drive", "1", "drive", "Screen 1: blade against target, and steering."),
    Action("show_bar", "2", "bar", "Screen 2: what the range bar sees."),
    Action("show_health", "3", "health", "Screen 3: devices, faults, loop, computer, recording."),
    Action("show_settings", "4", "settings", "Screen 4: what can be set on the go."),
    Action("show_check", "5", "check", "Screen 5: check the level with a staff or tape."),
    Action("help", "question_mark", "help", "All keys."),
    Action("quit", "q", "quit", "Leave the dashboard, or stop the run: it asks which.", sure=True),
    Action("sim_drive", "w", "drive on", "Drive at 0.5 m/s, or stop.", simulated=True),
    Action("sim_raise", "i", "lever up", "Raise the chosen end by its lever.", simulated=True),
    Action("sim_lower", "k", "lever down", "Lower the chosen end by its lever.", simulated=True),
    Action("sim_release", "l", "let go", "Let go of both levers.", simulated=True),
    Action("sim_enable", "o", "enable", "Hold the enable input, or let it go.", simulated=True),
)  # fmt: skip

BY_NAME = {action.name: action for action in ACTIONS}
SCREENS = ("show_drive", "show_bar", "show_health", "show_settings", "show_check")  # 1 to 5

NAMED = (
    {"space", "tab", "up", "down", "left", "right", "home", "end", "pageup", "pagedown"}
    | {"insert", "delete", "backspace"}
    | {f"f{n}" for n in range(1, 13)}
    | {f"ctrl+{letter}" for letter in string.ascii_lowercase if letter not in "cijmqz"}
)  # ctrl+c, q and z end or stop a program; ctrl+i, j and m are tab and enter
ANSWERS = ("enter", "escape")  # they confirm and leave, on every screen
SHORT_NAMES = {  # as Textual has them, where they differ from Unicode's
    "solidus": "slash",
    "reverse_solidus": "backslash",
    "commercial_at": "at",
    "hyphen_minus": "minus",
    "plus_sign": "plus",
    "low_line": "underscore",
}
SIGNS = {"up": "↑", "down": "↓", "left": "←", "right": "→", "space": "space"}


def key_of(written: str) -> str | None:
    """Textual's name of a key as a person writes it; None when there is no such key."""
    if written == " ":
        return HOLD_KEY
    if len(written) == 1 and written.isprintable():
        return _name_of(written)
    low = written.lower()
    if low in NAMED or low in ANSWERS:
        return low
    return low if low in _SIGN_OF else None


def _name_of(sign: str) -> str:
    """As Textual names a printable character."""
    if sign.isalnum():
        return sign
    try:
        name = unicodedata.name(sign).lower().replace("-", "_").replace(" ", "_")
    except ValueError:
        return sign
    return SHORT_NAMES.get(name, name)


_SIGN_OF = {_name_of(sign): sign for sign in string.punctuation}


def key_words(key: str) -> str:
    """A key as the screen shows it: '?', 'space', '↑'."""
    return SIGNS.get(key) or _SIGN_OF.get(key, key)


def default_keys() -> dict[str, str]:
    """Name of each action -> its key."""
    return {action.name: action.key for action in ACTIONS}


def keys_with(changes: Mapping[str, str]) -> dict[str, str]:
    """The defaults with changes. KeysError for an unknown action or key, or for a clash."""
    keys = default_keys()
    for name, written in changes.items():
        if name not in BY_NAME:
            words = f"{shown(name)} is no action{nearest(name, BY_NAME)}"
            raise KeysError(name, words)
        keys[name] = _checked(name, written)
    taken: dict[str, str] = {}
    for name, key in keys.items():
        other = taken.setdefault(key, name)
        if other != name:
            blame = name if name in changes else other
            words = f'"{key_words(key)}" is the key of both {other} and {name}; give one another'
            raise KeysError(blame, words)
    return keys


def _checked(name: str, written: str) -> str:
    key = key_of(written)
    if key is None:
        few = 'a letter, a digit, a sign, or a name such as "f5", "home" or "ctrl+g"'
        raise KeysError(name, f"{shown(written)} is no key; {few} is right")
    if key in ANSWERS:
        raise KeysError(name, f'"{key}" confirms or leaves on every screen; take another key')
    if key == HOLD_KEY and name != HOLD_NOW:
        raise KeysError(name, '"space" always shuts the valves; take another key')
    return key


def textual_keys(keys: Mapping[str, str], name: str) -> str:
    """The keys of an action as a Binding takes them; space stays with hold_now."""
    key = keys[name]
    return f"{HOLD_KEY},{key}" if name == HOLD_NOW and key != HOLD_KEY else key
