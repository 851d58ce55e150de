"""A short string trial with every device a stand-in on a wire, next to the same on simulated ones.

Ten metres are too short for more than this; `python -m hil_tests.wire_trial` compares whole trials.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from hil_tests.wire_trial import COMPARED, pair, pooled


@pytest.mark.slow
@pytest.mark.parametrize("wiring", ["parts", "board"])
def test_the_controller_grades_through_wires(wiring: str, tmp_path: Path) -> None:
    plain, wired = pair(wiring, 10.0, 2, tmp_path / "temperature")
    assert wired["outcome"] in ("graded", "partly graded")
    assert wired["false_references"] == 0
    assert wired["held_pct"] < plain["held_pct"] + 10.0
    assert set(wired["faults"]) <= {"reference lost"}
    a, b = pooled([plain]), pooled([wired])
    for name in COMPARED:
        assert 0.5 * a[name] < b[name] < 1.6 * a[name]
