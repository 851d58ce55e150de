"""Frames between the loop and a view, over two pipes that neither side waits for.

A frame is a length and a kind, then the payload. It is never longer than PIPE_BUF, so that a
write is done whole or not at all: a full pipe drops the frame, and the drop is counted.
"""

from __future__ import annotations

import os
import select
import struct
from collections.abc import Iterator
from enum import IntEnum

import msgspec

from firmware_py.messages import AnyRequest, Side, Tick

HEAD = struct.Struct("<HB")  # bytes of payload, kind
MOST = min(select.PIPE_BUF, 4096)  # bytes of a whole frame; a tick has some 450
CHUNK = 65536  # bytes; what a pipe holds on Linux


class Kind(IntEnum):
    """What a frame holds."""

    HELLO = 1
    TICK = 2
    NOTE = 3  # a sentence for the driver
    REQUEST = 4
    STOP = 5  # the view asks that the run ends


class Hello(msgspec.Struct, frozen=True):
    """What a view knows of the run besides its ticks."""

    rig: str
    simulated: bool
    recording: str
    master: Side
    width_m: float
    started_s: float  # on the loop's clock


class FrameWriter:
    """Writes frames to a pipe without waiting; `dropped` counts those that did not fit."""

    def __init__(self, fd: int) -> None:
        os.set_blocking(fd, False)
        self._fd = fd
        self._encoder = msgspec.msgpack.Encoder()
        self._buffer = bytearray(MOST)
        self.dropped = 0
        self.gone = False

    def send(self, kind: Kind, value: object) -> bool:
        """One frame; False when it was dropped or nobody reads any more."""
        if self.gone:
            return False
        buffer = self._buffer
        self._encoder.encode_into(value, buffer, HEAD.size)
        if len(buffer) > MOST:
            self.dropped += 1
            return False
        HEAD.pack_into(buffer, 0, len(buffer) - HEAD.size, kind)
        try:
            os.write(self._fd, buffer)
        except BlockingIOError:
            self.dropped += 1
            return False
        except OSError:
            self.gone = True
            return False
        return True

    def close(self) -> None:
        """The reader sees the end."""
        self.gone = True
        if self._fd >= 0:
            os.close(self._fd)
            self._fd = -1


class PipeOutlet(FrameWriter):
    """The loop's end of the pipe to a view."""

    def put(self, tick: Tick) -> None:
        """Hand one tick on, or drop it."""
        self.send(Kind.TICK, tick)


class FrameReader:
    """Reads frames from a pipe without waiting; `ended` when the writer has closed it."""

    def __init__(self, fd: int) -> None:
        os.set_blocking(fd, False)
        self.fd = fd
        self._data = bytearray()
        self.ended = False

    def frames(self) -> Iterator[tuple[int, bytes]]:
        """All whole frames that have come."""
        self._fill()
        data, at = self._data, 0
        while len(data) - at >= HEAD.size:
            size, kind = HEAD.unpack_from(data, at)
            if len(data) - at < HEAD.size + size:
                break
            yield kind, bytes(data[at + HEAD.size : at + HEAD.size + size])
            at += HEAD.size + size
        del data[:at]

    def _fill(self) -> None:
        if self.ended:
            return
        try:
            got = os.read(self.fd, CHUNK)
        except BlockingIOError:
            return
        except OSError:
            got = b""
        self.ended = not got
        self._data += got


class PipeRequests:
    """Requests and the wish to stop, from a view; what cannot be read is counted and dropped."""

    def __init__(self, fd: int) -> None:
        self._reader = FrameReader(fd)
        self._decoder = msgspec.msgpack.Decoder(AnyRequest)
        self.stop_asked = False
        self.refused = 0

    def take(self) -> tuple[AnyRequest, ...]:
        """What came since the last call."""
        found: list[AnyRequest] = []
        for kind, data in self._reader.frames():
            if kind == Kind.STOP:
                self.stop_asked = True
            elif kind == Kind.REQUEST:
                try:
                    found.append(self._decoder.decode(data))
                except msgspec.MsgspecError:
                    self.refused += 1
            else:
                self.refused += 1
        return tuple(found)
