"""Decoders of UART rangers: published frames, and a million bytes of rubbish.

The theory of false frames stands at each test. Nothing here goes through a stand-in.
"""

from __future__ import annotations

import math
import random

import pytest

from drivers.rangers.decode import AsciiDecoder, BinaryDecoder, Decoder

MILLION = 1_000_000


def binary(raw: int) -> bytes:
    """A frame by hand: header, high, low, low byte of their sum."""
    head = bytes([0xFF, raw >> 8, raw & 0xFF])
    return head + bytes([sum(head) & 0xFF])


def ascii_(raw: int) -> bytes:
    return b"R%04d\r" % raw


def pieces(stream: bytes, gen: random.Random) -> list[bytes]:
    """The stream cut anywhere, as reads cut it."""
    out, at = [], 0
    while at < len(stream):
        size = gen.randint(1, 400)
        out.append(stream[at : at + size])
        at += size
    return out


def feed(decoder: Decoder, stream: bytes, seed: int = 0) -> list[int]:
    gen = random.Random(seed)
    return [raw for piece in pieces(stream, gen) for raw in decoder.feed(piece)]


def poisson_limit(mean: float) -> float:
    """A count beyond it comes once in 10^6 runs or more rarely (normal bound, and some)."""
    return mean + 5.0 * math.sqrt(mean) + 5.0


@pytest.mark.parametrize(
    ("frame", "raw"),
    [
        ("FF 07 A1 A7", 1953),  # wiki.dfrobot.com SEN0311, SEN0312, SEN0313: 1953 mm
        ("FF 01 A1 A1", 417),  # wiki.dfrobot.com SEN0627: 417 cm, the same frame in another unit
        ("FF 00 00 FF", 0),
        ("FF 01 FF FF", 511),  # low byte and sum look like headers
    ],
)
def test_published_binary_frames(frame: str, raw: int) -> None:
    decoder = BinaryDecoder()
    assert decoder.feed(bytes.fromhex(frame)) == [raw]
    assert decoder.counts == {"frames": 1, "junk": 0}


@pytest.mark.parametrize(
    ("frame", "digits", "raw"),
    [
        (b"R0480 \r", 4, 480),  # PD12141h p. 3: 480 mm, with a space before the return
        (b"R0480\r", 4, 480),
        (b"R5000\r", 4, 5000),  # the same: the most that it reports
        (b"R123\r", 3, 123),  # PD11832f p. 2: three digits
    ],
)
def test_published_ascii_frames(frame: bytes, digits: int, raw: int) -> None:
    assert AsciiDecoder(digits).feed(frame) == [raw]


@pytest.mark.parametrize(
    "frame", [b"R480\r", b"R04800\r", b"R008 P1\r", b"r0480\r", b"R04a0\r", b"R 480\r", b"R0480\n"]
)
def test_what_is_no_frame(frame: bytes) -> None:
    decoder = AsciiDecoder()
    assert decoder.feed(frame + ascii_(1)) == [1]
    assert decoder.counts["junk"] == len(frame)


def test_a_wrong_sum_is_counted_and_dropped() -> None:
    decoder = BinaryDecoder()
    assert decoder.feed(bytes.fromhex("FF 07 A1 A8 FF 07 A1 A7")) == [1953]
    assert decoder.counts == {"frames": 1, "junk": 4, "bad sum": 1}


def test_a_number_beyond_reach_is_no_frame() -> None:
    decoder = BinaryDecoder(largest=7500)
    assert decoder.feed(binary(7501) + binary(7500)) == [7500]
    assert decoder.counts["too large"] == 1


@pytest.mark.parametrize("decoder", [BinaryDecoder(), AsciiDecoder()])
def test_cut_anywhere_and_begun_in_the_middle(decoder: Decoder) -> None:
    frame = binary if isinstance(decoder, BinaryDecoder) else ascii_
    stream = b"".join(frame(n) for n in range(300, 900))
    for start in range(1, 7):
        got = [raw for k in range(start, len(stream)) for raw in decoder.feed(stream[k : k + 1])]
        decoder.reset()
        first = 300 + math.ceil(start / len(frame(0)))
        assert got == list(range(first, 900))


def test_every_binary_distance_repeats_without_a_ghost() -> None:
    """Frames in a row, whose ends and beginnings could be read as one: none may be."""
    decoder = BinaryDecoder()
    for raw in range(10_001):
        assert decoder.feed(binary(raw) * 3) == [raw] * 3
    assert decoder.counts["junk"] == 0


def test_a_false_frame_does_not_swallow_the_good_one_behind_it() -> None:
    """FF 01 FF and the next header are a frame by chance: FF + 01 + FF is 1FF."""
    assert BinaryDecoder().feed(bytes.fromhex("FF01FF FF07A1A7")) == [511, 1953]


def test_no_number_is_taken_that_begins_with_a_header() -> None:
    """Two frames of 511 in a row: FF 01 FF (FF FF 01 FF) FF; the inner one is 65281."""
    assert BinaryDecoder(largest=0xFFFF).feed(binary(511) * 2) == [511, 511]


def test_half_a_frame_is_forgotten_after_an_interruption() -> None:
    for decoder, frame in ((BinaryDecoder(), binary(1953)), (AsciiDecoder(), ascii_(480))):
        decoder.feed(frame[:2])
        decoder.reset()
        assert decoder.feed(frame[2:]) == []
        assert decoder.counts["junk"] == len(frame)
        assert len(decoder.feed(frame)) == 1


@pytest.mark.parametrize("largest", [10_000, 0xFEFF])
def test_a_million_random_bytes_binary(largest: int) -> None:
    """Theory: a place passes with probability 2^-16 x (largest + 1) / 2^16; a false frame's number
    is spread evenly up to `largest`, so a gate of 100 mm then passes one in a hundred of 10 m.
    """
    stream = random.Random(1).randbytes(MILLION)
    decoder = BinaryDecoder(largest)
    false = feed(decoder, stream)
    assert len(false) <= poisson_limit(MILLION / 65536 * (largest + 1) / 65536)
    assert decoder.counts["frames"] == len(false)


def test_a_million_random_bytes_ascii() -> None:
    """Theory: 10^4 / 256^6 a place, 4e-5 in a million bytes (the form with a space: less)."""
    assert feed(AsciiDecoder(), random.Random(2).randbytes(MILLION)) == []


def test_good_frames_between_rubbish_are_all_recovered() -> None:
    """A million bytes, half of them rubbish. The good frames' numbers are told from false ones by
    a count that goes up with them, so that each can be looked for in order.
    """
    gen = random.Random(3)
    for decoder, frame in ((BinaryDecoder(), binary), (AsciiDecoder(), ascii_)):
        stream, good = bytearray(), []
        while len(stream) < MILLION:
            stream += gen.randbytes(gen.randint(0, 10))
            if isinstance(decoder, AsciiDecoder) and stream[-1:] == b"R":
                stream[-1] = 0  # "RR0480" is one frame all the same; keep the count simple
            raw = len(good) % 10_001 if frame is binary else len(good) % 10_000
            stream += frame(raw)
            good.append(raw)
        got = feed(decoder, bytes(stream))
        left = iter(got)
        assert all(raw in left for raw in good)  # in order, none missing
        share = 0.0 if frame is ascii_ else 10_001 / 65536
        # each place may pass by chance; with a good frame's byte in it no more often
        assert len(got) - len(good) <= poisson_limit(len(stream) / 65536 * share)


def test_single_wrong_bytes_never_pass_the_sum() -> None:
    """Theory: a sum of bytes changes with any one of them: a frame with one wrong byte never
    passes as itself. What can pass is a frame that begins at another place, by chance.
    """
    gen = random.Random(4)
    decoder = BinaryDecoder()
    passed = 0
    for _ in range(MILLION // 4):
        frame = bytearray(binary(gen.randint(0, 10_000)))
        frame[gen.randrange(4)] ^= gen.randint(1, 255)
        passed += len(decoder.feed(bytes(frame)))
        decoder.reset()
    assert passed == 0


def test_wrong_bytes_in_a_running_stream_binary() -> None:
    """Frames in a row with one byte in eight wrong. Theory as for random bytes, at every place."""
    gen = random.Random(5)
    sent = [gen.randint(200, 2000) for _ in range(MILLION // 4)]
    stream = bytearray(b"".join(map(binary, sent)))
    hurt = [k for k in range(len(stream)) if gen.random() < 0.125]
    for k in hurt:
        stream[k] ^= gen.randint(1, 255)
    whole = len(sent) - len({k // 4 for k in hurt})
    got = len(feed(BinaryDecoder(), bytes(stream)))
    assert got >= whole
    # Behind a whole header two of three bytes wrong, or all three, cancel once in 255; and any
    # place may pass by chance.
    cancel = (3 * 0.125**2 * 0.875**2 + 0.125**3 * 0.875) / 255
    theory = len(sent) * cancel + len(stream) / 65536
    assert got - whole <= poisson_limit(theory)


def test_wrong_digits_are_not_noticed_ascii() -> None:
    """Theory: with one byte of six wrong, evenly among 255, 4/6 x 9/255 = 2.4 % pass as another
    number: no checksum. They are for the gate, the rate and the consensus to find.
    """
    gen = random.Random(6)
    decoder = AsciiDecoder()
    frames, passed = MILLION // 6, 0
    for _ in range(frames):
        frame = bytearray(ascii_(gen.randint(300, 5000)))
        frame[gen.randrange(6)] ^= gen.randint(1, 255)
        passed += len(decoder.feed(bytes(frame)))
        decoder.reset()
    share = 4 / 6 * 9 / 255
    assert passed / frames == pytest.approx(share, abs=5 * math.sqrt(share / frames))
