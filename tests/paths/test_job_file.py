"""Job files: places, grids, layers, parks, and what is refused with its line."""

from __future__ import annotations

import numpy as np
import pytest

from hysteresis.errors import InputError
from hysteresis.paths import job_file
from hysteresis.paths.chunking import joined
from hysteresis.paths.source import open_path

JOB = """name = "tile and gasket"
layers = 3
feed_mm_s = 40.0

[park]
x_mm = 40.0
y_mm = 0.0
wait_s = 2.5

[[parts]]
file = "line.svg"
x_mm = -10.0
rotate_deg = 90.0

[parts.grid]
columns = 2
rows = 2
step_x_mm = 8.0
step_y_mm = -5.0

[[parts]]
file = "hook.ngc"
scale = 2.0
mirror = "x"
"""
LINE = '<svg width="20mm" height="20mm" viewBox="-10 -10 20 20"><path d="M0 0L3 0"/></svg>'
HOOK = "M3 F600\nG1 X1\nG4 P0.5\nG1 Y1\n"


@pytest.fixture
def job(tmp_path, bench):
    (tmp_path / "line.svg").write_text(LINE)
    (tmp_path / "hook.ngc").write_text(HOOK)

    def opened(text: str = JOB, **options):
        (tmp_path / "job.toml").write_text(text)
        return open_path(tmp_path / "job.toml", bench, **options)

    return opened


def test_layer_by_layer_each_part_in_its_places_then_the_park(job):
    line, of = joined(job().chunks())
    layer = [
        *[p for x, y in ((-10, 0), (-2, 0), (-10, -5), (-2, -5)) for p in ((x, y), (x, y + 3))],
        (0, 0), (-2, 0), (-2, 0), (-2, 2),  # the hook: mirrored, twice its size, with its wait
        (40, 0), (40, 0),
    ]  # fmt: skip
    want = np.array([(0, 0), *layer * 3], dtype=float)
    np.testing.assert_allclose(np.column_stack([line.x_mm, line.y_mm]), want, atol=1e-12)
    beam = [False, True] * 4 + [False, True, True, True, False, False]
    assert line.beam.tolist() == [False, *beam * 3]
    feeds = np.where(line.beam, line.feed_mm_s, 0)
    assert set(feeds[line.dwell_s == 0]) == {0, 40, 10}  # the program's own feed counts
    assert line.dwell_s[line.dwell_s > 0].tolist() == [0.5, 2.5] * 3
    assert of.tolist() == [0, *([10] * 8 + [21] * 4 + [5] * 2) * 3]
    notes = job().notes
    assert notes.kind == "job" and notes.heights == 3 and notes.wait_s == pytest.approx(9)
    assert any(remark.startswith("line.svg: elements that say") for remark in notes.remarks)


def test_parts_too_long_to_hold_are_read_anew_and_give_the_same(job, monkeypatch):
    held, lines = joined(job().chunks())
    monkeypatch.setattr(job_file, "HELD_ROWS", 3)
    again, other = joined(job().chunks())
    for name in ("x_mm", "y_mm", "beam", "feed_mm_s", "dwell_s"):
        np.testing.assert_array_equal(getattr(held, name), getattr(again, name))
    assert lines.tolist() == other.tolist()


def test_a_part_outside_the_field_names_its_own_file_and_line(job):
    with pytest.raises(InputError, match=r"hook\.ngc, line 2: x = -60\.000 mm lies 11"):
        list(job(JOB.replace("scale = 2.0", "scale = 60.0")).chunks())


@pytest.mark.parametrize(
    ("old", "new", "row", "words"),
    [
        ('name = "tile and gasket"\n', "", None, "this setting is missing"),
        ("layers = 3", "layers = 0", 2, "at least 1"), ("layers = 3", "layers = 2.5", 2, "whole"),
        ("layers = 3", "layer = 3", 2, "did you mean layers"),
        ("feed_mm_s = 40.0", "feed_mm_s = 0.0", 3, "above 0"),
        ("feed_mm_s = 40.0", "feed_mm_s = nan", 3, "finite"),
        ("wait_s = 2.5", "", 5, "missing"), ("wait_s = 2.5", 'wait_s = "long"', 8, "finite"),
        ('"line.svg"', '"none.svg"', 11, "no such file beside the job file"),
        ('"line.svg"', "3", 11, "no word"), ('"line.svg"', '"a\\u0000b"', 11, "no such file"),
        ('mirror = "x"', 'mirror = "z"', 24, "'x' or 'y'"),
        ("columns = 2", "columns = 2000", 16, "at most 1000"),
        ("step_x_mm", "step_mm", 18, "did you mean step_"),
        ("scale = 2.0", "scale = -2.0", 23, "at least"),
        ("[parts.grid]", "[[parts.grid]]", 15, "not of the kind"),
        (JOB[JOB.index("[[parts]]"):], "parts = []\n", None, ""),
        (JOB[JOB.index("[[parts]]"):], "", None, "missing"),
        ("[park]", "[park", 5, "not valid TOML"),
        ('"hook.ngc"', '"job.toml"', None, "a job file itself"),
    ],
)  # fmt: skip
def test_what_is_refused_names_line_and_remedy(job, old, new, row, words):
    assert old in JOB
    with pytest.raises(InputError) as caught:
        list(job(JOB.replace(old, new, 1)).chunks())
    assert words in str(caught.value), str(caught.value)
    if row:
        assert caught.value.row == row, str(caught.value)
    assert "\n" not in str(caught.value) and caught.value.mend


def test_drawings_need_a_feed_from_somewhere(job):
    text = JOB.replace("feed_mm_s = 40.0\n", "")
    with pytest.raises(InputError, match=r"line\.svg: a drawing says nothing of a speed"):
        list(job(text).chunks())
    line, _ = joined(job(text, default_feed_mm_s=7.0).chunks())
    assert set(line.feed_mm_s[line.beam & (line.dwell_s == 0)]) == {7, 10}
