"""Valves on a stand-in PWM chip: opening, neutral, faults, and a master that dies."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import pytest

from drivers.errors import DeviceError
from drivers.i2c import Bus
from drivers.protocols import Valves
from drivers.samples import ValveCommand
from drivers.standins.i2c_bus import StandInBus
from drivers.standins.pca9685 import Pca9685Chip
from drivers.standins.pins import StandInOutput, WatchdogRelay
from drivers.valves.driver import PwmValves
from drivers.valves.lease import RelayPulse
from drivers.valves.outputs import CentredPulse, OnOff, Output, TwoCoils

TICK = 0.01
ADDRESS = 0x40
LEASE_S = 0.2


class Bench:
    """The chip behind a watchdog relay, and the valves on it: left 0 up, 1 down; right 2, 3."""

    def __init__(
        self,
        outputs: Callable[[int, int], Output] = TwoCoils,
        chip_hz: float = 25e6,
        **settings: Any,
    ) -> None:
        self.now = 0.0
        self.bus = StandInBus()
        self.relay = WatchdogRelay(lambda: self.now, LEASE_S)
        self.chip = Pca9685Chip(lambda: self.now, chip_hz, self.relay.holds)
        self.bus.attach(ADDRESS, self.chip)
        self.shared = Bus("i2c", lambda path: self.bus)
        self.fired = 0.0  # s ago
        settings = {
            "lease": "relay", "renew": RelayPulse(self.relay), "age": lambda: self.fired,
        } | settings  # fmt: skip
        self.valves = PwmValves(self.shared, outputs(0, 1), outputs(2, 3), **settings)

    def write(self, left: float, right: float, seconds: float = 0.05) -> None:
        """The same command in each tick."""
        for _ in range(round(seconds / TICK)):
            self.now += TICK
            self.valves.write(ValveCommand(self.now, left, right))

    @property
    def duties(self) -> list[float]:
        return [round(self.chip.duty(n), 3) for n in range(4)]


def test_open_and_driven() -> None:
    bench = Bench()
    assert isinstance(bench.valves, Valves)
    assert bench.duties == [0, 0, 0, 0]
    bench.write(0.5, -0.25)
    assert bench.valves.ready
    assert bench.duties == [0.5, 0, 0, 0.25]
    bench.write(-1.0, 1.0)
    assert bench.duties == [0, 1, 1, 0]
    assert bench.chip.frequency_hz == pytest.approx(196.89, abs=0.01)
    assert bench.chip.refused_prescales == bench.chip.early_restarts == 0
    assert bench.valves.trouble is None


@pytest.mark.parametrize("lease", [None, "software", "none"])
def test_no_lease_no_valves_and_no_byte_on_the_wire(lease: str | None) -> None:
    bus = StandInBus()
    with pytest.raises(DeviceError, match="cue-only"):
        PwmValves(
            Bus("i2c", lambda path: bus),
            TwoCoils(0, 1),
            TwoCoils(2, 3),
            lease=lease,
            renew=lambda t: None,
            age=lambda: 0.0,
        )
    assert not bus.log


def test_all_outputs_are_off_on_opening_whatever_ran_before() -> None:
    """A predecessor was killed at full command; the relay is bridged, to see the chip alone."""
    bench = Bench()
    bench.chip.enabled = lambda: True
    bench.write(1.0, 1.0)
    assert bench.duties == [1, 0, 1, 0]
    relay = RelayPulse(StandInOutput(lambda: bench.now))
    PwmValves(
        bench.shared, TwoCoils(0, 1), TwoCoils(2, 3), lease="relay", renew=relay, age=lambda: 0.0
    )
    assert bench.duties == [0, 0, 0, 0]
    assert bench.bus.writes(ADDRESS)[-1] == bytes([0xFA, 0, 0, 0, 0x10])


def test_neutral_uses_the_full_off_bit() -> None:
    bench = Bench()
    bench.write(0.7, 0.7)
    bench.now += TICK
    bench.valves.neutral(bench.now)
    assert bench.duties == [0, 0, 0, 0]
    assert all(bench.chip.registers[0x09 + 4 * n] & 0x10 for n in range(16))


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
def test_what_is_no_number_is_neutral(bad: float) -> None:
    bench = Bench()
    bench.write(0.7, 0.7)
    bench.write(bad, 0.7)
    assert bench.duties == [0, 0, 0.7, 0]
    assert bench.valves.counts["no_number"] == 5


def test_a_reversal_never_has_both_coils_on() -> None:
    bench = Bench()
    bench.write(1.0, 1.0)
    seen: list[tuple[float, float]] = []
    write = bench.chip.write

    def spy(data: bytes) -> None:
        write(data)
        seen.append((bench.chip.duty(0), bench.chip.duty(1)))

    bench.chip.write = spy  # type: ignore[method-assign]
    bench.write(-1.0, -1.0, TICK)
    assert len(seen) >= 4
    assert all(min(pair) == 0.0 for pair in seen)
    assert seen[-1] == (0.0, 1.0)


@pytest.mark.parametrize("command", [0.4, 1.0])
def test_a_master_that_dies_is_shut_by_the_relay_and_by_nothing_else(command: float) -> None:
    bench = Bench()
    bench.write(command, command, 1.0)
    assert bench.duties[0] == pytest.approx(command, abs=1e-3)
    # here the process is killed: nobody writes any more
    bench.now += LEASE_S - 1e-3
    assert bench.duties[0] == pytest.approx(command, abs=1e-3)
    bench.now += 2e-3
    assert bench.duties == [0, 0, 0, 0]
    bench.chip.enabled = lambda: True  # without the relay it would run for ever
    bench.now += 3600
    assert bench.duties[0] == pytest.approx(command, abs=1e-3)


def test_a_write_that_failed_renews_no_lease() -> None:
    bench = Bench()
    bench.write(1.0, 0.0)
    bench.bus.stuck = True
    bench.write(0.0, 0.0, LEASE_S + 2 * TICK)  # the order to shut does not get through
    assert bench.duties == [0, 0, 0, 0]  # the relay does it
    assert "the bus is stuck" in str(bench.valves.trouble)
    bench.chip.enabled = lambda: True
    assert bench.duties[0] == 1.0


@pytest.mark.parametrize("fault", ["nak", "stuck", "unplug"])
def test_after_a_fault_it_opens_with_all_off_and_goes_on(fault: str) -> None:
    bench = Bench()
    bench.write(0.5, 0.5)
    if fault == "nak":
        bench.bus.nak(ADDRESS, 3)
    elif fault == "stuck":
        bench.bus.stuck = True
    else:
        bench.bus.unplug()
    bench.write(0.5, 0.5)
    assert not bench.valves.ready
    assert bench.valves.trouble is not None
    bench.bus.stuck = False
    bench.bus.replug()
    before = len(bench.bus.log)
    bench.write(0.5, 0.5, 1.0)
    assert list(bench.bus.log)[before].data == bytes([0xFA, 0, 0, 0, 0x10])
    assert bench.duties == [0.5, 0, 0.5, 0]
    assert bench.valves.trouble is None
    assert bench.valves.counts["opened"] == 2


def test_one_nak_costs_one_command() -> None:
    bench = Bench()
    bench.write(0.5, 0.5)
    bench.bus.nak(ADDRESS)
    bench.write(0.7, 0.7, TICK)
    assert bench.valves.counts["nak"] == 1
    bench.write(0.7, 0.7, TICK)
    assert bench.duties == [0.7, 0, 0.7, 0]
    assert bench.valves.counts["opened"] == 1


def test_a_stuck_bus_is_not_tried_in_every_tick() -> None:
    bench = Bench()
    bench.write(0.5, 0.5)
    bench.bus.stuck = True
    bench.write(0.5, 0.5, 2.0)
    assert bench.bus.fails <= 3 + 8


def test_a_chip_that_forgot_is_noticed_within_100_ms() -> None:
    bench = Bench()
    bench.write(0.5, 0.5)
    bench.chip.power_on()
    told = []
    for _ in range(11):
        bench.write(0.5, 0.5, TICK)
        told.append(str(bench.valves.trouble))
    assert bench.valves.counts["forgot"] == 1
    assert any("forgotten its settings" in words for words in told)
    assert told[-1] == "None"  # and set anew two ticks later
    bench.write(0.5, 0.5, 1.0)
    assert bench.duties == [0.5, 0, 0.5, 0]


def test_a_short_read_of_the_mode_is_counted() -> None:
    bench = Bench()
    bench.write(0.5, 0.5)
    bench.bus.short_by = 1
    bench.write(0.5, 0.5, 0.2)
    assert bench.valves.counts["short"] >= 1
    assert "gave 0 bytes of 1" in str(bench.valves.trouble)


def test_no_chip_is_told_in_one_sentence() -> None:
    empty = Bus("i2c", lambda path: StandInBus())
    with pytest.raises(DeviceError, match="valves: i2c, address 0x40 does not answer"):
        PwmValves(
            empty, TwoCoils(0, 1), TwoCoils(2, 3), lease="board", renew=lambda t: None,
            age=lambda: 0.0,
        )  # fmt: skip


def test_a_lease_that_cannot_be_renewed_is_told() -> None:
    bench = Bench()
    bench.write(0.5, 0.5)
    bench.relay.plugged = False
    bench.write(0.5, 0.5, LEASE_S + 2 * TICK)
    assert "the lease cannot be renewed: the pin is gone" in str(bench.valves.trouble)
    assert bench.duties == [0, 0, 0, 0]


def test_centred_pulses_on_a_chip_with_another_oscillator() -> None:
    """The stated oscillator makes the pulse right: 27 MHz taken for 25 would be 7.4 % short."""
    bench = Bench(
        lambda up, down: CentredPulse(up), 27e6, pwm_hz=50.0, oscillator_hz=27e6
    )  # fmt: skip
    bench.write(1.0, 0.0)
    assert bench.chip.pulse_s(0) == pytest.approx(2.0e-3, abs=5e-6)
    assert bench.chip.pulse_s(2) == pytest.approx(1.5e-3, abs=5e-6)
    bench.now += TICK
    bench.valves.neutral(bench.now)
    assert bench.chip.pulse_s(0) == 0.0


def test_a_pulse_longer_than_the_period_is_refused() -> None:
    with pytest.raises(DeviceError, match=r"2 ms does not go into the 1\.97 ms of 500 Hz"):
        Bench(lambda up, down: CentredPulse(up), pwm_hz=500.0)


def test_channels_of_both_valves_differ() -> None:
    with pytest.raises(DeviceError, match="name one twice"):
        Bench(lambda up, down: TwoCoils(0, 1))


def test_on_off_valves_take_full_levels_only() -> None:
    bench = Bench(OnOff)
    seen = set()
    for _ in range(100):
        bench.write(0.4, -0.4, TICK)
        seen |= set(bench.duties)
    assert seen == {0.0, 1.0}


def test_closed_all_is_off_and_stays_so() -> None:
    bench = Bench()
    bench.chip.enabled = lambda: True
    bench.write(1.0, 1.0)
    bench.valves.close()
    assert bench.duties == [0, 0, 0, 0]
    bench.write(1.0, 1.0)
    assert bench.duties == [0, 0, 0, 0]
