"""Small models that hands can put together and a plain order of single straight moves cannot.

Proportions follow :class:`demo_model.solids.Module` where there are studs; the rest is timber, rails and
frames of measures of their own. Each case stands on z = 0. Joints are found by the product, not told.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import manifold3d as m3
import numpy as np

from demo_model.scene import DemoModel, Placed, shift, turn
from demo_model.solids import Bulk, Module, block, slab, to_solid

Item = tuple[str, Bulk, np.ndarray]
Corner = Sequence[float]

#: Clearance per side of things that slide, mm.
PLAY = 0.2
COLOURS = ("#8d9297", "#c9b48a", "#b5472f", "#3f7a5c", "#e8a628", "#4a6c8f", "#ece9df")


def demo(name: str, items: Sequence[Item]) -> DemoModel:
    """Named solids at poses, each shape in a colour of its own."""
    solids = {solid.name: solid for _, solid, _ in items}
    colour = {key: COLOURS[row % len(COLOURS)] for row, key in enumerate(solids)}
    placed = tuple(Placed(part, solid.name, colour[solid.name], pose) for part, solid, pose in items)
    return DemoModel(name, solids, placed)


def box(low: Corner, high: Corner) -> m3.Manifold:
    size = [float(b - a) for a, b in zip(low, high, strict=True)]
    return m3.Manifold.cube(size).translate([float(each) for each in low])


def rod(radius: float, length: float, facets: int = 48) -> m3.Manifold:
    """A round about x from x = 0."""
    return m3.Manifold.cylinder(length, radius, radius, facets).rotate([0.0, 90.0, 0.0])


def hung_under_an_arch() -> DemoModel:
    """A lantern on the underside of an arch's top, between its piers."""
    m = Module()
    pier, top = block(2, 2, m), block(8, 2, m, m.slab)
    items = [(f"pier {x} {z}", pier, shift(10 * x, 0, 10 * z)) for x in (0, 6) for z in (0, 1, 2)]
    items += [("lantern", block(2, 2, m, name="lantern"), shift(30, 0, 20)), ("top", top, shift(0, 0, 30))]
    return demo("Arch with a lantern", [*items, ("ridge", block(4, 2, m), shift(20, 0, 35))])


def hung_over_an_opening() -> DemoModel:
    """A wall with an opening whose head is two blocks that hang from the course above it."""
    m = Module()
    two, four, six = block(2, 2, m), block(4, 2, m), block(6, 2, m)
    items = [("sill", block(12, 2, m, m.slab), shift(0, 0, 0))]
    for z in range(2):
        items += [(f"jamb {side} {z}", two, shift(x, 0, 5 + 10 * z)) for side, x in (("l", 0), ("r", 100))]
        items += [(f"jamb in {side} {z}", two, shift(x, 0, 5 + 10 * z)) for side, x in (("l", 20), ("r", 80))]
    items += [(f"head {k}", two, shift(40 + 20 * k, 0, 15)) for k in range(2)]
    items += [("lintel l", six, shift(0, 0, 25)), ("lintel r", six, shift(60, 0, 25))]
    items += [
        ("cap", four, shift(40, 0, 35)),
        ("cap l", four, shift(0, 0, 35)),
        ("cap r", four, shift(80, 0, 35)),
    ]
    return demo("Opening", items)


def hollow_house() -> DemoModel:
    """Four walls and a roof round a table that stands on nothing but the floor."""
    m = Module()
    floor, roof = block(8, 8, m, m.slab), block(8, 8, m, m.slab, name="roof")
    long, short = block(8, 1, m), block(1, 6, m)
    items = [("floor", floor, shift(0, 0, 0))]
    for z in range(3):
        high = 5 + 10 * z
        items += [(f"front {z}", long, shift(0, 0, high)), (f"back {z}", long, shift(0, 70, high))]
        items += [(f"left {z}", short, shift(0, 10, high)), (f"right {z}", short, shift(70, 10, high))]
    items += [("table", block(2, 2, m), shift(30, 30, 5)), ("roof", roof, shift(0, 0, 35))]
    return demo("House", items)


def two_things() -> DemoModel:
    """A tower and a low bench side by side on one table."""
    m = Module()
    tower = [(f"tower {z}", block(2, 2, m), shift(0, 0, 10 * z)) for z in range(3)]
    bench = [(f"foot {k}", block(1, 2, m), shift(50 + 30 * k, 0, 0)) for k in range(2)]
    return demo("Two things", [*tower, *bench, ("seat", slab(4, 2, m), shift(50, 0, 10))])


def block_in_a_frame() -> DemoModel:
    """A loose block caught in a frame: a base, four walls in one ring, and a lid with a hole too small."""
    m = Module()
    base, cage = block(4, 4, m, m.slab), _cage(m)
    ball = to_solid("captive block", box((12, 12, 5 + m.stud_height), (28, 28, 16)))
    lid = to_solid("lid", _lid(m))
    items = [("base", base, shift(0, 0, 0)), ("cage", cage, shift(0, 0, 5)), ("captive", ball, np.eye(4))]
    return demo("Frame", [*items, ("lid", lid, shift(0, 0, 20))])


def _cage(m: Module) -> Bulk:
    """A ring on the outer studs of a base of 4 x 4, open above and below, its own studs on top."""
    body = box((0.1, 0.1, 0), (39.9, 39.9, 15)) - box((9, 9, -1), (31, 31, 16))
    hole = m3.Manifold.cylinder(m.stud_height + 0.5, m.stud_radius + 0.1, m.stud_radius + 0.1, m.facets)
    stud = m3.Manifold.cylinder(m.stud_height, m.stud_radius, m.stud_radius, m.facets)
    for i in range(4):
        for j in range(4):
            if i in (0, 3) or j in (0, 3):
                at = [10 * i + 5.0, 10 * j + 5.0]
                body = body - hole.translate([*at, -0.5]) + stud.translate([*at, 15.0])
    return to_solid("cage", body)


def _lid(m: Module) -> m3.Manifold:
    body = box((0.1, 0.1, 0), (39.9, 39.9, 5)) - box((15, 15, -1), (25, 25, 6))
    hole = m3.Manifold.cylinder(m.stud_height + 0.7, m.stud_radius + 0.1, m.stud_radius + 0.1, m.facets)
    for i in range(4):
        for j in range(4):
            if i in (0, 3) or j in (0, 3):
                body -= hole.translate([10 * i + 5.0, 10 * j + 5.0, -0.5])
    return body


def sliding_halves() -> DemoModel:
    """Two halves that slide into each other along y by a dovetail; their tray lets them up only as one."""
    tray = to_solid("tray", box((0, 0, 0), (60, 40, 20)) - box((5, 5, 4), (55, 35, 21)))
    left = box((5.5, 6, 4), (30, 34, 18))
    right = box((30.2, 6, 4), (54.5, 34, 18))
    profile = [(-0.1, -3.0), (9.0, -5.0), (9.0, 5.0), (-0.1, 3.0)]
    groove = [(-1.0, -3.0), (9.3, -5.3), (9.3, 5.3), (-1.0, 3.0)]
    wedge = m3.CrossSection([profile]).extrude(28).rotate([90, 0, 0]).translate([30, 34, 11])
    slot = m3.CrossSection([groove]).extrude(40).rotate([90, 0, 0]).translate([30, 40, 11])
    return demo(
        "Dovetail",
        [
            ("tray", tray, np.eye(4)),
            ("left half", to_solid("left half", left + wedge), np.eye(4)),
            ("right half", to_solid("right half", right - slot), np.eye(4)),
        ],
    )


def cars_in_a_rail() -> DemoModel:
    """Two cars in a rail of T section that is closed by a stop with studs at either end."""
    m = Module()
    rail = box((0, 0, 0), (100, 30, 12)) - box((-1, 11, 8), (101, 19, 13)) - box((-1, 7, 4), (101, 23, 8))
    stud = m3.Manifold.cylinder(m.stud_height, m.stud_radius, m.stud_radius, m.facets)
    for x in (5.0, 95.0):
        for y in (4.0, 26.0):
            rail += stud.translate([x, y, 12.0])
    car = box((0, 7.2, 4.2), (20, 22.8, 7.8)) + box((0, 11.2, 7), (20, 18.8, 20))
    stop = box((0, 0, 12), (10, 30, 22)) + box((2, 11.4, 4.3), (8, 18.6, 12.5))
    hole = m3.Manifold.cylinder(m.stud_height + 1, m.stud_radius + 0.1, m.stud_radius + 0.1, m.facets)
    for y in (4.0, 26.0):
        stop -= hole.translate([5.0, y, 11.5])
    stopper = to_solid("stop", stop)
    return demo(
        "Rail",
        [
            ("rail", to_solid("rail", rail), np.eye(4)),
            ("car 1", to_solid("car", car), shift(20, 0, 0)),
            ("car 2", to_solid("car", car), shift(55, 0, 0)),
            ("stop left", stopper, np.eye(4)),
            ("stop right", stopper, shift(90, 0, 0)),
        ],
    )


def wheel_on_an_axle() -> DemoModel:
    """A wheel between two cheeks; the axle goes through all three, and caps on studs close the cheeks."""
    base = box((0, 0, 0), (60, 30, 5))
    cheek = box((0, 0, 5), (8, 30, 40))
    bore = rod(4.2, 80).translate([-10, 15, 25])
    frame = (base + cheek + cheek.translate([52, 0, 0])) - bore
    wheel = m3.Manifold.cylinder(20, 16, 16, 64).rotate([0, 90, 0]).translate([20, 15, 25])
    wheel -= rod(4.2, 80).translate([-10, 15, 25])
    axle = rod(4.0, 70).translate([-4, 15, 25])
    return demo(
        "Wheel",
        [
            ("frame", to_solid("frame", frame), np.eye(4)),
            ("wheel", to_solid("wheel", wheel), np.eye(4)),
            ("axle", to_solid("axle", axle), np.eye(4)),
        ],
    )


def tenon_beams() -> DemoModel:
    """Two sills, two posts with square tenons at both ends, and a head beam: five timbers, no stud."""
    half, gap = 4.0, 0.15

    def mortise(x: float, low: float, high: float) -> m3.Manifold:
        reach = half + gap
        return box((x - reach, 10 - reach, low), (x + reach, 10 + reach, high))

    sill = box((0, 0, 0), (40, 20, 16)) - mortise(20, 6, 17)
    post = box((12, 2, 16), (28, 18, 76)) + box((20 - half, 10 - half, 7), (20 + half, 10 + half, 85))
    head = box((0, 0, 76), (140, 20, 94))
    for x in (20, 120):
        head -= mortise(x, 75, 86)
    foot, column = to_solid("sill", sill), to_solid("post", post)
    return demo(
        "Timber frame",
        [
            ("sill left", foot, np.eye(4)),
            ("sill right", foot, shift(100, 0, 0)),
            ("post left", column, np.eye(4)),
            ("post right", column, shift(100, 0, 0)),
            ("head", to_solid("head", head), np.eye(4)),
        ],
    )


def single() -> DemoModel:
    """One block."""
    return demo("One block", [("block", block(4, 2, Module()), np.eye(4))])


def unjoined() -> DemoModel:
    """Three cubes that only lie on each other."""
    cube = to_solid("cube", box((0, 0, 0), (20, 20, 20)))
    return demo("Pile", [(f"cube {k}", cube, shift(0.0, 0, 20 * k)) for k in range(3)])


def twist_lock() -> DemoModel:
    """A bayonet: a key with two lugs goes down a keyed hole and is turned by a quarter under its rim."""
    hole = m3.Manifold.cylinder(40, 8.3, 8.3, 64).translate([20, 20, -1])
    slot = box((7.7, 16.7, 10), (32.3, 23.3, 31))
    room = m3.Manifold.cylinder(10, 12.6, 12.6, 64).translate([20, 20, 5])
    body = box((0, 0, 0), (40, 40, 30)) - hole.trim_by_plane([0, 0, 1], 5.0) - slot - room
    key = m3.Manifold.cylinder(35, 8, 8, 64).translate([0, 0, 5])
    key += box((-12, -3, 5.4), (12, 3, 12)) + box((-14, -14, 40), (14, 14, 45))
    return demo(
        "Bayonet",
        [
            ("body", to_solid("body", body), np.eye(4)),
            ("key", to_solid("key", key), shift(20, 20, 0) @ turn((0, 0, 1), 90.0)),
        ],
    )


def dovetail_tower() -> DemoModel:
    """Four blocks on each other's dovetails, crosswise: it could be slid apart from below as well."""

    def bar(low: float, high: float, foot: float, top: float) -> m3.Manifold:
        outline = m3.CrossSection([[(-foot, low), (foot, low), (top, high), (-top, high)]])
        return m3.Manifold.extrude(outline, 60).rotate([90, 0, 0]).translate([0, 30, 0])

    cube = box((-15, -15, 0), (15, 15, 15))
    key = bar(14.9, 21, 5, 8.2) ^ box((-15, -15, 0), (15, 15, 40))
    groove = bar(-0.1, 6.4, 5.35, 8.9).rotate([0, 0, 90])
    solids = {
        "head": to_solid("head", cube - groove),
        "middle": to_solid("middle", cube + key - groove),
        "foot": to_solid("foot", cube + key),
    }
    keys = ("head", "middle", "middle", "foot")
    poses = [shift(0, 0, 45 - 15 * row) @ turn((0, 0, 1), 90.0 * (row % 2)) for row in range(4)]
    return demo(
        "Dovetail tower",
        [(f"block {4 - row}", solids[key], poses[row]) for row, key in enumerate(keys)],
    )


def cart() -> DemoModel:
    """A body on two axles; each goes through it and through a wheel at either end, on which it is tight."""
    body = box((0, 0, 8), (60, 30, 18))
    wheel = (rod(10, 7) - rod(2.5, 9).translate([-1, 0, 0])).rotate([0, 0, 90])
    axle = rod(2.5, 46).rotate([0, 0, 90])
    for x in (12, 48):
        body -= rod(2.6, 40).rotate([0, 0, 90]).translate([x, -5, 10])
    solids = {
        "body": to_solid("body", body),
        "axle": to_solid("axle", axle),
        "wheel": to_solid("wheel", wheel),
    }
    items = [("body", solids["body"], np.eye(4))]
    for x in (12, 48):
        items.append((f"axle {x}", solids["axle"], shift(x, -8, 10)))
        items += [(f"wheel {x} {y}", solids["wheel"], shift(x, y, 10)) for y in (-8, 31)]
    return demo("Cart", items)


def splayed_stool() -> DemoModel:
    """A round seat on three legs that lean outwards, in bores that leave it slanted at both ends."""

    def leg(radius: float) -> m3.Manifold:
        return m3.Manifold.cylinder(50, radius, radius, 24).translate([0, 0, -45]).rotate([0, -12, 0])

    seat = m3.Manifold.cylinder(8, 30, 30, 48).translate([0, 0, 40])
    items = []
    for degrees in (0.0, 120.0, 240.0):
        pose = turn((0, 0, 1), degrees) @ shift(18, 0, 44)
        seat -= leg(3.15).transform(pose[:3])
        items.append((f"leg {degrees:.0f}", to_solid("leg", leg(3.0)), pose))
    return demo("Stool", [("seat", to_solid("seat", seat), np.eye(4)), *items])


def abacus() -> DemoModel:
    """Three rods between two sides that lie flat, with beads of four colours on each, held by nothing."""
    rows = (15.0, 30.0, 45.0)
    side = box((0, 0, 4), (8, 60, 12)) - sum(
        (rod(2.1, 10, 64).translate([3, at, 8]) for at in rows), m3.Manifold()
    )
    sides, across = to_solid("side", side), shift(100, 60, 0) @ turn((0, 0, 1), 180)
    bead = m3.Manifold.cylinder(8, 6, 6, 64).rotate([0, 90, 0]) - rod(2.3, 20, 64).translate([-5, 0, 0])
    beads, rods = [to_solid(f"bead {k}", bead) for k in range(4)], to_solid("rod", rod(2.0, 93.6, 64))
    items: list[Item] = [("left", sides, np.eye(4)), ("right", sides, across)]
    for row, at in enumerate(rows):
        items.append((f"rod {row}", rods, shift(3.2, at, 8)))
        items += [(f"bead {row} {k}", each, shift(12 + 9 * k, at, 8)) for k, each in enumerate(beads)]
    return demo("Abacus", items)


CASES: Mapping[str, Callable[[], DemoModel]] = {
    "hung under an arch": hung_under_an_arch,
    "hung over an opening": hung_over_an_opening,
    "hollow house": hollow_house,
    "two things on one table": two_things,
    "block in a frame": block_in_a_frame,
    "halves that slide": sliding_halves,
    "cars in a rail": cars_in_a_rail,
    "wheel on an axle": wheel_on_an_axle,
    "square tenons": tenon_beams,
    "one part": single,
    "nothing joined": unjoined,
    "bayonet": twist_lock,
    "dovetail tower": dovetail_tower,
    "cart": cart,
    "splayed stool": splayed_stool,
    "abacus": abacus,
}
