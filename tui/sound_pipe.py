"""A player command in a process of its own, fed through a short pipe."""

from __future__ import annotations

import fcntl
import os
import re
import shutil
import struct
import subprocess
import termios
from collections.abc import Callable, Sequence
from contextlib import suppress

from tui.sound import Signal
from tui.sound_players import RATE, Voice, little

CHUNK = 441  # samples written at once: 20 ms
CHUNK_BYTES = 2 * CHUNK
AHEAD_BYTES = 2 * CHUNK_BYTES  # at most in the pipe: 40 ms
PIPE_BYTES = 4096  # one page, which bounds the pipe to 93 ms whatever happens
PLAYER_MS = 60  # of buffer asked of the player itself; with the pipe's 40 ms it makes 100 ms
STUCK_S = 1.0  # a player that takes nothing for so long has no sound
AGAIN_S = 3.0  # from the end of a player to the next try
LATE_S = 5.0  # an alarm that could not be played for so long says nothing any more
WORDS = 120  # letters of a player's own complaint that are repeated

Command = Callable[[str], list[str]]  # a device, '' for the default -> words of the command


def _aplay(device: str) -> list[str]:
    told = ["-D", device] if device else []
    kind = ["-q", "-t", "raw", "-f", "S16_LE", "-r", str(RATE), "-c", "1"]
    buffer = [f"--buffer-time={PLAYER_MS * 1000}", f"--period-time={PLAYER_MS * 1000 // 3}"]
    return ["aplay", *kind, *buffer, *told, "-"]


def _pacat(device: str) -> list[str]:
    told = [f"--device={device}"] if device else []
    kind = ["--playback", "--raw", "--format=s16le", f"--rate={RATE}", "--channels=1"]
    return ["pacat", *kind, f"--latency-msec={PLAYER_MS}", *told]


def _pw_cat(device: str) -> list[str]:
    told = [f"--target={device}"] if device else []
    kind = ["--playback", "--raw", "--format=s16", f"--rate={RATE}", "--channels=1"]
    return ["pw-cat", *kind, f"--latency={PLAYER_MS}ms", *told, "-"]


COMMANDS: tuple[tuple[str, Command], ...] = (
    ("aplay", _aplay),
    ("pacat", _pacat),
    ("pw-cat", _pw_cat),
)


def find_command(device: str = "") -> list[str] | None:
    """The first player command that is installed."""
    return next((make(device) for name, make in COMMANDS if shutil.which(name)), None)


class PipePlayer:
    """A player command in a process of its own, fed through a pipe as it asks for more.

    Its own pace sets how fast samples are made, so that no delay builds up between two clocks. A
    command that ends, or takes nothing, is started again every few seconds.
    """

    def __init__(self, command: Sequence[str]) -> None:
        self.words = ""
        self._command = list(command)
        self._voice = Voice()
        self._process: subprocess.Popen[bytes] | None = None
        self._try_s = 0.0
        self._taken_s = 0.0  # when it last took something
        self._begun_s = 0.0
        self._written = 0
        self._complaint = ""

    def begin(self, signal: Signal, now_s: float) -> None:
        if self._process is None:
            self.step(now_s)
        if self._process is not None or signal.urgent:
            self._voice.begin(signal)
            self._begun_s = now_s
        self.step(now_s)

    def step(self, now_s: float) -> None:
        if self._process is None:
            if now_s >= self._try_s:
                self._start(now_s)
            return
        ended = self._process.poll() is not None  # first: what it said last is then there to read
        self._listen(self._process)
        if ended:
            self._end(now_s, self._complaint or f"it ended with {self._process.returncode}")
        elif self._feed(self._process):
            self._taken_s = now_s
            if self._written > AHEAD_BYTES:  # more than fits: it does play
                self.words = f"sound: {self._command[0]}"
        elif now_s - self._taken_s > STUCK_S:
            self._end(now_s, "it takes no samples")

    def _start(self, now_s: float) -> None:
        self._try_s, self._taken_s, self._complaint = now_s + AGAIN_S, now_s, ""
        try:
            process = subprocess.Popen(
                self._command, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL,
                stderr=subprocess.PIPE, bufsize=0, start_new_session=True,
            )  # fmt: skip
        except OSError as error:
            self.words = f"no sound: {self._command[0]} cannot be started ({error.strerror})"
            return
        assert process.stdin is not None
        assert process.stderr is not None
        with suppress(OSError):  # a kernel that refuses leaves the pipe at AHEAD_BYTES all the same
            fcntl.fcntl(process.stdin.fileno(), fcntl.F_SETPIPE_SZ, PIPE_BYTES)
        os.set_blocking(process.stdin.fileno(), False)
        os.set_blocking(process.stderr.fileno(), False)
        self._process, self._written = process, 0
        if now_s - self._begun_s > LATE_S:
            self._voice.drop()

    def _feed(self, process: subprocess.Popen[bytes]) -> bool:
        """Fill the pipe up to AHEAD_BYTES; True when there was room."""
        assert process.stdin is not None
        fd = process.stdin.fileno()
        room = (AHEAD_BYTES - waiting(fd)) // CHUNK_BYTES
        for _ in range(room):
            try:
                # whole or not at all: it is shorter than PIPE_BUF
                self._written += os.write(fd, little(self._voice.take(CHUNK)))
            except OSError:  # it has gone, which poll() tells next time
                return False
        return room > 0

    def _listen(self, process: subprocess.Popen[bytes]) -> None:
        """Its last complaint; unread, it would stop on a full pipe one day."""
        assert process.stderr is not None
        with suppress(OSError):
            said = os.read(process.stderr.fileno(), 4096).decode("utf-8", "replace").split("\n")
            lines = [line.strip() for line in said if line.strip()]
            if lines:  # less the line of its source code: 'aplay: main:831: '
                self._complaint = re.sub(r"^\w+: \w+:\d+: ", "", lines[-1])[:WORDS]

    def _end(self, now_s: float, why: str) -> None:
        self.words = f"no sound: {self._command[0]}: {why}"
        self._try_s = now_s + AGAIN_S
        if not self._voice.urgent:
            self._voice.drop()  # a cue is stale by then; an alarm is kept for LATE_S
        self._leave()

    def _leave(self) -> None:
        process, self._process = self._process, None
        if process is None:
            return
        process.kill()
        for pipe in (process.stdin, process.stderr):
            with suppress(OSError):
                if pipe is not None:
                    pipe.close()
        with suppress(subprocess.TimeoutExpired):
            process.wait(0.05)

    def close(self) -> None:
        self._leave()


def waiting(fd: int) -> int:
    """Bytes in a pipe that nobody has read yet."""
    return int(struct.unpack("i", fcntl.ioctl(fd, termios.FIONREAD, bytes(4)))[0])
