"""Requests of the dashboard: numbered, sent, and their answers waited for. No screen here."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import NamedTuple

from firmware_py.link.client import Source
from firmware_py.link.frames import Ask, FromListener, FromLoop, Told
from firmware_py.messages import Disengage, Request

ANSWER_S = 1.0  # s until a missing answer is told
LOOKS_ONLY = "This dashboard may only look; nothing can be changed from it."
NOT_SENT = "could not be sent"
ENDING = ("HOLD NOW", "stop the run")


class Waiting(NamedTuple):
    """A request that was sent, in words, and when."""

    words: str
    sent_s: float


class Said(NamedTuple):
    """A line for the driver. bad: it did not go as asked."""

    words: str
    bad: bool = False


class Asks:
    """Sends and listens; `say` gets every line."""

    def __init__(self, source: Source, say: Callable[[Said], None]) -> None:
        self.source, self.say = source, say
        self.may_ask = True
        self.stale = False  # what the driver sees is old: only what ends motion is sent then
        self._number = 0
        self._waiting: dict[int, Waiting] = {}
        self._late: dict[int, str] = {}  # told as unanswered; an answer may still come
        self._hold_until_s: float | None = None  # a hold that could not be sent is tried again

    def next(self) -> int:
        """A number that was not used yet."""
        self._number += 1
        return self._number

    def send(self, frame: FromListener, number: int, words: str, now_s: float) -> bool:
        """Send one frame with its number, and say so."""
        if not self.may_ask:
            self.say(Said(LOOKS_ONLY, bad=True))
            return False
        if self.stale and not words.startswith(ENDING):
            self.say(Said(f"{words}: {NOT_SENT}. What you see is old.", bad=True))
            return False
        if not self.source.send(frame):
            why = self.source.lost or "the link is busy; try again"
            self.say(Said(f"{words}: {NOT_SENT}. {why}", bad=True))
            return False
        self._waiting[number] = Waiting(words, now_s)
        self.say(Said(f"{words}: sent"))
        return True

    def request(self, request: Request, words: str, now_s: float) -> bool:
        """Send a request of the controller."""
        frame = Ask(request)  # type: ignore[arg-type]  # every Request has its tag in AnyRequest
        return self.send(frame, request.number, words, now_s)

    def hold(self, now_s: float) -> None:
        """Shut both valves; while it cannot be sent, `listen` tries again for a second."""
        sent = self.request(Disengage(self.next()), "HOLD NOW", now_s)
        self._hold_until_s = None if sent or not self.may_ask else now_s + ANSWER_S

    def listen(self, frames: Iterable[FromLoop], now_s: float) -> None:
        """Take the answers among the frames; tell what stays without one."""
        for frame in frames:
            if isinstance(frame, Told):
                self._told(frame)
        late = [n for n, w in self._waiting.items() if now_s - w.sent_s > ANSWER_S]
        for number in late:
            words = self._late[number] = self._waiting.pop(number).words
            more = " Shut the hydraulics by hand." if words.startswith("HOLD") else ""
            self.say(Said(f"{words}: no answer.{more}", bad=True))
        if self._hold_until_s is not None and not self.source.lost:
            until = self._hold_until_s
            if now_s > until:
                self._hold_until_s = None
                return
            self.hold(now_s)
            if self._hold_until_s is not None:
                self._hold_until_s = until

    def _told(self, told: Told) -> None:
        number = told.answer.number
        late = self._late.pop(number, "")
        words = self._waiting.pop(number).words if number in self._waiting else late
        if not words:
            return
        after = " after all" if late else ""
        if told.answer.done:
            self.say(Said(f"{words}: done{after}", bad=bool(late)))
        else:
            self.say(Said(f"{words}: refused{after}. {told.answer.reason}", bad=True))
