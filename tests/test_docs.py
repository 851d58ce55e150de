"""The documents against the code: what they name exists, what they list is what there is."""

from __future__ import annotations

import importlib.util
import json
import os
import re
import shlex
import subprocess
import sys
from pathlib import Path
from types import ModuleType
from typing import Any

import click
import numpy as np
import pytest
from click.testing import CliRunner

from firmware_py.commands import cli
from firmware_py.commands.listing import DAY, LINE
from firmware_py.settings_file import bundled_rigs, parse
from firmware_py.trial.run import run_trial
from firmware_py.trial.scenario import NEEDS, Scenario, bundled_trials

ROOT = Path(__file__).resolve().parent.parent
README = ROOT / "README.md"
PAGES = sorted([*ROOT.glob("*.md"), *ROOT.glob("docs/*.md"), *ROOT.glob("hil_tests/*.md")])
HOMES = ("", "firmware_py/", "docs/", "tests/")  # where a file that a page names may stand
MADE = ("out/", "run-")  # what only a run makes
# Each in two halves, so that this file does not hold them.
FORBIDDEN = [
    a + b
    for a, b in (
        ("/wo", "rk/"), ("/ho", "me/"), ("/ro", "ot/"), ("/tm", "p/"), ("C:", "\\"),
        ("py", "pi.org"), ("pythonho", "sted"), ("local", "host"),
        ("seed ", "document"), ("trans", "cript"), ("C", "EO"), ("TO", "DO"), ("FIX", "ME"),
    )
]  # fmt: skip


def script(name: str) -> ModuleType:
    """One of the scripts in docs/, loaded."""
    spec = importlib.util.spec_from_file_location(name, ROOT / "docs" / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def summary() -> dict[str, Any]:
    """A real result's JSON object."""
    text = 'name = "t"\nwords = "w"\ndistance_m = 6.5\npath = [{length_m = 12}]\n'
    return run_trial(parse(text + '[left]\nkind = "string"\n', "t", Scenario)).summary


@pytest.fixture(params=PAGES, ids=lambda page: str(page.relative_to(ROOT)))
def page(request: pytest.FixtureRequest) -> Path:
    """Every page."""
    found: Path = request.param
    return found


def code_lines(text: str) -> list[str]:
    """Indented lines of commands."""
    return [line.strip() for line in text.splitlines() if line.startswith("    ")]


def cells(text: str, part: str = "") -> list[list[str]]:
    """The rows of the tables in a text, from a heading on."""
    rows = [line for line in text[text.index(part) :].splitlines() if line.startswith("| ")]
    return [[cell.strip() for cell in row.strip("|").split(" | ")] for row in rows]


def ticked(text: str) -> list[str]:
    """What stands between backticks."""
    return re.findall(r"`([^`\n]+)`", text)


def test_the_readme_begins_with_the_job_the_cautions_and_the_two_commands() -> None:
    first, *parts = README.read_text(encoding="utf-8").split("\n## ")
    assert first.startswith("# Linehold\n\n")
    assert first.strip().count("\n\n") == 1  # one paragraph
    words = " ".join(first.split())
    assert "from a string, an edge or a finished strip, and prove it" in words
    assert [part.splitlines()[0] for part in parts[:2]] == ["Cautions", "Two commands"]
    assert "make run" in parts[1]
    assert "make test" in parts[1]


def test_every_command_that_a_page_shows_exists(page: Path) -> None:
    for line in code_lines(page.read_text(encoding="utf-8")):
        if not line.startswith("linehold "):
            continue
        words = shlex.split(re.split(r"\s{3,}", line)[0], comments=True)
        command = cli.commands.get(words[1])
        assert command is not None, line
        if isinstance(command, click.Group) and len(words) > 2 and words[2] in command.commands:
            command = command.commands[words[2]]
        known = {name for option in command.params for name in option.opts}
        asked = {word for word in words[2:] if word.startswith("-")}
        assert asked <= known, line
        trial_or_rig = words[2] if len(words) > 2 else ""
        if words[1] == "trial" and not trial_or_rig.startswith("-"):
            assert trial_or_rig in bundled_trials() or trial_or_rig.endswith(".toml"), line


def test_every_make_target_that_a_page_shows_exists(page: Path) -> None:
    text = page.read_text(encoding="utf-8")
    makefile = (ROOT / "Makefile").read_text(encoding="utf-8")
    shown = set(re.findall(r"`make ([a-z]+)", text))
    shown |= {line.split()[1] for line in code_lines(text) if line.startswith("make ")}
    targets = set(re.findall(r"^([a-z]+):.*##", makefile, re.MULTILINE))
    assert shown <= targets, shown - targets


def test_the_readme_names_every_command_trial_and_rig() -> None:
    text = README.read_text(encoding="utf-8")
    commands = {word.split()[1] for word in ticked(text) if re.match(r"linehold [a-z]+$", word)}
    commands |= {word.split()[1] for word in ticked(text) if word.startswith("linehold ")}
    assert commands == set(cli.commands)
    assert set(bundled_trials()) | set(bundled_rigs()) <= set(ticked(text))


def test_help_and_readme_agree_on_exit_codes() -> None:
    told = README.read_text(encoding="utf-8")
    table = told[told.index("| exit code |") :].split("\n\n")[0]
    for command in cli.commands.values():
        epilog = command.epilog or ""
        for code in re.findall(r"(?<![-\d])(\d{1,3})(?= [a-z]+)", epilog.partition("codes:")[2]):
            assert re.search(rf"\b{code}\b", table), (command.name, code)


def test_every_key_of_a_result_is_documented_and_no_other(summary: dict[str, Any]) -> None:
    keys = set(summary) - {"ends"} | {"ends.left", "ends.right"}
    keys |= {f"ends.*.{key}" for key in summary["ends"]["left"]}
    text = (ROOT / "docs" / "trials.md").read_text(encoding="utf-8")
    part = text[text.index("## The result") : text.index("## Trial files")]
    listed = [key for row in cells(part)[2:] for key in ticked(row[0])]
    assert sorted(listed) == sorted(keys)


def test_the_readme_lists_every_key_of_a_result(summary: dict[str, Any]) -> None:
    text = README.read_text(encoding="utf-8")
    part = text[text.index("`trial --json` prints") : text.index("## Figures")]
    keys = set(summary) - {"ends"} | {"ends.left", "ends.right"} | set(summary["ends"]["left"])
    assert set(ticked(part)) - {"trial --json"} == keys


def test_made_pages_are_up_to_date_and_every_key_has_words() -> None:
    generate = script("generate")
    assert generate.stale() == [], "run: python docs/generate.py"
    for _, model, _ in (*generate.RIG_TABLES, *generate.TRIAL_TABLES):
        for key in generate.keys(model):
            assert generate.words(model, key), f"{model.__name__}.{key} has no words"
    known = {f"{base.__name__}.{k}" for _, m, _ in (*generate.RIG_TABLES, *generate.TRIAL_TABLES)
             for base in m.__mro__ for k in generate.keys(m)}  # fmt: skip
    assert set(generate.WORDS) <= known


def test_rigs_md_has_every_key_of_the_schema() -> None:
    text = (ROOT / "docs" / "rigs.md").read_text(encoding="utf-8")
    generate = script("generate")
    for header, model, _ in generate.RIG_TABLES:
        part = text[text.index(f"### {header or 'At the top'}\n") :].split("\n### ")[0]
        listed = [row[0].strip("`| ") for row in cells(part)[2:]]
        assert listed == generate.keys(model)


def test_the_fault_table_is_the_commands() -> None:
    rows = json.loads(CliRunner().invoke(cli, ["faults", "--json"]).stdout)
    text = (ROOT / "docs" / "faults.md").read_text(encoding="utf-8")
    assert [row for row in cells(text)[2:] if len(row) == 5] == [list(row.values()) for row in rows]


def test_every_event_of_a_trial_file_is_documented() -> None:
    text = (ROOT / "docs" / "trials.md").read_text(encoding="utf-8")
    rows = cells(text, "| `do` | needs |")[2:]
    listed = {name: set(ticked(row[1])) for row in rows for name in ticked(row[0])}
    assert listed == {name: set(needed) for name, (needed, _) in NEEDS.items()}


def test_links_resolve(page: Path) -> None:
    for target in re.findall(r"\]\(([^)#]+)[^)]*\)", page.read_text(encoding="utf-8")):
        assert "://" not in target, target
        assert (page.parent / target).exists(), target


def test_files_that_are_named_exist(page: Path) -> None:
    for word in ticked(page.read_text(encoding="utf-8")):
        name = word.split("::")[0]
        if not re.fullmatch(r"[\w./-]+/[\w.-]+\.(py|toml|md|json|png)|[\w-]+\.py", name):
            continue
        if name.startswith(MADE):
            continue
        homes = [*HOMES, f"{page.parent.relative_to(ROOT)}/"]
        found = any((ROOT / home / name).exists() for home in homes)
        # a bare file name stands beside the one named before it
        assert found or ("/" not in name and any(ROOT.glob(f"*/**/{name}"))), name


def test_every_check_that_is_named_exists() -> None:
    text = (ROOT / "docs" / "checks.md").read_text(encoding="utf-8")
    named = re.findall(r"(tests/\w+\.py)::(\w+)", text)
    assert len(named) > 40
    for file, test in named:
        assert f"def {test}(" in (ROOT / file).read_text(encoding="utf-8"), f"{file}::{test}"
    for row in cells(text):
        assert len(row) == 4, row
        assert row[2] in ("check", "---", "none") or "::" in row[2], row


def test_pages_are_narrow_and_hold_nothing_of_where_they_were_written(page: Path) -> None:
    text = page.read_text(encoding="utf-8")
    for word in FORBIDDEN:
        assert word not in text, word
    for number, line in enumerate(text.splitlines(), start=1):
        assert len(line) <= 100 or line.startswith(("|", "![")), number


@pytest.mark.parametrize("folder", ["docs", "examples", "firmware_py", "drivers", "tui", "."])
def test_sources_hold_nothing_of_where_they_were_written(folder: str) -> None:
    walk = (ROOT / folder).glob("*") if folder == "." else (ROOT / folder).rglob("*")
    for path in walk:
        if path.suffix not in (".py", ".toml", ".txt", ".md") and path.name != "Makefile":
            continue
        text = path.read_text(encoding="utf-8")
        for word in FORBIDDEN:
            assert word not in text, (path, word)


def test_the_figures_are_computed_from_keys_that_exist(summary: dict[str, Any]) -> None:
    figures = script("figures")
    full = summary | {"excursion_mm": 1.0, "loop_health": 0.1}  # null in so short a run
    runs = [*figures.jobs([1, 2]), *figures.speeds([1, 2])]
    lines = list(figures.table(dict.fromkeys(runs, full), [1, 2]))
    assert len(lines) == len(figures.ROWS) + 4
    text = README.read_text(encoding="utf-8")
    assert text.count(figures.BEGIN) == text.count(figures.END) == 1
    shown = text[text.index(figures.BEGIN) : text.index(figures.END)]
    assert [row[0].strip("| ") for row in cells(shown)[2:]] == [row.what for row in figures.ROWS]
    assert figures.verdict(figures.ROWS[0], 1.4) == "yes, both"
    assert figures.verdict(figures.ROWS[0], 2.0) == "yes"
    assert figures.verdict(figures.ROWS[0], 2.01) == "no"


def test_the_bound_with_foresight_is_the_least_there_is() -> None:
    """Against scipy's bounded least squares over the first lift and its steps: no knots there."""
    optimize = pytest.importorskip("scipy.optimize")
    bounds = script("bounds")
    motion = np.cumsum(np.random.default_rng(4).normal(size=60)) * 5e-4
    cap, step = 0.03, 0.03 * bounds.TICK_S
    error = bounds.foresight(motion, cap)
    assert np.abs(np.diff(error - motion)).max() <= step * (1 + 1e-9)
    sums = np.tril(np.ones((60, 60)))  # lift = the first one and all steps since
    limit = np.array([1.0] + [step] * 59)
    found = optimize.lsq_linear(sums, -motion, (-limit, limit), tol=1e-14)
    assert (error**2).sum() == pytest.approx(2.0 * found.cost, rel=1e-6)


def test_the_bound_without_foresight_by_hand() -> None:
    """A step of 1 mm at 30 mm/s takes four ticks: 0.7, 0.4, 0.1 and 0 mm are left."""
    error, share = script("bounds").greedy(np.full(6, 1e-3), 0.03)
    assert 1e3 * error == pytest.approx([0.7, 0.4, 0.1, 0.0, 0.0, 0.0])
    assert share == pytest.approx(0.5)


def run(*words: str) -> str:
    """An example's output, from a fresh interpreter."""
    environ = {k: v for k, v in os.environ.items() if not k.startswith("COV")}
    done = subprocess.run(
        [sys.executable, *words], cwd=ROOT, env=environ | {"PYTHONPATH": str(ROOT)},
        capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_the_own_plant_stays_on_its_target() -> None:
    """Its ground sinks by 60 mm; the end must not, but for the dead band and what sank before"""
    last = run("examples/own_plant.py").splitlines()[-1]
    off = re.search(r"([-+][\d.]+) mm after", last)
    assert off is not None, last
    assert abs(float(off[1])) < 3.0


def test_the_own_plant_needs_nothing_simulated_and_is_short() -> None:
    text = (ROOT / "examples" / "own_plant.py").read_text(encoding="utf-8")
    assert "simulated" not in re.sub(r'""".*?"""', "", text, flags=re.DOTALL)


def test_tilt_from_a_recording_has_help() -> None:
    assert "npz" in run("examples/tilt_from_recording.py", "--help")


def test_every_command_has_words() -> None:
    for name, command in cli.commands.items():
        assert isinstance(command, click.Command)
        assert command.help, name


def test_the_help_lists_every_command_once_on_a_line_of_its_own() -> None:
    words = [name for part in DAY.values() for name in part]
    assert sorted(words) == sorted(cli.commands)
    lines = CliRunner().invoke(cli, ["--help"]).stdout.splitlines()
    for part in DAY.values():
        for name, told in part.items():
            assert [line.split() for line in lines].count([name, *told.split()]) == 1, name
    assert max(map(len, lines)) <= LINE
    assert not any("..." in line for line in lines if not line.startswith("Usage"))


def test_the_help_and_the_readme_put_a_command_into_the_same_part_of_the_day() -> None:
    text = README.read_text(encoding="utf-8")
    for part, commands in DAY.items():
        table = text[text.index(f"| {part.lower()} | what it does |") :].split("\n\n")[0]
        for name in commands:
            assert f"`linehold {name}" in table, name
