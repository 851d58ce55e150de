"""`linehold bar` with a fixed reflector: by hand, on the simulated rig, and as a run uses it."""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import msgspec
import numpy as np
import pytest
from click.testing import CliRunner

from drivers.samples import AirSample, AnySample, Echo, RangePing, Validity
from drivers.simulated.reference import REFERENCE, RigTruth
from drivers.simulated.yard import Yard
from firmware_py.calibration import Elements
from firmware_py.commands import cli
from firmware_py.commission.bar import BarResult, bar_result, bar_steps
from firmware_py.commission.book import Book
from firmware_py.commission.estimate import CommissionError
from firmware_py.commission.in_force import in_force
from firmware_py.commission.looks import Look, Reflector
from firmware_py.messages import Side
from firmware_py.sense.senses import Senses
from firmware_py.sense.sound import speed_of_sound
from firmware_py.settings import Rig
from firmware_py.settings_file import find_rig, load_rig

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "docs"))
from commissioning_yard import Bench

HEIGHTS = (0.45, 0.75)
FIXED = Reflector(1, 0.3)
RULE_U = 0.5e-3 / math.sqrt(3.0)  # JCGM 100, 4.3.7: anywhere within half a millimetre


def _look(height: float, mps: float, *, air_c: float | None, seed: int, at: float = 0.3) -> Look:
    """Two elements, 300 firings each, 0.6 mm of noise; the second also hears the reflector."""
    gen = np.random.default_rng(seed)
    boards = tuple(2.0 * (height + 6e-4 * gen.standard_normal(300)) / mps for _ in range(2))
    reflected = 2.0 * (at + 6e-4 * gen.standard_normal(300)) / mps
    return Look(boards, (300, 300), air_c, reflected=reflected)


def _looks(mps: float, air_c: float | None, at: float = 0.3) -> tuple[Look, Look]:
    first, second = (
        _look(height, mps, air_c=air_c, seed=k, at=at) for k, height in enumerate(HEIGHTS)
    )
    return first, second


def test_the_reflector_s_speed_and_its_uncertainty_by_hand() -> None:
    """c = 2 L / t; u(c)/c = u(L)/L and the noise, and 0.6 m of that is the zero's."""
    found = bar_result(_looks(340.0, 15.0), HEIGHTS, reflector=FIXED)
    assert found.sound.value == pytest.approx(340.0, abs=0.15)
    terms = {term.name: term.u for term in found.sound.type_b}
    assert terms == {"the reflector's distance": pytest.approx(340.0 * RULE_U / 0.3, rel=1e-3)}
    assert found.sound.type_a == pytest.approx(340.0 * 6e-4 / 0.3 / math.sqrt(600.0), rel=0.15)
    zero, scale = found.elements[0].zero, found.elements[0].scale
    terms = {term.name: term.u for term in zero.type_b}
    assert terms["the reflector's distance"] == pytest.approx(0.6 * RULE_U / 0.3)
    assert "air temperature" not in terms
    assert {term.name: term.u for term in scale.type_b}["the reflector's distance"] == (
        pytest.approx(RULE_U / 0.3)
    )
    shares = (0.45 / 0.3, 0.75 / 0.3)  # of each look's noise of the reflector, besides the board's
    noise = 0.5 * 6e-4 / math.sqrt(300.0) * math.sqrt(2.0 + shares[0] ** 2 + shares[1] ** 2)
    assert zero.type_a == pytest.approx(noise, rel=0.15)


def test_where_they_disagree_one_sentence_says_so_and_where_they_agree_none() -> None:
    """The element's clock (0.29 %) weighs most: some 2.2 m/s at k = 2, 3.7 K of air."""
    true = speed_of_sound(15.0)
    near = bar_result(_looks(true, 17.0), HEIGHTS, reflector=FIXED)
    assert near.words.count("+-") == 1
    assert "from the reflector at 300 mm of element 1" in near.words
    far = bar_result(_looks(true, 21.0), HEIGHTS, reflector=FIXED)
    assert "The air says 343.8" in far.words
    assert "measure the reflector's 300 mm again" in far.words
    assert far.elements == near.elements  # used is the reflector, whatever the air says
    moved = bar_result(_looks(true, 15.0, at=0.308), HEIGHTS, reflector=FIXED)
    assert "measure the reflector's 300 mm again" in moved.words
    without = bar_result(_looks(true, None), HEIGHTS, reflector=FIXED)
    assert without.temperature_c is None
    assert "The air" not in without.words


def test_two_bars_share_the_air_s_speed_and_the_reflector_checks_it() -> None:
    looks = _looks(speed_of_sound(15.0), 21.0)
    found = bar_result(looks, HEIGHTS, reflector=FIXED, shared=True)
    assert found.sound.value == pytest.approx(speed_of_sound(21.0))
    assert "measure the reflector's 300 mm again" in found.words
    assert found.elements == bar_result(looks, HEIGHTS).elements


def test_without_a_reflector_the_air_is_used_and_named() -> None:
    found = bar_result(_looks(speed_of_sound(15.0), 15.0), HEIGHTS)
    assert found.sound.value == pytest.approx(speed_of_sound(15.0))
    assert found.words == "Speed of sound: 340.3 +- 0.4 m/s, from the air at 15.0 C."


def test_a_reflector_that_is_not_seen() -> None:
    first, second = _looks(340.0, 15.0)
    assert first.reflected is not None
    deaf = replace(first, reflected=first.reflected[:149])
    with pytest.raises(CommissionError, match="heard the reflector at 300 mm in 149 of 300"):
        bar_result((deaf, second), HEIGHTS, reflector=FIXED)
    heard = replace(first, reflected=first.reflected[:150])
    assert bar_result((heard, second), HEIGHTS, reflector=FIXED).elements


def _truth(reflector_m: float | None) -> RigTruth:
    bar = REFERENCE.left_bar
    assert bar is not None
    return replace(REFERENCE, left_bar=replace(bar, reflector_m=reflector_m, reflector_element=1))


def _warm(off_k: float) -> Callable[[AnySample], AnySample]:
    """An air sensor in the sun."""

    def change(s: AnySample) -> AnySample:
        if isinstance(s, AirSample) and s.temperature_c is not None:
            return msgspec.structs.replace(s, temperature_c=s.temperature_c + off_k)
        return s

    return change


def _commissioned(reflector_m: float | None, fixed: Reflector | None, off_k: float) -> BarResult:
    bench = Bench(Yard(_truth(reflector_m), seed=3), _warm(off_k))
    return bench.run(bar_steps("bar.left", 5, by_hand=False, seconds=6.0, reflector=fixed))


def test_a_wrong_air_sensor_and_a_right_reflector_give_the_zero() -> None:
    """8 K are 8 / (2 x 290) of 600 mm, 8 mm: what the air alone would make of it."""
    found = _commissioned(0.3, FIXED, 8.0)
    for one in found.elements:
        assert abs(one.zero.value) < 1e-3
        assert one.zero.covers(0.0)
        assert one.scale.covers(1.0)
    assert "The air says" in found.words
    for one in _commissioned(None, None, 8.0).elements:
        assert one.zero.value == pytest.approx(0.6 * 8.0 / (2.0 * 290.0), abs=1e-3)


def test_on_the_simulated_rig_too_a_reflector_that_is_not_there_is_told() -> None:
    with pytest.raises(CommissionError, match=r"Element 1 heard the reflector at 300 mm in \d of"):
        _commissioned(None, FIXED, 0.0)


def test_a_board_that_would_hide_the_reflector_is_refused() -> None:
    far = Reflector(1, 0.36)
    with pytest.raises(CommissionError, match=r"450 mm cannot be told .* 360 mm; 468 mm or more"):
        _commissioned(0.36, far, 0.0)


def _rig(**bar: float) -> Rig:
    plain = load_rig(find_rig("reference")).model_dump(mode="json")
    plain["bars"]["left"] |= bar
    return Rig.model_validate(plain)


def test_a_run_gets_true_ranges_whatever_is_wrong_in_both() -> None:
    """Reflector 2 mm from where it is stated, its element 3 mm and 0.4 % off, the thermometer 6 K:
    the run, 10 K colder, hears the same reflector by the same element, and all of it cancels."""
    zeros, scales, true_at = (1.5e-3, 3e-3), (0.997, 1.004), 0.302

    def flight(k: int, distance: float, air_c: float) -> float:
        return 2.0 * (distance * scales[k] + zeros[k]) / speed_of_sound(air_c)

    looks = tuple(
        Look(
            tuple(np.full(100, flight(k, h, 20.0)) for k in range(2)), (100, 100), 26.0,
            reflected=np.full(100, flight(1, true_at, 20.0)),
        )
        for h in HEIGHTS
    )  # fmt: skip
    found = bar_result((looks[0], looks[1]), HEIGHTS, reflector=FIXED)
    assert found.reflector is not None
    rig = _rig(reflector_mm=1e3 * found.reflector.value, reflector_element=1, elements=3)
    elements = [*found.elements, found.elements[0]]
    corrections = Elements(
        middle_mm=1e3 * found.middle_m, zero_mm=[1e3 * one.zero.value for one in elements],
        scale=[one.scale.value for one in elements],
    )  # fmt: skip
    plain = rig.model_dump(mode="json") | {"calibration": {"bars": {"left": corrections}}}
    senses = Senses(Rig.model_validate(plain))
    for tick in range(400):
        t = 40.0 + 0.04 * tick
        echoes = tuple(Echo(t - 0.02, flight(1, d, 10.0)) for d in (true_at, 0.55))
        told = [AirSample("air", t, Validity.OK, 16.0)] if tick % 25 == 0 else []
        pings = senses.take(t, [*told, RangePing("bar.left", t - 0.03, Validity.OK, 1, echoes)])
        other = (Echo(t - 0.02, flight(0, 0.55, 10.0)),)
        pings += senses.take(t, [RangePing("bar.left", t - 0.025, Validity.OK, 0, other)])
    assert senses.sound is not None
    for ping in pings:
        (echo,) = ping.echoes
        assert 0.5 * senses.sound * echo.flight_s == pytest.approx(0.55, abs=2e-4)


def test_the_command_stores_the_speed_and_what_it_was_from(tmp_path: Path) -> None:
    text = find_rig("reference").read_text(encoding="utf-8")
    file = tmp_path / "rig.toml"

    def write(distance: int) -> Path:
        keys = f"[bars.left]\nreflector_mm = {distance}\nreflector_element = 1"
        file.write_text(text.replace("[bars.left]", keys), encoding="utf-8")
        return file

    words = ["bar", "--rig", str(write(300)), "--store", str(tmp_path)]
    done = CliRunner().invoke(cli, [*words, "--json"], input="\n" * 20)
    assert done.exit_code == 0, done.output
    stored = json.loads(done.stdout)
    assert "from the reflector at 300 mm of element 1" in stored["words"]
    assert stored["values"]["speed of sound"]["value"] == pytest.approx(341.5, abs=1.5)
    assert "the reflector's distance" in stored["values"]["element 4 scale"]["terms"]
    rig = load_rig(file)
    held = in_force(rig, Book(tmp_path, rig))
    assert "bar bar.left" in held.applied
    heard = held.rig.bars[Side.LEFT].reflector_mm
    assert heard == 1e3 * stored["values"]["reflector heard"]["value"]
    assert heard == pytest.approx(300.0, abs=1.5)
    other = load_rig(write(310))
    held = in_force(other, Book(tmp_path, other))
    assert "bar bar.left" not in held.applied
    assert any("made with a reflector at 300 mm" in one for one in held.told)
    undone = CliRunner().invoke(cli, [*words, "--undo"])
    assert undone.exit_code == 0
    assert Book(tmp_path, rig).load("bar", "bar.left") is None
