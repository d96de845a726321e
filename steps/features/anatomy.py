"""What stands out of one shape and what is hollow in it: bosses, rods, tubes, holes, balls, cups.

Everything here follows from the mesh alone and is measured once per shape; joints use it again.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal
from weakref import WeakKeyDictionary

import numpy as np

from steps.features.mesh import Mesh, clean
from steps.features.patches import Cylinder, Sphere, plane_basis, reversed_cylinder, round_patches
from steps.features.section import covered, inside_numbers, section
from steps.model import Array, IntArray, Shape

#: How far beyond the end of a cylinder, as a share of its radius, to ask what is there.
BEYOND = 0.06
#: Radius of the ring, as a share of the cylinder's, on which wider material makes a foot.
FOOT_RING = 1.12
#: Least share of that ring in the material.
FOOT_SHARE = 0.4
#: A cylinder walled in over more than this share of directions is a tube or a pin in a cavity.
ENCLOSED_SHARE = 0.9
#: Less of a circle than this is a rounded wall, not a stud or a hole (radians); a stud that runs into
#: a wall keeps more than half.
WHOLE_ARC = np.radians(190)

Role = Literal["boss", "rod", "tube", "pin", "hole", "arc"]


@dataclass(frozen=True, eq=False)
class Round:
    """A cylinder with its role. ``boss``: foot at its start; ``rod``: no foot; ``tube``: a boss walled
    in; ``pin``: footed at both ends; ``hole``: concave, its mouth at its start, axis into the depth;
    ``arc``: too little of a circle to be any of these."""

    role: Role
    cylinder: Cylinder
    height: float  #: of a boss with its chamfer, depth of a hole
    bore: float = 0.0  #: radius of a coaxial hole that opens at the tip
    through: bool = False
    walled: float = 0.0  #: share of directions in which the part's own walls stand around


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
        return tuple(r for r in self.rounds if r.role in ("boss", "rod", "pin"))

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
    ring, middle = _ends(mesh, cylinders)
    walled = _walled(mesh, cylinders)
    holes = [c for c in cylinders if not c.convex]
    rounds = []
    for row, cylinder in enumerate(cylinders):
        if cylinder.arc < WHOLE_ARC:
            rounds.append(Round("arc", cylinder, cylinder.length))
        elif cylinder.convex:
            rounds.append(_boss(mesh, cylinder, ring[row] >= FOOT_SHARE, walled[row], holes))
        else:
            rounds.append(_hole(cylinder, middle[row]))
    return rounds


def _ends(mesh: Mesh, cylinders: Sequence[Cylinder]) -> tuple[Array, np.ndarray]:
    """Per cylinder and end: share of a wider ring just beyond it in the material (c, 2), and whether
    the middle just beyond it is in the material (c, 2)."""
    angles = np.arange(8) * (np.pi / 4) + 0.2  # off the usual symmetry planes
    circle = np.column_stack([np.cos(angles), np.sin(angles)])
    cuts = _Cuts(mesh)
    solid = np.zeros((len(cylinders), 2, 9), dtype=bool)
    for row, c in enumerate(cylinders):
        ring = np.vstack([FOOT_RING * c.radius * circle, [[0.0, 0.0]]])
        for end, along in enumerate((-BEYOND * c.radius, c.length + BEYOND * c.radius)):
            around = cuts.at(c.axis, float(c.start @ c.axis) + along) - plane_basis(c.axis) @ c.start
            solid[row, end] = inside_numbers(around, ring) > 0.5
    return solid[:, :, :8].mean(axis=2), solid[:, :, 8]


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
    """Share of directions, seen from each convex cylinder's middle, that end at the part's own walls."""
    walls = np.ones(len(mesh.faces), dtype=bool)
    for c in cylinders:
        if c.convex:
            walls[c.faces] = False
    rows = np.flatnonzero(walls)
    angles = (np.arange(36) + 0.37) * (np.pi / 18)
    directions = np.column_stack([np.cos(angles), np.sin(angles)])
    share = np.zeros(len(cylinders))
    cuts = _Cuts(mesh, rows)
    for row, c in enumerate(cylinders):
        if not c.convex:
            continue
        level = float(c.start @ c.axis) + 0.53 * c.length
        around = cuts.at(c.axis, level) - plane_basis(c.axis) @ c.start
        outside = (
            np.linalg.norm(around, axis=2).min(axis=1) > 0.98 * c.radius
        )  # its own bore does not wall it in
        share[row] = covered(around[outside], directions).mean() if outside.any() else 0.0
    return share


def _boss(mesh: Mesh, c: Cylinder, foot: np.ndarray, walled: float, holes: Sequence[Cylinder]) -> Round:
    if foot.all():
        return Round("pin", c, c.length, walled=walled)
    if not foot.any():
        return Round("rod", c, c.length, walled=walled)
    if foot[1]:
        c = reversed_cylinder(c)
    height = _tip(mesh, c)
    bore = max((h.radius for h in holes if _opens_at(h, c)), default=0.0)
    return Round("tube" if walled >= ENCLOSED_SHARE else "boss", c, height, bore=bore, walled=walled)


def _tip(mesh: Mesh, c: Cylinder) -> float:
    """Height of a boss with the chamfer that meets its upper rim."""
    own = np.zeros(len(mesh.faces), dtype=bool)
    own[c.faces] = True
    pairs = mesh.adjacency[0]
    border = own[pairs].sum(axis=1) == 1
    beside = np.unique(np.where(own[pairs[border, 0]], pairs[border, 1], pairs[border, 0]))
    off = mesh.triangles[beside] - c.start
    along = off @ c.axis
    across = np.linalg.norm(off - along[..., None] * c.axis, axis=2)
    chamfer = (across <= 1.02 * c.radius).all(axis=1) & (along.min(axis=1) > 0.5 * c.length)
    return max(c.length, float(along[chamfer].max(initial=0.0)))


def _opens_at(hole: Cylinder, boss: Cylinder) -> bool:
    off = hole.start - boss.start
    along = float(off @ boss.axis)
    across = np.linalg.norm(off - along * boss.axis)
    if across > 0.05 * boss.radius or abs(hole.axis @ boss.axis) < 0.999 or hole.radius > boss.radius:
        return False
    top = along + max(hole.length * float(hole.axis @ boss.axis), 0.0)
    return bool(abs(top - boss.length) < 0.25 * boss.radius)


def _hole(c: Cylinder, blocked: np.ndarray) -> Round:
    """Measured from its mouth inwards."""
    if blocked[0] and not blocked[1]:
        c = reversed_cylinder(c)
    return Round("hole", c, c.length, through=not blocked.any())
