"""Close somebody else's plant round Linehold's controller: samples in, tick out, time passed in.

A blade of 1.8 m over a string: two ends that follow their valves after 80 ms, and ground that sinks
by 2 mm/s under the left track. It stands first, so that the gyro's bias is known. Nothing simulated
is used: put your own machine in its place. Run: python examples/own_plant.py
"""

from collections import deque

from drivers import samples as s
from firmware_py.controller import Controller
from firmware_py.messages import Engage, SetDatum, Side
from firmware_py.settings_file import find_rig, load_rig

TICK, STAND, SOUND, OK = 0.01, 2.5, 343.2, s.Validity.OK  # s, s, m/s at 20 C


class Plant:
    """Heights of the two ends over their targets, m; commands act after the dead time."""

    def __init__(self) -> None:
        self.left = self.right = self.rolling = 0.0  # m, m, rad/s
        self.pipe = deque([(0.0, 0.0)] * 8)
        self.element = 0

    def move(self, left: float, right: float, drives: bool) -> None:
        self.pipe.append((left, right))
        left, right = self.pipe.popleft()
        rates = 0.1 * left - 0.002 * drives, 0.1 * right  # m/s; full command: 100 mm/s
        self.left, self.right = self.left + rates[0] * TICK, self.right + rates[1] * TICK
        self.rolling = (rates[0] - rates[1]) / 1.8

    def samples(self, now: float) -> list[s.AnySample]:
        lean = (self.left - self.right) / 1.8  # against the crossfall of 2 % that the rig asks for
        side = 9.81 * (0.02 + lean)  # of gravity, along the blade
        down = 9.81 + 0.1 * (13.7 * now % 1 - 0.5)  # the engine shakes it
        self.element = (self.element + 1) % 5
        off = (self.element - 2) * 0.075  # m along the bar, which stands 0.3 m outside the left end
        clear = 0.6 + self.left + 0.3 * lean  # of the bar over its string; the ground 0.15 m lower
        ranges = [(clear**2 + off**2) ** 0.5] * (abs(off) < 0.1) + [clear + 0.15]
        fired = now - 0.02
        echoes = tuple(s.Echo(fired + r / SOUND, 2 * r / SOUND) for r in ranges)
        return [
            s.InertialSample("inertial", now, OK, 0, side, down, self.rolling, 0, 0, 20),
            s.RangePing("bar.left", fired, OK, self.element, echoes),
            s.MotionSample("motion", now, OK, 0.5 * (now > STAND), 0.5 * max(now - STAND, 0.0)),
            s.AirSample("air", now, OK, 20),
            s.DriverSample("driver", now, OK, True, False, False),
        ]


plant, controller = Plant(), Controller(load_rig(find_rig("reference")))
requests = {240: [SetDatum(1, Side.LEFT)], 241: [Engage(2)]}
for n in range(3250):
    tick = controller.step(n * TICK, plant.samples(n * TICK), requests.get(n, ()))
    plant.move(controller.command.left, controller.command.right, n * TICK > STAND)
    if n % 300 == 0 or tick.answers:
        print(f"{tick.time_s:5.2f} s  {tick.mode}: {tick.why}  left {plant.left * 1e3:+.1f} mm")
print(f"left end: {plant.left * 1e3:+.1f} mm after 30 s of way on ground that sank by 60 mm")
