"""The web server round the dashboard: one page, its files, and a WebSocket for each viewer.

Needs aiohttp, which comes with the extra [browser]. Every request passes the guard first. Nothing
is logged: an address line may hold the token.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass, field
from http import HTTPStatus
from pathlib import Path

from aiohttp import web

from tui.browser_guard import Guard
from tui.browser_session import Session, farewell

FILES = Path(__file__).with_name("browser_static")
KINDS = {".html": "text/html", ".css": "text/css", ".js": "text/javascript"}
SILENT_S = 5.0  # s without a word from the page: it has gone, or stands in a hidden tab
COOKIE_S = 12 * 3600  # s; a working day
MOST_MESSAGE = 1024  # bytes of one message from the page
CLOSE_S = 1.0  # s for a page to say goodbye
SHUT_S = 4.0  # s for all viewers to end
HEADERS = {
    # The browser itself forbids this page to ask anyone else for anything.
    "Content-Security-Policy": "default-src 'none'; script-src 'self'; style-src 'self'; "
    "connect-src 'self'; img-src data:; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'none'",
    "Cache-Control": "no-store",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
    "Server": "linehold",
}
Handler = Callable[[web.Request], Awaitable[web.StreamResponse]]


@dataclass
class Desk:
    """Hands out the page and looks after the viewers."""

    guard: Guard
    argv: Sequence[str]  # the command line of a viewer's dashboard
    control: bool
    most: int  # viewers at once
    clock: Callable[[], float] = time.monotonic
    silent_s: float = SILENT_S
    _viewers: set[object] = field(default_factory=set)
    _sockets: set[web.WebSocketResponse] = field(default_factory=set)

    def app(self) -> web.Application:
        """For aiohttp to run."""
        app = web.Application(middlewares=[self._door])
        app.router.add_get("/ws", self._watch)
        app.router.add_get("/state", self._state)
        for path in sorted(FILES.iterdir()):
            if path.suffix in KINDS:
                name = "" if path.name == "page.html" else path.name
                app.router.add_get(f"/{name}", _file(path))
        app.on_shutdown.append(self._shut)
        return app

    @web.middleware
    async def _door(self, request: web.Request, handler: Handler) -> web.StreamResponse:
        """All requests come in here, and all answers leave here."""
        refused = self._refuse(request)
        if refused is None:
            try:
                answer = await handler(request)
            except web.HTTPException as error:
                answer = _words(error.status, HTTPStatus(error.status).phrase)
        else:
            answer = refused
        if not answer.prepared:
            answer.headers.update(HEADERS)
        return answer

    def _refuse(self, request: web.Request) -> web.Response | None:
        """None when the request may pass; the answer to a token otherwise, or a refusal."""
        headers, guard = request.headers, self.guard
        fault = guard.place_fault(
            headers.getall("Host", []),
            headers.getall("Origin", []),
            socket=request.path == "/ws",
        )
        if fault:
            return _words(403, fault)
        if request.path == "/" and "token" in request.query:
            return self._take_token(request)
        fault = guard.cookie_fault(request.cookies.get(self._cookie))
        return _words(403, fault) if fault else None

    @property
    def _cookie(self) -> str:
        """Cookies do not tell ports apart; their names have to."""
        return f"linehold-{self.guard.host.rpartition(':')[2]}"

    def _take_token(self, request: web.Request) -> web.Response:
        told, address = request.query["token"], request.remote or ""
        status, fault = self.guard.token_fault(told, address, self.clock())
        if fault:
            return _words(status, fault)
        answer = web.Response(status=303, headers={"Location": "/"})
        answer.set_cookie(
            self._cookie,
            self.guard.cookie,
            max_age=COOKIE_S,
            httponly=True,
            samesite="Strict",
        )
        return answer

    async def _state(self, request: web.Request) -> web.Response:
        """What the page wants to know when its WebSocket was refused."""
        words = {"viewers": len(self._viewers), "most": self.most, "control": self.control}
        return web.json_response(words)

    async def _watch(self, request: web.Request) -> web.StreamResponse:
        """One viewer, from its first word to its last."""
        if len(self._viewers) >= self.most:
            return _words(503, f"All {self.most} places are taken; close another page first.")
        place = object()
        self._viewers.add(place)
        socket = web.WebSocketResponse(max_msg_size=MOST_MESSAGE, timeout=CLOSE_S)
        try:
            await socket.prepare(request)
            self._sockets.add(socket)
            await Session(socket, self.control, self.clock, self.silent_s).run(self.argv)
        finally:
            self._sockets.discard(socket)
            self._viewers.discard(place)
        return socket

    async def _shut(self, app: web.Application) -> None:
        for socket in tuple(self._sockets):
            await farewell(socket, "linehold browse has ended.")


def runner(desk: Desk) -> web.AppRunner:
    """Not started yet."""
    silent = logging.Logger("linehold.browser", logging.CRITICAL + 1)
    return web.AppRunner(desk.app(), access_log=None, logger=silent, shutdown_timeout=SHUT_S)


def _words(status: int, sentence: str) -> web.Response:
    return web.Response(status=status, text=sentence + "\n")


def _file(path: Path) -> Handler:
    body, kind = path.read_bytes(), KINDS[path.suffix]

    async def give(request: web.Request) -> web.StreamResponse:
        return web.Response(body=body, content_type=kind, charset="utf-8")

    return give
