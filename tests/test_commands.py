"""The commands in this process: help with examples, exit codes, bad input in one sentence."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from test_journal_making import make_log, record

from firmware_py import __version__
from firmware_py.commands import cli
from firmware_py.commands.kinds import Number
from firmware_py.guard.table import ROWS
from firmware_py.settings_file import bundled_rigs, find_rig

ROOT = Path(__file__).resolve().parent.parent
COMMANDS = (
    "run", "trial", "replay", "report", "logs", "rigs", "check", "faults", "tilt", "bar", "valves",
    "tune", "budget",
)  # fmt: skip


def call(*arguments: str) -> Result:
    return CliRunner().invoke(cli, list(arguments), prog_name="linehold")


def bad(result: Result, *words: str) -> None:
    """Exit code 2, and the words on standard error, without a traceback."""
    assert result.exit_code == 2, result.output
    assert "Traceback" not in result.output
    assert result.stdout == ""
    for word in words:
        assert word in result.stderr


@pytest.fixture
def in_tmp(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_version() -> None:
    assert call("--version").stdout.strip() == f"linehold, version {__version__}"


@pytest.mark.parametrize("command", COMMANDS)
def test_every_help_has_an_example(command: str) -> None:
    result = call(command, "--help")
    assert result.exit_code == 0
    assert "Example" in result.stdout
    assert f"linehold {command}" in result.stdout.split("Example")[1]


def test_help_lists_all_commands_and_cautions() -> None:
    result = call("--help")
    for command in COMMANDS:
        assert f"\n  {command} " in result.stdout
    assert "certified by nobody" in result.stdout


def test_help_is_quick_and_loads_nothing_heavy() -> None:
    code = (
        "import sys; from firmware_py.commands import cli\n"
        "try: cli(['run', '--help'], prog_name='linehold')\n"
        "except SystemExit: pass\n"
        "heavy = {'matplotlib', 'textual', 'mcap', 'numpy', 'pydantic', 'msgspec'}\n"
        "heavy &= {*sys.modules}\n"
        "sys.exit(', '.join(sorted(heavy)) or 0)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ("nonsense", 'linehold: there is no command "nonsense"; linehold --help lists them'),
        ("trail x", 'linehold: there is no command "trail"; did you mean trial?'),
        ("--vers", "linehold: there is no option --vers; did you mean --version?"),
        ("run --hedless", "linehold run: there is no option --hedless; did you mean --headless?"),
        ("run --zzz", "linehold run: there is no option --zzz; linehold run --help lists"),
        ("run --for soon", 'linehold run: --for: "soon" is not a number; 0.1 to 86400 is right'),
        ("run --for -1", 'linehold run: --for: "-1" is out of range; 0.1 to 86400 is right'),
        ("run --for 0.09", '--for: "0.09" is out of range'),
        ("run --for 86401", '--for: "86401" is out of range'),
        ("run --for nan", 'linehold run: --for: "nan" is out of range; 0.1 to 86400 is right'),
        ("run --for inf", '--for: "inf" is out of range'),
        ("run --for", "linehold run: option '--for' requires an argument"),
        ("run --seed 1.5", '--seed: "1.5" is not a whole number; 0 to 2147483647 is right'),
        ("run --log=", 'linehold run: --log: it is empty; a folder\'s name is right, "."'),
        ("run --rig=", "a rig's name or file is empty"),
        ("trial", "linehold trial: NAME: it is missing; a trial file or a bundled trial is right"),
        ("trial footpath-string --seed -3", '--seed: "-3" is out of range; 0 to 2147483647'),
        ("trial footpath-string --out=", "linehold trial: --out: it is empty; a folder's name"),
        ("trial footpath-string --rig=", "a rig's name or file is empty"),
        ("trial footpath-string more", "linehold trial: got unexpected extra argument (more); "),
        ("replay", "linehold replay: LOG is missing; linehold replay --help"),
    ],
)
def test_a_wrong_command_line_is_one_sentence(in_tmp: Path, arguments: str, words: str) -> None:
    result = call(*arguments.split(" "))
    bad(result, words)
    assert len(result.stderr.splitlines()) == 1
    assert not [*in_tmp.iterdir()]  # nothing was begun


@pytest.mark.parametrize("command", ["trial", "check", "replay"])
def test_an_empty_name_is_not_the_present_folder(in_tmp: Path, command: str) -> None:
    bad(call(command, ""), "is empty")


def test_the_limits_of_a_number_are_both_allowed() -> None:
    kind = Number(0.1, 86400.0)
    assert [kind.convert(v, None, None) for v in ("0.1", "86400")] == [0.1, 86400.0]
    assert [Number(0, 9).convert(v, None, None) for v in ("0", "9")] == [0, 9]


def test_a_rig_that_is_not_there() -> None:
    bad(call("run", "--rig", "referense"), "referense: no such rig file", "did you mean reference?")
    bad(call("check", "file", "no-such.toml"), "no-such.toml: no such rig file")


def test_a_trial_that_is_not_there() -> None:
    bad(call("trial", "footpath"), "footpath: no such trial; bundled trials: ")


def test_all_faults_of_a_rig_file_at_once(in_tmp: Path) -> None:
    text = find_rig("reference").read_text()
    text = text.replace("width_mm = 1800", "width_mm = 18000").replace("rate_hz", "rate_herz")
    Path("mine.toml").write_text(text)
    for arguments in (["check", "file", "mine.toml"], ["run", "--rig", "mine.toml", "--headless"]):
        result = call(*arguments)
        bad(result, "mine.toml:6: blade.width_mm", "rate_herz")
        assert len(result.stderr.splitlines()) == 2
    assert not Path("out").exists()  # nothing was begun


def test_a_file_that_is_no_toml_and_a_folder(in_tmp: Path) -> None:
    Path("mine.toml").write_text("name = ")
    bad(call("check", "file", "mine.toml"), "mine.toml:1: not TOML")
    bad(call("check", "file", "."), "cannot be read")


def test_check_tells_a_rig_from_a_trial() -> None:
    assert "a rig without faults" in call("check", "file", "reference").stdout
    assert (
        "a trial without faults, on rig reference"
        in call("check", "file", "footpath-string").stdout
    )


def test_a_faulty_trial_file_is_told_as_a_trial(in_tmp: Path) -> None:
    Path("job.toml").write_text('name = "job"\nwords = "A job."\ndistance_m = -5.0\n')
    bad(call("check", "file", "job.toml"), "job.toml:3: distance_m", "path", "missing")


def test_a_folder_that_cannot_be_made_stops_a_run_before_it_begins(in_tmp: Path) -> None:
    Path("file").write_text("")
    result = call("run", "--headless", "--log", "file/logs")
    bad(result, "linehold run: --log: file/logs: Not a directory; a folder that can be written")
    assert len(result.stderr.splitlines()) == 1  # no caution: they announce that it begins
    bad(call("run", "--log", "file"), '--log: "file" is a file; a folder is right')
    bad(call("trial", "footpath-string", "--out", "file/x"), "linehold trial: --out: file/x: Not")


def test_a_rig_that_cannot_be_simulated_is_refused_before_the_cautions(in_tmp: Path) -> None:
    text = find_rig("reference").read_text()
    Path("low.toml").write_text(text.replace("above_mm = 750", "above_mm = 350"))
    result = call("run", "--headless", "--rig", "low.toml", "--log", "logs")
    bad(result, "250 to 1200 is right")
    assert len(result.stderr.splitlines()) == 1
    assert not Path("logs").exists()


def test_a_trial_file_for_a_rig_and_the_other_way_round_is_one_sentence(in_tmp: Path) -> None:
    Path("job.toml").write_text(SHORT)
    Path("mine.toml").write_text(find_rig("reference").read_text())
    for result, words in (
        (call("run", "--headless", "--rig", "job.toml"), "job.toml: this is a trial file, not a"),
        (call("trial", "job.toml", "--rig", "job.toml"), "job.toml: this is a trial file, not a"),
        (call("trial", "mine.toml"), "mine.toml: this is a rig file, not a trial file"),
    ):
        bad(result, words)
        assert len(result.stderr.splitlines()) == 1


def test_rigs_lists_every_bundled_rig() -> None:
    listed = call("rigs").stdout
    for name in bundled_rigs():
        assert f"{name} " in listed
    assert "no valves: cues only" in listed
    assert {*json.loads(call("rigs", "--json").stdout)} == {*bundled_rigs()}


def test_faults_prints_every_row() -> None:
    text, rows = call("faults").stdout, json.loads(call("faults", "--json").stdout)
    assert [row["name"] for row in rows] == [row.name for row in ROWS]
    for row in ROWS:
        assert f"{row.name}\n" in text
    assert {"name", "trigger", "response", "recovery", "words"} == {*rows[0]}


def test_trial_list() -> None:
    assert "footpath-string " in call("trial", "--list").stdout


def test_replay_of_what_is_no_log(in_tmp: Path) -> None:
    Path("a.mcap").write_bytes(b"nothing of the kind")
    bad(call("replay", "a.mcap"), "a.mcap is not a Linehold log")
    bad(call("replay", "b.mcap"), "b.mcap cannot be opened")


def test_replay_of_a_log_of_other_settings(in_tmp: Path) -> None:
    make_log(Path("a.mcap"), [record(n) for n in range(20)])
    bad(call("replay", "a.mcap"), "the settings in the log are not this version's")


def test_interrupted_is_130(monkeypatch: pytest.MonkeyPatch) -> None:
    def interrupted(_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(cli.commands["rigs"], "invoke", interrupted)
    result = call("rigs")
    assert result.exit_code == 130
    assert "Interrupted." in result.stderr


def test_debug_shows_the_traceback(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("LINEHOLD_DEBUG", "1")
    result = call("run", "--rig", "absent")
    assert type(result.exception).__name__ == "FileFault"


SHORT = """
name = "short"
words = "Eight metres of footpath."
distance_m = 8.0
ground = "C"
[[path]]
length_m = 15.0
[left]
kind = "string"
"""


@pytest.fixture(scope="module")
def short(tmp_path_factory: pytest.TempPathFactory) -> tuple[Result, Path]:
    """A short trial, once for the tests below."""
    folder = tmp_path_factory.mktemp("short")
    (folder / "job.toml").write_text(SHORT)
    result = call("trial", str(folder / "job.toml"), "--seed", "3", "--out", str(folder / "out"))
    return result, folder / "out"


def test_trial_saves_result_picture_and_journal(short: tuple[Result, Path]) -> None:
    result, out = short
    assert result.exit_code == 0, result.output
    assert sorted(path.name for path in out.iterdir()) == [
        "graded.png", "journal.mcap", "result.json",
    ]  # fmt: skip
    assert (out / "graded.png").read_bytes().startswith(b"\x89PNG")
    summary = json.loads((out / "result.json").read_text())
    assert (summary["scenario"], summary["seed"]) == ("short", 3)
    assert "short, seed 3" in result.stdout
    assert "Saved: " in result.stdout
    assert result.stderr == ""  # no terminal, no progress


def test_the_trial_replays_identically(short: tuple[Result, Path]) -> None:
    log = str(short[1] / "journal.mcap")
    again = call("replay", log)
    assert again.exit_code == 0, again.output
    assert again.stdout.startswith("identical: ")
    assert json.loads(call("replay", log, "--json").stdout)["identical"] is True


def test_a_difference_is_exit_code_1(short: tuple[Result, Path], in_tmp: Path) -> None:
    """A log whose header states another dead band than the run had."""
    from firmware_py.journal.read import Gap, Recorded, State, read_log
    from firmware_py.journal.store import Store

    log = read_log(short[1] / "journal.mcap")
    settings = log.header.settings
    control = settings["control"] | {"dead_band_mm": 9.0}
    store = Store(Path("b.mcap"), type(log.header)("", settings | {"control": control}, ""))
    for entry in log:
        assert not isinstance(entry, Gap)
        if isinstance(entry, Recorded):
            import msgspec

            store.add_record(entry.number, msgspec.msgpack.encode(entry.record))
        else:
            assert isinstance(entry, State)
    store.close()
    result = call("replay", "b.mcap")
    assert result.exit_code == 1
    assert "differs first at tick " in result.stdout


def test_trial_json_is_one_object_and_plain_keeps_no_journal(in_tmp: Path) -> None:
    Path("job.toml").write_text(SHORT)
    result = call("trial", "job.toml", "--plain", "--json", "--ground", "flat")
    assert result.exit_code == 0, result.output
    summary = json.loads(result.stdout)
    assert summary["controller"] == "plain"
    assert summary["journal"] is None
    assert sorted(path.name for path in Path("out/short-1-plain").iterdir()) == [
        "graded.png", "result.json",
    ]  # fmt: skip


def test_a_ground_that_cannot_be_read(in_tmp: Path) -> None:
    Path("text.npz").write_text("no grid")
    for ground, words in (
        ("absent.npz", "ground file absent.npz is not there"),
        ("text.npz", "ground file text.npz cannot be read as .npz"),
        ("Z", '"Z" is no ground; a class A to H, "flat" or an .npz file is right'),
        ("some.toml", '"some.toml" is no ground; a class A to H'),
        ("", '"" is no ground; a class A to H'),
    ):
        result = call("trial", "footpath-string", "--ground", ground, "--out", "results")
        bad(result, words)
        assert len(result.stderr.splitlines()) == 1
    assert not Path("results").exists()


def test_check_and_trial_tell_where_a_missing_ground_is_named(in_tmp: Path) -> None:
    Path("job.toml").write_text(SHORT.replace('"C"', '"absent.npz"'))
    told = "job.toml:5: ground: ground file absent.npz is not there"
    bad(call("check", "file", "job.toml"), told)
    bad(call("trial", "job.toml"), told)
    Path("job.toml").write_text(SHORT)
    assert call("check", "file", "job.toml").exit_code == 0


def test_two_logs_in_one_file_are_told(short: tuple[Result, Path], in_tmp: Path) -> None:
    one = (short[1] / "journal.mcap").read_bytes()
    Path("two.mcap").write_bytes(one + one)
    result = call("replay", "two.mcap")
    assert result.exit_code == 0, result.output
    assert result.stdout.startswith("the first log in this file is identical: ")
    assert f"another log follows in the same file from byte {len(one)} on; " in result.stdout
