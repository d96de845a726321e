"""Families that turn: rings on posts, wheels on axles, balls in lipped cups; and a turn that locks."""

from __future__ import annotations

from manifold3d import Manifold as Body

from demo_model.scene import turn
from demo_model.solids import shell
from tests.models.kit import Kit, at, cuboid, made_of, rod
from tests.models.lattice import Piece, cells
from tests.models.shapes import with_cavity
from tests.models.sliding import TONGUE, floor_thickness, piece_of, studded
from tests.models.value import UP, Made, Turn, slide

#: Kinds that a round thing through a round hole may be called.
AXLE = ("peg", "hinge", "rest")


def rings(kit: Kit, parts: int) -> Made:
    """Rings threaded on tall posts, each post shut by a cap pressed on its tip."""
    site = kit.site(f"rings of {parts}")
    m = kit.m
    per_post = max(1, min(6, (parts - 1) // 3))
    posts = max(1, min(24, kit.most_columns // 3, round((parts - 1) / (per_post + 2))))
    gap = 1.3 * m.clearance
    core, outer, thick = 0.55 * m.pitch, 1.2 * m.pitch, 0.6 * m.pitch
    tip, tip_high = 0.35 * m.pitch, 0.5 * m.pitch
    floor = kit.pieces.studded(3 * posts, 3, kit.module.slab, [], f"floor {3 * posts} x 3")
    site.add("floor", floor, kit.colour(), 0, 0, 0.0)
    hole = 0.3 * m.slab
    ring = made_of("ring", rod(outer, thick, 32) - rod(core + gap, 3 * thick, 32, (0, 0, -thick)))
    long = hole + per_post * thick + 0.1 * m.pitch
    post = made_of("post", rod(core, long, 32) + rod(outer, hole, 32) + rod(tip, long + tip_high, 32))
    cap_high = tip_high + 0.3 * m.pitch
    bore = rod(tip + 0.6 * m.clearance, 2 * tip_high, 32, (0, 0, -tip_high))
    cap = made_of("cap", rod(0.9 * m.pitch, cap_high, 32) - bore)
    for k in range(posts):
        x, y, z = (3 * k + 1.5) * m.pitch, 1.5 * m.pitch, floor.height
        names = [f"post {k + 1}", *(f"ring {k + 1}.{n + 1}" for n in range(per_post)), f"cap {k + 1}"]
        site.put(names[0], post, kit.colour(), at(x, y, z))
        site.join("floor", names[0], "rest", 0)
        site.go([names[0]], [slide(0, 0, -1)])
        for n, name in enumerate(names[1:-1]):
            site.put(name, ring, kit.colour(), at(x, y, z + hole + n * thick))
            site.join(names[0], name, AXLE, None, free=True)
            if n:
                site.join(names[n], name, "rest", 0, free=True)
            site.go([name], [slide(0, 0, -1)])
        site.put(names[-1], cap, kit.colour(), at(x, y, z + long))
        site.join(names[0], names[-1], ("peg", "stud"), 1)
        site.go([names[-1]], [slide(0, 0, -1)])
    return site.made("rings")


def axles(kit: Kit, parts: int) -> Made:
    """Wheels on axles in two bearings that go onto a base together; the bearings have studs on top."""
    site = kit.site(f"axles of {parts}")
    m = kit.m
    count = max(1, min(24, (parts - 1) // 4))
    gap = 1.3 * m.clearance
    high = kit.between(1.6, 2.2) * m.pitch
    radius, wheel_radius = 0.4 * m.pitch, kit.between(0.85, 0.95) * high
    level = high + 0.4 * m.pitch  # of the axle above the bearing's foot
    total = level + radius + 0.5 * m.pitch
    c = m.clearance
    bore = rod(radius + gap, 9 * m.pitch, 32, (0, 0, -4 * m.pitch)).rotate([90, 0, 0])
    body = cuboid((2 * m.pitch - 2 * c, m.pitch - 2 * c, total), (c, c, 0))
    body = body - bore.translate([m.pitch, 0, level])
    body = studded(with_cavity(body, 2, 1, (0.0, 0.0), m), 2, 1, total, kit)
    bearing = piece_of("bearing 2 x 1", body, 2, 1, total, studs=True)
    wheel = rod(wheel_radius, 0.8 * m.pitch, 48) - rod(radius + gap, 3 * m.pitch, 32, (0, 0, -m.pitch))
    wheel_solid = made_of("wheel", wheel)
    axle = made_of("axle", rod(radius, 5 * m.pitch, 32))
    base = kit.pieces.slab(2, 4)
    for k in range(count):
        x = 5 * k
        site.add(f"base {k + 1}", base, kit.colour(), x, 0, 0.0)
        z = base.height
        names = [f"bearing {k + 1}.1", f"wheel {k + 1}", f"axle {k + 1}", f"bearing {k + 1}.2"]
        site.bench = f"axle {k + 1}"
        lying = at((x + 1) * m.pitch, 4.5 * m.pitch, z + level) @ turn((1, 0, 0), 90.0)
        site.put(names[2], axle, kit.colour(), lying)
        site.go([names[2]], [slide(0, 0, -1)])
        wheel_at = at((x + 1) * m.pitch, 2.4 * m.pitch, z + level) @ turn((1, 0, 0), 90.0)
        site.put(names[1], wheel_solid, kit.colour(), wheel_at)
        site.go([names[1]], [slide(0, -1, 0)])
        site.add(names[0], bearing, kit.colour(), x, 0, z, legs=[slide(0, 1, 0)])
        site.add(names[3], bearing, kit.colour(), x, 3, z, legs=[slide(0, -1, 0)])
        for other in (names[0], names[1], names[3]):
            site.join(names[2], other, AXLE, None, free=True)
        site.bench = ""
        site.go([names[2], names[1], names[0], names[3]], [slide(0, 0, -1)])
    return site.made("axles", heaps=count)


def ball_arms(kit: Kit, parts: int) -> Made:
    """Cups and balls on top of each other, with a block or two between; each ball snaps past a lip."""
    site = kit.site(f"ball arms of {parts}")
    m = kit.m
    ball, gap = kit.between(0.40, 0.48) * m.pitch, 0.25 * m.clearance
    lip = 0.16 * ball
    wall = 0.25 * m.pitch
    foot = 0.1 * m.pitch
    middle = m.block + foot + ball + gap
    cup = Body.cylinder(middle + lip - (m.block - m.roof / 2), ball + gap + wall, ball + gap + wall, 48)
    cup = cup.translate([m.pitch, m.pitch, m.block - m.roof / 2])
    hollow = Body.sphere(ball + gap, 48).translate([m.pitch, m.pitch, middle])
    body = shell(2, 2, m.block, m) + cup - hollow
    every = cells(2, 2)
    holder = Piece(made_of("cup block 2 x 2", body), 2, 2, m.block, frozenset(), every, frozenset(), every)
    neck, long = 0.5 * ball, ball + lip + 0.25 * m.pitch
    c = m.clearance
    plate = cuboid((2 * m.pitch - 2 * c, 2 * m.pitch - 2 * c, m.slab), (c, c, 0))
    plate = studded(plate, 2, 2, m.slab, kit)
    hanging = rod(neck, long + 0.5 * m.slab, 48, (0, 0, -long)) + Body.sphere(ball, 48).translate(
        [0, 0, -long]
    )
    arm = Piece(
        made_of("ball slab 2 x 2", plate + hanging.translate([m.pitch, m.pitch, 0])),
        2, 2, m.slab, every, frozenset(), every, frozenset(),
    )  # fmt: skip
    site.add("base", kit.pieces.slab(4, 4), kit.colour(), -1, -1, 0.0)
    z, number = m.slab, 0
    joints = max(1, min(10, parts // 4))
    for k in range(joints):
        site.add(f"cup {k + 1}", holder, kit.colour(), 0, 0, z)
        top = z + middle + long
        site.add(f"ball {k + 1}", arm, kit.colour(), 0, 0, top, legs=None)
        site.join(f"ball {k + 1}", f"cup {k + 1}", "ball", 1, free=True)
        site.go([f"ball {k + 1}"], [slide(0, 0, -1)], snaps=True)
        z = top + m.slab
        for _ in range(kit.whole(0, 2)):
            number += 1
            site.add(f"block {number}", kit.pieces.block(2, 2), kit.colour(), 0, 0, z)
            z += m.block
    site.add("head", kit.pieces.slab(2, 2, smooth=True), kit.colour(), 0, 0, z)
    return site.made("ball arms")


def bayonets(kit: Kit, parts: int) -> Made:
    """Plugs with two lugs that go down through slots and are turned under a lip."""
    site = kit.site(f"bayonets of {parts}")
    m = kit.m
    count = max(2, min(parts, 10))
    core, lug, wide = 0.7 * m.pitch, 1.25 * m.pitch, 0.5 * m.pitch
    gap = 1.2 * m.clearance
    lip, room = 0.35 * m.pitch, 0.5 * m.pitch
    edge = 3.4 * m.pitch
    high = lip + room + floor_thickness(kit)
    angle = float(kit.either(60.0, 75.0, 90.0))  # type: ignore[arg-type]
    body = cuboid((edge, edge, high), (-edge / 2, -edge / 2, 0))
    hole = rod(core + gap, 2 * high, 48, (0, 0, high - lip - room))
    hole += rod(lug + gap, room, 48, (0, 0, high - lip - room))
    slot = cuboid(
        (2 * (lug + gap), wide + 2 * gap, 2 * lip), (-lug - gap, -wide / 2 - gap, high - lip - 0.1 * lip)
    )
    slot ^= rod(lug + gap, 9 * high, 48, (0, 0, 0))
    socket = body - hole - slot.rotate([0, 0, angle])
    lugs = cuboid((2 * lug, wide, room - 2 * gap), (-lug, -wide / 2, gap - lip - room))
    plug = rod(core, lip + room, 48, (0, 0, gap - lip - room)) + (
        lugs ^ rod(lug, 9 * high, 48, (0, 0, -4 * high))
    )
    foot, last = made_of("bayonet foot", socket), made_of("bayonet head", body + plug)
    between = made_of("bayonet middle", socket + plug)
    for k in range(count):
        solid = foot if k == 0 else last if k == count - 1 else between
        name = f"part {k + 1}"
        site.put(name, solid, kit.colour(), at(0, 0, k * high))
        if k == 0:
            site.go([name], [slide(0, 0, -1)])
            continue
        site.join(f"part {k}", name, (*TONGUE, "hinge", "stud"), None)
        # goes down with its lugs over the slots, which lie by ``angle`` from where they end up
        site.go([name], [slide(0, 0, -1.1 * (lip + room)), Turn(UP, (0, 0, 0), -angle)])
    return site.made("bayonets")
