"""Where a picture has to be drawn anew: the next step changes a small part of it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import label

from renderer.table import PixelTable

#: First row, first column, rows and columns, in pixels.
Window = tuple[int, int, int, int]

#: Side of the cells in which changes are gathered (pixels): nearer ones share a window.
CELL = 32
#: Room round what has changed (pixels): lines run between a pixel and its neighbour, and a window's lines
#: end at the samples of its outermost pixels.
ROOM = 3
#: Windows that make up this share of the one round them all are not worth keeping apart.
TOGETHER = 0.75


def changes(before: PixelTable, after: PixelTable) -> NDArray[np.bool_]:
    """(rows, columns) where two tables of one camera show different surfaces."""
    return (before.key != after.key) | (before.face != after.face)


def windows_of(changed: NDArray[np.bool_], parts: bool = True) -> list[Window]:
    """Windows that hold all that has changed, room to spare; one for all where not in ``parts``."""
    at = np.flatnonzero(changed)
    if not len(at):
        return []
    row, column = np.divmod(at, changed.shape[1])
    whole = _window(row.min(), column.min(), row.max(), column.max(), changed.shape)
    if not parts:
        return [whole]
    rows, columns = (np.array(changed.shape) - 1) // CELL + 1
    coarse = np.zeros((rows, columns), dtype=bool)
    coarse[row // CELL, column // CELL] = True
    number, _ = label(coarse, np.ones((3, 3)))
    found = []
    of = number[row // CELL, column // CELL]
    for piece in range(1, int(of.max()) + 1):
        own = of == piece
        found.append(
            _window(row[own].min(), column[own].min(), row[own].max(), column[own].max(), changed.shape)
        )
    if sum(_area(one) for one in found) > TOGETHER * _area(whole):
        return [whole]
    return found


def _window(top: int, left: int, low: int, right: int, shape: tuple[int, ...]) -> Window:
    """From the first to the last row and column, with room, inside the picture."""
    row, column = max(0, int(top) - ROOM), max(0, int(left) - ROOM)
    return (
        row,
        column,
        min(shape[0], int(low) + ROOM + 1) - row,
        min(shape[1], int(right) + ROOM + 1) - column,
    )


def _area(window: Window) -> int:
    return window[2] * window[3]
