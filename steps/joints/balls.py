"""Balls in cups: gap, depth, and how far the lip must give to let the ball by."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from steps.features.anatomy import Anatomy
from steps.features.patches import Sphere, plane_basis
from steps.joints.contact import Contact
from steps.joints.grip import CUT_SHARE, REACH_SHARE
from steps.joints.overlap import probe
from steps.model import Array, Backing

#: A lip's wall is measured so far below its edge, and from so far behind its face, as a share of the cup's
#: radius.
LIP_LEVEL = 0.03
#: Directions in which it is measured, and the share of them that must meet it for a whole ring.
LIP_RAYS = 48
WHOLE_LIP = 0.95


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
                found.append(_contact(ball, centre, cup, gap, gap + off, lip_of(cup, other)))
    return found


def _contact(ball: Sphere, centre: Array, cup: Sphere, gap: float, mean: float, lip: Backing) -> Contact:
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
        backings=(lip,),
    )


def lip_of(cup: Sphere, other: Anatomy) -> Backing:
    """The ring round a cup's mouth that a ball must widen, or its petals where it is slotted.

    An open cup, no more than half a sphere, has none: its lip is written as wider than any ball in it.
    """
    if cup.share <= 0.5:
        return Backing("lip", cup.radius, cup.radius, cup.radius, 0.0, radius_mm=2 * cup.radius)
    radius = cup.lip
    up = float(np.sqrt(max(cup.radius**2 - radius**2, 0.0)))
    within = up - LIP_LEVEL * cup.radius  # a little below the edge, where the wall has begun
    reach = float(np.sqrt(max(cup.radius**2 - within**2, 0.0)))
    angles = 2 * np.pi / LIP_RAYS * np.arange(LIP_RAYS) + 0.03
    ways = np.column_stack([np.cos(angles), np.sin(angles)]) @ plane_basis(cup.opening)
    level = cup.centre + within * cup.opening
    found = probe(other).distances(level + (1 + LIP_LEVEL) * reach * ways, ways)
    inner = probe(other).distances(np.tile(level, (LIP_RAYS, 1)), ways)
    there = inner < (1 + LIP_LEVEL) * reach
    thick = found[there & np.isfinite(found)] + LIP_LEVEL * reach
    thickness = float(thick.min()) if len(thick) else cup.radius
    share = float(there.mean())
    long = cup.radius + up
    if share < WHOLE_LIP:
        return Backing("petals", thickness, long, 2 * np.pi * reach * share, 0.0, radius_mm=radius)
    return Backing("lip", thickness, long, long, 0.0, radius_mm=radius)


def _directions(inwards: Array, share: float) -> Array:
    """(9, 3) directions over the cap of a sphere: its pole and two rings of four."""
    rim = np.arccos(np.clip(1 - 2 * share, -1, 1))
    rings = [inwards[None]]
    for polar, turn in ((0.5 * rim, 0.0), (0.95 * rim, np.pi / 4)):
        angles = turn + np.pi / 2 * np.arange(4)
        around = np.column_stack([np.cos(angles), np.sin(angles)]) @ plane_basis(inwards)
        rings.append(np.cos(polar) * inwards + np.sin(polar) * around)
    return np.vstack(rings)
