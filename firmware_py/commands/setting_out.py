"""`linehold setout` and `linehold passes`: before the job, from paper."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from firmware_py.commands.kinds import File, Folder, Number
from firmware_py.commands.progress import progress_bar
from firmware_py.commands.words import cannot_write

if TYPE_CHECKING:
    from firmware_py.setout.plan import Plan


@click.command(
    epilog="""\b
Examples:
  linehold setout examples/alder-lane.toml -o alder-lane
  linehold setout my-job.toml -o my-job --rig my-rig.toml --json

Writes run.toml (what linehold run takes), sheet.html (to print), pins.csv and stations.csv.

Exit codes: 0 written, warnings or not, 2 bad input: nothing was written."""
)
@click.argument("file", metavar="JOB.toml", type=File())
@click.option("-o", "--out", type=Folder(), metavar="FOLDER", required=True,
              help="Where the four files go.")  # fmt: skip
@click.option("--rig", default="reference", show_default=True, metavar="RIG",
              help="The bundled rig or rig file that will do the job.")  # fmt: skip
@click.option("--json", "as_json", is_flag=True, help="Print what was found as one JSON object.")
def setout(file: Path, out: Path, rig: str, as_json: bool) -> None:
    """Set out a job from the design file JOB.toml: pins, string, gate, volumes, a sheet."""
    from firmware_py.setout.plan import make_plan
    from firmware_py.setout.reading import read_design
    from firmware_py.settings_file import find_rig, load_rig

    with progress_bar("setting out") as progress:
        read = read_design(file)
        _step(progress, 0.3)
        plan = make_plan(read, load_rig(find_rig(rig)))
        _step(progress, 0.6)
        texts = _texts(plan)
        _step(progress, 1.0)
    files = _save(out, texts)
    found = _found(plan) | {"files": [str(path) for path in files]}
    click.echo(json.dumps(found, ensure_ascii=False, allow_nan=False) if as_json else _words(found))


def _step(progress: Any, share: float) -> None:
    if progress is not None:
        progress(share)


def _texts(plan: Plan) -> dict[str, str]:
    from firmware_py.setout.csv_out import pins_csv, stations_csv
    from firmware_py.setout.job_out import job_toml
    from firmware_py.setout.sheet import sheet_html

    return {"run.toml": job_toml(plan), "sheet.html": sheet_html(plan),
            "pins.csv": pins_csv(plan), "stations.csv": stations_csv(plan)}  # fmt: skip


def _save(folder: Path, texts: dict[str, str]) -> list[Path]:
    from firmware_py.whole import write_whole

    try:
        folder.mkdir(parents=True, exist_ok=True)
        return list(write_whole(folder, {name: text.encode() for name, text in texts.items()}))
    except OSError as error:
        raise cannot_write("--out", folder, error) from error


def _found(plan: Plan) -> dict[str, Any]:
    """The plan in figures, each key with its unit."""
    import numpy as np

    design, pins, gate = plan.read.design, plan.pins, plan.gate
    spans, volumes = np.diff(pins.at), plan.volumes
    return {
        "name": design.name, "layer": design.worked_on, "from_m": plan.read.strip.profile.start,
        "to_m": plan.read.strip.profile.end, "below_finished_mm": 1e3 * plan.read.strip.below,
        "pins": int(pins.at.size), "least_span_m": float(spans.min()),
        "most_span_m": float(spans.max()), "string_error_mm": 1e3 * plan.worst,
        "gate_near_mm": round(1e3 * gate.near), "gate_far_mm": round(1e3 * gate.far),
        "gate_reasons": gate.reasons, "clearance_mm": 1e3 * gate.clearance,
        "cut_m3": volumes.cut if volumes else None, "fill_m3": volumes.fill if volumes else None,
        "cut_prismoidal_m3": volumes.cut_prismoidal if volumes else None,
        "fill_prismoidal_m3": volumes.fill_prismoidal if volumes else None,
        "transitions": [
            {"from_m": one.start, "to_m": one.end, "from_pct": 100 * one.before,
             "to_pct": 100 * one.after, "rate_pct_per_m": 100 * one.rate}
            for one in plan.transitions
        ],
        "warnings": plan.warnings, "notes": plan.read.notes,
    }  # fmt: skip


def _words(found: dict[str, Any]) -> str:
    lines = [
        f"{found['name']}, {found['from_m']:g} to {found['to_m']:g} m. Layer worked on: "
        f"{found['layer']}, {found['below_finished_mm']:.0f} mm below the finished level.",
        f"{found['pins']} pins, {found['least_span_m']:.2f} to {found['most_span_m']:.2f} m apart; "
        f"the string errs by {found['string_error_mm']:.1f} mm at most, which the job takes out.",
        f"Range gate: near {found['gate_near_mm']} mm, far {found['gate_far_mm']} mm. Why:",
        *(f"  - {words}" for words in found["gate_reasons"]),
    ]
    if found["cut_m3"] is not None:
        lines.append(f"Cut {found['cut_m3']:.2f} m3, fill {found['fill_m3']:.2f} m3.")
    lines += [
        f"Crossfall {one['from_pct']:.2f} to {one['to_pct']:.2f} % from {one['from_m']:g} to "
        f"{one['to_m']:g} m, {one['rate_pct_per_m']:+.3f} % a metre."
        for one in found["transitions"]
    ]
    lines += [f"Note: {words}" for words in found["notes"]]
    lines += [f"Look: {words}" for words in found["warnings"]]
    return "\n".join([*lines, "Saved: " + ", ".join(found["files"])])


@click.command(
    epilog="""\b
Examples:
  linehold passes --tolerance-mm 10
  linehold passes --rig my-rig.toml --strips 12 --tolerance-mm 8 --json

Exit codes: 0 told, 2 bad input."""
)
@click.option("--rig", default="reference", show_default=True, metavar="RIG",
              help="A bundled rig or a rig file.")  # fmt: skip
@click.option("--strips", type=Number(1, 1000), default=8, show_default=True, metavar="NUMBER",
              help="How many strips side by side.")  # fmt: skip
@click.option("--tolerance-mm", type=Number(0.1, 1000.0), default=10.0, show_default=True,
              metavar="MM", help="What the far edge may be off by.")  # fmt: skip
@click.option("--start-mm", type=Number(0.0, 100.0), default=1.0, show_default=True, metavar="MM",
              help="1 sigma of the string or edge that the first strip follows.")  # fmt: skip
@click.option("--datum-mm", type=Number(0.0, 100.0), default=1.0, show_default=True, metavar="MM",
              help="1 sigma of setting each strip's datum.")  # fmt: skip
@click.option("--speed-mps", type=Number(0.0, 5.0), default=0.5, show_default=True, metavar="M/S",
              help="Speed of work.")  # fmt: skip
@click.option("--json", "as_json", is_flag=True, help="One JSON object.")
def passes(*, rig: str, strips: int, tolerance_mm: float, start_mm: float, datum_mm: float,
           speed_mps: float, as_json: bool) -> None:  # fmt: skip
    """How the error grows from strip to strip, each matched to the last; when a level is due."""
    from firmware_py.commission.budget import Conditions, at_speed
    from firmware_py.commission.estimate import K
    from firmware_py.setout.passes import growth
    from firmware_py.settings_file import find_rig, load_rig

    found = at_speed(load_rig(find_rig(rig)), Conditions(), speed_mps)
    grows = growth(found, 1e-3 * start_mm, 1e-3 * datum_mm)
    within = grows.strips_within(1e-3 * tolerance_mm)
    expanded = [1e3 * K * grows.at(n) for n in range(1, strips + 1)]
    if as_json:
        click.echo(json.dumps({
            "rig": rig, "tolerance_mm": tolerance_mm, "anew_u_mm": 1e3 * grows.anew,
            "stays_u_mm": 1e3 * grows.stays, "start_u_mm": start_mm,
            "far_edge_k2_mm": expanded, "level_after_strips": within,
        }))  # fmt: skip
        return
    click.echo(f"Rig {rig}: a strip adds {1e3 * grows.anew:.1f} mm that is drawn anew and "
               f"{1e3 * grows.stays:.1f} mm that stays (k = 1, far edge).")  # fmt: skip
    for n, value in enumerate(expanded, start=1):
        mark = "" if value <= tolerance_mm else f"  beyond {tolerance_mm:g}"
        click.echo(f"{n:4d} strip{'s' if n > 1 else ' '}  within {value:5.1f} mm (k = 2){mark}")
    click.echo(_due(within, tolerance_mm))


def _due(within: int, tolerance_mm: float) -> str:
    if within == 0:
        return f"Not even one strip stays within {tolerance_mm:g} mm at k = 2: level each."
    if within >= 1000:
        return f"1000 strips and more stay within {tolerance_mm:g} mm at k = 2."
    strips = "1 strip" if within == 1 else f"{within} strips"
    return f"Come back to a level after {strips}: one more would be beyond {tolerance_mm:g} mm."
