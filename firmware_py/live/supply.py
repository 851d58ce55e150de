"""What a Raspberry Pi's firmware says of its supply and its heat, in words. For the keeper alone.

The bits of `get_throttled`, from the maker's documentation of vcgencmd: 0 the supply is low, 1 the
processor's frequency is capped, 2 it is throttled, 3 its soft temperature limit is active; 16 to
19 say that the same has happened since the start.
"""

from __future__ import annotations

import subprocess
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Protocol

from firmware_py.live.host import SYSTEM, power

WORDS = (  # by bit
    "the supply voltage {is_} low",
    "the processor's speed {is_} capped",
    "the processor {is_} throttled",
    "the processor {is_} at its soft temperature limit",
)
SINCE = 16  # the bit from which on they speak of the past
FILES = (
    "devices/platform/*/*:firmware/get_throttled"  # hexadecimal; soc:firmware, on a Pi 5 soc@...
)
COMMAND = ("vcgencmd", "get_throttled")  # where the kernel has no such file; needs /dev/vcio
SUPPLY, HEAT = "Check its supply and cable.", "Check its cooling."


def bits_of(text: str) -> int | None:
    """'50005' of the file or 'throttled=0x50005' of the command; None when it is neither."""
    with suppress(ValueError):
        found = int(text.strip().rpartition("=")[2], 16)
        return found if 0 <= found < 1 << 32 else None
    return None


def in_words(bits: int) -> str:
    """Sentences on what is wrong now, and what was since the start; '' when nothing is or was."""
    now = _named(bits, "is")
    before = _named(bits >> SINCE & ~bits, "was")
    told = []
    if now:
        told.append(f"Computer: {now}. {_advice(bits)}")
    if before:
        told.append(f"Since it started {before}. {'' if now else _advice(bits >> SINCE)}")
    return " ".join(told).strip()


def _named(bits: int, is_: str) -> str:
    found = [words.format(is_=is_) for bit, words in enumerate(WORDS) if bits >> bit & 1]
    return ", ".join(found)


def _advice(bits: int) -> str:
    """A low supply throttles too: then heat is not the first thing to look at."""
    return SUPPLY if bits & 1 else HEAT


class Running(Protocol):
    """A command under way, as subprocess.Popen is."""

    def poll(self) -> int | None: ...

    def communicate(self) -> tuple[str, str]: ...


def start_command(command: Sequence[str]) -> Running:
    """Start it and do not wait. FileNotFoundError where it is not installed."""
    return subprocess.Popen(
        command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
        text=True,
    )  # fmt: skip


class Supply:
    """`look` every few seconds; nothing in it waits: a command's answer is read the next time."""

    def __init__(
        self, system: Path = SYSTEM, begin: Callable[[Sequence[str]], Running] = start_command
    ) -> None:
        self._system, self._begin = system, begin
        self._files = sorted(system.glob(FILES))
        self._running: Running | None = None
        self._there = self._is_pi()
        self.bits: int | None = None  # the last that were told

    def _is_pi(self) -> bool:
        """By the device tree: elsewhere a command of that name would be something else."""
        with suppress(OSError):
            model = self._system / "firmware/devicetree/base/model"
            return "Raspberry Pi" in model.read_text(encoding="ascii", errors="replace")
        return False

    def look(self) -> str:
        """'' when all is well or nothing is known, else what is wrong."""
        bits = self._from_file() if self._files else self._from_command()
        self.bits = self.bits if bits is None else bits
        low = power(self._system)  # the kernel's own alarm, where the firmware tells no bits
        if self.bits is None or (low and not self.bits & 1):
            return " ".join(filter(None, (low, in_words(self.bits or 0))))
        return in_words(self.bits)

    def _from_file(self) -> int | None:
        for file in self._files:
            with suppress(OSError):
                return bits_of(file.read_text(encoding="ascii", errors="replace"))
        return None

    def _from_command(self) -> int | None:
        """The answer to the command begun at an earlier look, and the next one begun."""
        found = None
        if self._running is not None:
            if self._running.poll() is None:
                return None
            found = bits_of(self._running.communicate()[0])
            self._running = None
        if self._there:
            try:
                self._running = self._begin(COMMAND)
            except OSError:
                self._there = False
        return found
