"""Which devices the tests run on, and that a named back was really tested.

Backs: `simulated`; `stand-ins`, in memory and on virtual time; `terminals`, the same behind
pyserial on pseudo-terminals and this computer's clock (the board's own program stands behind one in
tests/test_board_micropython.py); and `hardware` by --rig.
Without an option the first two are run.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from drivers.errors import DeviceError
from firmware_py.errors import LineholdError
from hil_tests import simulated, standin_bars, standin_parts, standin_valves
from hil_tests.bench import Bench

KINDS = ("bar", "inertial", "inputs", "motion", "valves", "rig")
BACKS: dict[str, dict[str, dict[str, Any]]] = {
    "simulated": {
        "bar": simulated.BARS, "inertial": simulated.INERTIAL, "inputs": simulated.INPUTS,
        "motion": simulated.MOTION, "valves": simulated.VALVES,
        "rig": {"rig": simulated.simulated_rig},
    },
    "stand-ins": {
        "bar": standin_bars.BARS, "inertial": standin_parts.INERTIAL,
        "inputs": standin_parts.INPUTS, "motion": standin_parts.MOTION,
        "valves": standin_valves.VALVES, "rig": {},
    },
    "terminals": {
        "bar": standin_bars.ON_TERMINALS, **standin_parts.ON_TERMINALS, "valves": {}, "rig": {},
    },
}  # fmt: skip
HARDWARE = "hardware"
HERE = Path(__file__).parent
DEFAULT = ("simulated", "stand-ins")


class Passed:
    """Counts the tests that each back passed."""

    def __init__(self) -> None:
        self.counts: Counter[str] = Counter()

    def pytest_runtest_makereport(self, item: pytest.Item, call: pytest.CallInfo[None]) -> None:
        """A test that was skipped, in its setup or later, does not count; nor do other folders'."""
        callspec = getattr(item, "callspec", None) if HERE in item.path.parents else None
        if callspec is not None and call.when == "call" and call.excinfo is None:
            for kind in KINDS:
                if kind in callspec.params:
                    self.counts[callspec.params[kind][0]] += 1


def pytest_addoption(parser: pytest.Parser) -> None:
    """--back, once or more; --rig."""
    parser.addoption(
        "--back", action="append", metavar="NAME", choices=sorted(BACKS),
        help=f"what to test ({', '.join(BACKS)}); repeatable; default: {' and '.join(DEFAULT)}",
    )  # fmt: skip
    parser.addoption(
        "--rig", metavar="RIG.toml", help="test the real devices of this rig file, and nothing else"
    )
    parser.addoption(
        "--valves", action="store_true",
        help="with --rig: the valves may be driven; their supply is off, nobody is near",
    )  # fmt: skip


def pytest_configure(config: pytest.Config) -> None:
    """The counter of what was passed; the hardware, where it is named."""
    config.pluginmanager.register(Passed(), "linehold-passed")
    if named := config.getoption("--rig"):
        from hil_tests.hardware import benches

        try:
            BACKS[HARDWARE] = benches(Path(named))
        except (LineholdError, OSError) as error:
            raise pytest.UsageError(f"--rig {named}: {error}") from error


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """Every test that asks for a kind of device runs once on each of it in each back."""
    for kind in KINDS:
        if kind in metafunc.fixturenames:
            backs = _backs(metafunc.config)
            found = [(back, name) for back in backs for name in BACKS[back][kind]]
            ids = [f"{back}:{name}" for back, name in found]
            why = pytest.mark.skip(reason=f"{' and '.join(backs)}: no {kind} there")
            nothing = [pytest.param(("", ""), marks=why, id="none")]
            metafunc.parametrize(kind, found or nothing, ids=ids or None, indirect=True)


@pytest.hookimpl(trylast=True)
def pytest_sessionfinish(session: pytest.Session) -> None:
    """A named back that passed nothing has failed; tests that were skipped prove nothing."""
    config = session.config
    passed = config.pluginmanager.get_plugin("linehold-passed")
    if config.option.collectonly or not isinstance(passed, Passed):
        return
    named = [HARDWARE] if config.getoption("--rig") else config.getoption("--back") or []
    idle = [name for name in dict.fromkeys(named) if not passed.counts[name]]
    if idle:
        print(f"\nFAILED: no test passed on the named back {', '.join(idle)}")
        session.exitstatus = pytest.ExitCode.TESTS_FAILED


def _backs(config: pytest.Config) -> list[str]:
    if config.getoption("--rig"):
        return [HARDWARE]
    return list(dict.fromkeys(config.getoption("--back") or DEFAULT))


def _opened(request: pytest.FixtureRequest, kind: str) -> Iterator[Bench]:
    back, name = request.param
    if kind == "valves" and back == HARDWARE and not request.config.getoption("--valves"):
        pytest.skip("these tests drive the valves, and --valves does not say that nothing can move")
    try:
        bench = BACKS[back][kind][name]()
    except DeviceError as error:
        pytest.fail(f"{back}:{name} cannot be opened: {error}")
    bench.name = f"{back}:{name}"
    yield bench
    bench.close()


@pytest.fixture
def bar(request: pytest.FixtureRequest) -> Iterator[Bench]:
    """A range bar, opened anew for each test."""
    yield from _opened(request, "bar")


@pytest.fixture
def inertial(request: pytest.FixtureRequest) -> Iterator[Bench]:
    """An inertial sensor."""
    yield from _opened(request, "inertial")


@pytest.fixture
def inputs(request: pytest.FixtureRequest) -> Iterator[Bench]:
    """The driver's inputs."""
    yield from _opened(request, "inputs")


@pytest.fixture
def motion(request: pytest.FixtureRequest) -> Iterator[Bench]:
    """Way and speed."""
    yield from _opened(request, "motion")


@pytest.fixture
def valves(request: pytest.FixtureRequest) -> Iterator[Bench]:
    """The two lift valves."""
    yield from _opened(request, "valves")


@pytest.fixture
def rig(request: pytest.FixtureRequest) -> Iterator[Any]:
    """A whole rig."""
    back, name = request.param
    opened = BACKS[back]["rig"][name]()
    yield opened
    opened.close()
