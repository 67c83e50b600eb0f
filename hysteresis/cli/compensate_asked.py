"""What `compensate` was asked, word by word, checked before anything is opened."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import isfinite, nan
from pathlib import Path
from typing import Any

from hysteresis.bench import Bench
from hysteresis.carrier import Carrier
from hysteresis.cli.compensate_before import check_past
from hysteresis.compensate.beam_off import OPTIONS
from hysteresis.compensate.job import PathOptions
from hysteresis.errors import InputError
from hysteresis.paths.placement import Placement
from hysteresis.paths.timing import CORNERS
from hysteresis.wav_files import WavForm, checked_rate

CONTROLLERS = ("linear", "calibrated")
LONGEST_EXTRA_S = 600.0


@dataclass(frozen=True)
class Asked:
    """The words of the command, as they were given."""

    run: Path
    path: Path
    model: Path | None = None
    correction: Path | None = None
    out: Path | None = None
    positions: Path | None = None
    controller: str | None = None
    tolerance_mm: float | None = None
    bits: int | None = None
    channels: str | None = None
    dither: bool = False
    rate_hz: float | None = None
    carrier_hz: int | None = None
    plain: bool | None = None
    preview: Path | None = None
    map: Path | None = None
    pause_s: float | None = None
    start_from: Path | None = None
    scale: float = 1.0
    rotate_deg: float = 0.0
    x_mm: float = 0.0
    y_mm: float = 0.0
    mirror: Any = None
    fit: bool = False
    feed_mm_s: float | None = None
    travel_mm_s: float | None = None
    corner: Any = "rest"
    corner_tolerance_mm: float | None = None
    jerk_mm_s3: float | None = None
    settle_s: float = 0.0
    beam_off: Any = "follow"
    extra_s: float = 0.0
    park: str | None = None
    park_wait_s: float | None = None
    fit_limits: bool = False
    layers: list[str] | None = None
    skip_unknown: bool = False
    go_on: bool = False
    force: bool = False

    def path_options(self) -> PathOptions:
        """What concerns the path alone. InputError for words that make no sense."""
        return PathOptions(
            Placement(self.scale, self.rotate_deg, self.x_mm, self.y_mm, self.mirror, self.fit),
            self.skip_unknown, self.feed_mm_s, self.travel_mm_s, self.corner,
            self.corner_tolerance_mm, self.jerk_mm_s3, self.settle_s,
            layers=tuple(self.layers) if self.layers else None,
            park=_park(self.park, self.park_wait_s),
        )  # fmt: skip

    def form(self, bench: Bench) -> tuple[WavForm, int]:
        """How a WAV is written, checked, and its rate."""
        carrier = None if self.carrier_hz is None else Carrier(self.carrier_hz)
        form = WavForm(self.bits or 24, self.channels or "xyb", self.dither, carrier)  # type: ignore[arg-type]
        form.check()
        rate_hz = bench.drive.sample_rate_hz if self.rate_hz is None else self.rate_hz
        try:
            rate = checked_rate(rate_hz)
        except InputError as error:
            if self.rate_hz is None:
                raise
            raise InputError(error.what, value=rate_hz, mend="change --rate-hz") from error
        if carrier is not None:
            carrier.check(rate, bench.limits.bandwidth_hz)
        return form, rate

    def check(self, bench: Bench) -> None:
        """Refuse words that make no sense, contradict each other, or would change nothing."""
        _known("--beam-off", self.beam_off, OPTIONS)
        _known("--controller", self.controller or CONTROLLERS[0], CONTROLLERS)
        _known("--corner", self.corner, CORNERS)
        if self.beam_off != "follow" and bench.beam.mode == "always-on":
            raise InputError(
                "the beam of this bench cannot be switched off, so that travel must be followed",
                value=self.beam_off, mend="leave --beam-off at follow",
            )  # fmt: skip
        if not (isfinite(self.extra_s) and 0.0 <= self.extra_s <= LONGEST_EXTRA_S):
            raise InputError(
                f"--extra-s lies between 0 and {LONGEST_EXTRA_S:g} s", value=self.extra_s,
                mend="give it in seconds",
            )  # fmt: skip
        if self.tolerance_mm is not None and not 1e-5 <= self.tolerance_mm <= 10.0:
            raise InputError(
                "the tolerance of positions lies between 0.00001 and 10 mm",
                value=self.tolerance_mm, mend="change --tolerance-mm",
            )  # fmt: skip
        if (self.corner == "round") != (self.corner_tolerance_mm is not None):
            raise InputError(
                "round corners and their tolerance belong together",
                mend="give both --corner round and --corner-tolerance-mm, or neither",
            )  # fmt: skip
        if self.positions is not None and self.out is not None:
            raise InputError(
                "a drive and positions at once", value=str(self.out), mend="leave out one of them"
            )
        self._check_effect()
        check_past(self.start_from, self.pause_s)

    def _check_effect(self) -> None:
        """Refuse options that change nothing in what is to be written."""
        of_wav = {
            "--bits": self.bits, "--channels": self.channels, "--dither": self.dither or None,
            "--rate-hz": self.rate_hz, "--carrier-hz": self.carrier_hz,
        }  # fmt: skip
        of_positions = {"--controller": self.controller, "--tolerance-mm": self.tolerance_mm}
        if self.positions is not None:
            _no_effect(of_wav, "shapes a WAV, and positions are written here")
            _no_effect({"--go-on": self.go_on or None},
                       "continues a drive; positions are always written whole")  # fmt: skip
            return
        _no_effect(of_positions, "is for --positions, and a drive is written here")
        if self.out is not None and self.out.suffix.lower() == ".csv":
            _no_effect(of_wav, "shapes a WAV, and the drive is written as a table here")


def _no_effect(options: Mapping[str, object], why: str) -> None:
    for name, value in options.items():
        if value is not None:
            raise InputError(f"{name} {why}, so it would have no effect", mend="leave it out")


def _known(name: str, value: str, words: tuple[str, ...]) -> None:
    if value not in words:
        raise InputError(
            f"{name} does not know this word", value=value,
            mend=f"choose {', '.join(words[:-1])} or {words[-1]}",
        )  # fmt: skip


def _park(place: str | None, wait_s: float | None) -> tuple[float, float, float] | None:
    """x, y (mm) and wait (s) of --park and --park-wait-s; InputError for one without the other."""
    if place is None and wait_s is None:
        return None
    if place is None or wait_s is None:
        raise InputError("a park is a place and a wait", mend="give both --park and --park-wait-s")
    try:
        x_mm, y_mm = (float(word) for word in place.split(","))
    except ValueError:
        x_mm = y_mm = nan
    if not (isfinite(x_mm) and isfinite(y_mm)):
        raise InputError("--park is a place in mm", value=place, mend="give it as X,Y: 40,-3.5")
    if not (isfinite(wait_s) and 0.0 <= wait_s <= LONGEST_EXTRA_S):
        raise InputError(f"--park-wait-s lies between 0 and {LONGEST_EXTRA_S:g} s", value=wait_s,
                         mend="give it in seconds")  # fmt: skip
    return x_mm, y_mm, wait_s
