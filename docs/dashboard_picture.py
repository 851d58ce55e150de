"""Make docs/pictures/dashboard.png: the dashboard over a simulated trial, in virtual time.

Needs Chromium to turn Textual's picture into a PNG. `python docs/dashboard_picture.py`; with
--all, every screen at three sizes goes to out/screens/ for looking at.
"""

from __future__ import annotations

import argparse
import asyncio
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT))  # from a checkout, without having it installed

from firmware_py.link.frames import Beat, Device, Devices, FromListener, FromLoop, Host  # noqa: E402
from firmware_py.live.hello import make_hello  # noqa: E402
from firmware_py.trial.run import prepare  # noqa: E402
from firmware_py.trial.scenario import load_trial  # noqa: E402
from tui.app import Dashboard  # noqa: E402

PICTURE = ROOT / "docs" / "pictures" / "dashboard.png"
SIZES = ((80, 24), (120, 40), (200, 60))
SCREENS = {"1": "drive", "2": "bar", "3": "health", "4": "settings", "5": "check"}
AT_S = 62.0  # s into the trial: the string has been followed for a while


class Trial:
    """A Source that has all of a trial's frames up to one instant, and answers nothing."""

    lost = ""

    def __init__(self, name: str, at_s: float) -> None:
        loop = prepare(load_trial(name))
        self._frames: list[FromLoop] = []
        for record in loop.records():
            self._frames.append(Beat(record.tick, 5e-5, 6e-4, 0, 0))
            if record.time_s - 100.0 >= at_s:
                break
        self.now_s = record.time_s
        hello = make_hello(loop.rig, "out/run-20260314-101500.mcap", self.now_s - at_s)
        names = loop.controller.senses.intakes
        devices = tuple(Device(name, 0.01, 100.0, 0, "") for name in names)
        host = Host(self.now_s, "", 2_400_000, 21_000_000_000, 51.0, "", (), (0.12, 0.13), 60.0)
        self._frames[:0] = [hello]
        self._frames += [Devices(self.now_s, devices), host]

    def poll(self) -> list[FromLoop]:
        """Everything, once."""
        frames, self._frames = self._frames, []
        return frames

    def send(self, frame: FromListener) -> bool:
        """Nobody listens."""
        return False


async def svg(name: str, size: tuple[int, int], keys: tuple[str, ...]) -> str:
    """The screen after some keys, as Textual draws it."""
    source = Trial(name, AT_S)
    app = Dashboard(source, clock=lambda: source.now_s)
    async with app.run_test(size=size) as pilot:
        await pilot.press("x")
        for key in keys:
            await pilot.press(key)
        await pilot.pause(0.3)
        return app.export_screenshot()


def png(picture: str, size: tuple[int, int], path: Path) -> None:
    """Through a browser, which has the letters for it."""
    browser = shutil.which("chromium") or shutil.which("chromium-browser")
    if browser is None:
        sys.exit("Chromium is needed to make a PNG; on Debian: apt-get install chromium")
    width, height = round(size[0] * 12.2 + 20), round(size[1] * 24.4 + 70)
    with tempfile.TemporaryDirectory() as folder:
        page = Path(folder) / "page.html"
        body = f'<body style="margin:0"><div style="width:{width}px">{picture}</div></body>'
        page.write_text(body, encoding="utf-8")
        subprocess.run(
            [browser, "--headless=new", "--no-sandbox", "--hide-scrollbars",
             f"--window-size={width},{height}", f"--screenshot={path}", page.as_uri()],
            check=True, capture_output=True,
        )  # fmt: skip


def main() -> None:
    """One picture, or all."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--all", action="store_true", help="every screen at three sizes")
    parser.add_argument("--trial", default="footpath-string", help="(footpath-string)")
    options = parser.parse_args()
    if not options.all:
        png(asyncio.run(svg(options.trial, (120, 40), ())), (120, 40), PICTURE)
        return
    folder = ROOT / "out" / "screens"
    folder.mkdir(parents=True, exist_ok=True)
    for size in SIZES:
        for key, name in SCREENS.items():
            path = folder / f"{name}-{size[0]}x{size[1]}.png"
            png(asyncio.run(svg(options.trial, size, (key,))), size, path)
            print(path.relative_to(ROOT))


if __name__ == "__main__":
    main()
