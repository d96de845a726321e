"""A sea wall of any size with buttresses and repeated towers, whose joints are known by construction.

The wall is two cells thick, laid in running bond in bays of 16 cells. Each bay has a buttress on
the sea side, tied in by a wide block in every second course; every second bay carries a tower of
11 parts. Coping stones on the wall's free studs make up the exact number of parts.
"""

from __future__ import annotations

from collections.abc import Iterator
from math import isqrt

from demo_model.lattice import Builder, Piece, block_piece
from demo_model.scene import DemoModel
from demo_model.solids import Module

FEWEST, MOST = 50, 20_000
BAY = 16  # cells
BUTTRESS = 6  # first cell of the buttress within its bay; it is four cells wide and two deep
TOWER_PARTS = 11
TOWER_COURSES = 4

GRANITE, SANDSTONE, SLATE, CHALK, RUST, AMBER = (
    "#8d9297",
    "#c9b48a",
    "#5f6b75",
    "#ece9df",
    "#b5472f",
    "#e8a628",
)


def sea_wall(parts: int = 1000, module: Module | None = None, courses: int | None = None) -> DemoModel:
    """A wall of exactly ``parts`` parts (50 to 20,000) in 6 shapes.

    ``courses`` is odd and at least 3; by default it grows with the square root of the size, so that
    20,000 parts stay under 20 m at 1x. Raises ValueError when no wall of that size can be laid.
    """
    if not FEWEST <= parts <= MOST:
        raise ValueError(f"parts: {parts} is outside {FEWEST} to {MOST}")
    courses = max(3, 2 * (isqrt(parts) // 6) + 1) if courses is None else courses
    if courses < 3 or courses % 2 == 0:
        raise ValueError(f"courses: {courses} must be odd and at least 3")
    bays = _bays(parts, courses)
    wall = _Wall(module or Module(), courses, bays, f"Sea wall of {parts} parts")
    wall.lay()
    wall.cope(parts - len(wall.build.placed))
    return wall.build.model()


def _bays(parts: int, courses: int) -> int:
    """The most bays that ``parts`` allow.

    A course takes 4 blocks a bay, and the odd courses one more for the half blocks at their ends; a
    buttress adds one block in each even course.
    """
    bays = 0
    while _count(bays + 1, courses) <= parts:
        bays += 1
    if bays == 0:
        raise ValueError(f"courses: {courses} are too many for {parts} parts")
    return bays


def _count(bays: int, courses: int) -> int:
    odd, even = courses // 2, courses // 2 + 1
    return bays * (4 * courses + even) + odd + TOWER_PARTS * ((bays + 1) // 2)


class _Wall:
    """One wall in the making."""

    def __init__(self, module: Module, courses: int, bays: int, name: str) -> None:
        self.build = Builder(name, module)
        self.courses, self.bays = courses, bays
        self.stretcher = block_piece(4, 2, module)
        self.closer = block_piece(2, 2, module)
        self.tie = block_piece(4, 4, module)
        self.deck = block_piece(4, 4, module, slabs=1)
        self.cap = block_piece(2, 2, module, slabs=1, smooth=True)
        self.coping = block_piece(1, 2, module, slabs=1, smooth=True)

    def lay(self) -> None:
        """Wall and buttresses course by course, then the towers."""
        for course in range(self.courses):
            for number, (column, row, piece) in enumerate(self._course(course), 1):
                colour = SLATE if row < 0 else (GRANITE, SANDSTONE)[course % 2]
                self.build.add(f"course {course + 1} stone {number}", piece, colour, column, row, 2 * course)
        for bay in range(0, self.bays, 2):
            self._tower(bay)

    def cope(self, count: int) -> None:
        """Exactly ``count`` coping stones on the wall's free studs, from the left."""
        free = [column for column in range(self.bays * BAY) if not self._under_tower(column)]
        if count > len(free):
            raise ValueError(f"courses: {self.courses} leave {count} stones for {len(free)} places")
        for number, column in enumerate(free[:count], 1):
            self.build.add(f"coping {number}", self.coping, CHALK, column, 0, 2 * self.courses)

    def _course(self, course: int) -> Iterator[tuple[int, int, Piece]]:
        """(column, row, piece) from left to right."""
        end = self.bays * BAY
        if course % 2 == 0:
            for column in range(0, end, 4):
                yield column, 0, self.stretcher
                if column % BAY == BUTTRESS - 2:
                    yield column + 2, -2, self.stretcher
            return
        yield 0, 0, self.closer
        for column in range(2, end - 2, 4):
            if column % BAY == BUTTRESS:
                yield column, -2, self.tie
            else:
                yield column, 0, self.stretcher
        yield end - 2, 0, self.closer

    def _under_tower(self, column: int) -> bool:
        bay, cell = divmod(column, BAY)
        return bay % 2 == 0 and 0 <= cell - BUTTRESS < 4

    def _tower(self, bay: int) -> None:
        """Four crossed courses of two blocks on wall and buttress, a deck, a lamp and its cap."""
        add, name = self.build.add, f"tower {bay // 2 + 1}"
        column, row, level = bay * BAY + BUTTRESS, -2, 2 * self.courses
        for course in range(TOWER_COURSES):
            colour = (CHALK, RUST)[course % 2]
            for half in (0, 2):
                x, y = (0, half) if course % 2 else (half, 0)
                label = f"{name} course {course + 1} {'right' if half else 'left'}"
                add(label, self.stretcher, colour, column + x, row + y, level, quarters=(course + 1) % 2)
            level += 2
        add(f"{name} deck", self.deck, SLATE, column, row, level)
        add(f"{name} lamp", self.closer, AMBER, column + 1, row + 1, level + 1)
        add(f"{name} cap", self.cap, RUST, column + 1, row + 1, level + 3)
