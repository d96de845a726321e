"""Forces that balance a case, found near what has changed since the last balance.

A part put on, a push on another or a joint that holds less leaves most forces of a build as they were. What
has changed are the bodies that the earlier forces leave out of balance, and those at contacts that cannot
bear theirs. These, a shortest way from each to what stands still, and the neighbours of all are balanced
anew, by splitting; the other forces stay, and load them from outside. What is found is checked on the whole,
so a yes is a proof; a no says nothing. Where what has changed falls even with all else held, the whole falls.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from scipy import sparse
from scipy.sparse.csgraph import dijkstra

from steps.model import Array, IntArray, Mask, frozen_array
from steps.statics.equilibrium import Capacity, Case, Equilibrium
from steps.statics.programme import Help, elastic
from steps.statics.rigid import GROUND, Bodies
from steps.statics.splitting import CLOSE, balancing

#: Rounds of splitting for a region: of 260 that had an answer, in a branching sculpture of 300 parts, nine in
#: ten had it after 12.
ROUNDS = 16
#: A region this large a share of the bodies is not worth a balance of its own.
WHOLE_SHARE = 0.5


@dataclass(frozen=True, eq=False)
class Nearby:
    """A case beside ``earlier`` forces (k, 3: N, model axes) and the bodies ``changed`` (n,) since."""

    equilibrium: Equilibrium
    case: Case
    capacity: Capacity
    earlier: Array
    changed: Mask

    @staticmethod
    def of(
        equilibrium: Equilibrium, case: Case, capacity: Capacity, several: Iterable[Array]
    ) -> Nearby | None:
        """The case beside those of several earlier forces that leave least to change; None without any."""
        found = [
            Nearby(equilibrium, case, capacity, each, _changed(equilibrium, case, capacity, each))
            for each in several
        ]
        return min(found, key=lambda one: one.changed.sum(), default=None)

    def rebalanced(self) -> Array | None:
        """(k, 3) N on each contact's first body that balance the case within what the contacts can do, like
        the earlier ones but for a few; None where none were found."""
        case, most = self.case, WHOLE_SHARE * (self.case.present & ~self.case.held).sum()
        if self.changed.sum() > most:
            return None
        region = _around(self.changed, self.equilibrium, case, self.capacity)
        if region.sum() > most:
            return None
        return _within(region, self.equilibrium, case, self.capacity, self.earlier)

    def help(self) -> Help | None:
        """The least help of hands to what has changed while all else is held, where it needs any: the whole
        then needs help too, since to hold more never asks for more. None where nothing was found."""
        case, moved, contacts = self.case, self.changed, self.equilibrium.contacts
        free = case.present & ~case.held
        if not moved.any() or moved.sum() > WHOLE_SHARE * free.sum():
            return None
        ends = np.append(moved, False)
        beside = np.zeros(len(moved) + 1, dtype=bool)
        beside[contacts.second[ends[contacts.first]]] = True
        beside[contacts.first[ends[contacts.second]]] = True
        local = _Local.of(moved, moved | (beside[:-1] & case.present), self.equilibrium, case)
        asked = local.case(case.loads, moved, case)
        found = elastic(local.equilibrium, asked, self.capacity.at(local.own))
        if found is None or not found.needed:
            return None
        hand, motion = np.zeros((len(moved), 6)), np.zeros((len(moved), 6))
        arms = np.repeat([1.0, self.equilibrium.arm / local.equilibrium.arm], 3)
        hand[local.rows], motion[local.rows] = found.hand, found.motion.reshape(-1, 6) * arms
        return Help(hand, np.zeros((len(contacts), 3)), motion.ravel())


def _changed(equilibrium: Equilibrium, case: Case, capacity: Capacity, force: Array) -> Mask:
    """(n,) the bodies that forces leave out of balance, and those at contacts that cannot bear theirs."""
    changed = np.abs(equilibrium.unbalanced(case, force)).max(axis=1, initial=0.0) > CLOSE
    contacts = equilibrium.contacts
    over = equilibrium.overloads(case, capacity, force) > CLOSE
    at = np.concatenate([contacts.first[over], contacts.second[over]])
    changed[at[at != GROUND]] = True
    return changed & case.present & ~case.held


def _around(changed: Mask, equilibrium: Equilibrium, case: Case, capacity: Capacity) -> Mask:
    """(n,) what has changed, one shortest way from each of it to what stands still, and the neighbours of all
    these."""
    contacts, count = equilibrium.contacts, len(changed)
    bears = equilibrium.live(case) & (capacity.push | (capacity.pull > 0) | (capacity.grip > 0))
    to = np.append(np.where(case.held, count, np.arange(count)), count)  # the ground is at the end
    one, other = to[contacts.first[bears]], to[contacts.second[bears]]
    both = (np.concatenate([one, other]), np.concatenate([other, one]))
    links = sparse.csr_matrix((np.ones(len(both[0])), both), shape=(count + 1, count + 1))
    under = dijkstra(links, indices=count, unweighted=True, return_predecessors=True)[1]
    region = np.zeros(count + 1, dtype=bool)
    at = np.flatnonzero(changed)
    while len(at):
        region[at] = True
        at = np.unique(under[at])
        at = at[(at >= 0) & (at < count)]
        at = at[~region[at]]
    return (region | (links @ region > 0))[:-1] & case.present & ~case.held


def _within(
    region: Mask, equilibrium: Equilibrium, case: Case, capacity: Capacity, earlier: Array
) -> Array | None:
    """The forces with those at the region's own contacts found anew; all others load it as they are."""
    local = _Local.of(region, region | case.held, equilibrium, case)
    outer = np.where(local.own[:, None] | ~equilibrium.live(case)[:, None], 0.0, earlier)
    loads = equilibrium.unbalanced(case, outer) * case.scale
    loads[:, 3:] *= equilibrium.arm
    asked = local.case(loads, region, case)
    found = balancing(local.equilibrium, asked, capacity.at(local.own), earlier[local.own], ROUNDS)
    if found is None:
        return None
    force = outer
    force[local.own] = found
    good = equilibrium.residual(case, force) <= CLOSE and equilibrium.overload(case, capacity, force) <= CLOSE
    return frozen_array(force, (None, 3)) if good else None


@dataclass(frozen=True, eq=False)
class _Local:
    """Some bodies ``rows`` (m,) of a case, and which contacts are their ``own`` (k,)."""

    equilibrium: Equilibrium
    rows: IntArray
    own: Mask

    @staticmethod
    def of(free: Mask, bodies: Mask, equilibrium: Equilibrium, case: Case) -> _Local:
        """The ``bodies`` (n,), and the contacts of those of them that are ``free`` (n,) with each other, with
        the rest of them and with the ground."""
        contacts = equilibrium.contacts
        first, second = contacts.first, contacts.second
        there, moves = np.append(bodies, True), np.append(free, False)  # the ground is at the end
        own = equilibrium.live(case) & there[first] & there[second] & (moves[first] | moves[second])
        rows = np.flatnonzero(bodies)
        number = np.full(len(bodies) + 1, GROUND)
        number[rows] = np.arange(len(rows))
        part = contacts.take(own, (number[first[own]], number[second[own]]))
        few = Bodies(equilibrium.bodies.mass_g[rows], equilibrium.bodies.centroid[rows])
        return _Local(Equilibrium(few, part), rows, own)

    def case(self, loads: Array, free: Mask, case: Case) -> Case:
        """The case with ``loads`` (n, 6: N, N mm) on these bodies, all held that are not ``free`` (n,)."""
        held = np.flatnonzero(~free[self.rows])
        return Case.make(loads[self.rows], held, safety=case.safety, ground=case.ground)
