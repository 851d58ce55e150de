"""What the driver is told of the job ahead, in one line. Metres along the job, mm in height."""

from __future__ import annotations

from enum import StrEnum
from typing import TYPE_CHECKING

from firmware_py.guide.chainage import pin_words
from firmware_py.guide.schedule import Transition
from firmware_py.settings import MM

if TYPE_CHECKING:
    from firmware_py.guide.follow import Follow

OBSTACLE_M = 5.0  # m ahead of which an obstacle is told, at least
UNSURE_M = 1.0  # m of sd from which the driver is asked for a pin
LEVEL_M = 0.0005  # m; a level that changes by less is not told


class Ahead(StrEnum):
    """How a transition stands to the blade."""

    AHEAD = "ahead"
    RUNNING = "running"


def notice(follow: Follow, speed: float) -> str:
    """The words: what asks for the driver first, then what comes next."""
    parts = [_place(follow), _refused(follow), _obstacle(follow, speed), _transition(follow)]
    return "; ".join(part for part in parts if part)


def _place(follow: Follow) -> str:
    place = follow.chainage
    if place.lost:
        return "chainage lost: mark the pin that you stand at by its name (pin:NAME)"
    if not place.known:
        pin = place.next_pin()
        return "" if pin is None else f"no distance sensor: mark pin {pin_words(pin)}"
    if place.sd > UNSURE_M:
        return f"chainage unsure by {place.sd:.1f} m: mark a pin"
    return ""


def _refused(follow: Follow) -> str:
    if follow.frozen is None:
        return ""
    return f"transition at {follow.frozen:.1f} m refused: target stays until you accept it"


def _transition(follow: Follow) -> str:
    found = follow.ahead()
    if found is None or follow.frozen is not None:
        return ""
    one, state = found
    entry = one.start_m if follow.sign > 0 else one.end_m
    to = change_words(one, follow.sign)
    if state is Ahead.RUNNING:
        return f"transition running: {to}"
    if not follow.chainage.known:
        return f"transition from {entry:.1f} m waits for a pin: {to}"
    return f"transition in {abs(entry - follow.chainage.at):.1f} m: {to}"


def change_words(one: Transition, sign: int) -> str:
    """'crossfall 2.0 to 3.0 %, level +20 mm, over 6 m', as the driver meets it."""
    falls, levels = one.crossfalls[::sign], one.offsets_m[::sign]
    words = []
    if falls[0] != falls[1]:
        words.append(f"crossfall {100 * sign * falls[0]:.1f} to {100 * sign * falls[1]:.1f} %")
    if abs(levels[1] - levels[0]) >= LEVEL_M:
        words.append(f"level {(levels[1] - levels[0]) / MM:+.0f} mm")
    return ", ".join([*words, f"over {one.end_m - one.start_m:.1f} m"])


def _obstacle(follow: Follow, speed: float) -> str:
    """The nearest obstacle that is here or soon."""
    place = follow.chainage
    if not place.known:
        return ""
    far = max(OBSTACLE_M, follow.job.announce_m, 6.0 * speed)
    best: tuple[float, str] | None = None
    for one in follow.obstacles:
        entry, end = (one.from_m, one.to_m) if follow.sign > 0 else (one.to_m, one.from_m)
        to_entry, to_end = follow.sign * (entry - place.at), follow.sign * (end - place.at)
        if to_end < 0.0 or to_entry > far:
            continue
        where = "now" if to_entry <= 0.0 else f"in {to_entry:.1f} m"
        does = "hold or coast" if one.kind == "gap" else f"lift {one.lift_mm:.0f} mm"
        named = f" ({one.words})" if one.words else ""
        kind = "string gap" if one.kind == "gap" else one.kind
        if best is None or to_entry < best[0]:
            best = to_entry, f"{kind} {where}{named}: {does}"
    return "" if best is None else best[1]
