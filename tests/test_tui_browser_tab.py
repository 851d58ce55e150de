"""Leads Chromium, without a window, over its DevTools protocol; checks single parts of the page."""

from __future__ import annotations

import asyncio
import itertools
import os
import shutil
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest

aiohttp = pytest.importorskip("aiohttp", reason="the extra [browser] is not installed")

from test_tui_browser_making import PATIENCE_S, TOKEN, desk, run  # noqa: E402

NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")
CHROMIUM = next(filter(None, map(shutil.which, NAMES)), None)
WINDOW = "1280,800"

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium is installed here")


class Tab:
    """One page of the browser."""

    def __init__(self, ws: aiohttp.ClientWebSocketResponse) -> None:
        self._ws = ws
        self._numbers = itertools.count(1)
        self.session = ""
        self.asked: list[str] = []  # addresses that the page asked for
        self.faults: list[str] = []  # of its scripts

    async def do(self, method: str, **parameters: Any) -> dict[str, Any]:
        """A command and its answer; what happens meanwhile is noted."""
        number = next(self._numbers)
        words = {"id": number, "method": method, "params": parameters}
        await self._ws.send_json(words | ({"sessionId": self.session} if self.session else {}))
        while True:
            message = await self._ws.receive_json(timeout=PATIENCE_S)
            self._note(message)
            if message.get("id") == number:
                assert "error" not in message, message
                result: dict[str, Any] = message["result"]
                return result

    def _note(self, message: dict[str, Any]) -> None:
        about = message.get("params", {})
        match message.get("method"):
            case "Network.requestWillBeSent":
                self.asked.append(about["request"]["url"])
            case "Network.webSocketCreated":
                self.asked.append(about["url"])
            case "Runtime.exceptionThrown":
                self.faults.append(str(about["exceptionDetails"]))

    async def value(self, script: str) -> Any:
        """What a script gives."""
        answer = await self.do(
            "Runtime.evaluate", expression=script, awaitPromise=True, returnByValue=True
        )
        assert "exceptionDetails" not in answer, answer
        return answer["result"].get("value")

    async def until(self, script: str) -> None:
        """Wait for a script to give true."""
        try:
            async with asyncio.timeout(PATIENCE_S):
                while not await self.value(script):
                    await asyncio.sleep(0.02)
        except TimeoutError:
            pytest.fail(f"never: {script}; {await self.text()}; {self.faults}")

    async def text(self) -> str:
        """The dashboard's screen as text, and what the page says about it."""
        found = await self.value(
            "['text', 'banner', 'said'].map((id) => document.getElementById(id).textContent)"
        )
        return "\n".join(found)

    async def shows(self, words: str) -> None:
        """Wait for words on the screen."""
        await self.until(f"document.getElementById('text').textContent.includes({words!r})")

    async def press(self, key: str) -> None:
        """A key goes down and up; a named one writes nothing by itself."""
        kind = {"type": "keyDown", "text": key} if len(key) == 1 else {"type": "rawKeyDown"}
        await self.do("Input.dispatchKeyEvent", key=key, **kind)
        await self.do("Input.dispatchKeyEvent", type="keyUp", key=key)


@asynccontextmanager
async def chromium(folder: Path) -> AsyncIterator[Tab]:
    """A tab of a fresh browser."""
    assert CHROMIUM is not None
    root = ["--no-sandbox"] if os.geteuid() == 0 else []
    process = await asyncio.create_subprocess_exec(
        CHROMIUM, "--headless=new", *root, f"--user-data-dir={folder}", f"--window-size={WINDOW}",
        "--remote-debugging-port=0", "--no-first-run", "--disable-gpu", "--disable-dev-shm-usage",
        "--disable-background-networking", "--disable-component-update", "--disable-sync",
        "about:blank", stdout=asyncio.subprocess.DEVNULL, stderr=asyncio.subprocess.PIPE,
    )  # fmt: skip
    try:
        assert process.stderr is not None
        async with aiohttp.ClientSession() as session:
            line = b""
            while not line.startswith(b"DevTools listening"):
                line = await asyncio.wait_for(process.stderr.readline(), PATIENCE_S)
                assert line, "Chromium did not start"
            async with session.ws_connect(line.split()[-1].decode(), max_msg_size=0) as ws:
                tab = Tab(ws)
                made = await tab.do("Target.createTarget", url="about:blank")
                joined = await tab.do("Target.attachToTarget", flatten=True, **made)
                tab.session = joined["sessionId"]
                for part in ("Network", "Page", "Runtime"):
                    await tab.do(f"{part}.enable")
                yield tab
    finally:
        process.terminate()
        await process.communicate()


def test_the_browser_itself_refuses_to_ask_another_host(tmp_path: Path) -> None:
    script = """new Promise((done) => {
        document.addEventListener("securitypolicyviolation", (event) => done(event.blockedURI));
        fetch("http://192.0.2.1/").then(() => done("came through"), () => {});
    })"""

    async def scene() -> None:
        async with desk() as (_, address), chromium(tmp_path) as tab:
            await tab.do("Page.navigate", url=f"{address}/?token={TOKEN}")
            await tab.until("document.getElementById('text') !== null")
            assert await tab.value(script) == "http://192.0.2.1/"

    run(scene)


def test_without_its_token_the_page_is_one_sentence(tmp_path: Path) -> None:
    async def scene() -> None:
        async with desk() as (_, address), chromium(tmp_path) as tab:
            await tab.do("Page.navigate", url=address)
            await tab.until("document.body?.textContent.startsWith('This page needs its token')")

    run(scene)


def test_the_screen_obeys_its_bytes_also_cut_anywhere(tmp_path: Path) -> None:
    """By hand, after ECMA-48: CUP is row;column from 1, SGR 38;2 and 48;2 are red;green;blue."""
    script = """import('/screen.js').then(({ Screen, BOLD, REVERSE }) => {
        const whole = new TextEncoder().encode("\\x1b[?1049h\\x1b]22;x\\x07\\x1b[2;3Hab"
            + "\\x1b[1;7;38;2;1;2;3;48;2;4;5;6mc\\x1b[0m\\n\\x1b[1;1H漢é\\x1b[3;8Hlong"
            + "\\x1b[9;1Hlow\\x1b[38;5;196m!");
        return [1, 2, 7, whole.length].map((piece) => {
            const screen = new Screen(9, 4);
            for (let k = 0; k < whole.length; k += piece) screen.feed(whole.slice(k, k + piece));
            const c = 9 + 4, end = 27 + 3;
            return [screen.text(), screen.inks[c], screen.papers[c], screen.styles[c],
                BOLD | REVERSE, screen.styles[c + 1], screen.inks[end]];
        });
    })"""

    async def scene() -> None:
        async with desk() as (_, address), chromium(tmp_path) as tab:
            await tab.do("Page.navigate", url=f"{address}/?token={TOKEN}")
            await tab.until("document.getElementById('text') !== null")
            for found in await tab.value(script):
                text, ink, paper, style, bold_reverse, after, red = found
                assert text == "漢é\n  abc\n       lo\nlow!"
                assert (ink, paper, red) == (0x010203, 0x040506, 0xFF0000)
                assert (style, after) == (bold_reverse, 0)

    run(scene)
