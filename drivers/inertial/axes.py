"""Turns a chip's axes into the sensor's: x forward, y left, z up, as ISO 8855 has them."""

from __future__ import annotations

import math
from typing import NamedTuple

from drivers.errors import DeviceError

SIGNS = {"+": 1, "-": -1}
NAMES = "xyz"


class Vector(NamedTuple):
    """Three components, in whatever axes the place says."""

    x: float
    y: float
    z: float


class Axes:
    """Which axis of the chip, with its sign, looks forward, left and up: Axes("+y", "-x", "+z")."""

    def __init__(self, forward: str = "+x", left: str = "+y", up: str = "+z") -> None:
        self._picks = tuple(_pick(text) for text in (forward, left, up))
        order = tuple(axis for axis, _ in self._picks)
        if len(set(order)) != 3:
            raise DeviceError(
                f"axes {forward}, {left}, {up} name a chip axis twice; each of x, y, z once"
            )
        # an even order of the names is right-handed with an even number of minus signs
        even = order in ((0, 1, 2), (1, 2, 0), (2, 0, 1))
        if (math.prod(sign for _, sign in self._picks) > 0) != even:
            raise DeviceError(
                f"axes {forward}, {left}, {up} are a mirror image that no mounting can give; "
                "turn the sign of one that is wrong"
            )

    def turn(self, v: Vector) -> Vector:
        """From the chip's axes to forward, left, up."""
        (fore, fs), (side, ls), (top, us) = self._picks
        return Vector(fs * v[fore], ls * v[side], us * v[top])


def _pick(text: str) -> tuple[int, int]:
    sign, name = (text[0], text[1:]) if text[:1] in SIGNS else ("+", text)
    if name not in tuple(NAMES):
        raise DeviceError(f'"{text}" is no chip axis; +x, -x, +y, -y, +z, -z are')
    return NAMES.index(name), SIGNS[sign]
