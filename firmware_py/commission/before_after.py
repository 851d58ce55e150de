"""Before and after on the simulated twin of a rig: its machine as the valve map has it.

Only valves and gains differ between the two; the twin's bar and tilt are as the rig file states.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from drivers.simulated.rig import SimulatedRig
from drivers.simulated.world import World
from firmware_py.live.scene import scene_for
from firmware_py.settings import Rig
from firmware_py.trial.result import make_result
from firmware_py.trial.run import prepare
from firmware_py.trial.scenario import Scenario
from firmware_py.trial.scorer import Scorer
from firmware_py.trial.setup import led_ends, truth_for
from firmware_py.twin import twin as all_simulated

PAST_M = 7.0  # of path beyond what is driven: room before the start and after the end
EVERY = 100  # ticks between two words of progress


@dataclass(frozen=True)
class Seen:
    """One trial: height error of the led end, rms and 95th percentile, mm, and its outcome."""

    rms_mm: float
    p95_mm: float
    outcome: str

    def words(self) -> str:
        """For a person."""
        return f"{self.rms_mm:.1f} mm rms, 95 % within {self.p95_mm:.1f} mm ({self.outcome})"


def trial(
    rig: Rig, twin: Rig, metres: float, seed: int, progress: Callable[[float], None]
) -> Seen:  # fmt: skip
    """`rig` leads the machine that `twin` truly is over so many metres."""
    rig, twin = all_simulated(rig), all_simulated(twin)
    scene = scene_for(twin)
    scenario = Scenario.model_validate(
        scene.model_dump(mode="json")
        | {"distance_m": metres, "path": [{"length_m": metres + PAST_M}], "seed": seed}
    )
    truth = truth_for(scenario, twin)

    def simulate(world: World, _: object, seed: int) -> SimulatedRig:
        return SimulatedRig(world, truth, seed)

    loop = prepare(scenario, rig, seed, simulate=simulate)
    scorer = Scorer(loop.sim)
    for count, record in enumerate(loop.records(lambda: scorer.see(loop.sim.truth()))):
        scorer.note(record.tick)
        if count % EVERY == 0:
            progress(min(max(loop.script.furthest / metres, 0.0), 1.0))
    loop.sim.close()
    summary = make_result(
        scorer, scenario, loop.rig, seed=seed, controller="linehold", wall_s=1.0, journal=None,
        ended=loop.script.ended(), planned=loop.script.planned,
    ).summary  # fmt: skip
    end = summary["ends"][led_ends(loop.rig)[0].value]
    return Seen(end["height_rms_mm"], end["height_p95_mm"], summary["outcome"])
