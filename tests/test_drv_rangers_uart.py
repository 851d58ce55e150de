"""Serial range elements: worked values, times of firing, and all that goes wrong."""

from __future__ import annotations

import csv
from pathlib import Path
from statistics import fmean, pstdev

import pytest

from drivers.port import Port
from drivers.rangers.decode import AsciiDecoder, BinaryDecoder
from drivers.rangers.reading import Traits
from drivers.rangers.uart import UartRanger, UartTraits
from drivers.standins.rangers import AsciiRanger, BinaryRanger, Sight
from drivers.standins.serial_port import StandInLine
from tests.drv_rangers_bench import TICK, Clock, range_m, run

DATA = Path(__file__).parents[2] / "shared" / "data"


@pytest.fixture
def clock() -> Clock:
    return Clock()


def test_the_same_frame_in_mm_and_in_cm() -> None:
    """FF 07 A1 A7 is 1953 mm (SEN0311 to 0313), FF 01 A1 A1 is 417 cm (SEN0627): wiki.dfrobot.com.

    Flight by hand at 344.8 m/s: 2 x 1.953 / 344.8 = 11.3283 ms; 2 x 4.17 / 344.8 = 24.1879 ms.
    """
    (raw,) = BinaryDecoder().feed(bytes.fromhex("FF07A1A7"))
    assert Traits(unit="mm").flights(raw) == pytest.approx((0.0113283,), abs=1e-7)
    (raw,) = BinaryDecoder().feed(bytes.fromhex("FF01A1A1"))
    assert Traits(unit="cm").flights(raw) == pytest.approx((0.0241879,), abs=1e-7)
    assert Traits(unit="mm").flights(raw) == pytest.approx((0.00241879,), abs=1e-8)  # the trap


def test_flight_takes_the_devices_own_speed_of_sound() -> None:
    """By hand: 600 mm as a device that assumes 340 m/s says it is 3.5294 ms."""
    assert Traits(sound_mps=340.0).flights(600) == pytest.approx((3.5294118e-3,), abs=1e-9)


def test_nothing_heard_and_too_near_are_no_range() -> None:
    traits = Traits(blind_m=0.30, nothing_m=5.0)
    assert traits.flights(5000) == ()
    assert traits.flights(300) == ()  # nearer things read as the least range as well
    assert traits.flights(0) == ()
    assert traits.flights(301) != ()
    assert traits.flights(4999) != ()


@pytest.mark.parametrize("wrong", [{"unit": "in"}, {"sound_mps": 0.0}, {"period_s": 0.0}])
def test_impossible_traits_are_refused(wrong: dict[str, object]) -> None:
    with pytest.raises(ValueError, match=r"unknown|above 0"):
        Traits(**wrong)  # type: ignore[arg-type]


def free_ascii(clock: Clock, sight: Sight, **far: float) -> tuple[StandInLine, UartRanger]:
    line = StandInLine(clock)
    AsciiRanger(line, sight, period_s=0.1, answer_s=0.05, nearest_m=0.3, **far)
    # 50 ms to its first bit, six bytes at 9600 baud
    traits = UartTraits(period_s=0.1, latency_s=0.05 + 6 * 10 / 9600, blind_m=0.3, spread_s=0.001)
    return line, UartRanger(Port("p", 9600, line.open), AsciiDecoder(), traits)


def test_running_free_its_firing_is_placed_within_the_spread(clock: Clock) -> None:
    sight = Sight([0.6])
    line, element = free_ascii(clock, sight, first_s=0.0033)
    got = run(clock, element, 5.0)
    fired = line.talker.fired  # type: ignore[union-attr]
    assert len(got) >= 48
    for (_, reading), truth in zip(got, fired, strict=False):
        assert abs(reading.fired_s - truth) <= reading.spread_s + 1e-9
        assert reading.spread_s <= 0.5 * TICK + 0.001 + 1e-9
        assert range_m(reading) == pytest.approx(0.6, abs=0.0005)
    assert element.runs_free
    assert not element.ready(clock.now_s)
    assert element.why == ""


def test_a_moving_target_is_placed_where_the_sound_met_it(clock: Clock) -> None:
    """0.3 m/s away: with the times as given, range against instant of reflection fits to 2 mm."""
    line, element = free_ascii(clock, Sight([lambda t: 0.5 + 0.3 * t]), first_s=0.0042)
    for _, reading in run(clock, element, 3.0):
        met = reading.fired_s + 0.5 * reading.flights_s[0]
        allowed = 0.3 * reading.spread_s + 0.0005  # and half a step of 1 mm
        assert range_m(reading) == pytest.approx(0.5 + 0.3 * met, abs=allowed + 1e-6)
    assert line.lost == 0


def test_after_a_stall_only_the_newest_frame_counts(clock: Clock) -> None:
    _, element = free_ascii(clock, Sight([0.6]))
    run(clock, element, 0.5)
    clock.now_s = 1.0
    (reading,) = element.collect(1.0)
    assert element.counts["stale"] == 4
    assert reading.spread_s == pytest.approx(0.05 + 0.001)  # somewhere in its last period


def test_dropouts_are_nothing_heard(clock: Clock) -> None:
    _, element = free_ascii(clock, Sight([0.6], dropout=0.3, seed=5))
    got = [reading for _, reading in run(clock, element, 30.0)]
    empty = sum(not reading.flights_s for reading in got)
    assert empty / len(got) == pytest.approx(0.3, abs=0.08)


def test_a_byte_fires_it(clock: Clock) -> None:
    line = StandInLine(clock)
    far = BinaryRanger(line, Sight([0.7]), trigger="byte", answer_s=0.02)
    traits = UartTraits(trigger="byte", period_s=0.03, answer_s=0.06)
    element = UartRanger(Port("p", 9600, line.open), BinaryDecoder(), traits)
    got = run(clock, element, 1.0)
    assert [r.fired_s for _, r in got] == far.fired[: len(got)]
    assert len(got) >= 24  # 30 ms to answer, another tick to be fired again
    assert all(now - r.fired_s == pytest.approx(0.03, abs=1e-6) for now, r in got)
    assert {data for _, data in line.told} == {b"\x55"}
    assert range_m(got[0][1]) == pytest.approx(0.7, abs=0.0005)


def test_its_input_let_go_fires_it(clock: Clock) -> None:
    """PD11832f p. 2: held low it does not range; high for 20 us or more starts one reading."""
    line = StandInLine(clock)
    far = AsciiRanger(line, Sight([0.7]), trigger="release", answer_s=0.12)
    traits = UartTraits(trigger="release", period_s=0.14, answer_s=0.2)
    element = UartRanger(Port("p", 9600, line.open), AsciiDecoder(), traits)
    got = run(clock, element, 3.0)
    assert len(got) == pytest.approx(3.0 / 0.15, abs=2)
    assert [r.fired_s for _, r in got] == far.fired[: len(got)]
    assert far._low  # held low again after each


def test_no_answer_to_a_firing_and_an_answer_to_none(clock: Clock) -> None:
    line = StandInLine(clock)
    far = BinaryRanger(line, Sight([0.7]), trigger="byte", answer_s=0.02)
    traits = UartTraits(trigger="byte", period_s=0.03, answer_s=0.06)
    element = UartRanger(Port("p", 9600, line.open), BinaryDecoder(), traits)
    run(clock, element, 0.2)
    far.powered = False
    assert run(clock, element, 1.0)[1:] == []
    assert element.counts["missed"] >= 10
    assert "silent" in element.why
    far.powered = True
    assert run(clock, element, 0.3)
    assert element.why == ""
    line.say(far.frame(700), clock.now_s + 0.005)
    run(clock, element, 0.1, fire=False)
    assert element.counts["unasked"] >= 1


def test_unplugged_and_back_with_half_a_frame_in_hand(clock: Clock) -> None:
    line, element = free_ascii(clock, Sight([0.6]))
    run(clock, element, 0.5)
    line.say(b"R06", clock.now_s)
    run(clock, element, 0.01)
    line.unplug()
    assert run(clock, element, 0.5) == []
    assert "lost" in element.why or "does not open" in element.why
    line.replug()
    got = run(clock, element, 2.0)
    assert len(got) >= 10
    assert all(range_m(r) == pytest.approx(0.6, abs=0.0005) for _, r in got)
    assert element.port.counts["opened"] == 2
    assert element.why == ""


def test_two_halves_round_an_interruption_are_no_frame(clock: Clock) -> None:
    line = StandInLine(clock)
    element = UartRanger(Port("p", 9600, line.open), BinaryDecoder(), UartTraits())
    run(clock, element, TICK)
    line.say(bytes.fromhex("FF07"), clock.now_s)
    run(clock, element, 2 * TICK)
    line.unplug()
    run(clock, element, 2 * TICK)
    line.replug()
    run(clock, element, 0.5)
    line.say(bytes.fromhex("A1A7"), clock.now_s)
    assert run(clock, element, 0.1) == []
    line.say(bytes.fromhex("FF07A1A7"), clock.now_s)
    assert len(run(clock, element, 0.1)) == 1


def test_another_kind_at_the_port_is_told(clock: Clock) -> None:
    """The identity of a serial ranger is its format: there is nothing else to ask."""
    line = StandInLine(clock)
    BinaryRanger(line, Sight([0.6]))
    element = UartRanger(Port("p", 9600, line.open), AsciiDecoder(), UartTraits())
    assert run(clock, element, 3.0) == []
    assert "p gave" in element.why
    assert "without one good frame: another kind or baud rate" in element.why


def test_noise_and_steps_come_through_as_they_are(clock: Clock) -> None:
    """1.5 mm of noise and 1 mm steps: sqrt(1.5^2 + 1/12) = 1.527 mm."""
    _, element = free_ascii(clock, Sight([0.6], noise_m=0.0015, seed=3))
    got = [range_m(reading) for _, reading in run(clock, element, 200.0)]
    assert pstdev(got) == pytest.approx(0.001527, rel=0.06)
    assert fmean(got) == pytest.approx(0.6, abs=0.00015)


def test_a_public_recording_goes_through_as_it_is(clock: Clock) -> None:
    """Another's readings (../shared/data/README.md, MRE_320), as frames in mm, misses and all."""
    path = DATA / "ultrasonic_mre320_drift_repeat.csv"
    if not path.exists():
        pytest.skip(f"{path.name} is not here: ../shared/data is needed")
    with path.open() as file:
        millimetres = [round(10 * float(row["reading_cm"])) for row in csv.DictReader(file)]
    line = StandInLine(clock)
    element = UartRanger(Port("p", 9600, line.open), BinaryDecoder(), UartTraits(nothing_m=5.0))
    element.collect(0.0)
    got = []
    for n, raw in enumerate(millimetres):
        head = bytes([0xFF, raw >> 8, raw & 0xFF])
        clock.now_s = 0.1 * (n + 1)
        line.say(head + bytes([sum(head) & 0xFF]), clock.now_s - 0.05)
        got += element.collect(clock.now_s)
    assert len(got) == len(millimetres)
    for raw, reading in zip(millimetres, got, strict=True):
        assert [round(500 * f * 344.8) for f in reading.flights_s] == ([raw] if raw < 5000 else [])
