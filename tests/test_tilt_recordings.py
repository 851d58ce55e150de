"""Tilt against other people's recordings and filters, and the example that reads a recording.

The recordings are not ours and not here: without ../shared/data what needs them skips.
"""

import math
import runpy
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

Array = NDArray[np.float64]
G = 9.80665
RATE_HZ = 200.0
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
    # at rest, to the first order: x = -g pitch, y = g roll
    force = np.tile([0.01 * G, 0.02 * G, G], (400, 1))
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
