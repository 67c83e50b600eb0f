"""DXF drawings, written by ezdxf and read back: geometry, units, blocks, layers, refusals."""

from __future__ import annotations

import logging
import math
import time
from pathlib import Path

import numpy as np
import pytest

from hysteresis.errors import InputError
from hysteresis.paths.dxf import rows_of_dxf
from hysteresis.paths.notes import Tally

ezdxf = pytest.importorskip("ezdxf")


@pytest.fixture
def drawing():
    doc = ezdxf.new("R2010")
    doc.header["$INSUNITS"] = 4
    return doc


@pytest.fixture
def outlines(tmp_path: Path):
    """Outlines of a drawing, as arrays of (x, y) in mm, and what is said of it."""

    def read(doc, *, tolerance_mm: float = 0.005, layers=None):
        file = tmp_path / "a.dxf"
        if isinstance(doc, bytes):
            file.write_bytes(doc)
        else:
            doc.saveas(file)
        tally = Tally()
        found: list[np.ndarray] = []
        text = file.read_bytes().splitlines()
        rows = rows_of_dxf(file, tally, feed_mm_s=5.0, tolerance_mm=tolerance_mm, layers=layers)
        for r in list(rows)[1:]:
            name = text[r.line[0] - 1].strip()
            assert name.isalpha() or b"$INSUNITS" not in text  # handles say where entities begin
            points = np.column_stack([r.x_mm, r.y_mm])
            if r.beam[0]:
                found[-1] = np.concatenate([found[-1], points])
            else:
                found.append(points)
        return found, tally

    return read


def refused(outlines, doc, **options) -> str:
    with pytest.raises(InputError) as caught:
        outlines(doc, **options)
    assert "\n" not in str(caught.value)
    return str(caught.value)


def test_lines_arcs_circles_and_the_tolerance(drawing, outlines):
    space = drawing.modelspace()
    space.add_line((1, 2), (3, 4))
    space.add_line((3, 4), (5, 4))  # goes on where the line before ends: one trace
    space.add_arc((0, 0), 20, 350, 20)
    space.add_circle((5, 5), 30)
    (lines, arc, circle), tally = outlines(drawing)
    assert lines.tolist() == [[1, 2], [3, 4], [5, 4]]
    for points, centre, radius, sweep in ((arc, (0, 0), 20, 30), (circle, (5, 5), 30, 360)):
        np.testing.assert_allclose(np.hypot(*(points - centre).T), radius, atol=1e-9)
        middle = 0.5 * (points[1:] + points[:-1]) - centre
        assert radius - np.hypot(*middle.T).min() <= 0.005 + 1e-9
        angles = np.unwrap(np.arctan2(*(points - centre).T[::-1]))
        assert math.degrees(angles[-1] - angles[0]) == pytest.approx(sweep, abs=1e-6)
    assert tally.seen == {}


def test_bulges_are_arcs(drawing, outlines):
    """A bulge of 1 is a half circle to the right of the way, one of tan(90°/4) a quarter."""
    quarter = math.tan(math.radians(90 / 4))
    drawing.modelspace().add_lwpolyline(
        [(0, 0, 1), (10, 0, 0), (10, 5, quarter)], format="xyb", close=True
    )
    drawing.modelspace().add_polyline2d([(20, 0, -1), (30, 0, 0)], format="xyb")
    (first, second), _ = outlines(drawing, tolerance_mm=0.001)
    assert first[:, 1].min() == pytest.approx(-5, abs=1e-3)
    assert second[:, 1].max() == pytest.approx(5, abs=1e-3)
    length = np.hypot(*np.diff(first, axis=0).T).sum()
    radius = math.hypot(10, 5) / math.sqrt(2)
    assert length == pytest.approx(5 * math.pi + 5 + radius * math.pi / 2, rel=1e-4)
    assert (first[-1] == first[0]).all()


def test_ellipse_spline_and_smoothed_polyline_against_the_librarys_own_points(drawing, outlines):
    space = drawing.modelspace()
    ellipse = space.add_ellipse((0, 0), (8, 3), 0.4, 0.5, 4)
    spline = space.add_spline(degree=3)
    spline.control_points = [(0, 0), (5, 18), (10, -13), (15, 4), (22, 9)]
    spline.knots = [0, 0, 0, 0, 1, 2, 2, 2, 2]
    rational = space.add_rational_spline([(0, -9), (5, 8), (10, -3), (15, 4)], [1, 2, 3, 1])
    found, _ = outlines(drawing, tolerance_mm=0.002)
    shapely = pytest.importorskip("shapely")
    for points, entity in zip(found, (ellipse, spline, rational), strict=True):
        dense = np.array([tuple(p)[:2] for p in entity.flattening(1e-5, 64)])
        line = shapely.LineString(points)
        assert shapely.distance(shapely.points(dense), line).max() <= 0.002 + 1e-5


def test_units_and_their_absence(drawing, outlines):
    drawing.modelspace().add_line((0, 0), (2, 0))
    for code, mm in ((1, 25.4), (4, 1), (5, 10), (6, 1000), (13, 1e-3), (9, 0.0254)):
        drawing.header["$INSUNITS"] = code
        (line,), tally = outlines(drawing)
        assert line[1, 0] == pytest.approx(2 * mm) and tally.seen == {}
    drawing.header["$INSUNITS"] = 0
    (line,), tally = outlines(drawing)
    assert line[1, 0] == 2 and "the drawing names no unit; mm are taken" in tally.remarks()
    bare = (
        b"0\nSECTION\n2\nENTITIES\n0\nLINE\n8\n0\n10\n0\n20\n0\n11\n7\n21\n0\n0\nENDSEC\n0\nEOF\n"
    )
    (line,), tally = outlines(bare)  # no header at all
    assert line[1, 0] == 7 and "the drawing names no unit; mm are taken" in tally.remarks()
    drawing.header["$INSUNITS"] = 18
    assert "unit that no field" in refused(outlines, drawing)
    drawing.header["$INSUNITS"] = 6
    drawing.modelspace().add_line((0, 0), (200, 0))
    assert "100000 mm away" in refused(outlines, drawing)


def test_blocks_are_taken_apart_with_their_scale_turn_and_grid(drawing, outlines):
    block = drawing.blocks.new("tile")
    block.add_circle((1, 0), 1)
    inner = drawing.blocks.new("inner")
    inner.add_line((0, 0), (1, 0))
    block.add_blockref("inner", (5, 0), dxfattribs={"rotation": 90})
    space = drawing.modelspace()
    space.add_blockref("tile", (10, 0), dxfattribs={"xscale": 2, "yscale": 1})
    space.add_blockref("inner", (0, 5), dxfattribs={
        "column_count": 2, "row_count": 2, "column_spacing": 3, "row_spacing": -4, "xscale": -1,
    })  # fmt: skip
    found, _ = outlines(drawing, tolerance_mm=0.001)
    ellipse = found[0] - [12, 0]
    np.testing.assert_allclose((ellipse[:, 0] / 2) ** 2 + ellipse[:, 1] ** 2, 1, atol=1e-6)
    np.testing.assert_allclose(found[1], [[20, 0], [20, 1]], atol=1e-9)
    starts = sorted(tuple(np.round(each[0], 9) + 0.0) for each in found[2:])
    assert starts == [(0, 1), (0, 5), (3, 1), (3, 5)]
    assert all((each[1] - each[0])[0] == pytest.approx(-1) for each in found[2:])


def test_a_mirrored_plane(drawing, outlines):
    """An extrusion of -z looks at the drawing from below: x changes sign (DXF reference)."""
    below = {"extrusion": (0, 0, -1)}
    drawing.modelspace().add_arc((5, 0), 5, 0, 90, dxfattribs=below)
    drawing.modelspace().add_lwpolyline([(1, 1, 0), (2, 5, 0)], format="xyb", dxfattribs=below)
    (arc, line), _ = outlines(drawing)
    np.testing.assert_allclose(arc[[0, -1]], [[-10, 0], [-5, 5]], atol=1e-9)
    np.testing.assert_allclose(line, [[-1, 1], [-2, 5]], atol=1e-9)


def test_layers_and_what_is_left_out(drawing, outlines):
    for name in ("cut", "notes", "off"):
        drawing.layers.add(name)
    drawing.layers.get("off").off()
    space = drawing.modelspace()
    space.add_line((0, 0), (1, 0), dxfattribs={"layer": "cut"})
    space.add_line((0, 1), (2, 1), dxfattribs={"layer": "notes"})
    space.add_line((0, 2), (3, 2), dxfattribs={"layer": "off"})
    space.add_text("a", dxfattribs={"layer": "cut"})
    space.add_mtext("b")
    space.add_point((1, 1))
    found, tally = outlines(drawing)
    assert [each[-1, 0] for each in found] == [1, 2]
    assert {w.word: w.count for w in tally.skipped()} == {
        "hidden entity": 1, "TEXT": 1, "MTEXT": 1, "POINT": 1,
    }  # fmt: skip
    found, tally = outlines(drawing, layers=("CUT",))
    assert [each[-1, 0] for each in found] == [1]
    assert {w.word: w.count for w in tally.skipped()}["entity on another layer"] == 3
    assert "no layer of this name ('nope'); it has" in refused(outlines, drawing, layers=("nope",))


@pytest.mark.parametrize("version", ["R12", "R2000", "R2004", "R2007", "R2018"])
def test_versions_round_trip(outlines, version):
    doc = ezdxf.new(version)
    doc.header["$INSUNITS"] = 4
    doc.modelspace().add_line((0.125, -7), (3, 4))
    (found,), _ = outlines(doc)
    assert found.tolist() == [[0.125, -7], [3, 4]]


def test_blocks_that_grow_without_bound_are_refused(drawing, outlines):
    last = drawing.blocks.new("b0")
    last.add_line((0, 0), (1, 0))
    for i in range(1, 25):
        block = drawing.blocks.new(f"b{i}")
        for x in (0, 1):
            block.add_blockref(f"b{i - 1}", (x, 0))
    drawing.modelspace().add_blockref("b24", (0, 0))
    start = time.perf_counter()
    assert "blocks taken apart" in refused(outlines, drawing)
    assert time.perf_counter() - start < 5.0


def test_a_grid_without_bound_and_a_block_that_holds_itself(drawing, outlines):
    block = drawing.blocks.new("self")
    block.add_line((0, 0), (1, 0))
    space = drawing.modelspace()
    space.add_blockref(
        "self",
        (0, 0),
        dxfattribs={
            "column_count": 30000,
            "row_count": 30000,
            "column_spacing": 1,
            "row_spacing": 1,
        },
    )
    assert "entities" in refused(outlines, drawing)
    space.delete_all_entities()
    block.add_blockref("self", (0, 0))
    space.add_blockref("self", (0, 0))
    assert "holds itself" in refused(outlines, drawing)


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"hello\nworld\n", "whole number"), (b"0\nSECTION\n2\nENTITIES\n", "cannot be read"),
        (b"0\nEOF\n", "no sections"), (b"  0\nSECTION\n  2\nHEADER\n  0\nENDSEC\n  0\nEOF\n", ""),
        (b"0\nSECTION\n2\nENTITIES\n0\nLINE\n8\n0\n10\nleft\n20\n0\n0\nENDSEC\n0\nEOF\n", ""),
    ],
)  # fmt: skip
def test_what_is_no_dxf(outlines, data, words, caplog, capsys):
    with caplog.at_level(logging.CRITICAL):
        assert words in refused(outlines, data)
    assert capsys.readouterr().err == ""


def test_an_empty_drawing_says_so(drawing, outlines):
    drawing.modelspace().add_text("a")
    assert "TEXT skipped once" in refused(outlines, drawing)
