"""The speaker in real time, with a stand-in for a player command.

It takes samples as a sound device does, and notes what it would play when.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from firmware_py.link.server import Server
from firmware_py.messages import Mode, Side
from tests.heard import SETTLE_S, TURN_S, WITHIN_S
from tests.heard import quiet_beat as level
from tests.tui_made import NOW, hello
from tui.sound import (
    CUE_FULL,
    alarm,
    steering,
)
from tui.sound_control import SpeakerProcess
from tui.sound_pipe import AGAIN_S, PIPE_BYTES, STUCK_S, PipePlayer
from tui.sound_players import RATE

ROOT = Path(__file__).resolve().parent.parent


PLAYER = '''#!{python}
"""As a sound device: blocks of 20 ms, three in its buffer, one played each 20 ms."""
import array, os, sys, time

def block():
    data = b""
    while len(data) < 882:
        more = os.read(0, 882 - len(data))
        if not more:
            sys.exit(0)
        data += more
    return data

plays = None  # when the block read last is played
with open("{log}", "w", buffering=1) as log:
    while True:
        if plays is not None:
            time.sleep(max(0.0, plays - 0.04 - time.monotonic()))
        data = block()
        now = time.monotonic()
        plays = now + 0.06 if plays is None else max(plays + 0.02, now)
        loudest = max(map(abs, array.array("h", data)))
        print(now, plays, loudest, file=log)
'''


def stand_in(folder: Path, name: str = "aplay", script: str = PLAYER) -> tuple[Path, Path]:
    """A player command and the log that it writes."""
    folder.mkdir(exist_ok=True)
    command, log = folder / name, folder / "log"
    command.write_text(script.format(python=sys.executable, log=log))
    command.chmod(0o700)
    return command, log


def played(log: Path) -> list[tuple[float, float, float]]:
    """When each block was read and would be heard, and its loudest sample, full scale 1."""
    if not log.exists():
        return []
    rows = [line.split() for line in log.read_text().splitlines()]
    return [(float(r[0]), float(r[1]), float(r[2]) / 32767) for r in rows if len(r) == 3]


def run_until(what: Callable[[], object], turn: Callable[[], None]) -> None:
    """Turns in real time until something is so."""
    until = time.monotonic() + SETTLE_S
    while not what():
        assert time.monotonic() < until, "it never came"
        turn()
        time.sleep(TURN_S / 2)


@pytest.mark.slow
def test_a_pipe_hands_the_alarm_to_the_player_in_time(tmp_path: Path) -> None:
    command, log = stand_in(tmp_path / "bin")
    player = PipePlayer([str(command)])
    run_until(lambda: player.words == f"sound: {command}", lambda: player.step(time.monotonic()))
    begun = time.monotonic()
    player.begin(alarm(0.0), begun)
    loud = lambda: [row for row in played(log) if row[2] > 0.4]  # noqa: E731
    run_until(loud, lambda: player.step(time.monotonic()))
    player.close()
    assert loud()[0][0] - begun <= WITHIN_S
    assert max(row[2] for row in played(log) if row[0] < begun) == 0.0


@pytest.mark.slow
def test_a_player_that_takes_nothing_stalls_nobody_and_is_told(tmp_path: Path) -> None:
    command, _ = stand_in(tmp_path / "bin", script="#!{python}\nimport time\ntime.sleep(60)\n")
    player = PipePlayer([str(command)])
    longest = 0.0

    def turn() -> None:
        nonlocal longest
        before = time.monotonic()
        player.begin(alarm(1.0), before)
        longest = max(longest, time.monotonic() - before)

    run_until(lambda: player.words, turn)
    assert player.words == f"no sound: {command}: it takes no samples"
    assert longest < STUCK_S / 2
    player.close()


@pytest.mark.slow
def test_a_player_that_ends_is_told_by_its_last_words_and_tried_again(tmp_path: Path) -> None:
    script = (
        "#!{python}\nimport sys\nprint('aplay: main:831: no card', file=sys.stderr)\nsys.exit(1)\n"
    )
    command, log = stand_in(tmp_path / "bin", script=script)
    player = PipePlayer([str(command)])
    ahead = 0.0  # s that the player is told to be later than it is
    run_until(lambda: player.words, lambda: player.step(time.monotonic()))
    assert player.words == f"no sound: {command}: no card"
    stand_in(tmp_path / "bin")
    ahead = AGAIN_S
    run_until(
        lambda: player.words.startswith("sound"), lambda: player.step(time.monotonic() + ahead)
    )
    player.close()
    assert played(log)


def test_a_player_that_is_not_there_is_told() -> None:
    player = PipePlayer(["no-such-player"])
    player.step(NOW)
    assert player.words.startswith("no sound: no-such-player cannot be started")
    player.begin(steering(Side.LEFT, 0.5), NOW)
    player.close()


def test_the_pipe_is_shorter_than_the_time_there_is() -> None:
    """Even full to the brim, with the 60 ms that the player is asked to keep."""
    assert PIPE_BYTES / (2 * RATE) + 0.06 < WITHIN_S


class Loop:
    """The real server of a link, with hand-made ticks each 10 ms."""

    def __init__(self, path: Path) -> None:
        self.server = Server(path, hello(), lambda why: None)
        self.mode = Mode.AUTO
        self.due_s = time.monotonic()

    def turn(self) -> None:
        self.server.take()
        now = time.monotonic()
        if now >= self.due_s:
            self.due_s = now + TURN_S
            self.server.put(level(now, mode=self.mode).tick)


@pytest.fixture
def environ(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Children find this source, and the stand-in as aplay; the log of that."""
    command, log = stand_in(tmp_path / "bin")
    monkeypatch.setenv("PATH", f"{command.parent}{os.pathsep}{os.environ['PATH']}")
    monkeypatch.setenv("PYTHONPATH", str(ROOT))
    return log


@pytest.mark.slow
def test_from_the_tick_in_the_loop_to_the_sound_device(tmp_path: Path, environ: Path) -> None:
    """The whole way: link, speaker process, pipe, player; muted and at volume 0."""
    loop = Loop(tmp_path / "s")
    control = SpeakerProcess(tmp_path / "s", volume=0.0, muted=True)
    run_until(lambda: control.words == "sound: aplay" and loop.server.listeners, loop.turn)
    assert max(row[2] for row in played(environ)) == 0.0
    loop.mode, changed = Mode.NEUTRAL, time.monotonic()
    loud = lambda: [row for row in played(environ) if row[2] > 0.4]  # noqa: E731
    run_until(loud, loop.turn)
    control.close()
    loop.server.close("over")
    read_s, heard_s, _ = loud()[0]
    print(f"to the player {1e3 * (read_s - changed):.0f} ms, heard {1e3 * (heard_s - changed):.0f}")
    assert read_s - changed <= WITHIN_S
    assert control.words == "no sound: it was closed"


@pytest.mark.slow
def test_a_loop_that_dies_is_heard_and_the_speaker_says_so(tmp_path: Path, environ: Path) -> None:
    loop = Loop(tmp_path / "s")
    control = SpeakerProcess(tmp_path / "s", muted=True)
    run_until(lambda: control.words == "sound: aplay" and loop.server.listeners, loop.turn)
    for peer in loop.server._peers.values():
        peer.close()
    gone = time.monotonic()
    run_until(lambda: any(row[2] > 0.4 for row in played(environ)), lambda: None)
    assert next(row[0] for row in played(environ) if row[2] > 0.4) - gone <= WITHIN_S
    cut = "no sound: The link to the control loop is cut."
    run_until(lambda: control.words.startswith(cut), lambda: None)
    control.close()
    loop.server.close("over")


@pytest.mark.slow
def test_the_dashboard_mutes_and_sets_the_volume(tmp_path: Path, environ: Path) -> None:
    loop = Loop(tmp_path / "s")
    control = SpeakerProcess(tmp_path / "s", volume=1.0)

    def steer() -> None:
        loop.server.take()
        now = time.monotonic()
        loop.server.put(level(now, steer_m=0.2).tick)

    loudest = lambda since: max((r[2] for r in played(environ) if r[0] > since), default=0.0)  # noqa: E731
    run_until(lambda: loudest(0.0) > 0.95 * CUE_FULL, steer)
    control.set_volume(0.5)
    since = time.monotonic() + 0.7
    run_until(lambda: loudest(since) > 0.45 * CUE_FULL, steer)
    assert loudest(since) < 0.55 * CUE_FULL
    control.mute(True)
    since = time.monotonic() + 0.5
    run_until(lambda: time.monotonic() > since + 1.0, steer)
    assert loudest(since) == 0.0
    control.mute(False)
    run_until(lambda: loudest(since) > 0.0, steer)
    with pytest.raises(ValueError, match="between 0 and 1"):
        control.set_volume(1.1)
    control.close()
    loop.server.close("over")


@pytest.mark.slow
def test_the_speaker_ends_with_its_owner(tmp_path: Path, environ: Path) -> None:
    loop = Loop(tmp_path / "s")
    process = subprocess.Popen(
        [sys.executable, "-m", "tui.speaker", str(tmp_path / "s"), "--owned"],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, cwd=ROOT,
    )  # fmt: skip
    run_until(lambda: loop.server.listeners, loop.turn)
    assert process.stdin is not None
    process.stdin.close()
    run_until(lambda: process.poll() is not None, loop.turn)
    assert process.returncode == 0
    assert process.stdout is not None
    process.stdout.close()
    loop.server.close("over")


@pytest.mark.slow
def test_without_a_run_the_dashboard_is_told_why_there_is_no_sound(
    tmp_path: Path, environ: Path
) -> None:
    control = SpeakerProcess(tmp_path / "none")
    run_until(lambda: control.words, lambda: None)
    assert control.words.startswith("no sound: no controller answers")
    control.mute(True)
    control.set_volume(0.5)
    control.close()


def test_what_a_speaker_loads() -> None:
    """Started beside a dashboard on a small computer: neither numpy nor a screen nor a pin."""
    code = "import sys, tui.speaker; print(*sorted(sys.modules))"
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, env=os.environ | {"PYTHONPATH": str(ROOT)},
        capture_output=True, text=True, timeout=60, check=True,
    )  # fmt: skip
    loaded = set(done.stdout.split())
    assert not loaded & {"numpy", "textual", "gpiozero", "lgpio", "tui.app"}
    assert "tui.sound_pipe" in loaded
