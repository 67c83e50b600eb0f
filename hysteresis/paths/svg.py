"""SVG drawings as toolpaths: every outline that has a stroke, traced once, in the file's order.

Read are path, rect, circle, ellipse, line, polyline and polygon, with transforms, groups, use,
symbol, nested svg and viewBox. Lengths are those of the standard at 96 px per inch (SVG 1.1, 4.2
and 7; CSS 2.1, 4.3.2); y is turned up and the middle of the page laid on the field's centre. An
element that says nothing of a stroke is traced too, and said so: by the standard it has none, but
who draws outlines for a beam often leaves it out. Fills, text, pictures, clipping and masks
are passed over and named. Path data are split by the library svgelements (extra `drawings`).
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from hysteresis.errors import InputError
from hysteresis.paths.chunking import Rows, rows_of, start_row
from hysteresis.paths.curves import TooManyChords
from hysteresis.paths.notes import Tally
from hysteresis.paths.placement import FARTHEST_MM
from hysteresis.paths.svg_shapes import PLAIN, Matrix, Shapes, leading_number
from hysteresis.paths.svg_tree import (
    HREFS,
    INHERITED,
    MOST_ELEMENTS,
    Element,
    Rule,
    everything,
    read_tree,
    style_of,
    style_rules,
)
from hysteresis.tables import Floats

PX_MM = 25.4 / 96.0
SHAPES = frozenset(("path", "rect", "circle", "ellipse", "line", "polyline", "polygon"))
DRAWN_ELSEWHERE = frozenset((
    "defs", "symbol", "clipPath", "mask", "pattern", "marker", "linearGradient",
    "radialGradient", "filter", "title", "desc", "metadata", "style", "script", "",
))  # fmt: skip
PASSED_OVER = frozenset(("text", "image", "foreignObject", "video", "audio", "canvas", "iframe"))


def rows_of_svg(
    path: Path | str, tally: Tally, *, feed_mm_s: float, tolerance_mm: float
) -> Iterator[Rows]:
    """Rows of a drawing: the start, then for each outline a travel and its trace.

    The line of a row is the one on which its element begins. Where an outline starts at the end
    of the one before, the beam stays on. Raises InputError for what
    `svg_tree.read_tree` refuses, for numbers, units and path data that are none, and for a drawing
    without an outline.
    """
    drawing = _Drawing(path, tally, tolerance_mm)
    yield start_row()
    at = (math.nan, math.nan)
    for outline, line in drawing.outlines():
        if len(outline) < 2 or not np.ptp(outline, axis=0).any():
            tally.note("outlines without a length are left out", line)
            continue
        if (outline[0, 0], outline[0, 1]) != at:
            yield rows_of(outline[:1, 0], outline[:1, 1], beam=False, feed_mm_s=math.nan, line=line)
        yield rows_of(outline[1:, 0], outline[1:, 1], beam=True, feed_mm_s=feed_mm_s, line=line)
        at = (outline[-1, 0], outline[-1, 1])
    if math.isnan(at[0]):
        raise InputError(
            "the drawing holds no outline that can be traced", file=path,
            mend="; ".join(map(str, tally.skipped())) or "draw paths or shapes with a stroke",
        )  # fmt: skip


class _Drawing:
    """One drawing while it is walked through."""

    def __init__(self, path: Path | str, tally: Tally, tolerance_mm: float) -> None:
        self.path, self.tally, self.tolerance_mm = path, tally, tolerance_mm
        self.root = read_tree(path)
        self.read = Shapes(path, tally)
        self.rules: list[Rule] = style_rules(self.root, path, tally)
        self.by_id: dict[str, Element] = {}
        for element in everything(self.root):
            if "id" in element.attributes:
                self.by_id.setdefault(element.attributes["id"], element)
        self._refuse_growth()

    # ---- use: no element may hold itself, nor grow beyond bounds ------------------------------

    def _refuse_growth(self) -> None:
        sizes: dict[int, int] = {}
        depths: dict[int, int] = {}
        open_now: set[int] = set()

        def size(element: Element) -> int:
            key = id(element)
            if key in sizes:
                return sizes[key]
            if key in open_now or len(open_now) > 500:
                raise self.read.fault(
                    "an element that holds itself by way of use", element, None,
                    "take the reference out",
                )  # fmt: skip
            open_now.add(key)
            parts = list(element.children)
            target = self._target(element)
            if target is not None:
                parts.append(target)
            sizes[key] = min(1 + sum(map(size, parts)), 10 * MOST_ELEMENTS)
            depths[key] = 1 + max((depths[id(part)] for part in parts), default=0)
            open_now.discard(key)
            return sizes[key]

        if size(self.root) > MOST_ELEMENTS or depths[id(self.root)] > 300:
            raise self.read.fault(
                f"with all that is used again, more than {MOST_ELEMENTS} elements", self.root,
                None, "draw less of it by way of use",
            )  # fmt: skip

    def _target(self, element: Element) -> Element | None:
        """What a use element shows; None for any other element, or where there is no such thing."""
        if element.name != "use":
            return None
        reference = next((element.attributes[h] for h in HREFS if h in element.attributes), "")
        if reference and not reference.startswith("#"):
            raise self.read.fault(
                "a reference to another file", element, reference,
                "draw it in this file; nothing outside it is opened",
            )  # fmt: skip
        return self.by_id.get(reference[1:])

    # ---- the page -----------------------------------------------------------------------------

    def outlines(self) -> Iterator[tuple[Floats, int]]:
        """Outlines (n, 2) in mm in the field, with the line of their element."""
        box = self._view_box(self.root)
        page = [
            self.read.length(self.root, name, None, box[i + 2] if box else math.nan)
            for i, name in enumerate(("width", "height"))
        ]
        sized = not any(map(math.isnan, page))
        into = self._viewport(self.root, 0.0, 0.0, *page) if sized and box else PLAIN
        view = (box[2], box[3]) if box else (page[0], page[1])
        found = self._walk(self.root, into, {}, view)
        if sized:
            if not (0 < page[0] * PX_MM <= FARTHEST_MM and 0 < page[1] * PX_MM <= FARTHEST_MM):
                raise self.read.fault(
                    "a page without a size", self.root, None, "give width and height"
                )
            middle = 0.5 * np.array(page)
        else:
            # Neither a page nor a viewBox: the middle of what is drawn.
            whole = list(found)
            self.tally.note("the drawing has no page; its own middle is laid on the centre", 1)
            ends = [each for each, _ in whole if len(each)]
            middle = np.zeros(2)
            if ends:
                middle = 0.5 * (
                    np.min([e.min(axis=0) for e in ends], axis=0)
                    + np.max([e.max(axis=0) for e in ends], axis=0)
                )
            found = iter(whole)
        for points, line in found:
            yield (points - middle) * np.array([PX_MM, -PX_MM]), line

    def _view_box(self, element: Element) -> list[float] | None:
        text = element.attributes.get("viewBox")
        if text is None:
            return None
        box = self.read.numbers(element, text)
        if len(box) != 4 or not (box[2] > 0 and box[3] > 0):
            raise self.read.fault(
                "a viewBox that is not four numbers, the last two above 0", element, text,
                "write x y width height",
            )  # fmt: skip
        return box

    def _viewport(self, element: Element, x: float, y: float, w: float, h: float) -> Matrix:
        """From a viewBox to the place it fills (SVG 1.1, 7.8: preserveAspectRatio)."""
        box = self._view_box(element)
        if box is None:
            return np.array([[1.0, 0.0, x], [0.0, 1.0, y]])
        sx, sy = w / box[2], h / box[3]
        words = element.attributes.get("preserveAspectRatio", "xMidYMid meet").split()
        align = next((word for word in words if word.startswith("x")), "")
        if "none" not in words:
            sx = sy = max(sx, sy) if "slice" in words else min(sx, sy)
        share = {"Min": 0.0, "Mid": 0.5, "Max": 1.0}
        left, over = share.get(align[1:4], 0.5), share.get(align[5:8], 0.5)
        if "none" in words:
            left = over = 0.0
        return np.array([
            [sx, 0.0, x - box[0] * sx + left * (w - box[2] * sx)],
            [0.0, sy, y - box[1] * sy + over * (h - box[3] * sy)],
        ])  # fmt: skip

    # ---- the walk -----------------------------------------------------------------------------

    def _walk(
        self, element: Element, matrix: Matrix, above: dict[str, str], view: tuple[float, float]
    ) -> Iterator[tuple[Floats, int]]:
        """Outlines of an element and all within it, in px of the page."""
        name = element.name
        own = style_of(element, self.rules)
        style = {**above, **{k: v for k, v in own.items() if k in INHERITED and v != "inherit"}}
        if own.get("display") == "none" or leading_number(own.get("opacity")) == 0.0:
            self.tally.skip("hidden element", element.line)
            return
        for mark in ("clip-path", "mask"):
            if element.attributes.get(mark, "none") != "none":
                self.tally.note("clipping and masks are not applied", element.line)
        if "transform" in own:
            matrix = _then(matrix, self.read.transform(element, own["transform"]))
        if name in SHAPES:
            if self._shown(element, style):
                yield from self._placed(self.read.outlines(element, view), matrix, element)
        elif name in PASSED_OVER:
            self.tally.skip(name, element.line)
        elif name in ("svg", "g", "a", "switch"):
            if name == "svg" and element is not self.root:
                matrix, view = self._inner_page(element, matrix, view, element)
            for child in element.children:
                yield from self._walk(child, matrix, style, view)
        elif name == "use":
            yield from self._used(element, matrix, style, view)
        elif name not in DRAWN_ELSEWHERE:
            self.tally.skip(name if name.isidentifier() else "an element", element.line)

    def _used(
        self, element: Element, matrix: Matrix, style: dict[str, str], view: tuple[float, float]
    ) -> Iterator[tuple[Floats, int]]:
        target = self._target(element)
        if target is None:
            self.tally.note("a use that refers to nothing is left out", element.line)
            return
        x, y = (self.read.length(element, c, 0.0, view[i]) for i, c in enumerate("xy"))
        matrix = _then(matrix, np.array([[1.0, 0.0, x], [0.0, 1.0, y]]))
        if target.name != "symbol":
            yield from self._walk(target, matrix, style, view)
            return
        own = style_of(target, self.rules)
        style = {**style, **{k: v for k, v in own.items() if k in INHERITED}}
        matrix, view = self._inner_page(target, matrix, view, element)
        for child in target.children:
            yield from self._walk(child, matrix, style, view)

    def _inner_page(
        self, element: Element, matrix: Matrix, view: tuple[float, float], sized: Element
    ) -> tuple[Matrix, tuple[float, float]]:
        """The matrix and view within a nested svg or a symbol; `sized` says how large it is."""
        x, y = (
            (self.read.length(element, c, 0.0, view[i]) for i, c in enumerate("xy"))
            if element is sized
            else (0.0, 0.0)
        )
        w = self.read.length(sized, "width", view[0], view[0])
        h = self.read.length(sized, "height", view[1], view[1])
        box = self._view_box(element)
        if box and (math.isnan(w) or math.isnan(h)):
            w, h = box[2], box[3]
        return (
            _then(matrix, self._viewport(element, x, y, w, h)),
            (box[2], box[3]) if box else (w, h),
        )

    def _shown(self, element: Element, style: dict[str, str]) -> bool:
        if style.get("visibility", "visible") in ("hidden", "collapse"):
            self.tally.skip("hidden element", element.line)
            return False
        stroke = style.get("stroke", "")
        if (
            stroke in ("none", "transparent")
            or leading_number(style.get("stroke-opacity")) == 0.0
            or leading_number(style.get("stroke-width")) == 0.0
        ):
            self.tally.skip(f"{element.name} without stroke", element.line)
            return False
        if not stroke:
            self.tally.note(
                "elements that say nothing of a stroke are traced along their outline",
                element.line,
            )
        return True

    def _placed(
        self, outlines: Iterator[list[Any]], matrix: Matrix, element: Element
    ) -> Iterator[tuple[Floats, int]]:
        """Flatten outlines in the element's own axes and put them on the page, in px."""
        stretch = float(np.linalg.svd(matrix[:, :2], compute_uv=False)[0])
        if not (np.isfinite(matrix).all() and stretch < 1e9):
            raise self.read.fault("a transform without end", element, None, "check its numbers")
        tolerance = self.tolerance_mm / PX_MM / stretch if stretch > 0 else 1.0
        try:
            for outline in outlines:
                points = [outline[0][None, :]]
                for make in outline[1:]:
                    points.append(make(tolerance))
                with np.errstate(invalid="ignore"):  # numbers without end fail below
                    flat = np.concatenate(points) @ matrix[:, :2].T + matrix[:, 2]
                if not (np.abs(flat) * PX_MM <= FARTHEST_MM).all():  # NaN too
                    raise self.read.fault(
                        f"a position more than {FARTHEST_MM:g} mm away", element, None,
                        "check the numbers and transforms of this element",
                    )  # fmt: skip
                yield flat, element.line
        except TooManyChords:
            raise self.read.fault(
                "a curve too large for this tolerance", element, None,
                "check its size, or give a larger tolerance",
            ) from None  # fmt: skip


def _then(outer: Matrix, inner: Matrix) -> Matrix:
    """First `inner`, then `outer`."""
    return np.column_stack([outer[:, :2] @ inner[:, :2], outer[:, :2] @ inner[:, 2] + outer[:, 2]])
