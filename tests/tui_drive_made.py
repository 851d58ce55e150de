"""The Drive pane painted from hand-made frames, as text."""

from __future__ import annotations

from typing import Any

from tui_made import NOW, beat, end_tick, hello

from firmware_py.link.frames import Beat, Hello
from firmware_py.messages import Guide, Side
from tui import drive_words
from tui.canvas import Canvas
from tui.drive import DrivePainter
from tui.known import Known
from tui.units import Units

SMALL = (80, 18)  # what 80 x 24 leaves to a pane, with the keys of a simulated rig
FALL = end_tick(guide=Guide.FALL, error_m=0.0021, cue_m=-0.0021, datum_m=None, offset_m=0.0)


def seen(*frames: Hello | Beat, age_s: float = 0.0, units: Units | None = None) -> drive_words.Seen:
    known = Known()
    known.take(frames or (hello(), beat()))
    return drive_words.Seen(known, NOW + age_s, units or Units(), frozenset({Side.LEFT}))


def shown(what: drive_words.Seen, size: tuple[int, int] = SMALL) -> str:
    canvas = Canvas(*size)
    DrivePainter().paint(canvas, what)
    return "\n".join(canvas.lines())


def with_left(age_s: float = 0.0, **changes: Any) -> str:
    return shown(seen(hello(), beat(left=end_tick(**changes)), age_s=age_s))
