"""How the parts hang together: one node per part, one edge per joint."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import networkx as nx
import numpy as np

from steps.model import Array, Joint, Joints, Model

#: Lines of turning are one within this cosine and this share of the pin's radius: far above what meshes
#: are off by, far below the distance of two holes.
SAME_AXIS = 0.9998
SAME_LINE = 0.1


def connection_graph(model: Model, joints: Joints) -> nx.Graph:
    """One node per part id (attributes ``shape``, ``source``), in the model's order; one edge per
    joint with the Joint itself as ``joint`` and its ``kind`` and ``contacts``."""
    graph = nx.Graph()
    for part in model.parts:
        graph.add_node(part.id, shape=part.shape, source=part.source)
    for joint in joints.joints:
        graph.add_edge(joint.a, joint.b, joint=joint, kind=joint.kind, contacts=joint.contacts)
    return graph


def grips(joint: Joint) -> bool:
    """Whether a joint holds its parts together rather than letting one lie on the other."""
    return joint.kind != "rest"


def held_graph(model: Model, joints: Joints) -> nx.Graph:
    """The connection graph without the joints that only rest."""
    graph = connection_graph(model, joints)
    graph.remove_edges_from([(a, b) for a, b, joint in graph.edges(data="joint") if not grips(joint)])
    return graph


def groups(graph: nx.Graph) -> tuple[tuple[str, ...], ...]:
    """Connected groups, each in the graph's node order, the groups by their first part."""
    rank = {node: row for row, node in enumerate(graph)}
    found = (tuple(sorted(group, key=rank.__getitem__)) for group in nx.connected_components(graph))
    return tuple(sorted(found, key=lambda group: rank[group[0]]))


def movable_groups(model: Model, joints: Joints) -> tuple[tuple[str, ...], ...]:
    """Groups that stay rigid when every joint that moves is let move: one group, nothing moves.

    Joints that only rest hold no group together. Two groups that turn about two different lines, be it
    by way of loose pins, do not move against each other.
    """
    graph = held_graph(model, joints)
    moving = [(a, b, joint) for a, b, joint in graph.edges(data="joint") if joint.moves]
    graph.remove_edges_from([(a, b) for a, b, _ in moving])
    while True:
        locked = _locked(groups(graph), [joint for _, _, joint in moving])
        if not locked:
            return groups(graph)
        graph.add_edges_from(locked)


@dataclass(frozen=True, eq=False)
class _Pivot:
    """A line about which two groups turn against each other."""

    between: frozenset[int]
    point: Array
    axis: Array
    radius: float

    def same_line(self, other: _Pivot) -> bool:
        off = other.point - self.point
        aside = float(np.linalg.norm(off - (off @ self.axis) * self.axis))
        return abs(float(self.axis @ other.axis)) > SAME_AXIS and aside < SAME_LINE * self.radius


def _locked(found: Sequence[Sequence[str]], moving: Sequence[Joint]) -> list[tuple[str, str]]:
    """Pairs of parts whose groups turn about more than one line, so that neither turns."""
    number = {part: row for row, group in enumerate(found) for part in group}
    pivots: list[_Pivot] = []
    for joint in moving:
        between = frozenset((number[joint.a], number[joint.b]))
        if joint.kind != "ball" and len(between) == 2:
            touch = next(touch for touch in joint.touches if touch.kind == joint.kind)
            pivots.append(_Pivot(between, touch.point, touch.axis, touch.radius_mm))
    lines: dict[frozenset[int], list[_Pivot]] = {}
    for pivot in [*pivots, *_past_pins(pivots)]:
        lines.setdefault(pivot.between, []).append(pivot)
    pairs = [key for key, own in lines.items() if not all(own[0].same_line(other) for other in own[1:])]
    return [(found[first][0], found[second][0]) for first, second in map(sorted, pairs)]


def _past_pins(pivots: Sequence[_Pivot]) -> Iterator[_Pivot]:
    """A group that turns about one line only, a pin or a bush, lets all that it joins turn about it."""
    of_group: dict[int, list[_Pivot]] = {}
    for pivot in pivots:
        for group in sorted(pivot.between):
            of_group.setdefault(group, []).append(pivot)
    for group, own in of_group.items():
        joined = sorted({other for pivot in own for other in pivot.between if other != group})
        if len(joined) > 1 and all(own[0].same_line(other) for other in own[1:]):
            for first, second in combinations(joined, 2):
                yield replace(own[0], between=frozenset((first, second)))


def articulation_parts(model: Model, joints: Joints) -> tuple[str, ...]:
    """Parts that alone hold others: without one of them its group falls into two."""
    graph = held_graph(model, joints)
    alone = set(nx.articulation_points(graph))
    return tuple(part for part in graph if part in alone)


def unheld_parts(model: Model, joints: Joints) -> tuple[str, ...]:
    """Parts that no joint grips: they touch nothing, or only rest."""
    return tuple(nx.isolates(held_graph(model, joints)))
