"""Contacts that snap or are caught: balls past a lip, collars, clips, pins held at both ends."""

from __future__ import annotations

import numpy as np

from steps.force.bands import ASKED, NO_FORCE, Band, band_of, shared_deviation
from steps.force.felt import Felt, Force
from steps.force.printed import (
    HOLE_SHARE,
    HOLE_SIGMA,
    MODEL_SIGMA,
    MODULUS_SIGMA,
    OWN_ERROR_MM,
    SHARED_ERROR_MM,
    Z90,
    Print,
    bending_share,
    face_error,
    skin_share,
    wall_sigma,
)
from steps.force.rings import hoop_strain, lame_pressure, lip_spring, shell_spring
from steps.force.snaps import Hook, ball_past_lip, mating_factor, mating_sensitivity
from steps.model import Array, Backing, Touch

#: Slope taken for a collar's flanks and a clip's mouth, radians (a proposal: measure).
FLANKS = np.radians(45)
#: Powers of the wall's thickness in the stiffness of a lip and of a clip's arm.
LIP_POWER, ARM_POWER = 1.5, 3.0
#: Shear strength over tensile strength (von Mises), and what printed layers keep of it (from memory).
SHEAR_SHARE = 1 / np.sqrt(3)
LAYER_SHARE = 0.5
#: Standard deviation of the logarithm of a printed pin's shear strength (from memory: layers keep 0.25 to 1).
SHEAR_SIGMA = np.log(2) / Z90
MIDDLE = len(ASKED) // 2


def closing_error(made: Print) -> float:
    """What the printer likely takes from each side of a gap between a ball, pin or peg and its round hole,
    mm."""
    return face_error("boss", made.printer) + face_error("hole", made.printer)


def _each_side(mean: float) -> Array:
    """(asked,) mm of a squeeze or undercut at each quantile of the error; half of it falls to each side."""
    return mean + ASKED * shared_deviation(SHARED_ERROR_MM, OWN_ERROR_MM, 1) / 2


def lip_stiffness(lip: Backing, made: Print) -> float:
    """N of radial force all round per mm of radial give at a cup's mouth.

    A plastics maker's guide says less, shell theory more (1.6 times at usual walls): the geometric mean.
    Petals bend, each for itself. A wall of skins and infill has K ~ (E t)^(3/4) D^(1/4) of what it
    stretches and bends with, as a shell's end.
    """
    d, thickness = 2 * lip.radius_mm, lip.thickness_mm
    if lip.kind == "petals":
        return Hook(lip.far_mm, thickness, lip.height_mm).across(made.e, 1.0)
    guide = lip_spring(d, d + 2 * thickness, made.e, made.poisson)
    shell = shell_spring(lip.radius_mm + thickness / 2, thickness, made.e, made.poisson)
    hollow = skin_share(thickness, made.printer) ** 0.75 * bending_share(thickness, made.printer) ** 0.25
    return float(np.sqrt(guide * shell)) * hollow


def lip_sigma(lip: Backing, made: Print) -> float:
    """Standard deviation of the logarithm of that stiffness."""
    walls = LIP_POWER * wall_sigma(lip.thickness_mm, made.printer)
    return float(np.sqrt(MODULUS_SIGMA**2 + MODEL_SIGMA**2 + walls**2))


def ball_force(touch: Touch, made: Print, larger_mm: float = 0.0) -> Force:
    """A ball in its cup, ``larger_mm`` in radius: past the lip, in and out alike, and the friction of what
    squeeze is left when it is seated."""
    if not touch.backings:
        return Force()
    lip = touch.backings[0]
    undercuts = _each_side(touch.radius_mm + larger_mm - lip.radius_mm + closing_error(made))
    spring = lip_stiffness(lip, made)
    passing = [ball_past_lip(touch.radius_mm, float(undercut), spring, made.mu) for undercut in undercuts]
    force, slope = passing[MIDDLE]
    eased = mating_sensitivity(made.mu, slope) * made.mu_sigma
    band = band_of([each[0] for each in passing], float(np.hypot(eased, lip_sigma(lip, made))))
    strain = max(float(undercuts[MIDDLE]), 0.0) / touch.radius_mm
    return Force(band, band, Felt(force, force, strain)) + seated_ball(touch, made, larger_mm)


def seated_ball(touch: Touch, made: Print, larger_mm: float = 0.0) -> Force:
    """Friction between a ball and its cup where printing leaves them a squeeze: as a peg in a round hole of
    the cup's bearing area, on some spots only. It is also what holds a pose."""
    lip, d = touch.backings[0], 2 * touch.radius_mm
    squeezes = np.maximum(_each_side(closing_error(made) + larger_mm - touch.mean_gap_mm), 0.0)
    outer = d + 2 * lip.thickness_mm
    pressure = lame_pressure(2.0, d, outer, made.e, made.e, made.poisson, made.poisson)
    forces = made.mu * HOLE_SHARE * np.pi * d * touch.depth_mm * pressure * squeezes
    sigma = float(np.sqrt(made.mu_sigma**2 + MODULUS_SIGMA**2 + HOLE_SIGMA**2))
    likely = float(forces[MIDDLE])
    strain = hoop_strain(pressure * float(squeezes[MIDDLE]), d, outer, made.e)
    return Force(band_of(forces, sigma), NO_FORCE, Felt(likely, 0.0, strain))


def collar_force(touch: Touch, made: Print, larger_mm: float = 0.0) -> Force:
    """A collar that must pass the mouth of its hole; its flanks' slope is not measured."""
    lip = next((backing for backing in touch.backings if backing.kind == "hole"), None)
    if lip is None:
        return Force()
    undercuts = np.maximum(_each_side(touch.snap_mm + larger_mm + closing_error(made)), 0.0)
    forces = lip_stiffness(lip, made) * undercuts * mating_factor(made.mu, FLANKS)
    eased = mating_sensitivity(made.mu, FLANKS) * made.mu_sigma
    band = band_of(forces, float(np.hypot(eased, lip_sigma(lip, made))))
    likely = float(forces[MIDDLE])
    return Force(band, band, Felt(likely, likely, float(undercuts[MIDDLE]) / lip.radius_mm))


def pin_force(touch: Touch, tensile_mpa: float, made: Print) -> Force:
    """A pin held at both ends comes out when its skin shears, which no finger feels; one in a clip when the
    clip's two arms open."""
    if touch.snap_mm > 0 and touch.backings:
        return _clip(touch, made)
    skin = min(made.printer.wall_mm, touch.radius_mm)
    area = np.pi * (touch.radius_mm**2 - (touch.radius_mm - skin) ** 2)
    strong = Band(*(float(np.exp(z * SHEAR_SIGMA)) for z in (-Z90, 0.0, Z90)))
    return Force(strong.times(float(tensile_mpa * SHEAR_SHARE * LAYER_SHARE * area)))


def _clip(touch: Touch, made: Print) -> Force:
    """A pin pressed into a clip that is open on one side: two arms, each a quarter of the way round."""
    wall = touch.backings[0]
    length = np.pi / 2 * (touch.radius_mm + wall.thickness_mm / 2)
    arm = Hook(touch.depth_mm, wall.thickness_mm, float(length))
    force = 2 * arm.across(made.e, touch.snap_mm) * mating_factor(made.mu, FLANKS)
    walls = ARM_POWER * wall_sigma(wall.thickness_mm, made.printer)
    sigma = float(np.sqrt(MODULUS_SIGMA**2 + MODEL_SIGMA**2 + walls**2))
    band = band_of(np.full(len(ASKED), force), sigma)
    return Force(band, band, Felt(force, force, arm.strain(touch.snap_mm)))
