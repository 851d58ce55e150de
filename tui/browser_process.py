"""A viewer's dashboard: a process of its own.

Packets to and from the process are Textual's: a letter (D: terminal bytes, M: a JSON object), the
payload's length in four bytes, the payload.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import sys
from asyncio.subprocess import PIPE, Process
from collections.abc import AsyncIterator, Sequence

from tui.browser_talk import Size

DRIVER = "tui.browser_driver:ViewDriver"
READY = b"__GANGLION__\n"  # Textual's first line on standard output
HEAD = 5  # bytes before a payload
MOST_PACKET = 4 * 1024 * 1024  # bytes; a full screen of the largest size has some 500 kB
MOST_WORDS = 2000  # bytes of standard error that are kept
START_S = 15.0  # s for the first picture on a slow computer
HUNG_S = 5.0  # s in which the process takes nothing from a full pipe
LEAVE_S = 5.0  # s for the process to leave by itself on a slow computer; then it is killed


class Dashboard:
    """The process. `packets` yields what it sends until it ends."""

    def __init__(self, process: Process) -> None:
        self._process = process
        self._words = b""
        self._errors = asyncio.create_task(self._keep_words())

    @classmethod
    async def start(cls, argv: Sequence[str], size: Size) -> Dashboard:
        """Start one. OSError when there can be no more processes."""
        width, height = size.within()
        environ = os.environ | {
            "TEXTUAL_DRIVER": DRIVER,
            "TEXTUAL_COLOR_SYSTEM": "truecolor",
            "COLUMNS": str(width),
            "ROWS": str(height),
        }
        # A session of its own: Ctrl-C is for the server, which says goodbye to the pages first.
        process = await asyncio.create_subprocess_exec(
            *argv, stdin=PIPE, stdout=PIPE, stderr=PIPE, env=environ, start_new_session=True
        )
        return cls(process)

    async def _keep_words(self) -> None:
        assert self._process.stderr is not None
        while data := await self._process.stderr.read(4096):
            self._words = (self._words + data)[-MOST_WORDS:]

    async def _drop_output(self) -> None:
        """Else a process whose pipe is full could not leave."""
        assert self._process.stdout is not None
        while await self._process.stdout.read(65536):
            pass

    async def packets(self) -> AsyncIterator[tuple[bytes, bytes]]:
        """Kind and payload, until the process closes its output."""
        out = self._process.stdout
        assert out is not None
        with contextlib.suppress(asyncio.IncompleteReadError, ValueError):
            async with asyncio.timeout(START_S):
                while (line := await out.readline()) != READY:
                    if not line:
                        return
            while True:
                head = await out.readexactly(HEAD)
                length = int.from_bytes(head[1:], "big")
                if length > MOST_PACKET:
                    return
                yield head[:1], await out.readexactly(length)

    async def keys(self, keys: str) -> None:
        """Hand keys on."""
        await self._write(b"D", keys.encode(errors="replace"))

    async def tell(self, **words: object) -> None:
        """Hand a JSON object on."""
        await self._write(b"M", json.dumps(words).encode())

    async def _write(self, kind: bytes, payload: bytes) -> None:
        """TimeoutError when the process takes nothing in any more."""
        pipe = self._process.stdin
        assert pipe is not None
        with contextlib.suppress(ConnectionError):
            pipe.write(kind + len(payload).to_bytes(4, "big") + payload)
            async with asyncio.timeout(HUNG_S):
                await pipe.drain()

    async def end(self) -> str:
        """End it if it has not ended. Says what went wrong with it; '' when it was just left."""
        pipe = self._process.stdin
        assert pipe is not None
        pipe.close()
        rests = [self._errors, asyncio.create_task(self._drop_output())]
        try:
            async with asyncio.timeout(LEAVE_S):
                await self._process.wait()
        except TimeoutError:
            with contextlib.suppress(ProcessLookupError):
                self._process.kill()
            await self._process.wait()
        await asyncio.wait(rests, timeout=LEAVE_S)  # a child of its own may hold them open
        for rest in rests:
            rest.cancel()
        return self._fault()

    def _fault(self) -> str:
        """The last line on standard error of a process that failed."""
        lines = self._words.decode(errors="replace").strip().splitlines()
        code = self._process.returncode
        if code == 0:
            return ""
        return lines[-1].strip()[:200] if lines else f"The dashboard's process failed ({code})."


def argv_of(socket: str, control: bool) -> list[str]:
    """The dashboard's command line. Without control it asks for nothing, and the loop knows.

    Silent: its sound would come out of this computer, once for each viewer.
    """
    looks = [] if control else ["--looks"]
    return [sys.executable, "-m", "tui", socket, "--silent", *looks]
