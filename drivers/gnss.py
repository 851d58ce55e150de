"""Satellite receiver by NMEA 0183: rough place and speed, nothing that levels a blade.

Speed has no sign: a receiver cannot tell backward from forward, so it does not replace a wheel.
A sentence counts only with a good checksum; a place only where its quality says that there is one
(an empty GGA reads as latitude 0.0).
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Sequence
from typing import NamedTuple, Protocol

import pynmea2  # type: ignore[import-untyped]

from drivers.errors import DeviceError
from drivers.port import PORT_ERRORS
from drivers.samples import MotionSample, Validity

LONGEST = 120  # characters of a sentence; 82 by the standard, and receivers that exceed it
KNOT = 1852.0 / 3600.0  # m/s
FASTEST = 100.0  # m/s: beyond it the sentence is wrong
LATENCY_S = 0.2  # from the epoch to its sentences, give or take as much; common practice, no source
PERIOD_S = 1.0  # between two epochs, as receivers come; a faster one is told so
DEAD_PERIODS = 3  # without a sentence that is understood the receiver is dead
RETRY_S = 0.5  # between two tries to open the port
CHUNK = 512  # bytes taken in one read: 0.5 s at 9600 baud


class Port(Protocol):
    """An open serial port whose read never waits: drivers.port.SerialLine, for instance."""

    def read(self, size: int = 1, /) -> bytes: ...

    def close(self) -> None: ...


class Place(NamedTuple):
    """Rough place, degrees, north and east > 0. quality: of the GGA, 1 or more."""

    time_s: float
    latitude_deg: float
    longitude_deg: float
    quality: int
    satellites: int | None
    hdop: float | None


class Sentences:
    """Bytes to sentences with a good checksum, "$" to the last hex digit.

    The checksum is the XOR of the bytes between "$" and "*", 8 bits: of damaged sentences that
    keep their form, 1 in 256 passes. counts: checksum, no_checksum, long, junk (bytes).
    """

    def __init__(self) -> None:
        self.counts: Counter[str] = Counter()
        self._held = bytearray()

    def feed(self, data: bytes) -> list[str]:
        """Sentences that are whole by now."""
        out: list[str] = []
        self._held += data
        *lines, rest = self._held.replace(b"\r", b"\n").split(b"\n")
        for line in lines:
            if line and (text := self._line(bytes(line))) is not None:
                out.append(text)
        if len(rest) > LONGEST:
            self.counts["long"] += 1
            keep = rest.rfind(b"$")
            rest = rest[keep:] if 0 <= len(rest) - keep <= LONGEST and keep > 0 else bytearray()
        self._held = bytearray(rest)
        return out

    def _line(self, line: bytes) -> str | None:
        start = line.rfind(b"$")
        if start < 0:
            self.counts["junk"] += len(line)
            return None
        self.counts["junk"] += start
        line = line[start:]
        if len(line) > LONGEST:
            self.counts["long"] += 1
            return None
        if len(line) < 4 or line[-3:-2] != b"*":
            self.counts["no_checksum"] += 1
            return None
        want = _hex(line[-2:])
        if want != xor(line[1:-3]) or not line.isascii():
            self.counts["checksum"] += 1
            return None
        return line.decode("ascii")


def xor(data: bytes) -> int:
    """The checksum of NMEA 0183."""
    total = 0
    for byte in data:
        total ^= byte
    return total


class Gnss:
    """One receiver on a serial port, behind protocols.MotionSensor: speed without a sign or way.

    counts: those of Sentences, and unread (a known sentence that makes no sense), gone.
    """

    def __init__(
        self, name: str, open_port: Callable[[], Port], latency_s: float = LATENCY_S,
        period_s: float = PERIOD_S,
    ) -> None:  # fmt: skip
        self.name = name
        self.trouble: str | None = None
        self.place: Place | None = None
        self._sentences = Sentences()
        self.counts = self._sentences.counts
        self._latency_s, self.period_s = latency_s, period_s
        self._heard_s = -math.inf
        self._open_port = open_port
        self._port: Port | None = None
        self._retry_s = -math.inf
        try:
            self._port = open_port()
        except PORT_ERRORS as error:
            raise DeviceError(f"{name}: the receiver's port cannot be opened ({error})") from error

    def read(self, now_s: float) -> Sequence[MotionSample]:
        """A sample for each RMC that came; place is renewed by each GGA."""
        try:
            if self._port is None:
                if now_s < self._retry_s:
                    return []
                self._port = self._open_port()
            data = self._port.read(CHUNK)
        except PORT_ERRORS as error:
            self._gone(now_s, error)
            return []
        self.trouble = None
        taken = [self._take(text, now_s - self._latency_s) for text in self._sentences.feed(data)]
        samples = [sample for sample in taken if sample is not None]
        if samples:
            self._heard_s = now_s
        return samples

    def dead(self, now_s: float) -> bool:
        """No speed, nor word that there is no fix, for three periods. Ask after a read."""
        return not now_s - self._heard_s <= DEAD_PERIODS * self.period_s

    def close(self) -> None:
        """Let go of the port."""
        self._drop()
        self._retry_s = math.inf

    def _take(self, text: str, time_s: float) -> MotionSample | None:
        kind = text[3:6]
        if kind not in ("RMC", "GGA"):
            return None
        try:
            sentence = pynmea2.parse(text, check=True)
            if kind == "GGA":
                self.place = place_of(sentence, time_s)
                return None
            speed = speed_of(sentence)
        except (pynmea2.ParseError, ValueError, TypeError, AttributeError, ArithmeticError):
            self.counts["unread"] += 1
            return None
        validity = Validity.NOTHING if speed is None else Validity.OK
        return MotionSample(self.name, time_s, validity, speed, None)

    def _gone(self, now_s: float, error: Exception) -> None:
        self.counts["gone"] += 1
        self.trouble = f"{self.name}: the receiver's port is gone ({error}); plug it in again"
        self.place = None
        self._drop()
        self._retry_s = now_s + RETRY_S

    def _drop(self) -> None:
        port, self._port = self._port, None
        self._sentences.feed(b"\n")  # half a sentence from before is none
        if port is not None:
            try:
                port.close()
            except PORT_ERRORS:
                self.counts["close"] += 1


def speed_of(rmc: pynmea2.RMC) -> float | None:
    """m/s, without a sign; None where the receiver has no fix."""
    if rmc.status != "A" or rmc.spd_over_grnd is None:
        return None
    speed = float(rmc.spd_over_grnd) * KNOT
    if not 0.0 <= speed <= FASTEST:
        raise ValueError(f"{speed} m/s is no speed of a machine")
    return speed


def place_of(gga: pynmea2.GGA, time_s: float) -> Place | None:
    """None where the quality says that there is no fix, whatever latitude reads."""
    quality = int(gga.gps_qual or 0)
    if quality < 1 or not gga.lat or not gga.lon:
        return None
    latitude, longitude = float(gga.latitude), float(gga.longitude)
    if not (abs(latitude) <= 90.0 and abs(longitude) <= 180.0):
        raise ValueError(f"{latitude}, {longitude} is no place")
    satellites = int(gga.num_sats) if gga.num_sats else None
    hdop = float(gga.horizontal_dil) if gga.horizontal_dil else None
    return Place(time_s, latitude, longitude, quality, satellites, hdop)


def _hex(data: bytes) -> int:
    try:
        return int(data.decode("ascii"), 16) if data.isalnum() else -1
    except ValueError:  # also UnicodeDecodeError
        return -1
