"""What stands out of one shape and what is hollow in it: bosses, rods, tubes, holes, balls, cups.

Everything here follows from the mesh alone and is measured once per shape; joints use it again.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal
from weakref import WeakKeyDictionary

import numpy as np

from steps.features.mesh import Mesh, clean, components
from steps.features.patches import Cylinder, Sphere, plane_basis, reversed_cylinder, round_patches
from steps.features.section import covered, inside_numbers, section
from steps.model import Array, IntArray, Shape

#: How far beyond the end of a cylinder, as a share of its radius, to ask what is there.
BEYOND = 0.06
#: Radius of the ring, as a share of the cylinder's, on which wider material makes a foot.
FOOT_RING = 1.12
#: Least share of that ring in the material.
FOOT_SHARE = 0.4
#: A face whose normal is this near the axis (cosine) is a cap, not a chamfer.
CAP_TILT = 0.99
#: A wider end is a collar, not a body, when a ring of this many radii meets next to none of it.
BODY_RING = 1.8
BODY_SHARE = 0.1
#: A cylinder walled in over more than this share of directions is a tube or a pin in a cavity.
ENCLOSED_SHARE = 0.9
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
    through: bool = False
    collar: float = 0.0  #: radius of a collar at a boss's tip, 0 without


@dataclass(frozen=True, eq=False)
class Anatomy:
    """One shape, taken apart."""

    mesh: Mesh
    rounds: tuple[Round, ...]
    spheres: tuple[Sphere, ...]
    surface: IntArray  #: (m,) per face: row in rounds, then len(rounds) + row in spheres, then planes

    @property
    def plugs(self) -> tuple[Round, ...]:
        """Whatever could go into another shape's hollow."""
        return tuple(r for r in self.rounds if r.role in ("boss", "sunk", "rod", "pin"))

    @property
    def first_plane(self) -> int:
        """Surface numbers from here on are flat or free-form."""
        return len(self.rounds) + len(self.spheres)


_known: WeakKeyDictionary[Shape, Anatomy] = WeakKeyDictionary()


def anatomy(shape: Shape) -> Anatomy:
    """Take a shape apart; remembered for as long as the shape lives."""
    found = _known.get(shape)
    if found is None:
        found = _known[shape] = _take_apart(clean(shape.vertices, shape.faces))
    return found


def _take_apart(mesh: Mesh) -> Anatomy:
    cylinders, spheres = round_patches(mesh)
    rounds = tuple(_with_roles(mesh, cylinders))
    surface = mesh.planes + len(rounds) + len(spheres)
    for row, found in enumerate(rounds):
        surface[found.cylinder.faces] = row
    for row, sphere in enumerate(spheres):
        surface[sphere.faces] = len(rounds) + row
    return Anatomy(mesh, rounds, spheres, surface)


def _with_roles(mesh: Mesh, cylinders: Sequence[Cylinder]) -> list[Round]:
    if not cylinders:
        return []
    ends = _ends(mesh, cylinders)
    walled = _walled(mesh, cylinders)
    holes = [c for c in cylinders if not c.convex]
    rounds = []
    for row, cylinder in enumerate(cylinders):
        if cylinder.arc < WHOLE_ARC:
            rounds.append(Round("arc", cylinder, cylinder.length))
        elif cylinder.convex:
            rounds.append(_boss(mesh, cylinder, ends[row], walled[row], holes))
        else:
            rounds.append(_hole(cylinder, ends[row]))
    return rounds


@dataclass(frozen=True)
class _End:
    """What lies just beyond one end of a cylinder."""

    foot: bool  #: wider material
    body: bool  #: much wider material
    middle: bool  #: material on the axis
    width: float  #: radius at which the wider material ends, where it is no body


def _ends(mesh: Mesh, cylinders: Sequence[Cylinder]) -> list[tuple[_End, _End]]:
    """Both ends of every cylinder, start first."""
    angles = np.arange(8) * (np.pi / 4) + 0.2  # off the usual symmetry planes
    circle = np.column_stack([np.cos(angles), np.sin(angles)])
    cuts = _Cuts(mesh)
    found = []
    for c in cylinders:
        places = np.vstack([FOOT_RING * c.radius * circle, BODY_RING * c.radius * circle, [[0.0, 0.0]]])
        pair = []
        for along in (-BEYOND * c.radius, c.length + BEYOND * c.radius):
            around = cuts.at(c.axis, float(c.start @ c.axis) + along) - plane_basis(c.axis) @ c.start
            solid = inside_numbers(around, places) > 0.5
            foot, body = solid[:8].mean() >= FOOT_SHARE, solid[8:16].mean() > BODY_SHARE
            width = _outer_radius(around, circle) if foot and not body else 0.0
            pair.append(_End(bool(foot), bool(body), bool(solid[16]), width))
        found.append((pair[0], pair[1]))
    return found


def _outer_radius(around: Array, directions: Array) -> float:
    """Median distance at which rays from the axis leave the material for the last time."""
    a, b = around[None, :, 0], around[None, :, 1]
    d = directions[:, None]
    left = d[..., 0] * a[..., 1] - d[..., 1] * a[..., 0]
    right = d[..., 0] * b[..., 1] - d[..., 1] * b[..., 0]
    crossing = (left > 0) != (right > 0)
    share = left / np.where(crossing, left - right, 1.0)
    reach = (d * (a + share[..., None] * (b - a))).sum(axis=2)
    return float(np.median(np.where(crossing & (reach > 0), reach, 0.0).max(axis=1)))


class _Cuts:
    """Sections of one mesh, each plane cut once."""

    def __init__(self, mesh: Mesh, rows: IntArray | None = None):
        self.mesh, self.rows = mesh, rows
        self.known: dict[tuple[float, ...], Array] = {}

    def at(self, axis: Array, level: float) -> Array:
        key = (*np.round(axis, 5), round(level / max(self.mesh.diagonal, 1e-9), 5))
        if key not in self.known:
            self.known[key] = section(self.mesh, axis, level, self.rows).segments
        return self.known[key]


def _walled(mesh: Mesh, cylinders: Sequence[Cylinder]) -> Array:
    """(c, 2) share of directions, seen from each convex cylinder's middle, and from just beyond either
    end (the lesser), that end at the part's own walls."""
    walls = np.ones(len(mesh.faces), dtype=bool)
    for c in cylinders:
        if c.convex:
            walls[c.faces] = False
    cuts = _Cuts(mesh, np.flatnonzero(walls))
    share = np.zeros((len(cylinders), 2))
    for row, c in enumerate(cylinders):
        if not c.convex:
            continue
        share[row, 0] = _share_walled(cuts, c, 0.53 * c.length)
        if share[row, 0] >= ENCLOSED_SHARE:
            ends = (-BEYOND * c.radius, c.length + BEYOND * c.radius)
            share[row, 1] = min(_share_walled(cuts, c, along) for along in ends)
    return share


def _share_walled(cuts: _Cuts, c: Cylinder, along: float) -> float:
    angles = (np.arange(36) + 0.37) * (np.pi / 18)
    directions = np.column_stack([np.cos(angles), np.sin(angles)])
    around = cuts.at(c.axis, float(c.start @ c.axis) + along) - plane_basis(c.axis) @ c.start
    # Its own bore does not wall it in.
    outside = np.linalg.norm(around, axis=2).min(axis=1) > 0.98 * c.radius
    return float(covered(around[outside], directions).mean()) if outside.any() else 0.0


def _boss(
    mesh: Mesh, c: Cylinder, ends: tuple[_End, _End], walled: Array, holes: Sequence[Cylinder]
) -> Round:
    start, end = ends
    if not start.foot and not end.foot:
        return Round("rod", c, c.length)
    collar = 0.0
    if start.foot and end.foot:
        if start.body == end.body:
            return Round("pin", c, c.length)
        tip = end if start.body else start
        collar = tip.width
    if end.body if collar else end.foot:
        c = reversed_cylinder(c)
    height = _tip(mesh, c)
    bore = max((h.radius for h in holes if _opens_at(h, c)), default=0.0)
    role: Role = "boss"
    if walled[0] >= ENCLOSED_SHARE:
        role = "sunk" if walled[1] >= ENCLOSED_SHARE and bore == 0 else "tube"
    return Round(role, c, height, bore=bore, collar=collar)


def _tip(mesh: Mesh, c: Cylinder) -> float:
    """Height of a boss with the chamfer or dome that meets its upper rim, but without a mark on its cap."""
    near = np.flatnonzero(np.linalg.norm(mesh.centres - c.start, axis=1) < 2 * (c.length + c.radius))
    off = mesh.triangles[near] - c.start
    along = off @ c.axis
    across = np.linalg.norm(off - along[..., None] * c.axis, axis=2)
    above = (across <= 1.02 * c.radius).all(axis=1) & (along.min(axis=1) > 0.5 * c.length)
    sloped = np.zeros(len(mesh.faces), dtype=bool)
    sloped[near[above & (np.abs(mesh.normals[near] @ c.axis) < CAP_TILT)]] = True
    sloped[c.faces] = True
    pairs = mesh.adjacency[0]
    piece = components(len(mesh.faces), pairs[sloped[pairs].all(axis=1)])
    joined = sloped & (piece == piece[c.faces[0]])
    joined[c.faces] = False
    tops = mesh.triangles[joined] - c.start
    return max(c.length, float((tops @ c.axis).max(initial=0.0)))


def _opens_at(hole: Cylinder, boss: Cylinder) -> bool:
    off = hole.start - boss.start
    along = float(off @ boss.axis)
    across = np.linalg.norm(off - along * boss.axis)
    if across > 0.05 * boss.radius or abs(hole.axis @ boss.axis) < 0.999 or hole.radius > boss.radius:
        return False
    top = along + max(hole.length * float(hole.axis @ boss.axis), 0.0)
    return bool(abs(top - boss.length) < 0.25 * boss.radius)


def _hole(c: Cylinder, ends: tuple[_End, _End]) -> Round:
    """Measured from its mouth inwards."""
    start, end = ends
    if start.middle and not end.middle:
        c = reversed_cylinder(c)
    return Round("hole", c, c.length, through=not start.middle and not end.middle)
