"""What the computer says of itself: temperature, supply, disk. Linux's own files; no sensor."""

from __future__ import annotations

import shutil
from pathlib import Path

SYSTEM = Path("/sys")
LOW = "The computer's supply voltage has been low. Check its supply and cable."
LOG_SPACE = 200e6  # bytes; two hours of recording and a little


def temperature(system: Path = SYSTEM) -> float | None:
    """Of the hottest thermal zone, degrees Celsius; None where there is none.

    Linux, Documentation/driver-api/thermal/sysfs-api: `temp` is in thousandths of a degree.
    """
    found = []
    for zone in system.glob("class/thermal/thermal_zone*/temp"):
        try:
            found.append(int(zone.read_text(encoding="ascii")) / 1000.0)
        except (OSError, ValueError):
            continue
    return max(found, default=None)


def power(system: Path = SYSTEM) -> str:
    """'' when all is well or nothing is known, else what is wrong.

    A Raspberry Pi's firmware tells of a low supply through the hwmon device "rpi_volt"
    (Linux, drivers/hwmon/raspberrypi-hwmon.c: in0_lcrit_alarm).
    """
    for device in system.glob("class/hwmon/hwmon*"):
        try:
            if (device / "name").read_text(encoding="ascii").strip() != "rpi_volt":
                continue
            if int((device / "in0_lcrit_alarm").read_text(encoding="ascii")):
                return LOW
        except (OSError, ValueError):
            continue
    return ""


def disk_free(folder: Path) -> int | None:
    """Bytes that are free where a folder stands; None when that cannot be told."""
    try:
        return shutil.disk_usage(folder).free
    except OSError:
        return None
