"""A range element on a serial port: running free, or fired by a byte or by its line let go.

Fired, the instant of firing is ours. Running free, it is the arrival less the stated latency; the
arrival lies between two reads, and its middle is taken.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import Literal

from drivers.port import Port
from drivers.rangers.decode import Decoder
from drivers.rangers.reading import Reading, Traits

# free: it ranges by itself. byte: a byte written fires it. release: its input is held low and let
# go for the time of one read to fire it (PD11832f p. 2, PD11500 p. 10: at least 20 us high).
Trigger = Literal["free", "byte", "release"]

SILENT_PERIODS = 3.0  # without a reading: something is wrong with it
BABBLE = 64  # bytes without one good frame: it speaks, but not this


@dataclass(frozen=True)
class UartTraits(Traits):
    """A serial model's figures; fire_delay_s: from our write to its firing."""

    trigger: Trigger = "free"
    trigger_byte: int = 0x55
    fire_delay_s: float = 0.0


class UartRanger:
    """One element on one port; see Element for what it offers."""

    def __init__(self, port: Port, decoder: Decoder, traits: UartTraits) -> None:
        self.port, self.decoder, self.traits = port, decoder, traits
        self.counts: Counter[str] = Counter()
        self.period_s = traits.period_s
        self.seen_s: float | None = None
        self.pending_s: float | None = None
        self._opened = 0
        self._fired_s: float | None = None
        self._high = False  # its input was let go and must be held low again
        self._read_s: float | None = None
        self._begun_s: float | None = None
        self._unread = 0  # bytes since the last good frame

    @property
    def runs_free(self) -> bool:
        return self.traits.trigger == "free"

    @property
    def why(self) -> str:
        if self.port.why:
            return self.port.why
        since = self._begun_s
        if since is not None and self.seen_s is not None:
            since = max(since, self.seen_s)
        now = self._read_s
        if self._unread > BABBLE:
            words = "another kind or baud rate, or a signal that wants inverting"
            return f"{self.port.path} gave {self._unread} bytes without one good frame: {words}"
        if since is None or now is None or now - since <= self._patience_s:
            return ""
        return f"{self.port.path} has been silent for {now - since:.1f} s; look at its power"

    @property
    def _patience_s(self) -> float:
        return SILENT_PERIODS * self.period_s + self.traits.answer_s

    def ready(self, now_s: float) -> bool:
        if self.runs_free or self.pending_s is not None or not self.port.is_open:
            return False
        return self._fired_s is None or now_s - self._fired_s >= self.period_s - 1e-9

    def fire(self, now_s: float) -> bool:
        traits = self.traits
        if traits.trigger == "byte":
            told = self.port.write(bytes([traits.trigger_byte]), now_s)
        else:
            told = self.port.hold_low(False, now_s)
            self._high = told
        if not told:
            self.counts["not fired"] += 1
            return False
        self._fired_s = self.pending_s = now_s + traits.fire_delay_s
        self.counts["fired"] += 1
        return True

    def collect(self, now_s: float) -> list[Reading]:
        data = self.port.read(now_s)
        if self.port.counts["opened"] != self._opened:
            self._start(now_s)
        if self._high and self._fired_s is not None and now_s > self._fired_s:
            self._high = not self.port.hold_low(True, now_s)
        raw = self.decoder.feed(data)
        self._unread = 0 if raw else self._unread + len(data)
        out = self._free(raw, now_s) if self.runs_free else self._fired(raw, now_s)
        self._read_s = now_s
        return out

    def gate(self, near_m: float, far_m: float) -> None:
        """These models take no gate."""

    def close(self) -> None:
        self.port.close()

    def _start(self, now_s: float) -> None:
        """The port is open, perhaps again: nothing before counts."""
        self._opened = self.port.counts["opened"]
        self.decoder.reset()
        self._unread, self._begun_s, self.pending_s, self._read_s = 0, now_s, None, None
        if self.traits.trigger == "release":
            self._high = not self.port.hold_low(True, now_s)

    def _free(self, raw: list[int], now_s: float) -> list[Reading]:
        """The newest frame alone: how old the others are is not known."""
        if not raw:
            return []
        self.counts["stale"] += len(raw) - 1
        earliest = now_s - self.period_s
        if self._read_s is not None:
            earliest = max(earliest, self._read_s)
        half = 0.5 * (now_s - earliest)
        self.seen_s = now_s
        fired = now_s - half - self.traits.latency_s
        return [Reading(fired, self.traits.flights(raw[-1]), self.traits.spread_s + half)]

    def _fired(self, raw: list[int], now_s: float) -> list[Reading]:
        fired = self.pending_s
        if fired is None:
            self.counts["unasked"] += len(raw)
            return []
        if raw:
            self.counts["unasked"] += len(raw) - 1
            self.pending_s, self.seen_s = None, now_s
            return [Reading(fired, self.traits.flights(raw[-1]), self.traits.spread_s)]
        if now_s - fired > self.traits.answer_s:
            self.counts["missed"] += 1
            self.pending_s = None
        return []
