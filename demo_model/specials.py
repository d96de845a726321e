"""Solids with a job of their own: rounds, arch, bow, ball and cup, and the wedge with tilted pegs.

Lengths named here are in mm at 1x and share the module's scale. Every solid stands on z = 0 with
its footprint's corner at the origin unless it says otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import cos, radians, sin

from manifold3d import CrossSection
from manifold3d import Manifold as Body

from demo_model.solids import (
    Bulk,
    Module,
    box,
    cylinder,
    grips,
    shell,
    studs,
    to_solid,
    union,
)

#: A blind socket is this many times as deep as a stud is high.
SOCKET_DEPTH = 1.3
DRUM_RADIUS = 7.0
SMOKE_RADIUS, SMOKE_DEPTH = 4.5, 1.2
ARCH_SLABS = 3
PEG_LENGTH = 7.6

#: Ball and cup. The lip stands ``LIP`` above the cup's middle, so that the ball must snap past it,
#: and low enough, and its wall so thin, that hands can still push it in at four times the size: about 160 N.
BALL_RADIUS = 4.0
CUP_RADIUS, CUP_FLOOR, LIP = 4.4, 1.0, 0.63
NECK_RADIUS, NECK_LENGTH = 2.2, 5.5  # length from the ball's middle to the slab's underside
BALL_FACETS = 96  # at least: facets of a coarser ball and cup would cut into each other


@dataclass(frozen=True)
class BallMeasures:
    """What a ball joint measures, mm at 1x."""

    gap: float  #: per side, between the spheres through the vertices
    cup_middle: float  #: height of the cup's middle over the cup block's underside
    snap: float  #: how far the lip must give on each side

    @staticmethod
    def of(module: Module) -> BallMeasures:
        """A third of the stud clearance: a ball is to stay where it is put, at any scale."""
        gap = module.clearance / 3
        mouth = ((BALL_RADIUS + gap) ** 2 - LIP**2) ** 0.5
        return BallMeasures(gap, module.block + CUP_FLOOR + BALL_RADIUS + gap, BALL_RADIUS - mouth)


def post(module: Module) -> Bulk:
    """A round block 1 x 1: one stud above, a round blind socket below."""
    m = module.scaled
    return _round_part("round block 1 x 1", m.pitch / 2 - m.clearance, m.pitch / 2, m.block, True, module)


def tyre(module: Module) -> Bulk:
    """A ring one slab thick whose hole takes a stud."""
    m = module.scaled
    middle = [m.pitch / 2, m.pitch / 2, 0]
    outer = cylinder(m.pitch / 2 - m.clearance, m.slab, m)
    hole = cylinder(m.stud_radius + m.clearance, 3 * m.slab, m).translate([0, 0, -m.slab])
    return to_solid("ring 1 x 1", (outer - hole).translate(middle))


def drum(module: Module) -> Bulk:
    """A round of 14 mm, a block high, on a 2 x 2 footprint: one stud above, a blind socket below."""
    m = module.scaled
    return _round_part("drum 14 mm", DRUM_RADIUS * module.scale, m.pitch, m.block, True, module)


def funnel_cap(module: Module) -> Bulk:
    """A drum one slab high with a shallow dish instead of the stud."""
    m, s = module.scaled, module.scale
    body = _round_body(DRUM_RADIUS * s, m.slab, False, module)
    dish = cylinder(SMOKE_RADIUS * s, 2 * SMOKE_DEPTH * s, m).translate([0, 0, m.slab - SMOKE_DEPTH * s])
    return to_solid("drum cap 14 mm", (body - dish).translate([m.pitch, m.pitch, 0]))


def centre_stud_slab(module: Module) -> Bulk:
    """A slab 2 x 2 with a single stud in the middle of its top."""
    m = module.scaled
    body = shell(2, 2, m.slab, m) + studs([(m.pitch, m.pitch)], m.slab, m)
    return to_solid("centre-stud slab 2 x 2", body)


def arch(module: Module) -> Bulk:
    """A bridge 4 x 1, three slabs high, on two feet of one cell, with a round opening between them."""
    m = module.scaled
    c, high, long = m.clearance, ARCH_SLABS * m.slab, 4 * m.pitch
    body = box([c, c, 0], [long - c, m.pitch - c, high])
    opening = cylinder(m.pitch + c, 2 * m.pitch, m).rotate([90, 0, 0])
    body -= opening.translate([2 * m.pitch, 1.5 * m.pitch, 0])
    body += studs([((i + 0.5) * m.pitch, m.pitch / 2) for i in range(4)], high, m)
    for foot in (0, 3 * m.pitch):
        body = _with_cavity(body, 1, 1, [foot, 0], m)
    return to_solid("arch 4 x 1", body)


#: Cells of a bow: four where it meets the hull, two at its front.
BOW_CELLS = ((0, 0), (0, 1), (0, 2), (0, 3), (1, 1), (1, 2))


def bow(module: Module, slabs: int, *, front_studs: bool) -> Bulk:
    """A bow 2 long (x) and 4 wide (y) that narrows to two cells at its front; sockets under BOW_CELLS.

    With ``front_studs`` it also has studs on BOW_CELLS and two more on its front face, at half a
    pitch above the underside; without, it is smooth.
    """
    m = module.scaled
    c, p, high = m.clearance, m.pitch, slabs * m.slab
    plan = [(c, c), (p, c), (2 * p - c, p + c), (2 * p - c, 3 * p - c), (p, 4 * p - c), (c, 4 * p - c)]
    body = Body.extrude(CrossSection([plan]), high)
    for columns, rows, row in ((1, 1, 0), (2, 2, 1), (1, 1, 3)):
        body = _with_cavity(body, columns, rows, [0, row * p], m)
    if front_studs:
        middles = [((i + 0.5) * p, (j + 0.5) * p) for i, j in BOW_CELLS]
        stud = cylinder(m.stud_radius, m.stud_height + m.wall / 2, m).rotate([0, 90, 0])
        front = [stud.translate([2 * p - c - m.wall / 2, (j + 1.5) * p, p / 2]) for j in range(2)]
        body = union([body, studs(middles, high, m), *front])
    return to_solid("bow block 2 x 4" if front_studs else "smooth bow slab 2 x 4", body)


def cup_block(module: Module) -> Bulk:
    """A block 2 x 2 with a lipped cup in the middle of its top instead of studs."""
    m, s, ball = module.scaled, module.scale, BallMeasures.of(module)
    middle, lip = ball.cup_middle * s, (ball.cup_middle + LIP) * s
    foot = m.block - m.roof / 2
    cup = cylinder(CUP_RADIUS * s, lip - foot, m).translate([m.pitch, m.pitch, foot])
    hollow = _sphere(BALL_RADIUS + ball.gap, module).translate([m.pitch, m.pitch, middle])
    return to_solid("cup block 2 x 2", shell(2, 2, m.block, m) + cup - hollow)


def ball_slab(module: Module) -> Bulk:
    """A flat slab 2 x 2, studs above, with a ball on a neck below its middle; z = 0 is its underside."""
    m, s = module.scaled, module.scale
    c, wide = m.clearance, 2 * m.pitch
    plate = box([c, c, 0], [wide - c, wide - c, m.slab])
    cells = [((i + 0.5) * m.pitch, (j + 0.5) * m.pitch) for i in range(2) for j in range(2)]
    neck = cylinder(NECK_RADIUS * s, NECK_LENGTH * s + m.slab / 2, m)
    ball = _sphere(BALL_RADIUS, module)
    hanging = (neck + ball).translate([m.pitch, m.pitch, -NECK_LENGTH * s])
    return to_solid("ball slab 2 x 2", union([plate, studs(cells, m.slab, m), hanging]))


def wedge(module: Module, degrees: float) -> Bulk:
    """A wedge 4 x 4 that rises towards +x by ``degrees``; four pegs stand square on its slope.

    The slope is as long as a body of four cells and ends where that body ends. The pegs fit the
    bores of the four outer tubes of a block 4 x 4 that lies on the slope. :func:`slope_middle` tells
    where the slope's middle is.
    """
    m, s = module.scaled, module.scale
    c, long, lean = m.clearance, 4 * m.pitch, radians(degrees)
    middle = slope_middle(module, degrees)
    half = long / 2 - c
    low, high = middle - half * sin(lean), middle + half * sin(lean)
    foot, slope_end = m.slab - m.roof / 2, half * cos(lean)
    end = long / 2 + m.wall
    plan = [(-end, 0), (end, 0), (slope_end, high), (-slope_end, low)]  # to be cut to the footprint
    prism = Body.extrude(CrossSection([plan]), 2 * long).rotate([90, 0, 0])
    prism = prism.translate([long / 2, 1.5 * long, 0]) ^ box([c, c, foot], [long - c, long - c, long])
    length = PEG_LENGTH * s
    root = m.slab / 2
    peg = cylinder(peg_radius(module) * s, length + root, m).translate([0, 0, -root])
    pegs = union(peg.translate([x * m.pitch, y * m.pitch, 0]) for x in (-1, 1) for y in (-1, 1))
    pegs = pegs.rotate([0, -degrees, 0]).translate([long / 2, long / 2, middle])
    return to_solid(f"wedge 4 x 4, {degrees:g} degrees", union([shell(4, 4, m.slab, m), prism, pegs]))


def slope_middle(module: Module, degrees: float) -> float:
    """Height of the middle of a :func:`wedge`'s slope over its underside, mm at scale."""
    m = module.scaled
    return m.slab + m.roof + (2 * m.pitch - m.clearance) * sin(radians(degrees))


def peg_radius(module: Module) -> float:
    """Radius of a peg that fits a tube's bore with the module's clearance, 1x mm."""
    return module.tube_radius - module.wall - module.clearance


# ------------------------------------------------------------------------------------ small


def _sphere(radius: float, module: Module) -> Body:
    return Body.sphere(radius * module.scale, max(BALL_FACETS, module.facets))


def _round_part(name: str, radius: float, middle: float, high: float, stud: bool, module: Module) -> Bulk:
    return to_solid(name, _round_body(radius, high, stud, module).translate([middle, middle, 0]))


def _round_body(radius: float, high: float, stud: bool, module: Module) -> Body:
    """A cylinder about the origin with a blind socket below and perhaps a stud above."""
    m = module.scaled
    depth = SOCKET_DEPTH * m.stud_height
    hole = cylinder(m.stud_radius + m.clearance, 2 * depth, m).translate([0, 0, -depth])
    body = cylinder(radius, high, m) - hole
    return body + studs([(0, 0)], high, m) if stud else body


def _with_cavity(body: Body, columns: int, rows: int, corner: list[float], m: Module) -> Body:
    """Cut a socketed cavity of columns x rows cells into a solid body's underside."""
    depth = SOCKET_DEPTH * m.stud_height
    w = m.clearance + m.wall
    hollow = box([w, w, -depth], [columns * m.pitch - w, rows * m.pitch - w, depth])
    held = union(grips(columns, rows, depth + m.roof, m))
    place = [*corner, 0]
    return body - hollow.translate(place) + held.translate(place)
