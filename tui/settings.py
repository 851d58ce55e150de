"""The settings screen: what can be set on the go, each with its value, its range and its keys."""

from __future__ import annotations

from tui.rows import RowsPane
from tui.setting_rows import setting_rows


class Settings(RowsPane):
    """Heights, crossfall, gate, dead band, datums, guides, holds, undo and the keys' steps."""

    TITLE = "SETTINGS on the go"

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(setting_rows(), id=id)
