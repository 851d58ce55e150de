"""The dashboard in a browser: `python -m tui.browser SOCKET`, or `linehold browse`.

Off unless started; on this computer alone unless told; behind a token always; view only unless
allowed. docs/browser.md says what that protects and what it does not.
"""

from __future__ import annotations

import asyncio
import errno
import ipaddress
import os
import signal
import socket
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from firmware_py.errors import LineholdError
from tui.browser_guard import Guard, make_token, read_token
from tui.browser_process import argv_of

if TYPE_CHECKING:
    from tui.browser_server import Desk

HERE = "127.0.0.1"  # this computer alone
PORT = 8022
VIEWERS, MOST_VIEWERS = 2, 8  # each is a process of some 50 MB
BACKLOG = 16  # connections that wait
NICENESS = 5  # the loop and the recording come first
ENDED, FAULT, BAD_INPUT = 0, 1, 2


class BrowseError(LineholdError, ValueError):
    """Something that was asked for cannot be."""


@dataclass(frozen=True)
class BrowseOptions:
    """What the command was asked for."""

    socket: Path
    on: str = HERE
    port: int = PORT
    token_file: Path | None = None
    allow_control: bool = False
    viewers: int = VIEWERS


@dataclass(frozen=True)
class Place:
    """Where to listen, and how a browser names it."""

    address: str
    port: int
    on: str

    @property
    def host(self) -> str:
        """As it stands in an address line."""
        name = f"[{self.on}]" if ":" in self.on else self.on
        return f"{name}:{self.port}".lower()

    @property
    def here(self) -> bool:
        """This computer alone."""
        return ipaddress.ip_address(self.address).is_loopback


def place_of(on: str, port: int) -> Place:
    """One address of one interface. BrowseError for none, for several, or for all at once."""
    try:
        found = socket.getaddrinfo(on or " ", port, type=socket.SOCK_STREAM)
    except (OSError, UnicodeError) as error:
        raise BrowseError(f"--on {on}: no such address; see: ip address") from error
    address = str(found[0][4][0])
    if ipaddress.ip_address(address.partition("%")[0]).is_unspecified:
        raise BrowseError(
            f"--on {on} means every network that this computer is on; name the address of one"
        )
    return Place(address, port, on)


def serve(options: BrowseOptions) -> int:
    """Run until interrupted. Returns 0 (ended), 1 (a fault) or 2 (bad input, nothing was done)."""
    try:
        from tui.browser_server import Desk
    except ModuleNotFoundError as error:
        return _fail(f"{error.name} is missing; install: pip install 'linehold[browser]'")
    try:
        place = place_of(options.on, options.port)
        token = _token(options)
        desk = Desk(
            guard=Guard(token, place.host),
            argv=argv_of(str(options.socket), options.allow_control),
            control=options.allow_control,
            most=options.viewers,
        )
    except (LineholdError, OSError) as error:
        return _fail(str(error))
    os.nice(NICENESS)
    return asyncio.run(_run(desk, place, greeting(options, place, token)))


def _token(options: BrowseOptions) -> str:
    if options.token_file is not None:
        return read_token(options.token_file)
    if not sys.stdout.isatty():
        raise BrowseError(
            "standard output is no terminal, and a token made here would stay in a log; "
            "use --token-file"
        )
    return make_token()


def greeting(options: BrowseOptions, place: Place, token: str) -> Sequence[str]:
    """What the terminal shows; a token from a file is not shown."""
    may = "with control" if options.allow_control else "view only"
    many = f"{options.viewers} at once" if options.viewers > 1 else "one at a time"
    shown = token if options.token_file is None else f"(the token in {options.token_file})"
    lines = [
        f"The dashboard for browsers, {may}, {many}. Ctrl-C ends it.",
        f"Open: http://{place.host}/?token={shown}",
    ]
    if not place.here:
        lines.append("Whoever listens on that network can read along: use one you trust.")
    return lines


async def _run(desk: Desk, place: Place, lines: Sequence[str]) -> int:
    from aiohttp import web

    from tui.browser_server import runner

    end = asyncio.Event()
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        asyncio.get_running_loop().add_signal_handler(number, end.set)
    running = runner(desk)
    await running.setup()
    try:
        try:
            await web.TCPSite(running, place.address, place.port, backlog=BACKLOG).start()
        except OSError as error:
            return _no_place(error, place)
        for line in lines:
            click.echo(line)
        await end.wait()
        return ENDED
    finally:
        await running.cleanup()


def _no_place(error: OSError, place: Place) -> int:
    if error.errno == errno.EADDRINUSE:
        return _fail(f"port {place.port} is taken; use another: --port", FAULT)
    if error.errno in (errno.EADDRNOTAVAIL, None):  # Python 3.13 tells it without a number
        return _fail(f"--on {place.on}: this computer has no such address; see: ip address")
    return _fail(f"cannot listen at {place.host}: {os.strerror(error.errno or 0)}", FAULT)


def _fail(words: str, code: int = BAD_INPUT) -> int:
    click.echo(words, err=True)
    return code


@click.command(
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog="Example: python -m tui.browser run.socket --on 192.0.2.7 --token-file token.txt\n\n"
    "Exit codes: 0 ended, 1 a fault, 2 bad input.",
)
@click.argument("path", metavar="SOCKET", type=click.Path(path_type=Path))
@click.option("--on", default=HERE, show_default=True, help="Address of the one network to use.")
@click.option("--port", type=click.IntRange(1, 65535), default=PORT, show_default=True)
@click.option(
    "--token-file",
    type=click.Path(path_type=Path),
    help="A file with the token; without it one is made and shown.",
)
@click.option("--allow-control", is_flag=True, help="Viewers may steer the job, not only look.")
@click.option(
    "--viewers",
    type=click.IntRange(1, MOST_VIEWERS),
    default=VIEWERS,
    show_default=True,
    help="Most viewers at once; each is a process.",
)
def main(path: Path, **wanted: Any) -> None:
    """Show the dashboard of the run at SOCKET in a browser."""
    raise SystemExit(serve(BrowseOptions(path, **wanted)))


if __name__ == "__main__":
    main(prog_name="python -m tui.browser")
