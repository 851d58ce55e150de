"""The blade's state: each end's height over its reference, its disturbance, and the crossfall.

Signs: height up > 0, roll > 0 left end up, pitch > 0 nose down, crossfall > 0 falls to the right.
Heave is the part of a bar's rise that neither the gyros nor the valves account for.
"""

from __future__ import annotations

import math

from firmware_py.fuse.gain import ValveGain
from firmware_py.fuse.history import History
from firmware_py.fuse.lift import Lift
from firmware_py.fuse.moment import Moment, Sight
from firmware_py.fuse.track import Motion, Track
from firmware_py.fuse.under import CREEP, Under
from firmware_py.messages import LEFT, RIGHT, SIDES, Guide, Side
from firmware_py.settings import MM, Rig

SURFACE = Guide.SURFACE  # asked for at every tick: to look up a member costs
GRADE_S = 12.0  # s; the reference's own grade: slower than the machine's pitching over the ground
SWING_M = 0.22  # m, each of two stages: a driver's steering at a string's corners averages out
DRIFT_M = 1.25  # m; most of a span: the corners that a string makes at its pins in a bend
STANDING = 0.03  # m/s; three sigma of the smoothed speed
HEAVE = 4e-4  # (m/s)^2/s at 1 m/s, grows with the speed cubed: tracks on ISO 8608 class D
HEAVE_STILL = 2e-6  # (m/s)^2/s at creep
HAND_RISE = 2e-4  # m^2/s while a hand moves this end's valve, up to 90 mm/s
HAND_BESIDE = 2e-5  # m^2/s while a hand moves the other end's: the gyro shows most of it
RISE = 4e-7  # m^2/s; what the gyros and the valve model leave uncertain
RISE_STILL = 2e-8  # m^2/s standing with the valves shut: a datum is a mean of seconds
SIDE = 2e-5  # m^2/s; slip of the tracks
TURN = 1e-3  # rad^2/s per m/s; steering, and the corners of a string
SIDE_BLIND = 2.5e-3  # m^2/s; when the speed is not known


class Blade:
    """Fuses tilt, valves, speed and echoes. `advance` once a tick, then pings, then read."""

    STATE = (
        "history", "lifts", "lift_rates", "tracks", "under", "valve_gain",
        "grade", "speed", "swung", "swing", "drift", "drift_from", "crab", "roll", "pitch",
        "roll_variance", "mean_lift", "turned", "started",
    )  # fmt: skip

    def __init__(self, rig: Rig) -> None:
        self.rig = rig
        self.half = rig.blade.width_mm * MM / 2
        self._master = rig.control.master
        self.ahead = rig.blade.ahead_mm * MM
        tick = 1.0 / rig.control.tick_hz
        valves = rig.valves
        lag = valves.lag_ms * 1e-3 if valves else 0.0
        self.dead_s = valves.dead_time_ms * 1e-3 if valves else 0.0
        self.history = History()
        self.lifts = {side: Lift(tick, lag) for side in SIDES}
        self.valve_gain = ValveGain(tick, self.dead_s, 2.0 * self.half)
        self.tracks = {
            side: Track(side, bar, rig.end(side).guide, rig.end(side).edge_width_mm * MM,
                        self._arm(side))
            for side, bar in rig.bars.items()
        }  # fmt: skip
        lag_s = self.lifts[Side.LEFT].lag_s
        self.under = Under(rig, [one + lag_s + 0.5 * tick for one in self.valve_gain.deads])
        self.speed = 0.0
        self.grade = self.crab = self.swung = self.swing = self.drift = 0.0
        self.drift_from: float | None = None  # m; the reference's lateral at the last tick
        self.roll = self.pitch = self.mean_lift = 0.0
        self.turned = (0.0, 0.0)
        self.roll_variance = 1.0
        self.lift_rates = dict.fromkeys(SIDES, 0.0)
        self.started = False

    def _arm(self, side: Side) -> tuple[float, float]:
        bar = self.rig.bars[side]
        left = side.sign * (self.half + bar.outside_mm * MM)
        return self.ahead + bar.ahead_mm * MM, left

    def advance(self, now_s: float, moment: Moment) -> None:
        """Carry everything over one tick."""
        dt, tilt = moment.dt, moment.tilt
        if not self.started:
            self.roll, self.pitch, self.grade = tilt.roll, tilt.pitch, tilt.pitch
            self.started = True
        self._learn(moment)
        hidden = self._hand_lift(moment) + self.under.hidden(self.speed)
        lift = (0.5 * sum(self.lift_rates.values()) + hidden) * dt
        self.mean_lift += lift
        self._turns(moment)
        for track in self.tracks.values():
            track.advance(now_s, dt, self._motion(moment, lift, track.bar_arm))
        self.roll, self.pitch, self.roll_variance = tilt.roll, tilt.pitch, tilt.roll_variance
        rolled, pitched = self.turned
        self.turned = (rolled + tilt.roll_rate * dt, pitched + tilt.pitch_rate * dt)
        pose = (self.roll, self.pitch, self.grade)
        self.history.push((now_s, self.mean_lift, *self.turned, *pose))
        self._leave((moment.speed or 0.0) * dt)

    def _learn(self, moment: Moment) -> None:
        """What the valves do by now, what the ground does to roll and pitch, the valves' gain."""
        tilt, found = moment.tilt, self.valve_gain
        left, right = self.lifts[LEFT], self.lifts[RIGHT]
        rates = (
            found.gain * left.rate_after(found.dead_s),
            found.gain * right.rate_after(found.dead_s),
        )
        self.lift_rates = {LEFT: rates[0], RIGHT: rates[1]}
        self.speed = 1.0 if moment.speed is None else abs(moment.speed)
        turned = tilt.roll_rate - (rates[0] - rates[1]) / (2.0 * self.half)
        self.under.feel(moment.dt, self.speed, turned, -tilt.pitch_rate)
        if not moment.by_hand:
            found.learn(tilt.roll_rate, left, right)

    def _leave(self, forward: float) -> None:
        """What the edge leaves behind it for the tracks, at its middle."""
        side = self.rig.control.master
        found = self.end_height(side)
        level = None if found is None else found[0] - side.sign * self.half * math.sin(self.roll)
        self.under.trail.push(forward, level, self.roll)

    def _turns(self, moment: Moment) -> None:
        """Grade and crab, both slow.

        In a bend the edge, ahead of the tracks, points outward by its own sideways motion; what
        the reference then still moves sideways under the bar is the rest of the crab.
        """
        tilt, speed, dt = moment.tilt, moment.speed, moment.dt
        if speed is None or abs(speed) < CREEP:
            self.drift_from = None
            return
        self.grade += (tilt.pitch - self.grade) * dt / GRADE_S
        # at the blade's middle: its ends and the bar run on other radii
        swing = tilt.yaw_rate * self.ahead / speed
        way = abs(speed) * dt
        share = way / (way + SWING_M)
        self.swung += share * (swing - self.swung)
        self.swing += share * (self.swung - self.swing)
        self._drift(speed * dt)
        self.crab = -(self.swing + self.drift)

    def _drift(self, forward: float) -> None:
        """How the master's reference moves to the side per metre of way.

        From its lateral itself: the filter's own direction lags behind the steering, and the
        swing, which steers against it, does not.
        """
        track = self.tracks[self._master]
        if not track.known() or track.guide is SURFACE:
            self.drift_from = None
            return
        lateral, last = track.filter.y, self.drift_from
        self.drift_from = lateral
        if last is not None:
            moved = lateral - last if forward > 0.0 else last - lateral
            self.drift += (moved - self.drift * abs(forward)) / DRIFT_M

    def _motion(self, moment: Moment, lift: float, arm: tuple[float, float]) -> Motion:
        """How a bar moved over this tick, and how unsure that is."""
        dt, tilt, speed = moment.dt, moment.tilt, moment.speed
        if self._still(moment):
            return Motion(0.0, 0.0, 0.0, 0.0, (RISE_STILL * dt, 0.0, 0.0, 0.0), still=True)
        ahead, left = arm
        rise = lift + (tilt.roll_rate * left - tilt.pitch_rate * ahead) * dt
        v = 0.0 if speed is None else speed
        pace = min(abs(v), 2.0)
        heave = HEAVE_STILL + HEAVE * pace**3
        side = SIDE_BLIND if speed is None else SIDE
        noise = (
            self._rise_noise(moment, left) * dt,
            heave * dt,
            side * dt,
            (TURN * pace + 1e-8) * dt,
        )
        forward = (v - tilt.yaw_rate * left) * dt
        return Motion(rise, forward, tilt.roll_rate * dt, tilt.pitch_rate * dt, noise)

    def _rise_noise(self, moment: Moment, left: float) -> float:
        """How unsure a bar's known rise is, m^2/s; left: where the bar stands."""
        own = LEFT if left > 0.0 else RIGHT
        if moment.hands[own]:
            return HAND_RISE
        return HAND_BESIDE if moment.hands[own.other] else RISE

    def _hand_lift(self, moment: Moment) -> float:
        """Mean lift by a hand on one lever alone: the other end stays, so roll shows it, m/s."""
        lefts, rights = moment.hands[LEFT], moment.hands[RIGHT]
        if lefts == rights:
            return 0.0
        rolled = self.half * self.under.roll.lately()
        return rolled if lefts else -rolled

    def _still(self, moment: Moment) -> bool:
        """Standing with the valves shut: nothing moves, whatever a gyro's bias says."""
        slow = moment.speed is not None and abs(moment.speed) < STANDING
        return slow and not moment.by_hand and not self.valves_open()

    def moving(self, side: Side) -> float:
        """Motion of an end over the last moments that no command explains, m/s."""
        roll = self.under.roll.lately()
        return self.heave(side) + self.pitching() + roll * side.sign * self.half

    def pitching(self) -> float:
        """Rate at which the machine's pitching moved the edge over the last moments, m/s."""
        return self.under.pitch.lately() * self.ahead

    def heave(self, side: Side) -> float:
        """Rise of the track centre over its reference that only the echoes show, m/s."""
        track = self.tracks.get(side) or self.tracks[self._master]
        return track.filter.d if track.known() else 0.0

    def disturbance(self, ahead_s: float) -> dict[Side, tuple[float, float]]:
        """Rate at which the ground moves each end ahead_s from now, and its mean until then."""
        if self.speed < CREEP:
            return dict.fromkeys(SIDES, (0.0, 0.0))
        (rise, rise_mean), (roll, roll_mean) = self.under.ahead_of(ahead_s, self.speed)
        out = {}
        for side in SIDES:
            arm, heave = side.sign * self.half, self.heave(side)
            out[side] = (heave + rise + roll * arm, heave + rise_mean + roll_mean * arm)
        return out

    def end_height(self, side: Side) -> tuple[float, float, float] | None:
        """Height of an end over its bar's reference (m), its variance, the lateral; or None."""
        track = self.tracks.get(side)
        if track is None or not track.known():
            return None
        out, up, fore = track.stands
        sine, cosine = math.sin(self.roll), math.cos(self.roll)
        nose, level = math.sin(self.pitch), math.cos(self.pitch)
        lever = (side.sign * out * sine + up * cosine) * level - fore * nose
        # on a grade the bar reads the reference ahead of the end, where it lies lower
        lever += math.tan(self.grade) * self._bar_ahead(track)
        f = track.filter
        lateral = 0.0 if track.guide is SURFACE else f.y
        return f.h - lever, f.cov[0] + out * out * self.roll_variance, lateral

    def _bar_ahead(self, track: Track) -> float:
        """How far along chainage the bar stands ahead of its blade end, m."""
        out, up, fore = track.stands
        nose, level = math.sin(self.pitch), math.cos(self.pitch)
        return up * nose + fore * level - track.side.sign * out * math.sin(self.crab)

    def sight(self, side: Side) -> Sight:
        """What a datum taken now owes to the grade that is believed now."""
        track = self.tracks[side]
        square = track.filter.h * math.cos(self.grade)
        return Sight(self.grade, square, self._bar_ahead(track))

    def valves_open(self) -> bool:
        """True while the valves are thought to move the blade."""
        return any(self.lift_rates.values())

    def crossfall(self) -> float:
        """Slope square to chainage: the crab's share of the grade is taken out. Ratio."""
        # along the blade: c cos(psi) + g sin(psi), with the grade g falling forward > 0
        along = math.tan(self.roll) / max(math.cos(self.pitch), 0.5)
        return (along - math.tan(self.grade) * math.sin(self.crab)) / math.cos(self.crab)

    def new_clock(self) -> None:
        """The clock jumped: poses and sightings timed before it are void."""
        self.history.reset()
        for track in self.tracks.values():
            track.reset()

    def set_guide(self, side: Side, guide: Guide) -> None:
        """Let a bar look for another kind of reference; it searches anew."""
        track = self.tracks.get(side)
        if (
            track is not None
            and track.guide is not guide
            and guide in ("string", "edge", "surface")
        ):
            track.guide = guide
            track.reset()
