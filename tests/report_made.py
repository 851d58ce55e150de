"""A short real log for the tests of the report: some metres of a simulated footpath."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import msgspec
from test_docs import script

from firmware_py.journal.header import Header
from firmware_py.journal.read import Recorded, read_log
from firmware_py.journal.store import Store
from firmware_py.messages import Record
from firmware_py.trial.run import run_trial
from firmware_py.trial.setup import rig_for, rig_named

coverage = script("report_coverage")
PATH_M = 14.0


def make_log(path: Path) -> Path:
    """Drive it, once a process."""
    path.write_bytes(_driven())
    return path


@cache
def _driven() -> bytes:
    with TemporaryDirectory() as folder:
        path = Path(folder) / "run.mcap"
        run_trial(coverage.scenario(1, PATH_M), seed=1, journal=path)
        return path.read_bytes()


def records(path: Path) -> Iterator[Record]:
    return (entry.record for entry in read_log(path) if isinstance(entry, Recorded))


def rewrite(path: Path, records: Iterator[Record], **more: object) -> Path:
    """A log of these records, with a header like any other's."""
    settings = coverage_settings()
    header = Header(rig="", settings=settings, started="2026-05-04T08:00:00+00:00")
    store = Store(path, msgspec.structs.replace(header, **more))
    for number, record in enumerate(records):
        store.add_record(number, msgspec.msgpack.encode(record))
    store.close()
    return path


def coverage_settings() -> dict[str, object]:
    settings: dict[str, object] = rig_for(
        coverage.scenario(1, PATH_M), rig_named("reference")
    ).model_dump(mode="json")
    return settings
