"""What a page in a browser and its dashboard say to each other, and which keys may pass."""

from __future__ import annotations

from collections import OrderedDict
from typing import Annotated, Literal

import msgspec

KEY_LATE_S = 1.0  # s; an older key is dropped: the driver has long seen that nothing happened
KEPT_BEATS = 64
# Space and escape are "hold now" on every screen (tui/keys.py, tui/app.py), and they pass however
# late: shut valves are never the wrong answer.
HOLD = (" ", "\x1b")
# A bare escape with a letter close behind would count as one key, alt and the letter, and the hold
# would be lost. So it is handed on as kitty's keyboard protocol has it: CSI number u.
ESCAPE, ESCAPE_ALONE = "\x1b", "\x1b[27u"
MOST_KEYS = 32  # letters of one message
# What a viewer without control may press: screens, units, theme, help, escape. The loop refuses
# the requests of such a viewer in any case.
LOOK_KEYS = ("1", "2", "3", "4", "5", "u", "c", "?", "\x1b")
LEAST_SIZE, MOST_SIZE = (20, 8), (400, 150)  # cells
Button = Literal[0, 1, 2, 64, 65]
Cell = Annotated[int, msgspec.Meta(ge=0, lt=1000)]


class Size(msgspec.Struct, frozen=True, tag="size"):
    """The page's size, cells."""

    width: int
    height: int

    def within(self) -> tuple[int, int]:
        """What a dashboard is given of it."""
        limits = zip((self.width, self.height), LEAST_SIZE, MOST_SIZE, strict=True)
        width, height = (min(max(told, least), most) for told, least, most in limits)
        return width, height


class Beat(msgspec.Struct, frozen=True, tag="beat"):
    """The page asks how old its picture is; it numbers its beats upwards."""

    n: int


class Keys(msgspec.Struct, frozen=True, tag="keys"):
    """Keys as a terminal sends them, and the newest beat that had come back when pressed."""

    keys: str
    beat: int


class Mouse(msgspec.Struct, frozen=True, tag="mouse"):
    """A button or finger went down or up at a cell, from 0; 64 and 65 are the wheel."""

    button: Button
    x: Cell
    y: Cell
    down: bool
    beat: int

    def sequence(self) -> str:
        """As a terminal reports it: xterm's control sequences, mouse mode 1006."""
        return f"\x1b[<{self.button};{self.x + 1};{self.y + 1}{'M' if self.down else 'm'}"


FromPage = Size | Beat | Keys | Mouse
_PAGE: msgspec.json.Decoder[FromPage] = msgspec.json.Decoder(FromPage)


def read_page(data: str) -> FromPage:
    """msgspec.MsgspecError for anything else."""
    return _PAGE.decode(data)


class Letters:
    """Decides which keys reach the dashboard: not late ones, and few without control."""

    def __init__(self, control: bool) -> None:
        self._control = control
        self._sent: OrderedDict[int, float] = OrderedDict()  # beat: when it went back

    def beat_back(self, n: int, now_s: float) -> None:
        """A beat goes back to the page."""
        self._sent[n] = now_s
        while len(self._sent) > KEPT_BEATS:
            self._sent.popitem(last=False)

    def take(self, told: Keys | Mouse, now_s: float) -> tuple[str, str]:
        """What to hand on, and why not if it is nothing."""
        if isinstance(told, Mouse):
            keys = told.sequence()
        else:
            keys = told.keys[:MOST_KEYS]
            if not self._control and keys not in LOOK_KEYS:
                return "", "View only: that key was not passed on."
        if keys not in HOLD and now_s - self._sent.get(told.beat, -1e9) > KEY_LATE_S:
            return "", "That key came too late and was not passed on."
        return ESCAPE_ALONE if keys == ESCAPE else keys, ""
