"""What stands round the loop in a live run: pipes, the simulated driver, watch, real time."""

from __future__ import annotations

import contextlib
import fcntl
import gc
import os
from collections.abc import Iterator
from typing import Any

import msgspec
import pytest
from test_journal_making import tick

from firmware_py.controller import Controller
from firmware_py.live import pipes
from firmware_py.live.children import Watch
from firmware_py.live.operator import Operator
from firmware_py.live.pipes import FrameReader, FrameWriter, Hello, Kind, PipeOutlet, PipeRequests
from firmware_py.live.realtime import realtime
from firmware_py.live.simulated import RigError, scene_for, simulated
from firmware_py.messages import Engage, Mark, Mode, Nudge, Side, Tick
from firmware_py.settings import Rig
from firmware_py.settings_file import bundled_rigs, find_rig, load_rig


@pytest.fixture
def ends() -> Iterator[tuple[int, int]]:
    read, write = os.pipe()
    yield read, write
    for fd in (read, write):
        with contextlib.suppress(OSError):
            os.close(fd)


def bundled(name: str) -> Rig:
    return load_rig(find_rig(name))


def test_ticks_pass_whole_and_in_order(ends: tuple[int, int]) -> None:
    read, write = ends
    outlet, reader = PipeOutlet(write), FrameReader(read)
    sent = [tick(n) for n in range(50)]
    for one in sent:
        outlet.put(one)
    got = [msgspec.msgpack.decode(data, type=Tick) for _, data in reader.frames()]
    assert got == sent
    assert (outlet.dropped, reader.ended) == (0, False)


def test_a_full_pipe_drops_and_counts_and_never_waits(ends: tuple[int, int]) -> None:
    read, write = ends
    fcntl.fcntl(write, fcntl.F_SETPIPE_SZ, 4096)
    outlet, reader = PipeOutlet(write), FrameReader(read)
    for n in range(200):
        outlet.put(tick(n))
    got = [msgspec.msgpack.decode(data, type=Tick).seq for _, data in reader.frames()]
    assert got == list(range(len(got)))  # those that fitted are whole
    assert outlet.dropped == 200 - len(got) > 100
    outlet.put(tick(999))  # and it goes on
    [(_, data)] = list(reader.frames())
    assert msgspec.msgpack.decode(data, type=Tick).seq == 999


def test_a_reader_that_has_gone_costs_nothing(ends: tuple[int, int]) -> None:
    read, write = ends
    outlet = PipeOutlet(write)
    os.close(read)
    outlet.put(tick(0))
    outlet.put(tick(1))
    assert outlet.gone
    outlet.close()


def test_a_frame_that_comes_in_pieces_is_put_together(ends: tuple[int, int]) -> None:
    read, write = ends
    reader = FrameReader(read)
    payload = msgspec.msgpack.encode("words")
    whole = pipes.HEAD.pack(len(payload), Kind.NOTE) + payload
    for byte in whole[:-1]:
        os.write(write, bytes([byte]))
        assert list(reader.frames()) == []
    os.write(write, whole[-1:])
    assert list(reader.frames()) == [(Kind.NOTE, payload)]
    os.close(write)
    assert list(reader.frames()) == []
    assert reader.ended


def test_a_frame_that_is_too_long_is_dropped(ends: tuple[int, int]) -> None:
    writer = FrameWriter(ends[1])
    assert not writer.send(Kind.NOTE, "x" * 5000)
    assert writer.dropped == 1


def test_requests_come_back_and_nonsense_is_counted(ends: tuple[int, int]) -> None:
    read, write = ends
    asked, view = PipeRequests(read), FrameWriter(write)
    assert asked.take() == ()
    view.send(Kind.REQUEST, Nudge(3, Side.LEFT, 0.002))
    view.send(Kind.REQUEST, "engage, please")
    view.send(Kind.TICK, 5)
    view.send(Kind.REQUEST, Mark(4, "pin"))
    view.send(Kind.STOP, None)
    assert asked.take() == (Nudge(3, Side.LEFT, 0.002), Mark(4, "pin"))
    assert (asked.refused, asked.stop_asked) == (2, True)


def test_hello_fits_a_frame(ends: tuple[int, int]) -> None:
    hello = Hello("reference", True, "/" + "long/" * 100 + "a.mcap", Side.LEFT, 1.8, 5.0)
    assert FrameWriter(ends[1]).send(Kind.HELLO, hello)
    [(_, data)] = list(FrameReader(ends[0]).frames())
    assert msgspec.msgpack.decode(data, type=Hello) == hello


class Living:
    alive = True


class StandIn:
    """A view as the watch sees it."""

    def __init__(self, requests: PipeRequests, outlet: PipeOutlet) -> None:
        self.requests, self.outlet, self.alive, self.righted = requests, outlet, True, 0

    def put_right(self) -> None:
        self.righted += 1


def test_the_watch_tells_each_death_once(
    ends: tuple[int, int], capsys: pytest.CaptureFixture[str]
) -> None:
    read, write = ends
    back_read, back_write = os.pipe()
    view = StandIn(PipeRequests(back_read), PipeOutlet(write))
    journal, stopped = Living(), []  # type: ignore[var-annotated]
    watch = Watch(journal, view, stopped.append, lambda work: work())  # type: ignore[arg-type]
    for n in range(300):
        watch.put(tick(n))
    assert capsys.readouterr().err == ""
    journal.alive = False  # type: ignore[misc]
    for n in range(300):
        watch.put(tick(n))
    notes = [msgspec.msgpack.decode(data) for _, data in FrameReader(read).frames()]
    assert notes == ["The recording has stopped; the run goes on without."]
    view.alive = False
    for n in range(300):
        watch.put(tick(n))
    assert capsys.readouterr().err == "The view has ended; the run goes on. Ctrl-C stops it.\n"
    assert view.righted == 1
    assert not stopped
    FrameWriter(back_write).send(Kind.STOP, None)
    view.requests.take()
    watch.put(tick(0))
    assert stopped == ["stopped at the view"]
    os.close(back_read)
    os.close(back_write)


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
