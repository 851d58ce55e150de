"""One bar's reference: from echoes to vertical height over it, lateral and direction.

Height is up > 0; the reference's lateral is left > 0. Each echo is one scalar update at its own
instant, gated by the range gate and by its innovation. Known motion (gyros, valves) carries the
state between echoes, so a gap is coasted, and the variance says for how long that is worth much.
"""

from __future__ import annotations

import math

import msgspec

from drivers.samples import RangePing
from firmware_py.fuse.history import History, Row
from firmware_py.fuse.kalman import HeightLateral
from firmware_py.messages import Guide, Link, Side, Use
from firmware_py.sense import ranging
from firmware_py.sense.finding import find_in_frame
from firmware_py.sense.search import Search
from firmware_py.settings import DEG, MM, Bar

# asked for a dozen times a tick: to look up a member costs
SEARCHING, TRACKING, SURFACE = Link.SEARCHING, Link.TRACKING, Guide.SURFACE
USED, GATED, OUTLIER = Use.USED, Use.GATED, Use.OUTLIER
INNOVATION = 3.0  # sigma; a slip of a 40 kHz cycle (4.3 mm) is outside, 0.3 % of good echoes too
NEARER = 3.0  # sigma; over a surface what is nearer is a stone: one-sided
DOUBT = 1.0  # of the square of a nearer gap, added to its variance: a stone's shoulder looks so
LOST_S = 0.5  # s unseen, after which the reference is searched for anew
LOST_SD = 0.010  # m; spread at which an innovation gate no longer tells good from bad
FRESH_FRAMES = 2.0  # frames without a used echo before the state counts as coasting
SURFACE_AGREE = 0.008  # m; furthest apart that elements over one surface may read
LEAN_NOISE = (1e-7, 0.0)  # rad^2 a tick; change of a surface's own slope, and a state not used
STILL_SD = 1e-3  # m/s; of a machine that stands with its engine running
START_LATERAL = 0.004  # m; of a fix: what creeping to the side in its frames may come to
GATE_SLACK = 0.01  # m; between a clearance square to the bar and the vertical one that is gated
START_SD = (0.002, 0.02, 0.012, 0.1)  # m, m/s, m, rad; of a fix


class Motion(msgspec.Struct, frozen=True, gc=False):
    """How the bar moved over one tick: SI; what is not known is covered by the noises."""

    rise: float  # m; of the bar's middle, from gyros and valves
    forward: float  # m; way of the bar
    rolled: float  # rad
    pitched: float  # rad
    noise: tuple[float, float, float, float]
    still: bool = False  # nothing moves: the disturbance rate is known to be 0


class Gate(msgspec.Struct, frozen=True, gc=False):
    """Range gate in vertical clearance, m: middle (None: the whole reach), near and far half."""

    middle: float | None
    near: float
    far: float


class Track:
    """Tracks the reference under one bar. `ping` takes a firing; `advance` takes a tick.

    Over a surface, the filter's y is no lateral but the bar's lean against that surface, rad.
    """

    STATE = (
        "filter", "link", "search", "frame", "stamps", "uses", "ranges", "lasts", "used_s", "way",
        "guide",
    )  # fmt: skip

    def __init__(
        self, side: Side, bar: Bar, guide: Guide, edge_width: float, arm: tuple[float, float]
    ) -> None:
        self.side, self.bar = side, bar
        self.guide = guide
        self.edge_half = edge_width / 2
        self.positions = ranging.element_positions(bar.elements, bar.spacing_mm * MM)
        self.noise, self.step = bar.noise_mm * MM, bar.step_mm * MM
        self.frame_s = bar.frame_ms * 1e-3
        self.half_angle = bar.beam_half_angle_deg * DEG
        self.beam = ranging.MAY_SEE * math.tan(self.half_angle)
        self.reach = (bar.reach_near_mm * MM, bar.reach_far_mm * MM)
        self.bar_arm = arm
        # m; middle of the bar outside the blade end, above the cutting edge, ahead of it
        self.stands = (bar.outside_mm * MM, bar.above_mm * MM, bar.ahead_mm * MM)
        self.filter = HeightLateral()
        self.search = Search()
        self.link = SEARCHING
        self.used_s = -math.inf
        self.way = 0.0
        self._clear()

    def _clear(self) -> None:
        n = self.bar.elements
        self.witness: tuple[float, float] | None = None  # s, m: an echo that none agrees with yet
        self.frame: list[list[float]] = [[] for _ in range(n)]
        self.stamps = [-math.inf] * n
        self.uses = [Use.SILENT] * n
        self.ranges: list[float | None] = [None] * n  # nearest echo, m
        self.lasts: list[float | None] = [None] * n  # furthest echo, m

    def reset(self) -> None:
        """Forget the reference and search anew."""
        self.link = SEARCHING
        self.search.reset()
        self._clear()

    @property
    def half_width(self) -> float:
        return self.edge_half if self.guide is Guide.EDGE else 0.0

    def known(self) -> bool:
        """True while the state may be believed, also by prediction alone."""
        return self.link is not SEARCHING

    @property
    def coasting(self) -> bool:
        return self.link is not TRACKING

    def unseen(self, now_s: float) -> float:
        """Seconds since the last echo that was used."""
        return now_s - self.used_s

    def advance(self, now_s: float, dt: float, motion: Motion) -> None:
        """Carry the state over one tick."""
        if self.link is SEARCHING:
            return
        if self.guide is SURFACE:
            self.filter.predict(dt, motion.rise, 0.0, motion.noise[:2] + LEAN_NOISE)
            self.filter.y += motion.pitched if self.bar.turned else motion.rolled
        else:
            self.filter.predict(dt, motion.rise, motion.forward, motion.noise)
        if motion.still:
            self.filter.update(-self.filter.d, 0.0, 1.0, 0.0, STILL_SD * STILL_SD)
        self.way += abs(motion.forward)
        unseen = self.unseen(now_s)
        if unseen > LOST_S or self.filter.cov[0] > LOST_SD * LOST_SD:
            self.reset()
        elif unseen > FRESH_FRAMES * self.frame_s:
            self.link = Link.COASTING

    def ping(self, ping: RangePing, sound: float, history: History, gate: Gate) -> None:
        """Take one firing of one element."""
        k = ping.element
        echoes = [(e.time_s, 0.5 * sound * e.flight_s) for e in ping.echoes]
        near, far = self.reach
        echoes = [e for e in echoes if near <= e[1] <= far]
        self.ranges[k] = echoes[0][1] if echoes else None
        self.lasts[k] = echoes[-1][1] if echoes else None
        if self.link is SEARCHING:
            self._collect(k, ping.time_s, echoes, history, gate)
        elif not echoes:
            self.uses[k] = Use.SILENT
        elif self._in_view(k):
            self.uses[k] = self._best_use(k, echoes, history, gate)
        else:
            self.uses[k] = GATED

    def _in_view(self, k: int) -> bool:
        """Whether an element's beam can hold the reference; else its echo is something else's."""
        if self.guide is SURFACE:
            return True
        f = self.filter
        off = abs(self.positions[k] - f.y) - self.half_width
        return off <= f.h * self.beam + math.sqrt(f.cov[7])

    def _best_use(
        self, k: int, echoes: list[tuple[float, float]], history: History, gate: Gate
    ) -> Use:
        """First echo of a firing that the gates let through is used."""
        verdict = GATED
        for time_s, r in echoes:
            use = self._try(k, time_s, r, history, gate)
            if use is USED:
                return use
            if use is OUTLIER:
                verdict = use
        return verdict

    def _expect(self, k: int, row: Row, newest: Row) -> tuple[float, float, float, float]:
        """Range expected at a past instant, its derivatives by height and lateral, height then."""
        f = self.filter
        roll, grade = row[4], row[6]
        at, arm = self.positions[k], self.bar_arm
        h = f.h - self._rise(newest, row, arm) - f.d * (newest[0] - row[0])
        if self.guide is SURFACE:
            slope = -at if self.bar.turned else at
            level = math.cos(roll) * math.cos(grade)
            return h * level + slope * f.y, level, slope, h
        # on the level, for an edge's flat top does not roll with the bar
        sine, cosine = math.sin(roll), math.cos(roll)
        down = h * math.cos(grade)
        across = (f.y + down * sine) / cosine
        r, dc, dy = ranging.slant_range(down + at * sine, across, at * cosine, self.half_width)
        return r, dc + dy * sine / cosine, dy / cosine, h

    @staticmethod
    def _rise(newest: Row, row: Row, arm: tuple[float, float]) -> float:
        """Known rise of the bar between two instants, m."""
        ahead, left = arm
        return newest[1] - row[1] + (newest[2] - row[2]) * left - (newest[3] - row[3]) * ahead

    def _try(self, k: int, time_s: float, r: float, history: History, gate: Gate) -> Use:
        """Gate one echo and, when it passes, take it into the state."""
        row, newest = history.at(time_s), history.now()
        if row is None:
            return GATED
        expected, dh, dy, h = self._expect(k, row, newest)
        gap = r - expected
        if gate.middle is not None and not -gate.near <= h + gap / dh - gate.middle <= gate.far:
            return GATED
        back = -dh * (newest[0] - time_s)
        noise = self._variance(r)
        spread = self.filter.spread(dh, back, dy) + noise
        if gap * gap > INNOVATION * INNOVATION * spread:
            return OUTLIER
        if self.guide is SURFACE:
            if gap < -NEARER * math.sqrt(spread):
                return OUTLIER
            if gap < 0.0:
                noise += DOUBT * gap * gap  # the shoulder of a stone looks like this as well
        elif self.coasting and self._alone(time_s, gap / dh, noise + dy * dy * self.filter.cov[7]):
            return OUTLIER
        self.filter.update(gap, dh, back, dy, noise)
        self.used_s, self.way = time_s, 0.0
        self.link = TRACKING
        return USED

    def _alone(self, time_s: float, lift: float, noise: float) -> bool:
        """Whether an echo after a gap would move the height far, and the one before says no such.

        By then the innovation gate is wide; a late echo let in alone would shut it on what is true.
        Not over a surface: a stone there has several elements to speak for it.
        """
        if lift * lift <= INNOVATION * INNOVATION * noise:
            return False
        before, self.witness = self.witness, (time_s, lift)
        if before is None or time_s - before[0] > self.frame_s:
            return True
        return abs(lift - before[1]) > INNOVATION * math.sqrt(2.0 * noise)

    def _variance(self, r: float) -> float:
        sigma = self.noise * r / ranging.NOISE_AT
        return sigma * sigma + self.step * self.step / 12.0

    def _collect(
        self, k: int, fired_s: float, echoes: list[tuple[float, float]], history: History,
        gate: Gate,
    ) -> None:  # fmt: skip
        """While searching: gather a frame, carried to one instant, and offer it when whole."""
        newest = history.now()
        kept = []
        for time_s, r in echoes:
            row = history.at(time_s)
            if row is None:
                continue
            level = 0.0 if self.guide is SURFACE else self.positions[k] * math.sin(row[4])
            kept.append(r + self._rise(newest, row, self.bar_arm) - level)
        self.uses[k] = GATED if echoes else Use.SILENT
        self.frame[k], self.stamps[k] = kept, fired_s
        if k == self.bar.elements - 1:
            self._offer(fired_s, newest, gate)

    def _offer(self, fired_s: float, newest: Row, gate: Gate) -> None:
        old = fired_s - 1.5 * self.frame_s
        frame = [
            tuple(e) if stamp >= old else ()
            for e, stamp in zip(self.frame, self.stamps, strict=True)
        ]
        over = self.guide is SURFACE
        fix = self._surface(frame) if over else self._line(frame, newest[4], gate)
        sure = self.search.offer(fix, frame)
        if sure is None:
            return
        roll, grade = newest[4], newest[6]
        height = sure.clearance / math.cos(grade)
        lateral = sure.lateral * math.cos(roll) - sure.clearance * math.sin(roll)
        if over:
            lateral = 0.0  # here the lean against the surface
        if gate.middle is not None and not -gate.near <= height - gate.middle <= gate.far:
            return
        across = START_SD[2] if over else START_LATERAL + sure.lateral_sd
        sd = (START_SD[0], START_SD[1], across + sure.band / 2, START_SD[3])
        self.filter.start(height, lateral, sd)
        self.link, self.used_s, self.way = TRACKING, fired_s, 0.0
        self.search.reset()

    def _line(self, frame: ranging.Frame, roll: float, gate: Gate) -> ranging.Fix | None:
        near, far = self.reach
        if gate.middle is not None:
            low, high = gate.middle - gate.near - GATE_SLACK, gate.middle + gate.far + GATE_SLACK
            near, far = max(near, low), min(far, high)
        level = tuple(at * math.cos(roll) for at in self.positions)
        view = ranging.View(
            level, self.half_angle, self.half_width, self.noise, near, far, self.bar.echoes,
            math.tan(roll), self.side.sign,
        )  # fmt: skip
        return find_in_frame(frame, view)

    def _surface(self, frame: list[tuple[float, ...]]) -> ranging.Fix | None:
        firsts = sorted(e[0] for e in frame if e)
        if len(firsts) < max(3, len(frame) - 1) or firsts[-1] - firsts[-3] > SURFACE_AGREE:
            return None
        # the far ones: what is nearer than the surface is a stone, nothing is beyond it
        return ranging.Fix(sum(firsts[-3:]) / 3, 0.0, 3, 0.0)
