"""One listener, as the loop sees it: a socket that is never waited for, and what waits for it."""

from __future__ import annotations

import socket
from collections import deque

WAITING = 64  # frames (not ticks) that are kept for a slow listener
BAD = 50  # frames of nonsense, after which a listener is shown the door


class Peer:
    """Ticks are sent or dropped; answers and notes wait, for a while."""

    __slots__ = ("bad", "dropped", "joined", "keeper", "looks", "name", "socket", "waiting")

    def __init__(self, connection: socket.socket) -> None:
        connection.setblocking(False)
        self.socket = connection
        self.name = ""
        self.joined = self.looks = self.keeper = False
        self.waiting: deque[bytes] = deque(maxlen=WAITING)
        self.dropped = self.bad = 0

    def later(self, data: bytes) -> None:
        """Something that should not be lost; the oldest goes when too much waits."""
        self.dropped += len(self.waiting) == WAITING
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
        """Send now or drop; False when the listener has gone."""
        try:
            self.socket.send(data)
        except BlockingIOError:
            self.dropped += 1
        except OSError:
            return False
        return True

    def close(self) -> None:
        """Let go."""
        self.socket.close()
