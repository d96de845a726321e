"""A floating stud: balance by hand, and the conditions of the convex problem.

[n]: row n of the 29 expected values of fit and force.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from steps.force.floating import settle, settle_along

K = 50.0


def ways(*degrees: float) -> np.ndarray:
    angles = np.radians(degrees)
    return np.column_stack([np.cos(angles), np.sin(angles)])


def even(squeeze: list[float], *degrees: float) -> np.ndarray:
    return settle(np.eye(len(squeeze)) / K, squeeze, ways(*degrees))


def test_one_line_holds_nothing() -> None:
    """[15]"""
    assert even([0.1], 0) == pytest.approx([0], abs=1e-5)


@pytest.mark.parametrize(
    ("one", "other"), [(0.1, 0.2), (0.1, -0.05), (-0.1, 0.05), (0.1, -0.1), (-0.2, -0.1)]
)
def test_two_opposed(one: float, other: float) -> None:
    """[16] N = k (i1 + i2) / 2 each, 0 where the sum is not above 0."""
    want = max(0.0, K * (one + other) / 2)
    assert even([one, other], 0, 180) == pytest.approx([want, want], abs=1e-5)


def test_two_unlike_springs_share_one_force() -> None:
    """N = (i1 + i2) / (1/k1 + 1/k2)."""
    found = settle(np.diag([1 / 20, 1 / 100]), [0.1, 0.05], ways(0, 180))
    assert found == pytest.approx([0.15 / (1 / 20 + 1 / 100)] * 2, rel=1e-5)


def test_three_round_and_four_square() -> None:
    """[17, 18]"""
    assert even([0.1] * 3, 0, 120, 240) == pytest.approx([0.1 * K] * 3, rel=1e-5)
    assert even([0.1, -0.1, 0.1, 0.1], 0, 180, 90, 270) == pytest.approx([0, 0, 0.1 * K, 0.1 * K], abs=1e-4)


def test_a_wall_that_gives_way_to_anything_leaves_the_others_as_they_are() -> None:
    """Next to one that a milliardth of a newton moves by a millimetre."""
    found = settle(np.diag([1e-3, 1e9, 1e-3]), [0.1, 0.1, 0.1], ways(0, 40, 180))
    assert found == pytest.approx([100.0, 0.0, 100.0], rel=1e-5, abs=1e-5)


def test_what_hardly_gives_leaves_the_others_as_they_are() -> None:
    """Lines that nothing opposes press on nothing, however stiff; those that do are what they were."""
    for give in (1e-6, 1e-9, 1e-12):
        found = settle(np.diag([1e-3, give, 1e-3]), [0.1, 0.1, 0.1], ways(0, 40, 180))
        assert found == pytest.approx([100.0, 0.0, 100.0], rel=1e-4, abs=1e-2)


def test_a_pair_that_could_turn_away_does() -> None:
    """Two studs pushed to opposite sides, 20 mm apart: a couple that nothing opposes turns the part."""
    couple = np.column_stack([ways(90, 270), [10.0, 10.0]])
    assert settle(np.eye(2) / K, [0.1, 0.1], couple) == pytest.approx([0, 0], abs=1e-5)
    held = np.column_stack([ways(90, 270, 90, 270), [10.0, 10.0, -10.0, -10.0]])
    assert settle(np.eye(4) / K, [0.1] * 4, held) == pytest.approx([0.1 * K] * 4, rel=1e-5)


SQUEEZES = st.lists(st.floats(-0.2, 0.3), min_size=5, max_size=5)


@settings(max_examples=60, deadline=None)
@given(SQUEEZES, st.lists(st.integers(0, 359), min_size=5, max_size=5))
def test_forces_balance_and_no_line_pulls_or_is_pressed_through(
    squeeze: list[float], degrees: list[int]
) -> None:
    """The conditions of least energy: f >= 0 in balance, and with the shift u of the part every line that
    presses gives exactly what it is squeezed, and one that does not press has room."""
    give = np.diag(1 / np.array([20.0, 50, 100, 300, 40]))
    give[0, 1] = give[1, 0] = 0.004
    directions = ways(*degrees)
    forces = settle(give, squeeze, directions)
    scale = max(float(forces.sum()), 1e-3)
    assert forces.min() >= 0 and np.abs(directions.T @ forces).max() < 1e-4 * scale + 1e-4
    room = np.array(squeeze) - give @ forces
    pressing = forces > 1e-4
    if pressing.any():
        shift, *_ = np.linalg.lstsq(directions[pressing], room[pressing], rcond=None)
        assert room[pressing] == pytest.approx(directions[pressing] @ shift, abs=1e-5)


def test_a_squeeze_of_rounding_is_none() -> None:
    found = settle(np.eye(5) / K, [-0.15, 0, 0, 0, 1e-17], ways(0, 180, 90, 270, 45))
    assert not found.any()


def test_along_a_sweep_the_forces_are_those_of_each_squeeze() -> None:
    start = np.array([0.1, -0.12, 0.05, -0.02])
    squeezes = start + np.linspace(-0.2, 0.2, 33)[:, None]
    directions = ways(0, 180, 90, 270)
    found = settle_along(np.eye(4) / K, squeezes, directions)
    each = np.array([settle(np.eye(4) / K, row, directions) for row in squeezes])
    assert found == pytest.approx(each, abs=1e-4)
    assert (np.diff(found.sum(axis=1)) > -1e-6).all()
