"""A live run's parts in this process: real time, the simulated driver, health, host, recording."""

from __future__ import annotations

import gc
import math
import os
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pytest
from test_journal_making import HEADER, tick

from firmware_py.controller import Controller
from firmware_py.journal.ring import Ring, Writer
from firmware_py.link.frames import Beat, Hello, Note
from firmware_py.live import host, lines
from firmware_py.live.health import LEAST_S, Health
from firmware_py.live.hello import make_hello
from firmware_py.live.operator import Operator
from firmware_py.live.realtime import realtime
from firmware_py.live.recording import Recording, new_recording
from firmware_py.live.scene import RigError, scene_for
from firmware_py.live.simulated import simulated
from firmware_py.messages import Engage, Mode, Record, Side, Tick
from firmware_py.settings import Rig
from firmware_py.settings_file import bundled_rigs, find_rig, load_rig
from firmware_py.trial.score import loop_health


def bundled(name: str) -> Rig:
    return load_rig(find_rig(name))


def test_real_time_is_told_in_sentences_and_undone() -> None:
    with realtime() as measures:
        assert not gc.isenabled()
        assert len(measures) == 3
        for measure in measures:
            assert measure.words.endswith(".")
    assert gc.isenabled()
    assert os.sched_getscheduler(0) == os.SCHED_OTHER


def drive(rig: Rig, seconds: float, way_m: float = 75.0) -> tuple[Operator, list[Tick]]:
    """A controller, the simulated rig and the simulated driver, on a virtual clock."""
    sim, controller = simulated(rig), Controller(rig)
    operator = Operator(sim.person, 0.5, way_m)
    ticks: list[Tick] = []
    for n in range(round(seconds * 100)):
        now = 30.0 + n * 0.01
        ticks.append(controller.step(now, tuple(sim.read(now)), tuple(operator.take())))
        sim.write(controller.command)
        for answer in ticks[-1].answers:
            operator.hear(answer)
        operator.put(ticks[-1])
        if operator.finished:
            break
    return operator, ticks


def test_the_driver_reads_the_cautions_sets_the_datum_drives_and_stops() -> None:
    operator, ticks = drive(bundled("reference"), 40.0, way_m=5.0)
    assert operator.finished
    assert not operator.failed
    moving = [t.time_s - 30.0 for t in ticks if abs(t.left.valve) > 0.0 or (t.speed_mps or 0) > 0.1]
    assert moving[0] > 4.0
    assert ticks[-1].mode is Mode.NEUTRAL
    assert ticks[-1].distance_m == pytest.approx(5.0, abs=0.6)
    answers = [answer for t in ticks for answer in t.answers]
    assert [answer.done for answer in answers] == [True, True, True]


@pytest.mark.parametrize("name", [n for n in bundled_rigs() if n != "reference"])
def test_every_bundled_rig_can_be_driven(name: str) -> None:
    operator, ticks = drive(bundled(name), 12.0)
    assert not operator.failed
    wanted = Mode.CUE_ONLY if bundled(name).valves is None else Mode.AUTO
    assert ticks[-1].mode is wanted, ticks[-1].why
    assert (ticks[-1].distance_m or 0.0) > 1.0


def test_a_driver_who_sees_no_reference_gives_up() -> None:
    class Body:
        def __getattr__(self, name: str) -> Any:
            return lambda *_: None

    operator = Operator(Body(), 0.5, 5.0)
    blank = tick(0)
    fields = {f: getattr(blank, f) for f in blank.__struct_fields__}
    for n in range(4000):
        operator.put(Tick(**(fields | {"time_s": n * 0.01, "bars": (), "speed_mps": 0.0})))
    assert operator.finished
    assert "no reference came into view" in operator.failed
    assert not any(isinstance(r, Engage) for r in operator.take())


def test_a_foreign_device_name_is_refused_in_words() -> None:
    rig = bundled("reference")
    other = rig.model_copy(update={"air": rig.air.model_copy(update={"device": "thermo"})})
    with pytest.raises(RigError, match="names a device 'thermo' that the simulated rig has not"):
        simulated(other)


def test_a_bar_that_stands_too_low_is_refused_in_words() -> None:
    rig = bundled("reference")
    low = rig.bars[Side.LEFT].model_copy(update={"above_mm": 300.0})
    with pytest.raises(RigError, match=r"bars\.left\.above_mm = 300 leaves a clearance of 150 mm"):
        scene_for(rig.model_copy(update={"bars": {Side.LEFT: low}}))


def test_the_hello_has_the_rigs_measures_in_si() -> None:
    """By hand from the reference rig: five elements 75 mm apart, 1.8 m of blade, offsets to 150."""
    hello = make_hello(bundled("reference"), "a.mcap", 5.0)
    [bar] = hello.bars
    assert bar.positions_m == pytest.approx((-0.15, -0.075, 0.0, 0.075, 0.15))
    assert (hello.width_m, bar.outside_m, bar.above_m) == (1.8, 0.3, 0.75)
    assert bar.beam_half_angle == pytest.approx(math.radians(12))
    assert (hello.bounds.offset.most, hello.bounds.gate.least) == (0.15, 0.005)
    assert isinstance(hello, Hello)


def test_lines_are_one_a_second_and_silence_is_told() -> None:
    printer = lines.Printer(as_json=False)
    shown = [printer.frame(Beat(tick(n), 0.0, 0.0, 0, 0)) for n in range(250)]
    assert [n for n, text in enumerate(shown) if text] == [0, 100, 200]
    assert printer.frame(Note("The disk is full.")) == "Note: The disk is full."
    assert printer.silence().startswith("STALE: no tick for more than 1 s")
    assert lines.Printer(as_json=True).frame(Note("a")) == '{"note":"a"}'


def test_live_health_is_the_index_of_the_last_automatic_minute() -> None:
    """An AR(1) error: minimum variance over variance is 1 - phi^(2 d) (Harris 1989, checks.md)."""
    rng, phi, d = np.random.default_rng(5), 0.9, 8
    health = Health(100.0, d / 100.0)
    error, errors = 0.0, []
    for n in range(6000):
        error = phi * error + rng.normal()
        errors.append(error)
        end = msgspec.structs.replace(tick(n).left, error_m=error)
        health.put(msgspec.structs.replace(tick(n), left=end, right=end))
        if n == LEAST_S * 100 - 2:
            assert health.index() == (None, None)
    left, right = health.index()
    assert health.dead_ticks == d
    assert left == right == loop_health(np.array(errors), d)
    assert left == pytest.approx(1.0 - phi ** (2 * d), abs=0.03)
    assert health.length_s == 60.0
    health.put(msgspec.structs.replace(tick(6000), mode=Mode.NEUTRAL))
    assert health.length_s == 0.0


def test_a_gap_in_the_ticks_begins_the_record_anew() -> None:
    health = Health(100.0, 0.08)
    for n in (*range(50), *range(60, 90)):
        health.put(tick(n))
    assert health.length_s == 0.29


def test_temperature_and_supply_are_read_where_linux_has_them(tmp_path: Path) -> None:
    assert host.temperature(tmp_path) is None
    assert host.power(tmp_path) == ""
    for n, text in enumerate(("48312\n", "broken", "51000\n")):
        zone = tmp_path / f"class/thermal/thermal_zone{n}"
        zone.mkdir(parents=True)
        (zone / "temp").write_text(text)
    assert host.temperature(tmp_path) == 51.0
    volt = tmp_path / "class/hwmon/hwmon2"
    volt.mkdir(parents=True)
    (volt / "name").write_text("rpi_volt\n")
    (volt / "in0_lcrit_alarm").write_text("0\n")
    assert host.power(tmp_path) == ""
    (volt / "in0_lcrit_alarm").write_text("1\n")
    assert host.power(tmp_path) == host.LOW
    assert host.disk_free(tmp_path / "none") is None


def test_a_recording_that_dies_goes_on_in_a_further_file(tmp_path: Path) -> None:
    ring = Ring.create(100.0)
    recording = Recording(ring, new_recording(tmp_path), HEADER)
    try:
        writer = Writer(ring)
        for n in range(50):
            writer.put(Record(n * 0.01, (), (), tick(n)))
        assert recording.watch(0.0) == ""
        pid = recording.pid
        assert pid is not None
        os.kill(pid, 9)
        recording._journal._process.join(5.0)
        assert recording.watch(0.1) == (
            f"The recording's process died; it goes on in {recording.paths[1].name}."
        )
        assert recording.wrong == ""
        assert recording.close()
    finally:
        ring.close()
    assert recording.paths[1].stat().st_size > 1000


def test_a_recording_that_cannot_go_on_is_told_once(tmp_path: Path) -> None:
    class Dead:
        alive = full = False

        def stop(self, _: float) -> bool:
            return False

    ring = Ring.create(100.0)
    recording = Recording(ring, new_recording(tmp_path), HEADER)
    try:
        recording.close()
        recording._journal = Dead()  # type: ignore[assignment]
        recording.deaths = 3
        assert recording.watch(0.0) == "The recording has stopped; the run goes on without."
        assert recording.watch(1.0) == ""
        assert recording.wrong == "The recording has stopped; the run goes on without."
        assert not recording.close()
    finally:
        ring.close()


def test_a_recording_that_stands_still_is_told(tmp_path: Path) -> None:
    class Frozen:
        alive = True

    ring = Ring.create(100.0)
    recording = Recording(ring, new_recording(tmp_path), HEADER)
    recording.close()
    ring.close()
    recording._journal = Frozen()  # type: ignore[assignment]
    recording.watch(0.0)
    recording.watch(4.9)
    assert "stands still" not in recording.wrong
    recording.watch(5.2)
    assert recording.wrong == "The recording stands still. Look at the disk."
