"""The dashboard in a browser, as HTTP: who is let in, and what is given."""

from __future__ import annotations

import asyncio
import re

import pytest

aiohttp = pytest.importorskip("aiohttp", reason="the extra [browser] is not installed")

from test_tui_browser_making import (  # noqa: E402
    HERE,
    TOKEN,
    desk,
    run,
    visitor,
)

from tui.browser_server import COOKIE_S, FILES, HEADERS  # noqa: E402

# --- who is let in -------------------------------------------------------------------------


@pytest.mark.parametrize("path", ["/", "/page.js", "/page.css", "/state", "/ws", "/no-such"])
def test_nothing_is_given_without_the_token(path: str) -> None:
    async def scene() -> None:
        async with desk() as (_, address), visitor() as session:
            headers = {"Origin": address}
            async with session.get(address + path, headers=headers) as answer:
                words = await answer.text()
                assert answer.status == 403
                assert words.startswith("This page needs its token")
                assert words.count("\n") == words.count(".") == 1
                assert "Set-Cookie" not in answer.headers

    run(scene)


def test_the_token_becomes_a_cookie_that_scripts_and_other_sites_cannot_use() -> None:
    async def scene() -> None:
        async with desk() as (served, address), visitor() as session:
            url = f"{address}/?token={TOKEN}"
            async with session.get(url, allow_redirects=False) as answer:
                assert answer.status == 303
                assert answer.headers["Location"] == "/"  # the token leaves the address line
                (cookie,) = answer.cookies.values()
                assert cookie.value == served.guard.cookie
                assert cookie.value != TOKEN
                assert cookie["httponly"]
                assert cookie["samesite"] == "Strict"
                assert cookie["max-age"] == str(COOKIE_S)
                assert not cookie["domain"]
            async with session.get(address) as answer:
                assert answer.status == 200
                assert "<canvas" in await answer.text()

    run(scene)


@pytest.mark.parametrize("token", ["x", TOKEN[:-1], TOKEN + "x", TOKEN.upper(), "%ff%00", ""])
def test_a_wrong_token_is_refused_with_one_sentence(token: str) -> None:
    async def scene() -> None:
        async with desk() as (_, address), visitor() as session:
            async with session.get(f"{address}/?token={token}") as answer:
                assert answer.status == 403
                assert (await answer.text()).startswith("That is not the token")
                assert "Set-Cookie" not in answer.headers
            async with session.get(address) as answer:
                assert answer.status == 403

    run(scene)


def test_a_wrong_cookie_is_refused() -> None:
    async def scene() -> None:
        async with desk() as (served, address), visitor() as session:
            name = f"linehold-{served.guard.host.split(':')[1]}"
            for value in (TOKEN, served.guard.cookie[:-1], ""):
                headers = {"Cookie": f"{name}={value}"}
                async with session.get(address, headers=headers) as answer:
                    assert answer.status == 403
            headers = {"Cookie": f"{name}={served.guard.cookie}"}
            async with session.get(address, headers=headers) as answer:
                assert answer.status == 200  # the test knows the right name

    run(scene)


def test_guessing_is_slowed_and_a_right_token_has_to_wait_as_well() -> None:
    now_s = 0.0

    async def scene() -> None:
        nonlocal now_s
        async with desk(clock=lambda: now_s) as (_, address), visitor() as session:

            async def status(token: str) -> int:
                url = f"{address}/?token={token}"
                async with session.get(url, allow_redirects=False) as answer:
                    return answer.status

            assert [await status("wrong") for _ in range(3)] == [403, 403, 403]
            assert await status("wrong") == 429
            assert await status(TOKEN) == 429  # else a guess would show by not waiting
            now_s = 0.99
            assert await status(TOKEN) == 429
            now_s = 1.0
            assert await status("wrong") == 403
            now_s = 2.99  # twice as long
            assert await status(TOKEN) == 429
            now_s = 3.0
            assert await status(TOKEN) == 303

    run(scene)


FOREIGN = [
    "http://example.com",
    "null",
    "https://{host}",
    "http://{host}.example.com",
    "{host}",
    "",
]


@pytest.mark.parametrize("origin", FOREIGN)
@pytest.mark.parametrize("path", ["/", "/ws"])
def test_a_foreign_page_is_refused_even_with_the_cookie(path: str, origin: str) -> None:
    async def scene() -> None:
        async with desk() as (served, address), visitor(address, TOKEN) as session:
            told = origin.format(host=served.guard.host)
            async with session.get(address + path, headers={"Origin": told}) as answer:
                assert answer.status == 403
                assert (await answer.text()).startswith("Only the page of linehold browse")

    run(scene)


def test_a_websocket_must_name_its_page() -> None:
    async def scene() -> None:
        async with desk() as (_, address), visitor(address, TOKEN) as session:
            for headers in ({}, {"Origin": "http://example.com"}, {"Origin": address.upper()}):
                if headers.get("Origin") == address.upper():
                    ws = await session.ws_connect(f"{address}/ws", headers=headers)
                    await ws.close()  # letters of an origin count alike
                    continue
                with pytest.raises(aiohttp.WSServerHandshakeError, match="403"):
                    await session.ws_connect(f"{address}/ws", headers=headers)

    run(scene)


@pytest.mark.parametrize("host", ["example.com", "example.com:{port}", HERE, "127.0.0.2:{port}"])
@pytest.mark.parametrize("path", ["/", "/ws", f"/?token={TOKEN}"])
def test_another_name_for_this_computer_is_refused(path: str, host: str) -> None:
    """A foreign name that resolves to us, so that its page may talk to us as its own."""

    async def scene() -> None:
        async with desk() as (served, address), visitor(address, TOKEN) as session:
            told = host.format(port=served.guard.host.split(":")[1])
            headers = {"Host": told, "Origin": f"http://{told}"}
            cookie = f"linehold-{served.guard.host.split(':')[1]}={served.guard.cookie}"
            async with session.get(address + path, headers=headers | {"Cookie": cookie}) as answer:
                assert answer.status == 403
                assert served.guard.host in await answer.text()

    run(scene)


def test_two_host_lines_are_refused() -> None:
    async def scene() -> None:
        async with desk() as (served, _):
            host = served.guard.host
            reader, writer = await asyncio.open_connection(*host.split(":"))
            writer.write(
                f"GET /?token={TOKEN} HTTP/1.1\r\nHost: {host}\r\nHost: example.com\r\n"
                "Connection: close\r\n\r\n".encode()
            )
            answer = await reader.read()
            assert answer.split()[1] in (b"400", b"403")
            assert served.guard.cookie.encode() not in answer
            writer.close()
            await writer.wait_closed()

    run(scene)


# --- what is given -------------------------------------------------------------------------


def test_no_served_byte_names_another_host_and_the_browser_is_told_to_ask_none() -> None:
    async def scene() -> None:
        async with desk() as (_, address), visitor(address, TOKEN) as session:
            names = [path.name for path in FILES.iterdir() if path.name != "page.html"]
            assert {"page.css", "page.js"} <= set(names)
            for name in ["", "state", "no-such", *names]:
                async with session.get(f"{address}/{name}") as answer:
                    assert answer.status == (404 if name == "no-such" else 200)
                    text = await answer.text()
                    assert all(answer.headers[key] == value for key, value in HEADERS.items())
                text = text.replace("ws://${location.host}/ws", "")  # our own
                assert not re.search(r"\w+://|[\"'(=]//\w|@import", text), name

    run(scene)


def test_the_policy_allows_only_this_page_itself() -> None:
    policy = dict(
        part.strip().split(" ", 1) for part in HEADERS["Content-Security-Policy"].split(";")
    )
    assert policy["default-src"] == "'none'"
    assert set(policy.values()) == {"'none'", "'self'", "data:"}
    assert [key for key, value in policy.items() if value == "data:"] == ["img-src"]


@pytest.mark.parametrize("path", ["/../browser.py", "/%2e%2e/browser.py", "/page.html", "/.."])
def test_only_the_page_s_own_files_are_given(path: str) -> None:
    async def scene() -> None:
        async with desk() as (served, _):
            cookie = f"linehold-{served.guard.host.split(':')[1]}={served.guard.cookie}"
            reader, writer = await asyncio.open_connection(*served.guard.host.split(":"))
            writer.write(
                f"GET {path} HTTP/1.1\r\nHost: {served.guard.host}\r\nCookie: {cookie}\r\n"
                "Connection: close\r\n\r\n".encode()
            )
            assert (await reader.read()).split()[1] in (b"400", b"404")
            writer.close()
            await writer.wait_closed()

    run(scene)
