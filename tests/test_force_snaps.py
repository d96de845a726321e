"""Hooks, slopes, lips and edges by hand.

[n]: row n of the 29 expected values of fit and force.
"""

from __future__ import annotations

import numpy as np
import pytest

from steps.force.snaps import (
    SHAVES,
    Hook,
    ball_past_lip,
    edge_factor,
    mating_factor,
    mating_sensitivity,
)

E = 2500.0


def test_a_hook() -> None:
    """[19] A plastics maker's snap-fit guide: E b h^3 y / (4 L^3), strain 1.5 h y / L^2, mu 0.3."""
    hook = Hook(8, 1.6, 10)
    across = hook.across(E, 0.5)
    assert across == pytest.approx(10.24, rel=1e-3)
    along = [across * mating_factor(0.3, np.radians(angle)) for angle in (30, 45)]
    assert along == pytest.approx([10.87, 19.02], rel=1e-3)
    assert hook.strain(0.5) == pytest.approx(0.012)


def test_a_slope_with_friction() -> None:
    """[20] (mu + tan a) / (1 - mu tan a), mu 0.2; beyond 90 degrees less the friction's angle it never
    moves."""
    found = [mating_factor(0.2, np.radians(angle)) for angle in (0, 15, 30, 45, 60)]
    assert found == pytest.approx([0.2, 0.494, 0.879, 1.5, 2.956], rel=1e-3)
    assert mating_factor(0.2, np.radians(79)) == np.inf
    step = 1e-6
    for angle in (0.0, 0.3, 0.8):
        slope = np.log(mating_factor(0.2 * (1 + step), angle) / mating_factor(0.2, angle)) / step
        assert mating_sensitivity(0.2, angle) == pytest.approx(slope, rel=1e-4)


def test_a_ball_past_a_lip() -> None:
    """[22] rb 10, u 0.2: F / K and the slope at the peak; without friction (2/3) u sqrt(2 u / (3 rb))."""
    found = [ball_past_lip(10, 0.2, 1.0, mu) for mu in (0, 0.2, 0.3)]
    assert [force for force, _ in found] == pytest.approx([0.0155, 0.0481, 0.0668], rel=5e-3)
    assert [np.degrees(angle) for _, angle in found] == pytest.approx([6.6, 4.0, 3.3], abs=0.06)
    assert found[0][0] == pytest.approx(2 / 3 * 0.2 * np.sqrt(2 * 0.2 / 30), rel=0.01)


def test_a_ball_without_an_undercut_passes_freely_and_force_grows_from_nothing() -> None:
    assert ball_past_lip(10, 0.0, 100, 0.2)[0] == ball_past_lip(10, -0.3, 100, 0.2)[0] == 0
    forces = [ball_past_lip(10, u, 100, 0.2)[0] for u in np.linspace(0, 1, 101)]
    steps = np.diff(forces)
    assert (steps > 0).all() and steps[0] < 0.3  # no jump where the lip begins


def test_an_edge_between_friction_and_a_slope_that_shaves() -> None:
    """Barely squeezed an edge rides up at no slope, so friction is all; squeezed far beyond its rounding it
    is the slope at which it shaves, 45 degrees: 1.5 at mu 0.2 (as row 20)."""
    assert float(edge_factor(0.2, np.array(1e-6), 0.2)) == pytest.approx(0.2)
    assert float(edge_factor(0.2, np.array(1e6), 0.2)) == pytest.approx(1.5)
    between = edge_factor(0.2, np.linspace(0.001, 1, 200), 0.2)
    assert (np.diff(between) >= 0).all() and np.degrees(SHAVES) == pytest.approx(45)
    # i 0.1, rounding 0.2, mu 0.2: at 36 degrees (1 - 2 x 0.191) x 1.084 = 0.670
    assert float(edge_factor(0.2, np.array(0.1), 0.2)) == pytest.approx(0.670, rel=0.002)
