"""`linehold run` on rigs that are partly real: cues only without a lease, and what is not there."""

from __future__ import annotations

from pathlib import Path

from firmware_py.devices.which import NO_LEASE
from firmware_py.settings_file import find_rig
from tests.test_commands_run import WAIT_S, ends_neutral, only_log, replays, start

REFERENCE = find_rig("reference").read_text(encoding="utf-8")
PCA = """kind = "pca9685"
left = { raise_channel = 0, lower_channel = 1 }
right = { raise_channel = 2, lower_channel = 3 }
"""


def rig_file(folder: Path, device: str, more: str) -> Path:
    """The reference rig with further keys in one table."""
    path = folder / "rig.toml"
    line = f'device = "{device}"\n'
    assert REFERENCE.count(line) == 1
    path.write_text(REFERENCE.replace(line, line + more), encoding="utf-8")
    return path


def test_a_pwm_chip_without_a_lease_runs_cue_only_and_says_so(tmp_path: Path) -> None:
    """No chip is there, and none is looked for."""
    rig = rig_file(tmp_path, "valves", PCA)
    run = start("run", "--headless", "--for", "1", "--rig", str(rig), "--log", str(tmp_path))
    out, err = run.communicate(timeout=WAIT_S)
    assert run.returncode == 0, out + err
    assert NO_LEASE in err
    assert NO_LEASE in out  # and in the report
    assert "cue only" in out


def test_what_is_typed_in_stands_among_simulated_devices_and_replays(tmp_path: Path) -> None:
    rig = rig_file(tmp_path, "air", 'kind = "fixed"\ncelsius = 12.5\n')
    run = start("run", "--headless", "--for", "1.5", "--rig", str(rig), "--log", str(tmp_path))
    out, err = run.communicate(timeout=WAIT_S)
    assert run.returncode == 0, out + err
    log = only_log(tmp_path)
    assert ends_neutral(log) > 20
    assert "identical" in replays(log)


def test_a_device_that_is_not_there_is_a_line_an_element_and_exit_code_2(tmp_path: Path) -> None:
    ports = ", ".join(f'"{tmp_path}/port{n}"' for n in range(5))
    more = f'kind = "uart-binary"\nunit = "mm"\nports = [{ports}]\n'
    rig = rig_file(tmp_path, "bar.left", more)
    lines = rig.read_text(encoding="utf-8").splitlines()
    kept = [line for line in lines if not line.startswith(("echoes", "frame_ms"))]
    rig.write_text("\n".join(kept), encoding="utf-8")
    run = start("run", "--headless", "--for", "1", "--rig", str(rig), "--log", str(tmp_path))
    out, err = run.communicate(timeout=WAIT_S)
    assert run.returncode == 2, out + err
    told = err.splitlines()[-5:]
    for n, line in enumerate(told):
        assert line.startswith(f"bars.left, element {n}: {tmp_path}/port{n} does not open")
        assert line.endswith("nothing is plugged in at this place")
    assert out == ""


def test_run_and_check_tell_all_devices_that_are_not_there(tmp_path: Path) -> None:
    """Neither this bus nor this file is on any computer; each device has one line."""
    path = tmp_path / "rig.toml"
    text = REFERENCE.replace(
        'device = "air"\n', f'device = "air"\nkind = "w1"\npath = "{tmp_path}/no"\n'
    )
    more = 'kind = "mpu6050"\nbus = "/dev/i2c-987"\n'
    text = text.replace('device = "inertial"\n', f'device = "inertial"\n{more}')
    gnss = f'\n[gnss]\ndevice = "gnss"\nport = "{tmp_path}/gnss"\n'
    path.write_text(text + gnss, encoding="utf-8")
    for command in (
        ["run", "--headless", "--for", "1", "--log", str(tmp_path)],
        ["check", "--store", str(tmp_path)],
    ):
        run = start(*command, "--rig", str(path))
        out, err = run.communicate(timeout=WAIT_S)
        assert run.returncode == 2, out + err
        told = err.splitlines()[-3:]
        assert [line.split(": ")[0] for line in told] == ["inertial", "air", "gnss"], err
        assert "/dev/i2c-987" in told[0]
        assert "Traceback" not in err
