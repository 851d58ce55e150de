"""From ranges in the beam to what a range element reports: merging, noise, lies and silence.

Ranges in m, nearest first. Flights are there and back, s. The device resolves steps of
`step_m` at its own nominal speed of sound, whatever the air's true one.
"""

from __future__ import annotations

from bisect import bisect_right

import numpy as np

from drivers.simulated.noise import split
from drivers.simulated.reference import NOMINAL_SOUND, BarTruth

ABSOLUTE_ZERO = 273.15  # K at 0 C
SOUND_0C = 331.3  # m/s in air at 0 C (331.3 sqrt(1 + t/273.15))


def sound_speed(celsius: float) -> float:
    """True speed of sound, m/s."""
    return SOUND_0C * float((1.0 + celsius / ABSOLUTE_ZERO) ** 0.5)


def first_arrivals(ranges: list[float], merge_m: float, most: int) -> list[float]:
    """Nearest first; an echo within `merge_m` behind another drowns in it; at most `most`."""
    out: list[float] = []
    for r in sorted(ranges):
        if not out or r - out[-1] >= merge_m:
            out.append(r)
            if len(out) == most:
                break
    return out


class EchoErrors:
    """One bar's errors, drawn in blocks; `silent` says whether a firing hears nothing."""

    def __init__(self, bar: BarTruth, gen: np.random.Generator, run_s: float) -> None:
        self._bar = bar
        self._normal, self._uniform = split(gen)
        self._lost = [False] * bar.elements
        self._leave = 1.0 / bar.dropout_burst
        self._enter = bar.dropout * self._leave / (1.0 - bar.dropout) if bar.dropout else 0.0
        self._run_s = run_s
        self.clusters = dropout_clusters(bar, gen, run_s)
        self._starts = [start for start, _ in self.clusters]
        self._quantum = 2.0 * bar.step_m / NOMINAL_SOUND

    def silent(self, since_start_s: float, element: int) -> bool:
        """Advance this element's dropout state by one firing."""
        draw = next(self._uniform)
        lost = self._lost[element]
        lost = draw >= self._leave if lost else draw < self._enter
        self._lost[element] = lost
        if lost:
            return True
        t = since_start_s % self._run_s
        k = bisect_right(self._starts, t) - 1
        return k >= 0 and t < self.clusters[k][1]

    def flights(self, ranges: list[float], sound_mps: float) -> list[float]:
        """What the element reports for these true ranges, s, nearest first."""
        bar, out = self._bar, []
        for true_range in ranges:
            r = true_range * (1.0 + next(self._normal) * bar.noise_m / bar.noise_at_m)
            draw = next(self._uniform)
            if draw < bar.late:
                r += bar.late_min_m + next(self._uniform) * (bar.late_max_m - bar.late_min_m)
            elif draw < bar.late + bar.slip:
                r += bar.slip_m if draw < bar.late + 0.5 * bar.slip else -bar.slip_m
            flight = 2.0 * r / sound_mps
            out.append(round(flight / self._quantum) * self._quantum)
        if len(out) > 1:
            out.sort()
        return out


def dropout_clusters(
    bar: BarTruth, gen: np.random.Generator, run_s: float
) -> list[tuple[float, float]]:
    """Spans (s since the start) in which the whole bar is silent, spread through a run."""
    lengths: list[float] = []
    while (left := bar.cluster_total_s - sum(lengths)) > 1e-9:
        lengths.append(min(float(gen.uniform(bar.cluster_min_s, bar.cluster_max_s)), left))
    slot = run_s / max(len(lengths), 1)
    spans = []
    for k, length in enumerate(lengths):
        start = k * slot + float(gen.uniform(0.0, max(slot - length, 0.0)))
        spans.append((start, start + length))
    return spans
