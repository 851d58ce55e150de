"""A small app round one pane, for the tests of the panes: it notes what the pane asks for."""

import asyncio
from collections.abc import Awaitable, Callable, Iterable
from typing import Any

from textual.app import App, ComposeResult
from textual.pilot import Pilot
from textual.widget import Widget

from firmware_py.link.frames import FromLoop
from firmware_py.messages import Request
from tests import tui_made as made
from tui.colours import themes
from tui.known import Known
from tui.options import Options


class PaneApp(App[None]):
    """Shows one pane with what is known; `asked` has the requests."""

    def __init__(
        self, pane: Widget, frames: Iterable[FromLoop], options: Options | None = None
    ) -> None:
        super().__init__()
        self.pane, self.known, self.now_s = pane, Known(), made.NOW
        self.options = options or Options()
        self.asked: list[Request] = []
        self.known.take(frames)

    def compose(self) -> ComposeResult:
        yield self.pane

    def on_mount(self) -> None:
        for theme in themes():
            self.register_theme(theme)
        self.theme = self.options.theme

    def ask(self, kind: Callable[..., Request], *values: Any, words: str = "") -> None:
        self.asked.append(kind(len(self.asked) + 1, *values))

    def draw(self) -> None:
        self.pane.show(self.known, self.now_s)  # type: ignore[attr-defined]

    def text(self) -> str:
        """All that stands on the screen, line by line."""
        width, height = self.size
        lines = self.screen._compositor.render_strips()
        return "\n".join(strip.text for strip in lines[:height] if strip.cell_length <= width)


Body = Callable[[PaneApp, Pilot[None]], Awaitable[None]]


def with_pane(
    pane: Widget,
    body: Body,
    *frames: FromLoop,
    size: tuple[int, int] = (80, 24),
    options: Options | None = None,
) -> PaneApp:
    """Run a body over a pane that was drawn once; default frames: tui_made's."""
    given = frames or (made.hello(), made.devices(), made.host(), made.beat())
    app = PaneApp(pane, given, options)

    async def run() -> None:
        async with app.run_test(size=size) as pilot:
            app.draw()
            await pilot.pause()
            await body(app, pilot)

    asyncio.run(run())
    return app


async def press(app: PaneApp, pilot: Pilot[None], *keys: str) -> str:
    """Press keys, draw, and give the screen's text."""
    await pilot.press(*keys)
    app.draw()
    await pilot.pause()
    return app.text()
