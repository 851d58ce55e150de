"""Makes records and logs for the tests of the journal and the replay; checks what it made."""

from __future__ import annotations

import math
from pathlib import Path

import msgspec

from drivers.samples import Echo, InertialSample, MotionSample, RangePing, Validity
from firmware_py.journal.events import _TickHead
from firmware_py.journal.header import Header
from firmware_py.journal.ring import Ring, Writer
from firmware_py.journal.store import Pump, Store
from firmware_py.messages import (
    AnyRequest,
    BarTick,
    EndState,
    EndTick,
    Guide,
    Link,
    Mode,
    Record,
    Side,
    Tick,
    Use,
)

TICK_S = 0.01
HEADER = Header(rig='name = "test"\n', settings={"name": "test"}, started="2026-01-02T03:04:05Z")


def end_tick(valve: float = 0.31) -> EndTick:
    return EndTick(
        guide=Guide.STRING,
        state=EndState.LED,
        why="",
        error_m=-0.0021,
        error_sd_m=0.0007,
        predicted_m=-0.0019,
        disturbance_mps=0.0123,
        rate_mps=0.0104,
        valve=valve,
        cue_m=0.0021,
        offset_m=0.0,
        gain=1.03,
        in_dead_band=False,
        capped=False,
    )


def tick(seq: int, valve: float = 0.31, mode: Mode = Mode.AUTO) -> Tick:
    wobble = math.sin(seq * 0.37)
    bar = BarTick(
        end=Side.LEFT,
        link=Link.TRACKING,
        clearance_m=0.6 + 0.002 * wobble,
        clearance_sd_m=0.0006,
        lateral_m=0.03 * wobble,
        lateral_sd_m=0.002,
        ranges_m=(0.61, 0.604, 0.6, None, 0.62 + wobble * 1e-3),
        uses=(Use.USED, Use.USED, Use.USED, Use.SILENT, Use.OUTLIER),
        unseen_s=0.0,
    )
    return Tick(
        seq=seq,
        time_s=seq * TICK_S,
        mode=mode,
        why="",
        left=end_tick(valve),
        right=end_tick(-valve),
        bars=(bar,),
        crossfall=0.02,
        crossfall_sd=0.0004,
        crossfall_target=0.02,
        roll=0.0201 + 1e-4 * wobble,
        pitch=-0.003,
        crab=0.01,
        steer_m=0.03 * wobble,
        speed_mps=0.5,
        distance_m=0.005 * seq,
        faults=(),
        dropped=0,
        answers=(),
    )


def samples(seq: int, pings: int = 1) -> tuple[RangePing | InertialSample | MotionSample, ...]:
    """Those of one tick: two inertial samples, one firing or more, the speed."""
    at = seq * TICK_S
    inertial = [
        InertialSample("imu", at - k * 0.005, Validity.OK, 0.1, 0.2, 9.8, 0.01, 0.0, 0.02, 31.5)
        for k in (1, 0)
    ]
    echoes = (Echo(at - 0.02, 0.00351), Echo(at - 0.02, 0.00412))
    fired = [RangePing("bar-left", at - 0.021, Validity.OK, k % 5, echoes) for k in range(pings)]
    return (*inertial, *fired, MotionSample("track", at, Validity.OK, 0.5, 0.005 * seq))


def record(seq: int, requests: tuple[AnyRequest, ...] = (), pings: int = 1) -> Record:
    return Record(seq * TICK_S, samples(seq, pings), requests, tick(seq))


def make_log(path: Path, records: list[Record], state_every: int = 100) -> Path:
    """A log as a trial writes it: ring, pump and store in one process."""
    ring = Ring.local(tick_hz=100, seconds=2)
    writer = Writer(ring)
    store = Store(path, HEADER)
    pump = Pump(ring, store)
    for number, one in enumerate(records):
        if number % state_every == 0:
            writer.put_state({"number": number})
        writer.put(one)
        if number % 100 == 99:
            pump.step()
    pump.step()
    store.close()
    return path


def test_the_glance_reads_the_leading_fields_of_a_tick() -> None:
    """The events look at the first fields only; they must stay the first ones."""
    assert Tick.__struct_fields__[: len(_TickHead.__struct_fields__)] == _TickHead.__struct_fields__


def test_a_record_made_here_is_a_valid_one() -> None:
    one = record(3)
    assert msgspec.msgpack.decode(msgspec.msgpack.encode(one), type=Record) == one
