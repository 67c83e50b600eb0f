"""Words of RS-274 by modal group, and which of them take arguments (NISTIR 6556, Table 4)."""

from __future__ import annotations

# G words times ten, by modal group (NISTIR 6556, Table 4).
GROUP = {
    0: "motion", 10: "motion", 20: "motion", 30: "motion", 40: "wait", 170: "plane",
    200: "units", 210: "units", 900: "distance", 910: "distance",
    901: "arc distance", 911: "arc distance",
    920: "offset", 921: "offset", 922: "offset", 923: "offset",
    # what is so anyway: feed per minute, no offset for a tool's radius or length
    940: "feed mode", 400: "tool radius", 490: "tool length",
}  # fmt: skip
M_GROUP = {2: "end", 30: "end", 3: "spindle", 4: "spindle", 5: "spindle"}
ARGUMENTS = frozenset("XYZIJRPFS")
# Known to the standard, unknown here, and taking no axis words (times ten); on a line with any
# other unknown G word, the axis words belong to it and must not become a move.
TAKE_NO_AXES = frozenset((
    180, 190, 400, 410, 420, 430, 490, 540, 550, 560, 570, 580, 590, 591, 592, 593,
    610, 611, 640, 930, 940, 980, 990,
))  # fmt: skip
# Unknown here and not modal: what was the mode of motion before stays it (Table 4, group 0).
NON_MODAL = frozenset([100, 280, 300, 530])
# M words of the standard, which take no arguments; those of any other belong to it.
PLAIN_M = frozenset([0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 30, 48, 49, 60])
