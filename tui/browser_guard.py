"""Who may look: the token, the cookie that stands for it, Host and Origin, the pace of guesses.

Plain computation; no socket and no clock of its own. Times are seconds on a monotonic clock.
"""

from __future__ import annotations

import hashlib
import hmac
import math
import re
import secrets
import stat
from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from firmware_py.errors import LineholdError

TOKEN_BYTES = 32  # of a token that is made here: 256 bits, 43 letters
LEAST_TOKEN = 16  # letters of a token from a file
MOST_TOKEN_FILE = 1024  # bytes
FREE_TRIES = 3  # wrong tokens from one address before it has to wait: a person mistypes
FIRST_WAIT_S = 1.0  # doubled by each further wrong token
LONGEST_WAIT_S = 60.0
MOST_ADDRESSES = 1000  # that are remembered; the one longest unseen goes first


class TokenFault(LineholdError, ValueError):  # noqa: N818  as FileFault
    """A token file that cannot be used."""


def make_token() -> str:
    """A new one, for this run alone."""
    return secrets.token_urlsafe(TOKEN_BYTES)


def read_token(path: Path) -> str:
    """The token of a file: one word that only its owner can read. TokenFault says what is wrong."""
    try:
        with path.open("rb") as file:
            mode = stat.S_IMODE(path.stat().st_mode)
            raw = file.read(MOST_TOKEN_FILE + 1)
    except OSError as error:
        raise TokenFault(f"{path}: {error.strerror}") from error
    if mode & 0o077:
        raise TokenFault(f"{path}: others can read it (mode {mode:03o}); use: chmod 600 {path}")
    text = raw.decode("ascii", errors="replace").strip()
    if len(raw) > MOST_TOKEN_FILE or not re.fullmatch(r"[A-Za-z0-9._~-]*", text):
        raise TokenFault(f"{path}: a token is one word of letters, digits and . _ ~ -")
    if len(text) < LEAST_TOKEN:
        raise TokenFault(
            f"{path}: the token has {len(text)} letters, {LEAST_TOKEN} are the least; make one "
            f"with: python3 -c 'import secrets; print(secrets.token_urlsafe())'"
        )
    return text


def same(told: str, right: str) -> bool:
    """Equal? In a time that says nothing of where, or by how many letters, they differ."""
    digests = (hashlib.sha256(text.encode(errors="replace")).digest() for text in (told, right))
    return hmac.compare_digest(*digests)


@dataclass
class Pace:
    """Slows whoever gives wrong tokens, each address by itself, so that nobody locks others out."""

    _wrong: OrderedDict[str, tuple[int, float]] = field(default_factory=OrderedDict)

    def wait_s(self, address: str, now_s: float) -> float:
        """How long this address still has to wait before a token of its is looked at; 0: not."""
        _, until_s = self._wrong.get(address, (0, -math.inf))
        return max(until_s - now_s, 0.0)

    def wrong(self, address: str, now_s: float) -> None:
        """One more wrong token."""
        tries = self._wrong.pop(address, (0, 0.0))[0] + 1
        over = min(tries - FREE_TRIES, 10)  # beyond that the wait is the longest anyway
        wait_s = 0.0 if over < 0 else min(FIRST_WAIT_S * 2.0**over, LONGEST_WAIT_S)
        self._wrong[address] = (tries, now_s + wait_s)
        while len(self._wrong) > MOST_ADDRESSES:
            self._wrong.popitem(last=False)

    def right(self, address: str) -> None:
        """All is forgotten."""
        self._wrong.pop(address, None)


@dataclass(frozen=True)
class Guard:
    """Says whether a request may pass, and if not why, in one sentence."""

    token: str
    host: str  # as a browser has to name this page: 192.0.2.7:8022
    cookie: str = field(default_factory=make_token)  # stands for the token; new at each start
    pace: Pace = field(default_factory=Pace)

    @property
    def origin(self) -> str:
        """Whose scripts may talk to us: this page's own."""
        return f"http://{self.host}"

    def place_fault(self, hosts: Sequence[str], origins: Sequence[str], *, socket: bool) -> str:
        """A page of another site, or another name for this one; a WebSocket must name its page."""
        if len(hosts) != 1 or hosts[0].lower() not in names(self.host):
            return f"This page goes by the name {self.host} only; open it by that."
        if not origins and not socket:
            return ""
        if len(origins) != 1 or origins[0].lower() not in [f"http://{n}" for n in names(self.host)]:
            return "Only the page of linehold browse itself may connect here."
        return ""

    def token_fault(self, told: str, address: str, now_s: float) -> tuple[int, str]:
        """HTTP status and sentence; (0, '') for the right token."""
        wait_s = self.pace.wait_s(address, now_s)
        if wait_s > 0.0:
            return 429, f"Too many wrong tokens; wait {math.ceil(wait_s)} s."
        if same(told, self.token):
            self.pace.right(address)
            return 0, ""
        self.pace.wrong(address, now_s)
        return 403, "That is not the token; open the address that linehold browse showed."

    def cookie_fault(self, told: str | None) -> str:
        """A made cookie has 256 bits: guesses at it need not be slowed."""
        if told is not None and same(told, self.cookie):
            return ""
        return "This page needs its token: open the address that linehold browse showed."


def names(host: str) -> tuple[str, ...]:
    """A browser leaves out port 80."""
    return (host, host.removesuffix(":80")) if host.endswith(":80") else (host,)
