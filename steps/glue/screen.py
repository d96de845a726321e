"""A quick proof that a case holds: every load goes to what is held along a tree of joints.

A joint whose contacts can pull H newtons in all holds a force F and a moment M about their middle when

    F + M / a <= H

where the arm ``a`` is the larger of two: the contacts' least variance over their greatest distance (then a
linear distribution of pulls does it, pushing where it is negative), and the distance from their middle to
the edge of the faces that rest on each other (then an even pull and a push at the edge do it). The loads
sum up along the tree, so all lifts of a model are judged in one pass: a joint must hold one side or the
other, whichever hangs.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import ConvexHull, QhullError

from steps.glue.cases import Case
from steps.model import Array, IntArray
from steps.statics import Contacts, Structure
from steps.statics.flat import axes_across


@dataclass(frozen=True, eq=False)
class Holds:
    """Per joint: ``pull`` (j,) N, ``arm`` (j,) mm, ``middle`` (j, 3) mm, and its two bodies."""

    pull: Array
    arm: Array
    middle: Array
    first: IntArray
    second: IntArray


def holds_of(structure: Structure, contacts: Contacts) -> Holds:
    """What each joint holds with the given capacities."""
    count = len(structure.joints.joints)
    pull, arm, middle = np.zeros(count), np.zeros(count), np.zeros((count, 3))
    starts = np.searchsorted(structure.joint, np.arange(count + 1))
    for row, joint in enumerate(structure.joints.joints):
        at = slice(starts[row], starts[row + 1])
        held = np.maximum(contacts.pull[at], np.where(np.isinf(contacts.grip[at]), 0.0, contacts.grip[at]))
        if held.sum() <= 0:
            continue
        points, share = contacts.point[at], held / held.sum()
        pull[row], middle[row] = held.sum(), share @ points
        across = (points - middle[row]) @ axes_across(joint.axis)
        pushes = contacts.push[at] & (np.abs(contacts.normal[at] @ joint.axis) > 0.9)
        arm[row] = max(_spread_arm(across, share), _edge_arm(across[pushes]))
    index = structure.model.index_of
    ends = np.array([(index[joint.a], index[joint.b]) for joint in structure.joints.joints]).reshape(-1, 2)
    return Holds(pull, arm, middle, ends[:, 0], ends[:, 1])


def _spread_arm(across: Array, share: Array) -> float:
    reach = np.linalg.norm(across[share > 0], axis=1).max()
    if reach < 1e-9:
        return 0.0
    return float(np.linalg.eigvalsh((across * share[:, None]).T @ across)[0] / reach)


def _edge_arm(across: Array) -> float:
    """Distance from the origin to the hull of the points, 0 when outside."""
    if len(across) < 3:
        return 0.0
    try:
        edges = ConvexHull(across).equations
    except QhullError:
        return 0.0
    return float(max(0.0, -(edges[:, 2]).max()))


@dataclass(frozen=True, eq=False)
class Tree:
    """A spanning tree of the joints that hold most, below a root: parts in ``order`` from the root, with the
    joint and the part above each (-1 for the root). ``node`` gives each part's node: held parts share one."""

    order: IntArray
    above: IntArray
    joint: IntArray
    node: IntArray


def strongest_tree(holds: Holds, parts: IntArray, held: IntArray, count: int) -> Tree | None:
    """The tree over the given parts, those held being one node; None when no joints connect them all."""
    node = np.full(count, -1)
    node[parts] = np.arange(len(parts))
    root = int(node[held[0]]) if len(held) else 0
    if len(held):
        node[held] = root
    used = np.flatnonzero((holds.pull > 0) & (node[holds.first] >= 0) & (node[holds.second] >= 0))
    best = used[np.lexsort((used, -(holds.pull * holds.arm)[used].round(6)))]
    neighbours = _kruskal(holds, best, node, len(parts))
    order, above, joint = [root], [-1], [-1]
    at = 0
    while at < len(order):
        here = order[at]
        for other, row in neighbours[here]:
            if row != joint[at]:
                order.append(other)
                above.append(at)
                joint.append(row)
        at += 1
    if len(order) < len(np.unique(node[parts])):
        return None
    return Tree(np.array(order), np.array(above), np.array(joint), node)


def _kruskal(holds: Holds, best: IntArray, node: IntArray, nodes: int) -> list[list[tuple[int, int]]]:
    parent = list(range(nodes))

    def find(one: int) -> int:
        while parent[one] != one:
            parent[one] = parent[parent[one]]
            one = parent[one]
        return one

    neighbours: list[list[tuple[int, int]]] = [[] for _ in range(nodes)]
    for row in best.tolist():
        a, b = int(node[holds.first[row]]), int(node[holds.second[row]])
        one, other = find(a), find(b)
        if one != other:
            parent[one] = other
            neighbours[a].append((b, row))
            neighbours[b].append((a, row))
    return neighbours


@dataclass(frozen=True, eq=False)
class Flow:
    """Loads below (and above) each tree joint, N and N mm about the joint's middle."""

    need_below: Array
    need_above: Array


def needs_of(tree: Tree, holds: Holds, case: Case, centroid: Array) -> Flow:
    """What each joint of the tree must pull (F + M / a) when what is below it, or above it, hangs from it."""
    nodes = len(tree.order)
    place = np.empty(int(tree.node.max()) + 1, dtype=np.int64)
    place[tree.order] = np.arange(nodes)
    wrench = np.zeros((nodes, 6))
    at = place[tree.node[case.parts]]
    force = case.loads[case.parts, :3]
    moving = ~np.isin(case.parts, case.held)
    np.add.at(wrench[:, :3], at[moving], force[moving])
    np.add.at(wrench[:, 3:], at[moving], np.cross(centroid[case.parts], force)[moving])
    total = wrench.sum(axis=0)
    for row in range(nodes - 1, 0, -1):
        wrench[tree.above[row]] += wrench[row]
    return Flow(_need(wrench, tree, holds), _need(total - wrench, tree, holds))


def _need(wrench: Array, tree: Tree, holds: Holds) -> Array:
    joint = np.maximum(tree.joint, 0)
    force = np.linalg.norm(wrench[:, :3], axis=1)
    moment = np.linalg.norm(wrench[:, 3:] - np.cross(holds.middle[joint], wrench[:, :3]), axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        lever = np.where(moment > 1e-9, moment / holds.arm[joint], 0.0)
    need = force + lever
    need[0] = 0.0
    return need


def proved(holds: Holds, case: Case, centroid: Array) -> bool:
    """Whether the tree of strongest joints proves that one case with held parts holds."""
    if not len(case.held):
        return False
    tree = strongest_tree(holds, case.parts, case.held, len(centroid))
    if tree is None:
        return False
    need = needs_of(tree, holds, case, centroid).need_below
    return bool(np.all(need[1:] * case.safety <= holds.pull[tree.joint[1:]]))


def proved_lifts(holds: Holds, cases: list[Case], centroid: Array) -> list[bool]:
    """As :func:`proved`, for lifts of the same parts by one part each, all at once."""
    if not cases:
        return []
    first = cases[0]
    tree = strongest_tree(holds, first.parts, first.held, len(centroid))
    if tree is None:
        return [False] * len(cases)
    free = replace(first, held=np.empty(0, dtype=np.int64))
    flow = needs_of(tree, holds, free, centroid)
    pull = np.append(0.0, holds.pull[tree.joint[1:]])
    below, above = flow.need_below * first.safety > pull, flow.need_above * first.safety > pull
    fails = np.zeros(len(tree.order), dtype=np.int64)
    fails[0] = below[1:].sum()
    for row in range(1, len(tree.order)):
        fails[row] = fails[tree.above[row]] - below[row] + above[row]
    place = {int(node): row for row, node in enumerate(tree.order)}
    return [fails[place[int(tree.node[case.held[0]])]] == 0 for case in cases]
