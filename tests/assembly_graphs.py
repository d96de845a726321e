"""All orders of a small assembly: graphs of states, and AND/OR graphs of sub-assemblies.

The planner never builds these (they grow exponentially); they say how many ways there are where that
can be counted, and check the planner's own feasibility test against published examples. What is
feasible is handed in as a predicate.

Sources: states and liaison sequences after Bourjault 1984 and De Fazio & Whitney, IEEE J. Robotics &
Automation 3(6), 1987; AND/OR graphs after Homem de Mello & Sanderson, IEEE T-RA 6(2), 1990.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Sequence
from dataclasses import dataclass
from functools import cache, cached_property
from itertools import combinations, pairwise
from math import comb

import networkx as nx

State = frozenset[Hashable]
Cut = tuple[State, State]


def state_graph(items: Iterable[Hashable], may_follow: Callable[[State, Hashable], bool]) -> nx.DiGraph:
    """States (sets of items done) that lead from nothing to all, with an edge per item added.

    ``may_follow(done, item)`` tells whether ``item`` may be done next. Items are parts put in one at a
    time, or liaisons closed. States that cannot be completed are left out.
    """
    every = frozenset(items)
    order = sorted(every, key=repr)
    graph = nx.DiGraph()
    graph.add_node(frozenset())
    pending: list[State] = [frozenset()]
    while pending:
        done = pending.pop()
        for item in order:
            if item not in done and may_follow(done, item):
                after = done | {item}
                if after not in graph:
                    pending.append(after)
                graph.add_edge(done, after, item=item)
    if every not in graph:
        return nx.DiGraph()
    return nx.DiGraph(graph.subgraph(nx.ancestors(graph, every) | {every}))


def count_orders(graph: nx.DiGraph) -> int:
    """Paths from the empty state to the full one: the number of orders."""
    if not len(graph):
        return 0
    ways = dict.fromkeys(graph, 0)
    ways[frozenset()] = 1
    for state in sorted(graph, key=len):
        for after in graph.successors(state):
            ways[after] += ways[state]
    return ways[max(graph, key=len)]


def orders(graph: nx.DiGraph) -> list[tuple[Hashable, ...]]:
    """Every order, item by item, sorted."""
    if not len(graph):
        return []
    last = max(graph, key=len)
    return sorted(
        (
            tuple(graph.edges[edge]["item"] for edge in pairwise(path))
            for path in nx.all_simple_paths(graph, frozenset(), last)
        ),
        key=repr,
    )


@dataclass(frozen=True, eq=False)
class AndOr:
    """Sub-assemblies (OR nodes) and the ways each is joined from two (AND hyperarcs)."""

    whole: State
    cuts: dict[State, tuple[Cut, ...]]  #: every reachable sub-assembly -> its hyperarcs; single parts none

    @property
    def nodes(self) -> int:
        return len(self.cuts)

    @property
    def hyperarcs(self) -> int:
        return sum(map(len, self.cuts.values()))

    @cached_property
    def trees(self) -> int:
        """How many assembly trees there are."""

        @cache
        def below(node: State) -> int:
            if len(node) == 1:
                return 1
            return sum(below(one) * below(two) for one, two in self.cuts[node])

        return below(self.whole)

    @cached_property
    def orders(self) -> int:
        """How many orders of joining there are: each tree in all interleavings of its branches."""

        @cache
        def below(node: State) -> int:
            if len(node) == 1:
                return 1
            return sum(
                below(one) * below(two) * comb(len(one) + len(two) - 2, len(one) - 1)
                for one, two in self.cuts[node]
            )

        return below(self.whole)


def and_or_graph(
    parts: Sequence[Hashable],
    connections: Iterable[tuple[Hashable, Hashable]],
    may_join: Callable[[State, State], bool],
) -> AndOr:
    """Every way of joining connected sub-assemblies two at a time into the whole.

    ``may_join(one, two)`` tells whether two connected, touching sub-assemblies can be joined. A
    sub-assembly that cannot be made from single parts is left out.
    """
    graph = nx.Graph()
    graph.add_nodes_from(parts)
    graph.add_edges_from(connections)
    whole = frozenset(parts)
    makeable: dict[State, tuple[Cut, ...]] = {frozenset({part}): () for part in parts}
    for size in range(2, len(whole) + 1):
        for members in combinations(sorted(whole, key=repr), size):
            node = frozenset(members)
            if not nx.is_connected(graph.subgraph(node)):
                continue
            found = tuple(cut for cut in _cuts(members) if set(cut) <= set(makeable) and may_join(*cut))
            if found:
                makeable[node] = found
    return AndOr(whole, _reachable(makeable, whole))


def _cuts(members: tuple[Hashable, ...]) -> Iterable[Cut]:
    """Every way to part the members in two; the first member is always in the first half."""
    first, rest = members[0], members[1:]
    for size in range(len(rest)):
        for others in combinations(rest, size):
            one = frozenset((first, *others))
            yield one, frozenset(members) - one


def _reachable(makeable: dict[State, tuple[Cut, ...]], whole: State) -> dict[State, tuple[Cut, ...]]:
    found: dict[State, tuple[Cut, ...]] = {}
    pending = [whole] if whole in makeable else []
    while pending:
        node = pending.pop()
        if node not in found:
            found[node] = makeable[node]
            pending += [half for cut in makeable[node] for half in cut]
    return found
