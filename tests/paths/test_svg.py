"""SVG drawings: units and page, shapes, transforms, what is shown, and what is refused."""

from __future__ import annotations

import math
import time
from pathlib import Path

import numpy as np
import pytest

from hysteresis.errors import InputError
from hysteresis.paths.notes import Tally
from hysteresis.paths.svg import rows_of_svg

HEAD = '<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" '
PAGE = HEAD + 'width="100mm" height="100mm" viewBox="-50 -50 100 100">\n'


@pytest.fixture
def outlines(tmp_path: Path):
    """Outlines of a drawing, as lists of (x, y) in mm, and what is said of it."""

    def read(text: str, tolerance_mm: float = 0.01):
        file = tmp_path / "a.svg"
        file.write_bytes(text.encode() if isinstance(text, str) else text)
        tally = Tally()
        found: list[np.ndarray] = []
        rows = list(rows_of_svg(file, tally, feed_mm_s=5.0, tolerance_mm=tolerance_mm))
        assert (rows[0].x_mm[0], rows[0].y_mm[0], rows[0].line[0]) == (0, 0, 0)
        for r in rows[1:]:
            points = np.column_stack([r.x_mm, r.y_mm])
            if r.beam[0]:
                assert (r.feed_mm_s == 5.0).all()
                found[-1] = np.concatenate([found[-1], points])
            else:
                found.append(points)
        return found, tally

    return read


def refused(outlines, text) -> str:
    with pytest.raises(InputError) as caught:
        outlines(text)
    assert "\n" not in str(caught.value) and caught.value.mend
    return str(caught.value)


@pytest.mark.parametrize(
    ("size", "unit_mm"),
    [('width="96" height="96"', 25.4 / 96), ('width="1in" height="1in"', 25.4 / 96),
     ('width="96mm" height="96mm" viewBox="0 0 96 96"', 1.0),
     ('width="2.54cm" height="25.4mm"', 25.4 / 96), ('viewBox="0 0 96 96"', 25.4 / 96),
     ('width="72pt" height="6pc"', 25.4 / 96), ('width="96px" height="101.6Q"', 25.4 / 96),
     ('width="100%" height="100%" viewBox="0 0 96 96"', 25.4 / 96)],
)  # fmt: skip
def test_lengths_of_the_standard_at_96_px_per_inch(outlines, size, unit_mm):
    """SVG 1.1, 7.2 and 7.10: one user unit is one px; CSS 2.1, 4.3.2: 1 in = 96 px = 25.4 mm."""
    (found,), _ = outlines(
        HEAD + size + '><line x1="0" y1="0" x2="96" y2="48" stroke="red"/></svg>'
    )
    half = 48 * unit_mm  # the page's middle is the field's centre, and y goes up
    np.testing.assert_allclose(found, [[-half, half], [half, 0]], atol=1e-9)


def test_preserve_aspect_ratio(outlines):
    """SVG 1.1, 7.8: the smaller scale counts, the rest is shared out as the alignment says."""
    line = '><line x1="0" y1="0" x2="10" y2="10" stroke="red"/></svg>'
    for words, want in (
        ("", [[-10, 10], [10, -10]]), ("xMinYMin", [[-20, 10], [0, -10]]),
        ("xMaxYMax meet", [[0, 10], [20, -10]]), ("none", [[-20, 10], [20, -10]]),
        ("xMidYMid slice", [[-20, 20], [20, -20]]),
    ):  # fmt: skip
        text = 'width="40mm" height="20mm" viewBox="0 0 10 10" preserveAspectRatio="{}"'
        (found,), _ = outlines(HEAD + text.format(words or "xMidYMid") + line)
        np.testing.assert_allclose(found, want, atol=1e-9)


def test_shapes_and_their_lengths(outlines):
    text = (
        PAGE
        + """<g stroke="#123">
    <rect x="-5" y="-5" width="10" height="6"/>
    <rect x="-5" y="-5" width="20" height="10" rx="2"/>
    <circle cx="3" cy="4" r="7"/><ellipse rx="9" ry="9" cx="1"/>
    <polyline points="0,0 3,4 3-1"/><polygon points="0 0 3 4 3 -1"/>
    <path d="M0 1h5v5zm10,0l1 0 M1 1"/></g></svg>"""
    )
    found, tally = outlines(text)
    lengths = [np.hypot(*np.diff(each, axis=0).T).sum() for each in found]
    want = [32, 2 * (16 + 6) + 4 * math.pi, 14 * math.pi, 18 * math.pi, 10, 10 + math.sqrt(10),
            10 + math.sqrt(50), 1]  # fmt: skip
    assert lengths == pytest.approx(want, rel=2e-3)
    assert lengths[0] == pytest.approx(32, abs=1e-9)
    for i in (2, 3):  # round ones: no chord is further inside than asked
        centre = [(3, -4), (1, 0)][i - 2]
        middle = 0.5 * (found[i][1:] + found[i][:-1]) - centre
        assert (7, 9)[i - 2] - np.hypot(*middle.T).min() <= 0.01 + 1e-9
    assert tally.seen == {} and tally.left_out == {}


def test_transforms_nest_and_curves_are_flattened_behind_them(outlines):
    """A skewed, stretched circle is an ellipse; its points are those of the matrix."""
    text = PAGE + (
        '<g transform="translate(3,-2) rotate(30)"><g transform="scale(2 .5)skewX(20)">'
        '<circle r="8" stroke="red"/></g></g></svg>'
    )
    (found,), _ = outlines(text, 0.003)
    a, k = math.radians(30), math.tan(math.radians(20))
    turn = np.array([[math.cos(a), -math.sin(a)], [math.sin(a), math.cos(a)]])
    matrix = turn @ np.diag([2, 0.5]) @ np.array([[1, k], [0, 1]])
    back = np.linalg.solve(matrix, (found * [1, -1] - [3, -2]).T)
    np.testing.assert_allclose(np.hypot(*back), 8, atol=1e-9)
    middle = np.linalg.solve(matrix, (0.5 * (found[1:] + found[:-1]) * [1, -1] - [3, -2]).T)
    deep = (8 - np.hypot(*middle)) * np.linalg.svd(matrix, compute_uv=False)[0]
    assert deep.max() <= 0.003 + 1e-9


def test_use_symbol_and_nested_pages(outlines):
    text = (
        PAGE
        + """<defs><g id="k"><line x2="1" stroke="red"/></g>
    <symbol id="s" viewBox="0 0 10 10"><line x1="0" y1="0" x2="10" y2="10" stroke="red"/></symbol>
    </defs><use xlink:href="#k" x="5" y="2"/><use href="#s" x="-20" y="0" width="20" height="20"/>
    <svg x="10" y="10" width="10" height="10" viewBox="0 0 1 1"><line x2="1" stroke="red"/></svg>
    <use href="#none"/></svg>"""
    )
    found, tally = outlines(text)
    want = [[[5, -2], [6, -2]], [[-20, 0], [0, -20]], [[10, -10], [20, -10]]]
    np.testing.assert_allclose(found, want, atol=1e-9)
    assert any("refers to nothing" in remark for remark in tally.remarks())


def test_what_has_no_stroke_or_is_hidden_is_named_and_left_out(outlines):
    text = (
        PAGE
        + """<style>.a{stroke:none} #b{display:none} line.c{visibility:hidden} g > x{stroke:red}
    </style><line class="a" x2="1"/><line id="b" x2="1" stroke="red"/><line class="c" x2="1"/>
    <g display="none"><line x2="1" stroke="red"/></g><line x2="1" style="stroke:none"/>
    <g style="stroke:red"><line x2="7"/></g><line x2="2" stroke-width="0" stroke="red"/>
    <text>hi</text><image href="http://example.invalid/a.png"/><line x2="3"/><foo/>
    <line x2="1" stroke="red" opacity="0"/>
    <clipPath><rect width="3" height="3"/></clipPath></svg>"""
    )
    found, tally = outlines(text)
    assert [each[-1, 0] for each in found] == pytest.approx([7, 3])
    counts = {w.word: (w.count, w.first_line) for w in tally.skipped()}
    assert counts == {
        "line without stroke": (3, 3), "hidden element": (4, 3), "text": (1, 6), "image": (1, 6),
        "foo": (1, 6),
    }  # fmt: skip
    remarks = tally.remarks()
    assert any("say nothing of a stroke" in r and "line 6" in r for r in remarks)
    assert any("style rules of other kinds" in r for r in remarks)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('<!DOCTYPE svg [<!ENTITY a "b">]>' + PAGE + "</svg>", "document type of its own"),
        ('<!DOCTYPE svg [<!ENTITY % a SYSTEM "x">]>' + PAGE + "</svg>", "document type"),
        ('<?xml-stylesheet href="a.css"?>' + PAGE + "</svg>", "styles from another file"),
        (PAGE + "<style>@import url(a.css);</style></svg>", "styles from another file"),
        (PAGE + '<use href="other.svg#a"/></svg>', "reference to another file"),
        (PAGE + '<g id="a"><use href="#a"/></g></svg>', "holds itself"),
        (PAGE + "<g>" * 200 + "</g>" * 200 + "</svg>", "within each other"),
        (PAGE + '<line x2="3"', "not valid XML"),
        (PAGE + '<line x2="3em" stroke="red"/></svg>', "not a length"),
        (PAGE + '<line x2="3" transform="turn(3)"/></svg>', "transform that cannot be read"),
        (PAGE + '<line x2="3" transform="scale(1e300) scale(1e300)"/></svg>', "transform"),
        (PAGE + '<path d="M0 0 X 3"/></svg>', "path data"),
        (PAGE + '<path d="L0 0 3 3"/></svg>', "path data"),
        (PAGE + '<path d="M0 0L3"/></svg>', "path data"),
        (PAGE + '<path d="M0 0L1 1e9"/></svg>', "100000 mm away"),
        (PAGE + '<path d="M0 0L1 1e999"/></svg>', "100000 mm away"),
        (PAGE + '<path d="M0 0C1 1e15 3 -1e15 0 0"/></svg>', "too large for this tolerance"),
        (PAGE + '<polygon points="1 2 a"/></svg>', "numbers were expected"),
        (PAGE + '<circle r="-2"/></svg>', "below 0"),
        (HEAD + 'viewBox="0 0 0 5"></svg>', "viewBox"),
        (HEAD + 'width="0" height="5"><line x2="3"/></svg>', "page without a size"),
        (PAGE + "</svg>", "no outline"),
        (PAGE + "<text>a</text></svg>", "text skipped once in line 2"),
        ("<html></html>", "no SVG drawing"),
        (b"\xff\x00\x10<svg>", "not valid XML"),
        ('<?xml version="1.0" encoding="klingon"?><svg/>', ""),
    ],
)  # fmt: skip
def test_what_is_refused(outlines, text, words):
    assert words in refused(outlines, text)


def test_a_use_that_doubles_thirty_times_is_refused_at_once(outlines):
    """The 'billion laughs' without entities: every group shows the one before it twice."""
    groups = '<g id="g0"><line x2="1"/></g>' + "".join(
        f'<g id="g{i}"><use href="#g{i - 1}"/><use href="#g{i - 1}"/></g>' for i in range(1, 31)
    )
    start = time.perf_counter()
    assert "used again" in refused(outlines, PAGE + groups + "</svg>")
    assert time.perf_counter() - start < 2.0


def test_a_drawing_without_a_page_lies_about_its_own_middle(outlines):
    (found,), tally = outlines(HEAD + '><line x1="96" x2="288" y1="5" y2="5" stroke="red"/></svg>')
    np.testing.assert_allclose(found, [[-25.4, 0], [25.4, 0]], atol=1e-9)
    assert any("no page" in remark for remark in tally.remarks())
