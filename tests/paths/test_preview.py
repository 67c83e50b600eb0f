"""The picture of a path: what is kept of it, and that it says what it leaves out."""

from __future__ import annotations

from io import BytesIO

import numpy as np
from PIL import Image

from hysteresis.paths import preview as module
from hysteresis.paths.chunk import Chunk
from hysteresis.paths.chunking import chunks_of, rows_of
from hysteresis.paths.example_job import layered_tile_job
from hysteresis.paths.preview import drawn, figure_of, preview_png, said
from hysteresis.paths.source import open_path


def chunk(x, y, beam, dwell=None, most=4) -> list[Chunk]:
    rows = rows_of(np.array(x, dtype=float), np.array(y, dtype=float), beam=False,
                   feed_mm_s=np.nan, line=1)  # fmt: skip
    rows = rows._replace(beam=np.array(beam, dtype=bool), line=np.arange(len(x)))
    if dwell is not None:
        rows = rows._replace(dwell_s=np.array(dwell, dtype=float))
    return list(chunks_of([rows], most))


def test_short_paths_are_drawn_whole(bench):
    what = drawn(chunk([0, 10, 10, 0, 0, -9], [0, 0, 9, 9, 0, 3], [0, 1, 1, 1, 0, 0],
                       [0, 0, 0, 1, 0, 3]), bench)  # fmt: skip
    assert what.trace.tolist() == [[0, 0, 10, 0], [10, 0, 10, 9], [10, 9, 0, 9]]
    assert what.travel.tolist() == [[0, 9, 0, 0], [0, 0, -9, 3]]
    assert what.parks.tolist() == [[-9, 3]]  # a wait with the beam on is no park
    assert (what.rows, what.last_line, what.thinned) == (6, 5, False)
    assert said(what) == "6 positions, up to line 5."


def test_layers_upon_layers_are_drawn_once_and_it_says_so(tmp_path, bench):
    (tmp_path / "job.ngc").write_text(layered_tile_job(6))
    one = (tmp_path / "job.ngc").read_text().split("(layer 3")[0] + "M2\n"  # both fillings
    (tmp_path / "one.ngc").write_text(one)
    many = drawn(open_path(tmp_path / "job.ngc", bench).chunks(), bench)
    two = drawn(open_path(tmp_path / "one.ngc", bench).chunks(), bench)
    assert len(many.trace) == len(two.trace) and many.rows > 2.5 * two.rows
    assert many.parks.tolist() == two.parks.tolist() == [[40, 0]]
    assert f"of {many.pieces} pieces of way drawn" in said(many)


def test_joined_pieces_stay_within_a_cell_of_the_path(bench):
    t = np.linspace(0, 6.28, 200_001)
    what = drawn(chunk(30 * np.cos(t), 20 * np.sin(t), np.ones(len(t)), most=9000), bench)
    assert 1000 < len(what.trace) < 20_000 and what.thinned
    x, y = np.vstack([what.trace[:, :2], what.trace[:, 2:]]).T
    assert np.hypot(x / 30, y / 20).round(9).min() == np.hypot(x / 30, y / 20).round(9).max() == 1
    gaps = np.hypot(*(what.trace[1:, :2] - what.trace[:-1, 2:]).T)
    assert gaps.max() < 2 * 49 / module.CELLS * 2**0.5  # both ends lie in one cell
    longest = np.hypot(*(what.trace[:, 2:] - what.trace[:, :2]).T).max()
    assert longest < 3 * 2 * 49 / module.CELLS


def test_what_is_too_much_even_so_names_the_line(bench, monkeypatch):
    monkeypatch.setattr(module, "MOST_PIECES", 5)
    what = drawn(chunk(np.arange(12), np.arange(12) % 3, np.ones(12)), bench)
    assert len(what.trace) == 5 and what.stopped_line == 6  # row 6 ends the sixth piece
    assert "from line 6 on not all is drawn" in said(what)


def test_the_figure_shows_field_reach_and_kinds(tmp_path, bench):
    (tmp_path / "job.ngc").write_text(layered_tile_job(2))
    source = open_path(tmp_path / "job.ngc", bench)
    figure = figure_of(drawn(source.chunks(), bench), bench, title="job.ngc")
    (axes,) = figure.axes
    labels = [text.get_text() for text in figure.legends[0].get_texts()]
    assert labels == ["field (full scale)", "reach of the drive", "travel, beam off",
                      "trace, beam on", "park, beam off"]  # fmt: skip
    assert axes.get_xlabel().strip() == "x in mm" and axes.get_ylabel() == "y in mm"
    assert axes.get_aspect() == 1.0
    image = Image.open(BytesIO(preview_png(source.chunks(), bench)))
    assert image.format == "PNG" and min(image.size) > 900
    dark = np.asarray(image.convert("L")) < 90  # the trace, also in grey
    assert 0.002 < dark.mean() < 0.2
