"""Bytes of UART rangers into raw numbers, pure. Sources beside each format.

Both decoders look at every place in the stream where a frame could begin, so that no good frame is
lost to a false one before it. Feed them as the bytes come; frames may be cut anywhere.
"""

from __future__ import annotations

import re
from collections import Counter
from typing import Protocol

HEADER = 0xFF
FRAME = 4  # bytes of a binary frame


class Decoder(Protocol):
    """counts: frames; junk (bytes in no frame); and each kind of bad frame."""

    counts: Counter[str]

    def feed(self, data: bytes) -> list[int]:
        """Raw numbers of the frames that these bytes complete, oldest first."""
        ...

    def reset(self) -> None:
        """Forget half a frame: the stream was interrupted."""
        ...


class AsciiDecoder:
    """ "R", so many digits, a carriage return: "R0480\\r" is 480.

    Some models put a space before the return (PD12141h p. 3); PD11500 and PD11832f p. 2 do not.
    There is no checksum: random bytes pass as a frame once in 256^2 (256/10)^digits places, but a
    digit that became another digit is never noticed. What is no number at all is counted `broken`.
    """

    def __init__(self, digits: int = 4) -> None:
        self.digits = digits
        self.counts: Counter[str] = Counter()
        self._frame = re.compile(rb"R([0-9]{%d}) ?\r" % digits)
        self._begun = re.compile(rb"R[0-9]{0,%d}\Z|R[0-9]{%d} \Z" % (digits, digits))
        self._rest = b""

    def feed(self, data: bytes) -> list[int]:
        stream = self._rest + data
        out, end = [], 0
        for found in self._frame.finditer(stream):
            self._skip(stream[end : found.start()])
            out.append(int(found[1]))
            end = found.end()
        begun = self._begun.search(stream, end)
        cut = begun.start() if begun else len(stream)
        self._skip(stream[end:cut])
        self._rest = stream[cut:]
        self.counts["frames"] += len(out)
        return out

    def reset(self) -> None:
        self.counts["junk"] += len(self._rest)
        self._rest = b""

    def _skip(self, junk: bytes) -> None:
        if junk:
            self.counts["junk"] += len(junk)
            self.counts["broken"] += junk.count(b"\r")


class BinaryDecoder:
    """0xFF, high byte, low byte, sum: the low byte of the sum of the three before it.

    FF 07 A1 A7 is 1953 (wiki.dfrobot.com SEN0311, SEN0312, SEN0313: mm); FF 01 A1 A1 is 417
    (SEN0627: cm). The unit is the model's and not in the frame. One wrong byte is always noticed;
    random bytes pass once in 256^2 places, and of those only numbers up to `largest` are taken.
    """

    def __init__(self, largest: int = 10_000) -> None:
        # A header is followed by the high byte; were 0xFF one, a frame could begin at a sum.
        self.largest = min(largest, 0xFEFF)
        self.counts: Counter[str] = Counter()
        self._rest = b""  # bytes in which a frame may still begin
        self._taken = 0  # how many of them are the end of a frame already

    def feed(self, data: bytes) -> list[int]:
        stream, end, at = self._rest + data, self._taken, 0
        out: list[int] = []
        covered = 0
        while 0 <= (at := stream.find(HEADER, at)) <= len(stream) - FRAME:
            value = self._value(stream, at, inside=at < end)
            if value is not None:
                covered += at + FRAME - max(at, end)
                end = at + FRAME
                out.append(value)
            at += 1
        keep = at if at >= 0 else len(stream)
        taken = max(0, end - keep)
        self.counts["junk"] += keep - (self._taken + covered - taken)
        self._rest, self._taken = stream[keep:], taken
        self.counts["frames"] += len(out)
        return out

    def reset(self) -> None:
        self.counts["junk"] += len(self._rest) - self._taken
        self._rest, self._taken = b"", 0

    def _value(self, stream: bytes, at: int, inside: bool) -> int | None:
        high, low, total = stream[at + 1], stream[at + 2], stream[at + 3]
        if (HEADER + high + low) & 0xFF != total:
            if not inside:
                self.counts["bad sum"] += 1
            return None
        value = high << 8 | low
        if value > self.largest:
            self.counts["too large"] += 1
            return None
        return value
