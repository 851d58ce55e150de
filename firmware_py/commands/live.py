"""`linehold run`: the loop, live and in real time."""

from __future__ import annotations

from pathlib import Path

import click


@click.command(
    epilog="""\b
Examples:
  linehold run                           the simulated rig, in real time
  linehold run --headless --for 30       a line a second, for 30 s
  linehold run --rig two-bars --log logs

Exit codes: 0 the run ended well, 1 it ended in a fault, 2 bad input and nothing moved,
130 interrupted (Ctrl-C), 143 told to terminate. The valves are neutral after all of them."""
)
@click.option(
    "--rig", "rig_name", default="reference", show_default=True, metavar="RIG",
    help="A bundled rig (see: linehold rigs) or a rig file.",
)  # fmt: skip
@click.option("--headless", is_flag=True, help="Print a line a second in place of the view.")
@click.option(
    "--for", "for_s", type=click.FloatRange(min=0.1, max=86400), metavar="SECONDS",
    help="End after so many seconds.",
)  # fmt: skip
@click.option(
    "--log", "folder", type=click.Path(path_type=Path, file_okay=False), default="out",
    show_default=True, metavar="FOLDER", help="Where the recording goes.",
)  # fmt: skip
@click.option("--seed", type=click.IntRange(0, 2**31 - 1), default=1, show_default=True,
              help="Of the simulated ground, noise and driver.")  # fmt: skip
@click.option("--json", "as_json", is_flag=True, help="JSON lines; implies --headless.")
def run(
    *,
    rig_name: str,
    headless: bool,
    for_s: float | None,
    folder: Path,
    seed: int,
    as_json: bool,
) -> None:
    """Run the controller live on a rig, with a recording and a text view.

    On the simulated rig, a simulated driver sets the datum, engages, drives to the end of the
    path and stops.
    """
    import math

    from firmware_py.live import session
    from firmware_py.live.cautions import CAUTIONS
    from firmware_py.settings_file import find_rig, load_rig

    path = find_rig(rig_name)
    plan = session.Plan(
        rig=load_rig(path),
        rig_text=path.read_text(encoding="utf-8-sig"),
        folder=folder,
        headless=headless or as_json,
        as_json=as_json,
        for_s=math.inf if for_s is None else for_s,
        seed=seed,
    )
    for caution in CAUTIONS:
        click.echo(caution, err=True)
    report = session.run(plan)
    _tell(report.sentences(), report.as_dict() if as_json else None)
    click.get_current_context().exit(report.code)


def _tell(sentences: tuple[str, ...], as_dict: dict[str, object] | None) -> None:
    import json

    if as_dict is not None:
        click.echo(json.dumps(as_dict, allow_nan=False))
        return
    for sentence in sentences:
        click.echo(sentence)
