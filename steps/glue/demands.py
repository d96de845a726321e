"""Demands: sets of joints of which at least one must be glued for a case to hold."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field

import networkx as nx
import numpy as np

from steps.glue.cases import Case
from steps.glue.covers import Demand
from steps.glue.pieces import Fall, Mask, mask_of
from steps.glue.search import Search
from steps.model import IntArray

#: A demand of more joints than this is halved before its joints are tried one by one.
HALVED = 8
#: Kinds of cases of which the first is asked whether parts fall off alone.
LONE_KINDS = ("over", "bump", "lift", "rest")
#: So many of the sets of parts that fall alone are tried in every other case, the smallest first.
WITNESSES = 4
#: So many sets of parts are tried alone, the smallest first.
MOST_ALONE = 300


@dataclass(eq=False)
class Demands:
    """Demands in the order found, with the cases (ids) that make them."""

    of_case: dict[Demand, set[int]] = field(default_factory=dict)

    def add(self, demand: Demand, case: Case) -> None:
        self.of_case.setdefault(demand, set()).add(id(case))

    def drop(self, case: Case) -> None:
        """Forget what only this case demands."""
        for demand, cases in list(self.of_case.items()):
            cases.discard(id(case))
            if not cases:
                del self.of_case[demand]

    def __iter__(self) -> Iterator[Demand]:
        return iter(self.of_case)


def demand_of(search: Search, glued: Iterable[int], case: Case, fall: Fall, freed: Mask) -> Demand | None:
    """Few joints of which at least one must be glued, given how a case falls with a set glued.

    All joints but these are glued, and it still falls: that is the proof. Empty where the case falls with
    everything glued; None where no programme shows that it falls.
    """
    rigid, may = search.rigid(case), search.may
    left = np.setdiff1d(may, np.array(sorted(glued), dtype=np.int64))
    named = rigid.apart(fall, search.strong_holds, left)
    seen = _still_falls(search, case, named, freed)
    if seen is None:
        named = left
        seen = _still_falls(search, case, named, freed)
    if seen is None:
        return None
    named = _only(named, seen)
    at, size = 0, max(1, len(named) // 2 if len(named) > HALVED else 1)
    while size:
        while at < len(named) and len(named) > 1:
            fewer = np.delete(named, slice(at, at + size))
            seen = _still_falls(search, case, fewer, freed) if len(fewer) else None
            if seen is None:
                at += size
            else:
                named = _only(fewer, seen)
        at, size = 0, size // 2
    return tuple(sorted(named.tolist()))


def fails_for_want_of(search: Search, case: Case, demand: Demand) -> bool:
    """Whether a case falls for want of these joints, although all others are glued."""
    nothing = np.zeros(len(search.strength), dtype=bool)
    return _still_falls(search, case, np.array(demand, dtype=np.int64), nothing) is not None


def _still_falls(search: Search, case: Case, but: IntArray, freed: Mask) -> set[int] | None:
    """With all joints glued but these: those of them that come apart, or None when it does not fall."""
    glued = np.setdiff1d(search.may, but)
    rigid, holds = search.rigid(case), search.holds_with(glued)
    mask = mask_of(glued, len(search.strength))
    fall = search.counted(rigid, lambda each: each.falls(mask, holds, freed))
    return None if fall is None else set(rigid.apart(fall, holds, but).tolist())


def _only(named: IntArray, seen: set[int]) -> IntArray:
    kept = named[[row in seen for row in named.tolist()]]
    return kept if len(kept) else named


# ------------------------------------------------------------------------------ parts that fall alone


@dataclass(frozen=True, eq=False)
class Alone:
    """Demands of single parts, and of what hangs on a single joint, that fall off all the rest in a case."""

    search: Search
    demands: Demands
    parts: dict[Demand, Mask]
    falling: set[int]

    @staticmethod
    def of(search: Search, cases: Sequence[Case]) -> Alone:
        found = Alone(search, Demands(), {}, set())
        kinds = {case.kind: case for case in reversed(cases) if case.kind in LONE_KINDS}
        asked = [case for case in cases if any(case is one for one in kinds.values())]
        for parts in _lone_sets(search) if asked else ():
            for case in asked:
                demand = found._demand(case, parts)
                if demand is not None:
                    found.demands.add(demand, case)
                    found.parts[demand] = parts
                    break
        return found

    def seen(self, case: Case) -> bool:
        """Whether the case is known to fail with only the forced joints glued."""
        if id(case) in self.falling:
            return True
        if case.kind in LONE_KINDS:
            return False
        by_size = sorted(self.parts.values(), key=lambda parts: int(parts.sum()))
        return any(self._demand(case, parts) is not None for parts in by_size[:WITNESSES])

    def _demand(self, case: Case, parts: Mask) -> Demand | None:
        """The joints of which one must be glued because the parts fall off the rest; None if they do not."""
        search, rigid = self.search, self.search.rigid(case)
        holds, may = search.strong_holds, search.may
        if not (parts & rigid.there).any() or (parts & rigid.held).any():
            return None
        one, other = holds.first[may], holds.second[may]
        crossing = may[(parts[one] != parts[other]) & rigid.there[one] & rigid.there[other]]
        if not len(crossing) or not search.counted(rigid, lambda each: each.falls_alone(parts & each.there)):
            return None
        demand = tuple(crossing.tolist())
        if search.forced & set(demand):
            return None
        self.falling.add(id(case))
        return demand


def _lone_sets(search: Search) -> list[Mask]:
    """Both sides of every joint that alone connects them, and every part."""
    holds, count = search.strong_holds, len(search.structure.bodies)
    live = np.flatnonzero(holds.pull > 0)
    graph = nx.Graph()
    graph.add_nodes_from(range(count))
    graph.add_edges_from(zip(holds.first[live].tolist(), holds.second[live].tolist(), strict=True))
    found: dict[bytes, Mask] = {}
    for one, other in sorted(tuple(sorted(edge)) for edge in nx.bridges(graph)):
        graph.remove_edge(one, other)
        for end in (one, other):
            side = mask_of(nx.node_connected_component(graph, end), count)
            found.setdefault(side.tobytes(), side)
        graph.add_edge(one, other)
    for row in range(count):
        single = mask_of([row], count)
        found.setdefault(single.tobytes(), single)
    by_size = sorted(found.values(), key=lambda parts: (int(parts.sum()), parts.tobytes()))
    return by_size[:MOST_ALONE]
