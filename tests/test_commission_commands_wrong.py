"""Commissioning commands that must store nothing: bad input, refusals, surprises, a stop."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from drivers.samples import AnySample, ValveCommand
from firmware_py.commands import cli
from firmware_py.commission.estimate import Surprise
from firmware_py.commission.procedure import Given, Next, Steps, until_said
from firmware_py.commission.runner import LiveBench, SimulatedBench, Stopped, play
from firmware_py.settings_file import find_rig


def run(store: Path, *words: str, said: str = "") -> Result:
    return CliRunner().invoke(cli, [*words, "--store", str(store)], input=said)


def nothing(store: Path) -> bool:
    return not list(store.rglob("*.json"))


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("tilt", "--rig", "nowhere"), "no such rig file"),
        (("tilt", "--stand", "1"), '"1" is out of range; 2 to 120 is right'),
        (("tilt", "--seed", "x"), '"x" is not a whole number'),
        (("bar", "--bar", "right"), "the right end has no bar; left is right"),
        (("bar", "--bar", "middle"), "'middle' is not one of"),
        (("tune", "--gain", "4"), "--gain and --integral go together"),
        (("tune", "--gain", "40", "--integral", "2"), "0.1 to 25"),
        (("tune", "--trial", "5"), "10 to 200, or 0 for no trial, is right"),
        (("check", "slope", "--within", "9"), "0.01 to 1 is right"),
        (("check", "string", "--clearance", "20"), "200 to 1500 is right"),
        (("check", "slope", "--wrong"), "no option --wrong"),
        (("budget", "--speed", "-1"), "0 to 2 is right"),
        (("check", "--pins", "1"), "5 to 300 is right"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, tuple) else "",
)
def test_bad_input_is_one_sentence_and_two(
    tmp_path: Path, words: tuple[str, ...], told: str
) -> None:
    result = run(tmp_path, *words)
    assert result.exit_code == 2, result.output
    assert told in result.output
    assert "Traceback" not in result.output
    assert nothing(tmp_path)


@pytest.mark.parametrize("said", ["no", "y", "Yes", ""])
def test_valves_move_on_nothing_but_yes(tmp_path: Path, said: str) -> None:
    result = run(tmp_path, "valves", said=f"1200\n{said}\n")
    assert result.exit_code == 1
    assert "Not confirmed; nothing was moved." in result.output
    assert "Moving" not in result.output
    assert nothing(tmp_path)


def test_no_answer_is_a_stop(tmp_path: Path) -> None:
    result = run(tmp_path, "tilt", said="\n")
    assert result.exit_code == 1
    assert "No answer came; nothing was stored." in result.output
    assert nothing(tmp_path)


def test_a_number_is_asked_for_again_until_it_is_one(tmp_path: Path) -> None:
    result = run(tmp_path, "bar", said="abc\nnan\n99\n450\n452\n")
    assert result.output.count("a number from 100 to 3000 is") == 3
    assert "nearer at one end of the bar; at most 1.5 mm is right" in result.output
    assert result.exit_code == 1
    assert nothing(tmp_path)


def test_tune_wants_a_map_and_refuses_what_is_too_strong(tmp_path: Path) -> None:
    result = run(tmp_path, "tune")
    assert result.exit_code == 1
    assert "no valve map in force: linehold valves" in result.output


ON_OFF_OUTPUTS = """[valves]
kind = "pca9685"
lease = "relay"
relay_pin = 25
left = { output = "on-off", raise_channel = 0, lower_channel = 1 }
right = { output = "on-off", raise_channel = 2, lower_channel = 3 }
"""


@pytest.mark.parametrize(
    ("old", "new", "words", "told"),
    [
        ("[valves]", ON_OFF_OUTPUTS, "valves", "set pulsed = true in [valves]"),
        ('kind = "dry-run"', 'kind = "dry-run"', "valves", "a dry run"),
    ],
    ids=["on/off outputs led as proportional ones", "dry run"],
)
def test_valves_that_have_no_map(tmp_path: Path, old: str, new: str, words: str, told: str) -> None:
    text = find_rig("reference").read_text(encoding="utf-8")
    if "dry-run" in old:
        text = text.replace("[valves]", '[valves]\nkind = "dry-run"')
    rig = tmp_path / "rig.toml"
    rig.write_text(text.replace(old, new), encoding="utf-8")
    result = run(tmp_path, words, "--rig", str(rig))
    assert result.exit_code == 1, result.output
    assert told in result.output


def test_a_rig_without_valves(tmp_path: Path) -> None:
    result = run(tmp_path, "valves", "--rig", "cue-only")
    assert result.exit_code == 1
    assert "has no valves; add [valves]" in result.output


def test_a_spoilt_result_is_told_with_its_file(tmp_path: Path) -> None:
    path = tmp_path / "reference" / "tilt.json"
    path.parent.mkdir()
    path.write_text("{", encoding="utf-8")
    result = CliRunner().invoke(cli, ["run", "--headless", "--for", "1", "--store", str(tmp_path)])
    assert result.exit_code == 2
    assert f"{path} is no stored result" in result.output
    assert "take that file away, and do what it was of again" in result.output


def test_a_run_that_needs_results_is_refused_with_all_reasons(tmp_path: Path) -> None:
    rig = tmp_path / "rig.toml"
    text = find_rig("reference").read_text(encoding="utf-8")
    rig.write_text(text + "\n[calibration]\nrequired = true\n", encoding="utf-8")
    words = ["run", "--rig", str(rig), "--headless", "--for", "1", "--store", str(tmp_path)]
    result = CliRunner().invoke(cli, [*words, "--log", str(tmp_path / "out")])
    assert result.exit_code == 2
    assert result.output.count("do it first") == 6
    assert not (tmp_path / "out").exists()


class Wire:
    """A rig that gives nothing and remembers its commands."""

    def __init__(self) -> None:
        self.written: list[ValveCommand] = []
        self.reading: float | None = None

    def read(self, now_s: float) -> Sequence[AnySample]:
        return ()

    def write(self, command: ValveCommand) -> None:
        self.written.append(command)

    def close(self) -> None:
        pass

    def act(self, name: str, at: tuple[float, ...]) -> float:
        return 0.0

    def finish(self) -> None:
        pass


class Person:
    """Says yes; at a certain tick does something else."""

    def __init__(self, at: int = 0, act: BaseException | None = None) -> None:
        self.left, self.act = at, act
        self.polled = 0

    def ask(self, asked: Next, offer: float | None) -> str:
        return "yes"

    def begin(self, asked: Next) -> None:
        pass

    def poll(self, asked: Next | None) -> str | None:
        self.polled += 1
        if self.act is not None and self.polled > self.left:
            raise self.act
        return "yes" if asked is not None else None


def moving(ticks: int) -> Steps[str]:
    yield from until_said("Sure?", "confirm")
    given: Given
    for _ in range(ticks):
        given = yield Next("Moving.", valves=(0.4, 0.0), moves=True)
        assert given.said is None
    return "done"


class Clock:
    """Time passes by sleeping alone."""

    def __init__(self) -> None:
        self.now = 5.0

    def __call__(self) -> float:
        return self.now

    def sleep(self, seconds: float) -> None:
        self.now += seconds


@pytest.mark.parametrize("act", [KeyboardInterrupt(), Stopped("stop")], ids=["interrupt", "line"])
def test_a_stop_in_the_midst_of_a_move_leaves_neutral_valves(act: BaseException) -> None:
    """In real time: a Ctrl-C, or a line that nobody asked for."""
    wire, clock = Wire(), Clock()
    bench = LiveBench(wire, Person(20, act), clock, clock.sleep)
    with pytest.raises(type(act)):
        play(moving(100), bench)
    assert any(command.left == 0.4 for command in wire.written)
    assert (wire.written[-1].left, wire.written[-1].right) == (0.0, 0.0)


def test_a_live_bench_keeps_its_ticks_and_writes_in_the_same_one() -> None:
    wire, clock = Wire(), Clock()
    bench = LiveBench(wire, Person(), clock, clock.sleep)
    assert play(moving(30), bench) == "done"
    times = [command.time_s for command in wire.written[:-1]]
    steps = {round(b - a, 6) for a, b in pairwise(times)}
    assert steps == {0.01}
    assert wire.written[-1].left == 0.0


def test_a_late_live_bench_is_a_surprise_while_moving() -> None:
    """A tick of 0.2 s: nobody was watching."""
    wire, clock = Wire(), Clock()

    def sleep(seconds: float) -> None:
        clock.now += seconds + (0.2 if len(wire.written) == 10 else 0.0)

    with pytest.raises(Surprise, match="without a look at the machine"):
        play(moving(30), LiveBench(wire, Person(), clock, sleep))
    assert wire.written[-1].left == 0.0


def test_a_simulated_bench_stands_still_while_the_person_thinks() -> None:
    wire = Wire()
    assert play(moving(5), SimulatedBench(wire, Person())) == "done"
    assert [command.left for command in wire.written] == [0.4] * 5 + [0.0] * 2
