"""Who may look at the dashboard in a browser: the rules alone, without a server."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from tui.browser import BrowseError, place_of
from tui.browser_guard import (
    FIRST_WAIT_S,
    FREE_TRIES,
    LEAST_TOKEN,
    LONGEST_WAIT_S,
    MOST_ADDRESSES,
    Guard,
    Pace,
    TokenFault,
    make_token,
    read_token,
    same,
)

HOST = "192.0.2.7:8022"
TOKEN = "t" * LEAST_TOKEN


def token_file(folder: Path, text: str, mode: int = 0o600) -> Path:
    path = folder / "token.txt"
    path.write_text(text, encoding="utf-8")
    path.chmod(mode)
    return path


def test_a_made_token_has_256_bits_and_is_new_each_time() -> None:
    made = {make_token() for _ in range(100)}
    assert len(made) == 100
    assert all(len(token) == 43 for token in made)  # 256 bits at 6 a letter


def test_a_token_file_holds_one_word(tmp_path: Path) -> None:
    assert read_token(token_file(tmp_path, f"  {TOKEN}\n")) == TOKEN


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "has 0 letters"),
        (TOKEN[1:], f"has {LEAST_TOKEN - 1} letters, {LEAST_TOKEN} are the least"),
        (f"{TOKEN} {TOKEN}", "one word"),
        (f"{TOKEN}&x", "one word"),
        (f"{TOKEN}é", "one word"),
        ("t" * 1025, "one word"),
    ],
)
def test_a_token_file_that_cannot_be_used_is_told(tmp_path: Path, text: str, words: str) -> None:
    path = token_file(tmp_path, text)
    with pytest.raises(TokenFault, match=words) as fault:
        read_token(path)
    assert TOKEN[1:] not in str(fault.value)  # it may be nearly right
    assert str(path) in str(fault.value)


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o660])
def test_a_token_file_that_others_can_read_is_refused(tmp_path: Path, mode: int) -> None:
    with pytest.raises(TokenFault, match="others can read it"):
        read_token(token_file(tmp_path, TOKEN, mode))


def test_a_missing_token_file_is_told(tmp_path: Path) -> None:
    with pytest.raises(TokenFault, match="No such file"):
        read_token(tmp_path / "none")
    with pytest.raises(TokenFault, match="directory"):
        read_token(tmp_path)


def test_same_compares_whole_words() -> None:
    assert same("abc", "abc")
    assert not any(same(told, "abc") for told in ("", "ab", "abcd", "abC", "abc\0", "\udcff"))


def test_a_few_wrong_tokens_are_free_and_then_each_doubles_the_wait() -> None:
    pace, now_s, waits = Pace(), 100.0, []
    for _ in range(FREE_TRIES + 9):
        pace.wrong("a", now_s)
        waits.append(pace.wait_s("a", now_s))
        now_s += waits[-1]
    assert waits[: FREE_TRIES - 1] == [0.0] * (FREE_TRIES - 1)
    doubled = [min(FIRST_WAIT_S * 2**k, LONGEST_WAIT_S) for k in range(10)]
    assert waits[FREE_TRIES - 1 :] == pytest.approx(doubled)
    assert waits[-1] == LONGEST_WAIT_S


def test_one_address_does_not_lock_another_out_and_a_right_token_clears() -> None:
    guard = Guard(TOKEN, HOST)
    for _ in range(FREE_TRIES):
        assert guard.token_fault("x", "a", 0.0)[0] == 403
    assert guard.token_fault(TOKEN, "a", 0.5)[0] == 429
    assert guard.token_fault(TOKEN, "b", 0.5) == (0, "")
    assert guard.token_fault(TOKEN, "a", 1.0) == (0, "")
    assert guard.token_fault("x", "a", 1.0)[0] == 403
    assert guard.token_fault(TOKEN, "a", 1.0) == (0, "")


def test_the_memory_of_addresses_is_bounded() -> None:
    pace = Pace()
    for _ in range(FREE_TRIES):
        pace.wrong("first", 0.0)
    for n in range(MOST_ADDRESSES - 1):
        pace.wrong(str(n), 0.0)
    assert pace.wait_s("first", 0.0) > 0.0
    pace.wrong("one more", 0.0)
    assert pace.wait_s("first", 0.0) == 0.0


@pytest.mark.parametrize("hosts", [[], ["other"], [HOST, HOST], ["192.0.2.7"], [HOST + "."]])
def test_only_our_own_name_passes(hosts: list[str]) -> None:
    assert Guard(TOKEN, HOST).place_fault(hosts, [], socket=False)
    assert not Guard(TOKEN, HOST).place_fault([HOST], [], socket=False)


def test_a_websocket_needs_our_own_origin() -> None:
    guard = Guard(TOKEN, HOST)
    assert not guard.place_fault([HOST], [f"http://{HOST}"], socket=True)
    assert guard.place_fault([HOST], [], socket=True)
    for origins in (["null"], [f"https://{HOST}"], [f"http://{HOST}"] * 2, ["http://192.0.2.7"]):
        assert guard.place_fault([HOST], origins, socket=True)
        assert guard.place_fault([HOST], origins, socket=False)


def test_a_browser_leaves_out_port_80() -> None:
    guard = Guard(TOKEN, "192.0.2.7:80")
    for host in ("192.0.2.7", "192.0.2.7:80"):
        assert not guard.place_fault([host], [f"http://{host}"], socket=True)
    assert guard.place_fault(["192.0.2.7:8"], [], socket=False)


@pytest.mark.parametrize("on", ["0.0.0.0", "::", "0", "0x0", ""])
def test_listening_on_all_networks_is_refused(on: str) -> None:
    with pytest.raises(BrowseError):
        place_of(on, 8022)


def test_the_name_in_the_address_line() -> None:
    assert place_of("127.0.0.1", 8022).host == "127.0.0.1:8022"
    assert place_of("::1", 8022).host == "[::1]:8022"
    assert place_of("::1", 8022).here
    assert not place_of("192.0.2.7", 8022).here


def test_root_or_not_the_mode_of_the_file_counts(tmp_path: Path) -> None:
    """Root reads any file: the check is of the mode, not of what can be opened."""
    path = token_file(tmp_path, TOKEN, 0o400)
    assert read_token(path) == TOKEN
    assert os.stat(path).st_mode & 0o777 == 0o400
