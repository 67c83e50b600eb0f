"""The preview: figures by a second way, notes, the picture."""

import numpy as np
import pytest

from hysteresis.plan import KINDS, draw_preview, plan, preview
from hysteresis.plan.preview import X_COLOUR, Y_COLOUR, holds
from hysteresis.tables import Pattern
from tests.plan.conftest import bench_with, spans


def _small():
    t = np.array([0.0, 1.0, 1.5, 3.5, 3.7, 4.5, 5.0])
    x = np.array([0.0, 0.0, 0.5, 0.5, 0.5, 0.0, 0.0])
    y = np.array([0.0, 0.0, -0.25, -0.25, -0.25, 0.0, 0.0])
    beam = np.array([1, 1, 1, 0, 1, 1, 0], bool)
    names = ["rest/001", *["ladder/001/hold"] * 4, "ladder/001/watch", "ladder/001/watch"]
    return Pattern(t, x, y, beam, np.array(names, object))


def test_figures_of_a_pattern_worked_out_by_hand(bench):
    figures = preview(_small(), bench)
    assert figures.duration_s == 5.0 and figures.frames == 150
    assert figures.moving_s == pytest.approx(0.5 + 0.8)
    assert figures.longest_still_s == pytest.approx(2.0)  # the dark 0.2 s do not count
    assert figures.largest_drive == (0.5, 0.25)
    assert figures.largest_slew_per_s == pytest.approx((1.0, 0.5))
    assert figures.shortest_rise_s == pytest.approx(0.5)
    assert figures.share_s == pytest.approx({"rest": 1.0, "ladder": 4.0})
    square = 0.25 * (0.5 / 3 + 2.2 + 0.8 / 3)
    assert figures.hottest_rms[0] == pytest.approx(np.sqrt(square / bench.limits.coil_window_s))
    length, at = holds(_small())
    assert list(length) == pytest.approx([2.2]) and list(at[0]) == [0.5, -0.25]
    assert figures.notes[0].startswith("1 rest of 1 s")


def test_holds_are_found_as_the_names_say(bench):
    pattern = plan("characterisation", bench)
    length, at = holds(pattern, 0.8)
    named = spans(pattern, "/hold")
    assert np.allclose(length, [h[2] for h in named])
    assert np.allclose(at, [h[3] for h in named])


def test_without_a_camera_there_are_no_frames_and_a_note():
    blind = bench_with(camera=False)
    figures = preview(plan("characterisation", blind), blind)
    assert figures.frames is None and any("no camera" in note for note in figures.notes)


@pytest.mark.parametrize("kind", KINDS)
def test_the_picture_is_drawn_with_units_and_limit(bench, kind, tmp_path):
    from matplotlib.image import imread

    from hysteresis.plan.preview import preview_figure

    pattern = plan(kind, bench)
    labels = []
    for axes in preview_figure(pattern, bench, kind).axes:
        labels += [axes.get_xlabel(), axes.get_ylabel()]
    assert {"time / s", "drive / full scale", "drive x / full scale"} <= set(labels)
    target = tmp_path / "pattern.png"
    draw_preview(pattern, bench, target, kind)
    picture = imread(target)
    assert picture.shape[1] >= 1200 and picture[..., :3].std() > 0.05
    assert [p.name for p in tmp_path.iterdir()] == ["pattern.png"]


# Machado, Oliveira, Fernandes, IEEE Trans. Vis. Comput. Graph. 15 (2009) 1291: full deficiency,
# linear RGB; coefficients from memory.
_DEFICIENCIES = {
    "protan": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216],
               [-0.003882, -0.048116, 1.051998]],
    "deutan": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413],
               [-0.011820, 0.042940, 0.968881]],
    "tritan": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602],
               [0.004733, 0.691367, 0.303900]],
}  # fmt: skip


@pytest.mark.parametrize("matrix", _DEFICIENCIES.values(), ids=_DEFICIENCIES.keys())
def test_the_two_axes_stay_apart_for_colour_blind_eyes(matrix):
    def linear(colour):
        v = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255
        return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)

    def lab(rgb):  # CIE 1976 L*a*b*, sRGB primaries, D65 (CIE 015)
        to_xyz = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722],
                           [0.0193, 0.1192, 0.9505]])  # fmt: skip
        f = np.cbrt(np.clip(to_xyz @ rgb, 1e-6, None) / [0.9505, 1.0, 1.089])
        return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])

    seen = [
        lab(np.clip(np.array(matrix) @ linear(c), 0, 1)) for c in (X_COLOUR, Y_COLOUR, "#ffffff")
    ]
    for a, b in ((0, 1), (0, 2), (1, 2)):
        assert np.linalg.norm(seen[a] - seen[b]) > 25  # ten times a just noticeable difference
    assert abs(seen[0][0] - seen[1][0]) > 15  # apart in grey too
