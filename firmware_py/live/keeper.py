"""What the keeper does each tenth of a second: looks, tells of deaths, says how the computer is."""

from __future__ import annotations

import math
import sys
from contextlib import suppress
from pathlib import Path

from firmware_py.link.client import Client, LinkError
from firmware_py.link.frames import Beat, Hello, Host, Note
from firmware_py.live.engaged import Engaged
from firmware_py.live.health import Health
from firmware_py.live.host import disk_free, power, temperature
from firmware_py.live.recording import Recording
from firmware_py.live.screen import Screen
from firmware_py.settings import Rig

HOST_EVERY_S = 2.0
SCREEN_GONE = "The dashboard has ended; the run goes on. Ctrl-C stops it; linehold attach looks on."


class Keeper:
    """`look` now and then. problems: what went wrong beside the loop, in sentences."""

    def __init__(
        self, rig: Rig, link: Path, word: str, recording: Recording, screen: Screen, *,
        state: Path | None = None,
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
        self._due_s = -math.inf
        self.problems: list[str] = []
        self.dropped = 0
        self._screen_told = False

    @property
    def over(self) -> bool:
        """The loop has said goodbye, or has gone."""
        return self._client is None or bool(self._client.lost)

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
        return Host(
            now_s, self.recording.wrong, self.recording.bytes, disk_free(self._folder),
            temperature(), power(), self._realtime, self._health.index(), self._health.length_s,
        )  # fmt: skip

    def _tell(self, words: str) -> None:
        if self._screen_told:
            print(words, file=sys.stderr)
        self._send(Note(words))

    def _send(self, frame: Host | Note) -> None:
        if self._client is not None:
            self._client.send(frame)
