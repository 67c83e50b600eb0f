"""What the toolkit says about safety, wherever a person could come to harm by its output.

The same sentences stand in the README, on the reading sheet, in every report, and beside every
command that writes an output signal. They are kept here once, so that they cannot drift apart.
"""

from __future__ import annotations

CAUTIONS: tuple[str, ...] = (
    "A beam that stands still is far more dangerous than one that moves, and these patterns hold "
    "it still for seconds at a time.",
    "Follow the rules for the laser class of your rig, IEC 60825-1 and the rules of the place "
    "you work in.",
    "Use the lowest power that the camera still sees, eyewear matched to the wavelength, "
    "an enclosure, and an interlock that stops the beam.",
    "Long holds heat the coils: stay near, feel for warmth, and stop when a coil gets hot.",
    "Photopolymers need gloves and good ventilation.",
    "This toolkit measures and corrects a position; it judges no safety. Qualified advice "
    "decides, not this tool.",
)


def caution_line() -> str:
    """Return the cautions in one line, for the end of a command that writes an output signal."""
    return (
        "Caution: a beam held still is the most dangerous one; lowest power, matched eyewear, "
        "enclosure and interlock, IEC 60825-1 and local rules; mind hot coils; gloves and "
        "ventilation with photopolymers; qualified advice decides, not this tool."
    )
