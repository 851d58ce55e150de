"""The board's wire: published vectors, every mutation, and no more false frames than theory has."""

import math
import random
import struct
from binascii import crc_hqx

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.board import codec
from drivers.board.codec import Decoder, cobs, crc16, pack, ticks_apart, uncobs

# The COBS paper's examples (Cheshire and Baker 1999), as quoted by public implementations.
ONE_TO_254 = bytes(range(1, 255))
COBS_VECTORS = [
    (b"", b"\x01"),
    (b"\0", b"\x01\x01"),
    (b"\0\0", b"\x01\x01\x01"),
    (b"\x11\x22\0\x33", b"\x03\x11\x22\x02\x33"),
    (b"\x11\0\0\0", b"\x02\x11\x01\x01\x01"),
    (b"12345\x006789", b"\x0612345\x056789"),
    (ONE_TO_254, b"\xff" + ONE_TO_254),
    (ONE_TO_254 + b"\xff", b"\xff" + ONE_TO_254 + b"\x02\xff"),
]

CHANCE = 1e-6  # that a right decoder fails one of the counts below


def most(expected: float) -> int:
    """The least count that a Poisson variable exceeds with less than CHANCE."""
    count, term, below = 0, math.exp(-expected), math.exp(-expected)
    while 1 - below > CHANCE:
        count += 1
        term *= expected / count
        below += term
    return count


def some_fields(kind: int, rng: random.Random) -> tuple[int | bytes, ...]:
    layout = codec.LAYOUTS[kind]
    return struct.unpack(layout, rng.randbytes(struct.calcsize(layout)))


def mutated(frame: bytes, rng: random.Random) -> bytes:
    """One frame spoilt in one of five ways: its block is no longer among its zeros."""
    spoilt = bytearray(frame)
    while frame[1:-1] in spoilt.split(b"\0"):
        spoilt = bytearray(frame)
        at = rng.randrange(1, len(frame) - 1)
        match rng.randrange(5):
            case 0:
                spoilt[at] ^= 1 << rng.randrange(8)
            case 1:
                spoilt[at] = rng.randrange(256)
            case 2:
                del spoilt[at : at + rng.randrange(1, 5)]
            case 3:
                spoilt[at:at] = rng.randbytes(rng.randrange(1, 9))
            case _:
                spoilt = spoilt[:at] if rng.random() < 0.5 else spoilt[at:]
    return bytes(spoilt)


def test_crc_has_the_catalogues_check_value() -> None:
    # CRC-16/IBM-3740, the public CRC catalogue; the residue as pycyphal has it.
    assert crc16(b"123456789") == 0x29B1
    assert crc16(b"123456789\x29\xb1") == 0


@given(st.binary(max_size=300))
def test_crc_agrees_with_the_standard_librarys(data: bytes) -> None:
    assert crc16(data) == crc_hqx(data, 0xFFFF)


@pytest.mark.parametrize(("plain", "packed"), COBS_VECTORS)
def test_cobs_has_the_papers_examples(plain: bytes, packed: bytes) -> None:
    assert cobs(plain) == packed
    assert uncobs(packed) == plain


@pytest.mark.parametrize("packed", [b"", b"\0", b"\x05123", b"\x051234\0", b"\x02"])
def test_what_is_not_cobs_is_refused(packed: bytes) -> None:
    assert uncobs(packed) is None


@given(st.binary(max_size=1200))
def test_cobs_comes_back_and_has_no_zero(data: bytes) -> None:
    packed = cobs(data)
    assert 0 not in packed
    assert uncobs(packed) == data
    assert len(packed) <= len(data) + 1 + len(data) // 254


@given(st.data())
def test_every_kind_comes_back_however_it_is_cut(data: st.DataObject) -> None:
    kind = data.draw(st.sampled_from(sorted(codec.LAYOUTS)))
    raw = data.draw(st.binary(min_size=codec.SIZES[kind], max_size=codec.SIZES[kind]))
    sequence = data.draw(st.integers(0, 255))
    fields = struct.unpack(codec.LAYOUTS[kind], raw)
    wire = pack(kind, sequence, *fields)
    cut = data.draw(st.integers(0, len(wire)))
    decoder = Decoder()
    frames = decoder.feed(wire[:cut]) + decoder.feed(wire[cut:])
    assert [(f.kind, f.sequence, f.fields, f.size) for f in frames] == [
        (kind, sequence, fields, len(wire))
    ]
    assert sum(decoder.bad) == 0
    assert len(wire) <= codec.MOST + 2


def test_every_error_of_one_or_two_bits_is_caught() -> None:
    # Derived: 0x11021 is (x + 1) times a primitive polynomial of degree 15, so that two wrong bits
    # less than 32767 apart never cancel.
    body = pack(codec.PING, 9, 1, 2, 3, 4, 5, 6, 7, 8, 9)[1:-1]
    plain = uncobs(body)
    assert plain is not None
    bits = range(8 * len(plain))
    for one in bits:
        for two in range(one, len(bits)):
            wrong = bytearray(plain)
            wrong[one // 8] ^= 1 << one % 8
            if two > one:
                wrong[two // 8] ^= 1 << two % 8
            assert crc16(wrong) != 0


def test_a_crc_lets_one_block_in_65536_through() -> None:
    rng = random.Random(1)
    blocks = 400_000
    expected = blocks / 65536
    passed = sum(crc16(rng.randbytes(6)) == 0 for _ in range(blocks))
    assert 0 < passed <= most(expected)  # none at all would be as strange: e**-6.1


def noise(size: int, seed: int) -> Decoder:
    """What a decoder made of random bytes, fed in pieces."""
    rng = random.Random(seed)
    decoder = Decoder()
    for _ in range(size // 1000):
        decoder.feed(rng.randbytes(1000))
    return decoder


def assert_as_theory_has_it(decoder: Decoder) -> None:
    """Of all blocks between zeros at most 2**-16 pass the CRC; kind and length only take away."""
    blocks = decoder.good + sum(decoder.bad)
    passed_crc = decoder.good + decoder.bad[codec.BAD_KIND]
    assert passed_crc <= most(blocks / 65536)
    assert decoder.bad[codec.BAD_COBS] > 0
    assert decoder.bad[codec.BAD_CRC] > 0
    assert decoder.bad[codec.BAD_LONG] > 0


def test_a_million_random_bytes() -> None:
    decoder = noise(1_000_000, 2)
    assert decoder.good + sum(decoder.bad) > 3000  # a zero each 256 bytes makes some 3900 blocks
    assert_as_theory_has_it(decoder)


@pytest.mark.slow
def test_ten_million_bytes_of_frames_that_only_the_crc_can_tell() -> None:
    """Kind, length and COBS are right, all else is chance: 2**-16 of the frames get through."""
    rng = random.Random(3)
    decoder = Decoder()
    size = 0
    while size < 10_000_000:
        bodies = [bytes((codec.SYNC,)) + rng.randbytes(7) for _ in range(1000)]
        wire = b"".join(b"\0" + cobs(body) + b"\0" for body in bodies)
        decoder.feed(wire)
        size += len(wire)
    frames = decoder.good + decoder.bad[codec.BAD_CRC]
    assert frames > 900_000
    assert 0 < decoder.good <= most(frames / 65536)


def test_a_million_mutated_bytes_and_every_good_frame_between() -> None:
    rng = random.Random(4)
    kinds = sorted(codec.LAYOUTS)
    decoder = Decoder()
    size = spoilt = good = false = sequence = 0
    while size < 1_000_000:
        sent, wire = [], bytearray()
        for _ in range(100):
            kind, fields = rng.choice(kinds), ()
            fields = some_fields(kind, rng)
            sequence = (sequence + 1) % 256
            frame = pack(kind, sequence, *fields)
            if rng.random() < 0.5:
                wire += frame
                sent.append((kind, sequence, fields))
            else:
                wire += mutated(frame, rng)
                spoilt += 1
        got = [(f.kind, f.sequence, f.fields) for f in decoder.feed(bytes(wire) + b"\0")]
        # Each good frame, in its order; what stands between is false.
        for frame in sent:
            at = [repr(one) for one in got].index(repr(frame))
            false += at
            got = got[at + 1 :]
        false += len(got)
        good += len(sent)
        size += len(wire)
    assert good > 10_000
    assert spoilt > 10_000
    assert false <= most(2 * spoilt / 65536)  # a zero put in makes two blocks of one


def test_what_is_missing_or_came_twice_is_counted() -> None:
    decoder = Decoder()
    frames = [pack(codec.SYNC, n, n) for n in (254, 255, 0, 0, 3)]
    assert [f.sequence for f in decoder.feed(b"".join(frames))] == [254, 255, 0, 3]
    assert (decoder.repeated, decoder.lost) == (1, 2)


def test_bad_frames_are_counted_by_kind_and_in_a_run() -> None:
    decoder = Decoder()
    body = bytes((0x77, 1))
    strange = cobs(body + crc16(body).to_bytes(2, "big"))
    body = bytes((codec.SYNC, 1, 2))
    short = cobs(body + crc16(body).to_bytes(2, "big"))
    spoilt = bytearray(pack(codec.SYNC, 1, 0x01010101)[1:-1])
    spoilt[3] ^= 2
    parts = [strange, short, bytes(spoilt), b"\x09ab", b"\x01" * 200]
    assert decoder.feed(b"\0".join([*parts, b""])) == []
    assert decoder.bad == [1, 1, 1, 1, 1]
    assert decoder.run == 5
    decoder.feed(pack(codec.SYNC, 1, 2))
    assert (decoder.run, decoder.worst_run) == (0, 5)


def test_ticks_compare_over_the_end_of_the_boards_clock() -> None:
    assert ticks_apart(5, codec.TICKS - 5) == 10
    assert ticks_apart(codec.TICKS - 5, 5) == -10
