"""One viewer from its first word to its last: a WebSocket on one side, a dashboard on the other.

Whichever side ends first ends the other.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections.abc import Callable, Sequence

from aiohttp import WSMsgType, web

from drivers.samples import NO_MESSAGE
from tui.browser_process import Dashboard
from tui.browser_talk import Beat, FromPage, Letters, Size, read_page

FAREWELL_S = 1.0  # s for the last word to a page that may not be there any more


class Session:
    """`run` returns when the viewer has gone and its process has ended."""

    def __init__(
        self,
        socket: web.WebSocketResponse,
        control: bool,
        clock: Callable[[], float],
        silent_s: float,
    ) -> None:
        self._socket = socket
        self._silent_s = silent_s
        self._letters = Letters(control)
        self._clock = clock
        self._why = ""

    async def run(self, argv: Sequence[str]) -> None:
        """The page speaks first: its size."""
        first = await self._next()
        if not isinstance(first, Size):
            await farewell(self._socket, self._why or "The page did not tell its size.")
            return
        try:
            dashboard = await Dashboard.start(argv, first)
        except OSError as error:
            await farewell(self._socket, f"The dashboard could not start: {error.strerror}.")
            return
        try:
            await self._pump(dashboard)
        finally:
            words = await dashboard.end()
        why = self._why or words
        await farewell(self._socket, why or "The dashboard was left.", again=bool(why))

    async def _pump(self, dashboard: Dashboard) -> None:
        """Both ways, until one side ends."""
        pumps = [
            asyncio.create_task(self._from_dashboard(dashboard)),
            asyncio.create_task(self._from_page(dashboard)),
        ]
        try:
            await asyncio.wait(pumps, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for pump in pumps:
                pump.cancel()
            for end in await asyncio.gather(*pumps, return_exceptions=True):
                if isinstance(end, Exception):
                    self._why = self._why or f"The connection failed ({type(end).__name__})."

    async def _next(self) -> FromPage | None:
        """None when the page has gone or talks nonsense."""
        try:
            message = await self._socket.receive(timeout=self._silent_s)
        except TimeoutError:
            self._why = f"No word from this page for {self._silent_s:.0f} s."
            return None
        if message.type is not WSMsgType.TEXT:
            return None
        try:
            return read_page(message.data)
        except NO_MESSAGE:
            self._why = "The page said something that linehold browse does not know; reload it."
            return None

    async def _from_page(self, dashboard: Dashboard) -> None:
        while (told := await self._next()) is not None:
            match told:
                case Beat(n):
                    await dashboard.tell(type="beat", n=n)
                case Size():
                    width, height = told.within()
                    await dashboard.tell(type="resize", width=width, height=height)
                case _:
                    keys, fault = self._letters.take(told, self._clock())
                    if keys:
                        await dashboard.keys(keys)
                    if fault:
                        await self._say(refused=fault)

    async def _from_dashboard(self, dashboard: Dashboard) -> None:
        async for kind, payload in dashboard.packets():
            if kind == b"D":
                async with asyncio.timeout(self._silent_s):  # a page that takes nothing in
                    await self._socket.send_bytes(payload)
            elif kind == b"M" and not await self._meta(json.loads(payload)):
                return

    async def _meta(self, words: dict[str, object]) -> bool:
        """Beats go back to the page; files and addresses that a program might offer do not.

        False when the dashboard is about to end.
        """
        n = words.get("n")
        if words.get("type") == "beat" and isinstance(n, int):
            self._letters.beat_back(n, self._clock())
            await self._say(beat=n)
        return words.get("type") != "exit"

    async def _say(self, **words: object) -> None:
        async with asyncio.timeout(self._silent_s):
            await self._socket.send_str(json.dumps(words))


async def farewell(socket: web.WebSocketResponse, why: str, *, again: bool = True) -> None:
    """Close with a sentence, and do not wait long for a page that has gone.

    again: the page may try again by itself.
    """
    with contextlib.suppress(ConnectionError, RuntimeError, TimeoutError):
        async with asyncio.timeout(FAREWELL_S):
            if not socket.closed:
                await socket.send_str(json.dumps({"ended": why, "again": again}))
            await socket.close()
