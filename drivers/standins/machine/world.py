"""What goes on round the board's pins: instants, interrupts, echoes, and the record of it all."""

import _thread
import os
import time

import micropython  # type: ignore[import-not-found]

ticks_us = time.ticks_us  # type: ignore[attr-defined]
ticks_diff = time.ticks_diff  # type: ignore[attr-defined]
ticks_add = time.ticks_add  # type: ignore[attr-defined]
sleep_us = time.sleep_us  # type: ignore[attr-defined]

PAUSE_US = 200  # between looks at what is due
REST_US = 200  # of the main program when it is idle
LATE_US = 1000  # later interrupts and longer turns are put down: this computer was busy
FIRST_TRIGGER, FIRST_EAR, ELEMENTS = 2, 7, 5  # the scene's wiring, as docs/board.md has it


def _numbers(text: str, mark: str) -> list[int]:
    return [int(word) for word in text.split(mark) if word]


class World:
    """One thread: timers, edges and the watchdog, in the order in which they fall due."""

    def __init__(self) -> None:
        self.timers: list = []  # type: ignore[type-arg]
        self.handlers: dict = {}  # type: ignore[type-arg]  # pin: what its rising edge calls
        self.watchdogs: list = []  # type: ignore[type-arg]
        self._turn_at = ticks_us()
        self.levels: dict[int, int] = {}
        self._edges: list[tuple[int, int]] = []  # instant, pin
        self._lock = _thread.allocate_lock()
        scene = os.getenv("LINEHOLD_MACHINE_ECHOES") or ""
        self._flights = [_numbers(part, ",") for part in scene.split(";")]
        for pin in _numbers(os.getenv("LINEHOLD_MACHINE_INPUTS") or "", ","):
            self.levels[pin] = 0
        self._log = open(os.getenv("LINEHOLD_MACHINE_LOG") or "/dev/null", "w")  # noqa: SIM115

    def start(self) -> None:
        _thread.start_new_thread(self._run, ())

    def note(self, what: str, value: int, at=None) -> None:  # type: ignore[no-untyped-def]
        """Into the record. The instant comes first: the writing may take its time."""
        at = ticks_us() if at is None else at
        with self._lock:
            self._log.write(f"{at} {what} {value}\n")
            self._log.flush()

    def outside(self, what: str, value: int, locked: bool) -> None:
        """As `note`, also from an interrupt, where the program itself may not allocate."""
        if locked:
            micropython.heap_unlock()
        self.note(what, value)
        if locked:
            micropython.heap_lock()

    def turned(self) -> None:
        """The main program has done one turn and rests."""
        took = ticks_diff(ticks_us(), self._turn_at)
        if took > LATE_US:
            self.note("turn", took)
        sleep_us(REST_US)
        self._turn_at = ticks_us()

    def pulsed(self, pin: int) -> None:
        """A trigger rose: its echoes will come."""
        element = pin - FIRST_TRIGGER
        if 0 <= element < min(ELEMENTS, len(self._flights)):
            now, ear = ticks_us(), FIRST_EAR + element
            self.note(f"trigger{element}", 1)
            due = [(ticks_add(now, flight), ear) for flight in self._flights[element]]
            with self._lock:
                self._edges += due

    def _run(self) -> None:
        while True:
            sleep_us(PAUSE_US)
            self._ring()
            self._echo()
            for watchdog in self.watchdogs:
                watchdog.look()

    def _ring(self) -> None:
        for timer in self.timers:
            due = timer.due
            if ticks_diff(ticks_us(), due) >= 0:
                timer.due = ticks_add(due, timer.period_us)
                if ticks_diff(ticks_us(), timer.due) > timer.period_us:  # this computer was away
                    timer.due = ticks_us()
                self._interrupt(timer.callback, timer)
                late = ticks_diff(ticks_us(), due)  # also while the callback ran
                if late > LATE_US:
                    self.note("late", late)

    def _echo(self) -> None:
        now = ticks_us()
        with self._lock:
            due = [edge for edge in self._edges if ticks_diff(now, edge[0]) >= 0]
            self._edges = [edge for edge in self._edges if ticks_diff(now, edge[0]) < 0]
        for _, pin in due:
            came = ticks_us()
            if pin in self.handlers:
                self._interrupt(self.handlers[pin], pin)
            self.note(f"echo{pin - FIRST_EAR}", 1, came)

    def _interrupt(self, handler, argument) -> None:  # type: ignore[no-untyped-def]
        micropython.heap_lock()
        try:
            handler(argument)
        finally:
            micropython.heap_unlock()


world = World()
