"""Finding sub-assemblies: parts that are built apart and then attached as one.

Three signs are read off the finished model: a joint that moves and is the only link to what lies
beyond it; parts that stand at a slant to the rest, which are built level and attached slanted; and a
group that repeats, which is built several times. Groups nest: all candidates are cut off by one or
a few joints, so two of them are nested or apart.
"""

from __future__ import annotations

import itertools
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import networkx as nx
import numpy as np

from steps.model import Array, Joints, Measures, Model
from steps.motion import Motion, lets_go
from steps.order.site import Group, extents_along, holds_together

#: A group of fewer parts is not worth a table of its own.
LEAST_PARTS = 3
#: Beyond a moving joint even two parts are.
LEAST_BEYOND_JOINT = 2
#: A repeated group holds at most this share of the assembly it is part of.
MOST_SHARE = 0.5
#: Two poses are alike within this, as a share of the pitch (and as sines of angles).
ALIKE = 0.01
#: Why a group is built apart when the builder wished it; it yields to what the model itself asks for.
WISHED = "wished"
#: Parts stand alike when their ups agree within 2 degrees (cosine).
SAME_UP = float(np.cos(np.radians(2.0)))


@dataclass(frozen=True, eq=False)
class Finder:
    """What the search for groups looks at."""

    model: Model
    measures: Measures
    joints: Joints
    motion: Motion
    ups: Array  #: (parts, 3) the way each part's studs point, model coordinates


def make_finder(model: Model, measures: Measures, joints: Joints, motion: Motion) -> Finder:
    """Gather the figures once."""
    local = np.array([measures.by_shape[shape.id].up for shape in model.shapes]).reshape(-1, 3)
    ups = np.einsum("pij,pj->pi", model.poses[:, :3, :3], local[model.shape_index])
    return Finder(model, measures, joints, motion, ups)


def find_groups(
    finder: Finder,
    up: Array,
    refused: frozenset[frozenset[int]] = frozenset(),
    asked: Sequence[Group] = (),
) -> Group:
    """The whole model as a tree of groups.

    ``refused`` are part sets that must not be built apart, ``asked`` groups that must; of groups found
    here those that would cut an asked one in two are left out.
    """
    whole = tuple(range(len(finder.model.parts)))
    return _divide(finder, Group((whole,), up, why="whole"), refused, asked)


def _divide(
    finder: Finder, group: Group, refused: frozenset[frozenset[int]], asked: Sequence[Group]
) -> Group:
    """Give a group its children, and them theirs."""
    natural = [
        each
        for each in (*_beyond_joints(finder, group), *_slanted(finder, group))
        if frozenset(each.parts) not in refused
    ]
    within = [
        each
        for each in asked
        if set(each.parts) < set(group.parts)
        and not (each.why == WISHED and any(_crosses(each, other) for other in natural))
    ]
    found = [each for each in natural if not any(_crosses(each, other) for other in within)]
    apart = _outermost([*within, *found])
    taken = {part for each in apart for part in each.parts}
    repeats = [
        each for each in _repeated(finder, group, taken, refused) if frozenset(each.parts) not in refused
    ]
    children = [_divide(finder, each, refused, asked) for each in apart] + repeats
    children.sort(key=lambda each: min(each.parts))
    return replace(group, children=tuple(children))


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


def _graph(finder: Finder, parts: Iterable[int], up: Array, moving: bool = True) -> nx.Graph:
    """What holds together among ``parts``; without joints that move unless asked for."""
    graph = nx.Graph()
    graph.add_nodes_from(sorted(parts))
    for joint in finder.joints.joints:
        a, b = finder.model.index_of[joint.a], finder.model.index_of[joint.b]
        if a in graph and b in graph and holds_together(joint, up) and (moving or not lets_go(joint)):
            graph.add_edge(a, b)
    return graph


def _foot(finder: Finder, parts: Sequence[int], up: Array) -> int:
    """The part of the main body: the lowest, the heaviest of them."""
    heights = extents_along(finder.motion, up)[list(parts), 0]
    lowest = np.flatnonzero(heights <= heights.min() + finder.motion.along_mm)
    volumes = [finder.measures.by_shape[finder.model.parts[parts[int(k)]].shape].volume_mm3 for k in lowest]
    return parts[int(lowest[int(np.argmax(volumes))])]


def _beyond_joints(finder: Finder, group: Group) -> list[Group]:
    """What lies beyond each joint that moves, seen from the foot of the group."""
    parts = sorted(group.parts)
    graph = _graph(finder, parts, group.up)
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
    graph = _graph(finder, parts, group.up)
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


# ---------------------------------------------------------------------------- what repeats


def _repeated(
    finder: Finder, group: Group, taken: set[int], refused: frozenset[frozenset[int]]
) -> list[Group]:
    """Groups that stand on the rest and occur more than once, largest first."""
    parts = [part for part in sorted(group.parts) if part not in taken]
    if len(parts) < 2 * LEAST_PARTS:
        return []
    standing = _standing_groups(finder, group, int(MOST_SHARE * len(group.parts)), taken)
    by_sign: dict[tuple[object, ...], list[tuple[int, ...]]] = {}
    for members in standing:
        if len(members) >= LEAST_PARTS:
            by_sign.setdefault(_sign(finder, members), []).append(members)
    found: list[Group] = []
    used: set[int] = set()
    for _, alike in sorted(by_sign.items(), key=lambda item: (-len(item[1][0]), item[1][0])):
        free = [members for members in alike if not used & set(members)]
        while len(free) > 1:
            copies, free = _alike_copies(finder, free, group.up)
            copies = [copy for copy in copies if frozenset(copy) not in refused]
            if len(copies) > 1:
                found.append(Group(tuple(copies), group.up, why="repeats"))
                used |= {part for copy in copies for part in copy}
    return found


def _standing_groups(finder: Finder, group: Group, most: int, taken: set[int]) -> list[tuple[int, ...]]:
    """Every connected set, of at most ``most`` parts, of all parts above some height.

    Such a set rests on others only at its foot. Parts are added from the top down and joined to what
    they touch; at each height the sets that start there are complete. Sets that hold a part of
    ``taken`` do not count.
    """
    bottoms = extents_along(finder.motion, group.up)[:, 0]
    step = finder.motion.length_mm / 10
    level = {part: round(float(bottoms[part]) / step) for part in group.parts}
    graph = _graph(finder, group.parts, group.up)
    sets = nx.utils.UnionFind()
    members: dict[int, list[int]] = {}
    found: list[tuple[int, ...]] = []
    order = sorted(group.parts, key=lambda part: (-level[part], part))
    for height, added in itertools.groupby(order, key=lambda part: level[part]):
        fresh = list(added)
        for part in fresh:
            members[sets[part]] = [part]
        for part in fresh:
            for other in sorted(graph[part]):
                if level[other] >= height and sets[other] != sets[part]:
                    pieces = sorted((members.pop(sets[part]), members.pop(sets[other])), key=len)
                    sets.union(part, other)
                    members[sets[part]] = pieces[1] + pieces[0]
        if height > level[order[-1]]:
            roots = sorted({sets[part] for part in fresh})
            found += [tuple(sorted(members[root])) for root in roots if len(members[root]) <= most]
    return [each for each in found if not taken & set(each)]


def _sign(finder: Finder, members: Sequence[int]) -> tuple[object, ...]:
    """What alike groups share whatever way they are turned: their parts, and how far apart they lie."""
    kinds = sorted((finder.model.parts[part].shape, finder.model.parts[part].colour) for part in members)
    at = finder.model.poses[list(members), :3, 3]
    spread = np.sort(np.linalg.norm(at - at.mean(axis=0), axis=1)) / finder.motion.length_mm
    return (*kinds, round(float(spread.sum()), 2))


def _alike_copies(
    finder: Finder, groups: Sequence[tuple[int, ...]], up: Array
) -> tuple[list[tuple[int, ...]], list[tuple[int, ...]]]:
    """The first group with every other that is the same one moved; and the rest."""
    first = groups[0]
    copies, rest = [first], []
    for other in groups[1:]:
        match = matching(finder, first, other, up)
        if match is None:
            rest.append(other)
        else:
            copies.append(match)
    return copies, rest


def matching(finder: Finder, first: Sequence[int], other: Sequence[int], up: Array) -> tuple[int, ...] | None:
    """The parts of ``other`` in the order of ``first``, when one upright rigid motion takes it there."""
    model = finder.model
    key = [(model.parts[part].shape, model.parts[part].colour) for part in first]
    rarest = min(range(len(first)), key=lambda k: (key.count(key[k]), k))
    anchor = model.poses[first[rarest]]
    for start in other:
        if (model.parts[start].shape, model.parts[start].colour) != key[rarest]:
            continue
        motion = model.poses[start] @ np.linalg.inv(anchor)
        if motion[:3, :3] @ up @ up < SAME_UP:
            continue
        found = _correspondence(finder, first, other, motion)
        if found is not None:
            return found
    return None


def _correspondence(
    finder: Finder, first: Sequence[int], other: Sequence[int], motion: Array
) -> tuple[int, ...] | None:
    model = finder.model
    left = dict.fromkeys(other)
    found = []
    for part in first:
        moved = motion @ model.poses[part]
        for candidate in left:
            if model.parts[candidate].shape != model.parts[part].shape:
                continue
            if model.parts[candidate].colour != model.parts[part].colour:
                continue
            off = model.poses[candidate] - moved
            if (
                np.abs(off[:3, 3]).max() > ALIKE * finder.motion.length_mm
                or np.abs(off[:3, :3]).max() > ALIKE
            ):
                continue
            found.append(candidate)
            del left[candidate]
            break
        else:
            return None
    return tuple(found)


def connected(finder: Finder, parts: Sequence[int]) -> bool:
    """Whether the parts hang together by themselves."""
    return nx.is_connected(_graph(finder, parts, main_up(finder, parts)))
