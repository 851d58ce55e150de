"""One scene for every sensor: unplugged it gives nothing and says so, plugged in it comes back."""

from __future__ import annotations

from dataclasses import dataclass

from hil_tests.bench import Bench


@dataclass(frozen=True)
class Times:
    """s: until what was under way has come, and until it is back; tells: what a bench that can
    tell does."""

    quiet: float
    back: float
    tells: str


TIMES = {
    "bar": Times(0.5, 4.0, "dead"),
    "inertial": Times(0.5, 5.0, "counts"),
    "inputs": Times(0.2, 4.0, "dead"),
    "motion": Times(0.3, 3.0, "dead"),
}


def unplug_and_replug(kind: str, bench: Bench) -> None:
    """Nothing comes for a second; whether it is well afterwards is for the caller to say."""
    unplug, replug = bench.need("unplug"), bench.need("replug")
    times = TIMES[kind]
    bench.settle()
    unplug()
    bench.listen(times.quiet)
    assert bench.listen(1.0) == []
    if times.tells in bench.does:
        assert bench.need("dead")(bench.clock()) if kind == "inputs" else bench.trouble()
    replug()
    bench.listen(times.back)
