"""Roll and pitch from a recording: python examples/tilt_from_recording.py FILE.npz

Keys: acc (n x 3, m/s2, +9.81 on z at rest), gyr (n x 3, rad/s), fs (Hz) or t (s); to score it,
opt_quat (n x 4: w, x, y, z, sensor to east-north-up) and movement (n, true where to score).
"""

import zipfile
from argparse import ArgumentParser, RawTextHelpFormatter

import numpy as np

from firmware_py.sense.tilt import Tilt


def tilt_series(time_s: np.ndarray, accel: np.ndarray, gyro: np.ndarray) -> np.ndarray:
    """(roll, pitch), each n, rad (left end up, nose down > 0); ValueError on a bad row or shape."""
    if accel.shape != (len(time_s), 3) or gyro.shape != accel.shape or len(time_s) < 2:
        raise ValueError("acc and gyr need three columns, and as many rows as there are times.")
    tilt, series = Tilt(), []
    steps = np.diff(time_s, prepend=2 * time_s[0] - time_s[1])  # the first is as long as the next
    for dt, sample in zip(steps.tolist(), np.hstack([accel, gyro]).tolist(), strict=True):
        tilt.update(dt, *sample)
        series.append((tilt.roll, tilt.pitch))
    return np.array(series).T


def tilted_up(roll: np.ndarray, pitch: np.ndarray) -> np.ndarray:
    """Unit vector up in the sensor's frame, n x 3."""
    return np.stack([-np.sin(pitch), np.sin(roll) * np.cos(pitch), np.cos(roll) * np.cos(pitch)], 1)


def true_up(quaternions: np.ndarray) -> np.ndarray:
    """The same from (w, x, y, z), sensor to world: third row of the rotation matrix."""
    w, x, y, z = quaternions.T
    return np.stack([2 * (x * z - w * y), 2 * (y * z + w * x), 1 - 2 * (x * x + y * y)], 1)


def main(arguments: list[str] | None = None) -> None:
    parser = ArgumentParser(description=__doc__, formatter_class=RawTextHelpFormatter)
    parser.add_argument("file", help="recording, .npz")
    path = parser.parse_args(arguments).file
    try:
        data = dict(np.load(path))
        if lacks := {"acc", "gyr", "t" if "t" in data else "fs"} - data.keys():
            raise ValueError(f"the file lacks {', '.join(sorted(lacks))}.")
        time_s = data["t"] if "t" in data else np.arange(len(data["acc"])) / float(data["fs"])
        series = tilt_series(time_s, data["acc"].astype(float), data["gyr"].astype(float))
    except (OSError, ValueError, TypeError, zipfile.BadZipFile) as error:
        parser.exit(1, f"{path}: {error}\n")
    for name, angle in zip(("roll", "pitch"), 100 * np.tan(series), strict=True):
        print(f"{name}: mean {angle.mean():+.3f} %, standard deviation {angle.std():.3f} %")
    if {"opt_quat", "movement"} <= data.keys():
        cosines = (true_up(data["opt_quat"]) * tilted_up(*series)).sum(axis=1).clip(-1, 1)
        rms = np.degrees(np.sqrt(np.nanmean(np.arccos(cosines[data["movement"] > 0]) ** 2)))
        print(f"rms error while moving {rms:.2f} deg")


if __name__ == "__main__":
    main()
