"""The process that plays: `python -m tui.speaker`. It listens on the link as a dashboard does.

A blocked sound device stalls nobody: neither the loop, which waits for no listener, nor the
dashboard, which only sends this process its orders.
"""

from __future__ import annotations

import os
import select
import signal
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path

import click

from firmware_py.errors import LineholdError, nearest
from firmware_py.link.address import default_path
from firmware_py.link.client import WAIT_S, Client, Source, wait_for
from firmware_py.link.frames import Beat
from firmware_py.messages import SIDES
from tui.pin_sound import FIRST, LAST, GpioPin
from tui.sound import (
    CUE_FULL,
    GAP_S,
    Cues,
    Signal,
    alarm,
    blade,
    no_reference,
    steering,
)
from tui.sound_control import MUTE, UNMUTE, VOLUME
from tui.sound_pipe import COMMANDS, PipePlayer, find_command
from tui.sound_players import PinPlayer, Player, Quiet, WavPlayer

TURN_S = 0.01  # at most between two turns; the player's 40 ms in the pipe last four of them
LONGEST = 200  # letters of an order
PAUSE = "pause"
PAUSE_S = 0.5


class Speaker:
    """Ticks in, sound out: one `turn` a hundred times a second and more."""

    def __init__(
        self, source: Source, cues: Cues, player: Player, clock: Callable[[], float]
    ) -> None:
        self.cues, self.player = cues, player
        self._source, self._clock = source, clock

    @property
    def done(self) -> bool:
        """True when the link is gone and what there was to say of it has been heard."""
        return bool(self._source.lost) and self._clock() >= self.cues.free_s

    def turn(self) -> None:
        """Every tick counts: neutral may last for one of a hundred."""
        frames = self._source.poll()
        now_s = self._clock()
        ticks = [frame.tick for frame in frames if isinstance(frame, Beat)]
        for tick in (*ticks, None):
            lost = tick is None and bool(self._source.lost)
            begun = self.cues.update(tick, now_s, lost=lost)
            if begun is not None:
                self.player.begin(begun, now_s)
        self.player.step(now_s)

    def obey(self, order: str) -> str:
        """Do one line of the owner's; what is wrong with it, or ''."""
        what, *values = order.split()
        try:
            if [what, len(values)] == [VOLUME, 1]:
                self.cues.set_volume(float(values[0]))
            elif what in (MUTE, UNMUTE) and not values:
                self.cues.muted = what == MUTE
            else:
                return f"unknown order {order!r}"
        except ValueError as error:
            return str(error)
        return ""


class Orders:
    """Lines on standard input."""

    def __init__(self, fd: int | None) -> None:
        self.fd = fd
        self._text = ""

    def read(self) -> list[str]:
        """The lines that have come; fd is None after the last."""
        if self.fd is None:
            return []
        try:
            data = os.read(self.fd, 4096)
        except BlockingIOError:
            return []
        except OSError:
            data = b""
        if not data:
            self.fd = None
        *lines, rest = (self._text + data.decode("utf-8", "replace")).split("\n")
        self._text = rest[:LONGEST]
        return [line for line in lines if line.strip()]


def listen(speaker: Speaker, client: Client, orders: Orders, *, owned: bool) -> None:
    """Until the link is gone, or the owner is."""
    said = ""
    while not speaker.done and not (owned and orders.fd is None):
        fds = [fd for fd in (orders.fd,) if fd is not None]
        fds += [] if client.lost else [client.fileno()]
        ready, _, _ = select.select(fds, [], [], TURN_S)
        if orders.fd in ready:
            for wrong in filter(None, map(speaker.obey, orders.read())):
                print(wrong, file=sys.stderr)
        speaker.turn()
        said = tell(speaker.player.words, said)
    if client.lost:
        tell(f"no sound: {client.lost}", said)


def tell(words: str, before: str) -> str:
    """A line to the owner when it is news and there is room for it."""
    if words == before or not select.select([], [sys.stdout], [], 0.0)[1]:
        return before
    print(words, flush=True)
    return words


def sayings(volume: float) -> dict[str, Signal]:
    """Everything that can be heard, by its words."""
    loudness = CUE_FULL * volume
    made = [steering(side, loudness) for side in SIDES]
    made += [blade(side, up, loudness) for up in (True, False) for side in SIDES]
    made += [no_reference(side, loudness) for side in SIDES]
    return {one.words: one for one in (*made, alarm(volume), Signal(PAUSE))}


def parse(text: str, volume: float) -> list[Signal]:
    """'steer left, pause, neutral' as signals. BadParameter for what is none."""
    known = sayings(volume)
    words = [" ".join(part.split()) for part in text.split(",")]
    for word in words:
        if word not in known:
            hint = nearest(word, known) or f"; known are {', '.join(known)}"
            raise click.BadParameter(f'"{word}" is no sound{hint}', param_hint="--say")
    return [known[word] for word in words]


class MadeTime:
    """Time that passes only by waiting, for a file."""

    def __init__(self) -> None:
        self.now_s = 0.0

    def __call__(self) -> float:
        return self.now_s

    def wait(self, seconds: float) -> None:
        self.now_s += seconds


def perform(
    signals: Sequence[Signal], player: Player,
    clock: Callable[[], float], wait: Callable[[float], object],
) -> None:  # fmt: skip
    """One after the other."""
    for one in signals:
        until_s = clock() + (PAUSE_S if one.words == PAUSE else one.length_s + GAP_S)
        player.step(clock())
        if one.notes:
            player.begin(one, clock())
        while clock() < until_s:
            wait(TURN_S)
            player.step(clock())


def make_player(pin: int | None, wav: Path | None, device: str) -> Player:
    """As asked for; Quiet when no player command is installed."""
    if wav is not None:
        try:
            return WavPlayer(wav)
        except OSError as error:
            why = error.strerror or str(error)
            raise click.BadParameter(f"{wav}: {why}", param_hint="--wav") from error
    if pin is not None:
        return PinPlayer(GpioPin(pin), f"sound: GPIO {pin}")
    command = find_command(device)
    if command is None:
        names = ", ".join(name for name, _ in COMMANDS)
        return Quiet(f"no sound: none of {names} is installed; on Debian: apt install alsa-utils")
    return PipePlayer(command)


class Refused(click.ClickException):
    """No run to listen to, or no pin."""

    exit_code = 2


def _leave(number: int, _: object) -> None:
    raise SystemExit(128 + number)


@click.command(
    epilog="""\b
Examples:
  python -m tui.speaker                       sound for the run of this user
  python -m tui.speaker --pin 18              on a passive sounder at GPIO 18
  python -m tui.speaker --wav out.wav --say "steer left, raise right, neutral"
  python -m tui.speaker --say "steer left, steer right"

\b
Sounds for --say: steer left, steer right, raise left, raise right, lower left, lower right,
left lost its reference, right lost its reference, neutral, pause.

\b
Orders on standard input, a line each: volume 0.4, mute, unmute. The alarm that automatic is
over sounds at any volume, muted or not.

Exit codes: 0 the run is over or all was said, 1 there was no sound to say it, 2 bad input or no
run to listen to."""
)
@click.argument("link", required=False, type=click.Path(path_type=Path), metavar="[SOCKET]")
@click.option("--pin", type=click.IntRange(FIRST, LAST), metavar="GPIO",
              help="A passive sounder on this output pin.")  # fmt: skip
@click.option("--wav", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE",
              help="Into a WAV file in place of a device.")  # fmt: skip
@click.option("--device", default="", metavar="NAME",
              help="The player's output device (see: aplay -L).")  # fmt: skip
@click.option("--volume", type=click.FloatRange(0.0, 1.0), default=0.6, show_default=True,
              help="Of the cues, 0 to 1.")  # fmt: skip
@click.option("--mute", is_flag=True, help="No cues; the alarm sounds all the same.")
@click.option("--owned", is_flag=True, help="End when standard input ends.")
@click.option("--wait", is_flag=True, help="For a run that is coming up.")
@click.option("--say", metavar="SOUNDS", help="Sound these, commas between them, and end.")
def main(
    *, link: Path | None, pin: int | None, wav: Path | None, device: str, volume: float,
    mute: bool, owned: bool, wait: bool, say: str | None,
) -> None:  # fmt: skip
    """Make the steering and blade cues of a run heard, and the alarm when automatic is over."""
    if pin is not None and (wav is not None or device):
        raise click.UsageError("--pin is a device of its own; leave out --wav and --device")
    wanted = parse(say, volume) if say is not None else []
    signal.signal(signal.SIGTERM, _leave)
    player: Player = Quiet("")
    try:
        player = make_player(pin, wav, device)
        if say is None:
            _live(link or default_path(), Cues(volume, muted=mute), player, owned=owned, wait=wait)
        else:
            _say(wanted, player, made_time=wav is not None)
    except KeyboardInterrupt:
        raise SystemExit(130) from None
    except LineholdError as error:
        if owned:  # who reads standard output, and nothing else
            print(f"no sound: {error}", flush=True)
        raise Refused(str(error)) from error
    finally:
        player.close()


def _live(link: Path, cues: Cues, player: Player, *, owned: bool, wait: bool) -> None:
    client = wait_for(link, "speaker", WAIT_S if wait else 0.0, looks=True)
    try:
        speaker = Speaker(client, cues, player, time.monotonic)
        orders = Orders(sys.stdin.fileno() if sys.stdin is not None else None)
        listen(speaker, client, orders, owned=owned)
    finally:
        client.close()


def _say(wanted: Sequence[Signal], player: Player, *, made_time: bool) -> None:
    if made_time:
        clock = MadeTime()
        perform(wanted, player, clock, clock.wait)
    else:
        perform(wanted, player, time.monotonic, time.sleep)
    print(player.words)
    if player.words.startswith("no sound"):
        raise SystemExit(1)


if __name__ == "__main__":
    main()
