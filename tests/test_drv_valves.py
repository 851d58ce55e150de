"""Valve outputs without a wire: prescale, channel bytes, what a command becomes, the lease."""

from __future__ import annotations

import math

import pytest

from drivers.errors import DeviceError
from drivers.protocols import Valves
from drivers.samples import ValveCommand
from drivers.valves.driver import DryRunValves
from drivers.valves.lease import check_lease
from drivers.valves.outputs import CentredPulse, OnOff, TwoCoils
from drivers.valves.pca9685 import channel_bytes, frequency, opening, oscillator, prescale

PERIOD_S = 0.005


@pytest.mark.parametrize(
    ("hz", "value"), [(200, 0x1E), (50, 121), (60, 101), (100, 60), (1526, 0x03), (24, 253)]
)
def test_prescale(hz: float, value: int) -> None:
    """Datasheet 7.3.5: round(osc / (4096 f)) - 1; 200 Hz at 25 MHz is 0x1E (checks.md)."""
    assert prescale(25e6, hz) == value


@pytest.mark.parametrize(("value", "hz"), [(0x1E, 196.89), (0x03, 1525.88), (0xFF, 23.84)])
def test_frequency(value: int, hz: float) -> None:
    """UM10574 p.11: 0x1E is 197 Hz, 0x03 1526 Hz, 0xFF 24 Hz (checks.md: recomputed)."""
    assert frequency(25e6, value) == pytest.approx(hz, abs=5e-3)


@pytest.mark.parametrize("mhz", [24.06, 24.09, 24.60, 25.00])
def test_a_measured_oscillator_is_found_and_used(mhz: float) -> None:
    """Four measured chips (checks.md: Adafruit PWM library PR 72)."""
    seen_hz = frequency(mhz * 1e6, 0x1E)
    assert oscillator(seen_hz, 0x1E) == pytest.approx(mhz * 1e6)
    assert frequency(mhz * 1e6, prescale(mhz * 1e6, 50)) == pytest.approx(50, rel=0.005)


@pytest.mark.parametrize(
    ("osc", "hz", "words"),
    [
        (22.9e6, 50.0, "22.9 MHz is not this chip's"),
        (27.1e6, 50.0, "27.1 MHz"),
        (25e6, 1800.0, "24 to 1526 Hz go with its oscillator"),
        (25e6, 23.0, "23 Hz is beyond the chip"),
        (25e6, 0.0, "0 Hz"),
    ],
)
def test_what_the_chip_cannot_do_is_refused(osc: float, hz: float, words: str) -> None:
    with pytest.raises(DeviceError, match=words):
        prescale(osc, hz)


def test_channel_bytes() -> None:
    """Datasheet 7.3.3: bit 4 of OFF_H is full off and wins; bit 4 of ON_H is full on."""
    assert channel_bytes(0.0) == (0, 0, 0, 0x10)
    assert channel_bytes(-0.1) == (0, 0, 0, 0x10)
    assert channel_bytes(1e-5) == (0, 0, 0, 0x10)  # less than one count
    assert channel_bytes(0.5) == (0, 0, 0x00, 0x08)
    assert channel_bytes(4095 / 4096) == (0, 0, 0xFF, 0x0F)
    assert channel_bytes(1.0) == (0, 0x10, 0, 0)
    assert channel_bytes(1.7) == (0, 0x10, 0, 0)


def test_opening_shuts_first_and_sets_the_frequency_asleep() -> None:
    steps = [(s.name, s.data) for s in opening(0x1E)]
    assert steps[0] == steps[-1] == ("ALL_LED_ON_L", (0, 0, 0, 0x10))
    asleep, scale = steps.index(("MODE1", (0x30,))), steps.index(("PRE_SCALE", (0x1E,)))
    awake, restart = steps.index(("MODE1", (0x20,))), steps.index(("MODE1", (0xA0,)))
    assert asleep < scale < awake < restart
    # 7.3.1.1: 500 us between the end of sleep and the restart
    assert opening(0x1E)[awake].then_s >= 500e-6


@pytest.mark.parametrize(
    ("command", "levels"),
    [
        (0.0, {0: 0.0, 1: 0.0}),
        (1.0, {0: 1.0, 1: 0.0}),
        (-1.0, {0: 0.0, 1: 1.0}),
        (0.25, {0: 0.25, 1: 0.0}),
        (-0.25, {0: 0.0, 1: 0.25}),
        (7.0, {0: 1.0, 1: 0.0}),
        (-7.0, {0: 0.0, 1: 1.0}),
        (math.nan, {0: 0.0, 1: 0.0}),
        (math.inf, {0: 0.0, 1: 0.0}),
    ],
)
def test_two_coils(command: float, levels: dict[int, float]) -> None:
    assert TwoCoils(0, 1).levels(command, 0.0, PERIOD_S) == levels


def test_two_coils_within_their_duty() -> None:
    coils = TwoCoils(2, 3, floor=0.2, ceiling=0.7)
    assert coils.levels(0.5, 0.0, PERIOD_S) == {2: pytest.approx(0.45), 3: 0.0}
    assert coils.levels(0.0, 0.0, PERIOD_S) == {2: 0.0, 3: 0.0}  # the floor is not for neutral
    with pytest.raises(DeviceError, match=r"duty from 0\.8 to 0\.7 is no range"):
        TwoCoils(0, 1, 0.8, 0.7)


@pytest.mark.parametrize(
    ("command", "ms"), [(0.0, 1.5), (1.0, 2.0), (-1.0, 1.0), (0.5, 1.75), (9.0, 2.0)]
)
def test_centred_pulse(command: float, ms: float) -> None:
    levels = CentredPulse(4).levels(command, 0.0, 0.02)
    assert levels[4] * 20 == pytest.approx(ms)


def test_centred_pulse_that_is_none_is_refused() -> None:
    with pytest.raises(DeviceError, match="give no pulse"):
        CentredPulse(0, 1e-3, 1e-3)


@pytest.mark.parametrize(("a", "b", "words"), [(3, 3, "cannot both"), (0, 16, "channel 16")])
def test_channels_that_cannot_be_are_refused(a: int, b: int, words: str) -> None:
    for kind in (TwoCoils, OnOff):
        with pytest.raises(DeviceError, match=words):
            kind(a, b)


def on_times(command: float, seconds: float, **settings: float) -> list[float]:
    """Lengths of the on-times (s) at a tick of 1 ms; < 0 where it lowers."""
    output = OnOff(0, 1, **settings)
    out: list[float] = []
    was = 0.0
    for i in range(round(seconds * 1000)):
        levels = output.levels(command, i * 1e-3, PERIOD_S)
        assert not (levels[0] and levels[1])
        now = levels[0] - levels[1]
        if now and now != was:
            out.append(0.0)
        if now:
            out[-1] += 1e-3 * now
        was = now
    return out


@pytest.mark.parametrize("command", [0.35, -0.5, 0.65])
def test_on_off_gives_the_share_as_pulses(command: float) -> None:
    times = on_times(command, 10.0)
    assert len(times) == 100
    assert sum(times) / 10.0 == pytest.approx(command, abs=0.012)


@pytest.mark.parametrize("command", [0.02, 0.1, -0.2, 0.29])
def test_on_off_never_pulses_shorter_than_the_valve_bears(command: float) -> None:
    """Below 30 ms of 100 the share is saved up; in the long run none is lost."""
    times = on_times(command, 30.0)
    assert min(map(abs, times)) >= 0.03 - 1e-9
    assert sum(times) / 30.0 == pytest.approx(command, abs=0.012)


@pytest.mark.parametrize("command", [0.75, -0.9, 0.98])
def test_on_off_leaves_out_gaps_that_are_too_short(command: float) -> None:
    output = OnOff(0, 1)
    states = [
        sum(output.levels(command, i * 1e-3, PERIOD_S).values()) for i in range(30_000)
    ]  # fmt: skip
    gaps = "".join("1" if s else "0" for s in states).strip("1").split("1")
    assert all(len(gap) >= 30 - 1 for gap in gaps if gap)
    assert sum(states) / 30_000 == pytest.approx(abs(command), abs=0.015)


def test_on_off_passes_full_commands_straight_through() -> None:
    output = OnOff(0, 1)
    assert output.levels(0.5, 0.00, PERIOD_S) == {0: 1.0, 1: 0.0}
    assert output.levels(0.5, 0.06, PERIOD_S) == {0: 0.0, 1: 0.0}
    assert output.levels(1.0, 0.07, PERIOD_S) == {0: 1.0, 1: 0.0}
    assert output.levels(-1.0, 0.08, PERIOD_S) == {0: 0.0, 1: 1.0}
    assert output.levels(0.0, 0.09, PERIOD_S) == {0: 0.0, 1: 0.0}
    assert output.levels(math.nan, 0.10, PERIOD_S) == {0: 0.0, 1: 0.0}


def test_on_off_forgets_what_it_saved_when_shut() -> None:
    output = OnOff(0, 1)
    output.levels(0.29, 0.0, PERIOD_S)  # 29 ms saved
    output.levels(0.0, 0.05, PERIOD_S)
    assert output.levels(0.29, 0.1, PERIOD_S)[0] == 0.0


def test_on_off_refuses_an_on_time_that_does_not_fit() -> None:
    with pytest.raises(DeviceError, match="minimum on time of 60 ms"):
        OnOff(0, 1, 0.1, 0.06)


@pytest.mark.parametrize("lease", ["board", "relay"])
def test_a_lease_is_board_or_relay(lease: str) -> None:
    assert check_lease(lease) == lease


@pytest.mark.parametrize(
    ("lease", "words"),
    [
        (None, "keeps its last value when this program dies.*this rig runs cue-only"),
        ("software", '"software" is no lease that outlives this program'),
        ("", "no lease"),
    ],
)
def test_without_a_lease_the_rig_runs_cue_only(lease: str | None, words: str) -> None:
    with pytest.raises(DeviceError, match=words) as caught:
        check_lease(lease)
    assert "cue-only" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_dry_run_only_reports() -> None:
    said: list[str] = []
    valves = DryRunValves(lambda told: said.append(str(told)))
    assert isinstance(valves, Valves)
    valves.write(ValveCommand(1.0, 0.25, -3.0))
    valves.write(ValveCommand(1.1, math.nan, 0.0))
    valves.neutral(1.2)
    assert said == [
        "left raise 25 %, right lower 100 %",
        "left shut, right shut",
        "left shut, right shut",
    ]
    assert [t.time_s for t in valves.told] == [1.0, 1.1, 1.2]
