"""What everybody is told before anything moves."""

from __future__ import annotations

CAUTIONS = (
    "Linehold is a prototype and certified by nobody. It can move the blade without warning.",
    "Keep everybody away from the blade and the machine while it runs.",
    "Know the machine's manual. Local rules and licensed practice come first.",
    "Be able to shut off the hydraulics by hand at any moment.",
)
SHORT = "Prototype, uncertified: keep people away from the machine."
READ_S = 4.0  # s; nothing moves before the cautions have stood on the screen for so long
