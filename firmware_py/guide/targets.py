"""What each end should be at: datum, offset and crossfall target, and how far off it is.

Height error = actual - target, > 0 too high. Offset > 0 raises the target. The design surface is
a plane through the reference: where the reference lies further left, the end's target is lower by
the crossfall of that way.
"""

from __future__ import annotations

import msgspec

from firmware_py.fuse.blade import Blade
from firmware_py.fuse.moment import NO_SIGHT, Sight
from firmware_py.messages import BAR_GUIDES, SIDES, Guide, Side
from firmware_py.settings import Rig

FALL = Guide.FALL  # asked for at every tick: to look up a member costs


class EndError(msgspec.Struct, frozen=True, gc=False):
    """Height error of one end (m) and its variance (m^2).

    relative: by the other end's actual height, not by its target; it closes only as fast as this
    end moves against the other one.
    """

    error: float
    variance: float
    relative: bool = False


class EndTarget:
    """One end's guide, datum and offset."""

    STATE = ("guide", "datum", "datum_lateral", "sight", "offset")

    def __init__(self, guide: Guide) -> None:
        self.guide = guide
        self.datum: float | None = None
        self.datum_lateral = 0.0
        self.sight = NO_SIGHT
        self.offset = 0.0

    def set_datum(self, height: float, lateral: float, sight: Sight = NO_SIGHT) -> None:
        """Take the present height over the reference as target; the offset starts at 0."""
        self.datum, self.datum_lateral, self.offset = height, lateral, 0.0
        self.sight = sight

    def datum_on(self, grade: float) -> float | None:
        """The datum, had the grade been known when it was taken as well as it is now, m."""
        return None if self.datum is None else self.datum + self.sight.shift(grade)

    def set_guide(self, guide: Guide) -> None:
        """Follow something else: a datum taken over another reference is void."""
        if guide is not self.guide:
            self.guide, self.datum, self.offset = guide, None, 0.0


class Targets:
    """Both ends' targets and the crossfall target, as the driver sees them."""

    STATE = ("ends", "crossfall", "shift", "fall")

    def __init__(self, rig: Rig) -> None:
        control = rig.control
        self.ends = {side: EndTarget(rig.end(side).guide) for side in Side}
        # the job states crossfall facing along chainage; against it left and right swap
        self.crossfall = control.crossfall_pct / 100.0 * (-1 if control.against_chainage else 1)
        self.shift = 0.0  # m; what the job adds to the height of both ends here
        self.fall = 0.0  # ratio; what it adds to the crossfall target

    @property
    def fall_here(self) -> float:
        """The crossfall target at this place: the driver's own, and what the job adds."""
        return self.crossfall + self.fall if self.fall else self.crossfall

    def target_height(self, side: Side, lateral: float, grade: float = 0.0) -> float | None:
        """Height over the reference that an end should have, m; None without a datum."""
        end = self.ends[side]
        datum = end.datum_on(grade)
        if datum is None:
            return None
        return datum + end.offset + self.shift - self.fall_here * (lateral - end.datum_lateral)

    def bar_error(self, side: Side, blade: Blade) -> EndError | None:
        """Error of an end led by its own bar; None when reference or datum is missing."""
        seen = blade.end_height(side)
        if seen is None:
            return None
        height, variance, lateral = seen
        target = self.target_height(side, lateral, blade.grade)
        return None if target is None else EndError(height - target, variance)

    def fall_error(self, side: Side, other: EndError | None, blade: Blade) -> EndError:
        """Error of an end led by the crossfall from the other end.

        The other end's target is the origin while it has one (so its momentary error is not
        copied), else its actual height.
        """
        width = 2.0 * blade.half
        off = side.sign * width * (blade.crossfall() - self.fall_here) - self.ends[side].offset
        variance = width * width * blade.roll_variance
        if other is None:
            return EndError(off, variance, relative=True)
        return EndError(other.error + off, other.variance + variance)

    def bar_errors(self, blade: Blade) -> dict[Side, EndError | None]:
        """Both ends' errors by their own bars."""
        return {side: self.bar_error(side, blade) for side in SIDES}

    def error(
        self, side: Side, blade: Blade, other_led: bool, bars: dict[Side, EndError | None]
    ) -> EndError | None:
        """Height error of an end by what it follows; None for hold, by hand, or no reference.

        bars: both ends' errors by their own bars, from this tick.
        """
        guide = self.ends[side].guide
        if guide in BAR_GUIDES:
            return bars[side]
        if guide is not FALL:
            return None
        return self.fall_error(side, bars[side.other] if other_led else None, blade)
