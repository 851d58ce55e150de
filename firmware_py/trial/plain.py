"""The fair plain loop that Linehold is compared with: what a good afternoon's work would give.

Nearest in-gate element after the same gate, accelerometer with a 0.3 s low-pass, the same dead
band, inverse valve characteristic and limiter, one simple-pid an end by Skogestad's SIMC rule. No
prediction, no feed-forward, no gyro. It was written before the comparison and then left alone.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from drivers.samples import AnySample, InertialSample, ValveCommand
from firmware_py import messages as ask
from firmware_py.act.cylinders import cylinders_from_ends
from firmware_py.act.limiter import NEUTRAL, Limiter
from firmware_py.act.rate import EndRate, simc_gain, simc_integral
from firmware_py.act.valve import Characteristic
from firmware_py.guide.deadband import DeadBand
from firmware_py.messages import (
    BAR_GUIDES,
    Answer,
    AnyRequest,
    BarTick,
    EndState,
    EndTick,
    Guide,
    Link,
    Mode,
    Side,
    Tick,
    Use,
)  # fmt: skip
from firmware_py.sense.senses import Senses
from firmware_py.settings import MM, Rig
from firmware_py.trial.plain_bar import PlainBar

FILTER_S = 0.3  # the accelerometer's low-pass
STILL, STILL_S, REVERSE = 0.05, 1.0, -0.03  # m/s, s, m/s: standing holds, reversing is neutral
SLOWEST = 0.4  # of the stated valve speed: what the limiter's cap allows for, as in Linehold
ACTIVE = (EndState.LED,)


class PlainEnd:
    """One end: guide, offset, dead band and PID."""

    def __init__(self, rig: Rig, side: Side, theta: float) -> None:
        control, cap = rig.control, rig.limits.cap_mm_s * MM
        self.guide, self.offset, self.held = rig.end(side).guide, 0.0, False
        self.band = DeadBand(control.dead_band_mm * MM, control.dead_band_release_pct / 100.0)
        self.pid = EndRate(simc_gain(theta), simc_integral(theta), cap)
        self.error: float | None = None
        self.rate = 0.0
        self.state = EndState.NEUTRAL

    def update(self, now_s: float, dt: float) -> None:
        """Rate to ask for, m/s; 0 unless led."""
        if self.state not in ACTIVE or self.error is None:
            self.pid.reset()
            self.band.reset()
            self.rate = 0.0
            return
        if not self.pid.pid.auto_mode:
            self.pid.start()
        self.rate = self.pid.update(now_s, self.band.update(self.error), dt)


class PlainLoop:
    """The same `step` and `command` as Controller."""

    def __init__(self, rig: Rig) -> None:
        if rig.valves is None or rig.valves.pulsed:
            raise ValueError("the plain loop needs proportional valves")
        self.rig, self.valves = rig, rig.valves
        self.senses = Senses(rig)
        self.bars = {side: PlainBar(side, bar) for side, bar in rig.bars.items()}
        self.ends = {side: PlainEnd(rig, side, self._theta(side)) for side in Side}
        self.character = Characteristic.of(rig.valves)
        cap = rig.limits.cap_mm_s * MM
        self.limiter = Limiter(
            self.character.command(cap, SLOWEST), -self.character.command(-cap, SLOWEST)
        )
        sign = -1.0 if rig.control.against_chainage else 1.0
        self.target = rig.control.crossfall_pct / 100.0 * sign
        self.roll: float | None = None
        self.inertial_s = self.last_s = math.nan
        self.engaged, self.still_s, self.seq = False, 0.0, 0
        self.command = ValveCommand(0.0, *NEUTRAL)

    def _theta(self, side: Side) -> float:
        """Dead time + lag / 2 + half a frame + the delay of the end's own filter, s."""
        frame = max(bar.frame_ms for bar in self.rig.bars.values())
        filtered = FILTER_S if self.rig.end(side).guide is Guide.FALL else 0.0
        return (self.valves.dead_time_ms + 0.5 * self.valves.lag_ms + 0.5 * frame) * MM + filtered

    def step(
        self, now_s: float, samples: Sequence[AnySample], requests: Sequence[AnyRequest] = ()
    ) -> Tick:
        """One tick."""
        dt = now_s - self.last_s if math.isfinite(self.last_s) else 1.0 / self.rig.control.tick_hz
        for ping in self.senses.take(now_s, samples):
            side = self.senses.sides[ping.device]
            led = self.ends[side].state in ACTIVE
            self.bars[side].take(now_s, ping, self.senses.sound, self.rig.gate, led=led,
                                 offset=self.ends[side].offset)  # fmt: skip
        for sample in samples:
            if isinstance(sample, InertialSample):
                self._tilt(sample)
        answers = tuple(self._answer(request) for request in requests)
        self._errors(now_s)
        self._decide(dt)
        self._act(now_s, min(max(dt, 1e-4), 0.05))
        self.last_s = now_s
        self.seq += 1
        return self._tick(now_s, answers)

    def _tilt(self, s: InertialSample) -> None:
        """Roll by gravity alone, through a first-order low-pass."""
        dt, self.inertial_s = s.time_s - self.inertial_s, s.time_s
        roll = math.atan2(s.ay, s.az)
        if not math.isfinite(roll):
            return
        if self.roll is None or not 0.0 < dt < 1.0:
            self.roll = roll
        self.roll += (roll - self.roll) * -math.expm1(-dt / FILTER_S) if dt > 0.0 else 0.0

    def _off(self) -> float:
        """Crossfall less its target, ratio."""
        return 0.0 if self.roll is None else math.tan(self.roll) - self.target

    def _errors(self, now_s: float) -> None:
        """Height error of each end, m; None when not known."""
        own = {side: bar.error(now_s, self._off()) for side, bar in self.bars.items()}
        width = self.rig.blade.width_mm * MM
        for side, end in self.ends.items():
            end.error = None
            if end.guide in BAR_GUIDES:
                seen = own.get(side)
                end.error = None if seen is None else seen - end.offset
            elif end.guide is Guide.FALL:
                other = self.ends[side.other]
                base = own.get(side.other) if other.guide in BAR_GUIDES else 0.0
                if base is not None:
                    end.error = base - other.offset + side.sign * width * self._off() - end.offset

    def _decide(self, dt: float) -> None:
        """What each valve may do: the least of a guard that a fair comparison needs."""
        speed = self.senses.speed
        slow = speed is not None and abs(speed) < STILL
        self.still_s = self.still_s + dt if slow else 0.0
        neutral = not self.engaged or not self.senses.enable or (speed or 0.0) < REVERSE
        for side, end in self.ends.items():
            if self.senses.hands[side]:
                end.state = EndState.OVERRIDE
            elif neutral:
                end.state = EndState.NEUTRAL
            elif self.still_s >= STILL_S or end.held or end.error is None:
                end.state = EndState.HOLD
            else:
                end.state = EndState.LED

    def _act(self, now_s: float, dt: float) -> None:
        for end in self.ends.values():
            end.update(now_s, dt)
        left, right = self.ends[Side.LEFT], self.ends[Side.RIGHT]
        ratio = self.rig.blade.width_mm / 2 / self.valves.cylinder_left_mm
        asked = cylinders_from_ends(left.rate, right.rate, ratio)
        allowed = any(end.state in ACTIVE for end in self.ends.values())
        one, two = (
            self.character.command(rate) if end.state in ACTIVE else 0.0
            for rate, end in zip(asked, (left, right), strict=True)
        )
        self.command = ValveCommand(now_s, *self.limiter.update(now_s, one, two, allowed))

    def _answer(self, request: AnyRequest) -> Answer:
        reason = ""
        match request:
            case ask.Engage():
                missing = [s for s, e in self.ends.items() if e.guide in BAR_GUIDES and
                           not self.bars[s].has_datum]  # fmt: skip
                self.engaged, reason = not missing, "no datum" if missing else ""
            case ask.Disengage():
                self.engaged = False
            case ask.SetDatum(end=end):
                seen = end in self.bars and self.bars[end].set_datum(self._off())
                reason = "" if seen else "no reference in view"
            case ask.Nudge(end=end, step_m=step):
                self.ends[end].offset += step
            case ask.NudgeCrossfall(step=step):
                self.target += step
            case ask.HoldEnd(end=end, on=on):
                self.ends[end].held = on
            case _:
                reason = "the plain loop does not know this request"
        return Answer(request.number, not reason, reason)

    def _tick(self, now_s: float, answers: tuple[Answer, ...]) -> Tick:
        active = any(end.state in ACTIVE for end in self.ends.values())
        senses, master = self.senses, self.bars[self.rig.control.master]
        lost = any(e.error is None for e in self.ends.values() if e.guide not in
                   (Guide.HOLD, Guide.BY_HAND))  # fmt: skip
        return Tick(
            self.seq, now_s, Mode.AUTO if active else Mode.NEUTRAL, "",
            self._end(Side.LEFT), self._end(Side.RIGHT),
            tuple(_bar(side, bar, now_s) for side, bar in self.bars.items()),
            None if self.roll is None else math.tan(self.roll), None, self.target, self.roll, None,
            None, master.lateral(now_s) if not master.bar.turned else None,
            senses.speed, senses.distance, ("reference lost",) if lost else (),
            senses.dropped(), answers,
        )  # fmt: skip

    def _end(self, side: Side) -> EndTick:
        end = self.ends[side]
        valve = self.command.left if side is Side.LEFT else self.command.right
        return EndTick(
            end.guide, end.state, "", end.error, None, end.error, 0.0, end.rate, valve,
            None if end.error is None else -end.error, end.offset, 1.0, not end.band.correcting,
            abs(end.rate) >= self.rig.limits.cap_mm_s * MM,
        )  # fmt: skip


def _bar(side: Side, bar: PlainBar, now_s: float) -> BarTick:
    seen = bar.seen(now_s)
    return BarTick(
        side, Link.TRACKING if seen else Link.SEARCHING, bar.clearance if seen else None, None,
        bar.lateral(now_s), None, tuple(bar.ranges), tuple(Use.USED for _ in bar.ranges),
        now_s - bar.seen_s,
    )  # fmt: skip
