"""Levels from CSV files: a header that names column and unit, all faults at once with their line.

Columns end in _m or _ft (international feet), one unit for the whole file; crossfall_pct in %.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from firmware_py import errors
from firmware_py.errors import Fault, FileFault
from firmware_py.setout.alignment import Floats
from firmware_py.settings_file import read_text

FOOT = 0.3048  # m, international foot (NIST SP 811, appendix B.8)
MOST_BYTES = 30_000_000  # a file of 100 000 stations has some 4 MB
MOST_ROWS = 200_000
MOST_FAULTS = 20  # told of one file; more are counted
RANGES = {  # in m and %: what a design file allows
    "chainage": (-1e6, 1e6), "level": (-500.0, 9000.0), "left": (-500.0, 9000.0),
    "right": (-500.0, 9000.0), "width": (1e-3, 50.0), "crossfall": (-20.0, 20.0),
}  # fmt: skip


@dataclass(frozen=True)
class Table:
    """Columns by name without unit, SI; chainage rises. A column that is not there is absent."""

    path: Path
    columns: dict[str, Floats]
    lines: list[int]

    def get(self, name: str) -> Floats | None:
        return self.columns.get(name)

    def fault(self, row: int, name: str, words: str) -> FileFault:
        """One fault of one row."""
        return FileFault([Fault(str(self.path), self.lines[row], name, words)])


def load_table(path: Path, needed: Sequence[str], allowed: Sequence[str]) -> Table:
    """A CSV's columns; FileFault with every fault of it. Names come without their unit."""
    rows = _rows(path)
    if not rows:
        raise FileFault([Fault(str(path), None, "", "is empty; a line of column names is right")])
    (line, header), *body = rows
    names = _header(path, line, header, needed, allowed)
    if not body:
        raise FileFault([Fault(str(path), line, "", "has column names and no row below them")])
    if len(body) > MOST_ROWS:
        raise FileFault([Fault(str(path), None, "", f"more than {MOST_ROWS} rows")])
    return _body(path, names, body)


def _rows(path: Path) -> list[tuple[int, list[str]]]:
    """Rows that hold something, each with its line; # begins a comment line."""
    text = read_text(path, MOST_BYTES)
    lines = (line.strip() for line in text.split("\n", 50)[:50])
    start = next((line for line in lines if line and not line.startswith("#")), "")
    mark = ";" if ";" in start else "\t" if "\t" in start else ","
    reader = csv.reader(io.StringIO(text), delimiter=mark, skipinitialspace=True)
    try:
        found = [(reader.line_num, row) for row in reader]
    except csv.Error as error:
        words = f"no CSV: {error}"
        raise FileFault([Fault(str(path), reader.line_num, "", words)]) from error
    return [(n, row) for n, row in found if any(row) and not row[0].startswith("#")]


def _header(
    path: Path, line: int, header: list[str], needed: Sequence[str], allowed: Sequence[str]
) -> list[tuple[str, float]]:
    """Each column's name without unit, and the factor to SI."""
    right = ", ".join(f"{name}_{'pct' if name == 'crossfall' else 'm'}" for name in allowed)
    faults: list[Fault] = []
    found: list[tuple[str, float]] = []
    units: set[str] = set()
    for word in (cell.strip().lower() for cell in header):
        name, _, unit = word.rpartition("_")
        fits = name in allowed and unit in (("pct",) if name == "crossfall" else ("m", "ft"))
        if not fits:
            words = f"unknown column; {right} are right, or _ft for _m"
            faults.append(Fault(str(path), line, errors.shown(word), words))
        elif name in [one for one, _ in found]:
            faults.append(Fault(str(path), line, word, "the column is there twice"))
        units |= {unit} & {"m", "ft"} if fits else set()
        found.append((name, {"m": 1.0, "ft": FOOT, "pct": 0.01}.get(unit, 1.0)))
    for name in needed:
        if not faults and name not in [one for one, _ in found]:
            faults.append(Fault(str(path), line, f"{name}_m", "missing column; " + right))
    if len(units) > 1:
        words = "columns in m and columns in ft; one unit for the whole file is right"
        faults.append(Fault(str(path), line, "", f"mixed units: {words}"))
    if faults:
        raise FileFault(faults)
    return found


def _body(
    path: Path, names: list[tuple[str, float]], body: list[tuple[int, list[str]]]
) -> Table:  # fmt: skip
    faults: list[Fault] = []
    values = np.full((len(body), len(names)), math.nan)
    for at, (line, row) in enumerate(body):
        if len(row) != len(names):
            words = f"{len(row)} cells; the header has {len(names)} columns"
            faults.append(Fault(str(path), line, "", words))
            continue
        for k, ((name, factor), cell) in enumerate(zip(names, row, strict=True)):
            value = _value(cell, factor, name)
            if isinstance(value, str):
                faults.append(Fault(str(path), line, name, value))
            else:
                values[at, k] = value
    columns = {name: values[:, k].copy() for k, (name, _) in enumerate(names)}
    lines = [line for line, _ in body]
    faults += _not_rising(path, columns["chainage"], lines)
    if faults:
        raise FileFault(_few(path, sorted(faults, key=lambda fault: fault.line or 0)))
    return Table(path, columns, lines)


def _value(cell: str, factor: float, name: str) -> float | str:
    """The number in SI, or what is wrong with it."""
    try:
        value = float(cell) * factor
    except ValueError:
        return f"{errors.shown(cell)} is not a number"
    low, high = RANGES[name]
    if not low <= value <= high:  # NaN as well
        return f"{errors.shown(cell)} is out of range; {low / factor:g} to {high / factor:g}"
    return value


def _not_rising(path: Path, at: Floats, lines: list[int]) -> list[Fault]:
    with np.errstate(invalid="ignore"):
        wrong = np.flatnonzero(np.diff(at) <= 0.0)
    return [
        Fault(str(path), lines[k + 1], "chainage",
              f"{at[k + 1]:g} m does not follow {at[k]:g} m; rising chainages are right")
        for k in wrong.tolist()
    ]  # fmt: skip


def _few(path: Path, faults: list[Fault]) -> list[Fault]:
    if len(faults) <= MOST_FAULTS:
        return faults
    more = Fault(str(path), None, "", f"and {len(faults) - MOST_FAULTS} more faults like these")
    return [*faults[:MOST_FAULTS], more]
