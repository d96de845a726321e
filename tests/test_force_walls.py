"""Walls that bend, against beam tables and plate theory.

[n]: row n of the 29 expected values of fit and force.
"""

from __future__ import annotations

import numpy as np
import pytest

from steps.force.walls import Wall, plate_rigidity, plate_stiffness, shear_softening
from tests.force_formulas import cantilever_strain, cantilever_strip, span_fixed, span_pinned, span_strain

E, NU = 2500.0, 0.36
#: Clamped span, thickness, place along it from the middle: k at the edge, even over 8, at the tip, N/mm;
#: wall 30 #: high, E 2500, nu 0.36. Computed once by Ritz's method with other functions, converged to about
#: 1 %.
PLATES = [
    (60, 1.2, 0, 4.7, 7.7, 12.2),
    (60, 1.6, 0, 11.1, 18.3, 28.9),
    (60, 2.0, 0, 21.7, 35.7, 56.5),
    (60, 1.6, -15, 20.4, 36.1, 56.2),
    (40, 1.6, 0, 22.7, 41.7, 64.1),
    (30, 1.6, 0, 40.2, 84.7, 126),
    (24, 1.2, 0, 26.5, 64, 91),
    (24, 1.6, 0, 62.9, 152, 217),
    (24, 2.0, 0, 122.8, 296, 423),
    (20, 1.6, 0, 90.5, 247, 343),
]


def plate(span: float, thickness: float, at: float = 0.0, low: float = 22, high: float = 30) -> float:
    wall = Wall.plain(span, thickness, 30, NU)
    return E * plate_stiffness(wall, at, [(low, high)], NU)[0]


def test_a_strip_that_hangs_from_the_roof() -> None:
    """[1, 2] k = E b t^3 / (4 a^3), strain 3 t d / (2 a^2): Roark, beam table 8.1 (from memory), by hand."""
    forces = [0.1 * cantilever_strip(E, 10, t, 8) for t in (2, 1.2, 0.8)]
    assert forces == pytest.approx([9.766, 2.109, 0.625], rel=1e-3)
    assert cantilever_strain(0.1, 2, 8) == pytest.approx(0.0047, rel=0.01)
    assert shear_softening(1, 4, 0.36) - 1 == pytest.approx(0.05, abs=0.003)  # 5 % at a / t = 4


def test_a_beam_between_two_ribs() -> None:
    """[4] Roark, beam table 8.1 (from memory): fixed in the middle, pinned, fixed at a quarter, N/mm."""
    assert span_fixed(E, 8, 1.6, 24) == pytest.approx(94.8, rel=1e-3)
    assert span_pinned(E, 8, 1.6, 24) == pytest.approx(23.7, rel=1e-3)
    assert span_fixed(E, 8, 1.6, 24, 6) == pytest.approx(224.7, rel=1e-3)
    assert span_strain(0.1, 1.6, 24) == pytest.approx(12 * 1.6 * 0.1 / 576)


def test_a_long_cantilever_plate() -> None:
    """[3] w D / (P a^2) = 0.168, nu 0.3: Timoshenko and Woinowsky-Krieger, Theory of Plates and Shells."""
    wall = Wall.plain(400, 1, 10, 0.3)
    stiffness = plate_stiffness(wall, 0, [(10, 10)], 0.3)[0]
    assert plate_rigidity(1, 0.3) / stiffness / 100 == pytest.approx(0.168, rel=0.015)


@pytest.mark.parametrize(("span", "thickness", "at", "edge", "even", "tip"), PLATES)
def test_walls_clamped_at_roof_and_both_ends(
    span: float, thickness: float, at: float, edge: float, even: float, tip: float
) -> None:
    """[5] and its table."""
    assert plate(span, thickness, at, 30) == pytest.approx(edge, rel=0.03)
    assert plate(span, thickness, at) == pytest.approx(even, rel=0.03)
    assert plate(span, thickness, at, 22, 22) == pytest.approx(tip, rel=0.03)


def test_a_wall_goes_with_the_cube_of_its_thickness() -> None:
    """[6] (2.0 / 1.2)^3 = 4.63."""
    assert plate(60, 2.0) / plate(60, 1.2) == pytest.approx(4.63, rel=1e-3)


def test_all_lengths_doubled_double_the_stiffness_and_a_wall_as_thin_as_before_quarters_it() -> None:
    """[23, 24] k = E t^3 / L^2."""

    def doubled(thickness: float) -> float:
        return E * plate_stiffness(Wall.plain(120, thickness, 60, NU), 0, [(44, 60)], NU)[0]

    assert doubled(3.2) / plate(60, 1.6) == pytest.approx(2.0, rel=1e-6)
    assert doubled(1.6) / plate(60, 1.6) == pytest.approx(0.25, rel=1e-6)


def test_a_wall_in_pieces_is_the_plain_wall_and_a_rib_stiffens_it() -> None:
    plain = Wall.plain(60, 1.6, 30, NU)
    thin, rib = plate_rigidity(1.6, NU), plate_rigidity(3.2, NU)
    ends = np.array([-30, -11, -0.8, 0.8, 7, 30])
    pieces = Wall(ends, np.full(5, thin), 30)
    ribbed = Wall(ends, np.array([thin, thin, rib, thin, thin]), 30)
    lines = [(22.0, 30.0)]
    one, other, stiff = (plate_stiffness(wall, 0, lines, NU)[0] for wall in (plain, pieces, ribbed))
    assert other == pytest.approx(one, rel=1e-6)
    assert 1.05 * one < stiff < 8 * one  # between the wall and one as thick as the rib all along


def test_a_frame_without_a_roof_hangs_at_its_ends_and_nothing_holds_a_free_one() -> None:
    """A strip of even height between two clamps, pushed over its whole height: 16 E b t^3 / l^3, a little
    more as a plate is stiffer than a beam by 1 / (1 - nu^2)."""
    frame = Wall.plain(60, 1.6, 10, NU, roof=False)
    beam = span_fixed(1.0, 10, 1.6, 60)
    assert beam < plate_stiffness(frame, 0, [(0, 10)], NU)[0] < beam / (1 - NU**2) * 1.01
    loose = Wall.plain(60, 1.6, 10, NU, roof=False, clamped=False)
    assert plate_stiffness(loose, 0, [(0, 10)], NU) == (0.0,)
