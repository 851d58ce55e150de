"""The files of the service: what systemd and udev themselves say, and what our own code holds.

`systemd-analyze` comes with systemd, `udevadm verify` with udev 254 or later; what is missing is
skipped by name. Grammar of rules: udev(7); of units: systemd.syntax(7).
"""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from collections import defaultdict
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from firmware_py.commands import cli
from firmware_py.commands.live import run as run_command
from firmware_py.commands.service import PARTS, PROGRAM, text_of
from firmware_py.live import notify, realtime, session
from firmware_py.live.recording import STOP_S
from firmware_py.live.report import BAD_INPUT, FAULT, IGNITION, INTERRUPTED
from firmware_py.settings import Valves

MOST_EXPOSED = 1.5  # of systemd-analyze security, 0 to 10


def file(name: str) -> str:
    [part] = [part for part in PARTS if part.name == name]
    return text_of(part)


def settings(text: str) -> dict[str, list[str]]:
    """Section.Key to its values in order; an empty one is kept."""
    found: dict[str, list[str]] = defaultdict(list)
    section = ""
    for line in text.splitlines():
        if not line.strip() or line.startswith(("#", ";")):
            continue
        if line.startswith("["):
            section = line.strip("[]")
            continue
        key, equals, value = line.partition("=")
        assert equals, line
        found[f"{section}.{key}"].append(value)
    return found


@pytest.fixture(scope="module")
def unit() -> dict[str, list[str]]:
    return settings(file("linehold.service"))


def of_systemd(tool: str, least: int) -> str:
    """The tool, of that version or later; skipped by name where it is not."""
    path = shutil.which(tool)
    if path is None:
        pytest.skip(f"{tool} is not installed (packages systemd, udev)")
    told = subprocess.run([path, "--version"], capture_output=True, text=True, check=True).stdout
    found = re.search(r"\d+", told)
    if found is None or int(found[0]) < least:
        pytest.skip(f"{tool} is of version {found and found[0]}; {least} or later is needed")
    return path


@pytest.fixture
def written(tmp_path: Path) -> Path:
    """The unit as `linehold service` writes it, for a program that is there."""
    program = tmp_path / "linehold"
    program.write_text("#!/bin/sh\n", encoding="ascii")
    program.chmod(0o755)
    out = tmp_path / "out"
    done = CliRunner().invoke(cli, ["service", "-o", str(out), "--program", str(program)])
    assert done.exit_code == 0, done.output
    return out


def test_systemd_finds_nothing_wrong_with_the_unit(written: Path) -> None:
    tool = of_systemd("systemd-analyze", 250)
    done = subprocess.run(
        [tool, "verify", "--recursive-errors=no", "--man=no", str(written / "linehold.service")],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")


def test_systemd_scores_the_unit_as_safe(written: Path) -> None:
    tool = of_systemd("systemd-analyze", 250)
    ask = [tool, "security", "--offline=yes", "--no-pager", f"--threshold={MOST_EXPOSED * 10:.0f}"]
    done = subprocess.run(
        [*ask, str(written / "linehold.service")], capture_output=True, text=True, check=False
    )
    score = re.search(r"exposure level for linehold\.service: ([\d.]+)", done.stdout)
    assert score is not None, done.stdout + done.stderr
    assert float(score[1]) <= MOST_EXPOSED
    assert done.returncode == 0
    # the same measure finds a bare service unsafe
    bare = written / "bare.service"
    bare.write_text("[Service]\nExecStart=/bin/true\n", encoding="ascii")
    assert subprocess.run([*ask, str(bare)], capture_output=True, check=False).returncode != 0


def test_the_watchdog_is_the_loops_and_longer_than_the_valves_lease(
    unit: dict[str, list[str]],
) -> None:
    assert unit["Service.Type"] == ["notify"]
    assert unit["Service.NotifyAccess"] == ["all"]  # the loop is not the main process
    watchdog_s = float(unit["Service.WatchdogSec"][0])
    lease_s = max(m.le for m in Valves.model_fields["lease_ms"].metadata if hasattr(m, "le")) / 1e3
    assert 5 * lease_s <= watchdog_s <= 10.0
    assert float(unit["Service.TimeoutStartSec"][0]) > session.START_S


def test_an_end_has_the_time_that_it_may_take(unit: dict[str, list[str]]) -> None:
    """Screen, journal and rig are each given theirs by the keeper; the goodbye holds so long."""
    stop_s = float(unit["Service.TimeoutStopSec"][0])
    assert 2 * session.LEAVE_S + STOP_S < stop_s < notify.ENDING_S
    assert unit["Service.KillMode"] == ["mixed"]  # SIGTERM to the keeper, which ends the others


def test_exit_codes_lead_where_they_should(unit: dict[str, list[str]]) -> None:
    good = set(map(int, unit["Service.SuccessExitStatus"][0].split()))
    assert good == {IGNITION, INTERRUPTED, 143}
    assert unit["Service.Restart"] == ["always"]
    assert FAULT not in good
    assert unit["Service.RestartPreventExitStatus"] == [f"{BAD_INPUT} {IGNITION}"]
    assert unit["Service.ExecStopPost"] == ["+/bin/sh /etc/linehold/after-run"]
    assert f"= {IGNITION} ]" in file("after-run")


def test_real_time_is_permitted_without_capabilities(unit: dict[str, list[str]]) -> None:
    assert int(unit["Service.LimitRTPRIO"][0]) >= realtime.PRIORITY
    assert unit["Service.LimitMEMLOCK"] == ["infinity"]
    assert unit["Service.CapabilityBoundingSet"] == [""]
    assert "Service.RestrictRealtime" not in unit
    calls = " ".join(unit["Service.SystemCallFilter"])
    assert "sched_setscheduler" in calls
    assert "mlockall" in calls
    assert unit["Service.User"] != ["root"]


def test_only_listed_devices_and_a_read_only_root(unit: dict[str, list[str]]) -> None:
    assert unit["Service.DevicePolicy"] == ["closed"]
    assert {line.split()[0] for line in unit["Service.DeviceAllow"]} == {
        "char-ttyACM", "char-ttyUSB", "char-ttyAMA", "char-i2c", "char-gpiochip", "/dev/vcio",
    }  # fmt: skip
    assert unit["Service.ProtectSystem"] == ["strict"]
    assert unit["Service.LogsDirectory"] == ["linehold"]
    assert unit["Unit.RequiresMountsFor"] == ["/var/log/linehold"]
    assert "Environment=LG_WD=/run/linehold" in file("linehold.service")


def test_the_unit_runs_a_command_that_there_is(unit: dict[str, list[str]]) -> None:
    program, name, *words = unit["Service.ExecStart"][0].split()
    assert program == PROGRAM
    assert name == "run"
    context = click.Context(run_command)
    given, rest, _ = run_command.make_parser(context).parse_args(list(words))
    assert rest == []
    assert given["headless"]
    assert given["folder"] == "/var/log/linehold"
    assert given["link"].startswith("/run/linehold/")
    assert given["rig_name"].startswith("/etc/linehold/")


RULE = re.compile(
    r'(?P<key>[A-Z_]+)(?:\{(?P<attribute>[^}]+)\})?\s*(?P<op>==|!=|=|\+=|-=|:=)\s*"(?P<value>[^"]*)"'
)
MATCHES = {"ACTION", "SUBSYSTEM", "KERNEL", "DRIVER", "ENV", "ATTR"}
ASSIGNS = {"SYMLINK", "GROUP", "MODE", "ENV", "ATTR"}


def rules() -> list[list[re.Match[str]]]:
    text = file("70-linehold.rules").replace("\\\n", " ")
    lines = [line for line in text.splitlines() if line.strip() and not line.startswith("#")]
    found = []
    for line in lines:
        matches = list(RULE.finditer(line))
        assert re.fullmatch(r"[\s,]*", RULE.sub("", line)), line
        assert line.count(",") == len(matches) - 1, line
        found.append(matches)
    return found


def test_udev_finds_nothing_wrong_with_the_rules(tmp_path: Path) -> None:
    tool = of_systemd("udevadm", 254)
    path = tmp_path / "70-linehold.rules"
    path.write_text(file("70-linehold.rules"), encoding="ascii")
    done = subprocess.run(
        [tool, "verify", "--resolve-names=never", str(path)], capture_output=True, text=True,
        check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr


def test_rules_match_before_they_assign_and_name_devices_by_place_or_identity() -> None:
    names = []
    for rule in rules():
        kinds = [(m["key"], m["op"]) for m in rule]
        for key, op in kinds:
            assert key in (MATCHES if op in ("==", "!=") else ASSIGNS)
        firsts = [op in ("==", "!=") for _, op in kinds]
        assert firsts == sorted(firsts, reverse=True)
        assert any(firsts)
        assert not all(firsts)
        names += [m["value"] for m in rule if m["key"] == "SYMLINK"]
        for m in rule:
            if m["key"] == "MODE":
                assert m["value"] == "0660"
    assert names == ["linehold/board", *(f"linehold/left-{n}" for n in range(5)), "linehold/uart"]
    assert len(set(names)) == len(names)


def test_the_journal_and_the_computers_watchdog_are_limited() -> None:
    journal = settings(file("linehold-journald.conf"))
    assert journal["Journal.Storage"] == ["volatile"]
    assert journal["Journal.RuntimeMaxUse"] == ["32M"]
    assert settings(file("linehold-watchdog.conf"))["Manager.RuntimeWatchdogSec"] == ["10s"]


def test_the_user_that_the_unit_names_is_made_with_its_groups(unit: dict[str, list[str]]) -> None:
    lines = [line.split() for line in file("linehold-user.conf").splitlines() if line[0] != "#"]
    assert [line[1] for line in lines if line[0] == "u"] == unit["Service.User"]
    groups = [line[2] for line in lines if line[0] == "m"]
    assert groups == unit["Service.SupplementaryGroups"][0].split()


def test_systemd_reads_the_users_file(tmp_path: Path) -> None:
    tool = of_systemd("systemd-sysusers", 250)
    (tmp_path / "etc").mkdir()
    path = tmp_path / "linehold-user.conf"
    path.write_text(file(path.name), encoding="ascii")
    done = subprocess.run(
        [tool, f"--root={tmp_path}", "--dry-run", str(path)], capture_output=True, text=True,
        check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert "linehold" in done.stdout + done.stderr


def test_the_table_of_mounts_has_six_fields_and_keeps_the_logs_apart() -> None:
    lines = [line.split() for line in file("fstab.example").splitlines() if line[0] != "#"]
    assert [len(line) for line in lines] == [6, 6]
    [log] = [line for line in lines if line[1] == "/var/log/linehold"]
    options = log[3].split(",")
    assert {"rw", "noexec", "nodev", "nosuid", "nofail"} <= set(options)


def test_the_command_tells_what_goes_where_and_writes_it(tmp_path: Path) -> None:
    done = CliRunner().invoke(cli, ["service", "--json"])
    assert json.loads(done.output) == {part.name: part.goes_to for part in PARTS}
    plain = CliRunner().invoke(cli, ["service", "-o", str(tmp_path / "a")])
    assert plain.exit_code == 0
    assert sorted(p.name for p in (tmp_path / "a").iterdir()) == sorted(p.name for p in PARTS)
    assert all(part.name in plain.output and part.goes_to in plain.output for part in PARTS)
    again = CliRunner().invoke(cli, ["service", "-o", str(tmp_path / "a"), "--program", "/x/y"])
    assert again.exit_code == 0
    assert "ExecStart=/x/y run " in (tmp_path / "a" / "linehold.service").read_text()
    assert not list((tmp_path / "a").glob("*@*"))


@pytest.mark.parametrize(
    "program", ["linehold", "/a b", "/a%n", "/a;b", '/a"b', "", "/a\nb", "/$A"]
)
def test_a_program_that_a_unit_cannot_hold_is_refused(tmp_path: Path, program: str) -> None:
    done = CliRunner().invoke(cli, ["service", "-o", str(tmp_path / "a"), "--program", program])
    assert done.exit_code == 2
    assert "--program: a path from / on" in done.output
    assert not (tmp_path / "a").exists()


def test_a_folder_that_cannot_be_written_is_one_sentence(tmp_path: Path) -> None:
    (tmp_path / "a").write_text("", encoding="ascii")
    done = CliRunner().invoke(cli, ["service", "-o", str(tmp_path / "a" / "b")])
    assert done.exit_code == 2
    assert len(done.output.splitlines()) == 1
