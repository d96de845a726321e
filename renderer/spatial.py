"""Neighbours and hulls by scipy, which takes half a second to load: it is loaded when it is first asked."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from scipy.spatial import ConvexHull, cKDTree


def tree(points: NDArray[np.float64]) -> cKDTree:
    """Points (n, k), to be asked which are near."""
    from scipy.spatial import cKDTree

    return cKDTree(points)


def hull(points: NDArray[np.float64]) -> ConvexHull | None:
    """The convex hull of points (n, k); None where they are too few, or flat."""
    from scipy.spatial import ConvexHull, QhullError

    try:
        return ConvexHull(points)
    except (QhullError, ValueError):
        return None


def depth_within(mask: NDArray[np.bool_]) -> NDArray[np.float64]:
    """(rows, columns) how far each pixel of a mask is from the nearest that is none of it, pixels."""
    from scipy.ndimage import distance_transform_edt

    depth = np.zeros(mask.shape)
    rows, columns = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    if not len(rows):
        return depth
    # what lies round the mask is the nearest: nothing beyond has to be looked at
    near = np.s_[max(0, rows[0] - 1) : rows[-1] + 2, max(0, columns[0] - 1) : columns[-1] + 2]
    depth[near] = distance_transform_edt(mask[near])
    return depth
