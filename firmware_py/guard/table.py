"""The fault table: trigger, response, recovery, and the words that the driver reads.

The order is the order of importance: the first active row gives the reason that is shown.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Response(StrEnum):
    """What a fault does."""

    NEUTRAL = "both valves neutral"
    HOLD = "that end's valve held, the other end led while the crossfall allows"
    EASE = "both ends raised by half the depth of a cut, and told"
    TELL = "told, nothing else"


class Recovery(StrEnum):
    """How automatic comes back."""

    SELF = "by itself, once it has been good for half a second"
    ONCE = "by itself, at once"
    ASK = "the driver engages again"


@dataclass(frozen=True, slots=True)
class Row:
    """One fault: its name, what triggers it, what follows, and the words shown."""

    name: str
    trigger: str
    response: Response
    recovery: Recovery
    words: str


N, H, T = Response.NEUTRAL, Response.HOLD, Response.TELL
SELF, ONCE, ASK = Recovery.SELF, Recovery.ONCE, Recovery.ASK

ROWS: tuple[Row, ...] = (
    Row("clock jumped", "time between two ticks is not above 0, or above 0.5 s", N, ASK,
        "The clock jumped. Valves neutral; engage again."),
    Row("loop late", "a tick comes more than 50 ms after the last", N, SELF,
        "The control loop was late. Valves neutral until it keeps time."),
    Row("not a number", "the controller's own sums are not finite", N, ASK,
        "The controller computed no valid number. Valves neutral; engage again."),
    Row("enable released", "the enable input is not held", N, ASK,
        "Enable is not held. Hold it, then engage."),
    Row("driver inputs silent", "no sample of the driver's inputs for 0.2 s", N, ASK,
        "No signal from the driver's inputs. Check their cable, then engage."),
    Row("inertial silent", "no good inertial sample for 0.05 s", N, SELF,
        "No signal from the inertial sensor. Check its cable."),
    Row("inertial stuck", "the same inertial reading 40 times", N, ASK,
        "The inertial sensor repeats itself. Restart it, then engage."),
    Row("bar silent",
        "no firing of a leading bar's elements for three frames, 0.1 to 0.35 s", N, SELF,
        "No signal from the range bar. Check its cable."),
    Row("bar stuck",
        "most elements repeat a range while the blade moves, oftener than noise could", N, ASK,
        "The range bar repeats itself. Clean or restart it, then engage."),
    Row("speed silent", "no speed for 0.5 s", N, SELF,
        "No speed signal. Check the speed sensor."),
    Row("air silent", "no air temperature for 15 s", N, SELF,
        "No air temperature. Check its sensor."),
    Row("lease not armed",
        "board or relay does not hold the valves ready, or has not said so for 0.3 s", N, SELF,
        "The valves' lease is not armed. Valves neutral until board or relay holds it."),
    Row("hand not sensed",
        "one of the next four rows, on a rig that names no sensing of the hand", N, ASK,
        "Not as commanded, and no hand is sensed here. Switch the automatic off before using the "
        "lever."),
    Row("reference jumped", "the reference comes back 15 mm or more from where the blade left it",
        N, ASK, "The reference jumped. Check the string or edge, then engage."),
    Row("valve does not answer", "commanded motion is not seen by gyro or echoes for 1.5 s", N, ASK,
        "A lift valve does not answer. Check valve, oil and cable, then engage."),
    Row("uncommanded motion", "an end moves faster than the ground can make it for 0.3 s", N, ASK,
        "The blade moves without command. Stop the machine; check the valves."),
    Row("error too large",
        "a led end is further off than the engage limit and 20 mm, or 150 mm while it returns",
        N, ASK,
        "The blade is too far off its target. Bring it near by hand, then engage."),
    Row("check level off", "two check levels in a row are beyond their tolerance", N, ASK,
        "Two check levels were off. Check string, cutting-edge wear and mounting; then engage."),
    Row("crossfall off", "an end is held and the crossfall is beyond its limit", N, ONCE,
        "Held, and the crossfall drifted off. Valves neutral until it is near again."),
    Row("chainage lost",
        "the job has a cover or a pole, and the chainage is not known", N, ASK,
        "Chainage is not known, and the job has obstacles. Mark a pin, then engage."),
    Row("reversing", "the machine moves backwards", N, ONCE,
        "Reversing. Valves neutral; going forward engages anew."),
    Row("no led end", "no end has both a datum and a reference", N, ONCE,
        "No end can be led. Check string, edge and gate; set the datum."),
    Row("reference lost", "an end's reference unseen for longer than coasting may bridge", H, ONCE,
        "Reference out of view: that end is held. Steer back to it."),
    Row("no datum", "an end that should be led has no datum", H, ONCE,
        "No datum: that end is held. Set its datum."),
    Row("overload", "in a cut or with a valve at its cap, slower than 60 % of the usual for 0.6 s",
        Response.EASE, SELF, "Overload: the blade is eased up until the speed is back."),
    Row("far bar off", "a second bar's reference is within 20 mm of the bar's view", T, SELF,
        "The other bar is about to lose its reference. Steer."),
    Row("slope check due",
        "10 K or 2 engaged hours since the last slope check, where one is on file", T, SELF,
        "The slope check is due. At the next halt: linehold check slope."),
    Row("samples dropped", "samples were refused in the last second", T, SELF,
        "Some samples were refused. Look at health."),
)  # fmt: skip

BY_NAME = {row.name: row for row in ROWS}
