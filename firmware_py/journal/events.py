"""The few things in a record that a person looks for: mode changes and requests."""

from __future__ import annotations

import math
from typing import Any

import msgspec

from drivers.samples import NO_MESSAGE
from firmware_py.messages import AnyRequest


class _Glance(msgspec.Struct, frozen=True, array_like=True, gc=False):
    """A record without its samples, which are the larger part and hold no events."""

    time_s: float
    samples: msgspec.Raw
    requests: tuple[AnyRequest, ...]
    tick: msgspec.Raw


class _TickHead(msgspec.Struct, frozen=True, array_like=True, gc=False):
    """The leading fields of a Tick; a test holds the two together."""

    seq: int
    time_s: float
    mode: str
    why: str


class Events:
    """Looks through records as they pass and keeps what changed, as JSON."""

    def __init__(self) -> None:
        self._glance = msgspec.msgpack.Decoder(_Glance)
        self._head = msgspec.msgpack.Decoder(_TickHead)
        self._mode = ""
        self._found: list[bytes] = []

    def look(self, data: bytes) -> float:
        """Note the events of one encoded record; its time, NaN when it cannot be read."""
        try:
            record = self._glance.decode(data)
            tick = self._head.decode(record.tick)
        except NO_MESSAGE as error:
            self._note(kind="unreadable", why=str(error))
            return math.nan
        at = {"tick": tick.seq, "time_s": tick.time_s}
        for request in record.requests:
            what = {name: getattr(request, name) for name in request.__struct_fields__}
            self._note(kind="request", **at, request=request.__struct_config__.tag, **what)
        if tick.mode != self._mode:
            self._note(kind="mode", **at, mode=tick.mode, before=self._mode, why=tick.why)
            self._mode = tick.mode
        return record.time_s

    def _note(self, **event: Any) -> None:
        self._found.append(msgspec.json.encode(event))

    def take(self) -> list[bytes]:
        """The events since the last call."""
        found, self._found = self._found, []
        return found
