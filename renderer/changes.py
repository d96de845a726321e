"""Where a picture has to be drawn anew: the next step changes a small part of it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import find_objects, label

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
    coarse = _coarse(changed)
    if not coarse.any():
        return []
    whole = _window(changed, np.s_[: changed.shape[0], : changed.shape[1]])
    if not parts:
        return [whole]
    number, _ = label(coarse, np.ones((3, 3)))
    pieces = [
        np.s_[rows.start * CELL : rows.stop * CELL, columns.start * CELL : columns.stop * CELL]
        for rows, columns in find_objects(number)
    ]
    found = [_window(changed, piece) for piece in pieces]
    return [whole] if sum(_area(one) for one in found) > TOGETHER * _area(whole) else found


def _coarse(changed: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Whether anything has changed in each cell; the last ones may be cut by the picture's edge."""
    rows = np.logical_or.reduceat(changed, np.arange(0, changed.shape[0], CELL), axis=0)
    return np.asarray(np.logical_or.reduceat(rows, np.arange(0, changed.shape[1], CELL), axis=1))


def _window(changed: NDArray[np.bool_], piece: tuple[slice, slice]) -> Window:
    """Round what has changed in a piece of the picture, with room, inside the picture."""
    part = changed[piece]
    rows, columns = np.flatnonzero(part.any(axis=1)), np.flatnonzero(part.any(axis=0))
    top, left = int(piece[0].start or 0), int(piece[1].start or 0)
    row, column = max(0, top + int(rows[0]) - ROOM), max(0, left + int(columns[0]) - ROOM)
    low = min(changed.shape[0], top + int(rows[-1]) + ROOM + 1)
    right = min(changed.shape[1], left + int(columns[-1]) + ROOM + 1)
    return row, column, low - row, right - column


def _area(window: Window) -> int:
    return window[2] * window[3]
