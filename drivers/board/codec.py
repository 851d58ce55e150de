"""The board's wire format, one file for MicroPython and CPython; docs/board-protocol.md tells it.

A frame is kind, sequence number, payload and CRC-16/IBM-3740 (big-endian), packed by COBS between
two zero bytes, so that noise before it cannot spoil it. Payloads are fixed layouts,
little-endian. Times are the board's microseconds modulo 2**30, the span of MicroPython's ticks_us
on a Pico.
"""

import struct

VERSION = 1  # of this protocol: both sides must say the same
TICKS = 1 << 30  # microseconds after which the board's clock starts again at 0
ECHOES = 4  # most that one ping can tell
BATCH = 4  # most inertial samples in one frame
FULL = 1000  # valve command on the wire at full opening
MOST = 96  # bytes between two zero bytes: no frame is longer
SHORTEST = 4  # kind, sequence number, CRC
LEASE_MS = 200  # without a command for so long the valves shut
TIMER_MS = 5  # the lease is looked at so often
STALE_MS = 150  # a command from an older ping is refused

HELLO = 0x01  # either way
ARM = 0x02  # to the board
VALVES = 0x03
GATE = 0x04
SYNC = 0x05
PING = 0x11  # from the board
INERTIAL = 0x12
INPUTS = 0x13
STATUS = 0x14
SYNCED = 0x15

LAYOUTS = {
    HELLO: "<BIBBB8s",  # version, boot or session, elements, sensor, flags, identity
    ARM: "<IB",  # boot, 1 arms or 0 disarms
    VALVES: "<IHhh",  # boot, ping it was computed from, left, right (-1000..1000, > 0 raises)
    GATE: "<HHHH",  # near, far (us of flight), period of a ping (us / 10), elements in use (bits)
    SYNC: "<I",  # a mark that comes back
    PING: "<IHBBIHHHH",  # sent, ping, element, echoes, fired, flights (us)
    INERTIAL: "<IBBI" + "H7h" * BATCH,  # sent, sensor, count, first, then (us after, 7 raw words)
    INPUTS: "<IB",  # sent, bits ENABLE, LEFT, RIGHT
    # sent, state, why off, then counts modulo 2**16: bad frames, lost frames, commands refused as
    # stale, as of another start or not armed, as beyond full; times switched off, frames not sent
    STATUS: "<IBBHHHHHHH",
    SYNCED: "<III",  # sent, when the question was read, its mark
}
SIZES = {kind: struct.calcsize(layout) for kind, layout in LAYOUTS.items()}

ENABLE, LEFT, RIGHT = 1, 2, 4  # bits of INPUTS: enable held, a hand on either lever
HARD_TIMER = 1  # flag of HELLO: the lease runs in interrupt context
BY_WATCHDOG = 2  # flag of HELLO: the last start was the watchdog's
OFF, ARMED = 0, 1  # states
WHY_OFF = (  # the byte "why off" of STATUS; 0 while armed
    "armed",
    "it has just started",
    "the lease of 200 ms ran out",
    "a run of bad frames came in",
    "it was disarmed",
    "a new session began",
)
WHY_ARMED, WHY_BOOT, WHY_LEASE, WHY_BAD, WHY_TOLD, WHY_SESSION = range(6)

NO_SENSOR, MPU6050 = 0, 1  # inertial sensors, as HELLO and INERTIAL name them

BAD_COBS, BAD_CRC, BAD_KIND, BAD_LENGTH, BAD_LONG = range(5)
BAD_WORDS = ("COBS", "CRC", "kind", "length", "too long")


def _table() -> list[int]:
    entries = []
    for byte in range(256):
        value = byte << 8
        for _ in range(8):
            value = (value << 1) ^ (0x1021 if value & 0x8000 else 0)
        entries.append(value & 0xFFFF)
    return entries


_CRC = _table()


def crc16(data: bytes) -> int:
    """CRC-16/IBM-3740: polynomial 0x1021, start 0xFFFF; 0 when data end with their own CRC."""
    value = 0xFFFF
    for byte in data:
        value = ((value << 8) & 0xFFFF) ^ _CRC[(value >> 8) ^ byte]
    return value


def cobs(data: bytes) -> bytes:
    """The same bytes without a zero among them; no 01 follows a full last block."""
    out = bytearray()
    start, size = 0, len(data)
    while True:
        end = data.find(b"\0", start)
        found = end >= 0
        if not found:
            end = size
        while end - start >= 254:
            out.append(255)
            out.extend(data[start : start + 254])
            start += 254
            if start == size:
                return bytes(out)
        out.append(end - start + 1)
        out.extend(data[start:end])
        if not found:
            return bytes(out)
        start = end + 1


def uncobs(data: bytes) -> bytes | None:
    """What `cobs` was given, or None: a zero inside, or a block that runs over the end."""
    if not data or data.find(b"\0") >= 0:
        return None
    out = bytearray()
    at, size = 0, len(data)
    while at < size:
        code = data[at]
        end = at + code
        if end > size:
            return None
        out.extend(data[at + 1 : end])
        if code < 255 and end < size:
            out.append(0)
        at = end
    return bytes(out)


def pack(kind: int, sequence: int, *fields: int | bytes) -> bytes:
    """One frame as it goes on the wire, both zeros included."""
    body = bytes((kind, sequence & 255)) + struct.pack(LAYOUTS[kind], *fields)
    value = crc16(body)
    return b"\0" + cobs(body + bytes((value >> 8, value & 255))) + b"\0"


def ticks_apart(late: int, early: int) -> int:
    """Microseconds from early to late on the board's clock, -2**29..2**29."""
    return (late - early + TICKS // 2) % TICKS - TICKS // 2


class Frame:
    """A good frame: kind, sequence number, fields by its layout, bytes it took on the wire."""

    def __init__(self, kind: int, sequence: int, fields: tuple, size: int) -> None:  # type: ignore[type-arg]
        self.kind = kind
        self.sequence = sequence
        self.fields = fields
        self.size = size


class Decoder:
    """Bytes in, good frames out; everything else is counted by kind, and never raises.

    `bad` counts by BAD_COBS and so on, `run` the bad ones since the last good one, `worst_run`
    the longest such run until its reader clears it, `lost` those that the sequence numbers miss,
    `repeated` those that came twice.
    """

    def __init__(self) -> None:
        self.bad = [0, 0, 0, 0, 0]
        self.run = 0
        self.worst_run = 0
        self.good = 0
        self.lost = 0
        self.repeated = 0
        self._held = bytearray()
        self._over = False
        self._last = -1

    def restart(self) -> None:
        """Forget the part of a frame and the sequence, as after a new start of the other side."""
        self._held = bytearray()
        self._over = False
        self._last = -1

    def feed(self, data: bytes) -> list[Frame]:
        """The good frames that end within these bytes."""
        found: list[Frame] = []
        parts = bytes(data).split(b"\0")
        last = len(parts) - 1
        for index, part in enumerate(parts):
            self._hold(part)
            if index < last:
                frame = self._close()
                if frame is not None:
                    found.append(frame)
        return found

    def _hold(self, part: bytes) -> None:
        if self._over or len(self._held) + len(part) > MOST:
            self._over = True
            self._held = bytearray()
        else:
            self._held.extend(part)

    def _close(self) -> Frame | None:
        packed, over = bytes(self._held), self._over
        self._held = bytearray()
        self._over = False
        if over:
            self._fail(BAD_LONG)
            return None
        if not packed:  # between the closing zero of one and the opening zero of the next
            return None
        return self._check(packed)

    def _check(self, packed: bytes) -> Frame | None:
        body = uncobs(packed)
        if body is None:
            self._fail(BAD_COBS)
            return None
        if len(body) < SHORTEST:
            self._fail(BAD_LENGTH)
            return None
        if crc16(body) != 0:
            self._fail(BAD_CRC)
            return None
        if body[0] not in LAYOUTS:
            self._fail(BAD_KIND)
            return None
        if len(body) != SIZES[body[0]] + SHORTEST:
            self._fail(BAD_LENGTH)
            return None
        return self._follow(body, len(packed) + 2)

    def _follow(self, body: bytes, size: int) -> Frame | None:
        kind, sequence = body[0], body[1]
        self.run = 0
        self.good += 1
        last, self._last = self._last, sequence
        if kind == HELLO:  # the other side may have started anew
            last = -1
        if last == sequence:
            self.repeated += 1
            return None
        if last >= 0:
            self.lost += (sequence - last - 1) & 255
        return Frame(kind, sequence, struct.unpack(LAYOUTS[kind], body[2:-2]), size)

    def _fail(self, which: int) -> None:
        self.bad[which] += 1
        self.run += 1
        self.worst_run = max(self.worst_run, self.run)
