"""Families whose parts go in sideways, one through another, or only together."""

from __future__ import annotations

from collections.abc import Sequence

from manifold3d import Manifold as Body

from demo_model.solids import studs as stud_row
from tests.models.kit import Kit, at, cuboid, made_of, prism, rod
from tests.models.lattice import Piece, Site, cells
from tests.models.shapes import SOCKET_DEPTH, with_cavity
from tests.models.value import Made, slide

#: Kinds that a prism in a groove may be called: it engages, and it lies on what it slides on.
TONGUE = ("peg", "rest")


def studded(body: Body, columns: int, rows: int, top: float, kit: Kit) -> Body:
    """A body with a stud over every cell of its top."""
    m = kit.m
    places = [((i + 0.5) * m.pitch, (j + 0.5) * m.pitch) for i, j in sorted(cells(columns, rows))]
    return body + stud_row(places, top, m)


def floor_thickness(kit: Kit) -> float:
    """Of a solid floor that has sockets below, mm."""
    return SOCKET_DEPTH * kit.m.stud_height + 1.5 * kit.m.roof


def piece_of(name: str, body: Body, columns: int, rows: int, height: float, *, studs: bool) -> Piece:
    """A body of full cells with sockets all over its underside."""
    every = cells(columns, rows)
    return Piece(
        made_of(name, body), columns, rows, height, every if studs else frozenset(), every, every, every
    )


# ---------------------------------------------------------------------------------- drawers


def drawers(kit: Kit, parts: int) -> Made:
    """Cases on each other's studs, a drawer in each, and small things in the drawers."""
    site, m = kit.site(f"drawers of {parts}"), kit.m
    deep, wide = kit.whole(4, 6), kit.whole(3, 5)
    floor, wall = floor_thickness(kit), max(m.wall, 0.15 * m.pitch)
    room = kit.between(1.0, 1.8) * m.pitch
    high = floor + room + floor
    play = kit.between(0.03, 0.08) * m.pitch
    c = m.clearance
    long, broad = deep * m.pitch, wide * m.pitch
    case = cuboid((long - 2 * c, broad - 2 * c, high), (c, c, 0))
    case -= cuboid((long, broad - 2 * wall - 2 * c, room), (wall + c, wall + c, floor))
    case = studded(with_cavity(case, deep, wide, (0.0, 0.0), m), deep, wide, high, kit)
    shell = piece_of(f"case {deep} x {wide}", case, deep, wide, high, studs=True)
    size = (long - wall - 3 * play, broad - 2 * wall - 2 * c - 2 * play, room - 2 * play)
    thick = 0.12 * m.pitch
    tray = cuboid(size) - cuboid([size[0] - 2 * thick, size[1] - 2 * thick, size[2]], (thick, thick, thick))
    knob = cuboid((0.4 * m.pitch, 0.5 * m.pitch, 0.3 * m.pitch))
    knob = knob.translate([size[0] - 0.01 * m.pitch, size[1] / 2 - 0.25 * m.pitch, 0.4 * size[2]])
    drawer = made_of("drawer", tray + knob)
    stored = cuboid((0.5 * m.pitch, 0.6 * m.pitch, 0.4 * room))
    thing = made_of("stored thing", stored)
    count = max(1, parts // 4)
    for k in range(count):
        z = k * high
        site.add(f"case {k + 1}", shell, kit.colour(), 0, 0, z)
        spot = (wall + c + play, wall + c + play, z + floor)
        name = f"drawer {k + 1}"
        things = kit.whole(0, 3)
        site.bench = name if things else ""
        if things:
            site.go([name], [slide(0, 0, -1)])
        site.put(name, drawer, kit.colour(), at(*spot))
        for number in range(things):
            inner = f"thing {k + 1}.{number + 1}"
            x = spot[0] + thick + 0.3 * m.pitch + 0.9 * m.pitch * number
            site.put(inner, thing, kit.colour(), at(x, spot[1] + 0.4 * size[1], spot[2] + thick))
            site.join(name, inner, "rest", 0, free=True)
            site.go([inner], [slide(0, 0, -1)])
        site.bench = ""
        inside = [name, *(f"thing {k + 1}.{number + 1}" for number in range(things))]
        site.go(inside, [slide(-1, 0, 0)])
        site.join(f"case {k + 1}", name, "rest", 0, free=True)
    return site.made("drawers")


# --------------------------------------------------------------------- dovetails and rails


def tail(low: float, high: float, top: float, foot: float) -> list[tuple[float, float]]:
    """Outline (x, z) of a dovetail about x = 0: ``foot`` wide at its root, ``top`` wide above."""
    return [(-foot / 2, low), (foot / 2, low), (top / 2, high), (-top / 2, high)]


def dovetails(kit: Kit, parts: int) -> Made:
    """Blocks that slide onto each other along dovetails, each crosswise to the one below."""
    site = kit.site(f"dovetails of {parts}")
    m = kit.m
    edge, high = kit.between(2.5, 4.0) * m.pitch, kit.between(1.2, 2.0) * m.pitch
    deep = 0.4 * high
    gap = kit.between(0.6, 1.4) * m.clearance
    foot, top = 0.35 * edge, 0.55 * edge
    plain = cuboid((edge, edge, high), (-edge / 2, -edge / 2, 0))
    key = prism(tail(high - 0.01 * high, high + deep, top, foot), edge).translate([0, -edge / 2, 0])
    wide = prism(tail(-0.02 * high, deep + gap, top + 2 * gap + 0.02 * high, foot + 2 * gap), 2 * edge)
    groove = wide.translate([0, -edge, 0]).rotate([0, 0, 90])
    first = made_of("dovetail foot", plain + key)
    middle = made_of("dovetail middle", plain + key - groove)
    last = made_of("dovetail head", plain - groove)
    count = max(2, min(parts, 12))
    for k in range(count):
        solid = first if k == 0 else last if k == count - 1 else middle
        site.put(f"block {k + 1}", solid, kit.colour(), at(0, 0, k * high) @ _quarter(k))
        way = (0, 0, -1)
        if k:
            way = (0, -1, 0) if k % 2 else (1, 0, 0)
            site.join(f"block {k}", f"block {k + 1}", TONGUE, None)
        site.go([f"block {k + 1}"], [slide(*way)])
    return site.made("dovetails")


def _quarter(k: int) -> object:
    from demo_model.scene import turn

    return turn((0, 0, 1), 90.0 * (k % 2))


def rails(kit: Kit, parts: int) -> Made:
    """Cars in the slot of a rail, held down by its lips, and blocks that stop its two ends."""
    site = kit.site(f"rail of {parts}")
    m = kit.m
    cars = max(1, min(20, parts - 3, (kit.most_columns - 4) // 2))
    pitch = 2.0 * m.pitch
    columns = 2 * cars + 4
    long, broad = columns * m.pitch, 3 * m.pitch
    floor = floor_thickness(kit)
    c = m.clearance
    head, neck = 1.4 * m.pitch, 0.7 * m.pitch
    low, lip = 0.5 * m.pitch, 0.4 * m.pitch
    high = floor + low + lip
    play = kit.between(0.02, 0.05) * m.pitch
    rail = cuboid((long - 2 * c, broad - 2 * c, high), (c, c, 0))
    rail -= cuboid((2 * long, head, low), (-long / 2, (broad - head) / 2, floor))
    rail -= cuboid((2 * long, neck, 2 * lip), (-long / 2, (broad - neck) / 2, floor + low / 2))
    ends = [((i + 0.5) * m.pitch, (j + 0.5) * m.pitch) for i in (0, columns - 1) for j in (0, 2)]
    rail += stud_row(ends, high, m)
    site.put("rail", made_of(f"rail {columns} x 3", rail), kit.colour(), at())
    site.go(["rail"], [slide(0, 0, -1)])
    car = cuboid((1.6 * m.pitch, head - 2 * play, low - 2 * play))
    stem_high = low + lip + 0.5 * m.pitch
    stem = cuboid((0.8 * m.pitch, neck - 2 * play, stem_high), (0.4 * m.pitch, (head - neck) / 2, 0))
    top = cuboid((1.6 * m.pitch, 1.2 * m.pitch, 0.5 * m.pitch), (0, head / 2 - play - 0.6 * m.pitch, 0))
    body = made_of("car", car + stem + top.translate([0, 0, stem_high - 0.01 * m.pitch]))
    for k in range(cars):
        x = 1.5 * m.pitch + pitch * k + kit.between(0.0, 0.3) * m.pitch
        name = f"car {k + 1}"
        site.put(name, body, kit.colour(), at(x, (broad - head) / 2 + play, floor))
        site.join("rail", name, TONGUE, None, free=True)
        site.go([name], [slide(-1, 0, 0)])
    stop = kit.pieces.block(3, 1)
    for end, column in enumerate((0, columns - 1), 1):
        pose = at((column + 1) * m.pitch, 0, high) @ _quarter(1)
        site.put(f"stop {end}", stop.solid, kit.colour(), pose)
        site.join("rail", f"stop {end}", "stud", 2)
        site.go([f"stop {end}"], [slide(0, 0, -1)])
    return site.made("rails")


# ------------------------------------------------------------------------------ interlocked


def interlocked(kit: Kit, parts: int) -> Made:
    """Halves that lock into each other sideways and go as one into a tray, two or more at a time."""
    site = kit.site(f"interlocked of {parts}")
    m = kit.m
    together = 2 if parts < 5 else kit.whole(2, 3)
    groups = max(1, min(30, (parts - 1) // (together + 1)))
    edge, high = 2.2 * m.pitch, kit.between(1.0, 1.6) * m.pitch
    gap, play = 0.8 * m.clearance, 0.04 * m.pitch
    reach, foot, top = 0.6 * m.pitch, 0.7 * m.pitch, 1.2 * m.pitch
    plain = cuboid((edge, edge, high))
    key = _lying(reach, foot, top, 0.0, edge, high)
    slot = _lying(reach + gap, foot + 2 * gap, top + 2 * gap, gap, edge, high)
    first = made_of("half with key", plain + key.translate([edge, 0, 0]))
    last = made_of("half with slot", plain - slot)
    middle = made_of("half with both", plain - slot + key.translate([edge, 0, 0]))
    long = together * edge
    wall = 0.4 * m.pitch
    inner = (long + 2 * play, edge + 2 * play)
    tray = cuboid((inner[0] + 2 * wall, inner[1] + 2 * wall, 0.9 * high), (-wall, -wall, -wall))
    tray -= cuboid((inner[0], inner[1], 2 * high))
    box = made_of("tray", tray)
    cover = made_of("cover", cuboid((inner[0] + 2 * wall, inner[1] + 2 * wall, wall), (-wall, -wall, high)))
    for k in range(groups):
        y = k * (inner[1] + 2 * wall + m.pitch)
        site.put(f"tray {k + 1}", box, kit.colour(), at(0, y, wall))
        site.go([f"tray {k + 1}"], [slide(0, 0, -1)])
        names = [f"piece {k + 1}.{number + 1}" for number in range(together)]
        site.bench = f"group {k + 1}"
        for number, name in enumerate(names):
            solid = first if number == 0 else last if number == together - 1 else middle
            site.put(name, solid, kit.colour(), at(play + number * edge, y + play, wall))
            site.join(f"tray {k + 1}", name, "rest", 0, free=True)
            site.go([name], [slide(0, 0, -1)])
            if number:
                site.join(names[number - 1], name, TONGUE, None)
        site.bench = ""
        site.go(names, [slide(0, 0, -1)])
        site.put(f"cover {k + 1}", cover, kit.colour(), at(0, y, wall))
        for name in names:
            site.join(name, f"cover {k + 1}", "rest", 0)
        site.go([f"cover {k + 1}"], [slide(0, 0, -1)])
    return site.made("interlocked", heaps=groups)


def _lying(reach: float, foot: float, top: float, over: float, edge: float, high: float) -> Body:
    """A dovetail that sticks out along x, upright along z, in the middle of an edge along y."""
    from manifold3d import CrossSection

    low = edge / 2
    plan = [(-over, low - foot / 2), (reach, low - top / 2), (reach, low + top / 2), (-over, low + foot / 2)]
    return Body.extrude(CrossSection([plan]), high)


def keyholes(kit: Kit, parts: int) -> Made:
    """Plates whose heads go down through a wide hole and then sideways under its lips: two legs."""
    site = kit.site(f"keyholes of {parts}")
    m = kit.m
    count = max(2, min(parts, 12))
    edge, high = kit.between(3.0, 4.0) * m.pitch, 1.2 * m.pitch
    head, neck = 0.6 * m.pitch, 0.3 * m.pitch
    gap = 1.2 * m.clearance
    lip, room = 0.3 * m.pitch, 0.4 * m.pitch
    shift_by = 1.3 * m.pitch
    facets = 32
    body = cuboid((edge, edge, high), (-edge / 2, -edge / 2, 0))
    middle = shift_by / 2
    wide = rod(head + gap, 2 * lip + room, facets, (middle, 0, high - lip - room))
    wide += rod(head + gap, room, facets, (-middle, 0, high - lip - room))
    wide += cuboid((shift_by, 2 * (head + gap), room), (-middle, -head - gap, high - lip - room))
    narrow = rod(neck + gap, 2 * lip, facets, (-middle, 0, high - lip - 0.01 * m.pitch))
    narrow += cuboid(
        (shift_by, 2 * (neck + gap), 2 * lip), (-middle, -neck - gap, high - lip - 0.01 * m.pitch)
    )
    holed = body - wide - narrow
    knob = rod(neck, lip + room, facets, (0, 0, -lip - 2 * gap))  # from within the head into the body
    knob += rod(head, room - 2 * gap, facets, (0, 0, gap - lip - room))
    foot = made_of("keyhole foot", holed)
    between = made_of("keyhole plate", holed + knob)
    last = made_of("keyhole lid", body + knob)
    x = 0.0
    for k in range(count):
        solid = foot if k == 0 else last if k == count - 1 else between
        name = f"plate {k + 1}"
        site.put(name, solid, kit.colour(), at(x, 0, k * high))
        if k:
            site.join(f"plate {k}", name, (*TONGUE, "stud"), None)
            site.go([name], [slide(0, 0, -1.2 * (lip + room)), slide(-shift_by, 0, 0)])
        else:
            site.go([name], [slide(0, 0, -1)])
        x -= middle
    return site.made("keyholes")


def clamps(kit: Kit, parts: int) -> Made:
    """A bar with thick ends between two halves that meet round its waist, tied by a clip over both."""
    site = kit.site(f"clamps of {parts}")
    m = kit.m
    count = max(1, min(30, parts // 5))
    play = 0.05 * m.pitch
    thick, waist = 0.8 * m.pitch, 0.4 * m.pitch
    floor = floor_thickness(kit)
    high = floor + 2.4 * m.pitch
    level = floor + 1.2 * m.pitch
    c = m.clearance
    half = cuboid((2 * m.pitch - 2 * c, 3 * m.pitch - 2 * c, high), (c, c, 0))
    half = studded(with_cavity(half, 2, 3, (0.0, 0.0), m), 2, 3, high, kit)
    hollow = cuboid((2 * thick + 2 * play, 1.4 * m.pitch, 2 * thick + 2 * play))
    hollow = hollow.translate([2 * m.pitch - thick - play, 0.8 * m.pitch, level - thick - play])
    mouth = cuboid((2 * (waist + play), 6 * m.pitch, 2 * (waist + play)))
    mouth = mouth.translate([2 * m.pitch - waist - play, -m.pitch, level - waist - play])
    shell = piece_of("clamp half", half - hollow - mouth, 2, 3, high, studs=True)
    knob = 1.4 * m.pitch - 2 * play
    bar = cuboid((2 * waist, 5 * m.pitch, 2 * waist), (-waist, -m.pitch, -waist))
    bar += cuboid((2 * thick, knob, 2 * thick), (-thick, 0.8 * m.pitch + play, -thick))
    body = made_of("bar with a thick middle", bar)
    base = kit.pieces.slab(4, 3)
    for k in range(count):
        y = 6 * k
        names = [f"half {k + 1}.1", f"bar {k + 1}", f"half {k + 1}.2"]
        site.bench = f"clamp {k + 1}"
        z = base.height
        site.add(names[0], shell, kit.colour(), 0, y, z, legs=None)
        site.go([names[0]], [slide(0, 0, -1)])
        drop = play  # the bar lies on the floor of the hollow
        site.put(names[1], body, kit.colour(), at(2 * m.pitch, y * m.pitch, z + level - drop))
        site.go([names[1]], [slide(-1, 0, 0)])
        site.add(names[2], shell, kit.colour(), 2, y, z, quarters=2, legs=None)
        site.go([names[2]], [slide(-1, 0, 0)])
        site.join(names[0], names[1], "rest", 0, free=True)
        site.join(names[2], names[1], "rest", 0, free=True)
        site.add(f"clip {k + 1}", base, kit.colour(), 0, y, z + high)
        site.bench = ""
        site.add(f"base {k + 1}", base, kit.colour(), 0, y, 0.0)
        site.go([*names, f"clip {k + 1}"], [slide(0, 0, -1)])
    return site.made("clamps", heaps=count)


def boxes(kit: Kit, parts: int) -> Made:
    """Closed boxes with loose contents: a lid with a rim that goes into the mouth, the next box on top."""
    site = kit.site(f"boxes of {parts}")
    m = kit.m
    columns, rows = kit.whole(3, 5), kit.whole(3, 5)
    c, wall = m.clearance, 0.16 * m.pitch
    long, broad, floor = columns * m.pitch, rows * m.pitch, floor_thickness(kit)
    room = kit.between(1.0, 1.6) * m.pitch
    high = floor + room
    case = cuboid((long - 2 * c, broad - 2 * c, high), (c, c, 0))
    case = with_cavity(case, columns, rows, (0.0, 0.0), m)
    inner = (long - 2 * c - 2 * wall, broad - 2 * c - 2 * wall)
    case -= cuboid((inner[0], inner[1], room), (c + wall, c + wall, floor))
    box = piece_of(f"box {columns} x {rows}", case, columns, rows, high, studs=False)
    rim, gap = 0.3 * m.pitch, 0.9 * m.clearance
    lid = cuboid((long - 2 * c, broad - 2 * c, floor), (c, c, 0))
    plug = cuboid(
        (inner[0] - 2 * gap, inner[1] - 2 * gap, rim + 0.1 * floor), (c + wall + gap, c + wall + gap, -rim)
    )
    plug -= cuboid(
        (inner[0] - 4 * wall, inner[1] - 4 * wall, 4 * rim), (c + 3 * wall, c + 3 * wall, -4 * rim)
    )
    top = made_of(f"lid {columns} x {rows}", studded(lid + plug, columns, rows, floor, kit))
    count = max(1, min(20, parts // 4))
    z = 0.0
    for k in range(count):
        name, cover = f"box {k + 1}", f"lid {k + 1}"
        site.bench = name
        site.add(name, box, kit.colour(), 0, 0, z, legs=[slide(0, 0, -1)])
        inside = _contents(kit, site, name, k, inner, (c + wall, c + wall, z + floor), room - rim)
        site.put(cover, top, kit.colour(), at(0, 0, z + high))
        site.join(cover, name, TONGUE, None)
        site.go([cover], [slide(0, 0, -1)])
        site.bench = ""
        site.go([name, *inside, cover], [slide(0, 0, -1)])
        if k:
            site.join(f"lid {k}", name, "stud", columns * rows)
        z += high + floor
    return site.made("boxes")


def _contents(
    kit: Kit, site: Site, box: str, k: int, inner: Sequence[float], low: Sequence[float], room: float
) -> list[str]:
    """One to three loose solids side by side on a box's floor."""
    count, names = kit.whole(1, 3), []
    share = inner[0] / count
    for number in range(count):
        size, high = kit.between(0.3, 0.7) * min(share, inner[1]), kit.between(0.4, 0.85) * room
        x, y = low[0] + (number + 0.5) * share, low[1] + inner[1] / 2
        body = (
            cuboid((size, size, high), (-size / 2, -size / 2, 0)),
            rod(size / 2, high, 24),
            Body.cylinder(high, size / 2, size / 4, 6),
        )[kit.whole(0, 2)]
        names.append(f"thing {k + 1}.{number + 1}")
        solid = made_of(names[-1], body)
        site.put(names[-1], solid, kit.colour(), at(x, y, low[2]))
        site.join(box, names[-1], "rest", 0, free=True)
        site.go([names[-1]], [slide(0, 0, -1)])
    return names
