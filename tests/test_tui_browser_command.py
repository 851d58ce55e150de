"""The command that shows the dashboard in a browser: help, refusals, exit codes, its end."""

from __future__ import annotations

import asyncio
import os
import pty
import re
import signal
import socket
import subprocess
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
from click.testing import CliRunner

aiohttp = pytest.importorskip("aiohttp", reason="the extra [browser] is not installed")

from test_tui_browser_making import (  # noqa: E402
    HERE,
    PATIENCE_S,
    TOKEN,
    Page,
    loop_at,
    run,
    until_ended,
    visitor,
)

from tui.browser import main  # noqa: E402

ROOT = Path(__file__).resolve().parent.parent
COMMAND = [sys.executable, "-m", "tui.browser"]
ENVIRON = {k: v for k, v in os.environ.items() if not k.startswith("COV")} | {
    "PYTHONPATH": str(ROOT)
}


def told(*words: str) -> tuple[int, str]:
    """Exit code and what stands on standard error, in this process: nothing is started."""
    done = CliRunner().invoke(main, list(words))
    return done.exit_code, done.stderr


def free_port() -> str:
    with socket.create_server((HERE, 0)) as taken:
        return str(taken.getsockname()[1])


@pytest.fixture
def token_file(tmp_path: Path) -> str:
    path = tmp_path / "token.txt"
    path.write_text(TOKEN, encoding="ascii")
    path.chmod(0o600)
    return str(path)


def test_the_help_has_an_example_and_the_exit_codes() -> None:
    done = CliRunner().invoke(main, ["--help"])
    assert done.exit_code == 0
    assert "Example: python -m tui.browser" in done.stdout
    assert "0 ended, 1 a fault, 2 bad input" in done.stdout


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--on", "0.0.0.0"], "every network"),
        (["--on", "::"], "every network"),
        (["--on", ""], "no such address"),
        (["--on", "no such name"], "no such address"),
        (["--port", "0"], "0 is not in the range"),
        (["--viewers", "9"], "9 is not in the range"),
        (["--viewers", "0"], "0 is not in the range"),
        (["--token-file", "no-such-file"], "No such file"),
        ([], "use --token-file"),  # no terminal: a token would stay in a log
    ],
)
def test_bad_input_is_told_in_a_sentence_and_ends_with_2(words: list[str], says: str) -> None:
    code, error = told("run.socket", *words)
    assert code == 2
    assert says in error
    assert "Traceback" not in error


def test_an_address_of_another_computer_ends_with_2(token_file: str) -> None:
    done = subprocess.run(
        [*COMMAND, "run.socket", "--on", "192.0.2.1", "--token-file", token_file],
        env=ENVIRON, capture_output=True, text=True, timeout=PATIENCE_S, check=False,
    )  # fmt: skip
    assert done.returncode == 2
    assert "this computer has no such address" in done.stderr


def test_a_taken_port_is_a_fault(token_file: str) -> None:
    with socket.create_server((HERE, 0)) as taken:
        port = str(taken.getsockname()[1])
        done = subprocess.run(
            [*COMMAND, "run.socket", "--port", port, "--token-file", token_file],
            env=ENVIRON, capture_output=True, text=True, timeout=PATIENCE_S, check=False,
        )  # fmt: skip
    assert done.returncode == 1
    assert done.stderr == f"port {port} is taken; use another: --port\n"


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_a_made_token_is_shown_once_in_the_terminal(number: signal.Signals) -> None:
    ours, theirs = pty.openpty()
    process = subprocess.Popen(
        [*COMMAND, "run.socket", "--port", free_port()],
        env=ENVIRON, stdout=theirs, stderr=subprocess.PIPE, stdin=subprocess.DEVNULL,
    )  # fmt: skip
    os.close(theirs)
    shown = b""
    while b"?token=" not in shown or not shown.endswith(b"\n"):
        shown += os.read(ours, 1000)
    process.send_signal(number)
    _, error = process.communicate(timeout=PATIENCE_S)
    os.close(ours)
    assert process.returncode == 0
    assert error == b""
    assert len(re.findall(rb"token=[A-Za-z0-9_-]{43}\r", shown)) == 1
    assert b"view only" in shown


@asynccontextmanager
async def browse(
    path: Path, token_file: str, *more: str
) -> AsyncIterator[tuple[asyncio.subprocess.Process, str, bytes]]:
    """The command as a process; its address, and its first words."""
    port = free_port()
    process = await asyncio.create_subprocess_exec(
        *COMMAND, str(path), "--port", port, "--token-file", token_file, *more,
        env=ENVIRON, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE,
    )  # fmt: skip
    try:
        assert process.stdout is not None
        words = await asyncio.wait_for(process.stdout.readuntil(b"Open"), PATIENCE_S)
        yield process, f"http://{HERE}:{port}", words
    finally:
        if process.returncode is None:
            process.kill()
        await process.communicate()


def children(process: int) -> list[int]:
    words = Path(f"/proc/{process}/task/{process}/children").read_text(encoding="ascii")
    return [int(word) for word in words.split()]


@asynccontextmanager
async def page_at(session: aiohttp.ClientSession, address: str) -> AsyncIterator[Page]:
    ws = await session.ws_connect(f"{address}/ws", headers={"Origin": address})
    try:
        page = Page(ws)
        await page.tell(type="size", width=80, height=24)
        await page.until_shown("Keep everybody away")
        yield page
    finally:
        await ws.close()


def test_the_token_is_in_no_output_whatever_is_asked(tmp_path: Path, token_file: str) -> None:
    async def scene() -> None:
        path = tmp_path / "link.sock"
        async with loop_at(path), browse(path, token_file) as (process, address, words):
            async with visitor(address, TOKEN) as session, page_at(session, address):
                url = f"{address}/?token={TOKEN}x"
                async with session.get(url) as answer:
                    assert TOKEN not in await answer.text()
            reader, writer = await asyncio.open_connection(HERE, int(address.split(":")[2]))
            writer.write(f"GET /?token={TOKEN} \x01 nonsense\r\n\r\n".encode())
            assert (await reader.read()).split()[1] == b"400"
            writer.close()
            await writer.wait_closed()
            process.terminate()
            rest, error = await process.communicate()
            assert process.returncode == 0
            assert TOKEN.encode() not in words + rest + error
            assert token_file.encode() in rest  # where to find it
            assert error == b""

    run(scene)


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGKILL])
def test_the_viewers_processes_end_with_the_command_even_when_it_is_killed(
    number: signal.Signals, tmp_path: Path, token_file: str
) -> None:
    async def scene() -> None:
        path = tmp_path / "link.sock"
        async with (
            loop_at(path),
            browse(path, token_file) as (process, address, _),
            visitor(address, TOKEN) as session,
            page_at(session, address),
        ):
            (dashboard,) = children(process.pid)
            argv = Path(f"/proc/{dashboard}/cmdline").read_bytes().split(b"\0")[1:-1]
            assert argv == [b"-m", b"tui", str(path).encode(), b"--silent", b"--looks"]
            process.send_signal(number)
            await until_ended(dashboard)
            assert await process.wait() == (0 if number is signal.SIGTERM else -number)

    run(scene)


def test_without_a_controller_the_page_says_how_to_start_one(
    tmp_path: Path, token_file: str
) -> None:
    async def scene() -> None:
        async with (
            browse(tmp_path / "none", token_file) as (_, address, _words),
            visitor(address, TOKEN) as session,
        ):
            ws = await session.ws_connect(f"{address}/ws", headers={"Origin": address})
            page = Page(ws)
            await page.tell(type="size", width=80, height=24)
            assert "start one with: linehold run" in await page.until_end()
            assert page.said[-1]["again"] is True
            await ws.close()

    run(scene)
