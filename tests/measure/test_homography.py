"""Plane homography against two reference libraries, and by hand.

References: OpenCV (opencv-python-headless), `cv2.getPerspectiveTransform` and
`cv2.findHomography` with method 0, which minimises the same sum of squared distances in the
target plane; SciPy, `scipy.optimize.least_squares` on that sum, written out again here.
OpenCV takes points in single precision, so the points here are multiples of 1/64, which single
precision holds exactly.
"""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import least_squares

from hysteresis.errors import InputError
from hysteresis.homography import fit_homography, points_on_lines

CORNERS_PX = np.array([[102.0, 80.0], [1180.0, 95.0], [1150.0, 930.0], [130.0, 905.0]])
CORNERS_MM = np.array([[-50.0, 50.0], [50.0, 50.0], [50.0, -50.0], [-50.0, -50.0]])


def seen_fiducials(n: int, noise_px: float, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Fiducials in px, with noise, and in mm; multiples of 1/64."""
    rng = np.random.default_rng(seed)
    mm = np.vstack([CORNERS_MM, np.round(rng.uniform(-50, 50, (n - 4, 2)) * 64) / 64])
    true = fit_homography(CORNERS_MM, CORNERS_PX)
    px = np.column_stack(true.apply(mm[:, 0], mm[:, 1])) + rng.normal(0, noise_px, (n, 2))
    return np.round(px * 64) / 64, mm


def field_px() -> np.ndarray:
    return np.random.default_rng(1).uniform([100, 80], [1180, 930], (200, 2))


def test_unit_square_to_itself_doubled_by_hand() -> None:
    square = np.array([[0.0, 0], [1, 0], [1, 1], [0, 1]])
    h = fit_homography(square, 2 * square + [3, -1])
    np.testing.assert_allclose(h.matrix, [[2, 0, 3], [0, 2, -1], [0, 0, 1]], atol=1e-13)


def test_a_square_seen_as_a_trapezium_by_hand() -> None:
    # (u, v) -> (u, v) / (1 + v/2): the far side of the unit square is seen at two thirds
    square = np.array([[0.0, 0], [1, 0], [1, 1], [0, 1]])
    seen = square / (1 + square[:, 1:] / 2)
    h = fit_homography(square, seen)
    np.testing.assert_allclose(h.matrix, [[1, 0, 0], [0, 1, 0], [0, 0.5, 1]], atol=1e-12)
    x, y = h.apply(np.array([0.5]), np.array([0.5]))
    np.testing.assert_allclose([x[0], y[0]], [0.4, 0.4], atol=1e-12)


@pytest.mark.parametrize("seed", range(5))
def test_four_fiducials_equal_opencv(seed: int) -> None:
    px, mm = seen_fiducials(4, 3.0, seed)
    reference = cv2.getPerspectiveTransform(px.astype(np.float32), mm.astype(np.float32))
    ours = fit_homography(px, mm)
    field = field_px()
    np.testing.assert_allclose(
        np.column_stack(ours.apply(*field.T)),
        cv2.perspectiveTransform(field[None], reference)[0],
        atol=1e-8,
    )
    np.testing.assert_allclose(ours.matrix, reference, rtol=1e-8, atol=1e-8)


@pytest.mark.parametrize("n, noise_px", [(5, 0.0), (9, 0.0), (5, 0.5), (9, 0.2), (25, 1.0)])
def test_many_fiducials_equal_opencv(n: int, noise_px: float) -> None:
    for seed in range(5):
        px, mm = seen_fiducials(n, noise_px, seed)
        reference, _ = cv2.findHomography(px, mm, 0)
        ours = fit_homography(px, mm)

        def left(points: np.ndarray, mm: np.ndarray = mm) -> float:
            return float(np.sum((points - mm) ** 2))

        # ours may not be the worse minimum; the reference ends its refinement after ten steps,
        # which leaves it about 1e-5 mm short of the common minimum
        at_fiducials = cv2.perspectiveTransform(px[None], reference)[0]
        assert left(np.column_stack(ours.apply(*px.T))) <= left(at_fiducials) * (1 + 1e-12)
        field = field_px()
        np.testing.assert_allclose(
            np.column_stack(ours.apply(*field.T)),
            cv2.perspectiveTransform(field[None], reference)[0],
            atol=2e-5,
        )


@pytest.mark.parametrize("n, noise_px", [(5, 0.5), (9, 0.2), (25, 1.0)])
def test_many_fiducials_equal_scipy(n: int, noise_px: float) -> None:
    for seed in range(5):
        px, mm = seen_fiducials(n, noise_px, seed)
        centre, size = px.mean(axis=0), px.std()
        scaled = (px - centre) / size

        def project(h: np.ndarray, points: np.ndarray) -> np.ndarray:
            u, v = points.T
            w = h[6] * u + h[7] * v + 1
            return np.column_stack(
                [(h[0] * u + h[1] * v + h[2]) / w, (h[3] * u + h[4] * v + h[5]) / w]
            )

        best = least_squares(
            lambda h, scaled=scaled, mm=mm: (project(h, scaled) - mm).ravel(),
            [30.0, 0, 0, 0, -30.0, 0, 0, 0],
            xtol=1e-15, ftol=1e-15, gtol=1e-15, method="lm", max_nfev=10_000,
        )  # fmt: skip
        field = field_px()
        np.testing.assert_allclose(
            np.column_stack(fit_homography(px, mm).apply(*field.T)),
            project(best.x, (field - centre) / size),
            atol=1e-8,
        )


@given(
    st.lists(st.floats(-20, 20), min_size=8, max_size=8),
    st.floats(-45, 45),
    st.floats(-45, 45),
)
@settings(max_examples=100, deadline=None)
def test_the_inverse_undoes_and_the_jacobian_is_the_derivative(
    shift: list[float], x: float, y: float
) -> None:
    px = CORNERS_PX + np.reshape(shift, (4, 2))
    h = fit_homography(px, CORNERS_MM)
    u, v = h.inverse().apply(np.array([x]), np.array([y]))
    back = h.apply(u, v)
    np.testing.assert_allclose([back[0][0], back[1][0]], [x, y], atol=1e-9)
    assert h.in_front(u, v).all()
    step = 1e-3
    by_difference = np.array(
        [
            [(a - b) / (2 * step) for a, b in zip(*pair, strict=True)]
            for pair in (
                (h.apply(u + step, v), h.apply(u - step, v)),
                (h.apply(u, v + step), h.apply(u, v - step)),
            )
        ]
    )[:, :, 0].T
    # central differences of a rational function: error of order step² / (size of the picture)²
    np.testing.assert_allclose(h.jacobian(u, v)[0], by_difference, rtol=1e-6, atol=1e-8)


def test_an_upright_picture_without_a_last_entry() -> None:
    # the origin of the source lies on the horizon: the matrix's last entry is 0
    src = np.array([[1.0, 1], [1, -1], [3, 1], [3, -1]])
    dst = np.column_stack([1 / src[:, 0], src[:, 1] / src[:, 0]])
    x, y = fit_homography(src, dst).apply(np.array([2.0]), np.array([0.5]))
    np.testing.assert_allclose([x[0], y[0]], [0.5, 0.25], atol=1e-12)


def test_what_cannot_be_fitted_is_said() -> None:
    line = np.array([[0.0, 0], [1, 1], [2, 2], [5, 1]])
    assert points_on_lines(line) == [(0, 1, 2)]
    square = CORNERS_MM
    with pytest.raises(InputError, match="points 1, 2 and 3 lie on one line in the picture"):
        fit_homography(line, square)
    with pytest.raises(InputError, match="lie on one line on the target"):
        fit_homography(square, line)
    with pytest.raises(InputError, match="3 points do not fix a plane"):
        fit_homography(square[:3], square[:3])
    with pytest.raises(InputError, match="belong together"):
        fit_homography(CORNERS_PX, CORNERS_MM[[0, 1, 3, 2]])  # two corners swapped
    with pytest.raises(InputError, match="not a finite number"):
        fit_homography(CORNERS_PX * np.nan, CORNERS_MM)
    # three of five on a line do no harm
    px = np.vstack([CORNERS_PX, (CORNERS_PX[0] + CORNERS_PX[1]) / 2])
    mm = np.vstack([CORNERS_MM, fit_homography(CORNERS_PX, CORNERS_MM).apply(*px[4])])
    np.testing.assert_allclose(
        fit_homography(px, mm).matrix, fit_homography(px[:4], mm[:4]).matrix, atol=1e-9
    )
