"""The reader of files: other models than the rig, files that are none, and the bundled rigs."""

from __future__ import annotations

import os
import pickle
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, ClassVar, Literal

import pytest
from pydantic import BaseModel, Field, model_validator

from firmware_py.errors import FileFault, LineholdError
from firmware_py.messages import Guide, Side
from firmware_py.schema import Check, Crossed, Part, View
from firmware_py.settings import Rig
from firmware_py.settings_file import (
    MAX_BYTES,
    bundled_rigs,
    find_rig,
    load_model,
    load_rig,
    parse,
)

RIG = """\
name = "test"
blade = {width_mm = 1800, ahead_mm = 1200}
[bars.left]
device = "bar.left"
spacing_mm = 75
[inertial]
device = "inertial"
rate_hz = 200
[air]
device = "air"
[motion]
device = "motion"
[driver]
device = "driver"
[limits]
[gate]
near_mm = 25
[left]
guide = "string"
[right]
guide = "fall"
[control]
crossfall_pct = 2
"""


def faults(text: str, model: type[BaseModel] = Rig, checks: tuple[Check, ...] = ()) -> list[str]:
    """The faults of a text, one line each, without the file's name."""
    try:
        parse(text, "t", model, checks)
    except FileFault as error:
        return [line.removeprefix("t:") for line in str(error).splitlines()]
    return []


def test_faults_are_of_our_tree_and_of_pythons() -> None:
    with pytest.raises(FileFault) as caught:
        parse("a = ", "rig.toml", Rig)
    assert isinstance(caught.value, LineholdError)
    assert isinstance(caught.value, ValueError)
    assert pickle.loads(pickle.dumps(caught.value)).faults == caught.value.faults


class Leg(Part):
    length_m: Annotated[float, Field(gt=0, lt=100)]
    weights: tuple[float, ...] = ()
    guides: dict[Annotated[Side, Field(strict=False)], Guide] = Field(default={})


def _long_enough(trial: View) -> Iterator[Crossed]:
    for seeds in trial.known("seeds"):
        if len(seeds) > 2:
            yield Crossed(("seeds",), "two seeds at most")


class Plan(Part):
    """Shaped like a trial file: tables in lists, numbers in lists, unions."""

    legs: list[Leg] = Field(min_length=1)
    seeds: list[Annotated[int, Field(ge=0)]] = Field(default=[])
    speed: float | Literal["slow"] = "slow"
    checks: ClassVar[tuple[Check, ...]] = (_long_enough,)


def test_a_file_with_lists_of_tables_is_read_and_its_faults_are_placed() -> None:
    good = '[[legs]]\nlength_m = 5\nweights = [1, 2.5]\nguides = {left = "by hand"}\n'
    plan = parse("speed = 2\n" + good, "t", Plan)
    assert plan.speed == 2
    assert plan.legs[0].weights == (1.0, 2.5)
    assert plan.legs[0].guides == {Side.LEFT: Guide.BY_HAND}
    bad = "seeds = [1,\n -1]\nspeed = 'fast'\n" + good + "[[legs]]\nweights = [1,\n true]\n"
    assert faults(bad, Plan) == [
        "2: seeds[2]: -1 is out of range; at least 0 is right",
        '3: speed: "fast" is not a choice; a number or "slow" is right',
        "8: legs[2].length_m: missing; a number, above 0 and below 100 is right",
        "10: legs[2].weights[2]: true is the wrong type; a number is right",
    ]
    assert faults("seeds = [1, 2, 3]\n" + good, Plan) == ["1: seeds: two seeds at most"]
    assert faults("legs = []", Plan) == [
        "1: legs: a list is out of range; at least 1 long is right"
    ]


def test_checks_of_the_callers_are_run_too() -> None:
    def _slow(plan: View) -> Iterator[Crossed]:
        if plan.known("speed") == [2]:
            yield Crossed(("missing.key", "speed"), "too fast")

    text = "speed = 2\n[[legs]]\nlength_m = 5\n"
    assert faults(text, Plan, (_slow,)) == ["1: speed: too fast"]
    assert faults(text + "x = 1", Plan, (_slow,))[0] == "1: speed: too fast"


class Strange(BaseModel):
    """Somebody else's model: not strict by itself, with a validator that we do not know."""

    low: int = 0
    high: int = 1

    @model_validator(mode="after")
    def _order(self) -> Strange:
        if self.low > self.high:
            raise ValueError("low is above high")
        return self


def test_the_models_of_others_are_read_strictly_and_told_in_their_words() -> None:
    assert faults("low = 2", Strange) == ["1: low is above high"]
    assert faults('low = "0"', Strange) == [
        '1: low: "0" is the wrong type; a whole number is right'
    ]


def test_text_that_is_nested_beyond_reason_is_a_fault() -> None:
    text = RIG.replace('"test"', "[" * 30 + "]" * 30)
    deep = [line for line in faults(text) if line.startswith("1: ")][-1]
    assert deep.startswith("1: name[1]")
    assert deep.endswith("nested too deeply")
    assert "nested too deeply" in str(faults("x = " + "[" * 100_000 + "]" * 100_000))


@pytest.mark.parametrize("name", bundled_rigs())
def test_bundled_rigs_load_under_their_own_names(name: str) -> None:
    rig = load_rig(find_rig(name))
    assert rig.name == name
    assert Rig.model_validate_json(rig.model_dump_json()) == rig


def test_the_bundled_rigs_are_what_their_names_say() -> None:
    assert bundled_rigs() == ("cue-only", "modest", "reference", "surface", "two-bars")
    rigs = {name: load_rig(find_rig(name)) for name in bundled_rigs()}
    assert rigs["cue-only"].valves is None
    assert rigs["modest"].bars[Side.LEFT].echoes == 1
    assert set(rigs["two-bars"].bars) == {Side.LEFT, Side.RIGHT}
    assert rigs["surface"].bars[Side.LEFT].turned


def test_a_rig_is_found_by_name_or_by_path(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(RIG)
    assert find_rig(str(path)) == path
    assert load_model(path, Rig).name == "test"
    with pytest.raises(FileFault, match=r"no such rig file; .*modest.*did you mean modest\?"):
        find_rig("modst")


def test_files_that_cannot_be_read_are_told_in_one_sentence(tmp_path: Path) -> None:
    (tmp_path / "latin").write_bytes(b'name = "caf\xe9"')
    (tmp_path / "big").write_bytes(b"#" * (MAX_BYTES + 1))
    (tmp_path / "just").write_bytes(b"#" * MAX_BYTES)
    os.mkfifo(tmp_path / "pipe")
    for name, words in {
        "absent": "cannot be read: No such file or directory",
        "latin": "cannot be read: byte 11 is not UTF-8 text",
        "big": f"larger than {MAX_BYTES} bytes",
        "pipe": "not a plain file",
        ".": "not a plain file",
        "nul\0": "cannot be read: ",
    }.items():
        with pytest.raises(FileFault, match=words) as caught:
            load_rig(tmp_path / name)
        assert len(caught.value.faults) == 1
    with pytest.raises(FileFault, match="name: missing"):
        load_rig(tmp_path / "just")


def test_a_byte_order_mark_and_windows_line_ends_do_no_harm(tmp_path: Path) -> None:
    path = tmp_path / "windows.toml"
    path.write_bytes(b"\xef\xbb\xbf" + RIG.replace("\n", "\r\n").encode())
    assert load_rig(path).name == "test"
    path.write_bytes(RIG.replace("= 75", "= 900").replace("\n", "\r\n").encode())
    with pytest.raises(FileFault, match=r":5: bars\.left\.spacing_mm: 900 is out"):
        load_rig(path)
