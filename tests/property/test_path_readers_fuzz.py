"""Readers of toolpaths meet anything: they read it, or say in one sentence what is wrong."""

from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from hysteresis.bench import TEMPLATE, Bench
from hysteresis.errors import DataError, InputError
from hysteresis.paths.placement import Placement
from hysteresis.paths.source import open_path

QUICK = settings(
    max_examples=120, deadline=None, suppress_health_check=[HealthCheck.too_slow], database=None
)
BENCH = Bench.model_validate(tomllib.loads(TEMPLATE))


def _dxf() -> bytes:
    """A short R12 text with every kind of group that is read."""

    def entity(kind: str, *pairs: object) -> str:
        return f"0\n{kind}\n8\n0\n" + "".join(
            f"{a}\n{b}\n" for a, b in zip(pairs[::2], pairs[1::2], strict=True)
        )

    return (
        "0\nSECTION\n2\nBLOCKS\n0\nBLOCK\n8\n0\n2\nB\n70\n0\n10\n0\n20\n0\n30\n0\n"
        + entity("CIRCLE", 10, 0, 20, 0, 40, 2) + "0\nENDBLK\n8\n0\n0\nENDSEC\n"
        + "0\nSECTION\n2\nENTITIES\n"
        + entity("LINE", 5, "A1", 10, 0, 20, 0, 11, 5, 21, 5.5)
        + entity("ARC", 5, "A2", 10, 0, 20, 0, 40, 5, 50, 10, 51, 80)
        + entity("POLYLINE", 5, "A3", 66, 1, 70, 1)
        + entity("VERTEX", 10, 0, 20, 0, 42, 0.5) + entity("VERTEX", 10, 4, 20, 1)
        + "0\nSEQEND\n8\n0\n"
        + entity("INSERT", 5, "A4", 2, "B", 10, 3, 20, 3, 41, 2, 50, 30)
        + "0\nENDSEC\n0\nEOF\n"
    ).encode()  # fmt: skip


VALID: dict[str, bytes] = {
    "a.ngc": b"%\nN1 G21 G90 (a)\nM3 S10 F600\nG1 X1.5 Y-2 *12\nG2 X3 Y-0.5 I0 J1.5\n/G3 X1 R4\n"
    b"G92 X3\nG91 G1 X2 E1\nG4 P.5\nM5\n%",
    "a.csv": b"x_mm,y_mm,beam,feed_mm_s,dwell_s\n0,0,0,,\n10,0,1,40,\n10,10,1,40,0.5\n",
    "a.svg": b'<svg xmlns="http://www.w3.org/2000/svg" width="40mm" height="4cm" '
    b'viewBox="0 0 40 40">'
    b'<style>.a{stroke:red} #b{display:none}</style><defs><circle id="c" r="3"/></defs>'
    b'<g transform="translate(3 4) rotate(30)"><rect width="5" height="6" rx="1" class="a"/></g>'
    b'<path d="M1 2c3 4 5 6 7 8q1 2 3 4a5 3 20 1 0 6 2z"/><use href="#c" x="9" y="9"/>'
    b'<polygon points="0,0 4,4 8,0"/><ellipse rx="3" ry="2"/></svg>',
    "a.dxf": _dxf(),
    "a.toml": b'name = "a"\nlayers = 2\nfeed_mm_s = 5.0\n[park]\nx_mm = 4.0\ny_mm = 0.0\n'
    b'wait_s = 1.0\n[[parts]]\nfile = "part.ngc"\nscale = 2.0\n[parts.grid]\ncolumns = 2\n',
}  # fmt: skip

_SPLINTERS = [
    *(b.encode() for b in ",;\t\"'\n\r#[]{}=.-_ <>/&()*%MGXEZz"),
    *(b.encode() for b in ("nan", "inf", "1e999", "-0", "1_0", "−1", "٣", "½", "", "1e9", "é")),
    *(b"\xef\xbb\xbf", b"\xff\xfe", b"\xb5", b"\x00", b"\r\n", b"\x1c", b"9" * 400, b"<g>" * 120),
    *(b"<!DOCTYPE a [<!ENTITY b 'c'>]>", b"&b;", b'<use href="#c"/>', b"matrix(0 0 0 0 0 0)"),
    *(b"scale(1e200)", b"0\nINSERT\n2\nB\n", b"0\nSPLINE\n", b"42\n1e300\n", b"\xed\xa0\x80"),
    *(b"G92.3", b"G90.1", b"R-5", b"I1J1", b"-1", b"0", b"1e-300", b"50%", b"3em"),
]
edits = st.lists(
    st.tuples(
        st.integers(0, 5000),
        st.integers(0, 12),
        st.one_of(st.sampled_from(_SPLINTERS), st.binary(max_size=6)),
    ),
    min_size=1,
    max_size=5,
)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("fuzz")
    (made / "part.ngc").write_text("M3 F60 G1 X1\nY1\n")
    return made


def read_or_complain(
    folder: Path, name: str, data: bytes, placement: Placement, *, skip: bool
) -> bool:
    """Whether it was read; if not, the complaint is one sentence that names the file."""
    file = folder / name
    file.write_bytes(data)
    try:
        source = open_path(
            file, BENCH, default_feed_mm_s=5.0, skip_unknown=skip, placement=placement
        )
        for chunk in source.chunks():
            line = chunk.polyline
            assert np.isfinite(line.x_mm).all() and np.isfinite(line.y_mm).all()
            assert (np.maximum(abs(line.x_mm), abs(line.y_mm)) <= 49 * (1 + 1e-6)).all()
            moved = np.hypot(np.diff(line.x_mm), np.diff(line.y_mm)) > 0
            assert (line.feed_mm_s[1:][moved & line.beam[1:]] > 0).all()
            assert (line.dwell_s >= 0).all() and (chunk.line_of_vertex >= 0).all()
        assert source.notes.rows >= 2
    except (InputError, DataError) as error:
        text = str(error)
        assert "\n" not in text and "\r" not in text and text.endswith(".")
        assert str(folder) in text and len(text) < len(str(file)) + 900
        return False
    return True


@pytest.mark.parametrize("name", VALID)
def test_the_files_that_are_mutated_are_valid(folder, name):
    assert read_or_complain(folder, name, VALID[name], Placement(), skip=True)


@pytest.mark.parametrize("name", VALID)
@QUICK
@given(data=st.one_of(st.binary(max_size=200), st.text(max_size=80).map(
    lambda t: t.encode("utf-8", "surrogatepass"))), skip=st.booleans())  # fmt: skip
def test_any_bytes(folder, name, data, skip):
    read_or_complain(folder, name, data, Placement(), skip=skip)


@pytest.mark.parametrize("name", VALID)
@QUICK
@given(changes=edits, skip=st.booleans(), fit=st.booleans())
def test_damaged_files(folder, name, changes, skip, fit):
    data = VALID[name]
    for where, out, put in changes:
        where %= len(data) + 1
        data = data[:where] + put + data[where + out :]
    read_or_complain(folder, name, data, Placement(fit=fit), skip=skip)


numbers = st.one_of(
    st.sampled_from(["0", "1", "-1", "1e9", "1e300", "-1e-300", "49", "nan", "1e999", ".5", "-"]),
    st.floats(-60, 60).map(lambda v: f"{v:.6g}"),
)


commands = st.lists(
    st.tuples(st.sampled_from("MmLlHhVvCcSsQqTtAaZz"), st.lists(numbers, max_size=7)), max_size=6
)
transforms = st.sampled_from(
    ["", "scale({0} {1})", "rotate({0})", "skewX({0})", "matrix({0} {1} 0 {1} 0 0)"]
)


@QUICK
@given(commands, transforms, numbers, numbers)
def test_any_path_data_and_transforms(folder, commands, transform, a, b):
    data = " ".join([letter + " ".join(numbers) for letter, numbers in commands])
    text = (
        f'<svg width="50mm" height="50mm" viewBox="0 0 50 50"><path d="M0 0{data}" '
        f'transform="{transform.format(a, b)}"/></svg>'
    )
    read_or_complain(folder, "a.svg", text.encode(), Placement(fit=True), skip=False)
