"""Watches over a blade that is moved in small steps, and makes those steps. THIS MOVES THE BLADE.

One valve at a time. Whatever turns the wrong way, goes too far or moves unasked ends it at once,
valves neutral. Angles in rad.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from drivers.samples import (
    AirSample,
    DriverSample,
    InertialSample,
    MotionSample,
    RangePing,
    Validity,
)
from firmware_py.commission.estimate import CommissionError, Floats, Surprise
from firmware_py.commission.looks import Reflector
from firmware_py.commission.procedure import Given, Next, Steps, number_said, until_said
from firmware_py.commission.tilt import Pace
from firmware_py.commission.valve_record import SETTLE_S, BarPlace, Recording, Step, way
from firmware_py.messages import Side
from firmware_py.sense.sound import speed_of_sound
from firmware_py.sense.tilt import tilt_from_gravity

CAUTIONS = (
    "This moves the blade. Supports under it would be hit: take them away, raise the blade "
    "20 cm, keep everybody clear, one hand on the emergency stop. Engine at working speed, a "
    "board flat under the bar. Hold the enable input from now on; letting it go ends it."
)
MOVED = 0.0015  # rad; some 1.8 mm at a cylinder: ten times what the gyro's noise adds up to
ENOUGH = 0.022  # rad; some 26 mm at a cylinder: the step may end
LOOK_S = 0.7  # s of rest that is looked at after each step
FIRST_REST_S = 3.0
WRONG = 0.004  # rad the wrong way: no noise
WRONG_LIFT = 0.004  # m of the blade's middle the wrong way: no noise
FAR = 0.06  # rad within one step, three times what it was to do
FAR_ALL = 0.12  # rad off the beginning
FAR_HEIGHT = 0.15  # m of the bar within one step
CREEP = 0.012  # rad/s mean over CREEP_S while shut: the blade moves unasked
CREEP_S = 0.25
OLD_S = 0.1  # s without an inertial sample: nobody is watching
TAPE = (
    "A tape from the left cylinder's lower pin to the right one's, in mm; 0 where none can be had."
)
TAPED = (0.0, 5000.0)  # mm
NOT_HELD = "Enable is not held: nothing moves. Hold it from the yes on."
RELEASED = "Enable was let go; the automatic steps are off."
HAND = "A hand is on a lever; the automatic steps are off."


@dataclass
class Eye:
    """Takes all samples, keeps them, and knows how far the blade has rolled since a mark."""

    device: str
    yaw: float
    reflector: Reflector | None = None
    gyro: list[tuple[float, float]] = field(default_factory=list)
    echoes: list[tuple[float, int, float]] = field(default_factory=list)
    forces: list[tuple[float, float, float]] = field(default_factory=list)
    airs: list[float] = field(default_factory=list)
    bias: float = 0.0
    roll: float = 0.0  # since the first rest
    mark: float = 0.0  # roll when the step began
    shut_s: float = math.inf  # since when the blade should be at rest
    share: float = 0.0  # of all steps that is done
    height: float | None = None
    mark_height: float | None = None
    recent: deque[tuple[float, float]] = field(default_factory=deque)
    busy: list[tuple[float, float]] = field(default_factory=list)
    enabled: bool = False
    pace: Pace = field(default_factory=Pace)
    heights: deque[float] = field(default_factory=lambda: deque(maxlen=7))

    def take(self, given: Given) -> None:
        for s in given.samples:
            if isinstance(s, InertialSample) and s.validity is Validity.OK:
                self._inertial(s)
            elif isinstance(s, RangePing) and s.device == self.device:
                self._ping(s)
            elif isinstance(s, MotionSample) and self.pace.moves(s):
                raise Surprise(f"The machine drove at {self.pace.mps:.2f} m/s; stand still.")
            elif isinstance(s, DriverSample):
                self._driver(s)
            elif isinstance(s, AirSample) and s.temperature_c is not None:
                self.airs.append(s.temperature_c)
        if self.gyro and given.now_s - self.gyro[-1][0] > OLD_S:
            raise Surprise("The inertial sensor fell silent; look at its cable.")

    def _driver(self, s: DriverSample) -> None:
        """The enable input is asked for while a valve is open, and missed once it was held."""
        if s.left_hand or s.right_hand:
            raise Surprise(HAND)
        if self.enabled and not s.enable:
            raise Surprise(RELEASED)
        self.enabled = s.enable

    def _inertial(self, s: InertialSample) -> None:
        rate = s.gx * math.cos(self.yaw) - s.gy * math.sin(self.yaw)
        if self.gyro:
            self.roll += (rate - self.bias) * (s.time_s - self.gyro[-1][0])
        self.gyro.append((s.time_s, rate))
        self.recent.append((s.time_s, self.roll))
        while self.recent[0][0] < s.time_s - CREEP_S:
            self.recent.popleft()
        if len(self.forces) < 100_000:
            self.forces.append((s.ax, s.ay, s.az))

    def _ping(self, s: RangePing) -> None:
        echoes = s.echoes if self.reflector is None else self.reflector.split(s)[1]
        if not echoes:
            return
        echo = echoes[0]
        self.echoes.append((echo.time_s, s.element, echo.flight_s))
        if self.airs:
            self.heights.append(0.5 * speed_of_sound(self.airs[0]) * echo.flight_s)
            self.height = float(np.median(self.heights))

    def ranges(self) -> Floats:
        """Time, element, range: one speed of sound for all, from the mean of the air."""
        rows = np.array(self.echoes)
        rows[:, 2] *= 0.5 * speed_of_sound(float(np.mean(self.airs)))
        return rows

    def record(self, steps: Sequence[Step], first_roll: float) -> Recording:
        """All that was seen, with the steps that are measured."""
        seen = np.array(self.gyro), self.ranges()
        return Recording(tuple(steps), *seen, first_roll, tuple(self.busy))

    def rested(self) -> None:
        """The bias from all that was seen so far: nothing has moved yet."""
        if len(self.gyro) < 50:
            raise CommissionError("Hardly any inertial samples; look at the sensor and its cable.")
        if self.height is None:
            raise CommissionError("No echo from the board; look at board, bar and thermometer.")
        self.bias = float(np.mean([rate for _, rate in self.gyro]))
        self.roll = 0.0
        self.recent.clear()

    def begin(self) -> None:
        self.mark, self.mark_height = self.roll, self.height

    def check(self, now_s: float, sign: float | None) -> None:
        """Surprise on anything that was not to be. sign: of the roll that is asked for now."""
        gone = self.roll - self.mark
        if sign is not None and gone * sign < -WRONG:
            side = "left" if gone > 0.0 else "right"
            told = f"The blade turned the wrong way, {side} end up by {abs(gone):.3f} rad"
            raise Surprise(f"{told}: look at which hose and which wire go to which valve.")
        if abs(gone) > FAR or abs(self.roll) > FAR_ALL:
            told = f"The blade rolled by {gone:+.3f} rad, {self.roll:+.3f} in all"
            raise Surprise(f"{told}; at most {FAR:g} and {FAR_ALL:g} is right.")
        self._check_height()
        if now_s > self.shut_s and len(self.recent) > 10:
            (t0, a), (t1, b) = self.recent[0], self.recent[-1]
            if t0 > self.shut_s and abs(b - a) > CREEP * (t1 - t0) and t1 - t0 > 0.8 * CREEP_S:
                told = f"The blade moves with its valves shut, {(b - a) / (t1 - t0):+.3f} rad/s"
                raise Surprise(f"{told}; at most {CREEP:g} is right. Look at valves and load.")

    def _check_height(self) -> None:
        if self.height is None or self.mark_height is None:
            return
        gone = self.height - self.mark_height
        if abs(gone) > FAR_HEIGHT:
            told = f"The bar went {1e3 * gone:+.0f} mm"
            raise Surprise(f"{told}; at most {1e3 * FAR_HEIGHT:g} mm is right within one step.")


def shut(eye: Eye, words: str, seconds: float, settle: float, sign: float | None) -> Steps[Given]:
    """Valves shut for so long; settle: s in which the blade may still come to rest."""
    given = yield Next(words, moves=True, share=eye.share)
    start = given.now_s
    eye.shut_s = start + settle
    while True:
        eye.take(given)
        eye.check(given.now_s, sign)
        if given.now_s - start >= seconds:
            eye.shut_s = math.inf
            return given
        given = yield Next(words, moves=True, share=eye.share)


def opened(
    eye: Eye, given: Given, side: Side, command: float, seconds: float, *, words: str = ""
) -> Steps[tuple[Given, float, float]]:
    """One valve open until it has rolled the blade enough; gives when it began and ended.

    A command counts from the time of the step that asked for it: the runner writes it then.
    """
    up = "up" if command > 0.0 else "down"
    words = words or f"Moving: {side.value} {up} at {100 * abs(command):.0f} %."
    valves = (command, 0.0) if side is Side.LEFT else (0.0, command)
    sign = way(side, command)
    if not eye.enabled:
        raise Surprise(NOT_HELD)
    eye.begin()
    start = given.now_s
    while True:
        given = yield Next(words, valves=valves, moves=True, share=eye.share)
        eye.take(given)
        eye.check(given.now_s, sign)
        if given.now_s - start >= seconds or (eye.roll - eye.mark) * sign > ENOUGH:
            return given, start, given.now_s


def check_lift(eye: Eye, bar: BarPlace, side: Side, command: float) -> None:
    """The middle of the blade must go where the valve was told, whatever the roll looks like."""
    if eye.height is None or eye.mark_height is None:
        return
    lift = eye.height - eye.mark_height - bar.y_m * (eye.roll - eye.mark)
    if lift * command < 0.0 and abs(lift) > WRONG_LIFT:
        told = f"The {side.value} valve moved the blade's middle by {1e3 * lift:+.0f} mm"
        raise Surprise(f"{told}: its lines go to the other cylinder, crosswise.")


def measured(
    eye: Eye, given: Given, bar: BarPlace, side: Side, command: float, *, seconds: float,
    words: str = "",
) -> Steps[tuple[Given, Step]]:  # fmt: skip
    """One step that is measured, its rest, and a look at where the blade's middle went."""
    given, start, end = yield from opened(eye, given, side, command, seconds, words=words)
    given = yield from shut(eye, "Resting.", SETTLE_S + LOOK_S, SETTLE_S, way(side, command))
    check_lift(eye, bar, side, command)
    return given, Step(side, command, start, end, given.now_s)


def begin(
    device: str, bar: BarPlace, yaw: float, zero_roll: float, *, tape: bool,
    reflector: Reflector | None,
) -> Steps[tuple[Eye, Given, BarPlace, float]]:  # fmt: skip
    """Asks for the tape and the yes, then rests: who watches, the last look, the bar's place with
    its tape, and the blade's roll at first (rad)."""
    if tape:
        apart = 1e-3 * (yield from number_said(TAPE, *TAPED, act="tape"))
        bar = replace(bar, apart_m=apart or None)
    yield from until_said(CAUTIONS, "confirm", act="board under the bar")
    eye = Eye(device, yaw, reflector)
    given = yield from shut(eye, "Hands off; the blade rests.", FIRST_REST_S, math.inf, None)
    eye.rested()
    force = np.mean(eye.forces, axis=0)
    c, s = math.cos(yaw), math.sin(yaw)
    roll = tilt_from_gravity(*(c * force[0] - s * force[1], s * force[0] + c * force[1], force[2]))
    return eye, given, bar, roll[0] - zero_roll
