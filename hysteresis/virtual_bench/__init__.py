"""A simulated rig, camera and person with a ruler, for rehearsal and for verification.

Its physics is its own: it imports nothing of the operators, the model or the fit, so that what
is fitted is never tested on itself.
"""

from hysteresis.virtual_bench.camera import TrueCamera, photograph, true_camera
from hysteresis.virtual_bench.drift import Drift, drifted, warmed
from hysteresis.virtual_bench.play import Played, play, spots_of
from hysteresis.virtual_bench.rig import Rig, make_rig
from hysteresis.virtual_bench.ruler import SLIP_KINDS, SlipKind, read_with_ruler, slip_into
from hysteresis.virtual_bench.session import play_after
from hysteresis.virtual_bench.suspensions import SUSPENSIONS, Suspension

__all__ = [
    "SLIP_KINDS",
    "SUSPENSIONS",
    "Drift",
    "Played",
    "Rig",
    "SlipKind",
    "Suspension",
    "TrueCamera",
    "drifted",
    "make_rig",
    "photograph",
    "play",
    "play_after",
    "read_with_ruler",
    "slip_into",
    "spots_of",
    "true_camera",
    "warmed",
]
