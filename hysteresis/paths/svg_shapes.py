"""Elements of SVG drawings as outlines in their own axes: shapes, path data, lengths, transforms.

An outline is a list: its start (2,), then functions that take a tolerance in the element's own
unit and give the ends of chords (n, 2).
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from hysteresis.errors import InputError
from hysteresis.paths.curves import bezier_chords, ellipse_chords
from hysteresis.paths.notes import Tally
from hysteresis.paths.svg_tree import Element
from hysteresis.tables import Floats

UNITS_PX = {
    "": 1.0, "px": 1.0, "in": 96.0, "mm": 96.0 / 25.4, "cm": 960.0 / 25.4, "Q": 24.0 / 25.4,
    "pt": 96.0 / 72.0, "pc": 16.0,
}  # fmt: skip
_NUMBER = r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?"
_LENGTH = re.compile(rf"\s*({_NUMBER})\s*(px|in|mm|cm|Q|pt|pc|%)?\s*")
_PATH_DATA = re.compile(r"\s*(?:[Mm][\sMmZzLlHhVvCcSsQqTtAa0-9eE+\-.,]*)?")
_TRANSFORM = re.compile(
    r"[\s,]*(?:(?:matrix|translate|scale|rotate|skewX|skewY)\s*\([\s0-9eE+\-.,a-z]*\)[\s,]*)*"
)
_NUMBERS = re.compile(rf"[\s,]*{_NUMBER}")

Matrix = Floats  # (2, 3)
PLAIN: Matrix = np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])


class Shapes:
    """Reads what one element says; complaints name the file and the element's line."""

    def __init__(self, path: Path | str, tally: Tally) -> None:
        try:
            import svgelements
        except ImportError as error:
            raise InputError(
                "drawings need the library svgelements, which is not installed", file=path,
                mend='install it: pip install "hysteresis[drawings]"',
            ) from error  # fmt: skip
        self.library: Any = svgelements
        self.path, self.tally = path, tally

    def fault(self, what: str, element: Element, value: object, mend: str) -> InputError:
        return InputError(what, file=self.path, row=element.line, value=value, mend=mend)

    def outlines(self, element: Element, view: tuple[float, float]) -> Iterator[list[Any]]:
        name = element.name
        diagonal = math.hypot(*view) / math.sqrt(2.0)

        def length(key: str, default: float | None = 0.0) -> float:
            of = view[0] if key in ("x", "x1", "x2", "cx", "width", "rx") else view[1]
            return self.length(element, key, default, diagonal if key == "r" else of)

        if name == "path":
            yield from self._path(element)
        elif name == "line":
            a, b = np.array([length("x1"), length("y1")]), np.array([length("x2"), length("y2")])
            yield [a, _to(b)]
        elif name in ("polyline", "polygon"):
            flat = self.numbers(element, element.attributes.get("points", ""))
            points = np.array(flat[: len(flat) // 2 * 2]).reshape(-1, 2)
            if len(flat) % 2:
                self.tally.note("a list of points ends in the middle of one", element.line)
            if len(points):
                ends = [*points[1:], *([points[0]] if name == "polygon" else [])]
                yield [points[0], *map(_to, ends)]
        elif name == "rect":
            yield from self._rect(element, length)
        else:
            rx, ry = (length("r"),) * 2 if name == "circle" else (length("rx"), length("ry"))
            if rx < 0 or ry < 0:
                raise self.fault("a radius below 0", element, None, "write it above 0")
            if rx > 0 and ry > 0:
                centre = np.array([length("cx"), length("cy")])
                yield [centre + np.array([rx, 0.0]), _arc(centre, rx, ry, 0.0, 2.0 * math.pi)]

    def _rect(self, element: Element, length: Any) -> Iterator[list[Any]]:
        """SVG 1.1, 9.2: from the left end of the upper side, clockwise on the page."""
        x, y, w, h = length("x"), length("y"), length("width"), length("height")
        if w < 0 or h < 0:
            raise self.fault("a width or height below 0", element, None, "write it above 0")
        if w == 0 or h == 0:
            return
        rx, ry = length("rx", math.nan), length("ry", math.nan)
        rx, ry = ry if math.isnan(rx) else rx, rx if math.isnan(ry) else ry
        rx = 0.0 if not rx > 0 else min(rx, 0.5 * w)
        ry = 0.0 if not ry > 0 else min(ry, 0.5 * h)
        if rx == 0.0 or ry == 0.0:
            corners = np.array([[x, y], [x + w, y], [x + w, y + h], [x, y + h], [x, y]])
            yield [corners[0], *map(_to, corners[1:])]
            return
        quarter = 0.5 * math.pi
        outline: list[Any] = [np.array([x + rx, y])]
        for ex, ey, cx, cy, start in (
            (x + w - rx, y, x + w - rx, y + ry, -quarter),
            (x + w, y + h - ry, x + w - rx, y + h - ry, 0.0),
            (x + rx, y + h, x + rx, y + h - ry, quarter),
            (x, y + ry, x + rx, y + ry, 2 * quarter),
        ):
            outline.append(_to(np.array([ex, ey])))
            outline.append(_arc(np.array([cx, cy]), rx, ry, start, quarter))
        yield outline

    def _path(self, element: Element) -> Iterator[list[Any]]:
        data = element.attributes.get("d", "")
        if data.strip() in ("", "none"):
            return
        bad = self.fault(
            "path data that are not those of SVG",
            element,
            data[:60],
            "begin with M and write letters of path commands and numbers",
        )
        if not _PATH_DATA.fullmatch(data):
            raise bad
        try:
            segments = list(self.library.Path(data).segments(transformed=False))
            outlines = list(self._split(segments, bad))
        except InputError:
            raise
        except Exception as error:  # the library says what it cannot read in many ways
            raise bad from error
        yield from outlines

    def _split(self, segments: list[Any], bad: InputError) -> Iterator[list[Any]]:
        """Segments of the library as outlines; TypeError for a place it could not make out."""
        outline: list[Any] = []
        for segment in segments:
            kind = type(segment).__name__
            end = segment.end
            if kind == "Move":
                if len(outline) > 1:
                    yield outline
                outline = [_xy(end)]
                continue
            if end is None or segment.start is None or not outline:
                raise bad
            if kind in ("Line", "Close"):
                outline.append(_to(_xy(end)))
            elif kind == "Arc":
                outline.append(_svg_arc(segment))
            else:
                middle = (
                    (segment.control,)
                    if kind == "QuadraticBezier"
                    else (segment.control1, segment.control2)
                )
                control = np.array([_xy(p) for p in (segment.start, *middle, end)])
                outline.append(_bezier(control))
            if kind == "Close":
                yield outline
                outline = [_xy(end)]
        if len(outline) > 1:
            yield outline

    def length(self, element: Element, name: str, default: float | None, whole: float) -> float:
        """A length in px; `whole` is what 100 % means. Without default, `whole` stands in."""
        text = element.attributes.get(name)
        if text is None or text.strip() == "auto":
            return whole if default is None else default
        found = _LENGTH.fullmatch(text)
        if not found:
            raise self.fault(
                f"{name} is not a length that can be read", element, text,
                "write a number with mm, cm, in, pt, px or nothing behind it",
            )  # fmt: skip
        if found[2] == "%":
            return float(found[1]) / 100.0 * whole
        return float(found[1]) * UNITS_PX[found[2] or ""]

    def numbers(self, element: Element, text: str) -> list[float]:
        found, at = [], 0
        while match := _NUMBERS.match(text, at):
            found.append(float(match[0].replace(",", " ")))
            at = match.end()
        if text[at:].strip(" \t\r\n,"):
            raise self.fault(
                "numbers were expected", element, text[at : at + 40], "write numbers and blanks"
            )
        return found

    def transform(self, element: Element, text: str) -> Matrix:
        if text in ("none", ""):
            return PLAIN
        bad = self.fault(
            "a transform that cannot be read",
            element,
            text[:60],
            "write matrix, translate, scale, rotate, skewX or skewY with numbers",
        )
        if not _TRANSFORM.fullmatch(text):
            raise bad
        try:
            m = self.library.Matrix(text)
            values = [float(v) for v in (m.a, m.c, m.e, m.b, m.d, m.f)]
        except Exception as error:  # the library says what it cannot read in many ways
            raise bad from error
        if not np.isfinite(values).all():
            raise bad
        return np.array(values).reshape(2, 3)


def _svg_arc(segment: Any) -> Any:
    """An arc of path data: SVG 1.1, implementation notes F.6; a radius of 0 is a line (F.6.2)."""
    centre, end = _xy(segment.center), _xy(segment.end)
    u, v = _xy(segment.prx) - centre, _xy(segment.pry) - centre
    if not (u.any() and v.any()):
        return _to(end)
    start, sweep = float(segment.get_start_t()), float(segment.sweep)

    def make(tolerance: float) -> Floats:
        points = ellipse_chords(centre, u, v, start, sweep, tolerance)
        points[-1] = end
        return points

    return make


def _arc(centre: Floats, rx: float, ry: float, start: float, sweep: float) -> Any:
    u, v = np.array([rx, 0.0]), np.array([0.0, ry])
    return lambda tolerance: ellipse_chords(centre, u, v, start, sweep, tolerance)


def _bezier(control: Floats) -> Any:
    return lambda tolerance: bezier_chords(control, tolerance)


def _to(end: Floats) -> Any:
    return lambda _: end[None, :]


def _xy(point: Any) -> Floats:
    return np.array([float(point.x), float(point.y)])


def leading_number(text: str | None) -> float | None:
    found = _LENGTH.fullmatch(text or "")
    return float(found[1]) if found else None
