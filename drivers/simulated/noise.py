"""Random numbers drawn in blocks, one independent generator a device.

A device's own stream comes from its place in DEVICES, so that a change in one device does not
shift the numbers of another.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

BLOCK = 2048
DEVICES = (  # append only: the order is the seed
    "scene", "bar.left", "bar.right", "inertial", "air", "motion", "driver", "machine", "start",
)  # fmt: skip


def generators(seed: int) -> dict[str, np.random.Generator]:
    """One generator a device."""
    children = np.random.SeedSequence(seed).spawn(len(DEVICES))
    return {name: np.random.default_rng(c) for name, c in zip(DEVICES, children, strict=True)}


def normals(gen: np.random.Generator) -> Iterator[float]:
    """Endless standard normals."""
    while True:
        yield from gen.standard_normal(BLOCK).tolist()


def uniforms(gen: np.random.Generator) -> Iterator[float]:
    """Endless uniforms in [0, 1)."""
    while True:
        yield from gen.random(BLOCK).tolist()


def split(gen: np.random.Generator) -> tuple[Iterator[float], Iterator[float]]:
    """Normals and uniforms from two independent children of one generator."""
    a, b = gen.spawn(2)
    return normals(a), uniforms(b)
