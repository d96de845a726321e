"""Where a picture is drawn anew when items are added: in the cells that they touch, and there alone.

A *cell* lies between the samples of four pixels; what lines there are in it follows from these four.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from renderer.table import Item, PixelTable


@dataclass(frozen=True, eq=False)
class Anew:
    """A window of a table, ``row`` and ``column`` its first pixel, and what of it is drawn anew."""

    row: int
    column: int
    table: PixelTable  #: of the window
    shown: NDArray[np.bool_]  #: (rows, columns) pixels that show the items

    @cached_property
    def cells(self) -> NDArray[np.bool_]:
        """(rows - 1, columns - 1) whether any of the cell's four pixels shows the items."""
        either = self.shown[:-1] | self.shown[1:]
        return np.asarray(either[:, :-1] | either[:, 1:])

    def borders(self, down: bool) -> NDArray[np.bool_]:
        """Whether a pixel and its neighbour to the right (rows, columns - 1), or below (rows - 1, columns),
        are a side of such a cell."""
        side = ((0, 0), (1, 1)) if down else ((1, 1), (0, 0))
        wide = np.pad(self.cells, side)
        return np.asarray(wide[:, :-1] | wide[:, 1:] if down else wide[:-1] | wide[1:])

    @cached_property
    def keys(self) -> NDArray[np.intp]:
        """(k,) of the items that show at any corner of such a cell, ascending."""
        near = np.zeros(self.shown.shape, dtype=bool)
        near[:-1] |= self.borders(True)
        near[1:] |= self.borders(True)
        return np.flatnonzero(np.bincount(self.table.key[near | self.shown] + 1)[1:])


def anew(table: PixelTable, items: Sequence[Item]) -> Anew | None:
    """What items add to the picture of a table that shows them; None for nothing."""
    first, last = _bounds(table, items)
    if (first >= last).any():
        return None
    greatest = max(int(table.key.max()), *(item.key for item in items))
    own = np.zeros(greatest + 2, dtype=bool)  # the last one stands for nothing
    own[[item.key for item in items]] = True
    shown = own[table.key[first[0] : last[0], first[1] : last[1]]]
    rows, columns = np.flatnonzero(shown.any(axis=1)), np.flatnonzero(shown.any(axis=0))
    if not len(rows):
        return None
    # a pixel more on each side, where there is one: lines run between a pixel and its neighbour
    low = np.maximum(first + np.array([rows[0], columns[0]]) - 1, 0)
    high = np.minimum(first + np.array([rows[-1], columns[-1]]) + 2, table.key.shape)
    part = table.window(int(low[0]), int(low[1]), *(high - low).tolist())
    return Anew(int(low[0]), int(low[1]), part, own[part.key])


def _bounds(table: PixelTable, items: Sequence[Item]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """First and last (excluded) row and column that the items may show in."""
    points = [item.outer for item in items if len(item.outer)]
    if not points:
        return np.zeros(2, np.int64), np.zeros(2, np.int64)
    seen = table.camera.project(np.concatenate(points))[:, 1::-1]
    first = np.maximum(np.floor(seen.min(axis=0)).astype(np.int64) - 1, 0)
    return first, np.minimum(np.ceil(seen.max(axis=0)).astype(np.int64) + 1, table.key.shape)
