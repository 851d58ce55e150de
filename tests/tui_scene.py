"""The dashboard's app under test: keys and clicks go in, what is asked and shown comes out."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from typing import Any

from textual.pilot import Pilot
from tui_made import Clock, HandSource, beat, source

from tui.app import Dashboard
from tui.options import Options

PANES = ("1", "2", "3", "4", "5")
SIZE = (80, 24)


class Scene:
    """An app under test, with its source and its clock."""

    def __init__(self, app: Dashboard, pilot: Pilot[Any], made: HandSource, clock: Clock) -> None:
        self.app, self.pilot, self.made, self.clock = app, pilot, made, clock
        self.end_text = ""

    async def press(self, *keys: str) -> None:
        await self.pilot.press(*keys)
        await self.turn()

    async def turn(self) -> None:
        """Poll and draw as the timer would."""
        self.app.poll()
        self.app.draw()
        await self.pilot.pause()
        self.app.draw()
        await self.pilot.pause()

    async def after(self, seconds: float) -> None:
        """Time passes and the loop goes on."""
        self.clock.now_s += seconds
        self.made.give(beat(self.clock.now_s))
        await self.turn()

    def asked(self) -> list[object]:
        return self.made.asked()

    def kinds(self) -> list[type]:
        return [type(request) for request in self.asked()]

    def text(self) -> str:
        """The whole screen as it is composed, without colours."""
        strips = self.app.screen._compositor.render_strips()
        return "\n".join(strip.text for strip in strips)

    def row(self, number: int) -> str:
        return self.text().split("\n")[number]

    async def click(self, words: str) -> None:
        """Click the first of these words on the screen."""
        for y, line in enumerate(self.text().split("\n")):
            if words in line:
                await self.pilot.click(offset=(line.index(words) + 1, y))
                await self.turn()
                return
        raise AssertionError(f"{words!r} is not on the screen")


Story = Callable[[Scene], Awaitable[None]]


def play(
    story: Story,
    made: HandSource | None = None,
    *,
    size: tuple[int, int] = SIZE,
    options: Options | None = None,
    past_cautions: bool = True,
) -> Scene:
    """Run a story over an app; past_cautions: the first key has been pressed."""
    clock, made = Clock(), made or source()
    app = Dashboard(made, clock=clock, options=options)
    kept: list[Scene] = []

    async def run() -> None:
        async with app.run_test(size=size) as pilot:
            scene = Scene(app, pilot, made, clock)
            kept.append(scene)
            await scene.turn()
            if past_cautions:
                await scene.press("x")
            await story(scene)

    asyncio.run(run())
    return kept[0]


def after_keys(*keys: str, made: HandSource | None = None, **more: Any) -> Scene:
    """The scene once these keys were pressed; the text is that of the end."""

    async def story(scene: Scene) -> None:
        await scene.press(*keys)
        scene.end_text = scene.text()

    return play(story, made, **more)
