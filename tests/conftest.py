"""Property tests draw the same examples each time; live runs keep to one process of the suite."""

from __future__ import annotations

import os
import tempfile

import pytest
from hypothesis import settings

settings.register_profile("linehold", derandomize=True, deadline=None, max_examples=100)
settings.load_profile("linehold")

os.environ["XDG_STATE_HOME"] = tempfile.mkdtemp(prefix="lh-state")  # no results of anybody's

LIVE = (  # start processes of their own, and are judged by the clock
    "test_commands_run", "test_tmux_session", "test_tui_browser_real", "test_tui_browser_command",
    "test_tui_browser_viewers", "test_tui_browser_tab", "test_tui_speaker_live",
)  # fmt: skip


DEAR = (  # share what is dear to make
    "test_story", "test_commission_commands", "test_commission_daily", "test_trial_passes",
    "test_commands", "test_report_command", "test_docs",
)  # fmt: skip


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """One after another: two live runs at once would make each other late."""
    for item in items:
        stem = item.path.stem
        if stem in LIVE or stem in DEAR:
            item.add_marker(pytest.mark.xdist_group("live" if stem in LIVE else stem))
