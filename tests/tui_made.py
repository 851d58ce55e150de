"""Hand-made frames and a hand-made Source for the tests of the dashboard. Nothing is simulated.

All times are on one made-up clock: NOW is its present, and `Clock` is what the app is given.
"""

from __future__ import annotations

from typing import Any

import msgspec

from firmware_py.link.frames import (
    SCHEMA,
    VERSION,
    Ask,
    BarInfo,
    Beat,
    Begin,
    Bounds,
    Device,
    Devices,
    FromListener,
    FromLoop,
    Hello,
    Host,
    Range,
    Told,
)
from firmware_py.messages import (
    Answer,
    BarTick,
    EndState,
    EndTick,
    Guide,
    Link,
    Mode,
    Side,
    Tick,
    Use,
)

NOW = 1000.0  # s
STARTED = 900.0  # s
POSITIONS = (-0.15, -0.075, 0.0, 0.075, 0.15)  # m, element 0 is the rightmost
BOUNDS = Bounds(
    nudge=Range(-0.02, 0.02),
    offset=Range(-0.2, 0.2),
    crossfall_nudge=Range(-0.01, 0.01),
    crossfall=Range(-0.1, 0.1),
    gate=Range(0.01, 0.3),
    dead_band=Range(0.0005, 0.01),
    check_tolerance_m=0.005,
    engage_error_m=0.03,
)


class Clock:
    """A clock that stands until it is moved."""

    def __init__(self, now_s: float = NOW) -> None:
        self.now_s = now_s

    def __call__(self) -> float:
        return self.now_s


def bar_info(end: Side = Side.LEFT, **changes: Any) -> BarInfo:
    """Five elements 75 mm apart, 300 mm outside the end."""
    made = BarInfo(end, POSITIONS, 0.25, 1.5, 0.3, 0.75, 0.2094, False)
    return msgspec.structs.replace(made, **changes)


def hello(**changes: Any) -> Hello:
    """A simulated rig with valves and one bar, left; any field can be given."""
    made = Hello(
        version=VERSION,
        schema=SCHEMA,
        rig="reference",
        simulated=True,
        has_valves=True,
        recording="out/run.mcap",
        started_s=STARTED,
        tick_hz=100.0,
        width_m=1.8,
        master=Side.LEFT,
        bars=(bar_info(),),
        bounds=BOUNDS,
        dead_s=0.08,
        may_ask=True,
    )
    return msgspec.structs.replace(made, **changes)


def end_tick(**changes: Any) -> EndTick:
    """An end led by the string, 4 mm too low, the valve 0.31 up."""
    made = EndTick(
        guide=Guide.STRING,
        state=EndState.LED,
        why="",
        error_m=-0.004,
        error_sd_m=0.0007,
        predicted_m=-0.0035,
        disturbance_mps=0.0123,
        rate_mps=0.0104,
        valve=0.31,
        cue_m=0.004,
        offset_m=0.002,
        gain=1.03,
        in_dead_band=False,
        capped=False,
        datum_m=0.152,
        state_s=12.3,
    )
    return msgspec.structs.replace(made, **changes)


def bar_tick(end: Side = Side.LEFT, **changes: Any) -> BarTick:
    """A string 598 mm under the bar, 35 mm to the left of its middle; one element of each use."""
    made = BarTick(
        end=end,
        link=Link.TRACKING,
        clearance_m=0.598,
        clearance_sd_m=0.0006,
        lateral_m=0.035,
        lateral_sd_m=0.002,
        ranges_m=(None, 0.701, 0.599, 0.598, 0.612),
        uses=(Use.SILENT, Use.GATED, Use.USED, Use.USED, Use.OUTLIER),
        unseen_s=0.01,
        last_m=(None, 0.701, 0.752, 0.748, 0.750),
        gate_m=0.6,
    )
    return msgspec.structs.replace(made, **changes)


def tick(time_s: float = NOW, **changes: Any) -> Tick:
    """Automatic, left end on the string and 4 mm low, right end on the crossfall and 2 mm high."""
    right = end_tick(
        guide=Guide.FALL, error_m=0.0021, predicted_m=0.0019, valve=-0.12, cue_m=-0.0021,
        offset_m=0.0, datum_m=None,
    )  # fmt: skip
    made = Tick(
        seq=1,
        time_s=time_s,
        mode=Mode.AUTO,
        why="",
        left=end_tick(),
        right=right,
        bars=(bar_tick(),),
        crossfall=0.0166,
        crossfall_sd=0.0004,
        crossfall_target=0.02,
        roll=0.0166,
        pitch=-0.003,
        crab=0.01,
        steer_m=0.035,
        speed_mps=0.5,
        distance_m=12.4,
        faults=(),
        dropped=0,
        answers=(),
        engaged=True,
        gate_near_m=0.06,
        gate_far_m=0.05,
        dead_band_m=0.0015,
    )
    return msgspec.structs.replace(made, **changes)


def beat(
    time_s: float = NOW, *, late_s: float = 0.0001, work_s: float = 0.002, missed: int = 0,
    dropped: int = 0, **changes: Any,
) -> Beat:  # fmt: skip
    """A tick's frame; other names are fields of the Tick."""
    return Beat(tick(time_s, **changes), late_s, work_s, missed, dropped)


def devices(time_s: float = NOW, *more: Device) -> Devices:
    """The devices of the reference rig, all well; one of the same name in `more` replaces it."""
    well = (
        Device("bar.left", 0.01, 125.0, 0, ""),
        Device("inertial", 0.004, 200.0, 0, ""),
        Device("air", 0.6, 1.0, 0, ""),
        Device("motion", 0.02, 50.0, 0, ""),
        Device("driver", 0.01, 100.0, 0, ""),
        Device("valves", 0.01, 100.0, 0, ""),
    )
    given = {one.name: one for one in (*well, *more)}
    return Devices(time_s, tuple(given.values()))


def host(time_s: float = NOW, **changes: Any) -> Host:
    """A computer that is well and a recording that runs."""
    made = Host(
        time_s=time_s,
        recording="",
        recorded_bytes=12_345_678,
        disk_free_bytes=25_000_000_000,
        temperature_c=51.5,
        power="",
        realtime=(),
        loop_health=(0.71, 0.64),
        health_s=60.0,
    )
    return msgspec.structs.replace(made, **changes)


def run_of(seconds: float, until_s: float = NOW, hz: float = 100.0, **changes: Any) -> list[Beat]:
    """Beats up to until_s at hz, 0.5 m/s forward; other names are fields of each Tick."""
    count = round(seconds * hz)
    times = [until_s - (count - 1 - k) / hz for k in range(count)]
    speed = 0.5
    return [
        beat(t, **{"seq": k, "distance_m": 12.4 + speed * (t - until_s), **changes})
        for k, t in enumerate(times)
    ]


class HandSource:
    """A Source of frames given by hand; what was sent stands in `sent`.

    answer: '' answers each Ask as done at the next poll, a text refuses it with that reason,
    None never answers.
    """

    def __init__(self, *frames: FromLoop, answer: str | None = "") -> None:
        self.lost = ""
        self.sent: list[FromListener] = []
        self.answer = answer
        self._frames: list[FromLoop] = list(frames)

    def give(self, *frames: FromLoop) -> None:
        """More frames for the next poll."""
        self._frames += frames

    def poll(self) -> list[FromLoop]:
        frames, self._frames = self._frames, []
        return frames

    def send(self, frame: FromListener) -> bool:
        if self.lost:
            return False
        self.sent.append(frame)
        number = frame.request.number if isinstance(frame, Ask) else getattr(frame, "number", None)
        if self.answer is not None and number is not None:
            self.give(Told(Answer(number, not self.answer, self.answer)))
        return True

    def asked(self) -> list[object]:
        """The requests among what was sent, and other frames as they are; not the first one, that
        a person has read the cautions."""
        return [f.request if isinstance(f, Ask) else f for f in self.sent if f != Begin(0)]


def source(*more: FromLoop, answer: str | None = "") -> HandSource:
    """A Source with hello, devices, host and one beat at NOW, then `more`."""
    return HandSource(hello(), devices(), host(), beat(), *more, answer=answer)
