"""`linehold sag`, `chord` and `spacing`: sums of a string line, for the person at the tailgate."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import click

from firmware_py.commands.kinds import Number

LENGTH, SMALL, GRADE = Number(0.01, 1000.0), Number(0.01, 1000.0), Number(-40.0, 40.0)
CODES = "Exit codes: 0 told, 2 bad input."

span = click.option("--span-m", type=LENGTH, required=True, metavar="M", help="From pin to pin.")
mass = click.option("--mass-g-per-m", type=SMALL, default=3.0, show_default=True, metavar="G/M",
                    help="Of the line: weigh 100 m of it, divide by 100.")  # fmt: skip
tension = click.option("--tension-n", type=Number(1.0, 5000.0), default=150.0, show_default=True,
                       metavar="N", help="Pull in it; 10 N is about 1 kg on a scale.")  # fmt: skip
grade_in = click.option("--grade-in-pct", type=GRADE, metavar="PCT", help="Before the curve.")
grade_out = click.option("--grade-out-pct", type=GRADE, metavar="PCT", help="Behind the curve.")
length = click.option("--curve-m", type=Number(0.1, 1e5), metavar="M", help="The curve's length.")
radius = click.option("--radius-m", type=Number(1.0, 1e6), metavar="M", help="Of a bend in plan.")
as_json = click.option("--json", "as_json", is_flag=True, help="One JSON object.")


def _all(*options: Callable[[Any], Any]) -> Callable[[Any], Any]:
    """Several options on one command, in this order."""

    def put(function: Any) -> Any:
        for option in reversed(options):
            function = option(function)
        return function

    return put


def _tell(found: dict[str, float | None], words: str, as_json: bool) -> None:
    click.echo(json.dumps(found, allow_nan=False) if as_json else words)


def _rate(grade_in: float | None, grade_out: float | None, length: float | None) -> float | None:
    """The curve's change of grade per m; None without a curve."""
    given = [one is not None for one in (grade_in, grade_out, length)]
    if not any(given):
        return None
    if grade_in is None or grade_out is None or length is None:
        words = "--grade-in-pct, --grade-out-pct and --curve-m go together; all three are right"
        raise click.UsageError(words)
    return (grade_out - grade_in) / 100.0 / length


def _too_deep(hang: float, span_m: float, right: str, option: str) -> click.BadParameter:
    """The sum is a parabola's; a line that hangs deep is a catenary."""
    words = (
        f"a sag of {hang:.2g} m in {span_m:.3g} m is more than a twentieth, where w L^2 / (8 T) "
        f"no longer holds; {right}"
    )
    return click.BadParameter(words, param_hint=option)


@click.command(
    epilog=f"""\b
Example: linehold sag --span-m 6 --mass-g-per-m 3 --tension-n 150

{CODES}"""
)
@_all(span, mass, tension, as_json)
def sag(span_m: float, mass_g_per_m: float, tension_n: float, as_json: bool) -> None:
    """How far a line sags in the middle of a level span: w L^2 / (8 T)."""
    from firmware_py.setout import string

    weight = string.line_weight(1e-3 * mass_g_per_m)
    middle = string.sag(span_m, weight, tension_n)
    if not string.is_shallow(span_m, middle):
        least = string.tension_for(span_m, weight, span_m / string.SHALLOW)
        raise _too_deep(middle, span_m, f"{least:.2f} N or more is right", "--tension-n")
    for_one = string.tension_for(span_m, weight, 1e-3)
    _tell(
        {"sag_mm": 1e3 * middle, "tension_for_1_mm_n": for_one},
        f"Sag {1e3 * middle:.2f} mm in the middle of {span_m:g} m at {tension_n:g} N. "
        f"For 1 mm pull {for_one:.0f} N ({for_one / string.GRAVITY:.1f} kg on a scale).",
        as_json,
    )


@click.command(
    epilog=f"""\b
Examples:
  linehold chord --span-m 6 --grade-in-pct 3 --grade-out-pct 0.3 --curve-m 30
  linehold chord --span-m 3 --radius-m 40

{CODES}"""
)
@_all(span, grade_in, grade_out, length, radius, as_json)
def chord(*, span_m: float, grade_in_pct: float | None, grade_out_pct: float | None,
          curve_m: float | None, radius_m: float | None, as_json: bool) -> None:  # fmt: skip
    """How far a straight string errs in a vertical curve, or in a bend in plan."""
    from firmware_py.setout import string

    rate = _rate(grade_in_pct, grade_out_pct, curve_m)
    if (rate is None) == (radius_m is None):
        words = "a vertical curve (--grade-in-pct, --grade-out-pct, --curve-m) or --radius-m"
        raise click.UsageError(f"{words} is right, one of them")
    if rate is not None:
        off = 1e3 * string.bow(rate, span_m)
        where = "above" if off >= 0 else "below"
        words = f"The layer lies {abs(off):.2f} mm {where} the middle of a straight {span_m:g} m."
        _tell({"bow_mm": off, "middle_ordinate_mm": None}, words, as_json)
        return
    ordinate = 1e3 * _ordinate(float(radius_m or 0.0), span_m)
    words = f"The bend lies {ordinate:.1f} mm off the middle of a straight {span_m:g} m."
    _tell({"bow_mm": None, "middle_ordinate_mm": ordinate}, words, as_json)


def _ordinate(radius_m: float, span_m: float) -> float:
    from firmware_py.setout import string

    if span_m > 2.0 * radius_m:
        words = (
            f"{span_m:g} is more than the bend is across, {2 * radius_m:g}; a shorter one is right"
        )
        raise click.BadParameter(words, param_hint="--span-m")
    return string.middle_ordinate(radius_m, span_m)


@click.command(
    epilog=f"""\b
Examples:
  linehold spacing --tolerance-mm 2
  linehold spacing --tolerance-mm 2 --grade-in-pct 3 --grade-out-pct 0.3 --curve-m 30
  linehold spacing --radius-m 25 --plan-tolerance-mm 20

{CODES}"""
)
@_all(
    click.option("--tolerance-mm", type=SMALL, default=3.0, show_default=True, metavar="MM",
                 help="What the string may err by in height."),
    mass, tension, grade_in, grade_out, length, radius,
    click.option("--plan-tolerance-mm", type=SMALL, default=20.0, show_default=True, metavar="MM",
                 help="And in plan, in a bend."), as_json,
)  # fmt: skip
def spacing(*, tolerance_mm: float, mass_g_per_m: float, tension_n: float,
            grade_in_pct: float | None, grade_out_pct: float | None, curve_m: float | None,
            radius_m: float | None, plan_tolerance_mm: float, as_json: bool) -> None:  # fmt: skip
    """The widest pin spacing that keeps sag, chord and both together within a tolerance."""
    from firmware_py.setout import string

    rate = _rate(grade_in_pct, grade_out_pct, curve_m) or 0.0
    weight = string.line_weight(1e-3 * mass_g_per_m)
    height = string.widest(rate, weight, tension_n, 1e-3 * tolerance_mm)
    plan = None if radius_m is None else string.chord_for(radius_m, 1e-3 * plan_tolerance_mm)
    widest = height if plan is None else min(height, plan)
    bow, hang = 1e3 * string.bow(rate, widest) + 0.0, 1e3 * string.sag(widest, weight, tension_n)
    if not string.is_shallow(widest, 1e-3 * hang):
        raise _too_deep(1e-3 * hang, widest, "a harder pull is right", "--tension-n")
    found = {"spacing_m": widest, "by_height_m": height, "by_plan_m": plan, "bow_mm": bow,
             "sag_mm": hang}  # fmt: skip
    in_plan = "" if plan is None else f" The bend allows {plan:.2f} m, the height {height:.2f} m."
    words = (
        f"Pins {widest:.2f} m apart at most: bow {bow:z.2f} mm, sag {hang:.2f} mm, together "
        f"{bow + hang:z.2f} mm.{in_plan}"
    )
    _tell(found, words, as_json)
