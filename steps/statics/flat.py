"""Points seen along a direction."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike

from steps.model import Array, IntArray, frozen_array, frozen_indices
from steps.ties import least_axis


def unit(vector: ArrayLike) -> Array:
    """The vector at length 1."""
    array = np.asarray(vector, dtype=float)
    return array / np.linalg.norm(array)


def axes_across(up: ArrayLike) -> Array:
    """(3, 2) two unit vectors across ``up``, right-handed with it, along coordinate axes where it is one."""
    return _axes_across(np.asarray(up, dtype=float).tobytes())


@lru_cache(maxsize=1024)
def _axes_across(up: bytes) -> Array:
    direction = unit(np.frombuffer(up))
    helper = np.zeros(3)
    helper[least_axis(direction)] = 1.0
    first = helper - (helper @ direction) * direction
    first /= np.linalg.norm(first)
    x, y, z = direction
    second = np.array([y * first[2] - z * first[1], z * first[0] - x * first[2], x * first[1] - y * first[0]])
    return frozen_array(np.stack([first, second], axis=1), (3, 2))


def flat(points: Array, up: ArrayLike) -> Array:
    """(k, 2) coordinates of the points (k, 3) seen along ``up``."""
    return points @ axes_across(up)


def extreme_points(points: Array, directions: int) -> IntArray:
    """Rows of the points (k, 2) farthest in equally spaced directions, in turning order, without repeats.

    The first direction is between two axes, so that the corners of a rectangle are found exactly.
    """
    angles = 2 * np.pi * (np.arange(directions) + 0.5) / directions
    reach = points @ np.stack([np.cos(angles), np.sin(angles)])
    best = np.argmax(reach.round(6), axis=0)
    chosen = best[best != np.roll(best, 1)]
    return frozen_indices(chosen if len(chosen) else best[:1], (None,))
