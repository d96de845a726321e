"""Triangle areas, and the colour that covers most of a mesh."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

Key = TypeVar("Key")


def triangle_areas(vertices: NDArray, faces: NDArray) -> NDArray[np.float64]:
    """(m,) areas in the square of the vertices' unit."""
    a, b, c = (np.asarray(vertices, dtype=np.float64)[faces[:, corner]] for corner in range(3))
    with np.errstate(invalid="ignore", over="ignore"):  # infinite corners are told by the checks
        return np.linalg.norm(np.cross(b - a, c - a), axis=1) / 2


def majority(keys: Iterable[Key], areas: Iterable[float]) -> Key:
    """The key with the most area in all; on a tie the one that comes first."""
    total: dict[Key, float] = {}
    for key, area in zip(keys, areas, strict=True):
        total[key] = total.get(key, 0.0) + float(area)
    return max(total, key=lambda key: total[key])
