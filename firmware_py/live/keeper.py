"""What the keeper does each tenth of a second: looks, tells of deaths, says how the computer is."""

from __future__ import annotations

import math
import sys
from contextlib import suppress
from pathlib import Path

from firmware_py.link.client import Client, LinkError
from firmware_py.link.frames import Ask, Beat, Hello, Host, Note, Stop
from firmware_py.live.engaged import Engaged
from firmware_py.live.health import Health
from firmware_py.live.host import disk_free, temperature
from firmware_py.live.ignition import Due, Ignition
from firmware_py.live.recording import Recording
from firmware_py.live.screen import Screen
from firmware_py.live.supply import Supply
from firmware_py.messages import Disengage
from firmware_py.settings import Rig

HOST_EVERY_S = 2.0
IGNITION_OFF = "the ignition is off"
SCREEN_GONE = "The dashboard has ended; the run goes on. Ctrl-C stops it; linehold attach looks on."


class Keeper:
    """`look` now and then. problems: what went wrong beside the loop, in sentences."""

    def __init__(
        self, rig: Rig, link: Path, word: str, recording: Recording, screen: Screen,
        *, ignition: Ignition | None = None, state: Path | None = None,
    ) -> None:  # fmt: skip
        self.recording, self.screen = recording, screen
        dead = 0.0 if rig.valves is None else rig.valves.dead_time_ms / 1e3
        self._health = Health(rig.control.tick_hz, dead)
        self.engaged = Engaged(state)
        self._folder = recording.paths[0].parent
        self._client: Client | None = None
        with suppress(LinkError):  # a run of a tenth of a second may be over already
            self._client = Client(link, "keeper", keeper=word)
        self._realtime: tuple[str, ...] = ()
        self._supply, self._powers = Supply(), {""}  # words that were told
        self._ignition = ignition
        self._due_s = -math.inf
        self.problems: list[str] = []
        self.dropped = 0
        self._screen_told = False

    @property
    def over(self) -> bool:
        """The loop has said goodbye, or has gone."""
        return self._client is None or bool(self._client.lost)

    @property
    def ignition_off(self) -> bool:
        """It was off for so long that the run has to end."""
        return self._ignition is not None and self._ignition.ended

    @property
    def overdue(self) -> bool:
        """The loop was asked to end, by the link, and has not."""
        return self._ignition is not None and self._ignition.overdue

    @property
    def ring_dropped(self) -> int:
        return self.recording.dropped

    def problem(self, words: str) -> None:
        """Something that the report must name."""
        self.problems.append(words)
        self._tell(words)

    def look(self, now_s: float) -> None:
        """Once round."""
        self._hear()
        if self._ignition is not None:
            self._look_at(self._ignition, now_s)
        words = self.recording.watch(now_s)
        if words:
            self.problem(words)
        if not (self.screen.alive or self._screen_told or self.over):
            self._screen_told = True
            self.screen.put_right()
            print(SCREEN_GONE, file=sys.stderr)
        if now_s >= self._due_s:
            self._due_s = now_s + HOST_EVERY_S
            self._send(self._host(now_s))

    def close(self) -> None:
        """Let go of the link and of the ignition's pin."""
        if self._client is not None:
            self._client.close()
        if self._ignition is not None:
            self._ignition.close()

    def _look_at(self, ignition: Ignition, now_s: float) -> None:
        due = ignition.look(now_s)
        if due is Due.NEUTRAL:
            self._send(Ask(Disengage(0)))
        elif due is Due.END:
            self._send(Stop(0, IGNITION_OFF))
        if ignition.words:
            self._tell(ignition.words)

    def _hear(self) -> None:
        if self._client is None:
            return
        for frame in self._client.poll():
            if isinstance(frame, Beat):
                self._health.put(frame.tick)
                self.engaged.put(frame.tick)
                self.dropped = frame.dropped
            elif isinstance(frame, Hello):
                self._realtime = frame.realtime

    def _host(self, now_s: float) -> Host:
        power = self._supply.look()
        if power not in self._powers:  # a supply that comes and goes is told once
            self._powers.add(power)
            self._tell(power)
        return Host(
            now_s, self.recording.wrong, self.recording.bytes, disk_free(self._folder),
            temperature(), power, self._realtime, self._health.index(), self._health.length_s,
        )  # fmt: skip

    def _tell(self, words: str) -> None:
        if self._screen_told:
            print(words, file=sys.stderr)
        self._send(Note(words))

    def _send(self, frame: Host | Note | Ask | Stop) -> None:
        if self._client is not None:
            self._client.send(frame)
