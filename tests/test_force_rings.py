"""Rings, tubes and holes, against ring tables and the thick cylinder.

[n]: row n of the 29 expected values of fit and force.
"""

from __future__ import annotations

import numpy as np
import pytest

from steps.force.rings import (
    bending_share,
    hoop_strain,
    lame_pressure,
    lip_factor,
    lip_spring,
    ring_give,
    shell_spring,
    tube_shift,
)
from tests.force_formulas import ring_coefficients, ring_force

E, NU = 2500.0, 0.36


def loaded(loads: int, radius: float, thickness: float, height: float = 8) -> float:
    """N/mm at each of so many equal loads."""
    angles = 2 * np.pi / loads * np.arange(loads) + 0.3
    return 1 / float(ring_give(angles, radius, thickness, height, E)[0].sum())


def test_the_closed_form_is_the_sum_of_the_harmonics() -> None:
    n = np.arange(2, 4000)
    for angle in (0.0, 0.4, 1.9, np.pi, -2.5, 7.0):
        assert bending_share(angle) == pytest.approx(
            float((np.cos(n * angle) / (n**2 - 1) ** 2).sum()), abs=1e-9
        )


def test_coefficients_of_equal_loads() -> None:
    """[7] Roark, ring table 9.2, cases 1 and 7 (from memory; re-derived by Castigliano):
    cb = ((th + sin th cos th) / (2 sin^2 th) - 1 / th) / 2, cm = (th + sin th cos th) / (4 sin^2 th)."""
    known = {2: 0.07439, 3: 0.01594, 4: 0.00608, 6: 0.00168}
    for loads, bent in known.items():
        th = np.pi / loads
        share = (th + np.sin(th) * np.cos(th)) / np.sin(th) ** 2
        cb, cm = ring_coefficients(loads)
        assert cb == pytest.approx(bent, abs=5e-6)
        assert cb == pytest.approx((share / 2 - 1 / th) / 2, rel=1e-9)
        assert cm == pytest.approx(share / 4, rel=1e-9)


@pytest.mark.parametrize(
    ("thickness", "radius", "stiffness"), [(1.6, 8, (176, 758, 1622)), (0.8, 9.6, (12.9, 59.4, 149.5))]
)
def test_a_ring_under_two_three_and_four_loads(
    thickness: float, radius: float, stiffness: tuple[float, ...]
) -> None:
    """[8, 9] E 2500, h 8, with membrane, N/mm a load."""
    assert [loaded(n, radius, thickness) for n in (2, 3, 4)] == pytest.approx(stiffness, rel=0.005)


def test_a_ring_twice_as_large() -> None:
    """[23, 24] All lengths: k x 2; the same wall and height twice the engaged: bending alone x 0.25, with
    membrane 0.31."""
    assert loaded(2, 16, 3.2, 16) / loaded(2, 8, 1.6, 8) == pytest.approx(2.0, rel=1e-9)
    thin = loaded(3, 19.2, 0.8, 16) / loaded(3, 9.6, 0.8, 8)
    assert thin == pytest.approx(0.25, rel=0.03)
    bulky = 1 / (0.07439 * 16**3 / (16 * 1.6**3 / 12) + 0.3927 * 16 / (16 * 1.6))
    assert loaded(2, 16, 1.6, 16) == pytest.approx(E * bulky, rel=1e-3)


def test_a_tube_hangs_like_a_cantilever() -> None:
    """a^3 / (3 E I) plus shear 2 a / (G A): Roark, beam table 8.1 (from memory)."""
    give = tube_shift([0.0, np.pi / 2], 100.0, 20.0, 30.0, E, NU)
    shear = 2 * 30 / (E / (2 * (1 + NU)) * 20)
    assert give[0, 0] == pytest.approx(30**3 / (3 * E * 100) + shear)
    assert give[0, 1] == pytest.approx(0, abs=1e-12)


def test_a_published_press_fit() -> None:
    """Published calculator example, recomputed by hand: p 51.19 MPa, F 38.6 kN, hoop 117
    MPa."""
    p = lame_pressure(0.04, 50, 80, 210_000, 210_000, 0.3, 0.3)
    assert p == pytest.approx(51.19, abs=0.01)
    assert ring_force(p, 50, 40, 0.12) == pytest.approx(38_600, rel=1e-3)
    assert hoop_strain(p, 50, 80, 210_000) * 210_000 == pytest.approx(117, abs=0.5)


def test_press_fits_in_plastic() -> None:
    """[10, 11, 12] Lame, by hand; and d 20, D 26, L 7, delta 0.1, mu 0.2: p 2.55, F 224 N."""
    solid = lame_pressure(0.1, 5, 9, E, E, NU, NU)
    bored = lame_pressure(0.1, 5, 9, E, E, NU, NU, 3.4)
    thin = lame_pressure(0.1, 20, 23.2, E, E, NU, NU, 16.8)
    assert (solid, bored, thin) == pytest.approx((17.28, 10.84, 0.994), rel=1e-3)
    forces = (ring_force(solid, 5, 8, 0.2), ring_force(bored, 5, 8, 0.2), ring_force(thin, 20, 8, 0.2))
    assert forces == pytest.approx((434.4, 272.4, 99.9), rel=1e-3)
    assert hoop_strain(solid, 5, 9, E) == pytest.approx(0.0131, abs=5e-5)
    p = lame_pressure(0.1, 20, 26, E, E, NU, NU)
    assert (p, ring_force(p, 20, 7, 0.2)) == pytest.approx((2.55, 224), rel=3e-3)


def test_a_lip_at_a_tubes_end() -> None:
    """[21, 24] A plastics maker's snap-fit guide (annular joints) against shell theory, y 0.4 diametral."""
    assert lip_factor(20, 23.2, NU) == pytest.approx(0.02361, rel=1e-3)
    assert 0.4 / 2 * lip_spring(20, 23.2, E, NU) == pytest.approx(472, rel=2e-3)
    assert 0.4 / 2 * shell_spring(10.8, 1.6, E, NU) == pytest.approx(761, rel=2e-3)
    assert shell_spring(21.6, 3.2, E, NU) / shell_spring(10.8, 1.6, E, NU) == pytest.approx(2.0)
    # the same wall round twice the bore: the middle of the wall goes from 10.8 to 20.8
    assert shell_spring(20.8, 1.6, E, NU) / shell_spring(10.8, 1.6, E, NU) == pytest.approx(0.72, abs=0.005)
