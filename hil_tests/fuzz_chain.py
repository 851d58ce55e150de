"""False range frames against gate, rate and consensus: a bar's bytes through the whole controller.

The simulated machine drives a string; each range that its bar measures goes over a wire as a bought
ranger's frame, with rubbish between the frames and frames mutated, through the decoder and into the
controller. What is false is known here, and to nobody else.
"""

from __future__ import annotations

import random
from typing import NamedTuple

from drivers.rangers.decode import AsciiDecoder, BinaryDecoder, Decoder
from drivers.samples import AnySample, Echo, RangePing, Validity
from firmware_py.controller import Controller
from firmware_py.fuse.history import History
from firmware_py.fuse.track import Gate, Track
from firmware_py.live.simulated import simulated
from firmware_py.messages import Engage, SetDatum, Side, Use
from firmware_py.settings_file import find_rig, load_rig
from hil_tests.fuzz_decoders import mutated

TICK_S, START_S, STAND_S = 0.01, 500.0, 3.0
SOUND = 344.8  # m/s, that the ranger assumes
RUBBISH = 100  # bytes between two frames
HURT = 0.1  # of the frames are mutated
FAR_M = 0.008  # a range further off than this from what was measured is false: 8 sigma


class Chain(NamedTuple):
    """false: ranges that the decoder let through; used: of these, by the filter; worst_mm: of the
    used ones, how far from the height; automatic: whether the run still was at its end."""

    kind: str
    seconds: float
    bytes: int
    ranges: int
    false: int
    used: int
    worst_mm: float
    error_mm: float
    automatic: bool

    @property
    def right(self) -> bool:
        return self.used == 0 and self.automatic


class Wire:
    """One decoder an element; what each handed up last, and whether that was false."""

    def __init__(self, kind: str, rng: random.Random) -> None:
        self.ascii, self.rng = kind == "ascii", rng
        make = AsciiDecoder if self.ascii else BinaryDecoder
        self.decoders: list[Decoder] = [make() for _ in range(9)]
        self.bytes = self.ranges = self.false = 0
        self.off: dict[tuple[int, float], float] = {}

    def frame(self, raw: int) -> bytes:
        high, low = raw >> 8 & 255, raw & 255
        return b"R%04d\r" % raw if self.ascii else bytes([255, high, low, (255 + high + low) & 255])

    def carry(self, ping: RangePing) -> RangePing:
        """A ping as bytes, one frame an echo with rubbish between, and what comes out of them."""
        rng = self.rng
        true = [0.5 * SOUND * echo.flight_s for echo in ping.echoes]
        data = rng.randbytes(RUBBISH)
        for range_m in true:
            good = self.frame(round(range_m * 1e3))
            data += mutated(good, rng) if rng.random() < HURT else good
        self.bytes += len(data)
        ranges = sorted(1e-3 * raw for raw in self.decoders[ping.element].feed(data) if raw > 20)
        self.ranges += len(ranges)
        for range_m in ranges:
            off = min((abs(range_m - one) for one in true), default=range_m)
            if off > FAR_M:
                self.false += 1
                self.off[ping.element, ping.time_s] = range_m
        flights = [2.0 * range_m / SOUND for range_m in ranges]
        echoes = tuple(Echo(ping.time_s + 0.5 * flight, flight) for flight in flights)
        validity = Validity.OK if echoes else Validity.NOTHING
        return RangePing(ping.device, ping.time_s, validity, ping.element, echoes)


class Watched(Track):
    """The filter's own track, which also tells the range of each echo that it has used."""

    told: list[tuple[int, float, float]]

    def _try(self, k: int, time_s: float, r: float, history: History, gate: Gate) -> Use:
        use = super()._try(k, time_s, r, history, gate)
        if use is Use.USED:
            self.told.append((k, time_s, r))
        return use


def watched(controller: Controller) -> Watched:
    """The left bar's track, telling what it uses, in the place of the plain one."""
    plain = controller.blade.tracks[Side.LEFT]
    track = Watched(plain.side, plain.bar, plain.guide, 2.0 * plain.edge_half, plain.bar_arm)
    track.told = []
    controller.blade.tracks[Side.LEFT] = track
    return track


def run(kind: str, seconds: float, seed: int = 1) -> Chain:
    """Stand, set the datum, engage, drive for so long."""
    settings = load_rig(find_rig("reference"))
    controller, sim = Controller(settings), simulated(settings, seed)
    wire, track = Wire(kind, random.Random(seed)), watched(controller)
    sim.person.enable(True)
    used, worst, square, n, tick = 0, 0.0, 0.0, 0, None
    for k in range(round((STAND_S + seconds) / TICK_S)):
        now = START_S + k * TICK_S
        samples: list[AnySample] = [
            wire.carry(s) if isinstance(s, RangePing) else s for s in sim.read(now)
        ]
        asked = k % 50 == 0 and k * TICK_S >= STAND_S and n == 0
        tick = controller.step(now, samples, [SetDatum(1, Side.LEFT), Engage(2)] if asked else [])
        sim.write(controller.command)
        sim.person.cue(now, tick.steer_m)
        scale = (controller.senses.sound or SOUND) / SOUND
        for element, _, range_m in track.told:
            for (other, _), false_m in wire.off.items():
                if other == element and abs(false_m * scale - range_m) < 1e-6:
                    used, worst = used + 1, max(worst, abs(range_m - (track.filter.h)))
        track.told.clear()
        wire.off.clear()
        if controller.guard.engaged:
            sim.person.drive(0.5)
            square, n = square + sim.truth().left_error_m ** 2, n + 1
    rms = (square / n) ** 0.5 if n else float("nan")
    auto = tick is not None and tick.mode.value == "auto"
    return Chain(kind, seconds, wire.bytes, wire.ranges, wire.false, used, worst * 1e3, rms * 1e3,
                 auto)  # fmt: skip
