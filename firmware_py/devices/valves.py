"""The two lift valves from their table."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from functools import partial

from drivers import protocols
from drivers.board_devices import BoardHeld, armed
from drivers.board_devices import BoardValves as BoardValvesDevice
from drivers.errors import DeviceError
from drivers.mixed import Joined
from drivers.samples import ValveCommand
from drivers.valves.driver import DryRunValves as DryRunDevice
from drivers.valves.driver import PwmValves
from drivers.valves.lease import LeaseTeller, RelayPulse
from drivers.valves.outputs import CentredPulse, OnOff, Output, TwoCoils
from firmware_py.devices.shared import Shared
from firmware_py.devices.which import NO_LEASE
from firmware_py.settings import Valves
from firmware_py.settings_valves import (
    MHZ,
    AnyOutput,
    BoardValves,
    Coils,
    DryRunValves,
    Pca9685Valves,
    Pulse,
)

MS, US, PCT = 1e-3, 1e-6, 1e-2


def open_valves(
    table: Valves, shared: Shared, now_s: float
) -> tuple[Joined, protocols.Valves] | None:
    """Real valves, or a dry run; None when they are simulated."""
    match table:
        case Pca9685Valves():
            return _pwm(table, shared, now_s)
        case BoardValves():
            link = shared.link(table.on)
            board = BoardValvesDevice(link)
            told = Joined(
                table.device, board, lambda: f"board {link.identity.hex()}",
                lambda now: _board_wrong(link.why, link.why_off), lambda: link.counts,
                reader=LeaseTeller(table.device, partial(armed, link)), close=link.close,
            )  # fmt: skip
            return told, board
        case DryRunValves():
            dry = DryRunDevice()
            told = Joined(
                table.device, dry, lambda: f"dry run, {_last(dry)}", lambda now: (),
                lambda: Counter(told=len(dry.told)),
            )  # fmt: skip
            return told, dry
    return None


def _last(dry: DryRunDevice) -> str:
    return str(dry.told[-1]) if dry.told else "nothing told"


def _board_wrong(why: str, why_off: str) -> Sequence[str]:
    if why:
        return (why,)
    return (f"the board keeps the valves shut: {why_off}",) if why_off else ()


class BoardHeldValves:
    """A PWM chip whose output-enable the board holds under its own lease."""

    def __init__(self, pwm: PwmValves, held: BoardHeld) -> None:
        self.pwm, self._held = pwm, held

    def write(self, command: ValveCommand) -> None:
        """The board hears what the chip has taken."""
        self._held.command = command
        self.pwm.write(command)

    def neutral(self, now_s: float) -> None:
        """Full off, and the board is told neutral."""
        self._held.command = None
        self.pwm.neutral(now_s)


def _pwm(table: Pca9685Valves, shared: Shared, now_s: float) -> tuple[Joined, protocols.Valves]:
    relay = held = None
    if table.lease == "relay" and table.relay_pin is not None:
        relay = shared.wires.output(table.relay_pin)
    elif table.lease == "board":
        held = BoardHeld(shared.link(table.on))
    else:
        raise DeviceError(NO_LEASE)
    try:
        pwm = PwmValves(
            shared.bus(table.bus), _output(table.left), _output(table.right), lease=table.lease,
            renew=RelayPulse(relay) if relay is not None else held or _nothing,
            age=shared.newest.age_s,
            pwm_hz=table.pwm_hz, oscillator_hz=table.oscillator_mhz * MHZ, address=table.address,
            now_s=now_s,
        )  # fmt: skip
    except OSError:
        if relay is not None:
            relay.close()
        raise

    def close() -> None:
        pwm.close()
        if relay is not None:
            relay.close()

    told = Joined(
        table.device, pwm, lambda: f"PCA9685 at {table.bus} 0x{table.address:02X}, {table.lease}",
        lambda now: (pwm.trouble,) if pwm.trouble else (), lambda: pwm.counts,
        reader=LeaseTeller(table.device, pwm.fed if held is None else _both(pwm, held)),
        close=close,
    )  # fmt: skip
    return told, pwm if held is None else BoardHeldValves(pwm, held)


def _both(pwm: PwmValves, held: BoardHeld) -> Callable[[float], bool]:
    """The chip takes commands, and the board that hears them holds its output-enable."""
    return lambda now_s: armed(held.link, now_s) and pwm.fed(now_s)


def _nothing(now_s: float) -> None:
    """No lease to renew: never reached, as PwmValves refuses such a rig."""


def _output(table: AnyOutput) -> Output:
    if isinstance(table, Coils):
        floor, ceiling = table.floor_pct * PCT, table.ceiling_pct * PCT
        return TwoCoils(table.raise_channel, table.lower_channel, floor, ceiling)
    if isinstance(table, Pulse):
        return CentredPulse(table.channel, table.centre_us * US, table.swing_us * US)
    return OnOff(table.raise_channel, table.lower_channel, table.pulse_ms * MS, table.least_ms * MS)
