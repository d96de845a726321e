"""One frame for as many steps in a row as it serves: the model stays where it is from page to page."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from steps.model import Array

#: A step keeps the frame of its neighbours while its own picture would be at most this much larger.
SERVES_SHARE = 0.8


def shared_frames(boxes: Sequence[Array], ratio: float) -> tuple[Array, ...]:
    """For each step's box (2, 2) (least and greatest right and up, mm) the box to frame: grown to hold
    its neighbours in a run as long as every picture of the run stays near its own largest size.

    ``ratio``: width of the drawing field over its height.
    """
    frames: list[Array] = []
    started, union, least = 0, np.zeros((2, 2)), np.inf
    for at, box in enumerate(boxes):
        wider = _union(union, box) if at > started else box
        fewest = min(least, _need(box, ratio)) if at > started else _need(box, ratio)
        if at > started and fewest < SERVES_SHARE * _need(wider, ratio):
            frames.extend([union] * (at - started))
            started, wider, fewest = at, box, _need(box, ratio)
        union, least = wider, fewest
    frames.extend([union] * (len(boxes) - started))
    return tuple(frames)


def _union(one: Array, two: Array) -> Array:
    return np.array([np.minimum(one[0], two[0]), np.maximum(one[1], two[1])])


def _need(box: Array, ratio: float) -> float:
    """How wide a field the box needs."""
    width, height = box[1] - box[0]
    return max(float(width), float(height) * ratio, 1e-9)
