"""Families built of studded blocks alone: what stands, spans, sticks out, hangs, and shuts in."""

from __future__ import annotations

from math import ceil

import numpy as np

from demo_model import solids
from demo_model.scene import turn
from tests.models.kit import Kit, at, cuboid, made_of
from tests.models.lattice import Piece, Site, cells
from tests.models.value import UP, Made, slide

#: Of a stack: the weight over each joint acts within this share of the shared rectangle's half width.
INSIDE = 0.8
#: A stack on which nothing has balanced so many times in a row is left as it is.
TRIES = 200


def stacks(kit: Kit, parts: int) -> Made:
    """Stacks of blocks and slabs that each stand by balance alone; several share a base."""
    site = kit.site(f"stacks of {parts}")
    tiles = max(1, ceil(parts / 24))
    z, left = 0.0, parts
    side = ceil(tiles**0.5)
    if tiles > 1:
        base = kit.pieces.slab(8 * side, 8 * ceil(tiles / side))
        site.add("base", base, kit.colour(), 0, 0, 0.0)
        z, left = base.height, parts - 1
    for tile in range(tiles):
        count = left // (tiles - tile)
        left -= count
        _stack(kit, site, f"stack {tile + 1}", 8 * (tile % side), 8 * (tile // side), z, count)
    return site.made("stacks")


def _stack(kit: Kit, site: Site, name: str, column: int, row: int, z: float, count: int) -> None:
    """Blocks within a tile of 8 x 8 cells, each on the one below by two studs or more."""
    sizes = ((2, 2), (3, 2), (4, 2), (6, 2), (4, 4), (2, 1), (3, 1), (4, 1), (1, 1))
    laid: list[tuple[np.ndarray, float]] = []  # low and high corner in cells, weight
    tries = 0
    while len(laid) < count and tries < TRIES:
        tries += 1
        long, wide = sizes[int(kit.random.integers(len(sizes)))]
        thin = bool(kit.random.random() < 0.35)
        piece = kit.pieces.slab(long, wide) if thin else kit.pieces.block(long, wide)
        turned = kit.whole(0, 1)
        size = np.array((wide, long) if turned else (long, wide))
        middle = laid[-1][0].mean(axis=0) if laid else np.array([4.0, 4.0])
        low = np.round(middle - size / 2 + kit.random.uniform(-1.6, 1.6, 2)).astype(int)
        if (low < 0).any() or (low + size > 8).any():
            continue
        spot = np.array([low, low + size])
        weight = float(size.prod() * piece.height)
        if laid and not _balanced([*laid, (spot, weight)]):
            continue
        laid.append((spot, weight))
        tries = 0
        label = f"{name} {len(laid)}"
        site.add(label, piece, kit.colour(), column + int(low[0]), row + int(low[1]), z, quarters=turned)
        z += piece.height


def _balanced(laid: list[tuple[np.ndarray, float]]) -> bool:
    """Whether what lies over each joint has its weight well inside what the two share."""
    moment, weight = np.zeros(2), 0.0
    for below, (spot, each) in zip(reversed(laid[:-1]), reversed(laid[1:]), strict=True):
        moment, weight = moment + each * spot.mean(axis=0), weight + each
        low, high = np.maximum(spot[0], below[0][0]), np.minimum(spot[1], below[0][1])
        if (high - low < 1).any() or (high - low).prod() < min(2, spot[1].prod()):
            return False
        half = (high - low) / 2
        if (np.abs(moment / weight - (low + half)) > INSIDE * half).any():
            return False
    return True


def singles(kit: Kit, parts: int) -> Made:
    """One block or slab alone."""
    site = kit.site("single part")
    size = ((2, 2), (3, 2), (4, 2), (2, 1), (6, 4))[kit.whole(0, 4)]
    piece = kit.pieces.slab(*size) if kit.whole(0, 1) else kit.pieces.block(*size)
    site.add("single", piece, kit.colour(), 0, 0, 0.0)
    return site.made("singles")


def plain(kit: Kit, parts: int) -> Made:
    """Plain bricks and drums in running bond that only lie on each other: no stud, no pitch."""
    site, m = kit.site(f"plain bricks of {parts}"), kit.m
    long, wide, high = (kit.between(*span) * m.pitch for span in ((2.0, 4.0), (1.2, 2.0), (0.7, 1.2)))
    gap = 2 * m.clearance
    brick = made_of("plain brick", cuboid((long - gap, wide, high)))
    half = made_of("plain half brick", cuboid((long / 2 - gap, wide, high)))
    per_course = max(1, round((parts / 2) ** 0.5))
    below: list[tuple[str, float, float]] = []  # name, from and to along the wall
    for course in range(max(1, round(parts / (per_course + 0.5)))):
        stops = [long * k for k in range(per_course + 1)]
        if course % 2:
            stops = [0.0, *(long * (k + 0.5) for k in range(per_course)), long * per_course]
        laid = []
        for number in range(len(stops) - 1):
            name = f"brick {course + 1}.{number + 1}"
            low, top = stops[number], stops[number + 1]
            solid = brick if top - low > 0.75 * long else half
            site.put(name, solid, kit.colour(), at(low + gap / 2, 0, course * high))
            site.go([name], [slide(0, 0, -1)])
            for under, start, end in below:
                if min(end, top) - max(start, low) > 2 * gap:
                    site.join(under, name, "rest", 0)
            laid.append((name, low, top))
        below = laid
    return site.made("plain")


def bridges(kit: Kit, parts: int) -> Made:
    """Piers on plates of their own, beams from pier to pier, and a deck that ties the beams."""
    site = kit.site(f"bridge of {parts}")
    m, block, slab = kit.m, kit.pieces.block, kit.pieces.slab
    tall = kit.whole(1, 4)
    per_bay = tall + 1 + 1 + 3
    bays = max(1, parts // per_bay)
    reach = kit.whole(6, 9)
    z = 0.0
    for pier in range(bays + 1):
        site.add(f"plate {pier + 1}", slab(4, 4), kit.colour(), reach * pier, -1, 0.0)
    z = m.slab
    for level in range(tall):
        for pier in range(bays + 1):
            site.add(f"pier {pier + 1}.{level + 1}", block(4, 2), kit.colour(), reach * pier, 0, z)
        z += m.block
    stops = [0, *(reach * k + 2 for k in range(1, bays)), reach * bays + 4]
    for k in range(bays):
        beam = block(stops[k + 1] - stops[k], 2)
        site.add(f"beam {k + 1}", beam, kit.colour(), stops[k], 0, z)
    z += m.block
    cuts = [0, *range(kit.whole(2, 4), stops[-1] - 1, 4), stops[-1]]
    for k in range(len(cuts) - 1):
        deck = slab(max(2, cuts[k + 1] - cuts[k]), min(2, cuts[k + 1] - cuts[k]))
        turned = int(cuts[k + 1] - cuts[k] == 1)
        site.add(f"deck {k + 1}", deck, kit.colour(), cuts[k], 0, z, quarters=turned)
    return site.made("bridges")


def cantilevers(kit: Kit, parts: int) -> Made:
    """A column with beams built into it that reach out to the four sides and carry a load at the tip."""
    site = kit.site(f"cantilevers of {parts}")
    m, block = kit.m, kit.pieces.block
    site.add("base", kit.pieces.slab(10, 10), kit.colour(), -5, -5, 0.0)
    z, level, arms = m.slab, 0, 0
    while len(site.placed) < max(parts, 6):
        along = level % 2
        arm = level % 2 == 1
        out = kit.whole(3, 5)
        for half in (-2, 0):
            name = f"course {level + 1}.{half // 2 + 2}"
            if arm and half == -2:
                forward = arms % 4 >= 2
                start = -2 if forward else -2 - out
                piece = block(4 + out, 2)
                column, row = (start, half) if along == 0 else (half, start)
                site.add(f"arm {arms + 1}", piece, kit.colour(), column, row, z, quarters=along)
                tip = start + 4 + out - 2 if forward else start
                column, row = (tip, half) if along == 0 else (half, tip)
                site.add(f"load {arms + 1}", block(2, 2), kit.colour(), column, row, z + m.block)
                arms += 2 if arms % 4 == 0 else 3 if arms % 4 == 2 else 1
                continue
            column, row = (-2, half) if along == 0 else (half, -2)
            site.add(name, block(4, 2), kit.colour(), column, row, z, quarters=along)
        z, level = z + m.block, level + 1
    for half in (-2, 0):
        column, row = (-2, half) if level % 2 == 0 else (half, -2)
        name = f"course {level + 1}.{half // 2 + 2}"
        site.add(name, block(4, 2), kit.colour(), column, row, z, quarters=level % 2)
    return site.made("cantilevers")


def cages(kit: Kit, parts: int) -> Made:
    """Loose things on a smooth floor behind bars that are too close to let them out, and a roof."""
    site = kit.site(f"cage of {parts}")
    m = kit.m
    across = kit.whole(2, 2 + min(3, parts // 16))
    tall = max(1, round((parts - 4) / (4 * across)))
    side = 2 * across + 1
    rim = frozenset((i, j) for i, j in cells(side, side) if i in (0, side - 1) or j in (0, side - 1))
    floor = kit.pieces.studded(side, side, kit.module.slab, rim, f"floor {side} x {side}")
    site.add("floor", floor, kit.colour(), 0, 0, 0.0)
    post = kit.pieces.block(1, 1)
    for number, (x, y) in enumerate(_inner_places(kit, across), 1):
        size = np.array(
            [kit.between(1.25, 1.6), kit.between(1.25, 1.6), kit.between(0.4, 0.8) * min(tall, 2)]
        )
        size *= (m.pitch, m.pitch, m.block)
        name = f"captive {number}"
        body = made_of(f"loose {number}", cuboid(size))
        low = (np.array([x, y]) * m.pitch) - size[:2] / 2
        site.put(name, body, kit.colour(), at(low[0], low[1], floor.height))
        site.join("floor", name, "rest", 0, free=True)
        site.go([name], [slide(0, 0, -1)])
    places = sorted((i, j) for i, j in rim if i % 2 == 0 and j % 2 == 0)
    for level in range(tall):
        for number, (i, j) in enumerate(places, 1):
            z = floor.height + level * m.block
            site.add(f"bar {number}.{level + 1}", post, kit.colour(), i, j, z)
    roof = kit.pieces.slab(side, side, smooth=bool(kit.whole(0, 1)))
    site.add("roof", roof, kit.colour(), 0, 0, floor.height + tall * m.block)
    return site.made("cages")


def _inner_places(kit: Kit, across: int) -> list[tuple[float, float]]:
    """Middles (cells) of up to four things inside a rim one cell wide, two and a half cells apart."""
    inside = 2 * across - 1
    room = max(1, int(inside // 2.5))
    spots = [(i, j) for i in range(room) for j in range(room)]
    kit.random.shuffle(spots)
    return [(1 + (i + 0.5) * inside / room, 1 + (j + 0.5) * inside / room) for i, j in spots[:4]]


def tied_towers(kit: Kit, parts: int) -> Made:
    """Towers on plates of their own that one beam, put on last, ties into one; more may stand on it."""
    site = kit.site(f"tied towers of {parts}")
    m, block = kit.m, kit.pieces.block
    towers = 2 if parts < 40 else kit.whole(2, 3)
    tall = max(1, (parts - towers - 2) // (2 * towers))
    gap = kit.whole(6, 8)
    for k in range(towers):
        site.add(f"plate {k + 1}", kit.pieces.slab(6, 6), kit.colour(), gap * k, 0, 0.0)
    z = m.slab
    for level in range(tall):
        for k in range(towers):
            for half in (1, 3):
                x, y = (gap * k + 1, half) if level % 2 == 0 else (gap * k + half, 1)
                name = f"tower {k + 1}.{level + 1}.{half // 2 + 1}"
                site.add(name, block(4, 2), kit.colour(), x, y, z, quarters=level % 2)
        z += m.block
    long = gap * (towers - 1) + 4
    site.add("beam", block(long, 2), kit.colour(), 1, 2, z)
    site.add("lamp", block(2, 2), kit.colour(), 1 + long // 2, 2, z + m.block)
    return site.made("tied towers")


def hung(kit: Kit, parts: int) -> Made:
    """Blocks that hang by their studs from a beam or from the course over an opening.

    Beam and hung blocks are put together upside down and go up as one.
    """
    site = kit.site(f"hung of {parts}")
    m, block = kit.m, kit.pieces.block
    spans = max(1, parts // 14)
    reach = kit.whole(8, 10)
    deep = kit.whole(1, 2)  # how many hang in a row
    tall = deep + kit.whole(1, 2)
    long = reach * spans + 2
    for k in range(spans + 1):
        site.add(f"plate {k + 1}", kit.pieces.slab(4, 4), kit.colour(), reach * k - 1, -1, 0.0)
    for level in range(tall):
        for k in range(spans + 1):
            z = m.slab + level * m.block
            site.add(f"pier {k + 1}.{level + 1}", block(2, 2), kit.colour(), reach * k, 0, z)
    top = m.slab + tall * m.block
    for k in range(spans):
        start = reach * k + (1 if k else 0)
        end = reach * (k + 1) + (1 if k < spans - 1 else 2)
        site.bench = f"span {k + 1}" if kit.whole(0, 1) or k == 0 else site.bench
        site.bench = f"span {k + 1}"
        group = [f"beam {k + 1}"]
        site.add(group[0], block(end - start, 2), kit.colour(), start, 0, top, legs=[slide(*(-np.array(UP)))])
        spot = reach * k + 3
        while spot + 2 <= reach * (k + 1) - 1:
            wide = kit.whole(2, min(3, reach * (k + 1) - 1 - spot))
            for level in range(deep):
                group.append(f"hung {k + 1}.{spot - reach * k}.{level + 1}")
                z = top - (level + 1) * m.block
                piece = block(wide, 2)
                site.add(group[-1], piece, kit.colour(), spot, 0, z, legs=[slide(*UP)])
            spot += wide + kit.whole(0, 1)
        site.bench = ""
        site.go(group, [slide(0, 0, -1)])
    cuts = [0, *range(4, long - 1, 4), long]
    for k in range(len(cuts) - 1):
        wide = cuts[k + 1] - cuts[k]
        name = f"coping {k + 1}"
        piece = kit.pieces.slab(max(2, wide), min(2, wide))
        site.add(name, piece, kit.colour(), cuts[k], 0, top + m.block, quarters=int(wide == 1))
    return site.made("hung")


def hung_courses(kit: Kit, parts: int) -> Made:
    """A wall over an opening without a lintel: its stones hang from the course above.

    Hung stones and the blocks over them are put together apart and go in as one.
    """
    site = kit.site(f"hung course of {parts}")
    m, block = kit.m, kit.pieces.block
    wide = 4 * kit.whole(1, 1 + min(2, parts // 20))
    low, side = kit.whole(1, 3), 4
    long = wide + 2 * side

    def lay(course: int, name: str, start: int, end: int, stone: int = 4) -> list[str]:
        names = []
        for number, column in enumerate(range(start, end, stone), 1):
            names.append(f"{name} {course + 1}.{number}")
            size = min(stone, end - column)
            site.add(names[-1], block(size, 2), kit.colour(), column, 0, course * m.block)
        return names

    for course in range(low):
        lay(course, "left", 0, side, 4 - 2 * (course % 2))
        lay(course, "right", side + wide, long, 4 - 2 * (course % 2))
    lay(low, "left", 0, side)
    lay(low, "right", side + wide, long)
    site.bench = "hung"
    group = lay(low, "hung", side, side + wide)
    group += lay(low + 1, "over", side - 2, side + wide + 2)
    site.bench = ""
    site.go(group, [slide(0, 0, -1)])
    lay(low + 1, "left", 0, side - 2)
    lay(low + 1, "right", side + wide + 2, long)
    for course in range(low + 2, low + 2 + max(1, (parts - len(site.placed)) * 4 // long)):
        stagger = 2 * (course % 2)
        if stagger:
            lay(course, "end", 0, stagger)
        lay(course, "top", stagger, long)
    return site.made("hung courses")


def side_studs(kit: Kit, parts: int) -> Made:
    """A wall with studs on its face, and slabs and blocks pressed on from the side."""
    site = kit.site(f"side studs of {parts}")
    m = kit.m
    courses = max(1, min(8, round((parts / 5) ** 0.5)))
    bays = max(1, parts // (3 * courses))
    high = max(m.block, 1.05 * m.pitch)  # no facing reaches over the top of its course
    solid = solids.block(
        4, 2, kit.module, high / kit.module.scale, side_studs=True, name="side-studded block 4 x 2"
    )
    block = Piece(
        solid, 4, 2, high, cells(4, 2), cells(4, 2), cells(4, 2), cells(4, 2),
    )  # fmt: skip
    plate = kit.pieces.slab(4 * bays, 4) if bays <= 4 and courses > 1 else None
    z = 0.0
    if plate is not None:
        site.add("plate", plate, kit.colour(), 0, 0, 0.0)
        z = plate.height
    faced: list[tuple[int, float]] = []
    for course in range(courses):
        for k in range(bays):
            site.add(f"block {course + 1}.{k + 1}", block, kit.colour(), 4 * k, 0, z)
        faced.append((course, z))
        z += high
    if bays > 1:
        for k in range(bays - 1):
            name = f"tie {k + 1}"
            site.add(name, kit.pieces.slab(4, 2), kit.colour(), 4 * k + 2, 0, z)
    for course, low in faced[1:] if plate is not None else faced:
        _face(kit, site, course, low, 4 * bays)
    return site.made("side studs", touch_mm=0.5 * m.clearance)  # every stud's part lies flat on the wall


def _face(kit: Kit, site: Site, course: int, low: float, long: int) -> None:
    """Slabs and blocks one cell high over the side studs of a course, some across two blocks."""
    m, column, number = kit.m, 0, 0
    while column < long:
        wide = kit.whole(1, min(4, long - column))
        number += 1
        piece = kit.pieces.slab(wide, 1) if kit.whole(0, 2) else kit.pieces.block(wide, 1)
        name = f"facing {course + 1}.{number}"
        pose = at(column * m.pitch, m.clearance, low) @ turn((1, 0, 0), 90.0)
        site.put(name, piece.solid, kit.colour(), pose)
        for k in range(column // 4, (column + wide - 1) // 4 + 1):
            studs = min(column + wide, 4 * k + 4) - max(column, 4 * k)
            site.join(f"block {course + 1}.{k + 1}", name, "stud", studs)
        site.go([name], [slide(0, 1, 0)])
        column += wide + int(kit.random.random() < 0.2)
