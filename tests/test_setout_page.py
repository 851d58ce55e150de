"""The sheet in a real browser: nothing is asked for, and it fits a phone.

Debian: apt-get install chromium. Without one this test is skipped.
"""

from __future__ import annotations

from pathlib import Path

import pytest

pytest.importorskip("aiohttp", reason="the extra [browser] is not installed")

from test_tui_browser_making import run
from test_tui_browser_tab import CHROMIUM, chromium

from firmware_py.setout.plan import make_plan
from firmware_py.setout.reading import read_design
from firmware_py.setout.sheet import sheet_html
from firmware_py.settings_file import find_rig, load_rig

EXAMPLE = Path(__file__).resolve().parent.parent / "examples" / "alder-lane.toml"
PHONE = 390  # CSS pixels


@pytest.mark.skipif(CHROMIUM is None, reason="no Chromium is installed here")
def test_it_asks_for_nothing_and_fits_a_phone(tmp_path: Path) -> None:
    plan = make_plan(read_design(EXAMPLE), load_rig(find_rig("reference")))
    sheet = tmp_path / "sheet.html"
    sheet.write_text(sheet_html(plan), encoding="utf-8")

    async def scene() -> None:
        async with chromium(tmp_path) as tab:
            await tab.do("Emulation.setDeviceMetricsOverride", width=PHONE, height=800,
                         deviceScaleFactor=1, mobile=True)  # fmt: skip
            await tab.do("Page.navigate", url=sheet.as_uri())
            await tab.until("document.readyState === 'complete'")
            await tab.until("document.querySelectorAll('h2').length > 5")
            assert await tab.value("document.documentElement.scrollWidth") == PHONE
            hidden = await tab.value(
                "[...document.querySelectorAll('p, dd, li, h1, h2')]"
                ".filter(e => e.getBoundingClientRect().right > innerWidth).length"
            )
            assert hidden == 0
            # the five columns needed at a pin are seen without pushing the table aside
            seen = await tab.value(
                "[...document.querySelectorAll('table')[0].querySelectorAll('th')]"
                ".filter(e => e.getBoundingClientRect().right <= innerWidth)"
                ".map(e => e.textContent)"
            )
            assert seen[:5] == ["pin", "chainage m", "string", "above ground", "pin length"]
            assert tab.faults == []
            assert [url for url in tab.asked if url != sheet.as_uri()] == []

    run(scene)
