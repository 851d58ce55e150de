"""Tilt: signs by hand, published values, other people's recordings and filters, a seeded loader.

Axes x forward, y left, z up; roll > 0 left end up; pitch > 0 nose down. No simulated rig here.
"""

import math
import runpy
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import butter, lfilter

from firmware_py import snapshot
from firmware_py.sense.tilt import Tilt, TiltSettings, tilt_from_gravity

Array = NDArray[np.float64]
G = 9.80665
RATE_HZ = 200.0
DT = 1.0 / RATE_HZ
ROOT = Path(__file__).resolve().parents[1]
DATA = ROOT.parent / "shared" / "data"
EXAMPLE = runpy.run_path(str(ROOT / "examples" / "tilt_from_recording.py"))
main, tilt_series = EXAMPLE["main"], EXAMPLE["tilt_series"]
tilted_up, true_up = EXAMPLE["tilted_up"], EXAMPLE["true_up"]
RECORDINGS = (
    "imu_broad_02_slow_rotation",
    "imu_broad_14_translation_with_stops",
    "imu_broad_25_translation_with_taps",
)


def gravity(roll: float, pitch: float) -> tuple[float, float, float]:
    """Specific force at rest: the third row of the Z-Y-X rotation matrix, times g."""
    c = math.cos(pitch)
    return (-G * math.sin(pitch), G * math.sin(roll) * c, G * math.cos(roll) * c)


def settled(roll: float = 0.0, pitch: float = 0.0, seconds: float = 1.0) -> Tilt:
    tilt = Tilt()
    for _ in range(round(seconds / DT)):
        tilt.update(DT, *gravity(roll, pitch), 0.0, 0.0, 0.0)
    return tilt


# Formulas and signs, each by hand


def test_an3461_two_percent_crossfall() -> None:
    # NXP AN3461 (Pedley): ay / g = sin(atan(0.02)) = 0.0199960 at 2 percent; 327.6 LSB at 16384/g.
    roll, pitch = tilt_from_gravity(0.0, 0.0199960, math.sqrt(1.0 - 0.0199960**2))
    assert math.tan(roll) == pytest.approx(0.02, abs=1e-7)
    assert pitch == 0.0
    assert 16384 * math.sin(roll) == pytest.approx(327.6, abs=0.05)
    # 1 LSB is 0.0035 degrees at level.
    assert math.degrees(tilt_from_gravity(0.0, 1.0, 16384.0)[0]) == pytest.approx(0.0035, abs=5e-5)


@pytest.mark.parametrize(
    ("force", "roll_deg", "pitch_deg"),
    [
        ((0.0, 0.0, G), 0.0, 0.0),  # level
        ((0.0, G / 2, G * math.sqrt(0.75)), 30.0, 0.0),  # y points up by half: left end up
        ((0.0, -G / 2, G * math.sqrt(0.75)), -30.0, 0.0),  # right end up
        ((-G / 2, 0.0, G * math.sqrt(0.75)), 0.0, 30.0),  # x points down: nose down
        ((G / 2, 0.0, G * math.sqrt(0.75)), 0.0, -30.0),  # nose up
    ],
)
def test_signs_at_rest(
    force: tuple[float, float, float], roll_deg: float, pitch_deg: float
) -> None:
    tilt = Tilt()
    tilt.update(DT, *force, 0.0, 0.0, 0.0)
    for roll, pitch in (tilt_from_gravity(*force), (tilt.roll, tilt.pitch)):
        assert math.degrees(roll) == pytest.approx(roll_deg, abs=1e-9)
        assert math.degrees(pitch) == pytest.approx(pitch_deg, abs=1e-9)


@pytest.mark.parametrize(
    ("start", "rates", "roll", "pitch"),
    [
        ((0.0, 0.0), (0.1, 0.0, 0.0), 0.1, 0.0),  # about x: the left end rises
        ((0.0, 0.0), (0.0, 0.1, 0.0), 0.0, 0.1),  # about y: the nose goes down
        # On a slope with its left end up, a quarter turn to the left: now the nose points up it.
        ((0.1, 0.0), (0.0, 0.0, math.pi / 2), 0.0, -0.1),
    ],
)
def test_signs_of_the_gyro(
    start: tuple[float, float], rates: tuple[float, float, float], roll: float, pitch: float
) -> None:
    # After 1 s on the gyro alone, for gravity is not trusted.
    tilt = settled(*start)
    for _ in range(round(RATE_HZ)):
        tilt.update(DT, 0.0, 0.0, G, *rates, trust=0.0)
    assert (tilt.roll, tilt.pitch) == pytest.approx((roll, pitch), abs=1e-9)


def test_a_known_turn_is_taken_out_and_an_unknown_one_not_trusted() -> None:
    # Turning left at v = 1.5 m/s and w = 0.4 rad/s: a_y = v w = 0.6 m/s2 to the left.
    known, unknown, naive = settled(0.02), settled(0.02), settled(0.02)
    ax, ay, az = gravity(0.02, 0.0)
    for _ in range(round(5 * RATE_HZ)):
        # The blade keeps its roll while it turns about the vertical.
        rates = (0.0, 0.4 * math.sin(0.02), 0.4 * math.cos(0.02))
        known.update(DT, ax, ay + 0.6, az, *rates, ext_ay=0.6)
        unknown.update(DT, ax, ay + 0.6, az, *rates, trust=0.0)
        naive.update(DT, ax, ay + 0.6, az, *rates)
    assert known.roll == pytest.approx(0.02, abs=1e-9)
    assert unknown.roll == pytest.approx(0.02, abs=1e-9)
    assert naive.roll > 0.03  # so that the two above assert something
    forward = settled()
    for _ in range(round(RATE_HZ)):
        forward.update(DT, 1.0, 0.0, G, 0.0, 0.0, 0.0, ext_ax=1.0)
    assert forward.pitch == pytest.approx(0.0, abs=1e-9)


# Refusals and state


@pytest.mark.parametrize("dt", [0.0, -0.005, 0.1001, math.nan, math.inf])
def test_absurd_steps_are_refused(dt: float) -> None:
    tilt = settled(0.02)
    before = snapshot.take(tilt)
    with pytest.raises(ValueError, match=r"Tilt step .* above 0 and at most 0\.1"):
        tilt.update(dt, 0.0, 0.0, G, 0.0, 0.0, 0.0)
    assert snapshot.take(tilt) == before


def test_longest_step_is_taken() -> None:
    tilt = settled(0.02)
    tilt.update(0.1, *gravity(0.02, 0.0), 0.0, 0.0, 0.0)
    assert tilt.roll == pytest.approx(0.02, abs=1e-9)


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf, 1e200])
@pytest.mark.parametrize("place", range(8))
def test_broken_numbers_are_refused_and_change_nothing(bad: float, place: int) -> None:
    tilt = settled(0.02)
    before = snapshot.take(tilt)
    sample = [0.0, 0.0, G, 0.0, 0.0, 0.0, 0.0, 0.0]
    sample[place] = bad
    with pytest.raises(ValueError, match="Inertial sample refused"):
        tilt.update(DT, *sample[:6], ext_ax=sample[6], ext_ay=sample[7])
    assert snapshot.take(tilt) == before


@pytest.mark.parametrize("trust", [-0.01, 1.01, math.nan])
def test_trust_outside_its_range_is_refused(trust: float) -> None:
    with pytest.raises(ValueError, match="Trust in gravity"):
        Tilt().update(DT, 0.0, 0.0, G, 0.0, 0.0, 0.0, trust=trust)


def test_no_start_without_gravity() -> None:
    tilt = Tilt()
    with pytest.raises(ValueError, match="not gravity"):
        tilt.update(DT, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    with pytest.raises(ValueError, match="zero or not finite"):
        tilt_from_gravity(0.0, 0.0, 0.0)
    with pytest.raises(ValueError, match="zero or not finite"):
        tilt_from_gravity(0.0, math.nan, 1.0)


@pytest.mark.parametrize("value", [0.0, -1.0, math.nan, math.inf])
def test_settings_are_above_zero(value: float) -> None:
    with pytest.raises(ValueError, match="time_constant_s"):
        TiltSettings(time_constant_s=value)


def shaken(seed: int, count: int) -> Array:
    rng = np.random.default_rng(seed)
    force = np.array([0.0, 0.0, G]) + rng.standard_normal((count, 3))
    return np.hstack([force, 0.2 * rng.standard_normal((count, 3))])


def test_a_snapshot_continues_bit_for_bit() -> None:
    samples = shaken(1, 1000).tolist()
    whole, other = Tilt(), Tilt()
    for sample in samples[:487]:  # in the middle of a block
        whole.update(DT, *sample, still=True)
    mutable = set(vars(whole)) - {"settings"}
    assert mutable == set(Tilt.STATE)
    snapshot.put(other, snapshot.take(whole))
    for sample in samples[487:]:
        whole.update(DT, *sample, trust=0.7, ext_ay=0.1)
        other.update(DT, *sample, trust=0.7, ext_ay=0.1)
    assert snapshot.take(other) == snapshot.take(whole)
    whole.reset()
    assert snapshot.take(whole) == snapshot.take(Tilt())


def test_left_and_right_are_mirror_images() -> None:
    # Mirroring in the x-z plane turns y forces, x rates and z rates over, and roll with them.
    one, other = Tilt(), Tilt()
    for ax, ay, az, gx, gy, gz in shaken(2, 2000).tolist():
        one.update(DT, ax, ay, az, gx, gy, gz)
        other.update(DT, ax, -ay, az, -gx, gy, -gz)
    assert abs(one.roll) > 1e-4
    assert (other.roll, other.pitch) == pytest.approx((-one.roll, one.pitch), abs=1e-12)
    assert other.yaw_rate == pytest.approx(-one.yaw_rate, abs=1e-12)


# Bias, start, trust


def test_bias_is_learnt_at_rest_on_all_axes_else_square_to_gravity_only() -> None:
    true = np.radians([0.3, -0.2, 0.4])
    rng = np.random.default_rng(3)
    noise = math.radians(0.004) * math.sqrt(RATE_HZ / 2)  # 0.004 deg/s per root Hz, one-sided
    still, moving = Tilt(), Tilt()
    gyro = true + noise * rng.standard_normal((round(30 * RATE_HZ), 3))
    for i, rates in enumerate(gyro.tolist()):
        if i < 3 * RATE_HZ:
            still.update(DT, *gravity(0.02, 0.01), *rates, still=True)
        moving.update(DT, *gravity(0.02, 0.01), *rates)
    # 3 s of that noise: sd 0.0016 deg/s an axis.
    assert np.degrees(still.bias) == pytest.approx(np.degrees(true), abs=0.006)
    assert np.degrees(moving.bias)[:2] == pytest.approx(np.degrees(true)[:2], abs=0.02)
    assert abs(math.degrees(moving.bias[2])) < 0.05  # its 0.4 deg/s cannot be seen
    assert moving.roll == pytest.approx(0.02, abs=2e-4)
    still.update(DT, *gravity(0.02, 0.01), 0.1, 0.2, 0.3)
    rates = (still.roll_rate, still.pitch_rate, still.yaw_rate)
    assert rates == pytest.approx(np.array([0.1, 0.2, 0.3]) - still.bias, abs=1e-12)


def test_starts_within_a_second_under_vibration() -> None:
    tilt = Tilt()
    for i in range(round(RATE_HZ)):
        ax, ay, az = gravity(0.05, 0.03)
        hum = 1.4 * math.sin(2.0 * math.pi * 31.0 * i * DT)  # 1 m/s2 rms
        tilt.update(DT, ax + hum, ay + hum, az - hum, 0.0, 0.0, 0.0)
    assert (tilt.roll, tilt.pitch) == pytest.approx((0.05, 0.03), abs=2e-3)


def test_shocks_lower_the_trust_in_gravity() -> None:
    calm, rough = settled(seconds=20.0), settled(seconds=20.0)
    for i in range(round(2 * RATE_HZ)):
        ax, ay, az = gravity(0.05, 0.0)  # gravity says 5 % at once, the gyro says nothing
        calm.update(DT, ax, ay, az, 0.0, 0.0, 0.0)
        rough.update(DT, ax, ay, az + (60.0 if i % 2 else -60.0), 0.0, 0.0, 0.0)
    assert calm.roll > 0.005
    assert 0.0 < rough.roll < 0.5 * calm.roll


def test_spread_grows_while_gravity_is_not_trusted_and_comes_back() -> None:
    tilt = settled(seconds=30.0)
    spread = [tilt.roll_sd]
    for trust in (0.0, 1.0):
        for _ in range(round(30 * RATE_HZ)):
            tilt.update(DT, 0.0, 0.0, G, 0.0, 0.0, 0.0, trust=trust)
        spread.append(tilt.roll_sd)
    assert spread[1] > 2.0 * spread[0]
    assert spread[2] < 1.2 * spread[0]
    assert settled(seconds=0.05).roll_sd > spread[0]


# A loader, seeded


def band(rng: np.random.Generator, count: int, corner_hz: float, sd: float) -> Array:
    """Random motion of a bandwidth, second-order Butterworth, sd as asked."""
    lead = round(20 * RATE_HZ)
    numerator, denominator = butter(2, 2.0 * corner_hz * DT)
    x = lfilter(numerator, denominator, rng.standard_normal(count + lead))[lead:]
    return np.asarray(x * sd / x.std())


def loader(seed: int, seconds: float = 120.0) -> tuple[Array, Array, Array, Array, int]:
    """Force, gyro, roll, pitch and the number of samples at rest of a seeded grading run.

    2 % rms of roll and pitch up to 1 Hz, slow yaw, 0.7 m/s2 rms of engine vibration an axis at
    28 to 36 Hz, gyro bias 0.3 deg/s, noise 70 ug and 0.004 deg/s per root Hz (one-sided).
    """
    rng = np.random.default_rng(seed)
    count, rest = round(seconds * RATE_HZ), round(3.0 * RATE_HZ)
    t = np.arange(count) * DT
    moving = np.clip(t - rest * DT, 0.0, 1.0)
    roll, pitch = (band(rng, count, 1.0, 0.02) * moving for _ in range(2))
    yaw = np.cumsum(band(rng, count, 0.2, 0.05) * moving) * DT
    droll, dpitch, dyaw = (np.diff(x, prepend=x[0]) / DT for x in (roll, pitch, yaw))
    up = np.stack([-np.sin(pitch), np.sin(roll) * np.cos(pitch), np.cos(roll) * np.cos(pitch)], 1)
    rates = np.stack([droll, dpitch * np.cos(roll), -dpitch * np.sin(roll)], 1) + up * dyaw[:, None]
    phase = np.cumsum(2.0 * np.pi * (32.0 + 4.0 * np.sin(0.7 * t))) * DT
    hum = 0.7 * math.sqrt(2.0) * np.stack([np.sin(phase + lag) for lag in (0.0, 1.0, 2.0)], 1)
    white = math.sqrt(RATE_HZ / 2.0) * rng.standard_normal((2, count, 3))
    force = 9.81 * up + hum + 70e-6 * 9.81 * white[0]
    gyro = rates + np.radians([0.3, -0.3, 0.3]) + math.radians(0.004) * white[1]
    return force, gyro, roll, pitch, rest


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_loader_roll_stays_within_three_hundredths_of_a_percent(seed: int) -> None:
    force, gyro, roll, pitch, rest = loader(seed)
    tilt = Tilt()
    errors = np.empty((len(roll), 2))
    for i, (f, w) in enumerate(zip(force.tolist(), gyro.tolist(), strict=True)):
        tilt.update(DT, *f, *w, still=i < rest)
        errors[i] = math.tan(tilt.roll) - math.tan(roll[i]), tilt.pitch - pitch[i]
    rms = np.sqrt((errors[rest:] ** 2).mean(axis=0))
    assert rms[0] < 0.0003
    assert rms[1] < 0.0003
    # The spread must cover the error, and not drown it (warming up is in it, and is not here).
    assert rms.max() < tilt.roll_sd < 0.0015


def test_accelerometer_bias_becomes_tilt_and_nothing_else() -> None:
    # 1 mg on y is 0.1 % of roll: what the tilt zero of the commissioning takes away.
    tilt = Tilt()
    for _ in range(round(20 * RATE_HZ)):
        tilt.update(DT, 0.0, 0.001 * G, G, 0.0, 0.0, 0.0)
    assert tilt.roll == pytest.approx(0.001, abs=1e-8)
    assert tilt.bias == pytest.approx((0.0, 0.0, 0.0), abs=1e-9)


# Recordings: BROAD, Laidig et al., Data 6(7):72, 2021 (CC BY 4.0)


def recording(name: str) -> tuple[Path, dict[str, Array]]:
    path = DATA / f"{name}.npz"
    if not path.exists():
        pytest.skip(f"{name}: not at ../shared/data beside the project")
    with np.load(path) as file:
        return path, {key: file[key] for key in ("acc", "gyr", "opt_quat", "movement", "fs")}


def scores(up: Array, data: dict[str, Array]) -> tuple[float, float]:
    """Rms angle (deg) to the optical truth while moving: raw, and with one rotation taken out."""
    use = data["movement"].astype(bool) & np.isfinite(data["opt_quat"]).all(axis=1)
    true, found = true_up(data["opt_quat"])[use], up[use]
    u, _, v = np.linalg.svd(true.T @ found)  # Kabsch: the rotation that fits all pairs best
    turned = found @ (u @ np.diag([1.0, 1.0, np.linalg.det(u @ v)]) @ v).T
    cosines = (np.clip((one * true).sum(axis=1), -1.0, 1.0) for one in (found, turned))
    raw, aligned = (math.degrees(math.sqrt((np.arccos(c) ** 2).mean())) for c in cosines)
    return raw, aligned


@pytest.mark.parametrize("name", RECORDINGS)
def test_broad_against_vqf(name: str) -> None:
    # VQF: Laidig and Seel, Information Fusion 91, 2023; its own package, library defaults.
    vqf = pytest.importorskip("vqf", reason="vqf has no wheel for this machine")
    path, data = recording(name)
    raw, aligned = scores(tilted_up(*tilt_series(*arrays(data))), data)
    gyro, accel = (np.ascontiguousarray(data[key], dtype=float) for key in ("gyr", "acc"))
    result = vqf.VQF(1.0 / float(data["fs"])).updateBatch(gyro, accel)
    raw_theirs, aligned_theirs = scores(true_up(result["quat6D"]), data)
    told = f"{path.name}: {raw:.3f}/{aligned:.3f}, vqf {raw_theirs:.3f}/{aligned_theirs:.3f} deg"
    assert raw <= 0.45, told
    assert aligned <= 1.02 * aligned_theirs, told


@pytest.mark.parametrize("name", RECORDINGS)
def test_broad_against_imufusion(name: str) -> None:
    # imufusion: Madgwick's revised filter (PhD thesis, 2014, ch. 7), library defaults; g and deg/s.
    imufusion = pytest.importorskip("imufusion", reason="imufusion is not installed")
    _, data = recording(name)
    raw, aligned = scores(tilted_up(*tilt_series(*arrays(data))), data)
    theirs = imufusion.Ahrs().set_sample_period(1.0 / float(data["fs"]))
    up = np.empty_like(data["acc"], dtype=float)
    gyro, accel = np.degrees(data["gyr"].astype(float)), data["acc"].astype(float) / G
    for i in range(len(up)):
        theirs.update_no_magnetometer(gyro[i], accel[i])
        up[i] = theirs.get_gravity()
    raw_theirs, aligned_theirs = scores(up, data)
    assert raw < 0.8 * raw_theirs
    assert aligned < 0.95 * aligned_theirs


def arrays(data: dict[str, Array]) -> tuple[Array, Array, Array]:
    return np.arange(len(data["acc"])) / float(data["fs"]), data["acc"], data["gyr"]


# The example


def test_example_prints_what_it_found(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "run.npz"
    force = np.tile(gravity(0.02, -0.01), (400, 1))
    np.savez(path, acc=force, gyr=np.zeros((400, 3)), fs=RATE_HZ)
    main([str(path)])
    out = capsys.readouterr().out
    assert "roll" in out
    assert "+2.000 %" in out
    assert "-1.000 %" in out


def test_example_scores_a_recording(capsys: pytest.CaptureFixture[str]) -> None:
    path, data = recording(RECORDINGS[0])
    raw, _ = scores(tilted_up(*tilt_series(*arrays(data))), data)
    main([str(path)])
    assert f"rms error while moving {raw:.2f} deg" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (None, "No such file"),
        ({"acc": np.zeros((4, 3)), "fs": 9.0}, "lacks gyr"),
        ({"acc": np.ones((4, 3)), "gyr": np.ones((4, 3))}, "lacks fs"),
        ({"acc": np.ones((4, 2)), "gyr": np.ones((4, 3)), "fs": 200.0}, "three columns"),
        ({"acc": np.full((4, 3), np.nan), "gyr": np.ones((4, 3)), "fs": 200.0}, "refused"),
        ({"acc": np.ones((4, 3)) * 6, "gyr": np.ones((4, 3)), "t": np.zeros(4)}, "Tilt step"),
    ],
)
def test_example_tells_bad_files_in_one_sentence(
    tmp_path: Path, content: dict[str, Array] | None, words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "bad.npz"
    if content is not None:
        np.savez(path, **content)
    with pytest.raises(SystemExit, match="1"):
        main([str(path)])
    told = capsys.readouterr().err
    assert words in told
    assert told.count("\n") == 1


def test_example_refuses_what_is_no_npz(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "notes.npz"
    path.write_text("not numbers")
    with pytest.raises(SystemExit, match="1"):
        main([str(path)])
    assert capsys.readouterr().err.count("\n") == 1
