"""Tables of range bars: what every bar is, and what each kind of element needs beside that."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, ClassVar, Literal

from pydantic import Field, Tag

from firmware_py.schema import Check, Crossed, Part, View
from firmware_py.settings_kinds import (
    BY_KIND,
    Address,
    Baud,
    BusName,
    DeviceName,
    PathName,
    by_place,
    one_or_many,
)

UNIT_MM = {"mm": 1.0, "cm": 10.0}


def _reach(bar: View) -> Iterator[Crossed]:
    match bar.known("reach_near_mm", "reach_far_mm"):
        case [near, far] if near >= far:
            words = f"{near:g} is not below reach_far_mm, {far:g}"
            yield Crossed(("reach_near_mm", "reach_far_mm"), words)


def _reflector(bar: View) -> Iterator[Crossed]:
    match bar.known("reflector_mm", "reflector_element"):
        case [_, None] | [None, _] as pair if pair != [None, None]:
            words = "reflector_mm and reflector_element go together; give both or neither"
            yield Crossed(("reflector_mm", "reflector_element"), words)
    match bar.known("reflector_element", "elements"):
        case [int(element), elements] if element >= elements:
            words = f"{element} names no element; 0 to {elements - 1} is right"
            yield Crossed(("reflector_element", "elements"), words)


def _each(key: str, what: str) -> Check:
    """One of a list for each element, none twice."""

    def check(bar: View) -> Iterator[Crossed]:
        match bar.known(key, "elements"):
            case [list(given), elements] if len(given) != elements:
                words = f"{len(given)} for {elements} elements; one {what} each is right"
                yield Crossed((key, "elements"), words)
        for given in bar.known(key):
            twice = next((one for one in given if given.count(one) > 1), None)
            if twice is not None:
                told = f"0x{twice:02X}" if isinstance(twice, int) else twice
                yield Crossed((key,), f"{told} is named twice; each element has its own {what}")

    return check


def _order(bar: View) -> Iterator[Crossed]:
    match bar.known("order", "elements"):
        case [list(order), elements] if sorted(order) != list(range(elements)):
            words = f"{order} must name each of the elements 0 to {elements - 1} once"
            yield Crossed(("order",), words)
    match bar.known("order", "trigger"):
        case [list(), "free"]:
            words = 'elements that run free have no order; trigger = "byte" or "release" is right'
            yield Crossed(("order", "trigger"), words)


def _frame(bar: View) -> Iterator[Crossed]:
    """A frame takes as long as its firings do: what the controller believes of it must fit."""
    free = bar.get("trigger") == "free"
    match bar.known("frame_ms", "elements", "pause_ms", "period_ms"):
        case [frame, elements, pause, period]:
            least = period if free else max(elements * pause, period)
            if frame < least:
                words = f"{frame:g} is faster than the elements; {least:g} or more is right"
                yield Crossed(("frame_ms", "period_ms", "pause_ms"), words)


def _step(bar: View) -> Iterator[Crossed]:
    match bar.known("unit", "step_mm"):
        case [unit, step] if step < UNIT_MM[unit]:
            words = f"a step_mm of {step:g} is finer than {unit}; {UNIT_MM[unit]:g} is right"
            yield Crossed(("step_mm", "unit"), words)


def _ports(bar: View) -> Iterator[Crossed]:
    for ports in bar.known("ports"):
        yield from by_place("ports", ports)


class Bar(Part):
    """One bar of range elements beyond a blade end."""

    device: DeviceName
    elements: int = Field(default=5, ge=3, le=9)
    spacing_mm: float = Field(default=75, ge=20, le=300)
    outside_mm: float = Field(default=300, ge=0, le=1500, description="middle, off the blade end")
    ahead_mm: float = Field(default=0, ge=-2000, le=2000, description="middle, ahead of the edge")
    above_mm: float = Field(default=750, ge=100, le=3000, description="bar above the cutting edge")
    turned: bool = Field(default=False, description="elements stand along travel, for a surface")
    echoes: Annotated[int, one_or_many(8)] = Field(
        default=3, ge=1, le=8, description="echoes that one firing can report"
    )
    reach_near_mm: float = Field(default=200, ge=20, le=2000)
    reach_far_mm: float = Field(default=1500, ge=200, le=8000)
    beam_half_angle_deg: float = Field(default=12, ge=2, le=45)
    noise_mm: float = Field(default=1.0, ge=0.1, le=20, description="1 sigma at 600 mm")
    step_mm: float = Field(default=1.0, ge=0.01, le=20, description="quantisation of a range")
    frame_ms: float = Field(default=40, ge=5, le=1000, description="one firing of every element")
    latency_ms: float = Field(default=20, ge=0, le=200)
    reflector_mm: float | None = Field(default=None, ge=50, le=2000, description="fixed target")
    reflector_element: int | None = Field(default=None, ge=0, le=8)

    checks: ClassVar[tuple[Check, ...]] = (_reach, _reflector)


class SimulatedBar(Bar):
    """A bar of the simulated rig."""

    kind: Literal["simulated"] = "simulated"


class BoughtBar(Bar):
    """What every bar of bought elements states beside its place."""

    frame_ms: float = Field(default=150, ge=5, le=1000, description="one firing of every element")
    sound_mps: float = Field(
        default=344.8, ge=300, le=380, description="that the element takes sound to travel"
    )
    blind_mm: float = Field(default=0, ge=0, le=1000, description="readings up to here are none")
    nothing_mm: float = Field(
        default=5000, ge=200, le=12000, description="readings from here on mean: nothing heard"
    )
    period_ms: float = Field(
        default=100,
        ge=5,
        le=1000,
        description="an element's shortest; its own when it runs free",
    )
    spread_ms: float = Field(default=0, ge=0, le=100, description="how far the latency varies")
    answer_ms: float = Field(
        default=200, ge=10, le=2000, description="a firing without an answer by then has none"
    )
    order: list[int] | None = Field(default=None, description="of firing; left out: 0, 1, 2, ...")
    pause_ms: float = Field(default=25, ge=1, le=500, description="from firing to firing, at least")


class UartBar(BoughtBar):
    """What bars of serial elements share."""

    unit: Literal["mm", "cm"] = Field(description="of the element's numbers; it differs by model")
    ports: list[PathName] = Field(description="one an element, from element 0 on, by their place")
    baud: Baud = Field(default=9600)
    trigger: Literal["free", "byte", "release"] = Field(
        default="free", description="it ranges by itself, or by a byte, or by its input let go"
    )
    trigger_byte: int = Field(default=0x55, ge=0, le=255, description='for trigger = "byte"')
    echoes: Annotated[int, one_or_many(1)] = Field(
        default=1, ge=1, le=1, description="these report one echo"
    )
    latency_ms: float = Field(default=20, ge=0, le=200, description="from firing to the last byte")

    checks = (*Bar.checks, _each("ports", "port"), _ports, _order, _frame, _step)


class UartAsciiBar(UartBar):
    """Elements that say "R", digits and a carriage return."""

    kind: Literal["uart-ascii"]
    digits: int = Field(default=4, ge=3, le=5, description="of a frame")


class UartBinaryBar(UartBar):
    """Elements that say 0xFF, high, low, sum."""

    kind: Literal["uart-binary"]


class I2cBar(BoughtBar):
    """Elements that are fired by a command and give two bytes."""

    kind: Literal["i2c"]
    unit: Literal["mm", "cm"] = Field(description="of the element's numbers; it differs by model")
    bus: BusName = Field(default="/dev/i2c-1")
    addresses: list[Address] = Field(description="7 bits, one an element, from element 0 on")
    wait_ms: float = Field(default=80, ge=1, le=500, description="from firing until it is asked")
    blind_mm: float = Field(default=200, ge=0, le=1000, description="readings up to here are none")
    nothing_mm: float = Field(
        default=7650, ge=200, le=12000, description="readings from here on mean: nothing heard"
    )
    echoes: Annotated[int, one_or_many(1)] = Field(
        default=1, ge=1, le=1, description="these report one echo"
    )

    checks = (*Bar.checks, _each("addresses", "address"), _order, _frame, _step)


class I2cRegistersBar(BoughtBar):
    """Elements with registers: several echoes, in microseconds of flight, and a far gate."""

    kind: Literal["i2c-registers"]
    bus: BusName = Field(default="/dev/i2c-1")
    addresses: list[Address] = Field(description="7 bits, one an element, from element 0 on")
    wait_ms: float = Field(default=65, ge=1, le=500, description="from firing until it is asked")
    gain: int | None = Field(default=None, ge=0, le=31, description="left out: the chip's own")

    checks = (*Bar.checks, _each("addresses", "address"), _order, _frame)


class BoardBar(Bar):
    """The elements of a companion board."""

    kind: Literal["board"]
    on: DeviceName = Field(default="main", description="which of [boards]")
    elements: int = Field(default=5, ge=3, le=5)
    echoes: Annotated[int, one_or_many(4)] = Field(
        default=3, ge=1, le=4, description="echoes that one firing can report"
    )
    frame_ms: float = Field(default=125, ge=20, le=1000, description="one firing of every element")


AnyBar = Annotated[
    Annotated[SimulatedBar, Tag("simulated")]
    | Annotated[UartAsciiBar, Tag("uart-ascii")]
    | Annotated[UartBinaryBar, Tag("uart-binary")]
    | Annotated[I2cBar, Tag("i2c")]
    | Annotated[I2cRegistersBar, Tag("i2c-registers")]
    | Annotated[BoardBar, Tag("board")],
    BY_KIND,
]
