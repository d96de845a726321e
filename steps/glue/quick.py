"""A quick small set of joints with which all cases hold, to begin with or to end with.

What nothing holds together is joined by its strongest joints; joints of the trees that then prove too weak
are glued; where a case still falls, so is what comes apart. Leaving out is for :func:`thinned`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from steps.glue.cases import Case
from steps.glue.pieces import mask_of
from steps.glue.search import Search

#: Rounds in which the set is strengthened for one case.
ROUNDS = 60


def quick_set(search: Search, cases: Sequence[Case]) -> tuple[frozenset[int], list[Case]]:
    """A set with which the cases hold, and the cases that no set was found for: those that fail even with
    everything glued."""
    glued = set(search.closed(search.forced))
    for case in cases:
        if len(case.held):
            _join(search, glued, case)
    hopeless = [case for case in cases if not _strengthened(search, glued, case)]
    return frozenset(glued), hopeless


def _join(search: Search, glued: set[int], case: Case) -> None:
    """Add the strongest joints that make one piece of a case's parts."""
    holds, count = search.holds_with(glued), len(search.structure.bodies)
    there, label = mask_of(case.parts, count), search.pieces(holds, case)
    strong = search.strong_holds
    best = search.may[np.lexsort((search.may, -(strong.pull * strong.arm)[search.may].round(6)))]
    best = best[there[strong.first[best]] & there[strong.second[best]]]
    parent = np.arange(count)

    def find(one: int) -> int:
        while parent[one] != one:
            parent[one] = parent[parent[one]]
            one = int(parent[one])
        return one

    ends = zip(label[strong.first[best]].tolist(), label[strong.second[best]].tolist(), strict=True)
    for row, (first, second) in zip(best.tolist(), ends, strict=True):
        one, other = find(first), find(second)
        if one != other:
            parent[one] = other
            glued |= search.closed([row])


def _strengthened(search: Search, glued: set[int], case: Case) -> bool:
    """Glue what a case wants; False where it falls whatever is glued, or nobody can tell."""
    for _ in range(ROUNDS):
        holds, mask = search.holds_with(glued), mask_of(glued, len(search.strength))
        rigid = search.rigid(case)
        weak = search.counted(rigid, lambda each: each.weak_joints(mask, holds))  # noqa: B023 - called at once
        more = {row for row in weak.tolist() if search.strength[row] > 0} - glued
        if not more:
            ok, fall, _ = search.holds(glued, case)
            if ok:
                return True
            left = search.may[~np.isin(search.may, sorted(glued))]
            if fall is None or not len(left):
                return False
            more = set(rigid.apart(fall, search.strong_holds, left).tolist())
            if not more:
                return False
        glued |= search.closed(more)
    return False


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
