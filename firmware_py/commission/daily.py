"""The start-of-day list: every device answers, noise and rates, cables under a shake, mounting.

The rig's own controller looks at it, not engaged; no valve is moved. Everything wrong is told at
once. SI inside, mm in the words.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from drivers.samples import AnySample, DriverSample, InertialSample, RangePing
from firmware_py.commission.estimate import MAD_TO_SD
from firmware_py.commission.plugs import Phase, counted, silences
from firmware_py.commission.procedure import Counts, Given, Steps, for_seconds, until_said
from firmware_py.controller import Controller
from firmware_py.guard.faults import AGE
from firmware_py.messages import BAR_GUIDES, BarTick, Guide, Link, Side
from firmware_py.sense.ranging import NOISE_AT
from firmware_py.sense.tilt import STANDARD_GRAVITY
from firmware_py.settings import MM, Rig

STAND_S = 6.0
SHAKE_S = 10.0
SETTLE_S = 1.5  # until the reference is found
RATE_OFF = 0.1  # of the stated rate: beyond it a device is set up otherwise than its table says
DROPPED = 0.01  # share of samples refused
SHAKES = 3.0  # m/s2 rms: an engine well mounted makes less (common practice, no source)
TURNS = math.radians(3.0)  # rad/s of gyro bias: datasheet LSM6DSO, +-1 deg/s typical (from memory)
WEIGHS_OFF = 0.3  # m/s2 off standard gravity: its own scale and bias make less
NOISY = 3.0  # times the stated noise of a range
SEEN = 0.95  # share of the time in which the reference is to be tracked
OUTSIDE = (150.0, 600.0)  # mm; nearer, spill lies under the bar; farther, tilt weighs too much
PINS = 50.0  # mm that a pin stands proud of its line: common practice, no source
CLEAR = 10.0  # mm between the gate's far end and the ground
PERIODS = 3.0  # of a device's own: longer silence under a shake is a bad plug
LOOK = "Look at its supply, cable and port."
ASKED = (
    "Stand with the bar over its reference, blade near its target, engine at working speed, "
    "hands off the levers."
)
SHAKE = "Shake every cable and plug, one after the other; go on until it says done."


class Watcher:
    """Runs the controller beside the check and keeps what the list needs."""

    def __init__(self, rig: Rig) -> None:
        self.rig = rig
        self._controller = Controller(rig)
        self._phase = Phase()
        self._start_s: float | None = None
        self._before: dict[str, int] = {}
        self._counts: Callable[[], Counts] = dict
        self._counted: Counts = {}

    def begin(self) -> None:
        """A new part."""
        self._phase, self._start_s = Phase(), None
        intakes = self._controller.senses.intakes
        self._before = {name: intake.dropped for name, intake in intakes.items()}

    def __call__(self, given: Given) -> None:
        """One step."""
        if self._start_s is None:
            self._start_s, self._counted = given.now_s, given.counts()
        self._counts = given.counts
        self._phase.seconds = given.now_s - self._start_s
        for sample in given.samples:
            self._keep(sample)
        tick = self._controller.step(given.now_s, given.samples)
        if self._phase.seconds > SETTLE_S:
            self._phase.ticks.append(tick)

    def end(self) -> Phase:
        """What this part has seen."""
        senses, phase = self._controller.senses, self._phase
        phase.sound = senses.sound
        for name, intake in senses.intakes.items():
            phase.dropped[name] = intake.dropped - self._before.get(name, 0)
            phase.whys[name] = intake.why
        for name, counts in self._counts().items():
            phase.counts[name] = Counter(counts)
            phase.counts[name].subtract(self._counted.get(name, {}))
        return phase

    def _keep(self, s: AnySample) -> None:
        phase = self._phase
        phase.times.setdefault(s.device, []).append(s.time_s)
        if isinstance(s, InertialSample):
            phase.inertial.append((s.ax, s.ay, s.az, s.gx, s.gy, s.gz))
        elif isinstance(s, RangePing):
            key = s.device, s.element
            phase.pings.setdefault(key, []).append(s.time_s)
            if s.echoes:
                phase.flights.setdefault(key, []).append(s.echoes[0].flight_s)
        elif isinstance(s, DriverSample):
            phase.hands |= s.left_hand or s.right_hand


@dataclass(frozen=True)
class Daily:
    """wrong: everything that is, in sentences; good: what was looked at and is right."""

    wrong: tuple[str, ...]
    good: tuple[str, ...]


def daily_steps(
    rig: Rig, pins_mm: float = PINS, stand_s: float = STAND_S, shake_s: float = SHAKE_S
) -> Steps[Daily]:
    """Stand, then shake. Moves no valve."""
    watcher = Watcher(rig)
    yield from until_said(ASKED, "ready", watcher, act="stand")
    watcher.begin()
    yield from for_seconds("Looking at every device.", stand_s, watcher)
    stood = watcher.end()
    yield from until_said(SHAKE, "ready", watcher, act="shake")
    watcher.begin()
    yield from for_seconds("Shake the cables.", shake_s, watcher)
    return judged(rig, stood, watcher.end(), pins_mm)


def judged(rig: Rig, stood: Phase, shaken: Phase, pins_mm: float) -> Daily:
    """All parts of the list."""
    parts = {
        "every device answers": [*_answers(rig, stood)],
        "rates and noise": [*_rates(rig, stood), *_inertial(stood), *_ranges(rig, stood)],
        "cables under a shake": [*silences(_devices(rig), shaken), *counted(stood, shaken)],
        "mounting and gate": [*_mounting(rig, stood, pins_mm)],
    }
    wrong = tuple(words for found in parts.values() for words in found)
    return Daily(wrong, tuple(name for name, found in parts.items() if not found))


def _devices(rig: Rig) -> dict[str, float]:
    """Each device and the longest silence that is right for it, s."""
    out = {bar.device: PERIODS * bar.frame_ms * MM for bar in rig.bars.values()}
    out |= {
        rig.inertial.device: max(PERIODS / rig.inertial.rate_hz, AGE["inertial"]),
        rig.air.device: AGE["air"], rig.motion.device: AGE["motion"],
        rig.driver.device: AGE["driver"],
    }  # fmt: skip
    return out


def _answers(rig: Rig, seen: Phase) -> Iterator[str]:
    for name in _devices(rig):
        if not seen.times.get(name):
            yield f"{name}: no sample in {seen.seconds:.0f} s. {LOOK}"
        elif seen.dropped[name] > DROPPED * len(seen.times[name]):
            share = 100.0 * seen.dropped[name] / len(seen.times[name])
            yield (
                f"{name}: {share:.0f} % of its samples are refused ({seen.whys[name]}); at most "
                f"{100.0 * DROPPED:g} % is right."
            )
    for bar in rig.bars.values():
        for k in range(bar.elements) if seen.times.get(bar.device) else ():
            if (bar.device, k) not in seen.pings:
                yield f"{bar.device}, element {k}: no answer in {seen.seconds:.0f} s. {LOOK}"
    if seen.hands:
        yield f"{rig.driver.device}: a hand is on a lever, or its switch is stuck."


def _rates(rig: Rig, seen: Phase) -> Iterator[str]:
    stated = {rig.inertial.device: rig.inertial.rate_hz}
    stated |= {bar.device: bar.elements / (bar.frame_ms * MM) for bar in rig.bars.values()}
    for name, hz in stated.items():
        times = seen.times.get(name, [])
        if len(times) < 2:
            continue
        found = (len(times) - 1) / (times[-1] - times[0])
        if abs(found / hz - 1.0) > RATE_OFF:
            yield f"{name}: {found:.1f} samples a second; {hz:.1f} is what the rig file says."


def _inertial(seen: Phase) -> Iterator[str]:
    if len(seen.inertial) < 2:
        return
    rows = np.array(seen.inertial)
    shake = float(np.linalg.norm(rows[:, :3].std(axis=0)))
    weight = float(np.linalg.norm(rows[:, :3].mean(axis=0)))
    turn = float(np.abs(rows[:, 3:].mean(axis=0)).max())
    if shake > SHAKES:
        yield f"inertial: shaken by {shake:.1f} m/s2 rms; at most {SHAKES:g} is right: mount it."
    if abs(weight - STANDARD_GRAVITY) > WEIGHS_OFF:
        yield f"inertial: reads {weight:.2f} m/s2 at rest; {STANDARD_GRAVITY:.2f} is right."
    if turn > TURNS:
        most, told = math.degrees(TURNS), math.degrees(turn)
        yield f"inertial: turns at {told:.1f} deg/s while it stands; at most {most:.0f} is right."


def _ranges(rig: Rig, seen: Phase) -> Iterator[str]:
    if seen.sound is None:
        return
    for bar in rig.bars.values():
        for k in range(bar.elements):
            flights = np.array(seen.flights.get((bar.device, k), []))
            if flights.size < 10:
                continue
            r = 0.5 * seen.sound * flights
            middle = float(np.median(r))
            sd = MAD_TO_SD * float(np.median(np.abs(r - middle)))
            most = NOISY * math.hypot(bar.noise_mm * middle / (NOISE_AT / MM), bar.step_mm) * MM
            if sd > most:
                yield (
                    f"{bar.device}, element {k}: its ranges scatter by {sd / MM:.1f} mm; at most "
                    f"{most / MM:.1f} mm is right."
                )


def _mounting(rig: Rig, seen: Phase, pins_mm: float) -> Iterator[str]:
    for side, bar in rig.bars.items():
        if not OUTSIDE[0] <= bar.outside_mm <= OUTSIDE[1]:
            yield (
                f"bars.{side}: its middle is {bar.outside_mm:g} mm off the blade end; "
                f"{OUTSIDE[0]:g} to {OUTSIDE[1]:g} is right."
            )
        if rig.end(side).guide in BAR_GUIDES:
            yield from _over(rig, side, seen, pins_mm)


def _over(rig: Rig, side: Side, seen: Phase, pins_mm: float) -> Iterator[str]:
    """The bar over its reference: is it seen, and is the gate free of pins and ground?"""
    bars = [bar for tick in seen.ticks for bar in tick.bars if bar.end is side]
    found = [bar for bar in bars if bar.link is Link.TRACKING and bar.clearance_m is not None]
    if len(found) < SEEN * max(len(bars), 1):
        share = 100.0 * len(found) / max(len(bars), 1)
        yield (
            f"bars.{side}: its {rig.end(side).guide} is tracked for {share:.0f} % of the time; at "
            f"least {100.0 * SEEN:.0f} % is right: bar over it, within reach (check string)."
        )
    if not found:
        return
    clearance = float(np.median([bar.clearance_m for bar in found])) / MM
    bar, gate = rig.bars[side], rig.gate
    low, high = bar.reach_near_mm + gate.near_mm, bar.reach_far_mm - gate.far_mm
    if not low <= clearance <= high:
        yield (
            f"bars.{side}: clearance {clearance:.0f} mm; with the gate within the elements' reach "
            f"{low:.0f} to {high:.0f} mm is right: mount the bar otherwise."
        )
    guide = rig.end(side).guide
    if guide is Guide.STRING and gate.near_mm >= pins_mm:
        yield (
            f"gate.near_mm: pins stand {pins_mm:g} mm proud of the line, inside the gate of "
            f"{gate.near_mm:g} mm; less is right."
        )
    if guide is not Guide.SURFACE:
        yield from _ground(gate.far_mm, clearance, found)


def _ground(far_mm: float, clearance: float, found: list[BarTick]) -> Iterator[str]:
    """The farthest echoes are the ground's: it must lie beyond the gate."""
    lasts = [r for bar in found for r in bar.last_m if r is not None]
    beyond = [r for r in lasts if r / MM > clearance + CLEAR]
    if len(beyond) < 0.2 * max(len(lasts), 1):
        return  # no second echoes: this bar does not see the ground beside its line
    ground = float(np.percentile(beyond, 10)) / MM - clearance
    if ground < far_mm + CLEAR:
        yield (
            f"gate.far_mm: the ground lies {ground:.0f} mm below the reference, inside the gate of "
            f"{far_mm:g} mm; {max(ground - CLEAR, 0.0):.0f} or less is right."
        )
