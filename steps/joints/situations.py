"""Pairs of parts that could touch, and the distinct situations among them.

Two blocks that sit the same way on each other are one situation however often the model repeats
it: everything about a pair is measured once per (shape, shape, relative pose).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from steps.limits import LIMITS, Limits, refuse_more
from steps.model import Array, IntArray, Model
from steps.progress import ticking

#: Relative poses that agree to this share of the unit length are one situation.
POSE_SHARE = 2e-4
#: Rotation entries that agree to this are alike: over a block 10 units long, 0.002 units.
ROTATION_STEP = 2e-4
#: What is the same of all pairs of one situation, its bytes in the order of the numbers: the high ones first,
#: and no signs, zero being the middle. And pairs of which it is found at once: 50 MB.
KEY = np.dtype([("shapes", ">u4", 2), ("turn", ">u2", 9), ("place", ">u8", 3)])
TURN_ZERO, PLACE_ZERO = 1 << 15, 1 << 62
KEYED_AT_ONCE = 100_000
#: Decimals of a relative pose (mm, and entries of its rotation): finer than any file's numbers mean.
TOLD_DIGITS = 9
#: Cells of the grid, in median part sizes: small enough for few pairs a cell, large enough for few cells.
CELL_SHARE = 1.0
#: A box over more cells than this is not entered in them: a thousandfold one would be in a thousand million.
MOST_CELLS = 512


@dataclass(frozen=True, eq=False)
class Situations:
    """Candidate pairs (k, 2) of part rows, first row smaller, sorted, and the situation of each (k,)."""

    pairs: IntArray
    situation: IntArray


def situations(model: Model, unit: float, reach: float, limits: Limits = LIMITS) -> Situations:
    """Pairs whose boxes come within ``reach`` mm, grouped by how the two shapes lie to each other.

    Raises BeyondLimit where so many parts lie at one place that no model can be meant.
    """

    def within_limits(many: int) -> None:
        told = f"{model.file}: so many parts stand in each other that {many:,} pairs would be looked at"
        refuse_more(told, many, "pairs", limits)

    pairs = near_pairs(model.part_bounds, reach, within_limits)
    if not len(pairs):
        none = np.zeros(0, dtype=np.int64)
        return Situations(pairs, none)
    keys = np.empty(len(pairs), dtype=KEY)
    for some in ticking(np.array_split(np.arange(len(pairs)), 1 + len(pairs) // KEYED_AT_ONCE)):
        own = pairs[some]
        relative = relative_poses(model.poses[own[:, 0]], model.poses[own[:, 1]])
        keys["shapes"][some] = model.shape_index[own]
        # A step off zero, so that the usual round distances do not fall on the border between two cells.
        keys["turn"][some] = np.floor(relative[:, :3, :3].reshape(-1, 9) / ROTATION_STEP + 0.37) + TURN_ZERO
        place = np.floor(relative[:, :3, 3] / (POSE_SHARE * unit) + 0.37)
        keys["place"][some] = place.astype(np.int64) + PLACE_ZERO
    different, group = np.unique(keys.view(f"V{KEY.itemsize}"), return_inverse=True)
    told = f"{model.file}: parts lie near each other in {len(different):,} different ways"
    refuse_more(told, len(different), "ways", limits)
    return Situations(pairs, group.ravel().astype(np.int64))


def relative_pose(model: Model, pair: IntArray) -> Array:
    """(4, 4) pose of a pair's second part in the coordinates of its first, without the digits that hang on
    where in the model the two stand."""
    pose = relative_poses(model.poses[pair[:1]], model.poses[pair[1:]])[0]
    return np.asarray(np.round(pose, TOLD_DIGITS) + 0.0)


def relative_poses(first: Array, second: Array) -> Array:
    """(k, 4, 4) poses of the second in the coordinates of the first; both rigid."""
    back = np.swapaxes(first[:, :3, :3], 1, 2)
    result = np.zeros_like(first)
    result[:, :3, :3] = back @ second[:, :3, :3]
    result[:, :3, 3] = np.einsum("kij,kj->ki", back, second[:, :3, 3] - first[:, :3, 3])
    result[:, 3, 3] = 1
    return result


def near_pairs(boxes: Array, reach: float, counted: Callable[[int], object] = int) -> IntArray:
    """(k, 2) rows of axis-aligned boxes (n, 2, 3) that come within ``reach``, sorted, first row smaller.
    ``counted`` is asked about the number of pairs to look at before they are.

    Each box is entered in every cell of a grid that it covers, but for the few that are far larger than most,
    which are held against all.
    """
    low, high = boxes[:, 0] - reach / 2, boxes[:, 1] + reach / 2
    cell = np.maximum(np.median(high - low, axis=0) * CELL_SHARE, 1e-9)
    wide = np.prod((high - low) / cell, axis=1) > MOST_CELLS
    rows = np.flatnonzero(~wide)
    found = [rows[_pairs_in_cells(low[rows], high[rows], cell, counted)]]
    for row in ticking(np.flatnonzero(wide).tolist()):
        meets = np.all((low <= high[row]) & (low[row] <= high), axis=1)
        meets[wide] &= np.flatnonzero(wide) > row
        other = np.flatnonzero(meets)
        found.append(np.column_stack([np.minimum(row, other), np.maximum(row, other)]))
    pairs = np.concatenate(found)
    return pairs[np.lexsort((pairs[:, 1], pairs[:, 0]))]


def _pairs_in_cells(low: Array, high: Array, cell: Array, counted: Callable[[int], object]) -> IntArray:
    """(k, 2) rows of boxes that meet, first row smaller: pairs are taken within cells, and kept in the one
    cell that holds the least corner of their common box."""
    if not len(low):
        return np.zeros((0, 2), dtype=np.int64)
    origin = low.min(axis=0)
    first, last = (np.floor((x - origin) / cell).astype(np.int64) for x in (low, high))
    counts = last - first + 1
    owner = np.repeat(np.arange(len(low)), counts.prod(axis=1))
    place = _places(first, counts)
    order = np.lexsort((owner, place[:, 2], place[:, 1], place[:, 0]))
    owner, place = owner[order], place[order]
    starts = np.flatnonzero(np.append(True, np.any(place[1:] != place[:-1], axis=1)))
    sizes = np.diff(np.append(starts, len(owner)))
    counted(int((sizes * (sizes - 1)).sum()) // 2)
    left, right = _within_runs(starts, sizes)
    a, b = owner[left], owner[right]
    meet = np.all((low[a] <= high[b]) & (low[b] <= high[a]), axis=1)
    a, b, at = a[meet], b[meet], place[left[meet]]
    own = np.all(np.maximum(first[a], first[b]) == at, axis=1)
    return np.column_stack([a[own], b[own]])


def _places(first: IntArray, counts: IntArray) -> IntArray:
    """Every cell of every box, box by box."""
    total = counts.prod(axis=1)
    owner = np.repeat(np.arange(len(first)), total)
    step = np.arange(total.sum()) - np.repeat(np.cumsum(total) - total, total)
    nx, ny = counts[owner, 0], counts[owner, 1]
    offset = np.column_stack([step % nx, step // nx % ny, step // (nx * ny)])
    return first[owner] + offset


def _within_runs(starts: IntArray, sizes: IntArray) -> tuple[IntArray, IntArray]:
    """All pairs (i, j), i before j, within each run."""
    later = (
        np.repeat(sizes, sizes) - 1 - (np.arange(sizes.sum()) - np.repeat(np.cumsum(sizes) - sizes, sizes))
    )
    at = np.repeat(starts, sizes) + (np.arange(sizes.sum()) - np.repeat(np.cumsum(sizes) - sizes, sizes))
    left = np.repeat(at, later)
    step = np.arange(later.sum()) - np.repeat(np.cumsum(later) - later, later)
    return left, left + 1 + step
