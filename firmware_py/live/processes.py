"""Starting the processes of a run, and knowing when they have gone."""

from __future__ import annotations

import ctypes
import os
import select
import signal
import subprocess
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path

import msgspec

import firmware_py
from firmware_py.errors import LineholdError

PR_SET_PDEATHSIG = 1  # <sys/prctl.h>
READY, WRONG = b"r", b"!"
MOST = 4096  # bytes of what a process that does not come up can say: PIPE_BUF, so it is whole


class StartError(LineholdError, OSError):
    """A process of the run did not come up."""


def environment() -> dict[str, str]:
    """The package's own folder first on the path, and not the folder where somebody typed."""
    root = str(Path(firmware_py.__file__).resolve().parent.parent)
    path = os.pathsep.join(filter(None, [root, os.environ.get("PYTHONPATH")]))
    return os.environ | {"PYTHONPATH": path}


def start(
    module: str, *arguments: str, plan: object = None, fds: Sequence[int] = (), apart: bool = True
) -> subprocess.Popen[bytes]:
    """Start `python -m module`; plan goes to its standard input as JSON.

    apart: in a session of its own, so that the terminal's Ctrl-C and hang-up reach the keeper
    alone, which ends the processes in order.
    """
    process = subprocess.Popen(
        [sys.executable, "-P", "-m", module, *arguments],
        stdin=None if plan is None else subprocess.PIPE,
        pass_fds=fds,
        env=environment(),
        start_new_session=apart,
    )
    if plan is not None and process.stdin is not None:
        with suppress(BrokenPipeError):  # it died already: whoever waits for it will see
            process.stdin.write(msgspec.json.encode(plan))
            process.stdin.close()
    return process


def wait_ready(fd: int, process: subprocess.Popen[bytes], what: str, timeout_s: float) -> None:
    """Until a process has said that it is ready; StartError when it never does."""
    found, _, _ = select.select([fd], [], [], timeout_s)
    said = os.read(fd, MOST) if found else b""
    if said[:1] == READY:
        return
    end(process, 0.5)
    if said[:1] == WRONG:
        raise StartError(said[1:].decode(errors="replace"))
    why = "ended at once" if found else f"was not ready after {timeout_s:.0f} s"
    raise StartError(f"{what} {why}")


def ready(fd: int) -> None:
    """Said by the process itself."""
    os.write(fd, READY)


@contextmanager
def starting(fd: int) -> Iterator[None]:
    """While the block runs, an error of ours is told to the keeper in its sentence."""
    try:
        yield
    except (LineholdError, OSError) as error:
        os.write(fd, WRONG + str(error).encode()[: MOST - 1])
        sys.exit(1)


def end(process: subprocess.Popen[bytes], patience_s: float) -> int:
    """Ask it to go, and after some patience make it; its exit code."""
    process.terminate()
    try:
        return process.wait(patience_s)
    except subprocess.TimeoutExpired:
        process.kill()
        return process.wait()


def die_with(parent: int) -> None:
    """Have the system send SIGTERM when the keeper dies, however it dies."""
    with suppress(AttributeError, OSError):  # Linux; elsewhere the closed pipes must do
        ctypes.CDLL(None).prctl(PR_SET_PDEATHSIG, signal.SIGTERM)
    if os.getppid() != parent:  # it died before we could ask
        os.kill(os.getpid(), signal.SIGTERM)
