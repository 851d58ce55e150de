"""The report's page in a real browser: nothing is fetched, it fits a phone, and it prints."""

from __future__ import annotations

import base64
from pathlib import Path

import pytest

pytest.importorskip("aiohttp", reason="the extra [browser] is not installed")

from click.testing import CliRunner
from report_made import make_log
from test_tui_browser_making import run
from test_tui_browser_tab import CHROMIUM, chromium

from firmware_py.commands import cli

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium is installed here")
PHONE = {"width": 390, "height": 844, "deviceScaleFactor": 2, "mobile": True}
DONE = "document.readyState === 'complete'"
LOADED = "[...document.images].every((image) => image.complete && image.naturalWidth > 0)"
WIDER = """[...document.querySelectorAll('body *')].filter((one) => !one.closest('.wide, figure')
    && one.getBoundingClientRect().right > innerWidth + 1).map((one) => one.outerHTML.slice(0, 80))
"""


def test_the_page_asks_nobody_fits_a_phone_and_prints(tmp_path: Path) -> None:
    log, out = make_log(tmp_path / "run.mcap"), tmp_path / "out"
    assert CliRunner().invoke(cli, ["report", str(log), "-o", str(out)]).exit_code == 0
    address = (out / "report.html").as_uri()

    async def scene() -> None:
        async with chromium(tmp_path / "profile") as tab:
            await tab.do("Page.navigate", url=address)
            await tab.until(f"location.href === '{address}' && {DONE}")
            assert await tab.value("document.images.length") == 4
            await tab.until(LOADED)
            await tab.do("Emulation.setDeviceMetricsOverride", **PHONE)
            await tab.until("innerWidth === 390")
            assert await tab.value("document.documentElement.scrollWidth") <= 390
            assert await tab.value(WIDER) == []
            asked = [one for one in tab.asked if not one.startswith("data:")]
            assert set(asked) == {address}
            blocked = await tab.value(
                "fetch('http://192.0.2.1/').then(() => 'came through', () => 'refused')"
            )
            assert blocked == "refused"
            printed = await tab.do("Page.printToPDF", preferCSSPageSize=True)
            assert base64.b64decode(printed["data"]).startswith(b"%PDF-")
            assert tab.faults == []

    run(scene)
