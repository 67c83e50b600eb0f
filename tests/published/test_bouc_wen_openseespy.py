"""The Bouc-Wen element against the uniaxial material of OpenSees, an independent program.

Source: openseespy (optional, never a dependency; these tests are skipped where it cannot be
imported), uniaxialMaterial BoucWen: F = α k u + (1 − α) k z, dz/du = A − |z|^n (γ + β sgn(z du)),
integrated there by backward Euler, so of first order in the step: extrapolated here from three step
lengths (Richardson). Exact forces at the turns for n = 1 were computed beforehand from the closed
form by a program of its own.
"""

from __future__ import annotations

import ctypes
from importlib.util import find_spec
from pathlib import Path

import numpy as np
import pytest

from hysteresis.operators.bouc_wen import BoucWen

SHARE, STIFF, GAMMA, BETA = 0.1, 2.0, 0.4, 0.6
TURNS = np.array([2.0, -2.0, 2.0, -1.0, 1.5, 0.0])
FORCES = [1.95639649, -2.12680853, 2.12070703, -1.78507168, 1.76749914, -0.94526221]


def ours(n: float) -> np.ndarray:
    operator = BoucWen.from_textbook(1.0, BETA, GAMMA, n)
    z, _ = operator.torque(TURNS, np.ones(TURNS.size), operator.rest())
    return SHARE * STIFF * TURNS + (1.0 - SHARE) * STIFF * z


def test_exact_forces_at_the_turns() -> None:
    """Needs no other program. Half a unit of the last digit given."""
    np.testing.assert_allclose(ours(1.0), FORCES, rtol=0, atol=5.1e-9)


@pytest.fixture(scope="module")
def opensees():
    if find_spec("openseespy") is None:
        pytest.skip("openseespy is not installed (optional)")
    places = find_spec("openseespylinux")
    if places is not None:  # the wheel carries libraries that it does not find by itself
        for folder in places.submodule_search_locations or ():
            for name in ("libquadmath", "libgfortran", "libblas", "liblapack"):
                for library in sorted(Path(folder, "lib").glob(name + "*")):
                    ctypes.CDLL(str(library), mode=ctypes.RTLD_GLOBAL)
    try:
        from openseespy import opensees
    except (ImportError, OSError, RuntimeError) as fault:
        pytest.skip(f"openseespy cannot be loaded here: {fault}")
    return opensees


def theirs(opensees, n: float, per_leg: int) -> np.ndarray:
    opensees.wipe()
    opensees.model("basic", "-ndm", 1, "-ndf", 1)
    opensees.uniaxialMaterial(
        "BoucWen", 1, SHARE, STIFF, n, GAMMA, BETA, 1.0, 0.0, 0.0, 0.0, 1e-14, 100
    )
    opensees.testUniaxialMaterial(1)
    out, before = [], 0.0
    for turn in TURNS:
        for u in before + (turn - before) * np.arange(1, per_leg + 1) / per_leg:
            opensees.setStrain(float(u))
        out.append(opensees.getStress())
        before = turn
    return np.array(out)


@pytest.mark.parametrize("n", [1.0, 1.7, 2.0])
def test_forces_as_the_other_program_converges(opensees, n) -> None:
    coarse, middle, fine = (theirs(opensees, n, steps) for steps in (1000, 2000, 4000))
    once, twice = 2 * middle - coarse, 2 * fine - middle
    limit = (4 * twice - once) / 3
    # of second order, and for n = 1 not smoothly so: the kink at z = 0 falls inside a step
    left = np.abs(twice - once).max()
    print(f"\nn = {n}: first order {np.abs(fine - ours(n)).max():.1e}, "
          f"extrapolated {np.abs(limit - ours(n)).max():.1e}")  # fmt: skip
    assert np.abs(fine - middle).max() < 2e-3
    assert left < 1e-6
    np.testing.assert_allclose(ours(n), limit, rtol=0, atol=left if n == 1.0 else 0.1 * left)
