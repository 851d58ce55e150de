"""Check levels from somebody else's instrument, and the machine's bias and spread against them.

Sides look up chainage. off = machine - check, > 0: the machine believes the edge higher than it was
measured. Means and spreads as JCGM 100, 4.2; intervals are k = 2.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from firmware_py import errors
from firmware_py.asgraded.columns import Floats
from firmware_py.asgraded.stations import STEP_M, Stations
from firmware_py.commission.estimate import LEAST_DOF, K, widened
from firmware_py.errors import Fault, FileFault
from firmware_py.messages import SIDES, Side

COLUMNS = ("chainage_m", "side", "level_m")
ERROR = "off_mm"  # in place of level_m: height over what was asked
FAR_M = 0.5  # m; a level farther from the design is another unit or another datum
FAR_MM = 500.0
MOST = 100_000  # lines
WORDS = "chainage_m, side and level_m (or off_mm, the height over what was asked) are right"


@dataclass(frozen=True)
class Level:
    """One check level: where it stands in the file, chainage (m), end; level or height over what
    was asked, both in m, one of them None."""

    line: int
    chainage: float
    side: Side
    level: float | None
    off: float | None


def read_levels(path: Path) -> tuple[Level, ...]:
    """The check levels of a CSV; FileFault with every fault of it."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        words = getattr(error, "strerror", None) or "it is no text in UTF-8"
        raise FileFault([Fault(str(path), None, "", f"{words}; a CSV file is right")]) from error
    rows = csv.DictReader(text.splitlines(), skipinitialspace=True)
    try:
        return _levels(str(path), rows)
    except csv.Error as error:
        raise FileFault([Fault(str(path), rows.line_num, "", f"{error}; CSV is right")]) from error


def _levels(path: str, rows: csv.DictReader[str]) -> tuple[Level, ...]:
    names = [name.strip() for name in rows.fieldnames or ()]
    rows.fieldnames = names
    if faults := list(_columns(path, names)):
        raise FileFault(faults)
    found: list[Level] = []
    wrong: list[Fault] = []
    for row in rows:
        level = _row(path, rows.line_num, row, wrong)
        if level is not None:
            found.append(level)
        if len(found) > MOST:
            wrong.append(Fault(path, rows.line_num, "", f"more than {MOST} levels"))
        if len(wrong) >= 10:
            break
    wrong += [] if wrong else _order(path, found)
    if not found and not wrong:
        wrong.append(Fault(path, None, "", "it holds no check level; a line each is right"))
    if wrong:
        raise FileFault(wrong)
    return tuple(found)


def _columns(path: str, names: Sequence[str]) -> Iterator[Fault]:
    if not names:
        yield Fault(path, None, "", f"it is empty; the columns {WORDS}")
        return
    if len(set(names)) < len(names):
        yield Fault(path, 1, "", "a column stands there twice; each once is right")
    if ERROR in names and "level_m" in names:
        yield Fault(path, 1, ERROR, "level_m stands there as well; one of them is right")
    for name in COLUMNS[:2]:
        if name not in names:
            yield Fault(path, 1, name, f"the column is missing{_near(name, names)}; {WORDS}")
    if "level_m" not in names and ERROR not in names:
        yield Fault(path, 1, "level_m", f"the column is missing{_near('level_m', names)}; {WORDS}")


def _near(name: str, names: Sequence[str]) -> str:
    """A column of the same kind in another unit."""
    kind = name.split("_", maxsplit=1)[0]
    alike = [one for one in names if one.startswith(f"{kind}_")]
    return f", but {errors.shown(alike[0])} is there: the unit differs" if alike else ""


def _row(path: str, line: int, row: dict[str, str], wrong: list[Fault]) -> Level | None:
    chainage = _number(path, line, row, COLUMNS[0], wrong)
    side = (row.get("side") or "").strip().lower()
    if side not in {one.value for one in SIDES}:
        words = f'{errors.shown(row.get("side") or "")} is no side; "left" or "right" is right'
        wrong.append(Fault(path, line, "side", words))
    key = ERROR if ERROR in row else "level_m"
    value = _number(path, line, row, key, wrong)
    if chainage is None or value is None or side not in {one.value for one in SIDES}:
        return None
    if key == ERROR:
        if abs(value) > FAR_MM:
            words = f"{value:g} is more than {FAR_MM:g} mm from what was asked; mm is the unit"
            wrong.append(Fault(path, line, key, words))
            return None
        return Level(line, chainage, Side(side), None, value * 1e-3)
    return Level(line, chainage, Side(side), value, None)


def _number(
    path: str, line: int, row: dict[str, str], key: str, wrong: list[Fault]
) -> float | None:
    text = (row.get(key) or "").strip()
    unit = key.rsplit("_", 1)[1]
    try:
        value = float(text)
    except ValueError:
        told = f"{errors.shown(text)} is not a number" if text else "it is missing"
        wrong.append(Fault(path, line, key, f"{told}; a number in {unit} is right"))
        return None
    if not math.isfinite(value):
        wrong.append(Fault(path, line, key, f"{text} is no level; a number in {unit} is right"))
        return None
    return value


def _order(path: str, found: Sequence[Level]) -> list[Fault]:
    """Chainages run one way: levels out of order are mostly a slip of the pen."""
    at = np.array([one.chainage for one in found])
    way = np.diff(at)
    rising = not way.size or float(way.sum()) >= 0.0
    bad = np.flatnonzero((way < 0.0) if rising else (way > 0.0))
    if not bad.size:
        return []
    one, two = found[int(bad[0])], found[int(bad[0]) + 1]
    words = f"{two.chainage:g} does not follow {one.chainage:g}; chainages in order are right"
    return [Fault(path, two.line, "chainage_m", words)]


@dataclass(frozen=True)
class Against:
    """The machine against check levels of one side (None: both), m.

    bias_half and spread: k = 2 half width of the mean, and one sd; NaN where n is too small.
    covered: share that the machine's own k = 2 interval holds.
    """

    side: Side | None
    n: int
    bias: float
    bias_half: float
    spread: float
    covered: float


@dataclass(frozen=True)
class Compared:
    """Each level that the record has a station for: chainage, side, off and its u, m; how many had
    none, and the figures."""

    levels: tuple[Level, ...]
    off: Floats
    u: Floats
    missed: int
    figures: tuple[Against, ...]


def compare(path: str, levels: Sequence[Level], built: Stations) -> Compared:
    """Hold the stations against check levels. FileFault where none of them can be compared."""
    kept, off, u = [], [], []
    for level in levels:
        found = _at(level, built)
        if found is not None:
            kept.append(level)
            off.append(_machine(path, level, built, found) - _checked(level))
            u.append(float(built.u(level.side)[found]))
    if not kept:
        first, last = built.chainage[0], built.chainage[-1]
        words = f"no level lies where the log knows the edge, {first:.1f} to {last:.1f} m"
        raise FileFault([Fault(path, None, "", f"{words}; levels of that stretch are right")])
    offs, us = np.array(off), np.array(u)
    told: list[Against] = []
    sides = {one.side for one in kept}
    for side in (*SIDES, None) if len(sides) > 1 else tuple(sides):
        rows = np.array([side is None or one.side is side for one in kept])
        if rows.any():
            told.append(_against(side, offs[rows], us[rows]))
    return Compared(tuple(kept), offs, us, len(levels) - len(kept), tuple(told))


def _at(level: Level, built: Stations) -> int | None:
    """The station at a level's chainage; None where the edge is not known."""
    if not len(built):
        return None
    row = int(np.argmin(np.abs(built.chainage - level.chainage)))
    near = abs(float(built.chainage[row]) - level.chainage) <= 1.01 * STEP_M
    return row if near and math.isfinite(float(built.error(level.side)[row])) else None


def _machine(path: str, level: Level, built: Stations, row: int) -> float:
    """What the machine says of that place, as the level is told, m."""
    error = float(built.error(level.side)[row])
    if level.level is None:
        return error
    asked = _asked(level, built)
    if not math.isfinite(asked):
        words = "a level needs the design's: --job with a job file that has level_m there is right"
        raise FileFault([Fault(path, level.line, "level_m", f"{words}; or the column off_mm")])
    if abs(level.level - asked) > FAR_M:
        words = f"{level.level:g} is more than {FAR_M:g} m from the design, {asked:.3f}"
        raise FileFault([Fault(path, level.line, "level_m", f"{words}; m over its datum is right")])
    return asked + error


def _asked(level: Level, built: Stations) -> float:
    """The design's level at that very chainage: on a grade half a station counts."""
    design = built.level(level.side)
    known = np.isfinite(design)
    if not known.any():
        return math.nan
    return float(np.interp(level.chainage, built.chainage[known], design[known]))


def _checked(level: Level) -> float:
    return level.off if level.off is not None else float(level.level or 0.0)


def _against(side: Side | None, off: Floats, u: Floats) -> Against:
    n, half, spread = off.size, math.nan, math.nan
    if n > 1:
        spread = float(off.std(ddof=1))
    if n - 1 >= LEAST_DOF:
        half = K * widened(spread / math.sqrt(n), n - 1)
    return Against(
        side, n, float(off.mean()), half, spread, float(np.mean(np.abs(off) <= K * u))
    )  # fmt: skip
