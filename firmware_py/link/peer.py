"""One listener, as the loop sees it: a socket that is never waited for, and what waits for it."""

from __future__ import annotations

import socket
from collections import deque

WAITING = 64  # frames (not ticks) that are kept for a slow listener
BAD = 50  # frames of nonsense, after which a listener is shown the door


class Tally:
    """Frames that listeners were too slow for, all together."""

    __slots__ = ("dropped",)

    def __init__(self) -> None:
        self.dropped = 0


class Peer:
    """Ticks are sent or dropped; answers and notes wait, for a while."""

    __slots__ = ("bad", "joined", "keeper", "looks", "name", "socket", "tally", "waiting")

    def __init__(self, connection: socket.socket, tally: Tally) -> None:
        connection.setblocking(False)
        self.socket, self.tally = connection, tally
        self.name = ""
        self.joined = self.looks = self.keeper = False
        self.waiting: deque[bytes] = deque(maxlen=WAITING)
        self.bad = 0

    def later(self, data: bytes) -> None:
        """Something that should not be lost; the oldest goes when too much waits."""
        self.tally.dropped += len(self.waiting) == WAITING
        self.waiting.append(data)

    def flush(self) -> bool:
        """Send what waits, as far as there is room; False when the listener has gone."""
        waiting = self.waiting
        try:
            while waiting:
                self.socket.send(waiting[0])
                waiting.popleft()
        except BlockingIOError:
            return True
        except OSError:
            return False
        return True

    def put(self, data: bytes) -> bool:
        """What waits first, then this now or never; False when the listener has gone."""
        if not self.flush():
            return False
        if self.waiting:
            self.tally.dropped += 1
            return True
        try:
            self.socket.send(data)
        except BlockingIOError:
            self.tally.dropped += 1
        except OSError:
            return False
        return True

    def close(self) -> None:
        """Let go."""
        self.socket.close()
