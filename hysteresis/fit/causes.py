"""Causes of what a recording shows: which unknown belongs to which, and why two look alike."""

from __future__ import annotations

from hysteresis.optics import FREE as OPTICS

_KINDS = {"k1": "spring", "k2": "spring", "k3": "spring", "damping": "dynamics",
          "inertia": "dynamics", "droop": "drive chain", "lag": "drive chain",
          "saturation": "drive chain"}  # fmt: skip
_STARTS = {"branch": "after-effect", "history": "history", "heat": "heating"}


def block_of(name: str) -> tuple[str, str]:
    """Axis ('x', 'y' or '' for both) and block of an unknown, by its name."""
    if name.startswith("offset_"):
        return name.split("_")[1], "zero"
    if name in OPTICS:
        return "", "optics"
    if name.startswith("clock"):
        return "", "clock"
    if name.startswith("drift"):
        return name.split("_")[1], "drift"
    axis, _, part = name.partition("_")
    if part in _KINDS:
        return axis, _KINDS[part]
    for start, block in _STARTS.items():
        if part.startswith(start):
            return axis, block
    return axis, "friction memory"  # the unknowns of whichever rate-independent memory was chosen


_REASONS = {
    frozenset(("after-effect", "friction memory")):
        "both leave the spot on the side it came from; only dwells and waits of different length, "
        "or conditioning after a dwell, tell them apart",
    frozenset(("after-effect", "drive chain")):
        "droop of the output and creep fade alike unless dwells of several lengths are each "
        "watched for several lengths of time",
    frozenset(("after-effect", "history")):
        "creep from before the pattern fades as its own does; a rest before the pattern helps",
    frozenset(("after-effect", "heating")):
        "both grow while a drive is held; heat has the same sign on both sides, so long dwells "
        "are needed on both",
    frozenset(("after-effect", "spring")):
        "what relaxes more slowly than the longest dwell acts as a spring",
    frozenset(("after-effect", "dynamics")):
        "damping and the fastest creep both lag by less than a frame",
    frozenset(("after-effect", "zero")):
        "creep that has not faded by the end looks like another zero",
    frozenset(("friction memory", "spring")):
        "elements that never slip act as a spring; larger reversals make them slip",
    frozenset(("friction memory", "drive chain")):
        "sweeps at one speed do not tell a loop of friction from a lag of the output",
    frozenset(("dynamics", "clock")): "the lag of damping looks like a late camera clock",
    frozenset(("drive chain", "clock")): "a late output looks like a late camera clock",
    frozenset(("history", "zero")):
        "creep from before that does not fade within the pattern looks like another zero",
    frozenset(("heating", "spring")): "the coil was never cold, or never warm, for long enough",
    frozenset(("after-effect", "optics")):
        "slow creep, spring and scale of the picture trade with each other; only the bend of the "
        "field tells them apart",
    frozenset(("spring", "optics")):
        "a stiffer spring and a nearer plane shift the spot alike; only the bend of the field "
        "tells them apart",
}  # fmt: skip


def reason(name: str, other: str) -> str:
    """Why two causes look alike, in plain words (see the table of causes in the manual)."""
    return _REASONS.get(
        frozenset((name, other.split(" of ")[0])),
        "their effects on this recording run nearly parallel",
    )
