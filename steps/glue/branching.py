"""The cheapest branching from a root (Chu & Liu 1965, Edmonds 1967)."""

from __future__ import annotations

from collections.abc import Sequence


def branching_cost(nodes: int, root: int, edges: Sequence[tuple[int, int, int]]) -> int | None:
    """Least sum of costs of edges (from, to, cost) that reach every node 0..nodes-1 from the root; None when
    some node cannot be reached. Cheapest edges into each node are taken and their circles shrunk."""
    total = 0
    while True:
        best: list[tuple[int, int] | None] = [None] * nodes
        for tail, head, cost in edges:
            if head != root and tail != head and (best[head] is None or (cost, tail) < best[head]):  # type: ignore[operator]
                best[head] = (cost, tail)
        if any(best[node] is None for node in range(nodes) if node != root):
            return None
        total += sum(each[0] for each in best if each is not None)
        circle, count = _circles(nodes, root, [-1 if each is None else each[1] for each in best])
        if count == 0:
            return total
        label, fresh = list(circle), count
        for node in range(nodes):
            if label[node] < 0:
                label[node], fresh = fresh, fresh + 1
        edges = [
            (label[tail], label[head], cost - (0 if best[head] is None else best[head][0]))  # type: ignore[index]
            for tail, head, cost in edges
            if label[tail] != label[head]
        ]
        nodes, root = fresh, label[root]


def _circles(nodes: int, root: int, before: Sequence[int]) -> tuple[list[int], int]:
    """The circle each node is on when every node points to the one before it (-1: none), and how many."""
    circle, seen, count = [-1] * nodes, [-1] * nodes, 0
    for start in range(nodes):
        node = start
        while node != root and seen[node] < 0:
            seen[node] = start
            node = before[node]
        if node != root and seen[node] == start and circle[node] < 0:
            on = node
            while circle[on] < 0:
                circle[on] = count
                on = before[on]
            count += 1
    return circle, count
