"""Values that differ by rounding alone are one value: a file's numbers must not break a tie."""

from __future__ import annotations

import numpy as np

from steps.model import Array, IntArray

#: Entries of unit vectors nearer than this are one: fits to 32-bit meshes are off by a tenth of it.
SAME_SHARE = 1e-4


def ranks(values: Array, apart: float) -> IntArray:
    """(n,) the rank of each value; such as follow each other by ``apart`` or less share one.

    Unlike rounding, which parts even the nearest values where they lie about half a step.
    """
    order = np.argsort(values, kind="stable")
    rank = np.empty(len(order), dtype=np.int64)
    rank[order] = np.cumsum(np.r_[0, np.diff(values[order]) > apart])[: len(order)]
    return rank


def nearest(values: Array, step: float, apart: float) -> IntArray:
    """How many whole steps each value comes to; what lies within ``apart`` of half a step goes up, so that
    values on a grid do, whichever way rounding has moved them."""
    return np.floor((values + apart) / step + 0.5).astype(np.int64)


def merged(values: Array, apart: float) -> Array:
    """(n,) each value as the least of those that share its rank."""
    rank = ranks(values, apart)
    least = np.full(len(values), np.inf)
    np.minimum.at(least, rank, values)
    return np.asarray(least[rank])


def rows_in_order(table: Array, apart: float) -> IntArray:
    """Rows of a table (n, k) in the order of its columns, the first before the rest, by :func:`ranks`."""
    if not len(table):
        return np.zeros(0, dtype=np.int64)
    return np.lexsort([ranks(column, apart) for column in table.T[::-1]])


def least_axis(directions: Array) -> IntArray:
    """(...) the coordinate axis along which each unit vector (..., 3) goes least; the first of several."""
    along = np.abs(directions)
    return np.asarray(np.argmax(along <= along.min(axis=-1, keepdims=True) + SAME_SHARE, axis=-1))


def comes_first(one: Array | IntArray, other: Array | IntArray, apart: float) -> bool:
    """Whether the first value of a list that differs from the other's, by more than ``apart``, is less."""
    away = one.reshape(-1) - other.reshape(-1)
    differs = np.flatnonzero(np.abs(away) > apart)
    return bool(len(differs)) and bool(away[differs[0]] < 0)
