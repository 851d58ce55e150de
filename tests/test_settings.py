"""The rig's schema: every number holds its range on both sides, and crossed rigs are refused."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any, get_args

import pytest
from pydantic import BaseModel, ValidationError

from firmware_py.errors import Fault, FileFault
from firmware_py.messages import Guide, Side
from firmware_py.schema import Part
from firmware_py.settings import Gate, Rig
from firmware_py.settings_file import find_rig, load_rig, parse

ONE_VALVE = {"up_mm_s": 90, "down_mm_s": 120, "overlap_up_pct": 12, "overlap_down_pct": 13,
             "cylinder_mm": 600}  # fmt: skip
ELEMENTS = {"middle_mm": 600, "zero_mm": [0.5, -0.5, 0, 1, 2], "scale": [1, 1, 1.002, 1, 1]}
CALIBRATION = {
    "bars": {"left": ELEMENTS}, "valves": {"left": ONE_VALVE, "right": ONE_VALVE},
    "slope": {"temperature_c": 25},
}  # fmt: skip
TWO_BARS = Rig.model_validate(
    load_rig(find_rig("two-bars")).model_dump() | {"calibration": CALIBRATION}
)


def numbers(table: BaseModel, place: tuple[str, ...] = ()) -> Iterator[tuple[str, ...]]:
    """The places of all numbers of a rig, through its tables and optional fields."""
    for name, field in type(table).model_fields.items():
        kinds = [field.annotation, *get_args(field.annotation)]
        inside = getattr(table, name)
        if isinstance(inside, dict):
            yield from numbers(inside[Side.LEFT], (*place, name, "left")) if inside else ()
        elif isinstance(inside, Part):
            yield from numbers(inside, (*place, name))
        elif int in kinds or float in kinds:
            yield (*place, name)


def field_at(place: tuple[str, ...]) -> Any:
    owner: Any = TWO_BARS
    for part in place[:-1]:
        owner = owner[Side(part)] if isinstance(owner, dict) else getattr(owner, part)
    return type(owner).model_fields[place[-1]]


def bounds(place: tuple[str, ...]) -> tuple[float, float]:
    found = {name: value for limit in field_at(place).metadata for name, value in vars_of(limit)}
    return found["ge"], found["le"]


def vars_of(limit: Any) -> list[tuple[str, float]]:
    return [(name, getattr(limit, name)) for name in ("ge", "le") if hasattr(limit, name)]


def written(table: dict[str, Any], place: str = "") -> str:
    """A plain TOML text: the simple keys of a table, then its tables."""
    text, below = f"[{place}]\n" if place else "", ""
    for key, value in table.items():
        if isinstance(value, dict):
            below += written(value, f"{place}.{key}".strip("."))
        elif value is not None:
            shown = str(value).lower() if isinstance(value, bool) else repr(value)
            text += f"{key} = {shown}\n"
    return text + below


def faults_with(place: tuple[str, ...], value: float) -> list[Fault]:
    """The faults told of one key, with all else right."""
    data = TWO_BARS.model_dump(mode="json")
    table = data
    for part in place[:-1]:
        table = table[part]
    table[place[-1]] = value
    try:
        parse(written(data), "rig.toml", Rig)
    except FileFault as error:
        return [fault for fault in error.faults if fault.key == ".".join(place)]
    return []


PLACES = list(numbers(TWO_BARS))


def test_the_walk_through_the_schema_finds_the_numbers() -> None:
    assert len(PLACES) > 50
    assert ("bars", "left", "spacing_mm") in PLACES
    assert ("valves", "lag_ms") in PLACES


@pytest.mark.parametrize("place", PLACES, ids=".".join)
def test_a_number_is_taken_at_its_bounds_and_refused_beyond(place: tuple[str, ...]) -> None:
    low, high = bounds(place)
    whole = int in (field_at(place).annotation, *get_args(field_at(place).annotation))
    below, above = (
        (low - 1, high + 1)
        if whole
        else (math.nextafter(low, -math.inf), math.nextafter(high, math.inf))
    )
    for right in (low, high):
        assert not [fault for fault in faults_with(place, right) if "range" in fault.words]
    for wrong in (below, above):
        (fault,) = faults_with(place, wrong)
        assert fault.words.endswith(f"is out of range; {low:g} to {high:g} is right")


def test_defaults_lie_in_their_ranges_and_are_of_their_types() -> None:
    for place in PLACES:
        default = field_at(place).get_default()
        if isinstance(default, (int, float)):
            low, high = bounds(place)
            assert low <= default <= high
    assert isinstance(Gate().near_mm, float)


CROSSED: list[tuple[dict[str, Any], str]] = [
    ({"gate": {"near_mm": 500, "far_mm": 500}, "bars": {"left": {"reach_far_mm": 1000}}}, "wider"),
    ({"air": {"device": "bar.left"}}, "named twice"),
    ({"left": {"guide": "fall"}, "right": {"guide": "fall"}}, "both ends"),
    ({"control": {"crossfall_pct": 11}}, "beyond limits.crossfall_pct"),
    ({"control": {"crossfall_pct": -11}}, "beyond limits.crossfall_pct"),
    ({"limits": {"approach_mm_s": 61}}, "above limits.cap_mm_s"),
    ({"bars": {"left": {"reach_near_mm": 1500}}}, "not below reach_far_mm"),
    ({"bars": {"left": {"reflector_mm": 300}}}, "go together"),
    ({"bars": {"left": {"reflector_element": 1}}}, "go together"),
    ({"bars": {"left": {"reflector_mm": 300, "reflector_element": 5}}}, "names no element"),
    ({"bars": {"left": {"elements": 4}}}, "5 values for 4 elements"),
    ({"calibration": {"bars": {Side.LEFT: {"scale": [1, 1, 1]}}}}, "3 values for 5 elements"),
    ({"calibration": {"bars": {Side.LEFT: {"zero_mm": [0, 0, 0, 0, 51]}}}}, "or equal to 50"),
    ({"calibration": {"bars": {Side.LEFT: {"scale": [1, 1, 1, 1, 0.89]}}}}, "or equal to 0.9"),
    ({"valves": None}, "this rig has no valves"),
]
UNCROSSED: list[dict[str, Any]] = [
    {"gate": {"near_mm": 500, "far_mm": 500}, "bars": {"left": {"reach_far_mm": 1200}}},
    {"control": {"crossfall_pct": -10}},
    {"limits": {"approach_mm_s": 60}},
    {"bars": {"left": {"reach_near_mm": 1400}}},
    {"bars": {"left": {"reflector_mm": 300, "reflector_element": 4}}},
    {"left": {"guide": "fall"}, "right": {"guide": "hold"}},
]


def changed(table: dict[str, Any], changes: dict[str, Any]) -> dict[str, Any]:
    result = dict(table)
    for key, value in changes.items():
        result[key] = changed(table[key], value) if isinstance(value, dict) else value
    return result


@pytest.mark.parametrize(("changes", "words"), CROSSED)
def test_a_crossed_rig_made_in_python_is_refused(changes: dict[str, Any], words: str) -> None:
    with pytest.raises(ValidationError, match=words):
        Rig.model_validate(changed(TWO_BARS.model_dump(), changes))


@pytest.mark.parametrize("changes", UNCROSSED)
def test_limits_that_just_meet_are_not_crossed(changes: dict[str, Any]) -> None:
    Rig.model_validate(changed(TWO_BARS.model_dump(), changes))


@pytest.mark.parametrize(
    ("guide", "master", "words"),
    [("string", "left", r"right.guide: .* needs a bar"), ("fall", "right", r"has no bar")],
)
def test_what_needs_a_bar_is_refused_without_one(guide: str, master: str, words: str) -> None:
    data = changed(TWO_BARS.model_dump(), {"control": {"master": master}})
    data["bars"] = {Side.LEFT: data["bars"][Side.LEFT]}
    data["right"] = {"guide": guide}
    with pytest.raises(ValidationError, match=words):
        Rig.model_validate(data)


def test_a_rig_comes_back_from_its_own_json_the_same() -> None:
    back = Rig.model_validate_json(TWO_BARS.model_dump_json())
    assert back == TWO_BARS
    assert back.model_dump_json() == TWO_BARS.model_dump_json()
    assert back.bars[Side.RIGHT].device == "bar.right"
    assert back.end(Side.RIGHT).guide is Guide.EDGE


def test_one_valve_found_alone_is_refused() -> None:
    data = TWO_BARS.model_dump(mode="json")
    del data["calibration"]["valves"]["right"]
    with pytest.raises(FileFault, match="one valve alone"):
        parse(written(data), "rig.toml", Rig)


def test_elements_of_a_bar_that_is_not_there_are_refused() -> None:
    data = TWO_BARS.model_dump(mode="json")
    data["right"] = {"guide": "fall"}
    del data["bars"]["right"]
    data["calibration"]["bars"]["right"] = ELEMENTS
    with pytest.raises(FileFault, match=r"calibration.bars.right: the right end has no bar"):
        parse(written(data), "rig.toml", Rig)


def test_a_rig_cannot_be_changed() -> None:
    with pytest.raises(ValidationError, match="frozen"):
        TWO_BARS.gate = Gate()  # type: ignore[misc]
