"""The springs of a joint: what each contact line gives per newton on every other.

One behind another at each line: the wall, tube or hole it meets, the stud itself, and the two faces where
they touch. Lines of one stud share its ring, lines of one tube share the tube, so the give is a matrix.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from steps.features.patches import plane_basis
from steps.force.contact import line_approach
from steps.force.printed import HOLE_SHARE, LINE_LOAD, Print, bending_share, infill_share
from steps.force.rings import ring_give, tube_shift
from steps.force.walls import Wall, plate_rigidity, plate_stiffness, shear_softening
from steps.model import Array, Backing, IntArray, Touch

#: A hole's contact is drawn as so many lines when it is whole (see the grip's reading).
HOLE_LINES = 6
#: Tubes whose axes are nearer than this share of their radius are one tube.
SAME_TUBE = 0.05
#: A ring is never thinner or thicker than this share of its radius: a solid one has no ring to bend.
THINNEST, THICKEST = 0.01, 0.9


@dataclass(frozen=True, eq=False)
class Springs:
    """Contact lines of one axis, all studs of the joint together, at print scale.

    ``give`` (n, n) mm per newton when seated; ``at_mouth`` (n,) how many times more a line gives where the
    stud enters; ``ways`` (n, 3) directions across the axis and arms about it; ``strain`` (n,) greatest strain
    per newton behind the line; ``touch`` (n,) row of each line's touch.
    """

    give: Array
    at_mouth: Array
    ways: Array
    strain: Array
    touch: IntArray


def springs_of(touches: Sequence[Touch], made: Print) -> Springs:
    """The springs of touches along one axis. Each needs its lines, gaps and backings."""
    axis = touches[0].axis
    basis = plane_basis(axis)
    owner = np.repeat(np.arange(len(touches)), [len(touch.points) for touch in touches])
    points = np.vstack([touch.points for touch in touches])
    across = np.vstack([touch.normals for touch in touches]) @ basis.T
    across /= np.maximum(np.linalg.norm(across, axis=1), 1e-12)[:, None]
    flat = points @ basis.T
    arms = flat - flat.mean(axis=0)
    ways = np.column_stack([across, arms[:, 0] * across[:, 1] - arms[:, 1] * across[:, 0]])
    backings = [backing for touch in touches for backing in touch.backings]
    lengths = np.concatenate([touch.lengths_mm for touch in touches])
    radii = np.array([touch.radius_mm for touch in touches])[owner]
    lines = [
        _line(backing, float(length), float(radius), touches[row], made)
        for backing, length, radius, row in zip(backings, lengths, radii, owner.tolist(), strict=True)
    ]
    give = np.diag([line.give for line in lines])
    holes = np.array([backing.kind == "hole" for backing in backings])
    for row, touch in enumerate(touches):
        at = np.flatnonzero((owner == row) & ~holes)
        give[np.ix_(at, at)] += _stud(across[at], touch, made)
    for group in _tubes(backings, flat, across):
        own = [backings[i] for i in group]
        give[np.ix_(group, group)] += _tube(-across[group], own, lengths[group], made)
    return Springs(
        give,
        np.array([line.at_mouth for line in lines]),
        ways,
        np.array([line.strain for line in lines]),
        owner,
    )


@dataclass(frozen=True)
class _Line:
    give: float
    at_mouth: float
    strain: float


def _line(backing: Backing, length: float, radius: float, touch: Touch, made: Print) -> _Line:
    """What one line has for itself: its wall or its share of a hole, and the two faces."""
    if backing.kind == "hole":
        return _hole(backing, length, radius, touch, made)
    load = LINE_LOAD * made.e * radius
    faces = sum(line_approach(load, radius, _skin(backing), made.e, made.poisson)) / (load * length)
    if backing.kind != "wall":
        return _Line(faces, 1.0, _tube_strain(backing, made))
    seated, mouth, strain = _wall(backing, made)
    return _Line(faces + seated, (faces + mouth) / (faces + seated), strain * seated)


def _skin(backing: Backing) -> float:
    """What lies behind the line itself, mm: half a tube's wall is still a wall."""
    return max(backing.thickness_mm, 1e-3)


@lru_cache(maxsize=20_000)
def _wall(backing: Backing, made: Print) -> tuple[float, float, float]:
    """Give (mm/N) of a wall seated and at its mouth, and its strain per mm of give.

    Seated the load is even over the engaged length; a stud that enters presses at the wall's lower end.
    """
    rigidity = [plate_rigidity(t, made.poisson) * bending_share(t, made.printer) for t in backing.stretches]
    wall = Wall(np.array(backing.ends), np.array(rigidity), backing.height_mm, backing.roof, backing.clamped)
    reach = (backing.near_mm + backing.far_mm) / 2 if backing.roof else np.inf
    reach = min(reach, _span(backing) / np.sqrt(8))
    soft = shear_softening(backing.thickness_mm, reach, made.poisson)
    lines = [(near, backing.far_mm) for near in (backing.near_mm, backing.far_mm)]
    seated, mouth = (
        soft / (made.e * max(stiffness, 1e-9))
        for stiffness in plate_stiffness(wall, 0.0, lines, made.poisson)
    )
    return seated, mouth, 1.5 * backing.thickness_mm / reach**2


def _span(backing: Backing) -> float:
    """Between the ribs or corners that hold a wall, mm."""
    return backing.ends[-1] - backing.ends[0]


def _hole(backing: Backing, length: float, radius: float, touch: Touch, made: Print) -> _Line:
    """A round hole squeezed all round: its share of the pressure, on a few spots only.

    Round the hole and within the peg the perimeters carry; the infill props them by its small modulus.
    """
    d, skin = 2 * radius, made.printer.wall_mm
    core = infill_share(made.printer.infill)
    near, outer = (d + 2 * min(backing.thickness_mm, reach) for reach in (2 * skin, np.inf))
    ring = _outside(d, near)
    outside = 1 / (1 / ring + core / _outside(d, outer) * (1 - near / outer)) + made.poisson
    bore = 2 * max(radius - skin, touch.bore_mm, 0.0)
    shell = (d**2 + bore**2) / max(d**2 - bore**2, 1e-9) - made.poisson
    prop = core * (bore / d) ** 2 / (1 - made.poisson) if touch.bore_mm == 0 else 0.0
    pressure = 2 * made.e / (d * (outside + 1 / (1 / shell + prop)))  # per mm a side
    newtons = pressure * np.pi * d * length / HOLE_LINES * HOLE_SHARE
    strain = pressure * ring / made.e
    return _Line(1 / newtons, 1.0, strain / newtons)


def _outside(d: float, outer: float) -> float:
    """(D^2 + d^2) / (D^2 - d^2), hoop stress over pressure at a hole's edge."""
    return (outer**2 + d**2) / (outer**2 - d**2)


def _stud(across: Array, touch: Touch, made: Print) -> Array:
    """(n, n) give of a stud: its perimeters are a ring, propped by the infill."""
    thickness = min(made.printer.wall_mm, touch.radius_mm - touch.bore_mm)
    thickness = float(np.clip(thickness, THINNEST * touch.radius_mm, THICKEST * touch.radius_mm))
    middle = touch.radius_mm - thickness / 2
    angles = np.arctan2(across[:, 1], across[:, 0])
    ring = ring_give(angles, middle, thickness, touch.depth_mm, made.e)
    if touch.bore_mm > 0:
        return ring
    load = LINE_LOAD * made.e * touch.radius_mm
    flattened = line_approach(load, touch.radius_mm, touch.radius_mm, made.e, made.poisson)[0]
    core = load / flattened * touch.depth_mm * infill_share(made.printer.infill)
    return np.asarray(np.linalg.solve(np.eye(len(ring)) + core * ring, ring))


def _tubes(backings: Sequence[Backing], flat: Array, across: Array) -> list[list[int]]:
    """Rows of the lines that press on the same tube or pin."""
    rows = [i for i, backing in enumerate(backings) if backing.kind in ("tube", "pin")]
    centres = {i: flat[i] + backings[i].radius_mm * across[i] for i in rows}
    groups: list[list[int]] = []
    for i in rows:
        near = SAME_TUBE * backings[i].radius_mm
        mate = next((g for g in groups if np.linalg.norm(centres[g[0]] - centres[i]) < near), None)
        if mate is None:
            groups.append([i])
        else:
            mate.append(i)
    return groups


def _tube(facing: Array, backings: Sequence[Backing], lengths: Array, made: Print) -> Array:
    """(n, n) give of a tube or pin at lines that lie in these directions from its axis."""
    one = backings[0]
    angles = np.arctan2(facing[:, 1], facing[:, 0])
    reach = float(np.mean([(backing.near_mm + backing.far_mm) / 2 for backing in backings]))
    bore = max(one.radius_mm - one.thickness_mm, 0.0)
    skin = bending_share(2 * one.radius_mm, made.printer) if one.kind == "pin" else 1.0
    inertia = np.pi / 4 * (one.radius_mm**4 - bore**4) * skin
    area = np.pi * (one.radius_mm**2 - bore**2) * skin
    lean = tube_shift(angles, inertia, area, reach, made.e, made.poisson)
    if one.kind == "pin":
        return lean
    height = float(np.sqrt(lengths.mean() * max(one.height_mm, lengths.mean())))
    thick = one.thickness_mm * bending_share(one.thickness_mm, made.printer) ** (1 / 3)
    return np.asarray(lean + ring_give(angles, one.radius_mm - one.thickness_mm / 2, thick, height, made.e))


def _tube_strain(backing: Backing, made: Print) -> float:
    """Strain per newton at the root of a tube or pin that leans."""
    reach = (backing.near_mm + backing.far_mm) / 2
    bore = max(backing.radius_mm - backing.thickness_mm, 0.0)
    inertia = np.pi / 4 * (backing.radius_mm**4 - bore**4)
    return float(reach * backing.radius_mm / (made.e * max(inertia, 1e-12)))
