"""Structures of published work on assembly and stability, rebuilt as solids of our own proportions.

Each says which; the order and counts that were published are facts about the graph, kept in their tests.
"""

from __future__ import annotations

from manifold3d import CrossSection, FillRule

from demo_model.solids import Bulk
from tests.models.kit import Kit, at, cuboid, made_of, rod
from tests.models.sliding import TONGUE
from tests.models.turning import AXLE
from tests.models.value import UP, Made, slide


def staircase(kit: Kit, parts: int) -> Made:
    """Blocks of 4 x 2 studs, each shifted by two cells (Liu et al., RA-L 9(11), 2024), on a wide base."""
    site = kit.site(f"staircase of {parts}")
    m = kit.m
    count = max(2, min(parts - 1, 9))
    site.add("base", kit.pieces.slab(12, 6), kit.colour(), -8, -2, 0.0)
    z = m.slab
    for level in range(count):
        site.add(f"stair {level + 1}", kit.pieces.block(4, 2), kit.colour(), 2 * level - 2, 0, z)
        z += m.block
    return site.made("published")


def overhang(kit: Kit, parts: int) -> Made:
    """Plain bricks that reach out by a little less than the harmonic shares (textbook: H_n / 2)."""
    site = kit.site(f"overhang of {parts}")
    m = kit.m
    long, wide, high = 4 * m.pitch, 2 * m.pitch, kit.between(0.6, 1.2) * m.pitch
    brick = made_of("plain brick", cuboid((long, wide, high)))
    count = max(2, min(parts, 6))
    x = 0.0
    for level in range(count):
        site.put(f"brick {level + 1}", brick, kit.colour(), at(x, 0, level * high))
        if level:
            site.join(f"brick {level}", f"brick {level + 1}", "rest", 0)
        site.go([f"brick {level + 1}"], [slide(0, 0, -1)])
        if level < count - 1:
            x += 0.8 * long / 2 / (count - 1 - level)
    return site.made("published")


#: Ball-point pen (Bourjault 1984; measures: Cramer, KU Leuven, CC-BY 3.0): closed outlines (x, r).
PEN = {
    "head": [(0, 0), (16.685, 14), (16.685, 12), (21.685, 12), (21.685, 6), (26.685, 6), (26.685, 0)],
    "tube": [(21.685, 6), (21.685, 9), (111.685, 9), (111.685, 6)],
    "ink": [(29.185, 0), (29.185, 6), (109.185, 6), (109.185, 0)],
    "body": [(16.685, 12), (16.685, 15), (186.685, 15), (186.685, 12)],
    "button": [(182.685, 0), (182.685, 12), (186.685, 12), (186.685, 15), (194.685, 15), (194.685, 0)],
    "cap": [(-33.315, 0), (-33.315, 18), (46.685, 18), (46.685, 15), (-23.315, 15), (-23.315, 0)],
}
PEN_JOINTS = (("body", "cap"), ("head", "body"), ("head", "tube"), ("ink", "tube"), ("button", "body"))


def pen(kit: Kit, parts: int) -> Made:
    """The pen upright on its cap: five touching pairs without clearance."""
    site = kit.site("pen")
    facets = 48
    for name in ("cap", "body", "head", "tube", "ink", "button"):
        outline = CrossSection([[(r, x) for x, r in PEN[name]]], FillRule.EvenOdd)
        solid = made_of(name, outline.revolve(facets))
        site.put(name, solid, kit.colour(), at(0, 0, 33.315))
    for a, b in PEN_JOINTS:
        site.join(a, b, TONGUE, None)
    down, up = [slide(0, 0, -1)], [slide(*UP)]
    site.go(["cap"], down)
    site.bench = "writing end"
    site.go(["body"], down)
    site.go(["head"], up)
    site.bench = ""
    site.go(["body", "head"], down)
    for name in ("tube", "ink", "button"):
        site.go([name], down)
    return site.made("published", touch_mm=0.05)


def tenons(kit: Kit, parts: int) -> Made:
    """A beam with square posts let into it (five parts, four contacts), or a frame with a head beam too."""
    site = kit.site(f"tenoned beam of {parts}")
    m = kit.m
    posts = max(2, min(parts - 1, 6))
    width, gap = kit.between(0.5, 0.8) * m.pitch, kit.between(0.5, 1.0) * m.clearance
    thick, tall = 1.2 * m.pitch, kit.between(2.0, 4.0) * m.pitch
    long, broad = 2.5 * m.pitch * posts, 2 * m.pitch
    head = bool(kit.whole(0, 1))
    square = cuboid((width, width, 9 * tall), (-width / 2, -width / 2, 0))
    hole = cuboid((width + 2 * gap,) * 2 + (0.6 * thick,), (-width / 2 - gap, -width / 2 - gap, 0))
    spots = [((k + 0.5) * 2.5 * m.pitch, broad / 2) for k in range(posts)]
    foot = cuboid((long, broad, thick))
    top = cuboid((long, broad, thick))
    for x, y in spots:
        foot -= hole.translate([x, y, 0.6 * thick])
        top -= hole.translate([x, y, -0.2 * thick])
    shoulder = 1.5 * width
    body = cuboid((shoulder, shoulder, tall), (-shoulder / 2, -shoulder / 2, 0))
    lower = square.trim_by_plane([0, 0, -1], -0.5 * thick)
    lower = lower.translate([0, 0, -0.35 * thick])  # and some way into the shoulder
    post = body + lower + (lower.translate([0, 0, tall + 0.2 * thick]) if head else lower)
    solid = made_of("post with tenons" if head else "post with a tenon", post)
    site.put("beam", made_of("mortised beam", foot), kit.colour(), at())
    site.go(["beam"], [slide(0, 0, -1)])
    for k, (x, y) in enumerate(spots, 1):
        site.put(f"post {k}", solid, kit.colour(), at(x, y, thick))
        site.join(f"post {k}", "beam", TONGUE, None)
        site.go([f"post {k}"], [slide(0, 0, -1)])
    if head:
        site.put("head beam", made_of("mortised head beam", top), kit.colour(), at(0, 0, thick + tall))
        for k in range(1, posts + 1):
            site.join(f"post {k}", "head beam", TONGUE, None)
        site.go(["head beam"], [slide(0, 0, -1)])
    return site.made("published")


def plate(kit: Kit, parts: int) -> Made:
    """A nine-part plate after the Cranfield benchmark: pegs round and square, spacer, shaft, lever, lid.

    The shaft goes in before the lever, both square pegs before the spacer, the lid last.
    """
    site = kit.site("plate with pegs")
    m = kit.m
    p, gap = m.pitch, 1.2 * m.clearance
    thick, tall = 1.2 * p, 1.6 * p
    size, round_r, square_w, shaft_r = (9 * p, 6 * p), 0.5 * p, 0.9 * p, 0.6 * p
    rounds = {"round peg 1": (1.2 * p, 1.2 * p), "round peg 2": (1.2 * p, 4.8 * p)}
    squares = {"square peg 1": (4.2 * p, 1.2 * p), "square peg 2": (4.2 * p, 4.8 * p)}
    shaft_at = (7 * p, 3 * p)
    round_hole = rod(round_r + gap, 3 * thick, 32)
    square_hole = cuboid((square_w + 2 * gap,) * 2 + (3 * thick,), (-square_w / 2 - gap,) * 2 + (0,))
    shaft_hole = rod(shaft_r + gap, 3 * thick, 32)
    base, lid = cuboid((*size, thick)), cuboid((*size, thick))
    for x, y in rounds.values():
        base -= round_hole.translate([x, y, 0.4 * thick])
        lid -= round_hole.translate([x, y, -0.4 * thick])
    for x, y in squares.values():
        base -= square_hole.translate([x, y, 0.4 * thick])
    base -= shaft_hole.translate([*shaft_at, 0.4 * thick])
    lid -= shaft_hole.translate([*shaft_at, -0.4 * thick])
    long = 0.6 * thick + tall + 0.5 * thick
    spacer = cuboid((1.6 * p, size[1], 0.6 * tall), (4.2 * p - 0.8 * p, 0, 0))
    lever = cuboid((1.4 * p, 2.4 * p, 0.5 * p), (-0.7 * p, -0.7 * p, 0)) - rod(
        shaft_r + gap, 9 * p, 32, (0, 0, -p)
    )
    for x, y in squares.values():
        spacer -= square_hole.translate([x, y, -0.1 * tall])
    things: dict[str, tuple[Bulk, tuple[float, float, float]]] = {}
    peg = made_of("round peg", rod(round_r, long, 32))
    short = made_of(
        "square peg", cuboid((square_w, square_w, 0.6 * thick + 0.5 * tall), (-square_w / 2,) * 2 + (0,))
    )
    for name, (x, y) in rounds.items():
        things[name] = (peg, (x, y, 0.4 * thick))
    for name, (x, y) in squares.items():
        things[name] = (short, (x, y, 0.4 * thick))
    things["shaft"] = (made_of("shaft", rod(shaft_r, long, 32)), (*shaft_at, 0.4 * thick))
    things["lever"] = (made_of("lever", lever), (*shaft_at, thick))
    things["spacer"] = (made_of("spacer", spacer), (0, 0, thick))
    site.put("base", made_of("base plate", base), kit.colour(), at())
    site.go(["base"], [slide(0, 0, -1)])
    for name, (solid, spot) in things.items():
        site.put(name, solid, kit.colour(), at(*spot))
        site.go([name], [slide(0, 0, -1)])
        site.join(name, "base", "rest" if name in ("lever", "spacer") else TONGUE, None, free=name == "lever")
    for name in squares:
        site.join(name, "spacer", TONGUE, None)
    site.join("shaft", "lever", AXLE, None, free=True)
    site.put("lid", made_of("lid plate", lid), kit.colour(), at(0, 0, thick + tall))
    for name in (*rounds, "shaft"):
        site.join(name, "lid", TONGUE, None)
    site.go(["lid"], [slide(0, 0, -1)])
    return site.made("published")


def published(kit: Kit, parts: int) -> Made:
    """One of the above."""
    return (staircase, overhang, pen, tenons, plate)[kit.whole(0, 4)](kit, parts)
