"""What devices share while they are opened: a bus that carries several chips, a board's cable."""

from __future__ import annotations

from collections.abc import Callable

from drivers.board_devices import BoardBar, BoardInertial, BoardInputs
from drivers.board_link import BoardLink
from drivers.errors import DeviceError
from drivers.i2c import Bus
from drivers.mixed import GatedBar, Joined
from drivers.valves.fresh import Newest
from drivers.wires import Wires
from firmware_py.settings import Rig

BOARD_S = 3.0  # for a board to answer and for its clock to be mapped
LOOK_S = 0.005


def on_board(
    name: str,
    link: BoardLink,
    device: BoardBar | BoardInertial | BoardInputs,
    adds: str = "",
    bar: GatedBar | None = None,
) -> Joined:
    """A device that a board reads: what is told of it is told of the board and its cable."""
    return Joined(
        name, device, lambda: f"board {link.identity.hex()}{adds}",
        lambda now_s: (link.why,) if link.why else (), lambda: link.counts,
        reader=device, bar=bar, dead=device.dead,
    )  # fmt: skip


class Shared:
    """Each bus and each board is opened once, whoever names it. newest: what the valves ask."""

    def __init__(self, rig: Rig, wires: Wires) -> None:
        self.rig, self.wires = rig, wires
        self._buses: dict[str, Bus] = {}
        self._links: dict[str, BoardLink] = {}
        self.newest = Newest(wires.clock)

    def bus(self, path: str) -> Bus:
        """The bus at a path."""
        return self._buses.setdefault(path, Bus(path, self.wires.bus))

    def link(self, name: str) -> BoardLink:
        """The cable to a board of [boards], greeted and with its clock mapped."""
        if name not in self._links:
            board, wires = self.rig.boards[name], self.wires
            wanted = None if board.identity is None else bytes.fromhex(board.identity)
            link = BoardLink(
                board.port, board.baud, usb=board.usb, identity=wanted, opener=wires.line,
                clock=wires.clock,
            )  # fmt: skip
            self._links[name] = link
            self._wait(lambda: link.why, link, name)
        return self._links[name]

    def _wait(self, why: Callable[[], str], link: BoardLink, name: str) -> None:
        wires = self.wires
        until = wires.clock() + BOARD_S
        while wires.clock() < until:
            link.step(wires.clock())
            if not why():
                return
            wires.wait(LOOK_S)
        raise DeviceError(f"boards.{name}: {why()}")

    def close(self) -> None:
        """Let go of all of them."""
        for link in self._links.values():
            link.close()
        for bus in self._buses.values():
            bus.close()
