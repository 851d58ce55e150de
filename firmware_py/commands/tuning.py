"""`linehold tune`: gains from the valve map, tried on a simulated twin."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from firmware_py.commands.commission import CODES, begins, has_valves, options
from firmware_py.commands.kinds import Number
from firmware_py.commands.progress import progress_bar

if TYPE_CHECKING:
    from firmware_py.commands.commission import Job
    from firmware_py.commission.tune import Tuning
    from firmware_py.commission.valves import ValveMap


@click.command(
    epilog=f"""\b
Examples:
  linehold tune
  linehold tune --gain 4 --integral 2    are these allowed?
  linehold tune --trial 0 --undo

{CODES}"""
)
@options
@click.option("--gain", type=Number(0.1, 25.0), metavar="NUMBER", help="1/s, in place of SIMC's.")
@click.option("--integral", type=Number(0.1, 600.0), metavar="SECONDS", help="With --gain.")
@click.option("--trial", "metres", type=Number(0.0, 200.0), default=25.0, show_default=True,
              metavar="METRES", help="Of the trial before and after; 0 for none.")  # fmt: skip
@begins("tune", right=has_valves, handled=False)
def tune(here: Job, *, gain: float | None, integral: float | None, metres: float) -> None:
    """Gains from the valve map, with the margins of the actual loop; tried on a simulated twin.

    Refused under 40 ms of delay margin or a gain margin of 2. Moves nothing real.
    """
    from firmware_py.commission.estimate import Estimate

    if (gain is None) is not (integral is None):
        raise click.UsageError("--gain and --integral go together; give both or neither")
    if 0.0 < metres < 10.0:
        raise click.BadParameter("10 to 200, or 0 for no trial, is right", param_hint="--trial")
    found = _stored_map(here)
    tuning = _tuned(here, found, gain, integral)
    here.say(tuning.words)
    if here.rig.valves is not None and here.rig.valves.pulsed:
        here.say(
            f"Pulses count as a hold of {here.rig.valves.pulse_ms:g} ms; that they move the blade "
            "in steps is in the budget, not in these margins."
        )
    values = {
        "gain_per_s": Estimate(tuning.gains.gain_per_s, "1/s", 0.0),
        "integral_s": Estimate(tuning.gains.integral_s, "s", 0.0),
        "dead time": found.dead_time, "gain margin": Estimate(tuning.margins.gain, "1", 0.0),
        "delay margin": Estimate(tuning.margins.delay_s, "s", 0.0),
        "worst gain margin": Estimate(tuning.worst.gain, "1", 0.0),
        "worst delay margin": Estimate(tuning.worst.delay_s, "s", 0.0),
    }  # fmt: skip
    if metres:
        _before_and_after(here, values, metres)
    here.save("tune", here.stated.valves, None, values)


def _tuned(here: Job, found: ValveMap, gain: float | None, integral: float | None) -> Tuning:
    from firmware_py.commission import tune as work

    hold_s = work.hold_s(here.rig)
    if gain is None or integral is None:
        return work.propose(found, hold_s)
    return work.check(work.Gains(gain, integral), found, hold_s)


def _stored_map(here: Job) -> ValveMap:
    """The map that `valves` has stored, where it holds."""
    from dataclasses import fields

    from firmware_py.commission.estimate import CommissionError
    from firmware_py.commission.on_off import OnOff
    from firmware_py.commission.store import estimate_of, is_on_off
    from firmware_py.commission.valves import Mapped, Valve, ValveMap, ends_map
    from firmware_py.messages import SIDES

    result = here.book.load("valves")
    if result is None or "valves" not in here.held.applied:
        told = [words for words in (*here.held.refused, *here.held.told) if "valves" in words]
        raise CommissionError(" ".join(["There is no valve map in force: linehold valves.", *told]))
    kind: type[Mapped] = OnOff if is_on_off(result) else Valve
    both = {
        side: kind(**{
            one.name: estimate_of(result.values[f"{side.value} {one.name.replace('_', ' ')}"])
            for one in fields(kind)
        })
        for side in SIDES
    }  # fmt: skip
    half = 0.5e-3 * here.rig.blade.width_mm
    return ValveMap(both, ends_map(both, half), half)


def _before_and_after(here: Job, values: dict[str, Any], metres: float) -> None:
    """Two trials on the twin: as the rig file has it, and with map and gains."""
    from firmware_py.commission.before_after import trial
    from firmware_py.commission.estimate import Estimate

    stated, rig = here.stated, here.rig
    mapped = stated.model_copy(update={
        "valves": rig.valves,
        "calibration": stated.calibration.model_copy(update={"valves": rig.calibration.valves}),
    })  # fmt: skip
    gains = {key: values[key].value for key in ("gain_per_s", "integral_s")}
    after = mapped.model_copy(update={"control": mapped.control.model_copy(update=gains)})
    here.say(f"On the simulated twin, {metres:g} m at 0.5 m/s beside its reference:")
    for name, one in (("before", stated), ("after", after)):
        with progress_bar(name) as progress:
            seen = trial(one, mapped, metres, here.seed, progress or (lambda _: None))
        here.say(f"  {name:<7} {seen.words()}")
        values[f"twin rms {name}"] = Estimate(seen.rms_mm * 1e-3, "m", 0.0)
