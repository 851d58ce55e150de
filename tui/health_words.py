"""The health screen as words: what is known of devices, faults, loop, computer and recording.

No widget here. A fact is its name, its words and how grave it is; grave ones are also marked with
a sign, for nothing is said by colour alone.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from enum import StrEnum
from typing import NamedTuple

from firmware_py.guard.table import BY_NAME, Response
from firmware_py.link.frames import VERSION, Device
from firmware_py.messages import SCHEMA
from tui.acts import STALE
from tui.known import Known
from tui.units import NOT_KNOWN

DEVICES_S = 3.0  # s; devices are told once a second: older than three reports is stale
HOST_S = 15.0  # s; the keeper tells every few seconds
QUIET_S = 2.5  # s; a device whose last good sample is older stands out
SILENT_S = 15.0  # s; the slowest device (air) is at fault by then, whatever this one is
DISK_LOW = 1_000_000_000  # bytes; some ten hours of recording at 100 Hz
HOT_C = 80.0  # a Raspberry Pi slows itself down from here on (its maker's documentation)
PERCENTILES = (50.0, 99.0, 99.9)


class Grave(StrEnum):
    """How grave a fact is, with the sign that says so."""

    WELL = ""
    LOOK = "!"
    BAD = "!!"


class Fact(NamedTuple):
    """One line."""

    name: str
    words: str
    grave: Grave = Grave.WELL


def percentile(values: Sequence[float], percent: float) -> float:
    """Nearest rank: the smallest value that so many percent do not exceed. values are sorted."""
    rank = max(math.ceil(len(values) * percent / 100.0 - 1e-9), 1)
    return values[rank - 1]


def faults(known: Known, now_s: float, *, more: bool = False) -> list[Fact]:
    """Each active fault with what to do, the most important first; more: and how it ends."""
    if known.tick is None:
        return [Fact("faults", NOT_KNOWN, Grave.LOOK)]
    old = "" if known.fresh(now_s) else f" {STALE}"
    if not known.tick.faults:
        return [Fact("faults", f"none{old}")]
    found: list[Fact] = []
    for name in known.tick.faults:
        found.append(_fault(name, old))
        row = BY_NAME.get(name)
        if more and row is not None and row.response is not Response.TELL:
            found.append(Fact("", f"{row.response}; automatic comes back: {row.recovery}"))
    return found


def _fault(name: str, old: str) -> Fact:
    row = BY_NAME.get(name)
    if row is None:
        return Fact(name, f"this dashboard does not know that fault{old}", Grave.BAD)
    grave = Grave.LOOK if row.response is Response.TELL else Grave.BAD
    return Fact(name, f"{row.words}{old}", grave)


def devices_head(known: Known, now_s: float) -> str:
    """How old what is told of the devices is."""
    if known.devices is None:
        return f"DEVICES  {NOT_KNOWN}"
    return f"DEVICES  {_told(now_s - known.devices.time_s, DEVICES_S)}"


def _told(age_s: float, most_s: float) -> str:
    words = f"told {max(age_s, 0.0):.0f} s ago"
    return f"{words} {STALE}" if age_s > most_s else words


def devices(known: Known, now_s: float) -> list[Fact]:
    """Each device: age of its last good sample when told, rate, and what was refused."""
    if known.devices is None:
        return []
    cut = known.beat is not None and not known.fresh(now_s)
    stale = cut or now_s - known.devices.time_s > DEVICES_S
    old = f" {STALE}" if stale else ""
    return [_device(one, old) for one in known.devices.devices]


def _device(one: Device, old: str) -> Fact:
    silent = one.age_s is None or one.age_s > SILENT_S
    quiet = one.age_s is None or one.age_s > QUIET_S
    age = "no sample yet" if one.age_s is None else f"{one.age_s:.2f} s old"
    refused = f", refused {one.dropped}" if one.dropped else ""
    why = f": {one.why}" if one.why else f"; {one.what}" if one.what else ""
    grave = Grave.BAD if silent else Grave.LOOK if quiet or one.dropped or one.why else Grave.WELL
    return Fact(one.name, f"{age}, {one.rate_hz:.0f} a second{refused}{why}{old}", grave)


def loop(known: Known, now_s: float) -> list[Fact]:
    """Lateness over the last minute, missed deadlines, work, and the loop's health."""
    if known.beat is None:
        return [Fact("loop", NOT_KNOWN, Grave.LOOK)]
    old = "" if known.fresh(now_s) else f" {STALE}"
    beat, late = known.beat, sorted(late_s for _, late_s in known.late)
    span = known.late[-1][0] - known.late[0][0]
    ranks = ", ".join(f"p{rank:g} {_ms(percentile(late, rank))}" for rank in PERCENTILES)
    words = f"{ranks}, worst {_ms(late[-1])} ms over {span:.0f} s{old}"
    return [
        Fact("late", words),
        Fact("missed", f"{beat.missed} deadlines{old}", Grave.LOOK if beat.missed else Grave.WELL),
        Fact("work", f"{_ms(beat.work_s)} ms a tick{_of(known)}{old}"),
        *_health(known, now_s),
    ]


def _of(known: Known) -> str:
    hz = 0.0 if known.hello is None else known.hello.tick_hz
    return f" of {_ms(1.0 / hz)}" if hz > 0.0 else ""


def _ms(seconds: float) -> str:
    return f"{seconds * 1e3:.2f}"


def _health(known: Known, now_s: float) -> list[Fact]:
    """Harris' index with 1 as the limit; beside it what it rests on."""
    host, hello = known.host, known.hello
    if host is None:
        return [Fact("health", NOT_KNOWN)]
    old = f" {STALE}" if now_s - host.time_s > HOST_S else ""
    dead = "the rig file's" if hello is None else f"{hello.dead_s:.3f} s"
    left, right = (NOT_KNOWN if one is None else f"{one:.2f}" for one in host.loop_health)
    return [
        Fact(
            "health",
            f"left {left}, right {right} of 1 at best, over {host.health_s:.0f} s "
            f"at {dead} of dead time{old}",
        ),
    ]


def host_head(known: Known, now_s: float) -> str:
    """How old what is told of the computer is."""
    if known.host is None:
        return f"COMPUTER AND RECORDING  {NOT_KNOWN}"
    return f"COMPUTER AND RECORDING  {_told(now_s - known.host.time_s, HOST_S)}"


def computer(known: Known, now_s: float) -> list[Fact]:
    """Recording, disk, temperature, power, real-time measures."""
    host = known.host
    if host is None:
        return [*_recording(known), *_measures(known)]
    old = f" {STALE}" if now_s - host.time_s > HOST_S else ""
    temperature, disk = host.temperature_c, host.disk_free_bytes
    hot = temperature is not None and temperature >= HOT_C
    low = disk is not None and disk < DISK_LOW
    heat = NOT_KNOWN if temperature is None else f"{temperature:.1f} °C{old}"
    room = NOT_KNOWN if disk is None else f"{size(disk)} free{old}"
    power = f"{host.power}{old}" if host.power else f"nothing amiss, or {NOT_KNOWN} here{old}"
    return [
        *_recording(known, old),
        Fact("disk", room, Grave.LOOK if low else Grave.WELL),
        Fact("processor", heat, Grave.LOOK if hot else Grave.WELL),
        Fact("power", power, Grave.LOOK if host.power else Grave.WELL),
        *_measures(known),
    ]


def _recording(known: Known, old: str = "") -> list[Fact]:
    """What is wrong comes first; the path says where the file is."""
    path = NOT_KNOWN if known.hello is None else known.hello.recording or "nothing is recorded"
    if known.host is None:
        return [Fact("recording", path)]
    facts = [Fact("recording", f"{size(known.host.recorded_bytes)}{old}, {path}")]
    if known.host.recording:
        facts.insert(0, Fact("recording", f"{known.host.recording}{old}", Grave.BAD))
    return facts


def _measures(known: Known) -> list[Fact]:
    told = () if known.host is None else known.host.realtime
    if not told and known.hello is not None:
        told = known.hello.realtime
    if not told:
        return [Fact("real time", NOT_KNOWN)]
    names = ["real time", *[""] * (len(told) - 1)]
    return [Fact(name, words) for name, words in zip(names, told, strict=True)]


def link(known: Known) -> list[Fact]:
    """The link: lost or not, its versions, and what was lost on it."""
    lost = Fact("link", known.lost, Grave.BAD) if known.lost else Fact("link", "up")
    hello, beat = known.hello, known.beat
    if hello is None:
        return [lost, Fact("link version", NOT_KNOWN)]
    same = (hello.version, hello.schema) == (VERSION, SCHEMA)
    ours = "" if same else f"; this dashboard has {VERSION}, messages {SCHEMA}"
    words = f"{hello.version}, messages {hello.schema}{ours}"
    dropped = NOT_KNOWN if beat is None else f"{beat.dropped} (all listeners together)"
    return [
        lost,
        Fact("link version", words, Grave.WELL if same else Grave.BAD),
        Fact("frames lost", dropped, Grave.LOOK if beat and beat.dropped else Grave.WELL),
        *_sound(known),
    ]


def _sound(known: Known) -> list[Fact]:
    """What is heard, or why nothing is; no row where no sound was asked for."""
    if not known.sound:
        return []
    bad = known.sound.startswith("no sound")
    return [Fact("sound", known.sound.removeprefix("sound: "), Grave.BAD if bad else Grave.WELL)]


def size(count: int) -> str:
    """'12.3 MB'; decimal units, as disks are sold."""
    for unit, one in (("GB", 1e9), ("MB", 1e6), ("kB", 1e3)):
        if count >= one:
            return f"{count / one:.1f} {unit}"
    return f"{count} bytes"
