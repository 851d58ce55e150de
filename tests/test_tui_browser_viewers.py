"""The dashboard in a browser, as WebSocket: viewers, their processes, and what reaches them."""

from __future__ import annotations

import asyncio
import json
import socket
import sys
from pathlib import Path

import pytest

aiohttp = pytest.importorskip("aiohttp", reason="the extra [browser] is not installed")

from test_tui_browser_making import (  # noqa: E402
    PATIENCE_S,
    TOKEN,
    Page,
    desk,
    looking,
    process_of,
    run,
    until_ended,
    viewers,
    visitor,
)

from tui.browser_process import argv_of  # noqa: E402


@pytest.mark.parametrize("control", [False, True])
def test_the_dashboard_is_started_to_look_unless_control_is_allowed(control: bool) -> None:
    assert argv_of("s", control)[:4] == [sys.executable, "-m", "tui", "s"]
    words = (
        "arguments run.socket --silent." if control else "arguments run.socket --silent --looks."
    )

    async def scene() -> None:
        async with (
            desk(control=control) as (_, address),
            visitor(address, TOKEN) as session,
            looking(session, address) as page,
        ):
            await page.until_shown(words)
            async with session.get(f"{address}/state") as answer:
                assert await answer.json() == {"viewers": 1, "most": 2, "control": control}

    run(scene)


def test_with_control_keys_and_touch_arrive() -> None:
    async def scene() -> None:
        async with (
            desk(control=True) as (_, address),
            visitor(address, TOKEN) as session,
            looking(session, address) as page,
        ):
            await page.keys("e")
            await page.keys("\r")
            await page.keys(" ")
            await page.keys("\x1b[A")
            mouse = {"type": "mouse", "button": 0, "x": 7, "y": 5, "down": True}
            await page.tell(**mouse, beat=await page.beat())
            await page.until_shown("told e enter space up mouse-7-5")

    run(scene)


def test_an_escape_is_not_lost_when_a_letter_is_close_behind() -> None:
    """Together they would be alt and the letter, as terminals have it."""

    async def scene() -> None:
        async with (
            desk(control=True) as (_, address),
            visitor(address, TOKEN) as session,
            looking(session, address) as page,
        ):
            beat = await page.beat()
            for keys in ("\x1b", "f", "\x1b", "\x1b", "[", "A"):
                await page.tell(type="keys", keys=keys, beat=beat)
            await page.until_shown("told escape f escape escape left_square_bracket A")

    run(scene)


def test_view_only_passes_on_what_looking_needs_and_no_other_key() -> None:
    async def scene() -> None:
        async with (
            desk() as (_, address),
            visitor(address, TOKEN) as session,
            looking(session, address) as page,
        ):
            for keys in ("e", "\r", " ", "\x1b[A", "d", "h", "z", "m", "q", "12", "1e", "\x1be"):
                await page.keys(keys)
                page.said.clear()
                assert "View only" in await page.until_said("refused"), keys
            await page.keys("2")
            await page.until_shown("told 2 ")  # and nothing before it

    run(scene)


def test_a_key_that_comes_late_is_dropped_but_for_hold_now() -> None:
    now_s = 0.0

    async def scene() -> None:
        nonlocal now_s
        async with (
            desk(control=True, clock=lambda: now_s) as (_, address),
            visitor(address, TOKEN) as session,
            looking(session, address) as page,
        ):
            beat = await page.beat()
            now_s = 1.0
            await page.tell(type="keys", keys="a", beat=beat)
            now_s = 1.0
            await page.until_shown("told a ")
            now_s = 1.01
            await page.tell(type="keys", keys="b", beat=beat)
            assert "too late" in await page.until_said("refused")
            await page.tell(type="keys", keys="c", beat=beat + 5)  # a beat that never was
            await page.tell(type="keys", keys=" ", beat=beat)
            await page.until_shown("told a space ")

    run(scene)


def test_viewers_are_limited_and_a_place_becomes_free() -> None:
    async def scene() -> None:
        async with desk(most=1) as (_, address), visitor(address, TOKEN) as session:
            headers = {"Origin": address}
            async with looking(session, address) as page:
                process = process_of(page)
                async with session.get(f"{address}/ws", headers=headers) as answer:
                    assert answer.status == 503
                    assert "places are taken" in await answer.text()
                assert Path(f"/proc/{process}").exists()
            await until_ended(process)
            async with asyncio.timeout(PATIENCE_S):
                while await viewers(session, address):
                    pass
            async with looking(session, address) as page:
                assert process_of(page) != process

    run(scene)


def test_a_process_ends_with_its_viewer_however_that_goes() -> None:
    async def scene() -> None:
        async with desk() as (_, address), visitor(address, TOKEN) as session:
            async with looking(session, address) as page:
                process = process_of(page)
            await until_ended(process)
            async with looking(session, address) as page:
                process = process_of(page)
                transport = page.ws.get_extra_info("socket")
                transport.shutdown(socket.SHUT_RDWR)  # no goodbye
                await until_ended(process)

    run(scene)


def test_a_silent_page_loses_its_process_and_is_told_why() -> None:
    async def scene() -> None:
        async with (
            desk(silent_s=1.0) as (_, address),
            visitor(address, TOKEN) as session,
            looking(session, address) as page,
        ):
            assert "No word from this page" in await page.until_end(silent=True)
            await until_ended(process_of(page))

    run(scene)


def test_a_page_that_takes_nothing_in_loses_its_process() -> None:
    """Its beats still come, but what its dashboard draws stays in the way."""
    flood = "import sys; w = sys.stdout.buffer.write; w(b'__GANGLION__\\n')\n"
    flood += "while True: w(b'D\\x00\\x01\\x00\\x00' + b'x' * 65536)"

    async def scene() -> None:
        async with (
            desk(argv=[sys.executable, "-c", flood], silent_s=1.0) as (_, address),
            visitor(address, TOKEN) as session,
        ):
            ws = await session.ws_connect(f"{address}/ws", headers={"Origin": address})
            await ws.send_str(json.dumps({"type": "size", "width": 80, "height": 24}))
            transport = ws._response.connection.transport  # type: ignore[union-attr]
            transport.pause_reading()
            async with asyncio.timeout(PATIENCE_S):
                n = 0
                while n == 0 or await viewers(session, address):
                    n += 1
                    await ws.send_str(json.dumps({"type": "beat", "n": n}))
            transport.abort()

    run(scene)


def test_leaving_the_dashboard_ends_the_page_without_another_try() -> None:
    async def scene() -> None:
        async with (
            desk(control=True) as (_, address),
            visitor(address, TOKEN) as session,
            looking(session, address) as page,
        ):
            await page.keys("q")
            assert await page.until_end() == "The dashboard was left."
            assert page.said[-1]["again"] is False

    run(scene)


@pytest.mark.parametrize(
    ("argv", "says"),
    [
        ([sys.executable, "-c", "print(1); import sys; sys.exit('no loop')"], "no loop"),
        ([sys.executable, "-c", "import sys; sys.exit(3)"], "process failed (3)"),
        (["no-such-program"], "could not start: No such file"),
    ],
)
def test_a_dashboard_that_does_not_start_says_why(argv: list[str], says: str) -> None:
    async def scene() -> None:
        async with desk(argv=argv) as (_, address), visitor(address, TOKEN) as session:
            ws = await session.ws_connect(f"{address}/ws", headers={"Origin": address})
            page = Page(ws)
            await page.tell(type="size", width=80, height=24)
            assert says in await page.until_end()
            assert page.said[-1]["again"] is True
            await ws.close()

    run(scene)


@pytest.mark.parametrize(
    "words",
    ["", "[]", '{"type": "keys"}', '{"type": "run", "argv": []}', '{"type":"size","width":1e9}'],
)
def test_a_page_that_talks_nonsense_is_let_go(words: str) -> None:
    async def scene() -> None:
        async with desk() as (_, address), visitor(address, TOKEN) as session:
            ws = await session.ws_connect(f"{address}/ws", headers={"Origin": address})
            await ws.send_str(words)
            assert "does not know" in await Page(ws).until_end()
            await ws.close()

    run(scene)


def test_a_size_beyond_reason_is_cut() -> None:
    async def scene() -> None:
        async with (
            desk() as (_, address),
            visitor(address, TOKEN) as session,
            looking(session, address) as page,
        ):
            await page.tell(type="size", width=100_000, height=-3)
            await page.until_shown("size 400x8")

    run(scene)


def test_ending_the_server_ends_its_viewers_with_a_word() -> None:
    async def scene() -> None:
        async with visitor() as session:
            async with desk() as (_, address):
                async with session.get(f"{address}/?token={TOKEN}"):
                    pass
                ws = await session.ws_connect(f"{address}/ws", headers={"Origin": address})
                page = Page(ws)
                await page.tell(type="size", width=80, height=24)
                await page.until_shown("arguments")
                ending = asyncio.create_task(page.until_end())
            assert await ending == "linehold browse has ended."
            assert not Path(f"/proc/{process_of(page)}").exists()
            await ws.close()

    run(scene)
