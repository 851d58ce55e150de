"""The reference rig's true values, each with unit and source. SI units, radians, seconds.

Signs: x forward, y left, z up; a bar's element 0 is its right (or rear, when turned). A source
is a datasheet by name (typical figures, from memory), a standard, "specified" (given to the project
as the rig to build for), or "chosen".
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

G = 9.80665  # m/s2, standard gravity (CGPM 1901)
NOMINAL_SOUND = 343.2  # m/s at 20 C (ISO 9613-1): what a ranger's own firmware assumes


@dataclass(frozen=True)
class BladeTruth:
    """The box blade and how it hangs on the machine."""

    width_m: float = 1.8  # specified
    ahead_m: float = 1.2  # specified: cutting edge ahead of the track centre
    cylinder_half_m: float = 0.6  # chosen: cylinders at +-0.6 m, inboard of the ends
    stroke_m: float = 0.2  # chosen: lift each way from the plane the tracks stand on
    box_m3: float = 0.25  # chosen: soil that the box holds before it spills


@dataclass(frozen=True)
class TracksTruth:
    """The two tracks."""

    gauge_m: float = 1.2  # specified
    length_m: float = 1.4  # specified: contact length
    width_m: float = 0.25  # chosen
    points_along: int = 15  # chosen: support points along each track
    points_across: int = 3  # chosen
    slip_rad: float = math.radians(0.3)  # chosen: rms slip angle
    slip_length_m: float = 3.0  # chosen: its correlation length
    slip_smooth_m: float = 0.3  # chosen: and the shortest distance over which it changes
    yaw_lag_s: float = 0.15  # chosen: from the driver's lever to the yaw rate


@dataclass(frozen=True)
class BarTruth:
    """A bar of range elements and all that is wrong with their echoes."""

    elements: int = 5  # specified
    spacing_m: float = 0.075  # specified
    outside_m: float = 0.3  # specified: bar middle outside the blade end
    clearance_m: float = 0.6  # specified: above the reference, blade on its target
    turned: bool = False  # elements along travel instead of across
    interval_s: float = 0.008  # specified: elements fire one by one
    latency_s: float = 0.020  # specified: from reflection until readable
    listen_s: float = 0.007  # chosen: no echo by then is none (1.2 m)
    half_angle_rad: float = math.radians(12.0)  # specified: beam
    noise_m: float = 0.001  # specified: 1 sigma at noise_at_m, in proportion to range
    noise_at_m: float = 0.6  # specified
    step_m: float = 0.001  # specified: resolution, at NOMINAL_SOUND
    max_echoes: int = 3  # chosen
    merge_m: float = 0.034  # 8 cycles at 40 kHz (chosen length of the burst), as range
    dropout: float = 0.05  # specified: share of firings without any echo
    dropout_burst: float = 3.0  # chosen: mean length of a burst, firings of one element
    cluster_total_s: float = 3.0  # specified: the whole bar silent, summed over a run
    cluster_min_s: float = 0.08  # chosen
    cluster_max_s: float = 0.25  # chosen: about the longest coast that stays accurate
    late: float = 0.01  # specified: share of echoes detected late
    late_min_m: float = 0.020  # chosen
    late_max_m: float = 0.120  # chosen
    slip: float = 0.01  # specified: share of echoes one cycle off
    slip_m: float = 0.0043  # specified: a 40 kHz cycle as range
    reflector_m: float | None = None  # a fixed target in the view of one element
    reflector_element: int = 0


@dataclass(frozen=True)
class InertialTruth:
    """The inertial sensor on the blade's middle."""

    rate_hz: float = 200.0  # specified
    latency_s: float = 0.002  # chosen: one bus transfer
    height_m: float = 0.4  # chosen: above the cutting edge
    accel_density: float = 70e-6 * G  # m/s2/sqrt(Hz); datasheet LSM6DSO, 70 ug/sqrt(Hz)
    gyro_density: float = math.radians(3.8e-3)  # rad/s/sqrt(Hz); datasheet LSM6DSO, 3.8 mdps
    accel_bias: float = 0.3e-3 * G  # m/s2, 1 sigma left after tilt zero; chosen
    gyro_bias: float = math.radians(0.3)  # rad/s, 1 sigma; chosen
    accel_walk: float = 2e-6 * G  # m/s2/sqrt(s); chosen: 0.02 mg over 100 s
    gyro_walk: float = math.radians(5e-4)  # rad/s/sqrt(s); chosen: 0.005 deg/s over 100 s
    accel_per_k: float = 0.1e-3 * G  # m/s2/K; datasheet LSM6DSO, 0.1 mg/K, sign by chance
    gyro_per_k: float = math.radians(0.01)  # rad/s/K; datasheet LSM6DSO, 10 mdps/K
    warm_up_k: float = 20.0  # specified
    warm_up_s: float = 300.0  # chosen: time constant
    on_s: float = 0.0  # switched on so long before its zero was taken and the run began
    start_c: float = 18.0  # chosen
    yaw_rad: float = math.radians(1.0)  # specified: mounting yaw, sensor turned left
    engine_hz: float = 27.0  # chosen: 1600 rev/min; the second line is twice that
    engine_rms: float = 0.7  # m/s2 rms, all axes together; chosen
    engine_gyro_rms: float = math.radians(0.4)  # rad/s rms, each axis; chosen
    engine_phase: float = 1.5  # rad/sqrt(s), random walk of phase; chosen
    broad_accel: float = 0.12  # m/s2 rms each axis, rattle; chosen
    broad_gyro: float = math.radians(0.15)  # rad/s rms each axis; chosen


@dataclass(frozen=True)
class ValveTruth:
    """Two lift valves on one pump. Rates at the cutting edge, both ends moving together."""

    up_mps: float = 0.090  # specified
    down_mps: float = 0.120  # specified
    overlap: float = 0.12  # specified: of full command, no oil below it
    dead_time_s: float = 0.080  # specified
    lag_s: float = 0.050  # specified: first order, from spool opening to oil flow
    pump: float = 1.5  # chosen: valves at full that the pump can feed
    lease_s: float = 0.200  # design: without a fresh command both shut
    # On/off valves in place of proportional ones: then dead_time_s is the line's alone. Up, down.
    on_off: bool = False
    # chosen within the 25 to 45 ms and 10 to 25 ms that datasheets of directional valves of size 6
    # (ISO 4401-03) with direct-current coils have for switching on and off (from memory)
    pull_in_s: tuple[float, float] = (0.035, 0.030)
    let_go_s: tuple[float, float] = (0.020, 0.015)


@dataclass(frozen=True)
class AirTruth:
    """The air, and the thermometer near the bar."""

    rate_hz: float = 2.0  # chosen
    noise_k: float = 0.2  # chosen: 1 sigma
    lag_s: float = 30.0  # chosen: a shaded housing
    start_c: float = 17.0  # chosen
    drift_k: float = 2.0  # chosen: over one run, up or down by chance


@dataclass(frozen=True)
class MotionTruth:
    """Speed and distance over ground, from the tracks."""

    rate_hz: float = 50.0  # chosen
    noise_mps: float = 0.01  # chosen: 1 sigma
    latency_s: float = 0.0  # chosen


@dataclass(frozen=True)
class HumanTruth:
    """The person who drives. Stable at 0.5 and 1.0 m/s with the bar 1.2 m ahead (tested)."""

    inputs_hz: float = 50.0  # chosen: enable and lever switches
    delay_s: float = 0.7  # specified: from cue to hand
    gain: float = 0.25  # rad/s per m of lateral; chosen: 40 deg of phase margin at 1 m/s
    lead_s: float = 1.0  # chosen: how far ahead the person judges where the cue is heading
    smooth_s: float = 0.2  # chosen: the eye's average
    accel_mps2: float = 0.5  # chosen
    speed_noise: float = 0.02  # chosen: share of the wanted speed, slow
    speed_noise_s: float = 4.0  # chosen: its correlation time


@dataclass(frozen=True)
class RigTruth:
    """A whole rig as it truly is; the controller's rig file may believe otherwise."""

    blade: BladeTruth = field(default_factory=BladeTruth)
    tracks: TracksTruth = field(default_factory=TracksTruth)
    left_bar: BarTruth | None = field(default_factory=BarTruth)
    right_bar: BarTruth | None = None
    inertial: InertialTruth = field(default_factory=InertialTruth)
    valves: ValveTruth = field(default_factory=ValveTruth)
    air: AirTruth = field(default_factory=AirTruth)
    motion: MotionTruth = field(default_factory=MotionTruth)
    human: HumanTruth = field(default_factory=HumanTruth)
    valve_speed_factor: float = 1.0  # the rig file does not know this
    extra_dead_time_s: float = 0.0  # nor this


REFERENCE = RigTruth()

MODEST_BAR = replace(
    BarTruth(),
    interval_s=1.0 / 35.0,  # specified: 7 frames/s of five
    noise_m=0.003,  # specified
    max_echoes=1,  # specified
)
MODEST = RigTruth(left_bar=MODEST_BAR)


def with_bars(rig: RigTruth, *, left: bool, right: bool, turned: bool = False) -> RigTruth:
    """The same rig with a bar at either end, both made like the one it has."""
    pattern = rig.left_bar or rig.right_bar or BarTruth()
    bar = replace(pattern, turned=turned)
    return replace(rig, left_bar=bar if left else None, right_bar=bar if right else None)
