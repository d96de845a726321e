"""Parametric stud-and-socket solids: watertight, of known volume, at any scale and facet count.

Every solid stands on z = 0 with its footprint's corner at the origin, studs up, unless it says
otherwise. A footprint of n cells is n pitches long; the body keeps ``clearance`` from its edge all
round, so that neighbours do not rub. Lengths of :class:`Module` are at 1x; solids are in mm at
``scale``.

How a stud is held: the cavity under a part has round tubes between the cells where it is two or
more wide, and round pins where it is one wide; short ribs stand on the walls beside each stud.
All of them keep ``clearance`` from the stud's circle.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import manifold3d as m3
import numpy as np
from manifold3d import Manifold as Body
from numpy.typing import NDArray

#: Vertices are snapped to this many steps a millimetre: far above rounding, far below any feature.
WELD_PER_MM = 1e7
#: Coplanar faces may disagree by rounding; slivers up to this wide are taken out before welding.
SLIVER_MM = 1e-6


@dataclass(frozen=True)
class Module:
    """The measures all parts of a model share, in mm at 1x, and the scale they are made at."""

    pitch: float = 10.0
    block: float = 10.0  #: height of a block
    slab: float = 5.0  #: height of a slab
    wall: float = 0.9
    roof: float = 1.6  #: thickness over the cavity
    stud_radius: float = 3.3
    stud_height: float = 2.6
    clearance: float = 0.085  #: gap per side: stud to tube, rib or hole, and body to footprint edge
    facets: int = 48  #: sides of every round feature; a multiple of 8 puts a vertex on each contact line
    scale: float = 1.0

    def __post_init__(self) -> None:
        if self.facets < 8:
            raise ValueError(f"facets: {self.facets} is too few for a stud, at least 8")
        if self.slab <= self.roof + self.stud_height:
            raise ValueError("slab: no room for a stud under its roof")
        if self.scale <= 0:
            raise ValueError("scale: must be above 0")

    @property
    def scaled(self) -> Module:
        """The same module with every length multiplied by ``scale``, and scale 1."""
        names = ("pitch", "block", "slab", "wall", "roof", "stud_radius", "stud_height", "clearance")
        return replace(self, scale=1.0, **{name: getattr(self, name) * self.scale for name in names})

    @property
    def tube_radius(self) -> float:
        """Outer radius of the tube that stands between four studs, 1x mm."""
        return self.pitch / 2**0.5 - self.stud_radius - self.clearance

    @property
    def pin_radius(self) -> float:
        """Radius of the pin that stands between two studs, 1x mm."""
        return self.pitch / 2 - self.stud_radius - self.clearance


@dataclass(frozen=True, eq=False)
class Bulk:
    """A watertight mesh: vertices (n, 3) in mm, faces (m, 3), counter-clockwise from outside."""

    name: str
    vertices: NDArray[np.float64]
    faces: NDArray[np.int64]

    def __post_init__(self) -> None:
        for key, kind in (("vertices", np.float64), ("faces", np.int64)):
            array = np.array(getattr(self, key), dtype=kind)
            array.setflags(write=False)
            object.__setattr__(self, key, array)

    @property
    def volume(self) -> float:
        """Enclosed volume, mm3."""
        a, b, c = (self.vertices[self.faces[:, k]] for k in range(3))
        return float(np.einsum("ij,ij->", a, np.cross(b, c)) / 6)

    @property
    def bounds(self) -> NDArray[np.float64]:
        """(2, 3) least and greatest corner, mm."""
        return np.array([self.vertices.min(axis=0), self.vertices.max(axis=0)])


# ------------------------------------------------------------------------------ the parts


def block(
    columns: int,
    rows: int,
    module: Module | None = None,
    height: float | None = None,
    *,
    smooth: bool = False,
    side_studs: bool = False,
    name: str | None = None,
) -> Bulk:
    """A body of ``columns`` x ``rows`` cells, ``height`` 1x mm high (default: a block), hollow below.

    ``smooth`` leaves the top studs out. ``side_studs`` puts one stud per column on the y = 0 side,
    at half a pitch above the underside.
    """
    module = module or Module()
    m = module.scaled
    high = m.block if height is None else height * module.scale
    body = shell(columns, rows, high, m)
    if not smooth:
        body += studs(cell_middles(columns, rows, m), high, m)
    if side_studs:
        stud = cylinder(m.stud_radius, m.stud_height + m.wall / 2, m).translate([0, 0, -m.wall / 2])
        flat = stud.rotate([90, 0, 0])
        body += union(
            flat.translate([(column + 0.5) * m.pitch, m.clearance, m.pitch / 2]) for column in range(columns)
        )
    kind = "block" if high >= m.block else "slab"
    return to_solid(name or f"{kind} {columns} x {rows}", body)


def slab(columns: int, rows: int, module: Module | None = None, *, smooth: bool = False) -> Bulk:
    """As :func:`block`, one slab high."""
    module = module or Module()
    kind = "smooth slab" if smooth else "slab"
    return block(columns, rows, module, module.slab, smooth=smooth, name=f"{kind} {columns} x {rows}")


# ------------------------------------- what solids are made of; ``m`` is a module at scale


def box(low: Sequence[float], high: Sequence[float]) -> Body:
    """A box between two corners."""
    size = [b - a for a, b in zip(low, high, strict=True)]
    return Body.cube(size).translate(list(low))


def cylinder(radius: float, height: float, m: Module) -> Body:
    """A round about z on z = 0, with the module's facets."""
    return Body.cylinder(height, radius, radius, m.facets)


def union(bodies: Iterable[Body]) -> Body:
    """All of them as one."""
    return Body.batch_boolean(list(bodies), m3.OpType.Add)


def cell_middles(columns: int, rows: int, m: Module) -> list[tuple[float, float]]:
    """Middles of the cells, row by row."""
    return [((i + 0.5) * m.pitch, (j + 0.5) * m.pitch) for j in range(rows) for i in range(columns)]


def studs(places: Iterable[tuple[float, float]], top: float, m: Module) -> Body:
    """Studs that rise from ``top``; they reach into the roof so that they fuse with it."""
    stud = cylinder(m.stud_radius, m.stud_height + m.roof / 2, m)
    return union(stud.translate([x, y, top - m.roof / 2]) for x, y in places)


def shell(columns: int, rows: int, high: float, m: Module) -> Body:
    """Walls, roof, and below it whatever holds studs."""
    long, wide = columns * m.pitch, rows * m.pitch
    c, w = m.clearance, m.clearance + m.wall
    outer = box([c, c, 0], [long - c, wide - c, high])
    cavity = box([w, w, -m.roof], [long - w, wide - w, high - m.roof])
    return union([outer - cavity, *grips(columns, rows, high, m)])


def grips(columns: int, rows: int, high: float, m: Module) -> list[Body]:
    """Tubes or pins between the cells, ribs along the walls, up to the middle of the roof."""
    depth = high - m.roof / 2
    parts: list[Body] = []
    if min(columns, rows) >= 2:
        tube = cylinder(m.tube_radius, depth, m) - cylinder(m.tube_radius - m.wall, high - m.roof, m)
        parts += [
            tube.translate([i * m.pitch, j * m.pitch, 0]) for i in range(1, columns) for j in range(1, rows)
        ]
    else:
        pin = cylinder(m.pin_radius, depth, m)
        parts += [pin.translate([i * m.pitch, m.pitch / 2, 0]) for i in range(1, columns)]
        parts += [pin.translate([m.pitch / 2, j * m.pitch, 0]) for j in range(1, rows)]
    return parts + _ribs(columns, rows, depth, m)


def _ribs(columns: int, rows: int, depth: float, m: Module) -> list[Body]:
    """One rib beside each outer stud, a wall wide, from within the wall to ``clearance`` off the stud."""
    face = m.pitch / 2 - m.stud_radius - m.clearance
    root, half = m.clearance + m.wall / 2, m.wall / 2
    long, wide = columns * m.pitch, rows * m.pitch
    ribs: list[Body] = []
    for i in range(columns):
        x = (i + 0.5) * m.pitch
        ribs.append(box([x - half, root, 0], [x + half, face, depth]))
        ribs.append(box([x - half, wide - face, 0], [x + half, wide - root, depth]))
    for j in range(rows):
        y = (j + 0.5) * m.pitch
        ribs.append(box([root, y - half, 0], [face, y + half, depth]))
        ribs.append(box([long - face, y - half, 0], [long - root, y + half, depth]))
    return ribs


def to_solid(name: str, body: Body) -> Bulk:
    """The body's mesh in an order that depends on its geometry alone.

    Raises ValueError when the body is empty or in more than one piece.
    """
    if body.status() != m3.Error.NoError or body.is_empty():
        raise ValueError(f"{name}: {body.status()}, empty: {body.is_empty()}")
    if len(body.decompose()) != 1:
        raise ValueError(f"{name}: in {len(body.decompose())} pieces")
    mesh = body.simplify(SLIVER_MM).to_mesh64()
    places = np.round(np.asarray(mesh.vert_properties)[:, :3] * WELD_PER_MM).astype(np.int64)
    unique, inverse = np.unique(places, axis=0, return_inverse=True)
    faces = inverse.reshape(-1)[np.asarray(mesh.tri_verts, dtype=np.int64)]
    if _open_edges(faces):
        raise ValueError(f"{name}: welding left {_open_edges(faces)} edges without exactly two faces")
    first = faces.argmin(axis=1)
    faces = faces[np.arange(len(faces))[:, None], (first[:, None] + np.arange(3)) % 3]
    faces = faces[np.lexsort(faces.T[::-1])]
    return Bulk(name, unique / WELD_PER_MM, faces)


def _open_edges(faces: NDArray[np.int64]) -> int:
    """Edges that do not join exactly two faces."""
    edges = np.sort(faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1)
    return int((np.unique(edges, axis=0, return_counts=True)[1] != 2).sum())
