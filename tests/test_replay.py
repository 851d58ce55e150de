"""Replay on toy controllers: identical, resumed after a gap, and the first difference named."""

from __future__ import annotations

import json
import math
from collections import deque
from collections.abc import Callable
from pathlib import Path

import pytest
from simple_pid import PID
from test_journal_making import HEADER, TICK_S, end_tick, samples, tick

from drivers.samples import AnySample, MotionSample
from firmware_py import snapshot
from firmware_py.journal.header import Header
from firmware_py.journal.read import LogError
from firmware_py.journal.ring import Ring, Writer
from firmware_py.journal.store import Pump, Store
from firmware_py.messages import AnyRequest, Nudge, Record, Side, Tick
from firmware_py.replay import Outcome, replay
from firmware_py.snapshot import SnapshotError

MARK = b"\x04\0\0\0zstd"


class Toy:
    """A controller with memory of every kind: an integral, a history, a counter, an offset."""

    STATE: tuple[str, ...] = ("seq", "offset", "pid", "history")

    def __init__(self, gain: float = 1.0) -> None:
        self.seq = 0
        self.offset = 0.0
        self.pid = PID(gain, 0.3, 0.01, sample_time=None, time_fn=lambda: 0.0)
        self.history: deque[float] = deque(maxlen=20)

    def step(
        self, time_s: float, samples: tuple[AnySample, ...], requests: tuple[AnyRequest, ...], /
    ) -> Tick:
        for request in requests:
            if isinstance(request, Nudge):
                self.offset += request.step_m
        for sample in samples:
            if isinstance(sample, MotionSample) and sample.distance_m is not None:
                self.history.append(math.sin(sample.distance_m) + self.offset)
        valve = self.pid(sum(self.history) / 20, dt=TICK_S)
        made = tick(self.seq, valve=float(valve or 0.0))
        self.seq += 1
        return made


class Late(Toy):
    """Differs from tick 312 on, in one field by one bit."""

    def step(
        self, time_s: float, samples: tuple[AnySample, ...], requests: tuple[AnyRequest, ...], /
    ) -> Tick:
        made = super().step(time_s, samples, requests)
        if self.seq <= 312:
            return made
        right = end_tick(math.nextafter(made.right.valve, 9))
        return Tick(*[right if f == "right" else getattr(made, f) for f in made.__struct_fields__])


def run(path: Path, ticks: int = 600, toy: Toy | None = None, stall: range = range(0)) -> Path:
    """Record a toy's run, a state each 200 ticks; no pump while the listener stalls."""
    toy = toy or Toy()
    ring = Ring.local(tick_hz=100, seconds=1)
    writer, store = Writer(ring), Store(path, HEADER)
    pump = Pump(ring, store)
    for n in range(ticks):
        if n % 200 == 0:
            writer.put_state(snapshot.take(toy))
        requests = (Nudge(1, Side.LEFT, 0.01),) if n == 50 else ()
        given = samples(n)
        writer.put(Record(n * TICK_S, given, requests, toy.step(n * TICK_S, given, requests)))
        if n not in stall:
            pump.step()
    pump.step()
    store.close()
    return path


def build(make: Callable[[], Toy] = Toy) -> Callable[[Header], Toy]:
    return lambda header: make()


def test_identical(tmp_path: Path) -> None:
    seen: list[float] = []
    outcome = replay(run(tmp_path / "a.mcap"), build(), seen.append)
    assert outcome == Outcome(600, 0, 0, 0, None, ())
    assert outcome.identical
    assert outcome.words() == "identical: 600 ticks"
    assert seen == sorted(seen)
    assert seen[-1] == 1.0


def test_the_header_reaches_the_builder(tmp_path: Path) -> None:
    headers: list[Header] = []
    replay(run(tmp_path / "a.mcap", 5), lambda header: headers.append(header) or Toy())
    assert headers == [HEADER]


def test_a_lap_is_a_gap_and_the_next_state_resumes(tmp_path: Path) -> None:
    path = run(tmp_path / "a.mcap", stall=range(210, 330))
    outcome = replay(path, build())
    assert outcome.identical
    assert (outcome.gaps, outcome.missing) == (1, 22)
    assert outcome.unchecked == 400 - 232
    assert outcome.ticks == 600 - 22 - 168
    assert outcome.words() == (
        "identical but for 1 gap (22 ticks missing, 168 before the next recorded state): 410 ticks"
    )
    assert "the listener was lapped" in outcome.lost[0]


def test_a_state_right_at_the_end_of_a_gap_resumes_at_once(tmp_path: Path) -> None:
    path = run(tmp_path / "a.mcap", stall=range(110, 298))
    outcome = replay(path, build())  # records 110 to 199 are lapped, and 199 is the state's
    assert (outcome.gaps, outcome.missing, outcome.unchecked) == (1, 90, 0)
    assert outcome.words() == "identical but for 1 gap (90 ticks missing): 510 ticks"


def test_a_damaged_chunk_is_a_gap(tmp_path: Path) -> None:
    path = run(tmp_path / "a.mcap")
    spoilt = bytearray(path.read_bytes())
    marks = [i for i in range(len(spoilt)) if spoilt.startswith(MARK, i)]
    spoilt[marks[2] + 100] ^= 4
    path.write_bytes(spoilt)
    outcome = replay(path, build())
    assert outcome.identical
    assert (outcome.gaps, outcome.missing, outcome.ticks) == (1, 100, 500)
    assert "its checksum is wrong" in outcome.lost[0]


def test_the_first_difference_is_named_with_both_values(tmp_path: Path) -> None:
    path = run(tmp_path / "a.mcap")
    outcome = replay(path, build(Late))
    assert not outcome.identical
    assert outcome.ticks == 313
    difference = outcome.difference
    assert difference is not None
    assert (difference.tick, difference.field) == (312, "right.valve")
    assert difference.now == math.nextafter(difference.recorded, 9)
    assert outcome.words() == (
        f"differs first at tick 312 (t = 3.12 s): right.valve {difference.recorded} recorded, "
        f"{difference.now} now"
    )


def test_another_gain_differs_at_once(tmp_path: Path) -> None:
    outcome = replay(run(tmp_path / "a.mcap", 50), build(lambda: Toy(gain=1.1)))
    assert outcome.difference is not None
    assert outcome.difference.field == "left.valve"
    assert outcome.difference.tick == 1  # at tick 0 the input is still 0


def test_a_whole_number_for_a_float_is_a_difference(tmp_path: Path) -> None:
    """The bytes are compared, not the values."""

    class Whole(Toy):
        def step(
            self, time_s: float, samples: tuple[AnySample, ...], requests: tuple[AnyRequest, ...], /
        ) -> Tick:
            made = super().step(time_s, samples, requests)
            fields = {f: getattr(made, f) for f in made.__struct_fields__}
            return Tick(**(fields | {"crossfall_target": 0}))

    class Float(Toy):
        def step(
            self, time_s: float, samples: tuple[AnySample, ...], requests: tuple[AnyRequest, ...], /
        ) -> Tick:
            made = super().step(time_s, samples, requests)
            fields = {f: getattr(made, f) for f in made.__struct_fields__}
            return Tick(**(fields | {"crossfall_target": 0.0}))

    path = run(tmp_path / "a.mcap", 5, Whole())
    assert replay(path, build(Whole)).identical
    outcome = replay(path, build(Float))
    assert outcome.difference is not None
    assert (outcome.difference.recorded, outcome.difference.now) == (0, 0.0)


class Wanderer(Toy):
    """Its ticks agree, but a part of its state depends on which object it is."""

    STATE = (*Toy.STATE, "luck")
    made = 0

    def __init__(self) -> None:
        super().__init__()
        Wanderer.made += 1
        self.luck = Wanderer.made

    def step(
        self, time_s: float, samples: tuple[AnySample, ...], requests: tuple[AnyRequest, ...], /
    ) -> Tick:
        if self.seq == 100:
            self.luck = Wanderer.made
        return super().step(time_s, samples, requests)


def test_a_state_that_drifts_is_found_although_the_ticks_agree(tmp_path: Path) -> None:
    path = run(tmp_path / "a.mcap", 300, Wanderer())
    outcome = replay(path, build(Wanderer))
    assert outcome.difference is not None
    assert outcome.difference.field == "state luck"
    assert outcome.difference.tick == 199


class Forgetful(Toy):
    """Leaves its integral out of STATE."""

    STATE = ("seq", "offset", "history")


def test_state_left_out_shows_after_a_gap(tmp_path: Path) -> None:
    path = run(tmp_path / "a.mcap", toy=Forgetful(), stall=range(210, 330))
    outcome = replay(path, build(Forgetful))
    assert outcome.difference is not None
    assert outcome.difference.tick == 400


def test_a_state_of_another_controller_is_refused(tmp_path: Path) -> None:
    path = run(tmp_path / "a.mcap", 5, Forgetful())
    with pytest.raises(SnapshotError, match=r"Toy\.pid is known to the block only"):
        replay(path, build(Toy))


def test_a_log_without_a_tick_is_not_identical(tmp_path: Path) -> None:
    outcome = replay(run(tmp_path / "a.mcap", 0), build())
    assert not outcome.identical
    assert outcome.words() == "nothing to compare: the log holds no tick to start from"
    with pytest.raises(LogError):
        replay(tmp_path / "absent.mcap", build())


def test_as_dict_is_json(tmp_path: Path) -> None:
    path = run(tmp_path / "a.mcap")
    good = json.loads(json.dumps(replay(path, build()).as_dict(), allow_nan=False))
    assert good["identical"] is True
    assert good["ticks"] == 600
    bad = json.loads(json.dumps(replay(path, build(Late)).as_dict(), allow_nan=False))
    assert bad["identical"] is False
    assert bad["difference"]["field"] == "right.valve"
    assert bad["words"].startswith("differs first at tick 312")
