"""`linehold logs`: list, check, export, cut and thin; the rule of thinning by itself."""

from __future__ import annotations

import csv
import fcntl
import json
import os
import time
from collections.abc import Iterator
from pathlib import Path

import msgspec
import pytest
from click.testing import CliRunner, Result
from hypothesis import given
from hypothesis import strategies as st
from report_made import make_log, rewrite
from test_journal_making import HEADER, record

from firmware_py.commands import cli
from firmware_py.journal.catalog import being_written, check, glance
from firmware_py.journal.read import Recorded, read_log
from firmware_py.journal.store import Store
from firmware_py.journal.thin import DAY_S, Old, choose


@pytest.fixture(scope="module")
def run_log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_log(tmp_path_factory.mktemp("log") / "run.mcap")


def small(path: Path, count: int = 300, age_days: float = 1.0) -> Path:
    """A closed log of hand-made records, last written some days ago."""
    store = Store(path, HEADER)
    for number in range(count):
        store.add_record(number, msgspec.msgpack.encode(record(number)))
    store.close()
    when = time.time() - age_days * DAY_S
    os.utime(path, (when, when))
    return path


def logs(*arguments: object) -> Result:
    return CliRunner().invoke(cli, ["logs", *map(str, arguments)])


def bad(result: Result, *words: str) -> None:
    assert result.exit_code == 2, result.output
    assert len(result.stderr.splitlines()) == 1, result.stderr
    for word in words:
        assert word in result.stderr, result.stderr


def test_a_list_says_what_each_log_is(run_log: Path, tmp_path: Path) -> None:
    deep = tmp_path / "day" / "one"
    deep.mkdir(parents=True)
    data = run_log.read_bytes()
    (deep / "whole.mcap").write_bytes(data)
    (deep / "cut.mcap").write_bytes(data[: len(data) // 2])
    (deep / "other.mcap").write_bytes(b"no log at all")
    for path in deep.iterdir():
        os.utime(path, (1.0, 1.0))
    result = logs("list", tmp_path, "--json")
    found = {Path(one["path"]).name: one for one in json.loads(result.stdout)}
    assert set(found) == {"whole.mcap", "cut.mcap"}
    whole = found["whole.mcap"]
    assert whole["driven_m"] == pytest.approx(8.0, abs=0.1)
    assert 15.0 < whole["length_s"] < 30.0
    assert (whole["rig"], whole["bytes"]) == ("reference", len(data))
    assert whole["ended"] == "in automatic"
    assert found["cut.mcap"]["ended"] == "cut off; 1 damaged chunks; in automatic"
    text = logs("list", tmp_path)
    assert "whole.mcap" in text.stdout
    assert "8 m  rig reference" in text.stdout
    assert "other.mcap is not a Linehold log" in text.stderr


def test_no_log_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    assert logs().stdout == "No log in out.\n"
    assert logs("list", tmp_path).stdout == f"No log in {tmp_path}.\n"


def test_a_check_reads_all_and_says_what_is_lost(run_log: Path, tmp_path: Path) -> None:
    good = logs("check", run_log)
    assert good.exit_code == 0
    assert "whole; " in good.stdout
    data = bytearray(run_log.read_bytes())
    data[len(data) // 2] ^= 1
    flipped = tmp_path / "flipped.mcap"
    flipped.write_bytes(data)
    result = logs("check", run_log, flipped, "--json")
    assert result.exit_code == 1
    one, two = json.loads(result.stdout)
    assert (one["whole"], two["whole"]) == (True, False)
    assert 0 < two["missing"] <= 200
    assert "its checksum is wrong" in " ".join(two["lost"])
    bad(logs("check", tmp_path / "none.mcap"), "none.mcap cannot be opened")


def test_a_clock_that_went_back_is_found(tmp_path: Path) -> None:
    store = Store(tmp_path / "a.mcap", HEADER)
    for number, instant in enumerate((0, 1, 2, 1, 3)):
        one = msgspec.structs.replace(record(number), time_s=float(instant))
        store.add_record(number, msgspec.msgpack.encode(one))
    store.close()
    found = check(read_log(tmp_path / "a.mcap"))
    assert (found.records, found.backwards, found.whole) == (5, 1, False)


def test_an_export_has_a_row_a_tick(run_log: Path, tmp_path: Path) -> None:
    out = tmp_path / "run.csv"
    assert logs("export", run_log, "-o", out).exit_code == 0
    ticks = [entry.tick for entry in read_log(run_log) if isinstance(entry, Recorded)]
    with out.open(encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    assert len(rows) == len(ticks)
    row, tick = rows[1500], ticks[1500]
    assert float(row["left_error_mm"]) == pytest.approx(1e3 * (tick.left.error_m or 0), abs=1e-3)
    assert float(row["crossfall_pct"]) == pytest.approx(100 * (tick.crossfall or 0), abs=1e-4)
    assert rows[0]["left_error_mm"] == ""  # not known is no number
    bad(logs("export", run_log, "-o", tmp_path / "no" / "run.csv"), "export: -o: ")
    long = logs("export", run_log, f"--out={tmp_path / 'no' / 'run.csv'}")
    bad(long, "linehold logs export: --out: ")


def test_what_is_cut_out_by_chainage_is_a_log_that_replays(run_log: Path, tmp_path: Path) -> None:
    out = tmp_path / "cut.mcap"
    result = logs("cut", run_log, "-o", out, "--from-m", 4, "--to-m", 6)
    assert result.exit_code == 0, result.stderr
    whole = [entry for entry in read_log(run_log) if isinstance(entry, Recorded)]
    part = [entry for entry in read_log(out) if isinstance(entry, Recorded)]
    at = [entry.tick.distance_m or 0.0 for entry in part]
    assert at[-1] == pytest.approx(6.0, abs=0.02)
    assert at[0] < 4.0  # from the state before it
    by_number = {entry.number: entry for entry in whole}
    assert all(by_number[one.number].tick_bytes == one.tick_bytes for one in part)
    assert [one.number for one in part] == list(range(part[0].number, part[-1].number + 1))
    again = CliRunner().invoke(cli, ["replay", str(out), "--json"])
    found = json.loads(again.stdout)
    assert (found["identical"], found["unchecked"]) == (True, 0)
    assert logs("check", out).exit_code == 0  # what was cut on purpose is no damage
    bad(logs("cut", run_log, "-o", out, "--to-m", 6), "is there already; a new name is right")


def test_what_is_cut_out_by_time(run_log: Path, tmp_path: Path) -> None:
    out = tmp_path / "cut.mcap"
    assert logs("cut", run_log, "-o", out, "--to-s", 5).exit_code == 0
    part = [entry for entry in read_log(out) if isinstance(entry, Recorded)]
    assert (part[0].number, len(part)) == (0, 501)


def test_an_interval_that_holds_nothing(run_log: Path, tmp_path: Path) -> None:
    out = tmp_path / "cut.mcap"
    bad(logs("cut", run_log, "-o", out, "--from-m", 900), "runs from 0.0 to 8.", "is right")
    bad(logs("cut", run_log, "-o", out), "one of the two is right")
    bad(logs("cut", run_log, "-o", out, "--from-m", 1, "--to-s", 9), "one of the two is right")
    assert not out.exists()


def test_an_excerpt_keeps_its_chainage_in_a_report(run_log: Path, tmp_path: Path) -> None:
    out = tmp_path / "cut.mcap"
    assert logs("cut", run_log, "-o", out, "--from-m", 5, "--to-m", 7).exit_code == 0
    result = CliRunner().invoke(cli, ["report", str(out), "-o", str(tmp_path / "report"), "--json"])
    assert json.loads(result.stdout)["to_m"] == pytest.approx(7.0, abs=0.11)


def test_thinning_tells_first_and_deletes_when_told(tmp_path: Path) -> None:
    old, young = small(tmp_path / "old.mcap", age_days=40), small(tmp_path / "young.mcap")
    (tmp_path / "foreign.mcap").write_bytes(b"x" * 100)
    os.utime(tmp_path / "foreign.mcap", (1.0, 1.0))
    (tmp_path / "notes.txt").write_text("mine")
    told = logs("thin", tmp_path, "--keep-days", 30)
    assert f"would delete {old}: 40 days old, older than 30" in told.stdout
    assert "1 of 3 logs" in told.stdout
    assert old.exists()
    assert logs("thin", tmp_path, "--keep-days", 30, "--delete").exit_code == 0
    left = {path.name for path in tmp_path.iterdir()}
    assert left == {young.name, "foreign.mcap", "notes.txt"}
    bad(logs("thin", tmp_path), "a rule is missing; --keep-days or --keep-gb is right")
    bad(logs("thin", tmp_path / "none", "--keep-gb", 1), "none is not there")
    bad(logs("thin", tmp_path, "--keep-gb", "-1"), '"-1" is out of range')


def test_a_log_that_is_being_written_never_goes(tmp_path: Path) -> None:
    path = tmp_path / "open.mcap"
    store = Store(path, HEADER)
    for number in range(250):
        store.add_record(number, msgspec.msgpack.encode(record(number)))
    store.flush()
    os.utime(path, (1.0, 1.0))  # whatever its clock says
    assert being_written(path)
    assert glance(path).ended == "being written"
    result = logs("thin", tmp_path, "--keep-days", 0, "--keep-gb", 0, "--delete")
    assert "being written; it stays" in result.stdout
    assert path.exists()
    store.close()
    os.utime(path, (1.0, 1.0))
    assert not being_written(path)
    logs("thin", tmp_path, "--keep-days", 0, "--delete")
    assert not path.exists()


def test_without_locks_a_fresh_log_that_is_not_closed_stays(tmp_path: Path) -> None:
    path = small(tmp_path / "cut.mcap", age_days=0)
    path.write_bytes(path.read_bytes()[:-200])
    now = path.stat().st_mtime
    assert being_written(path, now + 10.0)
    assert not being_written(path, now + 100.0)
    with path.open("rb") as other:
        fcntl.flock(other, fcntl.LOCK_EX)
        assert being_written(path, now + 100.0)


def sizes() -> Iterator[Old]:
    for n in range(5):
        yield Old(Path(f"{n}.mcap"), written_s=n * DAY_S, bytes=1_000_000_000)


def test_the_oldest_go_until_the_rest_is_within_the_size() -> None:
    """By hand: five logs of 1 GB, 3.5 GB to keep: the two oldest go."""
    chosen = choose(tuple(sizes()), 5 * DAY_S, None, 3.5)
    assert [one.goes for one in chosen] == [True, True, False, False, False]
    both = choose(tuple(sizes()), 5 * DAY_S, 1.5, 3.5)  # and those older than a day and a half
    assert [one.goes for one in both] == [True, True, True, True, False]
    assert not any(one.goes for one in choose(tuple(sizes()), 5 * DAY_S, None, None))


@given(
    st.lists(
        st.tuples(st.floats(-10.0, 100.0), st.integers(0, 10**10), st.booleans()), max_size=20
    ),
    st.one_of(st.none(), st.floats(0.0, 60.0)), st.one_of(st.none(), st.floats(0.0, 50.0)),
)  # fmt: skip
def test_no_rule_touches_what_must_stay(
    found: list[tuple[float, int, bool]], days: float | None, size: float | None
) -> None:
    olds = [
        Old(Path(f"{at}"), -age * DAY_S, count, "being written" if kept else "")
        for at, (age, count, kept) in enumerate(found)
    ]
    chosen = choose(olds, 0.0, days, size)
    assert sorted(str(one.old.path) for one in chosen) == sorted(str(one.path) for one in olds)
    for one in chosen:
        age = -one.old.written_s / DAY_S
        if one.goes:
            assert not one.old.keep
            assert age >= 0.0
        elif days is not None and not one.old.keep:
            assert age <= days


def test_a_log_of_another_header_is_listed_by_its_own_words(tmp_path: Path) -> None:
    rewrite(tmp_path / "old.mcap", iter(()), schema=1, versions={"linehold": "0.0.9"})
    os.utime(tmp_path / "old.mcap", (1.0, 1.0))
    result = logs("list", tmp_path)
    assert "use linehold 0.0.9" in result.stderr
    assert "no log of this version; it stays" in logs("thin", tmp_path, "--keep-days", 1).stdout
