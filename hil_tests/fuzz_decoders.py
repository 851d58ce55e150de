"""Random and mutated bytes through every decoder, and what theory lets through.

Each function feeds some bytes and gives a Found. Good frames between the bad ones carry a count, so
that each can be looked for in its order. `allowed`: Poisson's mean of the false frames by the
checksum's theory, and five standard deviations and one more.
"""

from __future__ import annotations

import contextlib
import math
import random
import tempfile
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any, NamedTuple

import msgspec

from drivers.board import codec
from drivers.gnss import Sentences, xor
from drivers.rangers.decode import AsciiDecoder, BinaryDecoder, Decoder
from drivers.samples import NO_MESSAGE
from firmware_py.journal.read import Log, LogError, Recorded
from firmware_py.link.frames import Ask, FromListener
from firmware_py.messages import Nudge, Side

CHUNK = 4096
NMEA = "GPRMC,155123.000,A,4043.8432,N,07359.7653,W,{:.2f},83.25,200407,,"
Progress = Callable[[int], None]


class Found(NamedTuple):
    """bytes fed; good frames sent and found; false frames, and how many theory allows."""

    decoder: str
    bytes: int
    sent: int
    found: int
    false: int
    allowed: float
    theory: str

    @property
    def right(self) -> bool:
        return self.found == self.sent and self.false <= self.allowed


def most(mean: float) -> float:
    """Poisson's mean, five standard deviations and one."""
    return mean + 5.0 * math.sqrt(mean) + 1.0


def mutated(frame: bytes, rng: random.Random) -> bytes:
    """One to four bytes changed, lost, doubled or put in."""
    out = bytearray(frame)
    for _ in range(rng.randint(1, 4)):
        at = rng.randrange(len(out)) if out else 0
        match rng.randrange(4):
            case 0 if out:
                out[at] ^= rng.randint(1, 255)
            case 1 if out:
                del out[at]
            case 2 if out:
                out[at:at] = out[at : at + 1]
            case _:
                out[at:at] = rng.randbytes(1)
    return bytes(out)


def recovered(sent: Sequence[Any], got: Sequence[Any]) -> int:
    """How many of the good ones are there, in their order."""
    left = iter(got)
    count = 0
    for one in sent:
        if not any(one == other for other in left):
            break
        count += 1
    return count


def ranger(
    name: str, decoder: Decoder, *, frame: Callable[[int], bytes], largest: int, share: float,
    size: int, rng: random.Random, tell: Progress,
) -> Found:  # fmt: skip
    """Good frames of a ranger between rubbish. share: of random places that pass as a frame."""
    sent: list[int] = []
    got: list[int] = []
    fed = 0
    while fed < size:
        piece = bytearray(rng.randbytes(rng.randint(0, 12)))
        if piece[-1:] == b"R":
            piece[-1] = 0  # "RR0480" is a frame all the same
        raw = len(sent) % (largest + 1)
        piece += frame(raw)
        sent.append(raw)
        got += decoder.feed(bytes(piece))
        fed += len(piece)
        tell(fed)
    return Found(
        name, fed, len(sent), recovered(sent, got), len(got) - len(sent), most(fed * share),
        f"{share:.2g} of all places",
    )  # fmt: skip


def ascii_frames(size: int, rng: random.Random, tell: Progress) -> Found:
    """10^4 / 256^6 of random places are "R", four digits and a return: no checksum at all."""
    return ranger(
        "ranger ascii", AsciiDecoder(), frame=lambda n: b"R%04d\r" % n, largest=9999,
        share=1e4 / 256**6, size=size, rng=rng, tell=tell,
    )  # fmt: skip


def binary_frames(size: int, rng: random.Random, tell: Progress) -> Found:
    """2^-16 of random places pass header and sum, and 10001 / 2^16 of these the largest number."""
    return ranger(
        "ranger binary", BinaryDecoder(),
        frame=lambda n: bytes([255, n >> 8, n & 255, (255 + (n >> 8) + n) & 255]),
        largest=10_000, share=10_001 / 65536 / 65536, size=size, rng=rng, tell=tell,
    )  # fmt: skip


def board_frames(size: int, rng: random.Random, tell: Progress) -> Found:
    """Good, mutated and random between zeros: 2^-16 of the bad blocks pass the CRC.

    A frame whose mutation stands outside its zeros is a good one, and must come through as it was.
    """
    decoder = codec.Decoder()
    sent, got, fed, blocks, false = [], [], 0, 0, 0
    while fed < size:
        mark, word = len(sent), rng.getrandbits(32)
        piece = rng.randbytes(rng.randint(0, 40)) if rng.random() < 0.5 else b""
        piece += mutated(codec.pack(codec.SYNC, rng.randrange(256), word), rng)
        blocks += 2 + piece.count(0)
        piece += codec.pack(codec.HELLO, mark & 255, 1, mark, 5, 1, 1, b"FUZZING_")
        sent.append(mark)
        for frame in decoder.feed(piece):
            if frame.kind == codec.HELLO:
                got.append(frame.fields[1])
            else:
                false += (frame.kind, frame.fields) != (codec.SYNC, (word,))
        fed += len(piece)
        tell(fed)
    return Found(
        "board frames", fed, len(sent), recovered(sent, got), false + len(got) - len(sent),
        most(blocks / 65536), "2^-16 of bad blocks",
    )  # fmt: skip


def board_crc(size: int, rng: random.Random, tell: Progress) -> Found:
    """COBS, kind and length are right and all else is chance: 2^-16 of the frames pass."""
    decoder = codec.Decoder()
    fed = frames = 0
    while fed < size:
        bodies = [bytes((codec.SYNC,)) + rng.randbytes(7) for _ in range(500)]
        wire = b"".join(b"\0" + codec.cobs(body) + b"\0" for body in bodies)
        decoder.feed(wire)
        frames += len(bodies)
        fed += len(wire)
        tell(fed)
    return Found("board CRC-16", fed, 0, 0, decoder.good, most(frames / 65536), "2^-16 of frames")


def nmea(size: int, rng: random.Random, tell: Progress) -> Found:
    """8 bits of XOR: changed by chance 1 in 256 passes; equal bytes lost or doubled cancel."""
    sentences = Sentences()
    sent, got, fed, damaged = [], [], 0, 0
    while fed < size:
        body = NMEA.format(len(sent) / 100)
        line = f"${body}*{xor(body.encode()):02X}"
        hurt = mutated(NMEA.format(99999.99).encode(), rng)
        piece = rng.randbytes(rng.randint(0, 60)) + b"$" + hurt + b"*%02X\n" % rng.randrange(256)
        damaged += 1 + piece.count(b"$")
        piece += line.encode() + b"\r\n"
        sent.append(line)
        got += sentences.feed(piece)
        fed += len(piece)
        tell(fed)
    return Found(
        "NMEA 0183", fed, len(sent), recovered(sent, got), len(got) - len(sent),
        most(damaged / 256), "1 in 256 damaged",
    )  # fmt: skip


def link(size: int, rng: random.Random, tell: Progress) -> Found:
    """Datagrams of the local link have no checksum: what is no message of its type is refused.

    Of what a mutation leaves well formed theory says nothing; its limits are the controller's.
    """
    encoder, decoder = msgspec.msgpack.Encoder(), msgspec.msgpack.Decoder(FromListener)
    sent = found = fed = passed = 0
    while fed < size:
        frame = Ask(Nudge(sent, Side.LEFT, 0.001))
        good = encoder.encode(frame)
        for data in (rng.randbytes(rng.randint(1, 60)), mutated(good, rng)):
            fed += len(data)
            with contextlib.suppress(NO_MESSAGE):
                passed += decoder.decode(data) is not None
        sent, found, fed = sent + 1, found + (decoder.decode(good) == frame), fed + len(good)
        tell(fed)
    return Found("link frames", fed, sent, found, passed, math.inf, "none: no checksum, typed only")


def journal(size: int, rng: random.Random, tell: Progress) -> Found:
    """CRC-32 over each chunk: no record is read that was not written (2^-32 a chunk)."""
    from tests.test_journal_making import make_log, record

    records = [record(n) for n in range(200)]
    sent = found = false = fed = 0
    with tempfile.TemporaryDirectory(prefix="lh") as folder:
        path = Path(folder) / "a.mcap"
        whole = make_log(path, records).read_bytes()
        intact = {e.number: e.record for e in Log(path) if isinstance(e, Recorded)}
        while fed < size:
            hurt = bytearray(whole)
            start = rng.randrange(len(whole))
            for at in range(start, min(start + rng.randint(1, 64), len(whole))):
                hurt[at] = rng.randrange(256)
            path.write_bytes(hurt)
            try:
                read = {e.number: e.record for e in Log(path) if isinstance(e, Recorded)}
            except LogError:
                read = {}
            false += sum(intact.get(n) != one for n, one in read.items())
            sent, found = sent + 1, found + (len(read) >= len(records) // 2 or start < CHUNK)
            fed += len(hurt)
            tell(fed)
    return Found("journal", fed, sent, found, false, most(sent / 2**32), "2^-32 of chunks")


DECODERS: dict[str, Callable[[int, random.Random, Progress], Found]] = {
    "ranger ascii": ascii_frames, "ranger binary": binary_frames, "board frames": board_frames,
    "board CRC-16": board_crc, "NMEA 0183": nmea, "link frames": link, "journal": journal,
}  # fmt: skip


def all_of(size: int, seed: int, tell: Callable[[str, int], None]) -> Iterator[Found]:
    """Each decoder in turn; the CRC alone gets ten times as much."""
    for name, run in DECODERS.items():
        most_bytes = 10 * size if name == "board CRC-16" else size
        yield run(most_bytes, random.Random(seed), lambda done, n=name: tell(n, done))  # type: ignore[misc]
