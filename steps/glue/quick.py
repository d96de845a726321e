"""A quick small set of joints with which all cases hold, to begin with or to end with.

What nothing holds together is joined by its strongest joints, or in very large models on short ways from what
is held; where a case still falls, what comes apart is glued, and in very large models joints of the trees
that are too weak, before a programme is asked whether they must be. Leaving out is for :func:`thinned`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
from scipy import sparse
from scipy.sparse.csgraph import dijkstra, minimum_spanning_tree

from steps.glue.cases import Case
from steps.glue.demands import demand_of
from steps.glue.pieces import mask_of
from steps.glue.search import VERY_LARGE, Search

#: Length of a joint that holds already, in ways over a joint to be glued.
HELD = 0.01
#: Rounds in which the set is strengthened for one case.
ROUNDS = 60


def quick_set(search: Search, cases: Sequence[Case]) -> tuple[frozenset[int], list[Case], list[Case]]:
    """A set with which the cases hold; the cases that fail even with everything glued; and those of very
    large models of which nobody can tell."""
    glued = set(search.closed(search.forced))
    for case in cases:
        if len(case.held) and len(case.parts) > VERY_LARGE:
            _join_shortly(search, glued, case)
        elif len(case.held):
            _join_strongly(search, glued, case)
    hopeless, unsettled = list[Case](), list[Case]()
    for case in cases:
        before = set(glued)
        holds = _strengthened(search, glued, case)
        if not holds:  # what was glued in vain
            glued = before
            (unsettled if holds is None else hopeless).append(case)
    return frozenset(glued), hopeless, unsettled


def _join_strongly(search: Search, glued: set[int], case: Case) -> None:
    """Add the strongest joints that make one piece of a case's parts."""
    holds, count = search.holds_with(glued), len(search.structure.bodies)
    there, label = mask_of(case.parts, count), search.pieces(holds, case)
    strong = search.strong_holds
    best = search.may[np.lexsort((search.may, -(strong.pull * strong.arm)[search.may].round(6)))]
    best = best[there[strong.first[best]] & there[strong.second[best]]]
    # the tree's weights are ranks, so that the strongest joints and no others make it
    ends = (label[strong.first[best]], label[strong.second[best]])
    low, high = np.minimum(*ends), np.maximum(*ends)
    first = np.unique(low * count + high, return_index=True)[1]
    first = np.sort(first[low[first] != high[first]])
    graph = sparse.coo_matrix((first + 1.0, (low[first], high[first])), shape=(count, count))
    ranks = minimum_spanning_tree(graph).data.astype(np.int64) - 1
    glued |= search.closed(best[ranks].tolist())


def _join_shortly(search: Search, glued: set[int], case: Case) -> None:
    """Add joints that lead from what is held to all parts of a case, on short ways of strong joints; what
    holds already is no way at all."""
    holds, strong = search.holds_with(glued), search.strong_holds
    count = len(search.structure.bodies)
    there = mask_of(case.parts, count)
    live = there[strong.first] & there[strong.second] & (strong.pull > 0)
    rows = np.flatnonzero(live & ((search.strength > 0) | (holds.pull > 0)))
    firm = (strong.pull * strong.arm)[rows]
    length = np.where(holds.pull[rows] > 0, HELD, 2.0 - firm / max(firm.max(initial=0.0), 1e-9))
    best = rows[np.lexsort((rows, length))]
    pair = np.minimum(strong.first, strong.second) * count + np.maximum(strong.first, strong.second)
    best = best[np.unique(pair[best], return_index=True)[1]]
    of_pair = dict(zip(pair[best].tolist(), best.tolist(), strict=True))
    away = dict(zip(rows.tolist(), length.tolist(), strict=True))
    ends = (strong.first[best], strong.second[best])
    graph = sparse.coo_matrix(([away[row] for row in best.tolist()], ends), shape=(count, count))
    _, above, _ = dijkstra(
        graph.tocsr(), directed=False, indices=case.held, return_predecessors=True, min_only=True
    )
    for part in case.parts[above[case.parts] >= 0].tolist():
        row = of_pair[min(part, int(above[part])) * count + max(part, int(above[part]))]
        if holds.pull[row] <= 0:
            glued |= search.closed([row])


def _strengthened(search: Search, glued: set[int], case: Case) -> bool | None:
    """Glue what a case wants; False where it falls whatever is glued, or the solver cannot tell; None where
    a programme that would tell is too large."""
    large = len(case.parts) > VERY_LARGE
    for _ in range(ROUNDS):
        more = _weak(search, glued, case) if large else set()
        if not more:
            ok, fall, freed = search.holds(glued, case)
            if ok:
                return True
            if fall is None and large:
                return None
            left = search.may[~np.isin(search.may, sorted(glued))]
            if fall is None or not len(left):
                return False
            demand = None if large else demand_of(search, glued, case, fall, freed)
            if demand is None:
                demand = tuple(search.rigid(case).apart(fall, search.strong_holds, left).tolist())
            if not demand:
                return False
            more = set(demand)
        glued |= search.closed(more)
    return False


def _weak(search: Search, glued: set[int], case: Case) -> set[int]:
    """Joints of the trees that are too weak, could be glued and are not."""
    weak = search.weak_joints(glued, case)
    return set() if weak is None else {row for row in weak.tolist() if search.strength[row] > 0} - glued


def thinned(search: Search, glued: Iterable[int], cases: Sequence[Case], work: float) -> frozenset[int]:
    """Leave out joints, the weakest first, several at once where that does, as long as every case holds and
    there is work to spare."""
    kept = set(glued)
    spare = sorted(kept - search.forced, key=lambda row: (search.strength[row], row))
    pending = [spare[: len(spare) // 2], spare[len(spare) // 2 :]]
    while pending and search.work <= work:
        some = search.closed(pending.pop(0)) & kept
        if not some or some & search.forced:
            continue
        if not search.failing(kept - some, cases, first_only=True):
            kept -= some
        elif len(some) > 1:
            rest = sorted(some, key=lambda row: (search.strength[row], row))
            pending[:0] = [rest[: len(rest) // 2], rest[len(rest) // 2 :]]
    return frozenset(kept)
