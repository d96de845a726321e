"""Lines and ridges against contact mechanics; springs in series.

[n]: row n of the 29 expected values of fit and force.
"""

from __future__ import annotations

import pytest

from steps.force.contact import line_approach
from tests.force_formulas import in_series, ridge_force, ridge_pressure

E, NU = 2500.0, 0.36


def test_a_line_between_stud_and_wall() -> None:
    """Johnson, Contact Mechanics, 5.6: r 10, t 1.6, q 1, 5, 10 N/mm, by hand."""
    found = [sum(line_approach(q, 10, 1.6, E, NU)) for q in (1, 5, 10)]
    assert found == pytest.approx([0.0020, 0.0080, 0.0144], rel=0.03)
    stud, wall = line_approach(1, 10, 1.6, E, NU)
    assert stud > wall > 0


def test_ridges_of_the_layers() -> None:
    """r 10, layer 0.2: 0.68, 1.91, 5.42 N at 0.005, 0.010, 0.020 mm; mean pressure 43, 61, 86 MPa."""
    forces = [ridge_force(d, 10, 0.2, E, NU) for d in (0.005, 0.010, 0.020)]
    assert forces == pytest.approx([0.68, 1.91, 5.42], abs=0.005)
    pressures = [ridge_pressure(p, d, 10, 0.2) for p, d in zip(forces, (0.005, 0.010, 0.020), strict=True)]
    assert pressures == pytest.approx([43, 61, 86], abs=0.6)


@pytest.mark.parametrize(("wall", "k", "n", "pull"), [(28.9, 28.2, 5.64, 2.37), (217, 182, 36.5, 15.3)])
def test_a_pair_of_sides(wall: float, k: float, n: float, pull: float) -> None:
    """[13, 14] Wall, tube 1622 and line 4000 in series, squeezed by 0.2 in all; F = 2 mu N, mu 0.21."""
    series = in_series((wall, 1622, 4000))
    assert series == pytest.approx(k, rel=0.01)
    assert 0.2 * series == pytest.approx(n, rel=0.01)
    assert 2 * 0.21 * 0.2 * series == pytest.approx(pull, rel=0.01)
