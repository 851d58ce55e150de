"""Which devices the tests run on, and that a named device was really tested."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from drivers.simulated.reference import REFERENCE, with_bars
from drivers.simulated.rig import SimulatedRig
from drivers.simulated.world import Reference, World

OPTION = "--device"
SIMULATED = "simulated"


def simulated_rig() -> SimulatedRig:
    """Two bars, so that every kind of device is there."""
    rig = with_bars(REFERENCE, left=True, right=True)
    return SimulatedRig(World(right=Reference("edge")), rig, seed=11)


# A driver of a real rig adds its name and how to open it.
RIGS: dict[str, Callable[[], SimulatedRig]] = {SIMULATED: simulated_rig}


class Passed:
    """Counts the tests that each device passed."""

    def __init__(self) -> None:
        self.counts = dict.fromkeys(RIGS, 0)

    def pytest_runtest_makereport(self, item: pytest.Item, call: pytest.CallInfo[None]) -> None:
        """A test that was skipped, in its setup or later, does not count."""
        callspec = getattr(item, "callspec", None)
        if callspec is not None and call.when == "call" and call.excinfo is None:
            name = callspec.params.get("rig", "")
            self.counts[name] = self.counts.get(name, 0) + 1


def pytest_addoption(parser: pytest.Parser) -> None:
    """--device, once or more."""
    parser.addoption(
        OPTION, action="append", metavar="NAME",
        help=f"device under test ({', '.join(RIGS)}); may be repeated; default {SIMULATED}",
    )  # fmt: skip


def pytest_configure(config: pytest.Config) -> None:
    """A name that nobody knows must not run nothing and call it good."""
    unknown = [name for name in _named(config) if name not in RIGS]
    if unknown:
        raise pytest.UsageError(f"no device {unknown[0]!r} is known; {', '.join(RIGS)} are")
    config.pluginmanager.register(Passed(), "linehold-passed")


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """Every test that asks for a rig runs once on each named one."""
    if "rig" in metafunc.fixturenames:
        names = _named(metafunc.config) or [SIMULATED]
        metafunc.parametrize("rig", names, indirect=True)


@pytest.hookimpl(trylast=True)
def pytest_sessionfinish(session: pytest.Session) -> None:
    """A named device that ran nothing has failed."""
    config = session.config
    passed = config.pluginmanager.get_plugin("linehold-passed")
    if config.option.collectonly or not isinstance(passed, Passed):
        return
    idle = [name for name in _named(config) if not passed.counts[name]]
    if idle:
        print(f"\nFAILED: no test passed on the named device {', '.join(idle)}")
        session.exitstatus = pytest.ExitCode.TESTS_FAILED


def _named(config: pytest.Config) -> list[str]:
    return list(dict.fromkeys(config.getoption(OPTION) or []))


@pytest.fixture
def rig(request: pytest.FixtureRequest) -> SimulatedRig:
    """The rig under test, opened anew for each test."""
    return RIGS[request.param]()
