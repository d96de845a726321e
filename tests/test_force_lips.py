"""Lips, collars and clips: the slope that they ride up, and how their scatter follows from the wall's."""

from __future__ import annotations

import numpy as np
import pytest

from steps.force.bands import ASKED
from steps.force.lips import (
    ARM_POWER,
    LIP_POWER,
    closing_error,
    collar_force,
    lip_sigma,
    lip_stiffness,
    pin_force,
)
from steps.force.printed import MODEL_SIGMA, MODULUS_SIGMA, Z90, Print, wall_sigma
from steps.model import Backing, Touch
from steps.settings import Settings

#: Solid walls, so that the wall bends as one.
SOLID = Print.of(Settings.model_validate({"printer": {"infill": 1.0}}))


def touch(kind: str, backing: Backing, snap_mm: float) -> Touch:
    up = np.array([0.0, 0.0, 1.0])
    none = np.zeros((0, 3))
    return Touch(
        kind, "P1", np.zeros(3), up, 0.1, 0.1, 8.0, 0.0, none, none,
        radius_mm=10.0, snap_mm=snap_mm, backings=(backing,),
    )  # fmt: skip


def hole(thickness_mm: float) -> Backing:
    return Backing("hole", thickness_mm, 10.0, 8.0, 0.0, radius_mm=10.0)


def test_a_collar_rides_up_45_degrees() -> None:
    """(mu + tan a) / (1 - mu tan a): 1.5 at mu 0.2 and 45 degrees (a plastics maker's snap-fit guide)."""
    wall = hole(2.0)
    force = collar_force(touch("peg", wall, 0.3), SOLID)
    squeeze = 0.3 + closing_error(SOLID)
    slope = (SOLID.mu + 1) / (1 - SOLID.mu)
    assert force.felt.push_n == pytest.approx(lip_stiffness(wall, SOLID) * squeeze * slope, rel=1e-6)


def test_a_lips_stiffness_goes_with_the_three_halves_power_of_its_wall_and_so_does_its_scatter() -> None:
    """A long thin shell loaded at its end: K ~ t^1.5 (expectation: -1/2 of scale at the same lines)."""
    thin = [lip_stiffness(Backing("lip", t, 20.0, 20.0, 0.0, radius_mm=200.0), SOLID) for t in (2.0, 2.02)]
    power = np.log(thin[1] / thin[0]) / np.log(1.01)
    assert power == pytest.approx(1.5, abs=0.1) and pytest.approx(power, abs=0.1) == LIP_POWER
    lip = Backing("lip", 2.0, 20.0, 20.0, 0.0, radius_mm=10.0)
    walls = power * wall_sigma(2.0, SOLID.printer)
    assert lip_sigma(lip, SOLID) == pytest.approx(
        np.sqrt(MODULUS_SIGMA**2 + MODEL_SIGMA**2 + walls**2), rel=0.02
    )


def test_a_clips_arm_bends_with_the_cube_of_its_wall_and_so_does_its_scatter() -> None:
    """P = E b h^3 y / (4 L^3) (the same guide); the arm's length grows a little with the wall."""
    force = pin_force(touch("hinge", hole(2.0), 0.3), 50.0, SOLID)
    thicker = pin_force(touch("hinge", hole(2.02), 0.3), 50.0, SOLID)
    length = (10.0 + 1.01) / (10.0 + 1.0)
    power = np.log(thicker.felt.push_n / force.felt.push_n * length**3) / np.log(1.01)
    assert power == pytest.approx(3.0, abs=0.01) and pytest.approx(power, abs=0.01) == ARM_POWER
    spread = np.log(force.push.high / force.push.likely) / Z90
    walls = power * wall_sigma(2.0, SOLID.printer)
    assert spread == pytest.approx(np.sqrt(MODULUS_SIGMA**2 + MODEL_SIGMA**2 + walls**2), rel=0.02)
    assert len(ASKED) % 2 == 1
