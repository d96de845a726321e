"""Balls in cups: gap, depth, and how far the lip must give to let the ball by."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from steps.features.anatomy import Anatomy
from steps.features.patches import Sphere, plane_basis
from steps.joints.contact import Contact
from steps.joints.grip import CUT_SHARE, REACH_SHARE
from steps.model import Array


def ball_contacts(balls: Sequence[Sphere], pose: Array, other: Anatomy) -> list[Contact]:
    """Contacts of one shape's balls with the other's cups, in the other's coordinates; carrier 0."""
    found = []
    cups = [s for s in other.spheres if not s.convex]
    for ball in balls:
        centre = pose[:3, :3] @ ball.centre + pose[:3, 3]
        for cup in cups:
            off = float(np.linalg.norm(cup.centre - centre))
            gap = cup.radius - ball.radius - off
            if -CUT_SHARE * ball.radius <= gap and gap + 2 * off <= REACH_SHARE * ball.radius:
                found.append(_contact(ball, centre, cup, gap, gap + off))
    return found


def _contact(ball: Sphere, centre: Array, cup: Sphere, gap: float, mean: float) -> Contact:
    inwards = -cup.opening
    normals = _directions(inwards, cup.share)
    snap = max(0.0, ball.radius - cup.lip) if cup.share > 0.5 else 0.0
    return Contact(
        "ball",
        0,
        centre,
        inwards,
        gap,
        mean,
        2 * cup.share * cup.radius,  # height of the spherical cap that holds it
        4 * np.pi * cup.radius**2 * cup.share,
        centre + ball.radius * normals,
        normals,
        radius=ball.radius,
        snap=snap,
        bond_gap=max(mean, 0.0),
        height=2 * ball.radius,
        all_round=True,
    )


def _directions(inwards: Array, share: float) -> Array:
    """(9, 3) directions over the cap of a sphere: its pole and two rings of four."""
    rim = np.arccos(np.clip(1 - 2 * share, -1, 1))
    rings = [inwards[None]]
    for polar, turn in ((0.5 * rim, 0.0), (0.95 * rim, np.pi / 4)):
        angles = turn + np.pi / 2 * np.arange(4)
        around = np.column_stack([np.cos(angles), np.sin(angles)]) @ plane_basis(inwards)
        rings.append(np.cos(polar) * inwards + np.sin(polar) * around)
    return np.vstack(rings)
