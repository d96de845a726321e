"""Solids beyond plain blocks, from the same measures as ``demo_model.solids``."""

from __future__ import annotations

from manifold3d import Manifold as Body

from demo_model.solids import Module, box, cylinder, grips, studs, to_solid, union
from tests.models.lattice import Piece, cells

#: A blind socket is this many times as deep as a stud is high.
SOCKET_DEPTH = 1.3


def arch(columns: int, rows: int, height: float, module: Module) -> Piece:
    """A bridge on two feet one cell long, with an elliptical opening between; ``height`` is mm at 1x."""
    m, high = module.scaled, height * module.scale
    c, long, wide = m.clearance, columns * m.pitch, rows * m.pitch
    body = box([c, c, 0], [long - c, wide - c, high])
    half = (columns - 2) * m.pitch / 2
    rise = high - 2 * m.roof - SOCKET_DEPTH * m.stud_height
    opening = cylinder(1.0, 3 * wide, m).scale([half, rise, 1]).rotate([90, 0, 0])
    body -= opening.translate([long / 2, 2 * wide, 0])
    places = [((i + 0.5) * m.pitch, (j + 0.5) * m.pitch) for i in range(columns) for j in range(rows)]
    body += studs(places, high, m)
    for foot in (0, columns - 1):
        body = with_cavity(body, 1, rows, (foot * m.pitch, 0.0), m)
    feet = frozenset((i, j) for i in (0, columns - 1) for j in range(rows))
    every = cells(columns, rows)
    return Piece(to_solid(f"arch {columns} x {rows}", body), columns, rows, high, every, feet, every, feet)


def with_cavity(body: Body, columns: int, rows: int, corner: tuple[float, float], m: Module) -> Body:
    """Cut a socketed cavity of columns x rows cells into a solid body's underside at z = 0."""
    depth = SOCKET_DEPTH * m.stud_height
    w = m.clearance + m.wall
    hollow = box([w, w, -depth], [columns * m.pitch - w, rows * m.pitch - w, depth])
    held = union(grips(columns, rows, depth + m.roof, m))
    place = [*corner, 0.0]
    return body - hollow.translate(place) + held.translate(place)
