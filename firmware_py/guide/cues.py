"""What the driver is told: how far to steer, and which end to raise or lower."""

from __future__ import annotations

from firmware_py.fuse.blade import Blade
from firmware_py.messages import Guide, Side


def steer(blade: Blade, master: Side) -> float | None:
    """Metres to steer, left > 0, so that the master bar stands over its reference; or None."""
    track = blade.tracks.get(master)
    if track is None or not track.known() or track.guide is Guide.SURFACE:
        return None
    return track.filter.y


def raise_by(error: float | None, dead_band: float) -> float | None:
    """Metres to raise an end, lower < 0, 0 inside the dead band; None when nobody knows."""
    if error is None:
        return None
    return 0.0 if abs(error) <= dead_band else -error


def in_words(side: Side, cue: float | None) -> str:
    """The cue as a short sentence in mm: 'left: raise 4 mm'."""
    if cue is None:
        return f"{side}: no reference"
    if cue == 0.0:
        return f"{side}: on level"
    return f"{side}: {'raise' if cue > 0 else 'lower'} {abs(cue) * 1e3:.0f} mm"


def steer_in_words(steer_m: float | None) -> str:
    """The steering cue in mm: 'steer left 35 mm'."""
    if steer_m is None:
        return "no steering cue"
    if abs(steer_m) < 0.005:
        return "steer straight"
    return f"steer {'left' if steer_m > 0 else 'right'} {abs(steer_m) * 1e3:.0f} mm"
