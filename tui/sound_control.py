"""The dashboard's hold on the sound: volume and mute, and in words whether there is any.

The speaker is a process of its own; its orders are lines on its standard input, what it says is
lines on its standard output. Nothing here waits.
"""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import Protocol

END_S = 2.0  # the speaker has so long to close its player

VOLUME, MUTE, UNMUTE = "volume", "mute", "unmute"  # the orders


class SoundLike(Protocol):
    """What the dashboard needs of the sound."""

    @property
    def words(self) -> str:
        """'sound: aplay', or 'no sound: ...' and why; '' while it starts."""
        ...

    def set_volume(self, volume: float) -> None:
        """Of the cues, 0..1. The alarm keeps a floor. ValueError beyond that range."""
        ...

    def mute(self, on: bool) -> None:
        """The cues off or on. The alarm sounds all the same."""
        ...


class SpeakerProcess:
    """Starts `python -m tui.speaker` and owns it; it ends with its owner."""

    def __init__(
        self, link: Path, *, volume: float = 0.6, muted: bool = False, more: Sequence[str] = ()
    ) -> None:
        """more: further words of the command, such as --pin 18."""
        self._words = self._unread = ""
        command = [sys.executable, "-m", "tui.speaker", str(link), "--owned", f"--volume={volume}"]
        self._process: subprocess.Popen[bytes] | None = None
        try:
            self._process = subprocess.Popen(
                [*command, *(["--mute"] if muted else []), *more],
                stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
                bufsize=0, start_new_session=True,
            )  # fmt: skip
        except OSError as error:
            self._words = f"no sound: the speaker cannot be started ({error.strerror})"
            return
        for pipe in (self._process.stdin, self._process.stdout):
            assert pipe is not None
            os.set_blocking(pipe.fileno(), False)

    @property
    def words(self) -> str:
        """The last that the speaker said."""
        process = self._process
        if process is None:
            return self._words
        self._listen(process)
        if process.poll() is not None and not self._words.startswith("no sound"):
            self._words = "no sound: the speaker has ended"
        return self._words

    def set_volume(self, volume: float) -> None:
        if not 0.0 <= volume <= 1.0:
            raise ValueError(f"a volume lies between 0 and 1, not {volume:g}")
        self._order(f"{VOLUME} {volume:.3f}")

    def mute(self, on: bool) -> None:
        self._order(MUTE if on else UNMUTE)

    def close(self) -> None:
        """End the speaker; it has END_S to do so."""
        process = self._process
        if process is None:
            return
        assert process.stdin is not None
        assert process.stdout is not None
        with suppress(OSError):
            process.stdin.close()
        try:
            process.wait(END_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
        process.stdout.close()
        self._process, self._words = None, "no sound: it was closed"

    def _order(self, line: str) -> None:
        """A line of a few letters goes whole or not at all."""
        if self._process is None or self._process.stdin is None:
            return
        try:
            os.write(self._process.stdin.fileno(), f"{line}\n".encode())
        except OSError:
            if self._process.poll() is None:
                self._words = "no sound: the speaker does not listen"

    def _listen(self, process: subprocess.Popen[bytes]) -> None:
        assert process.stdout is not None
        with suppress(OSError):
            self._unread += os.read(process.stdout.fileno(), 4096).decode("utf-8", "replace")
        *lines, self._unread = self._unread.split("\n")
        if lines:
            self._words = lines[-1]
