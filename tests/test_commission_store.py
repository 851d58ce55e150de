"""Stored results: both sides of every limit, undo, files that are not ours."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import msgspec
import pytest

from firmware_py.commission.estimate import CommissionError, Estimate, Term
from firmware_py.commission.store import Now, Result, is_stale, load, make, save, undo

NOW = Now(boots=7, engaged_h=40.0, device="imu-1")
ZERO = Estimate(0.01, "rad", 1e-4, (Term("marks", 2e-4),))


def _result(kind: str = "slope", wall: str | None = None, *, synced: bool = False) -> Result:
    return make(kind, NOW, 20.0, {"zero": ZERO}, wall=wall, synced=synced)


def test_a_result_comes_back_as_it_was(tmp_path: Path) -> None:
    path = tmp_path / "slope.json"
    assert load(path) is None
    save(path, _result(wall="2026-05-04T10:00:00Z", synced=True))
    found = load(path)
    assert found == _result(wall="2026-05-04T10:00:00Z", synced=True)
    assert found is not None
    assert found.values["zero"].u == pytest.approx(ZERO.u)
    assert found.values["zero"].terms == {"type A": 1e-4, "marks": 2e-4}
    assert [p.name for p in tmp_path.iterdir()] == ["slope.json"]


def test_wall_time_only_when_synced() -> None:
    assert _result(wall="2026-05-04T10:00:00Z").wall is None


@pytest.mark.parametrize(
    ("now", "temperature", "words"),
    [
        (NOW, 20.0, None),
        (replace(NOW, boots=9), 20.0, None),
        (replace(NOW, engaged_h=42.0), 20.0, None),
        (replace(NOW, engaged_h=42.1), 20.0, "2.1 engaged hours old, at most 2 is right"),
        (NOW, 30.0, None),
        (NOW, 30.1, "10.1 K from the slope's temperature, at most 10 K"),
        (NOW, 9.9, "10.1 K"),
        (NOW, None, "no temperature"),
        (replace(NOW, device="imu-2"), 20.0, "of device imu-1, and imu-2 is there"),
        (replace(NOW, boots=6), 20.0, "later than now"),
        (replace(NOW, engaged_h=39.0), 20.0, "later than now"),
    ],
)
def test_the_slope_check_holds_for_10_k_and_2_h(
    now: Now, temperature: float | None, words: str | None
) -> None:
    told = is_stale(_result(), now, temperature)
    if words is None:
        assert told is None
    else:
        assert told is not None
        assert words in told
        assert told.endswith(".")
        assert ". " not in told  # one sentence


def test_missing() -> None:
    assert is_stale(None, NOW, 20.0, "tilt") == "No result of tilt is stored; do it first."


def test_the_tilt_zero_does_not_age_but_knows_its_device() -> None:
    old = _result("tilt")
    assert is_stale(old, replace(NOW, engaged_h=400.0), 45.0) is None
    assert is_stale(old, replace(NOW, device="other"), 20.0) is not None


def test_undo_brings_back_the_one_before(tmp_path: Path) -> None:
    path = tmp_path / "tilt.json"
    first, second = _result("tilt"), msgspec.structs.replace(_result("tilt"), boots=8)
    save(path, first)
    save(path, second)
    assert undo(path)
    assert load(path) == first
    assert not undo(path)
    assert load(path) is None


@pytest.mark.parametrize("text", [b"", b"[]", b'{"schema": 1}', b"\xff\x00", b'{"kind": 3}'])
def test_what_is_not_ours_is_one_sentence(tmp_path: Path, text: bytes) -> None:
    path = tmp_path / "x.json"
    path.write_bytes(text)
    with pytest.raises(CommissionError, match="no stored result"):
        load(path)


def test_another_schema_or_kind(tmp_path: Path) -> None:
    path = tmp_path / "x.json"
    save(path, msgspec.structs.replace(_result(), schema=2))
    with pytest.raises(CommissionError, match="schema 2"):
        load(path)
    with pytest.raises(CommissionError, match='"soup" is no procedure'):
        make("soup", NOW, 20.0, {})
