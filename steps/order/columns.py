"""The nearest blocker along a direction, kept as parts come off.

Seen along a direction, the parts fall into columns (square cells one pitch wide). Each column keeps
its parts sorted by how far along they lie, and skips the ones that are gone. What blocks a part is
then found by walking its own columns outwards, and the walk ends at the first hit: a tall column of
n parts costs n look-ups in all, not n squared.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Sequence

import numpy as np

from steps.motion import Motion

#: Boxes are shrunk by this share of the pitch before they are cut into cells, so that a part whose
#: side lies on a cell's border does not count as being in the next column.
SHRINK_SHARE = 0.02


class Columns:
    """Parts ``members`` (rows) seen along ``direction``; all are present at first."""

    def __init__(self, motion: Motion, direction: int, members: Sequence[int]):
        self.motion = motion
        self.direction = direction
        half = motion.half(direction)
        boxes = half.boxes
        sign = -1.0 if direction & 1 else 1.0
        middle = sign * boxes[:, :, 2].mean(axis=1)
        near = sign * boxes[:, :, 2]
        self._middle = middle.tolist()
        self._least = near.min(axis=1).tolist()
        self._most = near.max(axis=1).tolist()
        shrink = SHRINK_SHARE * motion.length_mm
        self._low = np.floor((boxes[:, 0, :2] + shrink) / motion.length_mm).astype(int).tolist()
        self._high = np.floor((boxes[:, 1, :2] - shrink) / motion.length_mm).astype(int).tolist()
        self.alive = dict.fromkeys(members, True)
        rows = np.asarray(members, dtype=int)
        self._half_height = float(np.ptp(near[rows], axis=1).max() / 2) if len(rows) else 0.0
        self._columns: dict[tuple[int, int], _Column] = {}
        for part in rows[np.lexsort((rows, middle[rows]))].tolist() if len(rows) else []:
            for cell in self._cells(part):
                self._columns.setdefault(cell, _Column()).append(self._middle[part], part)

    def remove(self, part: int) -> None:
        """The part is gone from its columns."""
        self.alive.pop(part, None)

    def ahead(self, part: int, friends: frozenset[int] = frozenset()) -> int:
        """The nearest present part, not in ``friends``, that ``part`` hits when it moves along; else -1."""
        return next(self._met(part, 1, friends), -1)

    def behind(self, part: int, friends: frozenset[int] = frozenset()) -> int:
        """The nearest present part, not in ``friends``, that hits ``part`` when it moves along; else -1."""
        return next(self.each_behind(part, friends), -1)

    def each_behind(self, part: int, friends: frozenset[int] = frozenset()) -> Iterator[int]:
        """Every present part that hits ``part`` when it moves along, looked for as they are asked for."""
        return self._met(part, -1, friends)

    def all_ahead(self, part: int, friends: frozenset[int] = frozenset()) -> list[int]:
        """Every present part that ``part`` hits when it moves along, in row order."""
        return sorted(self._met(part, 1, friends))

    def all_behind(self, part: int, friends: frozenset[int] = frozenset()) -> list[int]:
        """Every present part that hits ``part`` when it moves along, in row order."""
        return sorted(self._met(part, -1, friends))

    def _met(self, part: int, way: int, friends: frozenset[int]) -> Iterator[int]:
        """Present parts, not in ``friends``, that the part hits ahead (``way`` 1), or that hit it."""
        tried = {part}
        for other in self._walk(part, way):
            if other in tried or other in friends:
                continue
            tried.add(other)
            mover, met = (part, other) if way > 0 else (other, part)
            if self.motion.blocks(mover, met, self.direction):
                yield other

    def _cells(self, part: int) -> Iterator[tuple[int, int]]:
        low, high = self._low[part], self._high[part]
        for i in range(low[0], max(high[0], low[0]) + 1):
            for j in range(low[1], max(high[1], low[1]) + 1):
                yield i, j

    def _walk(self, part: int, way: int) -> Iterator[int]:
        """Present parts in the part's columns whose extent along the direction could matter."""
        along = self.motion.along_mm
        for cell in self._cells(part):
            column = self._columns.get(cell)
            if column is None:
                continue
            if way > 0:
                start = column.place(self._least[part] + along - self._half_height)
                for other in column.upwards(start, self.alive):
                    if self._most[other] > self._least[part] + along:
                        yield other
            else:
                start = column.place(self._most[part] - along + self._half_height) - 1
                for other in column.downwards(start, self.alive):
                    if self._least[other] < self._most[part] - along:
                        yield other


class _Column:
    """Parts of one column by their middles, with the ones that are gone skipped in nearly constant time."""

    def __init__(self) -> None:
        self.middles: list[float] = []
        self.parts: list[int] = []
        self._up: list[int] = []
        self._down: list[int] = []

    def append(self, middle: float, part: int) -> None:
        self.middles.append(middle)
        self.parts.append(part)
        self._up.append(len(self._up))
        self._down.append(len(self._down))

    def place(self, middle: float) -> int:
        return bisect_right(self.middles, middle)

    def upwards(self, start: int, alive: dict[int, bool]) -> Iterator[int]:
        place = self._next(self._up, start, 1, alive)
        while place < len(self.parts):
            yield self.parts[place]
            place = self._next(self._up, place + 1, 1, alive)

    def downwards(self, start: int, alive: dict[int, bool]) -> Iterator[int]:
        place = self._next(self._down, start, -1, alive)
        while place >= 0:
            yield self.parts[place]
            place = self._next(self._down, place - 1, -1, alive)

    def _next(self, jump: list[int], place: int, way: int, alive: dict[int, bool]) -> int:
        """First present place from ``place`` on; the places passed remember it."""
        passed = []
        while 0 <= place < len(jump):
            if jump[place] != place:
                passed.append(place)
                place = jump[place]
            elif self.parts[place] not in alive:
                passed.append(place)
                place += way
            else:
                break
        for earlier in passed:
            jump[earlier] = place
        return place
