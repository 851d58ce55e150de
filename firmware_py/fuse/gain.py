"""How strong and how late the valves really are, against what the rig file says.

The gyro sees the roll that the two valves make together. Roll rate and modelled roll rate pass
the same filter, a low-pass and a second difference, which leaves of the ground's smooth motion
almost nothing; what remains is regressed, once for each dead time that is thought possible.
"""

from __future__ import annotations

from firmware_py.fuse.lift import Lift

LATER = (-0.02, 0.0, 0.02, 0.04, 0.06)  # s; dead times tried, against the rig file's
SPAN_S = 0.06  # s; step of the second difference: past engine vibration, inside the dead time
SMOOTH_S = 0.02  # s; low-pass before it
MEMORY_S = 15.0  # s; how long an observation counts
PRIOR = 4e-3  # (rad/s)^2 of seen command that outweighs the rig file's own word
RANGE = (0.7, 2.5)  # of the rig file's gain; a slower valve is under-driven, which is safe
# of the two ends' common motion (variance), lost to their difference: samples a few ms apart from
# the model, one valve a tick after the other. Regression on a noisy regressor finds too little
# (attenuation); too little makes the loop hunt, most so on cut ground, where both ends move alike
STRAY = 0.015
SURE = 3.0  # log likelihood ratio at which another dead time is believed
CLEAR = 4.0  # of the prior: from so much seen command on, silence is no chance
SILENT = 0.2  # of the rig file's gain: less is no answer
CHOOSE_TICKS = 8  # the sums change slowly: no need to weigh them each tick
DEPTH = 128  # ticks: the longest dead time, 0.46 s, at 200 Hz


class Difference:
    """A low-pass and a second difference: of smooth motion it leaves almost nothing."""

    STATE = ("smooth", "ring", "at")

    def __init__(self, span: int, blend: float) -> None:
        self.span, self.blend = span, blend
        self.smooth, self.at = 0.0, 0
        self.ring = [0.0] * (2 * span + 1)

    def update(self, value: float) -> float:
        """Take one tick; the second difference over two spans."""
        self.smooth += (value - self.smooth) * self.blend
        ring, at = self.ring, self.at
        ring[at] = self.smooth
        self.at = (at + 1) % len(ring)
        return self.smooth - 2.0 * ring[at - self.span] + ring[self.at]


class ValveGain:
    """`learn` takes a tick's roll rate; `gain` and `dead_s` are the best word on the valves."""

    STATE = (
        "gain",
        "dead_s",
        "seen",
        "asked",
        "both",
        "back",
        "at",
        "xx",
        "xz",
        "zz",
        "cc",
        "count",
    )

    def __init__(self, tick_s: float, dead_s: float, width: float) -> None:
        self.tick_s, self.stated_s, self.width = tick_s, dead_s, width
        self.span = max(1, round(SPAN_S / tick_s))
        self.fade = 1.0 - tick_s / MEMORY_S
        self.deads = [max(0.0, dead_s + late) for late in LATER]
        self.delays = [round(dead / tick_s) for dead in self.deads]
        self.reset()

    def reset(self) -> None:
        """Back to the rig file's word."""
        n = len(LATER)
        self.gain, self.dead_s = 1.0, self.stated_s
        blend = min(1.0, self.tick_s / SMOOTH_S)
        self.seen, self.asked = Difference(self.span, blend), Difference(self.span, blend)
        self.both = Difference(self.span, blend)
        self.back = [0.0] * DEPTH
        self.at = 0
        self.xx, self.xz, self.zz, self.cc = [0.0] * n, [0.0] * n, 0.0, 0.0
        self.count = 0.0

    @property
    def contradicted(self) -> bool:
        """True when much roll was commanded and almost none of it was seen, at any dead time."""
        for xx, xz in zip(self.xx, self.xz, strict=True):
            if not (xx > CLEAR * PRIOR and xz < SILENT * xx):
                return False
        return True

    def learn(self, roll_rate: float, left: Lift, right: Lift) -> None:
        """Take one tick. A delay passes through the filter, so one filtering serves them all."""
        fade, back, at, xx, xz = self.fade, self.back, self.at, self.xx, self.xz
        z = self.seen.update(roll_rate)
        back[at] = self.asked.update((left.rate - right.rate) / self.width)
        common = self.both.update((left.rate + right.rate) / self.width)
        self.cc = self.cc * fade + common * common
        self.zz = self.zz * fade + z * z
        self.count = self.count * fade + 1.0
        for k, delay in enumerate(self.delays):
            x = back[at - delay]  # a negative index wraps as the ring does
            xx[k] = xx[k] * fade + x * x
            xz[k] = xz[k] * fade + x * z
        self.at = (at + 1) % DEPTH
        if self.at % CHOOSE_TICKS == 0:
            self._choose()

    def _choose(self) -> None:
        """The dead time that explains most, if surely more than the present one; and its gain."""
        explained = [xz * abs(xz) / (xx + PRIOR) for xx, xz in zip(self.xx, self.xz, strict=True)]
        best = max(range(len(explained)), key=explained.__getitem__)
        k = self.deads.index(self.dead_s)
        # neighbouring ticks share the filter's span, so they are not evidence of their own
        residual = max(self.zz - explained[best], 0.0) * self.span / max(self.count, 1.0)
        if explained[best] - explained[k] > 2.0 * SURE * residual and explained[best] > PRIOR:
            k = best
            self.dead_s = self.deads[k]
        gain = (self.xz[k] + PRIOR) / (self.xx[k] + PRIOR)
        if gain < 1.0:  # a valve is believed to be slower only past what the stray may explain
            sure = max(self.xx[k] - STRAY * self.cc, 0.0)
            gain = min((self.xz[k] + PRIOR) / (sure + PRIOR), 1.0)
        self.gain = min(max(gain, RANGE[0]), RANGE[1])
