"""The firmware's bits of supply and heat: from the kernel's file or the command, into words.

Bits: the maker's documentation of vcgencmd get_throttled. File: hexadecimal without a prefix
(Linux of the Raspberry Pi, drivers/firmware/raspberrypi.c, "%x"). Command: throttled=0x50005.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from firmware_py.live.host import LOW
from firmware_py.live.supply import COMMAND, HEAT, SUPPLY, WORDS, Supply, bits_of, in_words

FILE = "devices/platform/soc/soc:firmware/get_throttled"
FILE_PI5 = "devices/platform/soc@107c000000/soc@107c000000:firmware/get_throttled"


def put(system: Path, name: str, text: str) -> None:
    path = system / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="ascii")


def test_the_published_examples() -> None:
    """0x50005: low and throttled, now and before; 0x50000: only before; 0x80008: hot."""
    assert bits_of("throttled=0x50005\n") == bits_of("50005\n") == 0x50005
    now = "Computer: the supply voltage is low, the processor is throttled."
    assert in_words(0x50005) == f"{now} {SUPPLY}"
    before = "Since it started the supply voltage was low, the processor was throttled."
    assert in_words(0x50000) == f"{before} {SUPPLY}"
    assert in_words(0x80008) == (
        f"Computer: the processor is at its soft temperature limit. {HEAT}"
    )
    assert in_words(0) == ""


@pytest.mark.parametrize(
    ("bit", "word"), [(0, "voltage"), (1, "capped"), (2, "throttled"), (3, "temperature")]
)
def test_each_bit_has_its_words_now_and_before(bit: int, word: str) -> None:
    assert word in in_words(1 << bit)
    assert " is " in in_words(1 << bit)
    assert word in in_words(1 << bit + 16)
    assert " was " in in_words(1 << bit + 16)
    assert word not in in_words(0xF000F & ~(1 << bit | 1 << bit + 16)).replace(HEAT, "")


@given(st.integers(0, 2**32 - 1))
def test_words_come_with_the_known_bits_and_only_with_them(bits: int) -> None:
    assert bool(in_words(bits)) == bool(bits & 0xF000F)
    assert bits_of(f"{bits:x}\n") == bits_of(f"throttled={bits:#x}") == bits


@pytest.mark.parametrize("text", ["", "error=1 error_msg=Command not registered", "-1", "1" * 9])
def test_what_is_no_answer_is_not_known(text: str) -> None:
    assert bits_of(text) is None


@pytest.mark.parametrize("name", [FILE, FILE_PI5])
def test_the_kernels_file(tmp_path: Path, name: str) -> None:
    put(tmp_path, name, "50005\n")
    supply = Supply(tmp_path)
    assert supply.look() == in_words(0x50005)
    put(tmp_path, name, "50000\n")
    assert supply.look() == in_words(0x50000)
    (tmp_path / name).unlink()
    assert supply.look() == in_words(0x50000)  # the last that was told
    assert supply.bits == 0x50000


class Command:
    """Stands in for vcgencmd: `done` once it has answered."""

    def __init__(self) -> None:
        self.begun = 0
        self.done, self.text = False, ""

    def __call__(self, command: Sequence[str]) -> Command:
        assert command == COMMAND
        self.begun += 1
        self.done = False
        return self

    def poll(self) -> int | None:
        return 0 if self.done else None

    def communicate(self) -> tuple[str, str]:
        assert self.done, "it would have been waited for"
        return self.text, ""


def test_where_there_is_no_file_the_command_is_asked_and_never_waited_for(tmp_path: Path) -> None:
    put(tmp_path, "firmware/devicetree/base/model", "Raspberry Pi 5 Model B Rev 1.0\0")
    command = Command()
    supply = Supply(tmp_path, command)
    assert [supply.look() for _ in range(3)] == [""] * 3
    assert command.begun == 1  # one at a time, however long it takes
    command.done, command.text = True, "throttled=0x20002\n"
    assert supply.look() == in_words(0x20002)
    assert command.begun == 2
    assert supply.look() == in_words(0x20002)


def test_where_it_is_no_raspberry_pi_or_has_no_command_nothing_is_known(tmp_path: Path) -> None:
    def absent(_: Sequence[str]) -> Command:
        raise FileNotFoundError("vcgencmd")

    command = Command()
    assert Supply(tmp_path, command).look() == ""
    assert command.begun == 0
    put(tmp_path, "firmware/devicetree/base/model", "Raspberry Pi 4 Model B Rev 1.4\0")
    supply = Supply(tmp_path, absent)
    assert [supply.look(), supply.look()] == ["", ""]


def test_the_kernels_own_alarm_counts_where_the_bits_do_not_say_it(tmp_path: Path) -> None:
    put(tmp_path, "class/hwmon/hwmon1/name", "rpi_volt\n")
    put(tmp_path, "class/hwmon/hwmon1/in0_lcrit_alarm", "1\n")
    supply = Supply(tmp_path)
    assert supply.look() == LOW
    put(tmp_path, FILE, "8\n")
    assert Supply(tmp_path).look() == f"{LOW} {in_words(8)}"
    put(tmp_path, FILE, "1\n")
    assert Supply(tmp_path).look() == in_words(1)  # said once


def test_there_are_words_for_four_bits() -> None:
    assert len(WORDS) == 4
