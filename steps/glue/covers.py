"""Smallest covers: of each demand (a set of joints) at least one must be glued."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import sparse
from scipy.optimize import Bounds, LinearConstraint, milp

from steps.model import Array, IntArray

#: Among equal counts strong joints are chosen: all that this adds to the cost is less than a quarter joint.
PREFER_STRONG = 0.25
#: Nodes of the branch and bound tree after which the best cover so far is taken, with the bound so far.
NODES = 2000

Demand = tuple[int, ...]


@dataclass(frozen=True)
class Cover:
    """The joints (rows) of a cover, and the fewest that any cover has."""

    joints: frozenset[int]
    bound: int


def smallest_cover(
    may: IntArray, strength: Array, demands: Sequence[Demand], forced: frozenset[int], group: IntArray
) -> Cover:
    """The smallest set of joints of ``may`` (rows) that holds the forced ones and meets every demand.

    ``group`` (joints,) numbers the joints that are glued together or not at all. By mixed-integer programme;
    where that stops early the cover is a small one, and the bound tells how small one might be.
    """
    groups, own = np.unique(group[may], return_inverse=True)
    number = np.full(len(group), -1)
    number[may] = own
    least = np.full(len(groups), np.inf)
    np.minimum.at(least, own, strength[may])
    size = np.bincount(own, minlength=len(groups)).astype(float)
    extra = PREFER_STRONG / max(len(may), 1)
    cost = size * (1.0 + extra * (1.0 - least / max(strength.max(initial=0.0), 1e-9)))
    low = np.zeros(len(groups))
    low[number[np.array(sorted(forced), dtype=np.int64)]] = 1.0
    wanted = {tuple(sorted({int(number[row]) for row in demand})) for demand in demands}
    rows = [one for one in _bare(wanted) if not low[list(one)].any()]
    if not rows:
        chosen, bound = low > 0.5, float(low @ cost)
    else:
        chosen, bound = _solved(rows, cost, low, extra)
    joints = frozenset(int(row) for row in may[chosen[own]])
    return Cover(joints, min(len(joints), int(np.ceil(bound - PREFER_STRONG - 1e-6))))


def _bare(demands: set[Demand]) -> list[Demand]:
    """The demands that do not follow from a smaller one, in a fixed order."""
    kept: list[Demand] = []
    sets: list[set[int]] = []
    by_joint: dict[int, list[int]] = {}
    for one in sorted(demands, key=lambda each: (len(each), each)):
        mine = set(one)
        near = {at for joint in one for at in by_joint.get(joint, ())}
        if any(sets[at] <= mine for at in near):
            continue
        for joint in one:
            by_joint.setdefault(joint, []).append(len(kept))
        kept.append(one)
        sets.append(mine)
    return kept


def _solved(rows: Sequence[Demand], cost: Array, low: Array, extra: float) -> tuple[np.ndarray, float]:
    at_row = np.repeat(np.arange(len(rows)), [len(one) for one in rows])
    at_column = np.concatenate([np.array(one) for one in rows])
    matrix = sparse.coo_matrix((np.ones(len(at_row)), (at_row, at_column)), shape=(len(rows), len(cost)))
    found = milp(
        cost,
        constraints=LinearConstraint(matrix.tocsr(), 1.0, np.inf),
        integrality=1,
        bounds=Bounds(low, 1.0),
        options={"node_limit": NODES, "mip_rel_gap": extra},
    )
    if found.x is not None:
        dual = found.mip_dual_bound
        return found.x > 0.5, float(dual if dual is not None and np.isfinite(dual) else low @ cost)
    return _greedy(rows, cost, low), float(low @ cost)


def _greedy(rows: Sequence[Demand], cost: Array, low: Array) -> np.ndarray:
    """The cheapest a demand met, again and again."""
    chosen, left = low > 0.5, [set(one) for one in rows]
    while left:
        meets = np.zeros(len(cost))
        for one in left:
            meets[list(one)] += 1
        best = int(np.argmax((meets / cost).round(9)))
        chosen[best] = True
        left = [one for one in left if best not in one]
    return chosen
