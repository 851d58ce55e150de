"""Trials: the same bytes each time, the truth behind its wall, and every kind of end."""

from __future__ import annotations

import gc
import json
from collections.abc import Iterator
from itertools import islice
from pathlib import Path
from types import FunctionType, ModuleType

import msgspec
import numpy as np
import pytest

from drivers.simulated.rig import SimulatedRig
from drivers.simulated.truth import Truth
from firmware_py.controller import Controller
from firmware_py.messages import Mode
from firmware_py.replay import replay
from firmware_py.settings import Rig
from firmware_py.trial.picture import save_picture
from firmware_py.trial.result import Result
from firmware_py.trial.run import Loop, prepare, run_trial
from firmware_py.trial.setup import TrialError, rig_named
from firmware_py.trial.words import in_words
from tests.trial_made import STRING, event, trial

KEYS = {
    "scenario", "seed", "distance_m", "speed_mps", "ends", "string_rms_mm", "crossfall_rms_pct",
    "lateral_rms_mm", "false_references", "reference_lost_pct", "held_pct", "reversals_per_s",
    "capped_pct", "loop_health", "dead_time_s", "realtime_factor", "faults", "journal",
}  # fmt: skip
END_KEYS = {"guide", "height_rms_mm", "height_p95_mm", "height_max_mm", "height_bias_mm"}


def ticks(loop: Loop, most: int | None = None) -> bytes:
    encode = msgspec.msgpack.Encoder().encode
    return b"".join(encode(record) for record in islice(loop.records(), most))


@pytest.fixture(scope="module")
def progress() -> list[float]:
    return []


@pytest.fixture(scope="module")
def result(progress: list[float], tmp_path_factory: pytest.TempPathFactory) -> Result:
    """One trial, looked at from several sides."""
    journal = tmp_path_factory.mktemp("trial") / "t.mcap"
    return run_trial(trial(), seed=3, progress=progress.append, journal=journal)


class BlindRig(SimulatedRig):
    """A rig whose truth nobody may ask for."""

    def truth(self) -> Truth:
        raise AssertionError("somebody asked for the truth")


def watched(loop: Loop) -> bytes:
    """The ticks of a loop whose truth is looked at all the time."""
    encode = msgspec.msgpack.Encoder().encode
    out = []
    for record in loop.records(loop.sim.truth):
        out.append(encode(record))
    return b"".join(out)


def test_same_seed_same_bytes_with_the_truth_read_or_barred() -> None:
    first = watched(prepare(trial(), seed=2))
    assert len(first) > 100_000
    assert ticks(prepare(trial(), seed=2, simulate=BlindRig)) == first
    other = ticks(prepare(trial(), seed=4), most=200)
    assert len(other) > 10_000
    assert other != first[: len(other)]


def reachable(root: object) -> Iterator[object]:
    """Every object that can be got at from another one, but for modules and classes."""
    seen, stack = {id(root)}, [root]
    while stack:
        found = stack.pop()
        yield found
        nexts = gc.get_referents(found)
        if isinstance(found, FunctionType):  # its globals are its module: imports are walled off
            nexts = [found.__closure__, found.__defaults__, found.__kwdefaults__]
        for item in nexts:
            if isinstance(item, (ModuleType, type)) or id(item) in seen:
                continue
            seen.add(id(item))
            stack.append(item)


def beyond_the_wall(root: object) -> set[str]:
    homes = {type(item).__module__ for item in reachable(root)}
    homes |= {str(getattr(item, "__module__", "")) for item in reachable(root)
              if isinstance(item, FunctionType)}  # fmt: skip
    return {home for home in homes if home.startswith(("drivers.simulated", "firmware_py.trial"))}


def test_nothing_reachable_from_the_controller_is_simulated_or_a_trial() -> None:
    loop = prepare(trial(), seed=1)
    records = loop.records()
    for _ in range(400):
        next(records)
    assert isinstance(loop.controller, Controller)
    assert beyond_the_wall(loop.controller) == set()


def test_the_walk_finds_what_is_hidden() -> None:
    loop = prepare(trial(), seed=1)
    loop.controller.peek = loop.sim.truth  # type: ignore[attr-defined]
    assert "drivers.simulated.rig" in beyond_the_wall(loop.controller)


def test_the_result_is_one_json_object_with_every_key(result: Result) -> None:
    told = json.loads(json.dumps(result.summary, allow_nan=False))
    assert set(told) >= KEYS
    for side in ("left", "right"):
        assert set(told["ends"][side]) >= END_KEYS
    assert told["seed"] == 3
    assert told["distance_m"] == pytest.approx(3.0, abs=0.1)
    assert told["speed_mps"] == pytest.approx(0.5, abs=0.05)
    assert told["outcome"] == "graded"
    assert told["ends"]["left"]["height_rms_mm"] < 10.0
    assert told["held_pct"] == 0.0
    assert "simulated" in told["note"]


def test_words_and_picture_say_that_it_is_simulated(result: Result, tmp_path: Path) -> None:
    words = in_words(result)
    assert "simulated; prototype, uncertified" in words
    assert "Left end (string)" in words
    assert max(map(len, words.splitlines())) <= 80
    assert "\n\nGraded: 3 m scored" in words
    save_picture(result, tmp_path / "t.png")
    assert (tmp_path / "t.png").read_bytes()[:4] == b"\x89PNG"


def test_the_controllers_beliefs_are_no_part_of_the_score(result: Result) -> None:
    """Errors come from the truth; what was estimated stands beside them."""
    series = result.series
    assert np.isfinite(series.error[result.rig.control.master]).all()
    assert np.isnan(series.estimate_gap[:100]).all()  # no datum yet


def test_with_a_silent_bar_a_trial_ends_held() -> None:
    silent = event(do="fault", at_m=0, for_s=10000, fault="unplug", device="bar.left")
    found = run_trial(trial(events=silent)).summary
    assert found["outcome"] == "held"
    assert found["held_pct"] == 100.0


def test_a_rig_without_valves_is_run_and_held() -> None:
    found = run_trial(trial(), rig="cue-only").summary
    assert found["outcome"] == "held"
    assert found["dead_time_s"] is None
    with pytest.raises(TrialError, match="needs proportional valves"):
        run_trial(trial(), rig="cue-only", controller="plain")


def test_a_rig_that_does_not_fit_the_trial_is_told() -> None:
    with pytest.raises(TrialError, match=r"crossfall_pct, 3\b"):
        run_trial(trial(STRING.replace("[left]", "crossfall_pct = 5\n[left]")), rig=_shallow())


def _shallow() -> Rig:
    plain = rig_named("reference").model_dump(mode="json")
    plain["limits"]["crossfall_pct"] = 3.0
    return Rig.model_validate(plain)


def test_without_a_reference_the_driver_gives_up_and_the_trial_says_so(tmp_path: Path) -> None:
    gone = event(do="fault", at_s=0, for_s=10000, fault="reference_gone", device="bar.left")
    found = run_trial(trial(events=gone))
    assert found.summary["outcome"] == "held"
    assert found.summary["distance_m"] == 0.0  # nobody drives off without the automatic
    assert found.summary["refused"] == ["left: no reference in view; a datum needs one (30 times)"]
    assert found.summary["why"]
    [told] = found.summary["troubles"]
    assert told.startswith("The driver gave up before driving off: left: no reference in view")
    words = in_words(found)
    assert "HELD: nothing was scored. The driver gave up before driving off" in words
    assert "?" not in words
    save_picture(found, tmp_path / "t.png")
    assert (tmp_path / "t.png").read_bytes()[:4] == b"\x89PNG"
    assert found.series.time[-1] < 45.0  # and the waiting is bounded


def test_a_driver_who_is_refused_asks_again_and_then_drives() -> None:
    late = event(do="fault", at_s=0, for_s=15, fault="reference_gone", device="bar.left")
    found = run_trial(trial(events=late))
    assert found.summary["refused"] == ["left: no reference in view; a datum needs one (6 times)"]
    assert found.summary["outcome"] == "graded"
    assert found.summary["held_pct"] == 0.0
    assert found.summary["distance_m"] == pytest.approx(3.0, abs=0.1)
    assert not (found.series.travelled[~found.series.automatic] > 0.05).any()


BY_HAND = "".join([
    event(do="datum", end="left", at_s=3), event(do="hand", end="left", lever=0.6, for_s=0.5,
    at_s=3.5), event(do="hand", end="left", lever=-0.6, for_s=0.5, at_s=5.0),
    event(do="engage", at_s=7), event(do="drive", at_s=7.5),
])  # fmt: skip


@pytest.mark.parametrize("gone_s", [0, 15])
def test_a_by_hand_start_waits_for_what_was_refused(gone_s: int) -> None:
    """The hand on the lever comes after the datum, however late that is."""
    late = event(do="fault", at_s=0, for_s=gone_s, fault="reference_gone", device="bar.left")
    text = STRING.replace("[left]", 'start = "by hand"\n[left]')
    found = run_trial(trial(text, BY_HAND + (late if gone_s else "")))
    assert bool(found.summary["refused"]) is bool(gone_s)
    assert found.summary["outcome"] == "graded", found.summary["troubles"]
    assert abs(found.summary["ends"]["left"]["height_bias_mm"]) < 5.0


def test_a_reference_that_goes_on_the_way_is_told_as_lost() -> None:
    gone = event(do="fault", at_m=6, for_s=10000, fault="reference_gone", device="bar.left")
    whole = run_trial(trial(events=gone))
    found = whole.summary
    assert found["reference_lost_pct"] > 30.0
    assert "reference lost" in found["faults"]
    assert any(t.startswith("The reference was lost for ") for t in found["troubles"])
    assert any(t.startswith("The machine was held for ") for t in found["troubles"])
    first = in_words(whole).split("\n\n")[1]
    assert first.startswith(("HELD: ", "PARTLY GRADED: "))


def test_a_fault_that_latched_is_said_first() -> None:
    stuck = event(do="fault", at_m=6, for_s=2, fault="freeze", device="inertial")
    whole = run_trial(trial(events=stuck))
    told = whole.summary["troubles"]
    assert told[0] == (
        'The fault "inertial stuck" took the automatic off after 6 m, and it stayed off to the end.'
    )
    assert whole.summary["outcome"] in ("held", "partly graded")
    assert "Graded:" not in in_words(whole)


def test_what_the_script_itself_holds_is_no_trouble() -> None:
    happens = event(do="hold", end="right", for_s=1, at_m=6) + event(do="stop", for_s=1, at_m=7)
    found = run_trial(trial(events=happens)).summary
    assert found["held_pct"] > 1.0
    assert found["troubles"] == []
    assert found["outcome"] == "graded"


def test_events_reach_the_person_and_the_controller() -> None:
    happens = (
        event(do="nudge", end="left", step_mm=10, at_m=1)
        + event(do="hand", end="right", lever=0.5, for_s=0.5, at_m=5.5)
        + event(do="stop", for_s=2, at_m=6.5)
        + event(do="reverse", for_m=1, at_m=7)
        + event(do="hold", end="right", for_s=1, at_m=2)
    )
    found = run_trial(trial(events=happens))
    series = found.series
    assert found.summary["by_hand_pct"] > 5.0
    assert "reversing" in found.summary["faults"]
    assert np.diff(series.travelled).min() < 0.0
    assert found.summary["refused"] == []
    assert found.summary["troubles"] == []
    offsets = [e["height_bias_mm"] for e in found.summary["ends"].values()]
    assert abs(offsets[0]) < 6.0  # the target moved by 10 mm with the nudge


def test_dropping_enable_ends_automatic() -> None:
    loop = prepare(trial(events=event(do="drop enable", for_s=0.5, at_m=3)))
    modes = [record.tick.mode for record in loop.records()]
    assert Mode.AUTO in modes
    assert modes[-1] is not Mode.AUTO


def test_an_event_for_a_device_that_is_not_there_is_refused() -> None:
    broken = event(do="fault", at_s=1, for_s=1, fault="unplug", device="bar.right")
    with pytest.raises(TrialError, match=r"bar\.right"):
        run_trial(trial(events=broken))


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize("direction", ["with", "against"])
def test_all_four_combinations_of_side_and_direction_grade(side: str, direction: str) -> None:
    text = STRING.replace("[left]", f'direction = "{direction}"\n[{side}]')
    found = run_trial(trial(text), seed=1).summary
    assert found["outcome"] == "graded"
    assert found["guided_end"] == side
    assert found["ends"][side]["height_rms_mm"] < 6.0
    assert found["crossfall_rms_pct"] < 0.5


def test_over_a_strip_the_person_steers_by_eye() -> None:
    text = STRING.replace('"string"', '"strip"').replace("distance_m = 8", "distance_m = 12")
    found = run_trial(trial(text), rig="surface").summary
    assert found["lateral_rms_mm"] is None
    assert 0.0 < found["steering_rms_mm"] < 60.0
    assert found["ends"]["left"]["guide"] == "surface"


def test_a_measured_ground_takes_the_place_of_the_trials_own(tmp_path: Path) -> None:
    grid = np.random.default_rng(1).normal(0.0, 3.0, (80, 60))
    np.savez(tmp_path / "g.npz", u_m=np.arange(80) * 0.05, v_m=np.arange(60) * 0.05, z_mm=grid)
    found = run_trial(trial(), ground=tmp_path / "g.npz").summary
    assert found["outcome"] == "graded"


def test_progress_rises_to_one(result: Result, progress: list[float]) -> None:
    assert len(progress) > 5
    assert progress == sorted(progress)
    assert progress[-1] == 1.0


def test_a_journal_replays_bit_for_bit(result: Result) -> None:
    path = Path(result.summary["journal"])
    assert path.name == "t.mcap"
    outcome = replay(path, lambda header: Controller(Rig.model_validate(header.settings)))
    assert outcome.identical, outcome.words()
    assert outcome.ticks == result.series.time.size
