"""The dashboard in a real browser: Chromium without a window, led over its DevTools protocol.

Debian: apt-get install chromium. Without one these tests are skipped.
"""

from __future__ import annotations

import asyncio
import os
import re
import signal
from pathlib import Path
from urllib.parse import urlsplit

import pytest

pytest.importorskip("aiohttp", reason="the extra [browser] is not installed")

from test_tui_browser_making import PATIENCE_S, TOKEN, desk, loop_at, run
from test_tui_browser_tab import CHROMIUM, Tab, chromium

from firmware_py.link.frames import Begin
from firmware_py.messages import Disengage, Engage
from tui.browser_process import argv_of

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium is installed here")


def test_with_control_the_screen_appears_keys_arrive_and_no_other_host_is_asked(
    tmp_path: Path,
) -> None:
    async def scene() -> None:
        async with desk(control=True) as (_, address), chromium(tmp_path) as tab:
            await tab.do("Page.navigate", url=f"{address}/?token={TOKEN}")
            await tab.until("document.getElementById('text') !== null")
            await tab.shows("arguments run.socket --silent.")
            await tab.until("document.getElementById('banner').hidden")
            assert await tab.value("document.getElementById('may').textContent") == "CONTROL"
            assert await tab.value("location.href") == f"{address}/"  # the token has left it
            assert await tab.value("document.cookie") == ""

            await tab.press("e")
            await tab.press("Enter")
            await tab.value("document.getElementById('larger').focus()")
            await tab.press(" ")  # a button that has the focus does not take "hold now"
            await tab.press("ArrowUp")
            await tab.shows("told e enter space up")
            box = await tab.value(
                "(() => { const b = document.getElementById('picture').getBoundingClientRect();"
                " return [b.left, b.top]; })()"
            )
            for kind in ("mousePressed", "mouseReleased"):
                await tab.do(
                    "Input.dispatchMouseEvent", type=kind, x=box[0] + 2, y=box[1] + 2,
                    button="left", clickCount=1,
                )  # fmt: skip
            await tab.shows("told e enter space up mouse-0-0")

            colours = await tab.value(
                "(() => { const c = document.getElementById('picture');"
                " const d = c.getContext('2d').getImageData(0, 0, c.width, c.height).data;"
                " return new Set(new Uint32Array(d.buffer)).size; })()"
            )
            assert colours > 4  # letters with their smooth edges
            assert tab.faults == []
            hosts = {urlsplit(url).netloc for url in tab.asked if not url.startswith("data:")}
            assert hosts == {urlsplit(address).netloc}
            assert any(url.startswith("ws://") for url in tab.asked)

    run(scene)


def test_view_only_keys_do_not_arrive_and_the_page_says_so(tmp_path: Path) -> None:
    async def scene() -> None:
        async with desk() as (_, address), chromium(tmp_path) as tab:
            await tab.do("Page.navigate", url=f"{address}/?token={TOKEN}")
            await tab.until("document.getElementById('text') !== null")
            await tab.shows("arguments run.socket --silent --looks.")
            await tab.until("document.getElementById('banner').hidden")
            assert await tab.value("document.getElementById('may').textContent") == "VIEW ONLY"
            await tab.press("e")
            await tab.until("document.getElementById('said').textContent.startsWith('View only')")
            await tab.press(" ")
            await tab.press("2")
            await tab.shows("told 2")

    run(scene)


def test_an_old_picture_is_called_old_and_keys_are_not_sent_on_it(tmp_path: Path) -> None:
    """The dashboard's process is stopped: the server still answers, and the page must notice."""

    async def scene() -> None:
        async with desk(control=True) as (_, address), chromium(tmp_path) as tab:
            await tab.do("Page.navigate", url=f"{address}/?token={TOKEN}")
            await tab.until("document.getElementById('text') !== null")
            await tab.shows("told nothing")
            await tab.until("document.getElementById('banner').hidden")
            found = re.search(r"process (\d+)", await tab.text())
            assert found is not None
            os.kill(int(found[1]), signal.SIGSTOP)
            await tab.until(  # on a busy computer it may be old for a moment before that
                "/OLD PICTURE, [2-9]/.test(document.getElementById('banner').textContent)"
            )
            assert await tab.value("document.body.classList.contains('old')")
            await tab.press("e")
            await tab.until("document.getElementById('said').textContent.startsWith('Not sent')")
            await tab.value("document.getElementById('hold').click()")  # this one is
            os.kill(int(found[1]), signal.SIGCONT)
            await tab.until("document.getElementById('banner').hidden")
            await tab.press("f")
            await tab.shows("told escape f")

    run(scene)


def test_a_page_whose_process_fails_says_so_and_connects_again(tmp_path: Path) -> None:
    async def scene() -> None:
        async with desk(most=1) as (_, address), chromium(tmp_path) as tab:
            await tab.do("Page.navigate", url=f"{address}/?token={TOKEN}")
            await tab.until("document.getElementById('text') !== null")
            await tab.shows("told nothing")
            found = re.search(r"process (\d+)", await tab.text())
            assert found is not None
            os.kill(int(found[1]), signal.SIGKILL)
            await tab.until("document.getElementById('banner').textContent.includes('failed (-9)')")
            await tab.press("2")
            said = await tab.value("document.getElementById('said').textContent")
            assert said == "Not sent: there is no connection."
            await tab.until("document.getElementById('banner').hidden")
            await tab.until(f"!document.getElementById('text').textContent.includes({found[0]!r})")
            await tab.shows("told nothing")

    run(scene)


def test_a_dashboard_that_was_left_comes_back_when_asked_for(tmp_path: Path) -> None:
    async def scene() -> None:
        async with desk(control=True) as (_, address), chromium(tmp_path) as tab:
            await tab.do("Page.navigate", url=f"{address}/?token={TOKEN}")
            await tab.until("document.getElementById('text') !== null")
            await tab.shows("told nothing")
            await tab.until("document.getElementById('banner').hidden")
            await tab.press("q")
            await tab.until("!document.getElementById('again').hidden")
            assert "The dashboard was left." in await tab.text()
            await tab.value("document.getElementById('again').click()")
            await tab.until("document.getElementById('banner').hidden")
            await tab.shows("told nothing")

    run(scene)


# --- the dashboard itself, over a link ------------------------------------------------------


async def click(tab: Tab, words: str) -> None:
    """A finger on words of the screen."""
    place = await tab.value(
        f"""(() => {{
            const lines = document.getElementById('text').textContent.split("\\n");
            const y = lines.findIndex((line) => line.includes({words!r}));
            const canvas = document.getElementById('picture');
            const box = canvas.getBoundingClientRect();
            const [across, down] = document.getElementById('text').dataset.size.split(' ');
            return [box.left + (lines[y].indexOf({words!r}) + 1.5) * box.width / across,
                    box.top + (y + 0.5) * box.height / down];
        }})()"""
    )
    for kind in ("mousePressed", "mouseReleased"):
        await tab.do(
            "Input.dispatchMouseEvent", type=kind, x=place[0], y=place[1], button="left",
            clickCount=1,
        )  # fmt: skip


@pytest.mark.parametrize("control", [True, False])
def test_the_dashboard_itself_asks_with_control_and_never_without(
    control: bool, tmp_path: Path
) -> None:
    path = tmp_path / "link.sock"

    async def scene() -> None:
        async with (
            loop_at(path) as asked,
            desk(control=control, argv=argv_of(str(path), control)) as (_, address),
            chromium(tmp_path / "profile") as tab,
        ):
            await tab.do("Page.navigate", url=f"{address}/?token={TOKEN}")
            await tab.until("document.getElementById('text') !== null")
            await tab.shows("Keep everybody away")
            await tab.until("document.getElementById('banner').hidden")
            await tab.press("1")
            await tab.shows("HOLD NOW" if control else "View only")
            await tab.press("e")
            await tab.press("Enter")
            if control:
                await click(tab, "HOLD NOW")
                async with asyncio.timeout(PATIENCE_S):
                    while len(asked) < 3:
                        await asyncio.sleep(0.02)
                kinds = [type(one) for one in asked if not isinstance(one, Begin)]
                assert kinds == [Engage, Disengage]
            else:
                await tab.press("3")
                await tab.shows("DEVICES")
                assert asked == []
            assert tab.faults == []

    run(scene)
