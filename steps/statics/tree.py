"""A cheap proof that a case with held parts holds: every load goes to them along a tree of joints.

A joint whose contacts can pull H newtons in all takes what hangs on it, about their middle, when

    shear + tension + (max(0, |bending| - e press) + |twist|) / a <= H

with the force across its axis (shear), along it apart (tension) or together (press), and the moment across
its axis (bending) and about it (twist). The arm ``a`` is the larger of two: the contacts' least variance by
their greatest distance (a linear distribution of pulls, pushing where it is negative), and the distance
``e`` from their middle to the edge of the faces that press on each other (an even pull and a push at the
edge); what presses moves its middle within the faces by itself. Where no faces press, only a straight pull
is taken; pins at two places take all shear and twist. The loads sum up along the tree in one pass.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import sparse
from scipy.sparse.csgraph import dijkstra

from steps.model import Array, IntArray, Mask
from steps.progress import tick, ticking
from steps.statics.equilibrium import Capacity, Case
from steps.statics.flat import axes_across
from steps.statics.rigid import Bodies, Contacts

#: Directions in which the edge of a joint's faces is looked for; what lies between them is allowed for.
EDGE_DIRECTIONS = 64
#: A contact presses along the joint's axis when its normal is within 15 deg of it.
ALONG_COSINE = 0.966
#: A step over a joint that only presses, or over the weakest, is so much longer than over the strongest: a
#: tree that goes a long way round strong joints has long levers.
LONG_WAY = 8.0
#: A force or moment below this is rounding, N and N mm.
NOTHING = 1e-9


@dataclass(frozen=True, eq=False)
class Holds:
    """Per joint: ``pull`` (j,) N, ``arm`` and ``edge`` (j,) mm, ``middle``, ``axis`` (j, 3), whether its
    faces ``press`` and it is ``pinned`` (j,), and the rows of its two bodies; the axis points from ``second``
    to ``first``."""

    pull: Array
    arm: Array
    edge: Array
    middle: Array
    axis: Array
    press: Mask
    pinned: Mask
    first: IntArray
    second: IntArray

    def among(self, to_local: IntArray) -> Holds:
        """The joints between bodies that have a number in ``to_local`` (n,), renumbered; -1 has none."""
        rows = np.flatnonzero((to_local[self.first] >= 0) & (to_local[self.second] >= 0))
        pull, arm, edge, middle, axis = (
            each[rows] for each in (self.pull, self.arm, self.edge, self.middle, self.axis)
        )
        ends = to_local[self.first[rows]], to_local[self.second[rows]]
        return Holds(pull, arm, edge, middle, axis, self.press[rows], self.pinned[rows], *ends)


def holds_of(contacts: Contacts, joint: IntArray, axis: Array, first: IntArray, second: IntArray) -> Holds:
    """What each joint holds: ``joint`` (k,) its row for each contact; ``axis`` (j, 3) from its body
    ``second`` (j,) to its body ``first`` (j,)."""
    axis, joint = np.asarray(axis, dtype=float).reshape(-1, 3), np.asarray(joint, dtype=np.int64)
    count = len(axis)
    capacity = Capacity.of(contacts)
    held = np.maximum(capacity.pull, np.where(np.isinf(capacity.grip), 0.0, capacity.grip))
    pull = np.zeros(count)
    np.add.at(pull, joint, held)
    presses: Mask = capacity.push & (
        np.abs(np.einsum("ki,ki->k", contacts.normal, axis[joint])) > ALONG_COSINE
    )
    faces = np.bincount(joint, presses, count).astype(float)
    # of a joint that only presses, the middle of its faces
    share = np.where(
        pull[joint] > 0, held / np.maximum(pull, 1e-12)[joint], presses / np.maximum(faces, 1)[joint]
    )
    tick()
    middle: Array = np.stack(
        [np.bincount(joint, share * contacts.point[:, i], count) for i in range(3)], axis=1
    )
    offset = contacts.point - middle[joint]
    frames = _frames(axis)
    across = np.einsum("ki,kij->kj", offset, frames[joint])
    edge = _edges(across, presses, joint, count)
    arm = np.maximum(_spread_arms(across, share, joint, count), edge)
    tick()
    ends = (np.asarray(first, dtype=np.int64), np.asarray(second, dtype=np.int64))
    pins = np.isinf(contacts.grip) & (
        np.abs(np.einsum("ki,ki->k", contacts.normal, axis[joint])) > ALONG_COSINE
    )
    pinned = _spread(across, pins, joint, count) > NOTHING
    return Holds(pull, arm, edge, middle, axis, np.asarray((faces > 2) & (edge > 0)), pinned, *ends)


def _frames(axis: Array) -> Array:
    """(j, 3, 2) two directions across each axis."""
    _, first, inverse = np.unique(axis.round(9), axis=0, return_index=True, return_inverse=True)
    return np.array([axes_across(axis[row]) for row in first]).reshape(-1, 3, 2)[inverse.ravel()]


def _spread(across: Array, which: Mask, joint: IntArray, count: int) -> Array:
    """(j,) how far the chosen contacts of each joint lie apart, at least, mm."""
    low, high = np.full((count, 2), np.inf), np.full((count, 2), -np.inf)
    np.minimum.at(low, joint[which], across[which])
    np.maximum.at(high, joint[which], across[which])
    return np.where(np.isfinite(low).all(axis=1), (high - low).max(axis=1), 0.0)


def _spread_arms(across: Array, share: Array, joint: IntArray, count: int) -> Array:
    """(j,) least variance of the pulls over their greatest distance from the middle."""
    xx, yy = (np.bincount(joint, share * across[:, i] ** 2, count) for i in (0, 1))
    xy = np.bincount(joint, share * across[:, 0] * across[:, 1], count)
    least = (xx + yy) / 2 - np.hypot((xx - yy) / 2, xy)
    reach = np.zeros(count)
    np.maximum.at(reach, joint, np.where(share > 0, np.hypot(*across.T), 0.0))
    return np.where(reach > 1e-9, np.maximum(least, 0.0) / np.maximum(reach, 1e-9), 0.0)


def _edges(across: Array, presses: Mask, joint: IntArray, count: int) -> Array:
    """(j,) distance, never too long, from the middle to the hull of the pressing contacts; 0 outside."""
    at, points = joint[presses], across[presses]
    reach = np.zeros(count)
    np.maximum.at(reach, at, np.hypot(*points.T))
    nearest = np.full(count, np.inf)
    for angle in ticking(2 * np.pi * np.arange(EDGE_DIRECTIONS) / EDGE_DIRECTIONS):
        out = np.full(count, -np.inf)
        np.maximum.at(out, at, points @ [np.cos(angle), np.sin(angle)])
        nearest = np.minimum(nearest, out)
    half = np.pi / EDGE_DIRECTIONS  # an edge may face between two directions: a little nearer then
    edge = (nearest - reach * np.sin(half)) / np.cos(half)
    return np.where(np.isfinite(edge), np.maximum(edge, 0.0), 0.0)


@dataclass(frozen=True, eq=False)
class Tree:
    """Shortest ways from all bodies to those held: bodies in ``order``, the farthest first, with the body and
    the joint ``above`` each on its way (by row of the body, -1 for those held or cut off)."""

    order: IntArray
    above: IntArray
    joint: IntArray


def shallow_tree(holds: Holds, case: Case) -> Tree | None:
    """The tree for a case; None where no joints lead from some body to what is held."""
    count = len(case.present)
    firm = holds.pull * holds.arm
    usable = (firm > 0) | holds.press
    usable &= case.present[holds.first] & case.present[holds.second]
    rows = np.flatnonzero(usable)
    if not len(rows) or not case.held.any():
        return None
    relative = np.sqrt(firm[rows] / max(firm[rows].max(), 1e-12))
    length = 1.0 + (LONG_WAY - 1.0) * (1.0 - relative)
    low = np.minimum(holds.first[rows], holds.second[rows])
    high = np.maximum(holds.first[rows], holds.second[rows])
    best = np.lexsort((rows, length, high, low))
    pair = low[best] * count + high[best]
    keep = best[np.concatenate([[True], pair[1:] != pair[:-1]])]
    graph = sparse.coo_matrix((length[keep], (low[keep], high[keep])), shape=(count, count)).tocsr()
    distance, above, _ = dijkstra(
        graph, directed=False, indices=np.flatnonzero(case.held), return_predecessors=True, min_only=True
    )
    if not np.isfinite(distance[case.present]).all():
        return None
    hung = np.flatnonzero(case.present & ~case.held)
    pairs = np.minimum(hung, above[hung]) * count + np.maximum(hung, above[hung])
    keys = low[keep] * count + high[keep]
    joint = np.full(count, -1)
    joint[hung] = rows[keep[np.searchsorted(keys, pairs)]]
    return Tree(hung[np.lexsort((hung, -distance[hung]))], np.where(case.held, -1, above), joint)


def tree_needs(tree: Tree, holds: Holds, case: Case, bodies: Bodies) -> Array:
    """(j,) what each joint must be able to pull, N, so that every load goes along the tree; 0 off it and inf
    where no pull helps; without safety."""
    wrench = np.zeros((len(case.present), 6))
    wrench[:, :3] = case.loads[:, :3]
    wrench[:, 3:] = case.loads[:, 3:] + np.cross(bodies.centroid, case.loads[:, :3])
    for row, above in zip(tree.order.tolist(), tree.above[tree.order].tolist(), strict=True):
        wrench[above] += wrench[row]
    rows = tree.order
    joint = tree.joint[rows]
    force, moment = wrench[rows, :3], wrench[rows, 3:] - np.cross(holds.middle[joint], wrench[rows, :3])
    outward = np.where(holds.first[joint] == rows, 1.0, -1.0)[:, None] * holds.axis[joint]
    along = np.einsum("ki,ki->k", force, outward)
    shear = np.linalg.norm(force - along[:, None] * outward, axis=1)
    twist = np.abs(np.einsum("ki,ki->k", moment, outward))
    bending = np.linalg.norm(moment - np.einsum("ki,ki->k", moment, outward)[:, None] * outward, axis=1)
    pressed = np.maximum(-along, 0.0)
    beside = np.where(holds.pinned[joint], 0.0, shear)
    lever = np.maximum(bending - holds.edge[joint] * pressed, 0.0) + np.where(holds.pinned[joint], 0.0, twist)
    with np.errstate(divide="ignore", invalid="ignore"):
        turned = np.where(lever > NOTHING, lever / holds.arm[joint], 0.0)
    bare = ~holds.press[joint] & ((pressed > NOTHING) | (lever > NOTHING))
    needs = np.zeros(len(holds.pull))
    needs[joint] = np.where(bare, np.inf, beside + np.maximum(along, 0.0) + turned)
    return needs
