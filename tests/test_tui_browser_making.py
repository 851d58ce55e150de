"""Serves a desk and visits it, for the tests of the dashboard in a browser; checks that it does."""

from __future__ import annotations

import asyncio
import itertools
import json
import os
import re
import socket
import time
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager, nullcontext, suppress
from pathlib import Path
from typing import Any

import msgspec
import pytest

aiohttp = pytest.importorskip("aiohttp", reason="the extra [browser] is not installed")

from aiohttp import web  # noqa: E402
from test_journal_making import tick  # noqa: E402

from firmware_py.link.server import Server  # noqa: E402
from firmware_py.live.hello import make_hello  # noqa: E402
from firmware_py.settings_file import find_rig, load_rig  # noqa: E402
from tui.browser_guard import Guard  # noqa: E402
from tui.browser_process import argv_of  # noqa: E402
from tui.browser_server import Desk, runner  # noqa: E402

TOKEN = "a-token-made-for-these-tests"
HERE = "127.0.0.1"
PATIENCE_S = 60.0  # s; a child starts in one on a quiet computer
ALIVE_S = 0.3  # s between the words of a page that waits: a real one is not silent either

# Stands in for `python -m tui`: a Textual app that shows how it was started and what it was told.
STAND_IN = """
import os, sys
from textual.app import App
from textual.widgets import Static

class StandIn(App):
    told = ()

    def compose(self):
        yield Static(f"process {os.getpid()} arguments {' '.join(sys.argv[1:])}.")
        yield Static("told nothing", id="told")
        yield Static("no size", id="size")

    def tell(self, what):
        self.told = (*self.told, what)
        self.query_one("#told").update("told " + " ".join(self.told))

    def on_key(self, event):
        self.tell(event.key)
        if event.key == "q":
            self.exit()

    def on_mouse_down(self, event):
        self.tell(f"mouse-{event.x}-{event.y}")

    def on_resize(self, event):
        self.query_one("#size").update(f"size {event.size.width}x{event.size.height}")

StandIn().run()
"""


def stand_in(control: bool = False) -> list[str]:
    """The real command line, with the stand-in for the dashboard."""
    python, _, _, *rest = argv_of("run.socket", control)
    return [python, "-c", STAND_IN, *rest]


@asynccontextmanager
async def desk(
    *, control: bool = False, most: int = 2, argv: list[str] | None = None, **more: Any
) -> AsyncIterator[tuple[Desk, str]]:
    """A served desk and its address."""
    listening = socket.create_server((HERE, 0))
    host = f"{HERE}:{listening.getsockname()[1]}"
    served = Desk(Guard(TOKEN, host), argv or stand_in(control), control, most, **more)
    running = runner(served)
    await running.setup()
    try:
        await web.SockSite(running, listening).start()
        yield served, f"http://{host}"
    finally:
        await running.cleanup()


@asynccontextmanager
async def visitor(address: str = "", token: str = "") -> AsyncIterator[aiohttp.ClientSession]:
    """A browser, more or less; with the token it has been let in."""
    jar = aiohttp.CookieJar(unsafe=True)  # a browser keeps cookies of bare addresses too
    async with aiohttp.ClientSession(cookie_jar=jar) as session:
        if token:
            async with session.get(f"{address}/?token={token}") as answer:
                assert answer.status == 200
        yield session


def run(scene: Callable[[], Awaitable[None]]) -> None:
    """A scene that hangs has failed."""
    asyncio.run(asyncio.wait_for(scene(), 3 * PATIENCE_S))


class Page:
    """What a page does with its WebSocket."""

    def __init__(self, ws: aiohttp.ClientWebSocketResponse) -> None:
        self.ws = ws
        self.shown = ""
        self.said: list[dict[str, Any]] = []
        self.number = 0

    async def tell(self, **words: Any) -> None:
        await self.ws.send_str(json.dumps(words))

    async def take(self) -> bool:
        """One message; False when there will be no more. Silent meanwhile."""
        message = await self.ws.receive(timeout=PATIENCE_S)
        if message.type is aiohttp.WSMsgType.BINARY:
            self.shown += re.sub(r"\x1b\[[0-9;?$]*[a-zA-Z]", "", message.data.decode())
        elif message.type is aiohttp.WSMsgType.TEXT:
            self.said.append(json.loads(message.data))
        else:
            return False
        return True

    @asynccontextmanager
    async def alive(self) -> AsyncIterator[None]:
        """While the block waits, a word now and then, as the real page has it."""

        async def go_on() -> None:
            with suppress(ConnectionError):  # the other end has gone: whoever waits will see
                while not self.ws.closed:
                    self.number += 1
                    await self.tell(type="beat", n=self.number)
                    await asyncio.sleep(ALIVE_S)

        going = asyncio.create_task(go_on())
        try:
            yield
        finally:
            going.cancel()
            await asyncio.wait([going])

    async def until_shown(self, words: str) -> None:
        async with self.alive():
            while words not in self.shown:
                assert await self.take(), (self.shown, self.said)

    async def until_said(self, kind: str) -> Any:
        async with self.alive():
            while not any(kind in words for words in self.said):
                assert await self.take(), (self.shown, self.said)
        return next(words[kind] for words in self.said if kind in words)

    async def until_end(self, *, silent: bool = False) -> str:
        async with nullcontext() if silent else self.alive():
            while await self.take():
                pass
        return next((words["ended"] for words in self.said if "ended" in words), "")

    async def beat(self) -> int:
        """A beat and its way back: all that was told before has been done."""
        self.number += 1
        await self.tell(type="beat", n=self.number)
        while {"beat": self.number} not in self.said:
            assert await self.take(), (self.shown, self.said)
        return self.number

    async def keys(self, keys: str) -> None:
        await self.tell(type="keys", keys=keys, beat=await self.beat())


@asynccontextmanager
async def looking(session: aiohttp.ClientSession, address: str) -> AsyncIterator[Page]:
    """A page with its dashboard shown."""
    ws = await session.ws_connect(f"{address}/ws", headers={"Origin": address})
    try:
        page = Page(ws)
        await page.tell(type="size", width=80, height=24)
        await page.until_shown("arguments")
        yield page
    finally:
        await ws.close()


@asynccontextmanager
async def loop_at(path: Path) -> AsyncIterator[list[object]]:
    """A loop's end of the link with ticks of now; the list gets what reaches the controller."""
    stops: list[str] = []
    asked: list[object] = []
    hello = make_hello(load_rig(find_rig("reference")), "run.mcap", time.monotonic())
    server = Server(path, hello, stops.append, bench=lambda frame: asked.append(frame) or "")

    async def turn() -> None:
        for seq in itertools.count():
            asked.extend(server.take())
            server.put(msgspec.structs.replace(tick(seq), time_s=time.monotonic()))
            await asyncio.sleep(0.02)

    turning = asyncio.create_task(turn())
    try:
        yield asked
    finally:
        turning.cancel()
        await asyncio.wait([turning])
        asked.extend(stops)
        server.close("the test is over")


async def viewers(session: aiohttp.ClientSession, address: str) -> int:
    """How many look at present."""
    async with session.get(f"{address}/state") as answer:
        found: int = (await answer.json())["viewers"]
        return found


async def until_ended(process: int) -> float:
    """Seconds until a process is gone; not a zombie either."""
    began = time.monotonic()
    while Path(f"/proc/{process}").exists():
        assert time.monotonic() - began < PATIENCE_S
        await asyncio.sleep(0.02)
    return time.monotonic() - began


def process_of(page: Page) -> int:
    found = re.search(r"process (\d+)", page.shown)
    assert found is not None
    return int(found[1])


def test_the_stand_in_is_shown_and_the_environment_left_alone() -> None:
    async def scene() -> None:
        async with (
            desk() as (_, address),
            visitor(address, TOKEN) as session,
            looking(session, address) as page,
        ):
            await page.until_shown("told nothing")
            assert Path(f"/proc/{process_of(page)}").exists()
            assert await viewers(session, address) == 1

    run(scene)
    assert "TEXTUAL_DRIVER" not in os.environ
