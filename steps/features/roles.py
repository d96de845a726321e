"""What each cylinder of a shape is: a stud's boss, a rod, a tube, a pin between cheeks, a hole."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from renderer.spatial import tree
from steps.features.mesh import Mesh
from steps.features.patches import Cylinder, plane_basis, reversed_cylinder
from steps.features.probe import Probe
from steps.model import Array, IntArray, Mask

#: How far beyond the end of a cylinder, as a share of its radius, to ask what is there.
BEYOND = 0.06
#: A foot may flare, by a fillet or a weld, for so many radii: where the cylinder's own section (its ring, and
#: the least share of that in the material) runs on beyond its end, the foot is looked for that far.
FLARE, OWN_RING, OWN_SHARE = 0.25, 0.9, 0.75
#: Radius of the ring, as a share of the cylinder's, on which wider material makes a foot.
FOOT_RING = 1.12
#: Least share of that ring in the material.
FOOT_SHARE = 0.4
#: A wider end is a collar, not a body, when a ring of this many radii meets next to none of it.
BODY_RING = 1.8
BODY_SHARE = 0.1
#: Between two wider ends that are no bodies (a pin with a flange and a collar), the narrower is a
#: collar below this many radii: a printed hole gives no further (a guess).
COLLAR_MOST = 1.35
#: A collar stands out by more than this share of the radius.
COLLAR_LEAST = 0.02
#: Levels at which a cylinder of a mesh of several shells is asked whether it stands free.
BURIED_LEVELS = 16
#: A face whose normal is this near the axis (cosine) is a cap, not a chamfer.
CAP_TILT = 0.99
#: A chamfer or dome lies within this many radii of the middle of a boss's upper rim.
TIP_REACH = 1.6
#: A cylinder walled in over more than this share of directions is a tube or a pin in a cavity.
ENCLOSED_SHARE = 0.9
#: Rays round a cylinder start this many radii from its axis: its own bore does not wall it in.
WALL_START = 1.02
#: Less of a circle than this is a rounded wall, not a stud or a hole (radians); a stud that runs into
#: a wall keeps more than half.
WHOLE_ARC = np.radians(190)

Role = Literal["boss", "sunk", "rod", "tube", "pin", "hole", "arc"]


@dataclass(frozen=True, eq=False)
class Round:
    """A cylinder with its role. ``boss``: foot at its start; ``rod``: no foot; ``tube``: a boss walled
    in; ``sunk``: a solid boss whose surrounding walls rise above it; ``pin``: footed at both ends;
    ``hole``: concave, its mouth at its start, axis into the depth; ``arc``: too little of a circle to
    be any of these."""

    role: Role
    cylinder: Cylinder
    height: float  #: of a boss with its chamfer, depth of a hole
    bore: float = 0.0  #: radius of a coaxial hole that opens at the tip
    within: float = 0.0  #: radius of the widest coaxial hole anywhere along it
    through: bool = False
    collar: float = 0.0  #: radius of a collar at a boss's tip, the less of those at both ends of a rod; or 0
    slope: float = 0.0  #: of the chamfer at a boss's tip, radians from its axis; 0 for a square edge


def rounds(mesh: Mesh, cylinders: Sequence[Cylinder]) -> tuple[Round, ...]:
    """Every cylinder of a shape with its role, in order."""
    if not cylinders:
        return ()
    if mesh.shells > 1:
        cylinders = _standing_out(mesh, cylinders)
    ends = _ends(mesh, cylinders)
    walled = _walled(mesh, cylinders)
    tips = _Tips(mesh)
    bores = _Bores([c for c in cylinders if not c.convex])
    found = []
    for row, cylinder in enumerate(cylinders):
        if cylinder.arc < WHOLE_ARC:
            found.append(Round("arc", cylinder, cylinder.length))
        elif cylinder.convex:
            boss = _boss(cylinder, ends[row], walled[row], tips, bores)
            found.append(replace(boss, within=bores.beside(cylinder)))
        else:
            found.append(_hole(cylinder, ends[row]))
    return tuple(found)


def _boss(c: Cylinder, ends: tuple[_Beyond, _Beyond], walled: Array, tips: _Tips, bores: _Bores) -> Round:
    start, end = ends
    if not start.foot and not end.foot:
        # what goes over it comes from the end that is easier to pass, if the other is wider at all
        return Round("rod", c, c.length, collar=min(tips.collar(c), tips.collar(reversed_cylinder(c))))
    collar = 0.0
    if start.foot and end.foot:
        tip = _collar(c, start, end)
        if tip is None:
            return Round("pin", c, c.length)
        collar = tip.width
        upside_down = tip is start
    else:
        upside_down = end.foot
    if upside_down:
        c = reversed_cylinder(c)
    bore = bores.opening_at(c)
    role: Role = "boss"
    if walled[0] >= ENCLOSED_SHARE:
        role = "sunk" if walled[1] >= ENCLOSED_SHARE and bore == 0 else "tube"
    elif collar == 0:
        collar = tips.collar(c)
    height, slope = tips.tip(c)
    return Round(role, c, height, bore=bore, collar=collar, slope=slope)


def _collar(c: Cylinder, start: _Beyond, end: _Beyond) -> _Beyond | None:
    """The end whose wider material is a collar that passes through a hole; None where both ends hold."""
    if start.body and end.body:
        return None
    if start.body or end.body:
        return end if start.body else start
    tip = start if start.width < end.width else end
    return tip if tip.width < COLLAR_MOST * c.radius else None


def _hole(c: Cylinder, ends: tuple[_Beyond, _Beyond]) -> Round:
    """Measured from its mouth inwards."""
    start, end = ends
    if start.middle and not end.middle:
        c = reversed_cylinder(c)
    return Round("hole", c, c.length, through=not start.middle and not end.middle)


# ---------------------------------------------------------------------------------- ends


@dataclass(frozen=True)
class _Beyond:
    """What lies just beyond one end of a cylinder."""

    foot: bool  #: wider material
    body: bool  #: much wider material
    middle: bool  #: material on the axis
    width: float  #: radius at which the wider material ends, where it is no body


def _ends(mesh: Mesh, cylinders: Sequence[Cylinder]) -> list[tuple[_Beyond, _Beyond]]:
    """Both ends of every cylinder, start first."""
    circle = _circle(8, 0.2)  # off the usual symmetry planes
    unit = np.vstack([FOOT_RING * circle, BODY_RING * circle, [[0.0, 0.0]], OWN_RING * circle])
    points = np.empty((len(cylinders), 2, 2, len(unit), 3))
    for row, c in enumerate(cylinders):
        ring = c.radius * unit @ plane_basis(c.axis)
        for deep, beyond in enumerate((BEYOND * c.radius, FLARE * c.radius)):
            for end, along in enumerate((-beyond, c.length + beyond)):
                points[row, end, deep] = c.start + along * c.axis + ring
    probe = Probe(mesh)
    solid = probe.solid_at(points.reshape(-1, 3)).reshape(points.shape[:4])
    feet = solid[..., :8].mean(axis=3) >= FOOT_SHARE
    flares = ~feet[..., 0] & feet[..., 1] & (solid[:, :, 0, 17:].mean(axis=2) >= OWN_SHARE)
    points = np.where(flares[..., None, None], points[:, :, 1], points[:, :, 0])
    solid = np.where(flares[..., None], solid[:, :, 1], solid[:, :, 0])
    foot = solid[..., :8].mean(axis=2) >= FOOT_SHARE
    body = solid[..., 8:16].mean(axis=2) > BODY_SHARE
    found = []
    for row, c in enumerate(cylinders):
        pair = []
        for end in range(2):
            width = 0.0
            if foot[row, end] and not body[row, end]:
                width = _width(probe, c, points[row, end, :8], circle, solid[row, end, :8])
            pair.append(_Beyond(bool(foot[row, end]), bool(body[row, end]), bool(solid[row, end, 16]), width))
        found.append((pair[0], pair[1]))
    return found


def _standing_out(mesh: Mesh, cylinders: Sequence[Cylinder]) -> list[Cylinder]:
    """Convex cylinders less what of them is sunk in another shell of the same mesh (studs that were
    set into a body and never united with it)."""
    levels = (np.arange(BURIED_LEVELS) + 0.5) / BURIED_LEVELS
    circle = _circle(8, 0.2)
    points = np.empty((len(cylinders), len(levels), len(circle), 3))
    for row, c in enumerate(cylinders):
        ring = FOOT_RING * c.radius * circle @ plane_basis(c.axis)
        points[row] = c.start + (levels * c.length)[:, None, None] * c.axis + ring
    solid = Probe(mesh).solid_at(points.reshape(-1, 3)).reshape(points.shape[:3])
    buried = solid.mean(axis=2) > 0.5
    found = []
    for row, c in enumerate(cylinders):
        free = np.flatnonzero(~buried[row])
        if not c.convex or not len(free) or len(free) == len(levels):
            found.append(c)
            continue
        low = _surface_between(mesh, c, free[0] - 1, levels) if free[0] else 0.0
        high = _surface_between(mesh, c, free[-1], levels) if free[-1] < len(levels) - 1 else c.length
        found.append(replace(c, start=c.start + low * c.axis, length=high - low))
    return found


def _surface_between(mesh: Mesh, c: Cylinder, step: int, levels: Array) -> float:
    """Height of the flat face that a cylinder pierces between two sampled levels."""
    low, high = levels[step] * c.length, levels[step + 1] * c.length
    flat = np.abs(mesh.normals @ c.axis) > CAP_TILT
    heights = (mesh.centres[flat] - c.start) @ c.axis
    between = heights[(heights > low) & (heights < high)]
    return float(np.median(between)) if len(between) else float((low + high) / 2)


def _width(probe: Probe, c: Cylinder, ring: Array, circle: Array, solid: np.ndarray) -> float:
    """Median radius at which the material round an end of a cylinder ends."""
    ways = (circle @ plane_basis(c.axis))[solid]
    reach = probe.distances(ring[solid], ways)
    return float(FOOT_RING * c.radius + np.median(reach))


def _circle(count: int, offset: float) -> Array:
    angles = np.arange(count) * (2 * np.pi / count) + offset
    return np.column_stack([np.cos(angles), np.sin(angles)])


def _walled(mesh: Mesh, cylinders: Sequence[Cylinder]) -> Array:
    """(c, 2) share of directions, seen from each convex cylinder's middle, and from just beyond either
    end (the lesser), that end at the part's own walls."""
    walls = np.ones(len(mesh.faces), dtype=bool)
    for c in cylinders:
        if c.convex:
            walls[c.faces] = False
    circle = _circle(36, 0.06)
    origins = np.zeros((len(cylinders), 3, len(circle), 3))
    ways = np.zeros((len(cylinders), len(circle), 3))
    for row, c in enumerate(cylinders):
        ways[row] = circle @ plane_basis(c.axis)
        for place, along in enumerate((0.53 * c.length, -BEYOND * c.radius, c.length + BEYOND * c.radius)):
            origins[row, place] = c.start + along * c.axis + WALL_START * c.radius * ways[row]
    all_ways = np.repeat(ways[:, None], 3, axis=1).reshape(-1, 3)
    reach = Probe(mesh, np.flatnonzero(walls)).distances(origins.reshape(-1, 3), all_ways)
    share = np.isfinite(reach).reshape(len(cylinders), 3, len(circle)).mean(axis=2)
    return np.column_stack([share[:, 0], share[:, 1:].min(axis=1)])


# ------------------------------------------------------------------------- tips and bores


class _Tips:
    """What stands at the tips of bosses: the chamfer or dome that meets their upper rim, a collar."""

    def __init__(self, mesh: Mesh):
        self.mesh = mesh
        self.tree = tree(mesh.centres)
        self.flag = np.zeros(len(mesh.faces), dtype=bool)

    def tip(self, c: Cylinder) -> tuple[float, float]:
        """Height with the chamfer but without a mark on the cap (a flat cap ends the search), and the
        chamfer's slope from the axis, radians, 0 without one."""
        mesh = self.mesh
        near = np.array(
            self.tree.query_ball_point(c.start + c.length * c.axis, TIP_REACH * c.radius), dtype=int
        )
        if not len(near):
            return c.length, 0.0
        off = mesh.triangles[near] - c.start
        along = off @ c.axis
        across = np.linalg.norm(off - along[..., None] * c.axis, axis=2)
        above = (across <= 1.02 * c.radius).all(axis=1) & (along.min(axis=1) > 0.5 * c.length)
        sloped = near[above & (np.abs(mesh.normals[near] @ c.axis) < CAP_TILT)]
        joined = self._joined_to(c.faces, sloped)
        tops = (mesh.triangles[joined] - c.start).reshape(-1, 3)
        up = tops @ c.axis
        height = float(up.max(initial=0.0))
        if height <= c.length * (1 + 1e-9):
            return c.length, 0.0
        rim = tops[up > height - 1e-6 * c.length] - height * c.axis
        inward = c.radius - float(np.linalg.norm(rim, axis=1).max())
        return height, float(np.arctan2(max(inward, 0.0), height - c.length))

    def collar(self, c: Cylinder) -> float:
        """Radius of a narrow collar or ridge that begins at the tip, by its vertices; 0 without one.

        It stands out on at least three quarters of the circle: a slit leaves that, a wall beside does not.
        """
        mesh, r = self.mesh, c.radius
        near = mesh.tree.query_ball_point(c.start + c.length * c.axis, (1 + COLLAR_MOST) * r)
        off = mesh.vertices[np.sort(np.array(near, dtype=int))] - c.start
        along = off @ c.axis - c.length
        flat = off @ plane_basis(c.axis).T
        across = np.linalg.norm(flat, axis=1)
        least = r + max(COLLAR_LEAST * r, 2 * c.roundness)
        ring = (along > -COLLAR_LEAST * r) & (along < r) & (across > least) & (across < COLLAR_MOST * r)
        quarters = np.unique((flat[ring] > 0) @ [1, 2])
        return float(across[ring].max()) if len(quarters) >= 3 else 0.0

    def _joined_to(self, faces: IntArray, allowed: IntArray) -> IntArray:
        """Allowed faces that a path over allowed faces joins to the given ones."""
        self.flag[allowed] = True
        self.flag[faces] = False
        found = [np.zeros(0, dtype=np.int64)]
        edge = faces
        while len(edge):
            beside = np.unique(self.mesh.neighbours[edge])
            edge = beside[(beside >= 0) & self.flag[beside]]
            self.flag[edge] = False
            found.append(edge)
        self.flag[allowed] = False
        return np.concatenate(found)


class _Bores:
    """Holes of a shape, to be asked which opens at a boss's tip."""

    def __init__(self, holes: Sequence[Cylinder]):
        self.start = np.array([h.start for h in holes]).reshape(-1, 3)
        self.axis = np.array([h.axis for h in holes]).reshape(-1, 3)
        self.radius = np.array([h.radius for h in holes])
        self.length = np.array([h.length for h in holes])

    def opening_at(self, boss: Cylinder) -> float:
        """Radius of the widest coaxial hole that ends near the boss's tip; 0 without."""
        inner, _, top = self._coaxial(boss)
        opens = inner & (np.abs(top - boss.length) < 0.25 * boss.radius)
        return float(self.radius[opens].max(initial=0.0))

    def beside(self, boss: Cylinder) -> float:
        """Radius of the widest coaxial hole along some of the boss; 0 without."""
        inner, low, top = self._coaxial(boss)
        along = inner & (np.minimum(top, boss.length) - np.maximum(low, 0.0) > 1e-3 * boss.radius)
        return float(self.radius[along].max(initial=0.0))

    def _coaxial(self, boss: Cylinder) -> tuple[Mask, Array, Array]:
        """Which holes are coaxial with a boss and narrower, and from where to where along it each goes."""
        off = self.start - boss.start
        along = off @ boss.axis
        across = np.linalg.norm(off - np.outer(along, boss.axis), axis=1)
        same = self.axis @ boss.axis
        inner = (across < 0.05 * boss.radius) & (np.abs(same) > 0.999) & (self.radius < boss.radius)
        reach = self.length * same
        return inner, along + np.minimum(reach, 0.0), along + np.maximum(reach, 0.0)
