"""Which units face each other across the middle of an assembly: they go in together."""

from __future__ import annotations

from collections import Counter

import numpy as np

from steps.model import Array, IntArray
from steps.order.site import SAME_SHARE, Site
from steps.progress import ticking
from steps.ties import nearest

#: Two places are mirror images within this, in pitches.
SAME_PLACE = 0.1
#: Mates lie within so many pitches of each other, or nobody sees that they belong together.
MATE_REACH = 8.0
#: An assembly is symmetric when at least this share of its units has a mate or lies in the middle,
LEAST_ALIKE = 0.6
#: and at least this share has a mate.
LEAST_PAIRED = 0.2


def mates_of(site: Site) -> IntArray:
    """(units,) for each unit the one that faces it across the assembly's middle plane, or -1.

    The plane stands upright, across one of the two level axes; the one that pairs more units is taken.
    """
    count = len(site.units)
    best = np.full(count, -1)
    if count < 2:
        return best
    low, high = _boxes(site)
    looks = _looks(site, high - low)
    for axis in (0, 1):
        found = _across(axis, (low + high) / 2, looks)
        if (found >= 0).sum() > (best >= 0).sum():
            best = found
    return best


def _boxes(site: Site) -> tuple[Array, Array]:
    """(units, 3) corners of each unit's box, in pitches: across, across, along up or down."""
    boxes = site.motion.half(site.motion.direction_index(site.up)).boxes / site.motion.length_mm
    low = np.array([boxes[list(unit.parts), 0].min(axis=0) for unit in ticking(site.units)])
    high = np.array([boxes[list(unit.parts), 1].max(axis=0) for unit in ticking(site.units)])
    return low, high


def _looks(site: Site, sizes: Array) -> list[tuple[object, ...]]:
    """What mates share: size and colour; mirrored shapes are different shapes."""
    looks: list[tuple[object, ...]] = []
    for unit, size in zip(site.units, nearest(sizes, SAME_PLACE, SAME_SHARE).tolist(), strict=True):
        colours = Counter(site.model.parts[part].colour for part in unit.parts)
        looks.append((*size, *sorted(colours.items())))
    return looks


def _across(axis: int, centres: Array, looks: list[tuple[object, ...]]) -> IntArray:
    """Mates across the plane that suits most units; all -1 where too few have one."""
    steps = nearest(centres, SAME_PLACE, SAME_SHARE)
    rows: dict[tuple[object, ...], dict[int, int]] = {}
    for unit, (look, at) in enumerate(zip(looks, steps.tolist(), strict=True)):
        key = (look, *(at[k] for k in range(3) if k != axis))
        rows.setdefault(key, {})[at[axis]] = unit
    votes: Counter[int] = Counter()
    for row in rows.values():
        votes[min(row) + max(row)] += len(row)
    twice = min(votes, key=lambda place: (-votes[place], place))
    found = np.full(len(looks), -1)
    middle = 0
    for row in rows.values():
        for at, unit in row.items():
            other = next((row[twice - at + off] for off in (0, -1, 1) if twice - at + off in row), -1)
            if other == unit:
                middle += 1
            elif other >= 0 and abs(twice - 2 * at) * SAME_PLACE <= MATE_REACH:
                found[unit] = other
    paired = int((found >= 0).sum())
    enough = paired >= LEAST_PAIRED * len(looks) and paired + middle >= LEAST_ALIKE * len(looks)
    return found if enough else np.full(len(looks), -1)
