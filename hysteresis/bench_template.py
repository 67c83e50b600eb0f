"""The commented bench.toml that `hysteresis new` writes. It is valid as it stands."""

from __future__ import annotations

TEMPLATE = """\
# One rig. Every command of a run reads this file.
# All figures below are invented: put in those of your own rig.

name = "bench one"
suspension = "thread"          # what carries the mirrors: thread, elastic band, flexure strip, ...
unit = "A"                     # which of several of this kind
ambient_c = 21.0               # room temperature while measuring, degrees Celsius

[optics]
plane_distance_mm = 250.0      # from the second mirror (it moves the spot along y) to the plane
mirror_gap_mm = 12.0           # from the first mirror (it moves the spot along x) to the second
full_scale_x_mm = 50.0         # the spot's distance from the centre at drive 1: here a field of
full_scale_y_mm = 50.0         # 100 mm by 100 mm. Roughly right is good enough, the fit refines it

[drive]
sample_rate_hz = 48000         # 1000 to 192000
coupling = "dc"                # "dc" holds a constant drive; "ac" (most audio outputs) droops
# corner_hz = 0.5              # only with "ac": the frequency at which the output passes 71 %

[limits]
max_drive = 0.98               # largest drive, as a fraction of full scale
slew_per_s = 60.0              # fastest change of drive per second
bandwidth_hz = 150.0           # fastest movement that is asked of a mirror
coil_rms = 0.95                # the drive's rms over the window below that the coils stand
coil_window_s = 120.0          # how long a coil takes to warm up

[beam]
mode = "switched"              # "switched": can be turned off while moving; or "always-on"

# Without a camera (readings typed by hand), delete everything from here to [tolerance].
[camera]
exposure_s = 0.008             # how long one frame collects light; at most 1 / frame_rate_hz
frame_rate_hz = 30.0
# Four marks or more on the target plane, not in one line, best at the corners of the field:
# where the camera sees each (pixels right and down) and where it is (mm right and up).
fiducials = [
    { u_px = 336.8, v_px = 642.8, x_mm = -50.0, y_mm = -50.0 },
    { u_px = 916.8, v_px = 636.5, x_mm = 50.0, y_mm = -50.0 },
    { u_px = 959.2, v_px = 57.4, x_mm = 50.0, y_mm = 50.0 },
    { u_px = 359.9, v_px = 51.4, x_mm = -50.0, y_mm = 50.0 },
    { u_px = 646.0, v_px = 352.0, x_mm = 0.0, y_mm = 0.0 },
]

[tolerance]
target_mm = 0.1                # how far the spot may be off for the job to be good
"""
