"""The dashboard: polls its source, folds the frames into Known, shows one of five panes.

Keys are taken here, before any widget sees them, so that the key that shuts the valves works on
every screen. Times come from the injected clock.
"""

from __future__ import annotations

import asyncio
import signal
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from typing import Any, ClassVar

from textual import events
from textual.app import App, ComposeResult
from textual.binding import BindingType
from textual.widget import Widget
from textual.widgets import ContentSwitcher, Input

from firmware_py.link.client import Source
from firmware_py.link.frames import Begin, Bye, Hello, Note
from firmware_py.messages import REFUSED, Disengage, Mark, MarkPin, Request
from tui import app_foot, colours, drive_job
from tui.app_actions import Actions, Pending
from tui.app_asks import Asks, Said
from tui.app_foot import Foot
from tui.app_head import Head
from tui.app_keys import HELP, START, WALKING, Hands
from tui.app_pages import CautionsPage, HelpPage
from tui.bar import BarPane
from tui.canvas import Board, Ink
from tui.check import Check
from tui.drive import DrivePane
from tui.health import Health
from tui.known import Known
from tui.options import Options
from tui.settings import Settings
from tui.sound_control import SoundLike

POLL_S = 0.05
DRAW_EVERY = 2  # polls
SAID_S, BAD_S = 4.0, 10.0  # s that a line of the dashboard stands
COVER_S = 1.0  # s in which a good answer does not cover a bad one
MOST_BEHIND = 4  # writes that a slow terminal may be behind; Textual itself waits at 30
LOOKING = frozenset({"units", "theme", "help", "quit", "mute"})  # of a dashboard that only looks
NOTE = "a note without blanks, then enter; space shuts the valves"
MARK = "mark"  # text of a mark without words
MOST_MARK = 200  # letters


class Dashboard(App[str]):
    """One app over one Source. `run()` returns when the driver leaves; the run goes on."""

    ENABLE_COMMAND_PALETTE = False
    BINDINGS: ClassVar[list[BindingType]] = []
    CSS = """
    Screen { layers: base; background: $background; color: $foreground; overflow: hidden; }
    #head { height: 2; width: 1fr; }
    #foot { height: 3; width: 1fr; }
    ContentSwitcher { height: 1fr; width: 1fr; }
    ContentSwitcher > * { height: 1fr; width: 1fr; }
    #note { display: none; height: 1; width: 1fr; border: none; padding: 0 1; }
    """

    def __init__(
        self,
        source: Source,
        clock: Callable[[], float] = time.monotonic,
        options: Options | None = None,
        sound: SoundLike | None = None,
    ) -> None:
        super().__init__()
        self.source, self.clock = source, clock
        self.options = options or Options()
        self.sound = sound
        self.known = Known()
        self.asks = Asks(source, self.say)
        self.pending: Pending | None = None
        self.deeds = Actions(self)
        self.pane, self.before = START, "drive"
        self._said: tuple[Said, float] | None = None
        self._polls, self._begun = 0, False
        self.hands = Hands(self)
        self._passed: events.Key | None = None

    # what is on the screen

    def compose(self) -> ComposeResult:
        yield Head(id="head")
        panes: dict[str, Widget] = {
            START: CautionsPage(),
            HELP: HelpPage(self.options.keys),
            "drive": DrivePane(),
            "bar": BarPane(),
            "health": Health(),
            "settings": Settings(),
            "check": Check(),
        }
        for name, pane in panes.items():
            pane.id = name
        with ContentSwitcher(initial=START):
            yield from panes.values()
        yield Input(id="note", placeholder=NOTE, max_length=MOST_MARK, compact=True)
        yield Foot(id="foot")

    def on_mount(self) -> None:
        for theme in colours.themes():
            self.register_theme(theme)
        self.theme = self.options.theme
        self.set_focus(None)
        with suppress(NotImplementedError, RuntimeError, ValueError):  # not in the main thread
            asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, self.leave, "")
        self.set_interval(POLL_S, self.beat)
        self.call_after_refresh(self.beat)

    def beat(self) -> None:
        """One poll; every second one draws."""
        self.poll()
        self._polls += 1
        if self._polls % DRAW_EVERY == 1:
            self.draw()

    def on_resize(self) -> None:
        self.call_after_refresh(self.draw)

    # what comes in

    def now(self) -> float:
        return self.clock()

    def poll(self) -> None:
        """Take all frames that have come."""
        frames = self.source.poll()
        self.known.take(frames)
        self.known.lost = self.known.lost or self.source.lost
        self.asks.stale = not self.known.fresh(self.now())
        self.known.sound = "" if self.sound is None else self.sound.words
        if self.known.hello is not None:
            self.asks.may_ask = self.known.hello.may_ask
            self._begin(self.known.hello)
        self.asks.listen(frames, self.now())
        if self.pending is not None and self.now() > self.pending.until_s:
            self.hands.cancel()
        byes = [frame.why for frame in frames if isinstance(frame, Bye)]
        if byes:
            self.leave(byes[-1])  # the run is over, and has said so
        notes = [frame.text for frame in frames if isinstance(frame, Note)]
        if notes:
            self.say(Said(notes[-1]))

    def _begin(self, hello: Hello) -> None:
        """Once the cautions are gone a simulated driver that waits for that may begin."""
        if self._begun or self.pane == START:
            return
        ours = hello.simulated and hello.may_ask
        self._begun = not ours or self.source.send(Begin(0))

    def draw(self) -> None:
        """Bring everything that is visible up to now."""
        if not self.is_running or not self.query("#foot") or self._behind():
            return
        now = self.now()
        self.query_one(Head).show(self.known, now, self.options.keys, self.pane)
        foot = self.query_one(Foot)
        foot.show(self._footer(), self._line(now))
        pane = self.query_one(f"#{self.pane}")
        if isinstance(pane, (DrivePane, BarPane)):
            pane.units, pane.chosen = self.options.units, self.deeds.chosen
        pane.show(self.known, now)  # type: ignore[attr-defined]  # every pane has it

    def _behind(self) -> bool:
        """The terminal has not yet taken what was drawn: keys must not wait behind pictures."""
        writer = getattr(self._driver, "_writer_thread", None)
        queue = getattr(writer, "_queue", None)
        return queue is not None and queue.qsize() > MOST_BEHIND

    def _footer(self) -> list[app_foot.Key]:
        """The keys that do something now."""
        hello, keys = self.known.hello, self.options.keys
        words = {
            "choose_end": f"end: {self.deeds.chosen_words}",
            "mute": "sound" if self.options.muted else "mute",
            "quit": "leave",
        }
        refused = self.known.tick is not None and self.known.tick.transition == REFUSED
        words["transition"] = "accept" if refused else "refuse"
        names = app_foot.shown_actions(
            hello is not None and hello.simulated, drive_job.followed(self.known.tick)
        )
        if hello is not None and not hello.may_ask:
            names = [name for name in names if name in LOOKING]
        if self.focused is not None:  # it walks with these keys itself
            names = [name for name in names if keys[name] not in WALKING]
        return [app_foot.Key(name, keys[name], words.get(name, "")) for name in names]

    def _line(self, now: float) -> tuple[str, Ink]:
        """What the driver is asked, or what was last said; with its ink."""
        if self.pending is not None:
            return self.pending.words, Ink.ALARM
        idle = "" if self.asks.may_ask else "View only: this dashboard cannot ask for anything."
        if self._said is None:
            return idle, Ink.PLAIN
        said, at = self._said
        if now - at > (BAD_S if said.bad else SAID_S):
            return idle, Ink.PLAIN
        return said.words, Ink.WARNING if said.bad else Ink.PLAIN

    # what the actions need

    def say(self, said: Said) -> None:
        """Show one line for some seconds; a bad one is not covered by a good one at once."""
        if self._said is not None and not said.bad:
            before, at = self._said
            if before.bad and 0.0 <= self.now() - at < COVER_S and said.words.endswith("done"):
                said = Said(f"{before.words}  ({said.words})", bad=True)
        self._said = (said, self.now())

    def ask(self, kind: type[Request], *values: Any, words: str = "") -> bool:
        """Number a request and send it; the line below tells what became of it."""
        if kind is Disengage:
            self.asks.hold(self.now())
            return True
        words = words or str(kind.__struct_config__.tag)
        return self.asks.request(kind(self.asks.next(), *values), words, self.now())

    def show_pane(self, name: str) -> None:
        """Show a pane, or a page in its place."""
        if self.pane not in (START, HELP):
            self.before = self.pane
        self.pane = name
        self.query_one(ContentSwitcher).current = name
        pane = self.query_one(f"#{name}")
        self.set_focus(pane if pane.can_focus else None)
        self.call_after_refresh(self.draw)

    def show_help(self) -> None:
        self.query_one(HelpPage).page = 0
        self.show_pane(HELP)

    def ask_for_mark(self) -> None:
        note = self.query_one("#note", Input)
        note.value = ""
        note.display = True
        note.focus()

    def set_muted(self, muted: bool) -> None:
        """The cues off or on; the alarm sounds all the same."""
        self.options = replace(self.options, muted=muted)
        if self.sound is not None:
            self.sound.mute(muted)

    def leave(self, words: str) -> None:
        self.exit(words)

    def close_note(self) -> None:
        """Put the line for a mark's words away."""
        note = self.query_one("#note", Input)
        if note.display:
            note.display = False
            self.set_focus(None)

    # keys and clicks

    async def on_event(self, event: events.Event) -> None:
        """Keys are looked at before any widget gets them."""
        if isinstance(event, events.Key) and event is not self._passed:
            self._passed = event  # what no widget wants comes up here a second time
            if self.hands.took(event.key):
                event.stop()
                return
        await super().on_event(event)

    def on_board_clicked(self, event: Board.Clicked) -> None:
        """Everything that names an action can be clicked."""
        self.hands.clicked(event.board, event.x, event.y)

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """A mark's words."""
        if event.input.id != "note":
            return
        text = event.value.strip() or MARK
        self.close_note()
        name = drive_job.pin_named(text) if drive_job.followed(self.known.tick) else ""
        if name:
            self.ask(MarkPin, name, words=f"at pin {name}")
        else:
            self.ask(Mark, text, words=f"mark {text!r}")
        self.draw()
