"""Finding sub-assemblies: parts that are built apart and then attached as one.

Three signs are read off the finished model: a joint that moves and is the only link to what lies
beyond it; parts that stand at a slant to the rest, which are built level and attached slanted; and a
group that repeats, which is built several times. Groups nest: all candidates are cut off by one or
a few joints, so two of them are nested or apart.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Sequence
from dataclasses import replace

import networkx as nx
import numpy as np

from steps.model import Array
from steps.motion import lets_go
from steps.order.finder import Finder, holding_graph
from steps.order.repeats import matching, repeated
from steps.order.site import SAME_AREA, Group, extents_along
from steps.ties import ranks

#: A group of fewer parts is not worth a table of its own.
LEAST_PARTS = 3
#: Beyond a moving joint even two parts are.
LEAST_BEYOND_JOINT = 2
#: Why a group is built apart when the builder wished it; it yields to what the model itself asks for.
WISHED = "wished"
#: Parts stand alike when their ups agree within 2 degrees (cosine).
SAME_UP = float(np.cos(np.radians(2.0)))


def find_children(
    finder: Finder,
    group: Group,
    refused: Collection[frozenset[int]] = (),
    asked: Sequence[Group] = (),
) -> tuple[Group, ...]:
    """The groups that are built apart within a group's first copy; what lies within them is not looked at.

    ``refused`` are part sets that must not be built apart, ``asked`` groups that must; of groups found
    here those that would cut an asked one in two are left out.
    """
    natural = [
        each
        for each in (*_beyond_joints(finder, group), *_slanted(finder, group))
        if frozenset(each.parts) not in refused
    ]
    within = [
        each for each in asked if not (each.why == WISHED and any(_crosses(each, other) for other in natural))
    ]
    found = [each for each in natural if not any(_crosses(each, other) for other in within)]
    apart = _as_copies(finder, group, _outermost([*within, *found]))
    taken = {part for each in apart for copy in each.copies for part in copy}
    repeats = [
        each for each in repeated(finder, group, taken, refused) if frozenset(each.parts) not in refused
    ]
    return tuple(sorted((*apart, *repeats), key=lambda each: min(each.parts)))


def _as_copies(finder: Finder, group: Group, found: Sequence[Group]) -> list[Group]:
    """Groups that are one another's upright copies as one that is built several times."""
    left, merged = list(found), []
    while left:
        first = left.pop(0)
        copies = [first.parts]
        for other in list(left):
            same = other.why == first.why and np.allclose(other.up, first.up)
            if same and (match := matching(finder, first.parts, other.parts, group.up)):
                copies.append(match)
                left.remove(other)
        merged.append(replace(first, copies=tuple(copies)))
    return merged


def _crosses(one: Group, other: Group) -> bool:
    """Whether two groups overlap without the one lying within the other, or are the same."""
    a, b = set(one.parts), set(other.parts)
    return bool(a & b) and not (a < b or b < a)


def _outermost(groups: Iterable[Group]) -> list[Group]:
    """Groups that lie in no other, without ones that overlap an earlier, larger one."""
    kept: list[Group] = []
    taken: set[int] = set()
    for group in sorted(groups, key=lambda each: (-len(each.parts), min(each.parts))):
        if not taken & set(group.parts):
            kept.append(group)
            taken |= set(group.parts)
    return kept


# ----------------------------------------------------------------------- joints that move


def _foot(finder: Finder, parts: Sequence[int], up: Array) -> int:
    """The part of the main body: the lowest, the heaviest of them."""
    heights = extents_along(finder.motion, up)[list(parts), 0]
    lowest = np.flatnonzero(heights <= heights.min() + finder.motion.along_mm)
    shapes = [finder.model.parts[parts[int(k)]].shape for k in lowest]
    volumes = np.array([finder.measures.by_shape[shape].volume_mm3 for shape in shapes])
    return parts[int(lowest[int(np.argmax(ranks(volumes, SAME_AREA * float(volumes.max()))))])]


def _beyond_joints(finder: Finder, group: Group) -> list[Group]:
    """What lies beyond each joint that moves, seen from the foot of the group."""
    parts = sorted(group.parts)
    graph = holding_graph(finder, parts, group.up)
    foot = _foot(finder, parts, group.up)
    found = []
    for joint in finder.joints.joints:
        a, b = finder.model.index_of[joint.a], finder.model.index_of[joint.b]
        if not lets_go(joint) or not graph.has_edge(a, b):
            continue
        graph.remove_edge(a, b)
        for side in (a, b):
            beyond = nx.node_connected_component(graph, side)
            if foot not in beyond and len(beyond) >= LEAST_BEYOND_JOINT:
                found.append(_group(finder, sorted(beyond), "ball joint"))
        graph.add_edge(a, b)
    return found


def _group(finder: Finder, parts: Sequence[int], why: str) -> Group:
    return Group((tuple(parts),), main_up(finder, parts), why=why)


def main_up(finder: Finder, parts: Sequence[int]) -> Array:
    """The way most of the parts stand; ties go to the first in row order."""
    ups = [tuple(row) for row in np.round(finder.ups[list(parts)], 6) + 0.0]
    best = Counter(ups).most_common()
    most = best[0][1]
    winner = next(up for up in ups if dict(best)[up] == most)
    vector = np.array(winner)
    return vector / np.linalg.norm(vector)


# ------------------------------------------------------------------------ standing slanted


def _slanted(finder: Finder, group: Group) -> list[Group]:
    """Parts that stand another way than the group does, each with all that hangs on them alone."""
    parts = sorted(group.parts)
    graph = holding_graph(finder, parts, group.up)
    foot = _foot(finder, parts, group.up)
    leaning = [part for part in parts if finder.ups[part] @ group.up < SAME_UP]
    alike = nx.Graph()
    alike.add_nodes_from(leaning)
    alike.add_edges_from(
        (a, b) for a, b in graph.subgraph(leaning).edges if finder.ups[a] @ finder.ups[b] >= SAME_UP
    )
    found = []
    for island in sorted(map(sorted, nx.connected_components(alike))):
        if len(island) < LEAST_PARTS or foot in island or not _truly_slanted(finder, island, group.up):
            continue
        rest = graph.copy()
        rest.remove_nodes_from(island)
        kept = nx.node_connected_component(rest, foot)
        hanging = sorted(set(parts) - kept)
        found.append(Group((tuple(hanging),), main_up(finder, island), why="slanted"))
    return found


def _truly_slanted(finder: Finder, island: Sequence[int], up: Array) -> bool:
    """Whether the parts stand neither upright, nor upside down, nor lie square to the group's up."""
    cosine = abs(float(finder.ups[island[0]] @ up))
    return 1 - SAME_UP < cosine < SAME_UP


def connected(finder: Finder, parts: Sequence[int]) -> bool:
    """Whether the parts hang together by themselves."""
    return nx.is_connected(holding_graph(finder, parts, main_up(finder, parts)))
