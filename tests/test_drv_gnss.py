"""The satellite receiver: published sentences, a recording, 10^6 bytes of rubbish, unplugging."""

from __future__ import annotations

import os
import random
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import pytest

from drivers.errors import DeviceError
from drivers.gnss import LATENCY_S, Gnss, Sentences, xor
from drivers.port import SerialLine
from drivers.protocols import MotionSensor
from drivers.samples import MotionSample, Validity

CAPTURE = Path(__file__).resolve().parent.parent.parent / "shared/data/nmea_mtk3339_capture.txt"
# checks.md: gpsd-style texts; forum.espruino.com; tigoe.net. Checksums confirmed and recomputed.
PUBLISHED = {
    "GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,": 0x47,
    "GPGLL,5300.97914,N,00259.98174,E,125926,A": 0x28,
    "GPRMC,155123.000,A,4043.8432,N,07359.7653,W,0.15,83.25,200407,,": 0x28,
}
# A receiver without a fix: every field empty but time and quality.
EMPTY_GGA = "GPGGA,123519,,,,,0,00,,,M,,M,,"
EMPTY_RMC = "GPRMC,123519,V,,,,,,,200407,,"


def line(body: str) -> bytes:
    return f"${body}*{xor(body.encode()):02X}\r\n".encode()


Damage = Callable[[random.Random, bytes], bytes]


class StandInPort:
    """A serial port in memory; unplugged it raises, as pyserial does."""

    def __init__(self) -> None:
        self.data = bytearray()
        self.plugged = True
        self.closed = 0

    def read(self, size: int = 1, /) -> bytes:
        if not self.plugged:
            raise OSError(5, "Input/output error")
        out = bytes(self.data[:size])
        del self.data[:size]
        return out

    def close(self) -> None:
        self.closed += 1


class Bench:
    def __init__(self) -> None:
        self.port = StandInPort()
        self.gnss = Gnss("gnss", lambda: self.port)
        self.now = 10.0

    def hear(self, *bodies: str) -> list[MotionSample]:
        for body in bodies:
            self.port.data += line(body)
        self.now += 1.0
        return list(self.gnss.read(self.now))


@pytest.mark.parametrize(("body", "checksum"), PUBLISHED.items())
def test_published_checksums(body: str, checksum: int) -> None:
    assert xor(body.encode()) == checksum
    assert Sentences().feed(line(body)) == [f"${body}*{checksum:02X}"]


def test_a_published_checksum_that_is_wrong_is_refused() -> None:
    """checks.md: one page prints HEHDT,178.3,T*1E; 22 is right."""
    sentences = Sentences()
    assert sentences.feed(b"$HEHDT,178.3,T*1E\r\n") == []
    assert sentences.counts["checksum"] == 1
    assert sentences.feed(b"$HEHDT,178.3,T*22\r\n") == ["$HEHDT,178.3,T*22"]


def test_place_and_speed_of_published_sentences() -> None:
    bench = Bench()
    assert isinstance(bench.gnss, MotionSensor)
    gga, _, rmc = PUBLISHED
    samples = bench.hear(gga, rmc)
    # 0.15 knots; a knot is 1852 m an hour
    assert [s.speed_mps for s in samples] == [pytest.approx(0.15 * 1852 / 3600)]
    assert samples[0].validity is Validity.OK
    assert samples[0].distance_m is None
    assert samples[0].time_s == pytest.approx(bench.now - LATENCY_S)
    place = bench.gnss.place
    assert place is not None
    assert place.latitude_deg == pytest.approx(48 + 7.038 / 60)
    assert place.longitude_deg == pytest.approx(11 + 31.0 / 60)
    assert (place.quality, place.satellites, place.hdop) == (1, 8, 0.9)


def test_without_a_fix_there_is_no_place_and_no_speed() -> None:
    """The trap: pynmea2 gives latitude 0.0 for the empty GGA."""
    bench = Bench()
    bench.hear(next(iter(PUBLISHED)))
    assert bench.gnss.place is not None
    samples = bench.hear(EMPTY_GGA, EMPTY_RMC)
    assert bench.gnss.place is None
    assert [(s.validity, s.speed_mps) for s in samples] == [(Validity.NOTHING, None)]
    assert bench.gnss.counts["unread"] == 0


@pytest.mark.parametrize(
    "body",
    [
        "GPRMC,155123,A,4043.84,N,07359.76,W,fast,83.25,200407,,",
        "GPRMC,155123,A,4043.84,N,07359.76,W,-3.0,83.25,200407,,",
        "GPRMC,155123,A,4043.84,N,07359.76,W,9999,83.25,200407,,",
        "GPRMC",
        "GPGGA,123519,4x07.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,",
        "GPGGA,123519,9907.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,",
        "GPGGA,123519,4807.038,N,01131.000,E,one,08,0.9,545.4,M,46.9,M,,",
    ],
)
def test_a_good_checksum_on_nonsense_is_counted(body: str) -> None:
    bench = Bench()
    assert [s for s in bench.hear(body) if s.speed_mps is not None] == []
    assert bench.gnss.place is None
    assert bench.gnss.counts["unread"] == 1


def test_a_recording_that_begins_in_mid_sentence() -> None:
    """21 sentences with good checksums (shared/data/README.md); 9600 baud in pieces of 17."""
    if not CAPTURE.exists():
        pytest.skip("../shared/data/nmea_mtk3339_capture.txt is not here")
    data = CAPTURE.read_bytes()
    sentences = Sentences()
    found = [s for i in range(0, len(data), 17) for s in sentences.feed(data[i : i + 17])]
    found += sentences.feed(b"\n")
    assert len(found) == 21
    assert sentences.counts == Counter(junk=data.index(b"\n") - data[: data.index(b"\n")].count(13))
    kinds = Counter(s[3:6] for s in found)
    bench = Bench()
    bench.port.data += data + b"\n"
    samples = [s for _ in range(5) for s in bench.gnss.read(bench.now)]
    assert len(samples) == kinds["RMC"] >= 4
    assert all(s.speed_mps == pytest.approx(0.02 * 1852 / 3600) for s in samples)
    place = bench.gnss.place
    assert place is not None
    assert place.latitude_deg == pytest.approx(45 + 30.7007 / 60)
    assert place.longitude_deg == pytest.approx(-(122 + 40.8053 / 60))


def changed(rng: random.Random, data: bytes) -> bytes:
    """One to four bytes changed to any value."""
    out = bytearray(data)
    for _ in range(rng.randint(1, 4)):
        out[rng.randrange(len(out))] = rng.randrange(256)
    return bytes(out)


def lost_or_doubled(rng: random.Random, data: bytes) -> bytes:
    """One to four bytes lost or doubled."""
    out = bytearray(data)
    for _ in range(rng.randint(1, 4)):
        i = rng.randrange(len(out))
        out[i : i + 1] = b"" if rng.random() < 0.5 else out[i : i + 1] * 2
    return bytes(out)


def most_false(damage: Damage, lines: int) -> float:
    """How many damaged sentences may pass.

    Changed by chance, the XOR of what was changed is any of 256 values: one in 256, and three
    standard deviations. Lost and doubled bytes cancel where they are equal: of two (a quarter of
    the lines) as often as two bytes of a sentence are equal, of four not more than that again.
    """
    if damage is changed:
        share = 1 / 256
    else:
        counts = Counter("".join(PUBLISHED))
        same = sum(n * n for n in counts.values()) / sum(counts.values()) ** 2
        share = (same + same) / 4
    return lines * share + 3 * (lines * share) ** 0.5


@pytest.mark.parametrize("damage", [changed, lost_or_doubled])
def test_a_million_bytes_of_rubbish_between_good_sentences(damage: Damage) -> None:
    """No exception; all good sentences found; false ones no more than 8 bits of XOR promise."""
    rng = random.Random(7)
    sentences = Sentences()
    good = [line(body) for body in PUBLISHED]
    texts = {g.decode().strip() for g in good}
    sent = lines = size = 0
    got: Counter[str] = Counter()
    while size < 10**6:
        noise = rng.randbytes(rng.randrange(80))
        bad = damage(rng, rng.choice(good))
        right = rng.choice(good)
        stream = noise + bad + b"\n" + right
        for text in sentences.feed(stream):
            got[text] += 1
        sent, lines, size = sent + 1, lines + 1, size + len(stream)
    true = sum(got[t] for t in texts)
    false = sum(n for t, n in got.items() if t not in texts)
    # damage may leave a sentence whole: a "$" or a line end doubled, a line end changed
    assert sent <= true <= sent + lines // 10
    assert 0 < false <= most_false(damage, lines)
    assert sentences.counts["checksum"] > lines // 4
    assert sentences.counts["junk"] > 0


def test_the_receiver_bears_rubbish_too() -> None:
    """Whatever passes the checksum is read or counted, and never raises."""
    rng = random.Random(8)
    bench = Bench()
    fields = ["", "0", "1", "A", "V", "N", "4807.038", "-1e400", "nan", "x", "99999999999"]
    for _ in range(5000):
        kind = rng.choice(["GPRMC", "GPGGA", "GNRMC", "GPVTG", "PRMCX"])
        body = ",".join([kind, *rng.choices(fields, k=rng.randrange(16))])
        for s in bench.hear(body):
            assert s.speed_mps is None or 0.0 <= s.speed_mps <= 100.0
    assert bench.gnss.counts["unread"] > 100


def test_an_endless_line_is_dropped_and_the_next_found() -> None:
    sentences = Sentences()
    for _ in range(100):
        assert sentences.feed(b"$" + b"A" * 119) == []
    assert sentences.counts["long"] >= 90
    assert sentences.feed(b"\n" + line(EMPTY_GGA)) == [line(EMPTY_GGA).decode().strip()]


def test_unplugged_it_is_silent_has_no_place_and_comes_back() -> None:
    bench = Bench()
    gga, _, rmc = PUBLISHED
    bench.hear(gga, rmc)
    bench.port.data += b"$GPGGA,1235"
    bench.gnss.read(bench.now)
    bench.port.plugged = False
    assert bench.hear() == []
    assert bench.gnss.place is None
    assert "the receiver's port is gone" in str(bench.gnss.trouble)
    assert bench.port.closed == 1
    bench.port = StandInPort()
    assert len(bench.hear(gga, rmc)) == 1
    assert bench.gnss.place is not None
    assert bench.gnss.trouble is None


def test_a_port_that_is_not_there_is_told() -> None:
    def missing() -> StandInPort:
        raise OSError(2, "No such file or directory")

    with pytest.raises(DeviceError, match="gnss: the receiver's port cannot be opened"):
        Gnss("gnss", missing)


def test_through_a_pseudo_terminal_that_hangs_up() -> None:
    """The real serial port of drivers/port.py: a sentence comes through; a hang-up is told."""
    master, slave = os.openpty()
    gnss = Gnss("gnss", lambda: SerialLine(os.ttyname(slave), 9600))
    assert gnss.read(1.0) == []
    os.write(master, line(list(PUBLISHED)[2]))
    samples = [s for i in range(1000) for s in gnss.read(1.0 + 1e-3 * i)]
    assert len(samples) == 1
    os.close(master)
    os.close(slave)
    assert gnss.read(3.0) == []
    assert gnss.counts["gone"] == 1
    assert gnss.trouble is not None
    gnss.close()
