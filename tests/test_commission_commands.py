"""The commissioning commands as a person plays them on the simulated rig, on virtual time."""

from __future__ import annotations

import json
import math
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from firmware_py.commands import cli
from firmware_py.commission.book import Book, Keeping
from firmware_py.commission.in_force import in_force
from firmware_py.messages import Side
from firmware_py.settings import DEG, Rig
from firmware_py.settings_file import find_rig, load_rig

ENTER = "\n" * 40
RIG = load_rig(find_rig("reference"))
FILES = ("tilt", "slope", "bar.bar.left", "string.bar.left", "valves", "tune")


def play(store: Path, *words: str, said: str = ENTER) -> Result:
    return CliRunner().invoke(cli, [*words, "--store", str(store)], input=said)


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Everything commissioned once, in order."""
    folder = tmp_path_factory.mktemp("state")
    for words, said in (
        (("tilt",), ENTER), (("bar",), ENTER), (("check", "slope"), ENTER),
        (("check", "string"), ENTER), (("valves",), "\nyes\n"),
        (("tune", "--trial", "0"), ""),
    ):  # fmt: skip
        result = play(folder, *words, said=said)
        assert result.exit_code == 0, result.output
    return folder


def stored(store: Path, name: str) -> dict[str, float]:
    found = json.loads((store / "reference" / f"{name}.json").read_bytes())
    return {key: one["value"] for key, one in found["values"].items()}


def required(**changes: object) -> Rig:
    return Rig.model_validate(RIG.model_dump() | {"calibration": {"required": True}} | changes)


def test_a_result_says_what_it_holds_for(store: Path) -> None:
    for name in FILES:
        found = json.loads((store / "reference" / f"{name}.json").read_bytes())
        assert found["boots"] == Keeping(store).read().boots
        assert found["engaged_h"] == 0.0
        assert found["device"].startswith("simulated ")
        assert found["device"].endswith(", seed 1")
        assert all(one["u"] >= 0.0 for one in found["values"].values())
    assert json.loads((store / "reference" / "tilt.json").read_bytes())["temperature_c"] > 15.0


def test_what_is_found_is_what_the_simulated_rig_is(store: Path) -> None:
    """Its own figures: drivers/simulated/reference.py. Mounting yaw 1 degree, 80 ms, 12 %."""
    tilt, bar, valves = (stored(store, name) for name in ("tilt", "bar.bar.left", "valves"))
    assert tilt["mounting yaw"] == pytest.approx(math.radians(1.0), abs=math.radians(0.5))
    assert abs(tilt["roll zero"]) < math.radians(0.15)  # 0.3 mg of bias and 0.1 mg/K of warming up
    for k in range(5):
        assert abs(bar[f"element {k} zero"]) < 1e-3
        assert bar[f"element {k} scale"] == pytest.approx(1.0, abs=0.004)
    assert bar["middle"] == pytest.approx(0.6, abs=1e-3)
    assert valves["dead time"] == pytest.approx(0.080, abs=0.015)
    for side in ("left", "right"):
        assert valves[f"{side} overlap up"] == pytest.approx(0.12, abs=0.02)
        assert valves[f"{side} overlap down"] == pytest.approx(0.12, abs=0.02)
        assert valves[f"{side} up"] == pytest.approx(0.090, rel=0.05)
        assert valves[f"{side} down"] == pytest.approx(0.120, rel=0.05)
        assert valves[f"{side} cylinder"] == pytest.approx(0.6, abs=0.015)


def test_it_all_stands_in_the_settings_of_a_run(store: Path) -> None:
    held = in_force(RIG, Book(store, RIG))
    assert held.refused == held.told == []
    rig, tilt, valves = held.rig, stored(store, "tilt"), stored(store, "valves")
    assert rig.inertial.zero_roll_deg == pytest.approx(tilt["roll zero"] / DEG)
    assert rig.inertial.mount_yaw_deg == pytest.approx(tilt["mounting yaw"] / DEG)
    assert rig.valves is not None
    assert rig.valves.dead_time_ms == pytest.approx(1e3 * valves["dead time"])
    left = rig.calibration.valves[Side.LEFT]
    assert left.overlap_down_pct == pytest.approx(100.0 * valves["left overlap down"])
    zeros = rig.calibration.bars[Side.LEFT].zero_mm
    assert zeros == pytest.approx(
        [1e3 * stored(store, "bar.bar.left")[f"element {k} zero"] for k in range(5)]
    )
    assert rig.control.gain_per_s == pytest.approx(stored(store, "tune")["gain_per_s"])
    assert rig.calibration.slope is not None
    assert rig.calibration.slope.age_h == 0.0
    assert Rig.model_validate_json(rig.model_dump_json()) == rig  # as a recording holds it


def test_a_rig_that_needs_it_may_run_now_and_not_without(store: Path, tmp_path: Path) -> None:
    assert in_force(required(), Book(store, RIG)).refused == []
    missing = in_force(required(), Book(tmp_path, RIG))
    assert len(missing.refused) == 6  # every one is told at once
    assert "linehold check slope" in missing.words()
    assert in_force(RIG, Book(tmp_path, RIG)).refused == []  # a simulated rig needs none


def test_of_another_machine_nothing_is_in_force(store: Path) -> None:
    other = in_force(RIG, Book(store, RIG), seed=2)
    assert other.rig == RIG
    assert any("seed 1, and simulated inertial, seed 2 is there" in words for words in other.told)
    assert len(in_force(required(), Book(store, RIG), seed=2).refused) == 6


def test_undo_takes_the_last_one_back_and_what_leaned_on_it(store: Path, tmp_path: Path) -> None:
    _copy(store, tmp_path)
    done = play(tmp_path, "valves", "--undo")
    assert done.exit_code == 0
    assert "there was none before it" in done.output
    assert not (tmp_path / "reference" / "valves.json").exists()
    held = in_force(RIG, Book(tmp_path, RIG))
    assert held.rig.valves == RIG.valves
    assert any("tune was made for another valves" in words for words in held.told)
    again = play(tmp_path, "valves", "--undo")
    assert again.exit_code == 1
    assert "no stored valves to take back" in again.output


def test_undo_puts_the_one_before_back(store: Path, tmp_path: Path) -> None:
    _copy(store, tmp_path)
    before = (tmp_path / "reference" / "tune.json").read_bytes()
    tuned = play(tmp_path, "tune", "--gain", "2", "--integral", "9", "--trial", "0")
    assert tuned.exit_code == 0, tuned.output
    assert (tmp_path / "reference" / "tune.json").read_bytes() != before
    assert "one before it is in force again" in play(tmp_path, "tune", "--undo").output
    assert (tmp_path / "reference" / "tune.json").read_bytes() == before


def _copy(store: Path, to: Path) -> None:
    (to / "reference").mkdir()
    (to / "counts.json").write_bytes((store / "counts.json").read_bytes())
    for name in FILES:
        path = Path("reference") / f"{name}.json"
        (to / path).write_bytes((store / path).read_bytes())


def test_two_engaged_hours_end_a_slope_check(store: Path, tmp_path: Path) -> None:
    _copy(store, tmp_path)
    Keeping(tmp_path).add(1.99)
    held = in_force(required(), Book(tmp_path, RIG))
    assert held.refused == []
    assert held.rig.calibration.slope is not None
    assert held.rig.calibration.slope.age_h == pytest.approx(1.99)
    Keeping(tmp_path).add(0.02)
    [told] = in_force(required(), Book(tmp_path, RIG)).refused
    assert "2.0 engaged hours old, at most 2 is right" in told


def test_a_new_tilt_zero_voids_the_slope_check(store: Path, tmp_path: Path) -> None:
    _copy(store, tmp_path)
    assert play(tmp_path, "tilt", "--undo").exit_code == 0
    told = in_force(required(), Book(tmp_path, RIG)).words()
    assert "slope: The slope was made for another tilt" in told


def test_a_poor_line_is_refused_with_what_would_work(store: Path, tmp_path: Path) -> None:
    _copy(store, tmp_path)
    path = tmp_path / "reference" / "string.bar.left.json"
    found = json.loads(path.read_bytes())
    found["values"]["rate"]["value"] = 0.79
    found["words"] = "What would work: a tube."
    path.write_text(json.dumps(found), encoding="utf-8")
    words = in_force(RIG, Book(tmp_path, RIG)).words()
    assert words == 'left.guide = "string" is refused. What would work: a tube.'
    edge = Rig.model_validate(RIG.model_dump() | {"left": {"guide": "edge"}})
    assert in_force(edge, Book(tmp_path, edge)).refused == []


def test_the_start_of_the_day(store: Path) -> None:
    result = play(store, "check", "--json")
    told = json.loads(result.stdout)
    assert result.exit_code == 0, told
    assert told["wrong"] == []
    assert len(told["good"]) == 4
    assert told["in_force"][0] == "tilt"
    assert told["budget"]["largest"] == "air temperature"


def test_the_budget_names_the_largest(store: Path, tmp_path: Path) -> None:
    result = play(store, "budget", "--speed", "1.0")
    assert result.exit_code == 0
    assert "most of the height is air temperature" in result.output
    told = json.loads(play(store, "budget", "--json").stdout)
    bias = {one["source"]: one for one in told["lines"]}["tilt bias"]
    tilt = json.loads((store / "reference" / "tilt.json").read_bytes())["values"]["roll zero"]["u"]
    assert bias["crossfall_pct"] == pytest.approx(100.0 * tilt)
