"""Close somebody else's plant round Linehold's controller: samples in, tick out, time passed in.

The plant here is as plain as can be: a blade of 1.8 m over a string, two ends that
follow their valves after 80 ms, and ground that sinks by 4 mm/s under the left track. Put your
own machine, simulator or bench in its place. Nothing of drivers/simulated is used.
Run: python examples/own_plant.py
"""

from collections import deque

from drivers.samples import (
    AirSample,
    DriverSample,
    Echo,
    InertialSample,
    MotionSample,
    RangePing,
    Validity,
)  # fmt: skip
from firmware_py.controller import Controller
from firmware_py.messages import Engage, SetDatum, Side
from firmware_py.settings_file import find_rig, load_rig

TICK, SOUND, OK = 0.01, 343.2, Validity.OK  # s, m/s at 20 C


class Plant:
    """Heights of the two ends over their targets, m; commands act after the dead time."""

    def __init__(self) -> None:
        self.left = self.right = 0.0
        self.rolling = 0.0  # rad/s
        self.pipe = deque([(0.0, 0.0)] * 8)
        self.element = 0

    def move(self, left: float, right: float) -> None:
        self.pipe.append((left, right))
        left, right = self.pipe.popleft()
        rates = 0.1 * left - 0.004, 0.1 * right  # m/s; full command: 100 mm/s
        self.left, self.right = self.left + rates[0] * TICK, self.right + rates[1] * TICK
        self.rolling = (rates[0] - rates[1]) / 1.8

    def samples(self, now: float) -> list:
        lean = (self.left - self.right) / 1.8  # against the crossfall of 2 % that the rig asks for
        fall = 0.02 + lean  # of the blade, to the right
        self.element = (self.element + 1) % 5
        off = (self.element - 2) * 0.075  # m along the bar, which stands 0.3 m outside the left end
        flight = 2 * ((0.6 + self.left + 0.3 * lean) ** 2 + off**2) ** 0.5 / SOUND
        seen = (Echo(now - flight / 2, flight),) if abs(off) < 0.1 else ()
        return [
            InertialSample("inertial", now - 0.001, OK, 0, 9.81 * fall, 9.81, self.rolling, 0, 0, 20),
            RangePing("bar.left", now - flight, OK, self.element, seen),
            MotionSample("motion", now, OK, 0.5, 0.5 * now),
            AirSample("air", now, OK, 20.0),
            DriverSample("driver", now, OK, True, False, False),
        ]


plant, controller = Plant(), Controller(load_rig(find_rig("reference")))
requests = {40: [SetDatum(1, Side.LEFT)], 41: [Engage(2)]}
for n in range(3000):
    tick = controller.step(n * TICK, plant.samples(n * TICK), requests.get(n, ()))
    plant.move(controller.command.left, controller.command.right)
    if n % 300 == 0 or tick.answers:
        print(f"{tick.time_s:5.2f} s  {tick.mode}: {tick.why}  left {plant.left * 1e3:+.1f} mm")
print(f"left end: {plant.left * 1e3:+.1f} mm after 30 s on ground that sank by 120 mm")
