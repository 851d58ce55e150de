"""Property tests draw the same examples each time; each file keeps to one process of the suite."""

from __future__ import annotations

import gc
import os
import tempfile
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings
from xdist.scheduler import LoadScopeScheduling

settings.register_profile("linehold", derandomize=True, deadline=None, max_examples=100)
settings.load_profile("linehold")

# Before numpy is imported: one process a core, and no threads of linear algebra that spin.
os.environ["OPENBLAS_NUM_THREADS"] = "1"
os.environ["XDG_STATE_HOME"] = tempfile.mkdtemp(prefix="lh-state")  # no results of anybody's

LIVE = (  # start processes of their own, and wait for them
    "test_commands_run", "test_commands_devices", "test_pi_notify", "test_tmux_session",
    "test_report_browser", "test_tui_browser_real", "test_tui_browser_command",
    "test_tui_browser_viewers", "test_tui_browser_tab", "test_tui_speaker_live",
)  # fmt: skip
LONG = (  # begin early, so that no process of the suite is left with one of them at the end
    "test_commission_commands", "test_commission_rigs", "test_story", "test_guard_table",
    "test_commission_wired", "test_commands", "test_trial", "test_trial_passes",
    "test_report_command", "test_controller", "test_guide_follow", "test_guard_scenes",
    "test_tui_app",
)  # fmt: skip
REPORT = ("test_report_command", "test_asgraded_obstacles", "test_logs_command")  # of one drive


class Files(LoadScopeScheduling):
    """A file's tests keep to one process of the suite, so that what they share is made once.

    pytest-xdist's own groups are without effect under pytest 9.2.
    """

    def _split_scope(self, nodeid: str) -> str:
        """All live files are one: two live runs at once would make each other late."""
        path = nodeid.split("::", 1)[0]
        stem = Path(path).stem
        return "live" if stem in LIVE else "report" if stem in REPORT else path


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> Files:
    """In the order below, whatever --dist says."""
    config.option.loadscopereorder = False
    return Files(config, log)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """The live files first, which mostly wait; then the long ones."""
    ranks = {stem: rank for rank, stem in enumerate((*LIVE, *LONG))}
    items.sort(key=lambda item: ranks.get(item.path.stem, len(ranks)))


def pytest_collection_finish() -> None:
    """All that was imported and collected stays: no garbage collection looks at it again."""
    gc.collect()
    gc.freeze()
