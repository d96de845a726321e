"""Many polylines in two arrays, and what is left of them outside cells of the pixel net."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

#: A vertex this near to a grid line (in shares of its segment) lies on it.
ON_GRID = 1e-9


@dataclass(frozen=True, eq=False)
class Lines:
    """Polylines: points (n, 2) column and row in pixels, where each line's points begin (k,), ascending from
    0, and per line its style, a small number (k,)."""

    points: Array
    starts: NDArray[np.intp]
    style: NDArray[np.int64]

    @classmethod
    def none(cls) -> Lines:
        return cls(np.zeros((0, 2)), np.zeros(0, np.intp), np.zeros(0, np.int64))

    def __len__(self) -> int:
        return len(self.starts)

    @cached_property
    def sizes(self) -> NDArray[np.intp]:
        """(k,) points of each line."""
        return np.diff(np.append(self.starts, len(self.points)))

    @cached_property
    def line(self) -> NDArray[np.intp]:
        """(n,) which line each point is on."""
        return np.repeat(np.arange(len(self.starts)), self.sizes)

    @cached_property
    def bounds(self) -> tuple[Array, Array]:
        """(k, 2) each: least and greatest column and row of each line."""
        if not len(self):
            return np.zeros((0, 2)), np.zeros((0, 2))
        return np.minimum.reduceat(self.points, self.starts), np.maximum.reduceat(self.points, self.starts)

    def only(self, chosen: NDArray[Any]) -> Lines:
        """Some of the lines: (k,) bool, or their numbers in the order wanted."""
        rows = np.flatnonzero(chosen) if chosen.dtype == bool else chosen
        sizes = self.sizes[rows]
        starts = np.cumsum(sizes) - sizes
        at = np.arange(int(sizes.sum())) + np.repeat(self.starts[rows] - starts, sizes)
        return Lines(self.points[at], starts, self.style[rows])

    def joined(self, other: Lines) -> Lines:
        return Lines(
            np.concatenate([self.points, other.points]),
            np.append(self.starts, other.starts + len(self.points)),
            np.append(self.style, other.style),
        )

    def moved(self, columns: float, rows: float) -> Lines:
        return Lines(self.points + np.array([columns, rows]), self.starts, self.style)

    def outside(self, cells: NDArray[np.bool_]) -> Lines:
        """What lies outside the cells (rows, columns) that are marked, each a unit square, the first with its
        upper left corner at 0, 0. Lines end where they come to one."""
        low, high = self.bounds
        size = np.array(cells.shape[::-1])
        near = np.asarray(((low <= size) & (high >= 0)).all(axis=1))
        return self.only(~near).joined(_cut(self.only(near), cells)) if near.any() else self


def _cut(lines: Lines, cells: NDArray[np.bool_]) -> Lines:
    """The lines without what is in marked cells."""
    points, line, vertex = _on_grid(lines)
    # pieces between one point and the next, none after the last of a line
    goes_on = np.append(line[1:] == line[:-1], False)
    middle = (points + np.roll(points, -1, axis=0)) / 2
    column, row = np.floor(middle).astype(np.int64).T
    inside = (row >= 0) & (row < cells.shape[0]) & (column >= 0) & (column < cells.shape[1])
    marked = np.zeros(len(points), dtype=bool)
    marked[inside] = cells[row[inside], column[inside]]
    after = goes_on & ~marked
    before = np.append(False, after[:-1])
    begins, ends = after & ~before, before & ~after
    kept = begins | ends | (after & before & vertex)
    starts = np.flatnonzero(begins[kept])
    return Lines(points[kept], starts, lines.style[line[begins]])


def _on_grid(lines: Lines) -> tuple[Array, NDArray[np.intp], NDArray[np.bool_]]:
    """The lines with a point more wherever they cross a grid line: points (m, 2), the line of each, and
    whether it was there before."""
    start = np.flatnonzero(lines.line[1:] == lines.line[:-1])  # of segments
    one, way = lines.points[start], lines.points[start + 1] - lines.points[start]
    segments, shares = [], []
    for axis in (0, 1):
        ends = np.sort(np.stack([one[:, axis], one[:, axis] + way[:, axis]]), axis=0)
        first, last = np.ceil(ends[0]).astype(np.int64), np.floor(ends[1]).astype(np.int64)
        count = np.maximum(last - first + 1, 0)
        of = np.repeat(np.arange(len(start)), count)
        at = np.arange(len(of)) - np.repeat(np.cumsum(count) - count, count) + first[of]
        along = way[of, axis]
        share = (at - one[of, axis]) / np.where(along == 0, 1.0, along)
        within = (share > ON_GRID) & (share < 1 - ON_GRID) & (along != 0)
        segments.append(of[within])
        shares.append(share[within])
    of, share = np.concatenate(segments), np.concatenate(shares)
    order = np.lexsort([share, of])
    of, share = of[order], share[order]
    crossed = one[of] + share[:, None] * way[of]
    # between the vertices, which come first of their segments
    place = np.concatenate([np.arange(len(lines.points), dtype=np.float64), start[of] + share])
    order = np.argsort(place, kind="stable")
    points = np.concatenate([lines.points, crossed])[order]
    line = np.concatenate([lines.line, lines.line[start[of]]])[order]
    return points, line, order < len(lines.points)
