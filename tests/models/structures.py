"""Six structures of any number of parts, all of blocks that go straight down in the order of their courses.

Each lays out more parts than asked for and leaves off the last laid, so that the number is exact and
nothing stands on what is missing.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from itertools import pairwise
from math import ceil

import numpy as np

from demo_model.solids import Module
from tests.models.lattice import COLOURS, Piece, Pieces, Site
from tests.models.proportions import proportions
from tests.models.shapes import arch
from tests.models.value import Made

FEWEST, MOST = 20, 20_000
#: Lengths of a laid block, by liking.
LENGTHS = (4, 3, 2, 1)
#: What a vertical joint over a vertical joint costs when a course is laid, in blocks.
OVER_A_JOINT = 3.0


@dataclass(frozen=True)
class Laid:
    """One block of a plan: where, how it lies, and in which colour (a row of ``COLOURS``)."""

    piece: Piece
    column: int
    row: int
    z: float
    quarters: int
    colour: int


Plan = list[Laid]


def structure(kind: str, parts: int, seed: int = 0, scale: float = 1.0, module: Module | None = None) -> Made:
    """One of :data:`STRUCTURES` with exactly ``parts`` parts.

    ``module`` is drawn by ``seed`` when not given. Raises ValueError outside 20 to 20,000 parts.
    """
    if not FEWEST <= parts <= MOST:
        raise ValueError(f"parts: {parts} is outside {FEWEST} to {MOST}")
    random = np.random.default_rng([seed, parts])
    return laid_out(kind, parts, Pieces(module or proportions(random, scale)), random)


def laid_out(kind: str, parts: int, pieces: Pieces, random: np.random.Generator) -> Made:
    """As :func:`structure`, of pieces at hand and of any number of parts."""
    plan = STRUCTURES[kind](parts, pieces, random)
    if len(plan) < parts:
        raise ValueError(f"{kind}: {len(plan)} parts laid of {parts}")
    site = Site(f"{kind} of {parts} parts", pieces.module)
    for number, laid in enumerate(plan[:parts], 1):
        name = f"{laid.piece.solid.name}, {number}"
        colour = COLOURS[laid.colour % len(COLOURS)]
        site.add(name, laid.piece, colour, laid.column, laid.row, laid.z, quarters=laid.quarters)
    return site.made(kind)


# ------------------------------------------------------------------------------ laying a course


def bond(start: int, end: int, below: Iterable[int]) -> list[int]:
    """Ends of the blocks of a run start..end, few and with few vertical joints over those ``below``."""
    avoid = frozenset(below)
    best: dict[int, tuple[float, list[int]]] = {start: (0.0, [])}
    for at in range(start + 1, end + 1):
        joint = OVER_A_JOINT if at in avoid and at != end else 0.0
        options = [
            (best[at - long][0] + 1.0 + joint, [*best[at - long][1], at])
            for long in LENGTHS
            if at - long in best
        ]
        best[at] = min(options, key=lambda each: each[0])
    return best[end][1]


@dataclass
class Run:
    """A straight wall of two cells' thickness, laid course by course; remembers the joints below.

    ``along`` is 0 for x, 1 for y; ``across`` the wall's first cell in the other direction.
    """

    along: int
    across: int
    joints: frozenset[int] = frozenset()

    def lay(
        self,
        pieces: Pieces,
        stretches: Iterable[tuple[int, int]],
        fixed: Iterable[tuple[int, int]],
        z: float,
        colour: int,
    ) -> Iterator[Laid]:
        """Blocks of one course: each of ``fixed`` as one (a lintel), the rest of ``stretches`` bonded."""
        ends: list[tuple[int, int]] = []
        lintels = sorted(fixed)
        for start, end in stretches:
            at = start
            for low, high in [each for each in lintels if start <= each[0] < end]:
                ends += self._bonded(at, low)
                ends.append((low, high))
                at = high
            ends += self._bonded(at, end)
        self.joints = frozenset(end for each in ends for end in each)
        for start, end in ends:
            long = end - start
            turned = self.along if long > 1 else 1 - self.along
            column, row = (start, self.across) if self.along == 0 else (self.across, start)
            yield Laid(pieces.block(max(long, 2), min(long, 2)), column, row, z, turned, colour)

    def _bonded(self, start: int, end: int) -> list[tuple[int, int]]:
        stops = bond(start, end, self.joints) if end > start else []
        return list(zip([start, *stops[:-1]], stops, strict=True)) if stops else []


@dataclass(frozen=True)
class Opening:
    """A hole in a wall: cells from..to along it, courses from..to; its lintel reaches two cells further."""

    start: int
    end: int
    first: int
    last: int

    def lintel(self) -> tuple[int, int]:
        return self.start - 2, self.end + 2


def stretches(start: int, end: int, openings: Iterable[Opening], course: int) -> list[tuple[int, int]]:
    """What is solid of start..end in a course."""
    found, at = [], start
    for hole in sorted(openings, key=lambda each: each.start):
        if hole.first <= course < hole.last and start <= hole.start < end:
            found.append((at, hole.start))
            at = hole.end
    return [*found, (at, end)]


# ------------------------------------------------------------------------------ the structures


def wall(parts: int, pieces: Pieces, random: np.random.Generator) -> Plan:
    """A wall in running bond, about twice as long as high, with a door or window in every bay and storey."""
    m = pieces.module.scaled
    bay, storey = 18, 8
    courses = max(5, round((2.2 * parts * m.pitch / m.block) ** 0.5))
    while True:
        long = max(bay, 2 * ceil(2.3 * parts / courses))
        long -= long % 2
        openings = _openings(long, courses, bay, storey, random)
        run, plan = Run(0, 0), []
        for course in range(courses):
            lintels = [hole.lintel() for hole in openings if hole.last == course]
            solid = stretches(0, long, openings, course)
            plan += run.lay(pieces, solid, lintels, course * m.block, course % 2)
        if len(plan) >= parts:
            return plan
        courses += max(1, courses // 20)


def _openings(long: int, courses: int, bay: int, storey: int, random: np.random.Generator) -> list[Opening]:
    """One opening a bay and storey, with a pier of at least six cells between two of them."""
    found = []
    for base in range(0, courses, storey):
        high = min(storey, courses - base) - 1
        if high < 4:
            continue
        for left in range(0, long - bay + 1, bay):
            wide = int(random.choice((4, 5, 6)))
            start = left + int(random.integers(4, bay - wide - 3))
            sill = 0 if base == 0 and random.random() < 0.5 else int(random.integers(1, 3))
            found.append(Opening(start, start + wide, base + sill, base + high - 1))
    return found


def cube(parts: int, pieces: Pieces, random: np.random.Generator) -> Plan:
    """A solid cube: courses along x and along y in turn, each third and fourth shifted by half a block."""
    m = pieces.module.scaled
    edge = max(4, round((8 * parts * m.block / m.pitch) ** (1 / 3)))
    edge -= edge % 2
    plan: Plan = []
    course = 0
    while len(plan) < parts:
        along, shifted = course % 2, course // 2 % 2
        stops = [*range(2 if shifted else 4, edge, 4), edge]
        for across in range(0, edge, 2):
            for start, end in zip([0, *stops[:-1]], stops, strict=True):
                column, row = (start, across) if along == 0 else (across, start)
                plan.append(Laid(pieces.block(end - start, 2), column, row, course * m.block, along, course))
        course += 1
    return plan


def tower(parts: int, pieces: Pieces, random: np.random.Generator) -> Plan:
    """A tall hollow shaft, at most about twelve times as high as wide, its corners laid crosswise."""
    m = pieces.module.scaled
    side = 4
    while True:
        per_course = max(2, side - 2)
        if parts / per_course * m.block <= 12 * side * m.pitch:
            break
        side += 2
    runs = [Run(0, 0), Run(0, side - 2), Run(1, 0), Run(1, side - 2)]
    plan: Plan = []
    course = 0
    while len(plan) < parts:
        for run in runs:
            whole = run.along == course % 2
            span = [(0, side)] if whole else [(2, side - 2)] if side > 4 else []
            plan += run.lay(pieces, span, (), course * m.block, course)
        course += 1
    return plan


def sculpture(parts: int, pieces: Pieces, random: np.random.Generator) -> Plan:
    """A trunk whose branches reach out over nothing; every branch has its like on the other side."""
    m = pieces.module.scaled
    reach = round(4 + 1.2 * parts ** (1 / 3))
    taken: set[tuple[int, int, int]] = set()
    plan: Plan = [Laid(pieces.slab(8, 8), -4, -4, 0.0, 0, 0)]
    boxes: list[tuple[int, int, int, int, int]] = []  # level, low and high column, low and high row

    def lay(level: int, low: tuple[int, int], high: tuple[int, int]) -> None:
        for x in range(low[0], high[0]):
            taken.update((level, x, y) for y in range(low[1], high[1]))
        boxes.append((level, low[0], high[0], low[1], high[1]))

    trunk = max(4, round(0.5 * parts ** (2 / 3)))
    for level in range(trunk):
        out = 4 if level % 3 == 1 else 2  # where branches begin
        for half in (-2, 0):
            low = (half, -out) if level % 2 else (-out, half)
            lay(level, low, (half + 2, out) if level % 2 else (out, half + 2))
    tries = 0
    while len(boxes) + 1 < parts + 1:
        tries += 1
        if tries > 400 * parts:
            raise ValueError(f"sculpture: {len(boxes)} parts grown of {parts}")
        grown = _branch(boxes[int(random.integers(len(boxes)))], random, reach, trunk)
        if grown is None:
            continue
        level, low, high = grown
        other_low, other_high = (-high[0], -high[1]), (-low[0], -low[1])
        here = {(level, x, y) for x in range(low[0], high[0]) for y in range(low[1], high[1])}
        there = {(level, -1 - x, -1 - y) for _, x, y in here}
        if here & there or (here | there) & taken:
            continue
        lay(level, low, high)
        lay(level, other_low, other_high)
    for level, x0, x1, y0, y1 in sorted(boxes, key=lambda each: each[0]):
        wide, deep = x1 - x0, y1 - y0
        turned = int(deep > wide)
        piece = pieces.block(max(wide, deep), min(wide, deep))
        plan.append(Laid(piece, x0, y0, m.slab + level * m.block, turned, level))
    return plan


def _branch(
    on: tuple[int, int, int, int, int], random: np.random.Generator, reach: int, trunk: int
) -> tuple[int, tuple[int, int], tuple[int, int]] | None:
    """A block that lies on another by at least two studs and mostly sticks out; None when out of reach."""
    level, x0, x1, y0, y1 = on
    if level < 1 or level > trunk + 6:
        return None
    long, wide = ((6, 2), (4, 2), (3, 2), (2, 2), (4, 1), (3, 1))[int(random.integers(6))]
    along = int(random.integers(2))
    size = (long, wide) if along == 0 else (wide, long)
    low = (
        int(random.integers(x0 - size[0] + 1, x1)),
        int(random.integers(y0 - size[1] + 1, y1)),
    )
    high = (low[0] + size[0], low[1] + size[1])
    shared = (min(high[0], x1) - max(low[0], x0)) * (min(high[1], y1) - max(low[1], y0))
    if shared < 2 or max(-low[0], high[0], -low[1], high[1]) > reach:
        return None
    return level + 1, low, high


ROOM = 8  #: cells between two walls of a house
GRID = ROOM + 2
#: Houses laid out to find one that is hardly larger than asked for.
HOUSES_TRIED = 4


def house(parts: int, pieces: Pieces, random: np.random.Generator) -> Plan:
    """Rooms in a grid, storeys on beams, doors and windows, and a stepped roof over beams."""
    sizes = [
        (across, deep, storeys, courses)
        for across in range(1, 9)
        for deep in (across, across + 1)
        for storeys in range(1, 1 + across)
        for courses in range(5, 10)
    ]
    sizes.sort(key=lambda size: abs(_guess(*size) / parts - 1.1))
    best: Plan | None = None
    for tried, size in enumerate(sizes):
        if best is not None and tried >= HOUSES_TRIED:
            return best
        plan = _house(pieces, *size)
        if len(plan) >= parts and (best is None or len(plan) < len(best)):
            best = plan
    raise ValueError(f"house: none of {parts} parts")


def _guess(across: int, deep: int, storeys: int, courses: int) -> float:
    """About how many parts such a house has: counted before it is laid."""
    cells_of_wall = (across * GRID + 2) * (deep + 1) + deep * ROOM * (across + 1)
    beams = deep * (across * GRID + 2) / 2
    return storeys * (courses * cells_of_wall / 4.4 + beams) + 2 * (across * deep * GRID**2) / 8


def _house(pieces: Pieces, across: int, deep: int, storeys: int, courses: int) -> Plan:
    m = pieces.module.scaled
    long, wide = across * GRID + 2, deep * GRID + 2
    along_x = [Run(0, GRID * j) for j in range(deep + 1)]
    along_y = [Run(1, GRID * i) for i in range(across + 1)]
    plan: Plan = []
    z = 0.0
    for storey in range(storeys):
        for course in range(courses):
            colour = 2 * storey + course % 2
            for runs, rooms, length in ((along_x, across, long), (along_y, deep, wide)):
                whole = runs[0].along == course % 2
                for line, run in enumerate(runs):
                    holes = _doors(rooms, line in (0, len(runs) - 1), courses)
                    if whole:
                        solid = stretches(0, length, holes, course)
                    else:
                        solid = [
                            each
                            for room in range(rooms)
                            for each in stretches(GRID * room + 2, GRID * (room + 1), holes, course)
                        ]
                    lintels = [hole.lintel() for hole in holes if hole.last == course]
                    plan += run.lay(pieces, solid, lintels, z, colour)
            z += m.block
        plan += _beams(pieces, long, deep, z, 4 + storey)
        z += m.slab
    for layer in range(1, 4):
        low, high_x, high_y = 2 * layer, long - 2 * layer, wide - 2 * layer
        if min(high_x - low, high_y - low) < 2:
            break
        plan += _tiles(pieces, (low, high_x), (low, high_y), z, layer, smooth=layer == 3)
        z += m.slab
    return plan


def _doors(rooms: int, outer: bool, courses: int) -> list[Opening]:
    """A window in each outer wall of a room, a door in each inner one."""
    sill = 1 if outer else 0
    return [Opening(GRID * room + 4, GRID * room + 8, sill, courses - 2) for room in range(rooms)]


def _beams(pieces: Pieces, long: int, deep: int, z: float, colour: int) -> Iterator[Laid]:
    """Slabs two cells wide from wall to wall, side by side over the whole house."""
    edges = [0, *(GRID * j + 1 for j in range(1, deep)), deep * GRID + 2]
    for start, end in pairwise(edges):
        for column in range(0, long, 2):
            yield Laid(pieces.slab(end - start, 2), column, start, z, 1, colour)


def _tiles(
    pieces: Pieces, x: tuple[int, int], y: tuple[int, int], z: float, layer: int, *, smooth: bool
) -> Iterator[Laid]:
    """A closed layer of slabs two cells wide, along x and along y in turn, joints staggered."""
    along = (x, y)[(layer + 1) % 2]
    for row, across in enumerate(range((x, y)[layer % 2][0], (x, y)[layer % 2][1], 2)):
        stops = [*range(along[0] + (2 if row % 2 else 4), along[1], 4), along[1]]
        for start, end in zip([along[0], *stops[:-1]], stops, strict=True):
            piece = pieces.slab(end - start, 2, smooth=smooth)
            if layer % 2:
                yield Laid(piece, start, across, z, 0, layer)
            else:
                yield Laid(piece, across, start, z, 1, layer)


def arcade(parts: int, pieces: Pieces, random: np.random.Generator) -> Plan:
    """Arches on piers, a course of wall over them, and the same again on top while parts last."""
    m = pieces.module.scaled
    span, tall = 6, 3
    bays = max(2, round((parts / 6) ** 0.5))
    bridge = arch(span, 2, 2 * pieces.module.block, pieces.module)
    end, pier = pieces.block(2, 1), pieces.block(2, 2)
    long, plan, z = bays * span + 2, Plan(), 0.0
    course, storey = Run(0, 0), 0
    while len(plan) < parts:
        for level in range(tall):
            plan += [Laid(pier, span * k, 0, z + level * m.block, 0, storey) for k in range(bays + 1)]
        z += tall * m.block
        for level in range(2):
            plan += [Laid(end, x, 0, z + level * m.block, 1, storey) for x in (0, long - 1)]
        plan += [Laid(bridge, span * k + 1, 0, z, 0, storey + 1) for k in range(bays)]
        z += 2 * m.block
        course.joints = frozenset(span * k + 1 for k in range(bays + 1))
        for level in range(2):
            plan += course.lay(pieces, [(0, long)], (), z + level * m.block, storey + 2 + level)
        z += 2 * m.block
        storey += 1
    return plan


STRUCTURES: Mapping[str, Callable[[int, Pieces, np.random.Generator], Plan]] = {
    "wall": wall,
    "cube": cube,
    "tower": tower,
    "sculpture": sculpture,
    "house": house,
    "arcade": arcade,
}
