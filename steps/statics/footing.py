"""A cheap proof that a set of bodies stands: its feet bear all of it, and trees of joints bring it there.

What hangs together is balanced as one body by pushes, with their rubbing, at its contacts with the ground.
With these as loads of their own nothing is left over, and whatever way the loads take between the parts is a
balance: they go to the body with the most to bear, along a tree (:mod:`steps.statics.tree`). If no joint on
it is asked more than it holds, the set stands. A no says nothing: other ways may do.
"""

from __future__ import annotations

import numpy as np
from scipy import sparse
from scipy.optimize import nnls
from scipy.sparse.csgraph import connected_components

from steps.model import Array, IntArray
from steps.statics.equilibrium import Case
from steps.statics.rigid import GROUND, Bodies, Contacts, tangents, typical_arm
from steps.statics.tree import Holds, shallow_tree, tree_needs

#: Share of the loads that the feet may leave unborne: rounding.
LEFT_OVER = 1e-7
#: Directions in which a foot may rub: its round cone is cut to the corners of a square in it.
RUBS = ((1.0, 0.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -1.0))


def stands_along_trees(bodies: Bodies, contacts: Contacts, holds: Holds, loads: Array) -> bool:
    """Whether bodies under ``loads`` (n, 6: N, N mm about the centroids) are proved to stand on the ground;
    ``holds`` are of the joints between them."""
    feet = np.flatnonzero(contacts.second == GROUND)
    if not len(feet):
        return False
    lots = _lots(len(bodies), holds)
    if len(np.setdiff1d(lots, lots[contacts.first[feet]])):
        return False  # something hangs on nothing
    borne, roots = loads.copy(), []
    arm = typical_arm(bodies, contacts)
    for lot in np.unique(lots):
        own = feet[lots[contacts.first[feet]] == lot]
        push = _pushes(bodies, contacts.take(own), loads, lots == lot, arm)
        if push is None:
            return False
        foot = contacts.first[own]
        lever = np.cross(contacts.point[own] - bodies.centroid[foot], push)
        np.add.at(borne, foot, np.concatenate([push, lever], axis=1))
        roots.append(int(foot[np.argmax(np.abs(push).sum(axis=1))]))
    case = Case.make(borne, held=roots)
    tree = shallow_tree(holds, case)
    return tree is not None and bool(np.all(tree_needs(tree, holds, case, bodies) <= holds.pull + 1e-9))


def _lots(count: int, holds: Holds) -> IntArray:
    """(n,) numbers of what hangs together by joints that hold or press."""
    firm = np.flatnonzero((holds.pull > 0) | holds.press)
    graph = sparse.coo_matrix(
        (np.ones(len(firm)), (holds.first[firm], holds.second[firm])), shape=(count, count)
    )
    return np.asarray(connected_components(graph, directed=False)[1])


def _pushes(bodies: Bodies, feet: Contacts, loads: Array, own: Array, arm: float) -> Array | None:
    """(k, 3) N at the feet that bear the loads of ``own`` (n,) bodies as one; None where none do."""
    force = loads[own, :3]
    moment = loads[own, 3:6] + np.cross(bodies.centroid[own], force)
    middle = feet.point.mean(axis=0)
    total = force.sum(axis=0)
    wrench = np.concatenate([total, (moment.sum(axis=0) - np.cross(middle, total)) / arm])
    ways = _ways(feet)  # (k, 5, 3)
    levers = np.cross((feet.point - middle)[:, None], ways) / arm
    columns = np.concatenate([ways, levers], axis=2).reshape(-1, 6).T
    share, left = nnls(columns, -wrench)
    if left > LEFT_OVER * max(float(np.abs(force).sum()), 1e-300):
        return None
    return np.einsum("kg,kgi->ki", share.reshape(-1, ways.shape[1]), ways)


def _ways(feet: Contacts) -> Array:
    """(k, 5, 3) forces on each foot that it can bear: straight up, and leaning as far as it rubs."""
    one, two = tangents(feet.normal)
    sides = [feet.friction[:, None] * (a * one + b * two) for a, b in RUBS]
    return np.stack([feet.normal, *(feet.normal + side for side in sides)], axis=1)
