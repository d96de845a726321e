"""A group of blocks that stands leaning on pegs square to a slope."""

from __future__ import annotations

from math import cos, radians, sin

from demo_model.scene import turn
from tests.models.kit import Kit, at, cuboid, made_of, prism, rod
from tests.models.lattice import Piece, cells
from tests.models.shapes import with_cavity
from tests.models.sliding import studded
from tests.models.value import Made, slide

FACETS = 32


def tilted(kit: Kit, parts: int) -> Made:
    """Blocks on a plate whose four holes take the pegs of a wedge; the wedge has sockets on a base."""
    site, m = kit.site(f"tilted group of {parts}"), kit.m
    degrees = kit.between(8.0, 28.0)
    lean = radians(degrees)
    side, c = 4 * m.pitch, m.clearance
    low, high = 2 * m.slab, 2 * m.slab + (side - 2 * c) * sin(lean) / cos(lean)
    outline = [(c, 0.0), (side - c, 0.0), (side - c, high), (c, low)]
    body = prism(outline, side - 2 * c).translate([0, c, 0])
    body = with_cavity(body, 4, 4, (0.0, 0.0), m)
    radius, long = kit.between(0.3, 0.42) * m.pitch, kit.between(0.5, 0.8) * m.pitch
    gap = 0.9 * m.clearance
    slope = at(c, 0, low) @ turn((0, 1, 0), -degrees)  # x up the slope, z square to it
    reach = (side - 2 * c) / cos(lean)  # length of the slope
    shift = (reach - side) / 2
    pegs = [(1, 1), (3, 1), (1, 3), (3, 3)]
    for x, y in pegs:
        peg = rod(radius, long + 0.5 * m.pitch, FACETS, (x * m.pitch + shift, y * m.pitch, -0.5 * m.pitch))
        body += peg.transform(slope[:3])
    wedge = Piece(
        made_of(f"wedge 4 x 4, {degrees:.1f} degrees", body),
        4, 4, high, frozenset(), cells(4, 4), frozenset(), cells(4, 4),
    )  # fmt: skip
    site.add("base", kit.pieces.slab(8, 8), kit.colour(), -2, -2, 0.0)
    site.add("wedge", wedge, kit.colour(), 0, 0, m.slab)
    thick = long + 1.5 * m.roof
    plate = cuboid((side - 2 * c, side - 2 * c, thick), (c, c, 0))
    for x, y in pegs:
        plate -= rod(radius + gap, 2 * (long + gap), FACETS, (x * m.pitch, y * m.pitch, -long - gap))
    every = cells(4, 4)
    holed = Piece(
        made_of("holed plate 4 x 4", studded(plate, 4, 4, thick, kit)),
        4, 4, thick, every, frozenset(), every, frozenset(),
    )  # fmt: skip
    frame = at(0, 0, m.slab) @ slope @ at(shift, 0, 0)
    leaning = site.on(frame)
    leaning.bench = "group"
    first = len(site.placed)
    leaning.add("plate", holed, kit.colour(), 0, 0, 0.0)
    z, level = thick, 0
    while len(site.placed) - first < max(2, parts - 2) and level < 20:
        for half in (0, 2):
            x, y = (0, half) if level % 2 == 0 else (half, 0)
            name = f"course {level + 1}.{half // 2 + 1}"
            leaning.add(name, kit.pieces.block(4, 2), kit.colour(), x, y, z, quarters=level % 2)
        z, level = z + m.block, level + 1
    group = [part.name for part in site.placed[first:]]
    leaning.bench = ""
    leaning.go(group, [slide(0, 0, -1)])
    site.join("wedge", "plate", ("peg", "stud"), 4)
    return site.made("tilted")
