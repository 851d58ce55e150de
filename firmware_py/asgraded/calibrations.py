"""Stored calibrations as the report takes them: their standard uncertainties, and what they say."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

from firmware_py.asgraded.uncertainty import SOURCE_STORED, Assumed, Known
from firmware_py.commission import store
from firmware_py.commission.estimate import CommissionError
from firmware_py.commission.store import Result
from firmware_py.job import Job
from firmware_py.settings import MM

ROLL_ZERO, YAW = "roll zero", "mounting yaw"  # as `linehold` stores them under "tilt", rad
COUNTS = "counts.json"  # beside the results, no result itself


def load_folder(folder: Path) -> tuple[tuple[str, Result], ...]:
    """Every result in a folder, by file name; CommissionError when a file is no result."""
    if not folder.is_dir():
        raise CommissionError(f"{folder} is no folder; that of a rig's stored results is right")
    found = []
    for path in sorted(folder.glob("*.json")):
        if path.name != COUNTS and (result := store.load(path)) is not None:
            found.append((path.name, result))
    if not found:
        raise CommissionError(f"{folder} holds no stored result; that of a rig is right")
    return tuple(found)


def assumed(
    results: Sequence[tuple[str, Result]], job: Job | None, *, reference_mm: float | None,
    datum_mm: float | None,
) -> Assumed:  # fmt: skip
    """What is taken for granted, with all that was stored or said in its place."""
    now = Assumed()
    for _, result in results:
        values = result.values if result.kind == "tilt" else {}
        if (zero := values.get(ROLL_ZERO)) is not None and zero.u > 0.0:
            now = replace(now, tilt_zero=Known(zero.u, f"{SOURCE_STORED} (tilt)"))
        if (yaw := values.get(YAW)) is not None and yaw.u > 0.0:
            now = replace(now, mount_yaw=Known(yaw.u, f"{SOURCE_STORED} (tilt)"))
    if reference_mm is not None:
        now = replace(now, reference=Known(reference_mm * MM, "as given"))
    if datum_mm is not None:
        now = replace(now, datum=Known(datum_mm * MM, "as given"))
    return _with_pins(now, job)


def _with_pins(now: Assumed, job: Job | None) -> Assumed:
    """The widest span of the job's pins, in place of the assumed one."""
    at = [] if job is None else [pin.chainage_m for pin in job.pins]
    if len(at) < 2:
        return now
    widest = max(two - one for one, two in pairwise(at))
    return replace(now, span_m=widest, span_source="the job's pins")
