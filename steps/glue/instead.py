"""The next best joint for each glued one: the one of least effort that would tie what it ties.

Without a joint that alone ties two pieces, the cheapest joint between them takes its place. Joints that could
are tried in the order of their effort, each for all joints on the way between its ends that have none yet
(Tarjan 1979, applications of path compression). The load cases are not tried with it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import networkx as nx
import numpy as np

from steps.glue.master import Ties


def next_best(ties: Ties, glued: Iterable[int]) -> Mapping[int, int]:
    """Glued joint (row) -> the joint (row) that would tie in its place; those that others tie besides, and
    those that nothing else could tie, are missing."""
    chosen = frozenset(glued)
    bridges, lump = _bridges(ties, chosen)
    tree = nx.Graph()
    tree.add_nodes_from(lump.values())
    for row in bridges:
        tree.add_edge(lump[int(ties.low[row])], lump[int(ties.high[row])], row=row)
    parent: dict[int, int] = {}
    depth: dict[int, int] = {}
    whole: dict[int, int] = {}
    for number, component in enumerate(nx.connected_components(tree)):
        root = min(component)
        parent[root], depth[root], whole[root] = root, 0, number
        for above, below in nx.bfs_edges(tree, root):
            parent[below], depth[below], whole[below] = above, depth[above] + 1, number
    top = {node: node for node in tree}  #: the lowest one above, or itself, whose own way up has none yet
    found: dict[int, int] = {}
    for row in _candidates(ties, chosen):
        one, two = (_upmost(lump[int(end[row])], top) for end in (ties.low, ties.high))
        while one != two and whole[one] == whole[two]:
            one, two = (one, two) if depth[one] >= depth[two] else (two, one)
            found[tree.edges[one, parent[one]]["row"]] = row
            top[one] = parent[one]
            one = _upmost(one, top)
    return dict(sorted(found.items()))


def _bridges(ties: Ties, chosen: frozenset[int]) -> tuple[list[int], dict[int, int]]:
    """The chosen joints that alone tie two pieces; and of each piece the least one of those that others tie
    it to."""
    between: dict[tuple[int, int], list[int]] = {}
    for row in sorted(chosen):
        low, high = int(ties.low[row]), int(ties.high[row])
        if low != high:
            between.setdefault((min(low, high), max(low, high)), []).append(row)
    graph = nx.Graph()
    graph.add_nodes_from(range(ties.pieces))
    graph.add_edges_from(between)
    alone = [pair for pair in map(_sorted, nx.bridges(graph)) if len(between[pair]) == 1]
    graph.remove_edges_from(alone)
    lump = {piece: min(some) for some in nx.connected_components(graph) for piece in some}
    return [between[pair][0] for pair in sorted(alone)], lump


def _candidates(ties: Ties, chosen: frozenset[int]) -> list[int]:
    """Joints that may be glued and are not, those of least effort first."""
    able = np.isfinite(ties.cost) & (ties.low != ties.high)
    rows = [row for row in np.flatnonzero(able).tolist() if row not in chosen]
    return sorted(rows, key=lambda row: (float(ties.cost[row]), row))


def _upmost(node: int, top: dict[int, int]) -> int:
    """The lowest one above whose own way up has none yet; the way there is shortened."""
    way = []
    while top[node] != node:
        way.append(node)
        node = top[node]
    for each in way:
        top[each] = node
    return node


def _sorted(pair: tuple[int, int]) -> tuple[int, int]:
    return (min(pair), max(pair))
