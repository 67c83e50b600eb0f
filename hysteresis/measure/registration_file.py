"""registration.json: written once, read strictly; and which registration a run has."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from hysteresis.bench import Bench
from hysteresis.errors import InputError
from hysteresis.files import read_json, write_json
from hysteresis.homography import Homography
from hysteresis.measure.lens import Lens
from hysteresis.measure.registration import Known, MarksLeft, Registration, register
from hysteresis.measure.view_fit import TERMS, View
from hysteresis.plain_content import FINITE, PartFault, entries, number, numbers, within, word
from hysteresis.run_folder import RunFolder
from hysteresis.tables import Floats

SCHEMA, SCHEMA_VERSION = "hysteresis registration", 1
SOURCES = ("fiducials", "target", "typed points", "clicked points", "traced grid")
_MEND = "make it again with: hysteresis register RUN --target STILL --force"
_MOST_PX = 1e6
_SAME_PX = 1e-6


def write_registration(
    path: Path | str, registration: Registration, sources: Mapping[str, str], *,
    overwrite: bool = False,
) -> None:  # fmt: skip
    """Write registration.json. `sources`: SHA-256 of each file it was made from, by name."""
    r = registration
    content: dict[str, Any] = {
        "schema": SCHEMA,
        "schema_version": SCHEMA_VERSION,
        "source": r.source,
        "picture_px": [r.width_px, r.height_px],
        "marks": r.fiducials,
        "residual_px": _or_none(r.residual_px),
        "residual_mm": _or_none(r.residual_mm),
        "mm_per_px": r.mm_per_px,
        "homography_px_to_mm": r.homography.matrix.ravel().tolist(),
        "lens": None,
        "uncertainty": None,
        "left_at_marks": None,
        "notes": list(r.notes),
        "sources": dict(sources),
    }
    if r.lens is not None:
        content["lens"] = {
            "size_px": r.lens.size_px, **{t: getattr(r.lens, t) for t in TERMS},
        }  # fmt: skip
    if r.known is not None:
        view = r.known.view
        content["uncertainty"] = {
            "view": view.matrix.ravel().tolist(),
            "mm_centre": view.mm_centre.tolist(), "mm_size": view.mm_size,
            "px_centre": view.px_centre.tolist(), "px_size": view.px_size,
            "lens_terms": list(r.known.terms),
            "covariance": r.known.covariance.ravel().tolist(),
            "relative_scale_sigma": r.known.scale_sigma.tolist(),
        }  # fmt: skip
    if r.left is not None:
        content["left_at_marks"] = {
            "x_mm": r.left.mm[:, 0].tolist(), "y_mm": r.left.mm[:, 1].tolist(),
            "error_u_px": r.left.error_px[:, 0].tolist(),
            "error_v_px": r.left.error_px[:, 1].tolist(),
            "error_x_mm": r.left.error_mm[:, 0].tolist(),
            "error_y_mm": r.left.error_mm[:, 1].tolist(),
            "used": [int(used) for used in r.left.used],
        }  # fmt: skip
    write_json(path, content, overwrite=overwrite)


def read_registration(path: Path | str) -> Registration:
    """Read registration.json.

    Raises `InputError` for a file of another kind, a newer schema, missing or absurd content.
    """
    data = read_json(path, mend=_MEND)
    if not isinstance(data, dict) or data.get("schema") != SCHEMA:
        raise InputError("this is not a registration of this toolkit", file=path, mend=_MEND)
    version = data.get("schema_version")
    if type(version) is not int or version < 1:
        raise InputError("the registration has no schema version", file=path,
                         column="schema_version", value=version, mend=_MEND)  # fmt: skip
    if version > SCHEMA_VERSION:
        raise InputError(
            f"the registration has schema version {version}, newer than {SCHEMA_VERSION}, which "
            "this version of the toolkit reads",
            file=path, mend="update the toolkit, or register again with this one",
        )  # fmt: skip
    try:
        return _from_json(data)
    except PartFault as fault:
        raise InputError(
            f"the registration's content is not as it should be: {fault}", file=path, mend=_MEND
        ) from fault


def registration_of(
    folder: RunFolder | Path | str, bench: Bench, picture: Any = None, *,
    size_px: tuple[int, int] | None = None,
) -> Registration:  # fmt: skip
    """The registration of a run: registration.json, else fiducials, else the target in `picture`.

    `picture` is one of the plane as the film shows it, such as its median frame, (h, w) or
    (h, w, 3). A registration of another picture size is scaled to it, or to `size_px` (width,
    height) where only that is known.

    Raises `InputError` when there is none of the three, or none that fits the picture.
    """
    run = folder if isinstance(folder, RunFolder) else RunFolder(Path(folder))
    if run.registration_json.exists():
        registration = read_registration(run.registration_json)
        if picture is not None:
            height, width = np.shape(picture)[:2]
            size_px = int(width), int(height)
        return registration if size_px is None else registration.for_picture(*size_px)
    if bench.camera is not None and bench.camera.fiducials:
        return register(bench.camera)
    mend = (
        f"print the target (hysteresis target), photograph it in the plane of the spot, and give "
        f"the picture: hysteresis register {run.path} --target STILL; or add fiducials to "
        "[camera] in bench.toml"
    )
    if picture is None:
        raise InputError(
            "nothing says where the camera's pixels lie on the target plane: the run has no "
            "registration.json, and bench.toml no fiducials",
            file=run.path, mend=mend,
        )  # fmt: skip
    from hysteresis.measure.find_target import TargetFault, find_target
    from hysteresis.measure.from_target import register_target

    try:
        return register_target([find_target(picture)], bench)
    except TargetFault as fault:
        raise InputError(
            "nothing says where the camera's pixels lie on the target plane: the run has no "
            f"registration.json, bench.toml no fiducials, and in the film {fault.what}",
            file=run.path,
            mend=f"{fault.mend}, or photograph it alone: hysteresis register {run.path} --target "
            "STILL",
        ) from fault


# ---- reading -----------------------------------------------------------------------------------


def _or_none(value: float) -> float | None:
    return value if np.isfinite(value) else None


def _from_json(data: dict[str, Any]) -> Registration:
    size = numbers(data, "picture_px", _MOST_PX)
    if size.shape != (2,) or (size < 0).any() or (size != np.round(size)).any():
        raise PartFault("picture_px", "is not a width and a height")
    marks = number(data, "marks", 4, 1e6)
    if marks != int(marks):
        raise PartFault("marks", "is not a whole number")
    matrix = _exactly(data, "homography_px_to_mm", 9).reshape(3, 3)
    if abs(np.linalg.det(matrix / np.linalg.norm(matrix))) < 1e-15:
        raise PartFault("homography_px_to_mm", "maps the picture onto a line")
    lens = None if data.get("lens") is None else _lens(entries(data, "lens"))
    known = None
    if data.get("uncertainty") is not None:
        content = entries(data, "uncertainty")
        with within("uncertainty"):
            known = _known(content)
        with within("homography_px_to_mm"):
            _agree(known.view, Homography(matrix))
    notes = data.get("notes")
    if not isinstance(notes, list) or not all(isinstance(note, str) for note in notes):
        raise PartFault("notes", "is not a list of texts")
    sources = entries(data, "sources")
    for name in sources:
        with within("sources"):
            word(sources, name)
    left = None
    if data.get("left_at_marks") is not None:
        with within("left_at_marks"):
            left = _left(entries(data, "left_at_marks"))
    return Registration(
        homography=Homography(matrix),
        fiducials=int(marks),
        residual_mm=_number_or_nan(data, "residual_mm"),
        mm_per_px=number(data, "mm_per_px", 1e-9, 1e6),
        notes=tuple(notes),
        lens=lens,
        known=known,
        residual_px=_number_or_nan(data, "residual_px"),
        width_px=int(size[0]),
        height_px=int(size[1]),
        source=word(data, "source", SOURCES),
        left=left,
    )


def _number_or_nan(data: dict[str, Any], name: str) -> float:
    return float("nan") if data.get(name) is None else number(data, name, 0.0, 1e9)


def _exactly(data: dict[str, Any], name: str, count: int, most: float = FINITE) -> Floats:
    values = numbers(data, name, most)
    if len(values) != count:
        raise PartFault(name, f"holds {len(values)} numbers where {count} belong")
    return values


def _lens(content: dict[str, Any]) -> Lens:
    with within("lens"):
        at = {t: number(content, t, -_MOST_PX, _MOST_PX) for t in ("centre_u_px", "centre_v_px")}
        bent = {t: number(content, t, -100.0, 100.0) for t in ("k1", "k2", "p1", "p2")}
        return Lens(**at, size_px=number(content, "size_px", 1.0, _MOST_PX), **bent)


def _known(content: dict[str, Any]) -> Known:
    terms = content.get("lens_terms")
    if not isinstance(terms, list) or not set(map(str, terms)) <= set(TERMS):
        raise PartFault("lens_terms", f"is not a list of {', '.join(TERMS)}")
    n = 8 + len(terms)
    covariance = _exactly(content, "covariance", n * n).reshape(n, n)
    size = np.sqrt(np.maximum(np.diag(covariance), 1e-300))
    relative = covariance / np.outer(size, size)
    if not np.allclose(relative, relative.T, atol=1e-6) or (
        np.linalg.eigvalsh((relative + relative.T) / 2.0).min() < -1e-6
    ):
        raise PartFault("covariance", "is not that of any numbers")
    view = View(
        _exactly(content, "view", 9).reshape(3, 3), _exactly(content, "mm_centre", 2, 1e6),
        number(content, "mm_size", 1e-6, 1e6), _exactly(content, "px_centre", 2, _MOST_PX),
        number(content, "px_size", 1e-3, _MOST_PX),
    )  # fmt: skip
    scale = _exactly(content, "relative_scale_sigma", 2, 1.0)
    return Known(view, tuple(terms), covariance, scale)


def _agree(view: View, homography: Homography) -> None:
    """PartFault unless the homography is the view's own inverse at five places."""
    reach = np.array([[0, 0], [1, 1], [1, -1], [-1, 1], [-1, -1]]) * 0.7 * view.mm_size
    mm = view.mm_centre + reach
    back = np.column_stack(homography.apply(*view.px(mm).T))
    if not np.abs(back - mm).max() < _SAME_PX * max(view.mm_size, 1.0):
        raise ValueError("it is not the one of its own uncertainty")


def _left(content: dict[str, Any]) -> MarksLeft:
    names = ("x_mm", "y_mm", "error_u_px", "error_v_px", "error_x_mm", "error_y_mm", "used")
    x, y, u, v, a, b, used = columns = [numbers(content, name) for name in names]
    if len({len(column) for column in columns}) != 1:
        raise PartFault("x_mm", "is not as long as the others")
    return MarksLeft(
        np.column_stack([x, y]), np.column_stack([u, v]), np.column_stack([a, b]), used != 0
    )
