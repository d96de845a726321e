"""The least set of joints to glue so that every load case holds.

More glue never makes a case fail, so cases that hold without any are settled, and a case that fails with
all joints glued cannot be helped by glue. What is left is a covering problem: whenever a case fails with
a set glued, the way it falls (:mod:`steps.glue.pieces`) names joints that come apart, of which at least one
must be glued; the fewer such a *demand* names, the more it says. The smallest set that meets all demands
known is found by mixed-integer programme and is a lower bound; the first with which every case holds is a
least set. When the work is used up, the smallest set seen to hold stands, thinned out, with the bound.
Very large models get a quick set instead (:mod:`steps.glue.quick`).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from steps.glue.cases import Case
from steps.glue.covers import Demand, smallest_cover
from steps.glue.demands import Alone, Demands, demand_of, fails_for_want_of
from steps.glue.quick import quick_set, thinned
from steps.glue.screen import needs_of, strongest_tree
from steps.glue.search import VERY_LARGE, Search
from steps.model import Array
from steps.statics import Structure

#: Work allowed, as :class:`steps.glue.pieces.Rigid` counts it: about ten seconds on one core. A count and not
#: a clock, so that the same model gives the same set.
WORK = 2000.0
#: Share of the work that is kept for thinning out.
THINNING = 0.25
#: Parts above which no least set is sought, only a quick one, thinned out, and a bound.
QUICK_PARTS = 120
#: So many of the last demands found are tried in the next case.
RECENT = 3
#: Share of the work spent on thinning out a quick set.
QUICK_THINNING = 0.25
#: The order in which cases are asked: those first that commonly need the most glue.
FIRST = ("over", "bump", "lift", "rest", "press", "step")


@dataclass(frozen=True)
class LeastGlue:
    """The joints to glue (rows), the fewest that any set can have, and how it was found.

    ``fails`` are cases that fail even with everything glued, each with the joint that gives way first (a
    row, or -1), and ``asked`` how many times what it can hold is asked of it; ``unsettled`` are cases of
    very large models of which nothing was found out; ``loose`` are parts (rows) that no joint that holds or
    may be glued connects to what is held.
    """

    glued: tuple[int, ...]
    bound: int
    cases: int
    settled: int
    programmes: int
    fails: tuple[tuple[Case, int], ...]
    asked: tuple[float, ...]
    unsettled: tuple[Case, ...]
    loose: tuple[int, ...]
    loads_n: Mapping[int, float]
    needs_n: Mapping[int, float]
    on_glue: frozenset[int]  #: numbers of the steps after which the build stands only by its glue


def least_glue(
    structure: Structure,
    cases: Sequence[Case],
    strength: Array,
    forced: Iterable[int] = (),
    work: float = WORK,
    alike: Iterable[Sequence[int]] = (),
) -> LeastGlue:
    """The least set of joints to glue. ``strength`` (joints,) N when glued, 0 where glue is not allowed;
    joints that are ``alike`` (rows) are glued together or not at all."""
    search = Search(structure, np.asarray(strength, dtype=float), frozenset(forced), tuple(alike))
    reachable, loose = _reachable(search, cases)
    in_turn = sorted(reachable, key=lambda case: FIRST.index(case.kind))
    proved = search.quickly_proved(search.forced, in_turn)
    doubtful = [case for case in in_turn if id(case) not in proved]
    open_cases, demands = _open(search, doubtful)
    glued, bound, hopeless, unsettled = _least(search, open_cases, demands, work)
    lost = {id(case) for case in (*hopeless, *unsettled)}
    loads, needs = _loads(search, glued, [case for case in reachable if id(case) not in lost], open_cases)
    giving = [search.first_to_give(case) for case in hopeless]
    return LeastGlue(
        tuple(sorted(glued)),
        max(bound, len(search.forced)),
        len(cases),
        len(cases) - len(open_cases),
        search.programmes,
        tuple((case, row) for case, (row, _) in zip(hopeless, giving, strict=True)),
        tuple(times for _, times in giving),
        tuple(unsettled),
        loose,
        loads,
        needs,
        frozenset(case.step for case in open_cases if case.kind in ("step", "press")),
    )


def _reachable(search: Search, cases: Sequence[Case]) -> tuple[list[Case], tuple[int, ...]]:
    """The cases without the parts that nothing can hold, and those parts."""
    holds = search.strong_holds
    loose: set[int] = set()
    found = []
    for case in cases:
        if not len(case.held) or case.table:
            found.append(case)
            continue
        label = search.pieces(holds, case)
        kept = case.parts[label[case.parts] == label[case.held[0]]]
        if len(kept) < len(case.parts):
            loose.update(set(case.parts.tolist()) - set(kept.tolist()))
            case = replace(case, parts=kept)
        found.append(case)
    return found, tuple(sorted(loose))


def _open(search: Search, cases: Sequence[Case]) -> tuple[list[Case], Demands]:
    """The cases that fail with only the forced joints glued, and the demands that show it.

    What made one case fail commonly makes the next fail, so that is tried first. In very large models a case
    with held parts counts as failing unless the trees prove it.
    """
    alone = Alone.of(search, cases)
    found, recent = list[Case](), list[Demand]()
    for case in cases:
        seen = alone.seen(case) or any(fails_for_want_of(search, case, each) for each in recent[:RECENT])
        if not seen and len(case.held) and len(case.parts) > VERY_LARGE:
            weak = search.weak_joints(search.forced, case)
            if weak is not None and not len(weak):
                continue
        elif not seen:
            ok, fall, freed = search.holds(search.forced, case)
            if ok:
                continue
            demand = None if fall is None else demand_of(search, search.forced, case, fall, freed)
            if demand:
                recent.insert(0, demand)
                alone.demands.add(demand, case)
        found.append(case)
    return found, alone.demands


# ------------------------------------------------------------------------------ the least set


def _least(
    search: Search, cases: list[Case], demands: Demands, work: float
) -> tuple[frozenset[int], int, list[Case], list[Case]]:
    """The smallest set found with which the cases hold, the fewest joints that any has, the cases that fail
    even with everything glued, and those of which nobody can tell."""
    if not cases:
        best = search.closed(search.forced)
        return best, len(best), [], []
    limit = search.work + work
    if len(search.structure.bodies) > QUICK_PARTS:
        best, hopeless, unsettled = quick_set(search, cases)
        cases = [case for case in cases if not any(case is one for one in (*hopeless, *unsettled))]
        for case in hopeless:
            demands.drop(case)
        cover = smallest_cover(search.may, search.strength, list(demands), search.forced, search.group)
        thin = thinned(search, best, cases, search.work + work * QUICK_THINNING)
        return thin, cover.bound, hopeless, unsettled
    best = search.closed(search.may.tolist())
    bound, hopeless = 0, list[Case]()
    spent = limit - work * THINNING
    while True:
        cover = smallest_cover(search.may, search.strength, list(demands), search.forced, search.group)
        bound = max(bound, cover.bound)
        found = _more_demands(search, cases, demands, cover.joints, spent)
        if found.hopeless is not None:  # what it demanded counts no more
            hopeless.append(found.hopeless)
            cases = [case for case in cases if case is not found.hopeless]
            bound = 0
            continue
        if found.holding is not None and len(found.holding) < len(best):
            best = found.holding
        if not found.fresh or len(best) <= bound or search.work > spent:
            break
    if len(best) > bound:
        best = thinned(search, best, cases, limit)
    return best, bound, hopeless, []


@dataclass(frozen=True)
class _Pass:
    """How many demands a cover leaves open; the cover and all that they name, with which all cases hold,
    where that was found out; a case that fails even with everything glued."""

    fresh: int
    holding: frozenset[int] | None = None
    hopeless: Case | None = None


def _more_demands(
    search: Search, cases: list[Case], demands: Demands, cover: frozenset[int], limit: float
) -> _Pass:
    """One pass through the cases up to the first that fails, from which the next will start; through all
    once the work is used up, for a set with which all hold."""
    fresh, known, glued = 0, True, set(cover)
    for at, case in enumerate(cases):
        before = fresh
        while known:
            ok, fall, freed = search.holds(glued, case)
            if ok:
                break
            demand = None if fall is None else demand_of(search, glued, case, fall, freed)
            if demand == () or (fall is None and set(search.may.tolist()) <= glued):
                demands.drop(case)
                return _Pass(fresh, hopeless=case)
            known = demand is not None
            if demand:
                fresh += 1
                demands.add(demand, case)
                glued |= search.closed(demand)
        if fresh > before and search.work <= limit:
            cases[:] = cases[at:] + cases[:at]
            return _Pass(fresh)
    return _Pass(fresh, frozenset(glued) if known else None)


# ------------------------------------------------------------------------------ loads


def _loads(
    search: Search, glued: Iterable[int], cases: Sequence[Case], wanting: Sequence[Case]
) -> tuple[dict[int, float], dict[int, float]]:
    """Greatest pull on each joint over the cases, as it is and times the case's safety factor.

    With held parts it goes along the tree of strongest joints if that can bear it. Else, and where a case
    ``wanting`` glue stands on the table, the joints bear what they do in the proof that it holds.
    """
    holds, centroid = search.holds_with(glued), search.structure.bodies.centroid
    loads: dict[int, float] = {}
    needs: dict[int, float] = {}
    wants = {id(case) for case in wanting}
    for case in cases:
        need = np.zeros(len(search.strength))
        held = len(case.held) > 0 and not case.table
        tree = strongest_tree(holds, case.parts, case.held, len(centroid)) if held else None
        if tree is not None:
            need[tree.joint[1:]] = needs_of(tree, holds, case, centroid).need_below[1:]
        if id(case) in wants and (tree is None or np.any(need * case.safety > holds.pull)):
            need = search.need[id(case)] if search.holds(glued, case)[0] else need
        for row in np.flatnonzero(np.isfinite(need) & (need > 0)).tolist():
            loads[row] = max(loads.get(row, 0.0), float(need[row]))
            needs[row] = max(needs.get(row, 0.0), float(need[row]) * case.safety)
    return loads, needs
