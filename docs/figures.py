"""The table of figures in README.md: runs the bundled trials and states limit and measured.

    python docs/figures.py                     print the table; minutes, after make native
    python docs/figures.py --write             put it into README.md, with the picture
    python docs/figures.py --seeds 1-10        other seeds

All figures are simulated and scored on the simulator's truth; each is the worst of the seeds.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any, NamedTuple

from firmware_py import __version__
from firmware_py.trial.run import run_trial
from firmware_py.trial.scenario import bundled_trials, load_trial

ROOT = Path(__file__).resolve().parent.parent
README, PICTURE = ROOT / "README.md", ROOT / "docs" / "pictures" / "footpath-string.png"
BEGIN, END = "<!-- figures: begin -->", "<!-- figures: end -->"
WIDTH, COLOURS = 880, 64  # of the picture: pixels, and entries of its palette
STRING, FAST, HILL = "footpath-string", "footpath-fast", "hill-bend"
HALF_SPEED = tuple(name for name in bundled_trials() if name not in (FAST, "override"))
SHIFTS: dict[str, dict[str, Any]] = {  # what the rig file does not know
    "as stated": {},
    "twice as fast": {"valve_speed_factor": 2.0},
    "40 ms later": {"extra_dead_time_s": 0.040},
}


ALONE, COMPILED = "alone", "compiled"
COMMANDS = {  # whose speed is told
    ALONE: Path(sys.executable).parent / "linehold",
    COMPILED: ROOT / "build" / "native" / "linehold",
}


class Job(NamedTuple):
    """One run: trial, seed, controller, and how the valves differ from the rig file."""

    trial: str
    seed: int
    controller: str = "linehold"
    shift: str = "as stated"


Summary = dict[str, Any]
Found = dict[Job, Summary]


def run(job: Job) -> tuple[Job, Summary]:
    """One trial's JSON object."""
    scenario = load_trial(job.trial).model_copy(update=SHIFTS[job.shift])
    kind = "plain" if job.controller == "plain" else "linehold"
    return job, run_trial(scenario, seed=job.seed, controller=kind).summary  # type: ignore[arg-type]


def jobs(seeds: list[int]) -> list[Job]:
    """All runs that the table needs."""
    found = [Job(name, seed) for name in bundled_trials() for seed in seeds]
    found += [Job(FAST, seed, "plain") for seed in seeds]
    found += [Job(STRING, seed, shift=shift) for shift in list(SHIFTS)[1:] for seed in seeds]
    return found


class Row(NamedTuple):
    """A figure: what, its limits (at least, then), digits, unit, and how it is found."""

    what: str
    limit: str
    digits: int
    unit: str
    of: Callable[[Found, int], float]
    lowest: bool = False  # the worst is the lowest


def end(trial: str, side: str, key: str) -> Callable[[Found, int], float]:
    """A figure of one end."""
    return lambda found, seed: found[Job(trial, seed)]["ends"][side][key]


def key(name: str, *trials: str) -> Callable[[Found, int], float]:
    """The largest of a key over trials; where it is null, it is not counted."""

    def largest(found: Found, seed: int) -> float:
        values = [found[Job(trial, seed)][name] for trial in trials]
        return max(value for value in values if value is not None)

    return largest


def ratio(top: Callable[[int], Job], name: str = "height_rms_mm") -> Callable[[Found, int], float]:
    """A figure of the guided end in one run over that in another, same seed."""

    def of(found: Found, seed: int) -> float:
        other = top(seed)
        against = Job(other.trial, seed)
        a, b = found[other]["ends"]["left"][name], found[against]["ends"]["left"][name]
        return b / a if other.controller == "plain" else a / b

    return of


RMS, P95 = "height_rms_mm", "height_p95_mm"
ROWS = (
    Row(f"`{STRING}`, guided end, rms", "2.0 (1.4)", 2, "mm", end(STRING, "left", RMS)),
    Row("same, 95 % of the metres within", "4.0 (2.8)", 2, "mm", end(STRING, "left", P95)),
    Row("same, far end, rms", "3.5 (2.3)", 2, "mm", end(STRING, "right", RMS)),
    Row("same, crossfall, rms", "0.15 (0.11)", 3, "%", key("crossfall_rms_pct", STRING)),
    Row(f"`{FAST}`, guided end, rms", "4.0 (2.5)", 2, "mm", end(FAST, "left", RMS)),
    Row("same, over the plain loop's", "0.45 (0.25)", 2, "",
        ratio(lambda seed: Job(FAST, seed, "plain"))),
    Row("same, metres in which an end is at its cap", "", 0, "%", key("capped_pct", FAST)),
    Row(f"`{HILL}`, guided end, rms", "2.5", 2, "mm", end(HILL, "left", RMS)),
    Row("same, 95 % of the metres within", "5.0", 2, "mm", end(HILL, "left", P95)),
    Row("same, far end, rms", "4.38", 2, "mm", end(HILL, "right", RMS)),
    Row("same, crossfall, rms", "0.188", 3, "%", key("crossfall_rms_pct", HILL)),
    Row("`kerb-lip`, guided end, rms", "", 2, "mm", end("kerb-lip", "left", RMS)),
    Row("`two-forms`, left end, rms", "", 2, "mm", end("two-forms", "left", RMS)),
    Row("`two-forms`, right end, rms", "", 2, "mm", end("two-forms", "right", RMS)),
    Row("`second-strip`, guided end, rms", "", 2, "mm", end("second-strip", "left", RMS)),
    Row("`override`, guided end, rms (by hand, stop and reversal counted)", "", 2, "mm",
        end("override", "left", RMS)),
    Row("excursion of the estimate by pins, spill, ground; 5 trials over a line", "4 (2)", 2,
        "mm", key("excursion_mm", *(t for t in bundled_trials()
                                    if t not in ("second-strip", "override")))),
    Row("the same, stones in `second-strip`", "4 (2)", 2, "mm",
        key("excursion_mm", "second-strip")),
    Row("false references, all trials", "0", 0, "", key("false_references", *bundled_trials())),
    Row("held, all but `override`", "1", 2, "%", key("held_pct", *HALF_SPEED, FAST)),
    Row("reference lost, all but `override`", "2", 2, "%",
        key("reference_lost_pct", *HALF_SPEED, FAST)),
    Row(f"loop health of `{STRING}` (worst: lowest)", "0.4 (0.6)", 2, "",
        key("loop_health", STRING), lowest=True),
    Row("oil reversals a second, trials at 0.5 m/s", "3 (1)", 2, "1/s",
        key("reversals_per_s", *HALF_SPEED)),
    Row(f"`{STRING}`, valves twice as fast as stated: rms over that as stated", "1.3 (1.1)", 2,
        "", ratio(lambda seed: Job(STRING, seed, shift="twice as fast"))),
    Row("same, 40 ms more dead time than stated", "1.3 (1.1)", 2, "",
        ratio(lambda seed: Job(STRING, seed, shift="40 ms later"))),
    Row(f"times real time, `{STRING}` with its log, alone on this computer", "30 (80)", 1, "",
        lambda found, seed: found[Job(STRING, seed, ALONE)]["realtime_factor"], lowest=True),
    Row("the same, compiled by `make native`", "30 (80)", 1, "",
        lambda found, seed: found[Job(STRING, seed, COMPILED)]["realtime_factor"], lowest=True),
)  # fmt: skip


def speeds(seeds: list[int]) -> list[Job]:
    """The runs that are timed, each alone."""
    return [Job(STRING, seed, how) for seed in seeds for how in COMMANDS]


def timed(job: Job, folder: str) -> Summary:
    """One trial as a user types it."""
    asked = ["trial", job.trial, "--json", "--seed", str(job.seed), "--out", folder]
    own = {key: value for key, value in os.environ.items() if key != "PYTHONPATH"}  # its own tree
    command = [COMMANDS[job.controller], *asked]
    said = subprocess.run(command, check=True, capture_output=True, env=own)
    summary: Summary = json.loads(said.stdout)
    return summary


def verdict(row: Row, worst: float) -> str:
    """'yes', 'no' or, where no limit is set, nothing; '(yes)' with the harder limit met too."""
    if not row.limit:
        return ""
    bounds = [float(word.strip("()")) for word in row.limit.split()]
    met = [worst >= bound if row.lowest else worst <= bound for bound in bounds]
    return "no" if not met[0] else "yes" if not met[-1] or len(met) == 1 else "yes, both"


def table(found: Found, seeds: list[int]) -> Iterator[str]:
    """The Markdown table, line by line."""
    yield "| simulated figure | limit (then) | worst | mean | met |"
    yield "| --- | ---: | ---: | ---: | --- |"
    for row in ROWS:
        values = [row.of(found, seed) for seed in seeds]
        worst, mean = (min if row.lowest else max)(values), sum(values) / len(values)
        shown = [f"{value:.{row.digits}f} {row.unit}".strip() for value in (worst, mean)]
        limit = row.limit and f"{row.limit} {row.unit}".strip()
        yield f"| {row.what} | {limit} | {' | '.join(shown)} | {verdict(row, worst)} |"
    where = f"Python {platform.python_version()} on {platform.machine()}"
    yield ""
    yield (
        f"Simulated, scored on the simulator's truth; seeds {seeds[0]} to {seeds[-1]}; "
        f"linehold {__version__}, {where}."
    )


def write(lines: list[str]) -> None:
    """Put the table between the two markers of README.md."""
    text = README.read_text(encoding="utf-8")
    before, rest = text.split(BEGIN)
    _, after = rest.split(END)
    body = "\n".join(lines)
    README.write_text(f"{before}{BEGIN}\n{body}\n{END}{after}", encoding="utf-8")


def picture() -> None:
    """The picture that `make run` saves, smaller."""
    from PIL import Image

    from firmware_py.trial.picture import save_picture

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "graded.png"
        save_picture(run_trial(load_trial(STRING)), path)
        with Image.open(path) as whole:
            size = (WIDTH, round(whole.height * WIDTH / whole.width))
            small = whole.convert("RGB").resize(size, Image.Resampling.LANCZOS)
    small.quantize(COLOURS, dither=Image.Dither.NONE).save(PICTURE, optimize=True)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seeds", default="1-5", metavar="A-B", help="default 1-5")
    parser.add_argument("--processes", type=int, default=2, help="default 2")
    parser.add_argument("--write", action="store_true", help="into README.md, and the picture")
    asked = parser.parse_args()
    first, _, last = asked.seeds.partition("-")
    seeds = list(range(int(first), int(last or first) + 1))
    missing = [str(command) for command in COMMANDS.values() if not command.exists()]
    if missing:
        sys.exit(f"{' and '.join(missing)} not found: run make test and make native before.")
    with ProcessPoolExecutor(asked.processes) as pool:
        found = dict(pool.map(run, jobs(seeds)))
    with tempfile.TemporaryDirectory() as folder:
        found |= {job: timed(job, folder) for job in speeds(seeds)}
    lines = list(table(found, seeds))
    print("\n".join(lines))
    if asked.write:
        write(lines)
        picture()


if __name__ == "__main__":
    main()
