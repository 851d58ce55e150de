"""A few whole screens against stored pictures: layout, inks and words at once.

They change with each Textual, which is pinned. After a change that is meant:
python -m pytest tests/test_tui_snapshots.py --snapshot-update, and look at the pictures.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from typing import Any

import pytest
import tui_made as made
from textual.pilot import Pilot

from firmware_py.messages import Mode
from tui.app import Dashboard


def _app(*frames: Any) -> Dashboard:
    source = made.HandSource(made.hello(), made.devices(), made.host(), *frames)
    return Dashboard(source, clock=made.Clock(made.NOW))


def _beats() -> list[Any]:
    """Three seconds of work, the newest now."""
    return [
        made.beat(made.NOW - 3.0 + 0.1 * n, seq=n, distance_m=10.0 + 0.05 * n,
                  left=made.end_tick(error_m=-0.004 + 0.0002 * n))
        for n in range(31)
    ]  # fmt: skip


def _pressed(keys: tuple[str, ...]) -> Callable[[Pilot[Any]], Awaitable[None]]:
    """The keys, and the drawing that follows them."""

    async def before(pilot: Pilot[Any]) -> None:
        for key in keys:
            await pilot.press(key)
        pilot.app.beat()  # type: ignore[attr-defined]
        pilot.app.draw()  # type: ignore[attr-defined]
        await pilot.pause()

    return before


@pytest.mark.parametrize(
    ("name", "keys", "size"),
    [
        ("drive", ("x",), (80, 24)),
        ("bar", ("x", "2"), (80, 24)),
        ("settings", ("x", "4"), (120, 40)),
    ],
)
def test_a_screen_looks_as_it_did(
    snap_compare: Any, name: str, keys: tuple[str, ...], size: tuple[int, int]
) -> None:
    before = _pressed(keys)
    assert snap_compare(_app(*_beats()), run_before=before, terminal_size=size)


def test_a_stale_screen_looks_as_it_did(snap_compare: Any) -> None:
    old = made.beat(made.NOW - 2.0, mode=Mode.AUTO)
    assert snap_compare(_app(old), run_before=_pressed(("x",)), terminal_size=(80, 24))
