"""Equilibrium written once over all bodies and contacts of one set, and asked for many cases.

Contact forces f (three a contact: along its normal and along two tangents) balance the loads w when
``A f + w = 0`` on all bodies that are not held. What a contact can do is a convex set K (see
:class:`Capacity`). A case therefore changes only the loads, the hands and the capacities: the matrix serves
them all.

Two values settle a case, and both can be checked by anyone:

* forces in K that leave a residual of no account show that it *holds*;
* a motion y of the bodies on which the loads do more work than all forces in K could take up,
  ``w.y > sup {-(A^T y).f : f in K}``, shows that it *falls* (weak duality; Farkas 1902). What is held does
  not move in it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike
from scipy import sparse

from steps.model import Array, IntArray, Mask, frozen_array
from steps.progress import tick, ticking
from steps.statics.rigid import GROUND, Bodies, Contacts, crossed, tangents, typical_arm

#: No contact pushes, or pins, harder than so many times all loads together: a balance that needs a longer
#: lever than a thousand to one is not believed, and every sum over K stays finite.
CRUSH = 1e3


@dataclass(frozen=True, eq=False)
class Capacity:
    """What the contacts can do, (k,) each: ``friction``, ``pull`` and ``grip`` (N), whether they ``push``.

    K: along the normal a force n >= -pull (and <= 0 without push), across it one of at most
    friction (n + pull) + grip: a pull of the contact's own presses its faces together. A ``grip`` of inf is a
    pin, free either way along both tangents; what does not push does not rub.
    """

    friction: Array
    pull: Array
    grip: Array
    push: Mask

    @staticmethod
    def of(contacts: Contacts) -> Capacity:
        """As the contacts say."""
        return Capacity(contacts.friction, contacts.pull, contacts.grip, contacts.push)

    def within(self, live: Mask, safety: float = 1.0) -> Capacity:
        """With ``pull`` and ``grip`` divided by ``safety``, and nothing at contacts that are not ``live``."""
        return Capacity(
            np.where(live, self.friction, 0.0),
            np.where(live, self.pull / safety, 0.0),
            np.where(live, self.grip / safety, 0.0),
            self.push & live,
        )

    def at(self, contacts: IntArray | Mask) -> Capacity:
        """Of these contacts (rows, or a mask)."""
        return Capacity(
            self.friction[contacts], self.pull[contacts], self.grip[contacts], self.push[contacts]
        )


@dataclass(frozen=True, eq=False)
class Case:
    """One question: ``loads`` (n, 6: N, N mm about the centroids) on the bodies that are ``present`` (n,)
    while those ``held`` (n,) do not move; pull and grip capacities are divided by ``safety``; without
    ``ground`` the contacts with it do nothing."""

    loads: Array
    held: Mask
    present: Mask
    safety: float = 1.0
    ground: bool = True

    @staticmethod
    def make(
        loads: Array,
        held: ArrayLike = (),
        present: ArrayLike | None = None,
        safety: float = 1.0,
        ground: bool = True,
    ) -> Case:
        """A case from rows of bodies; all are present by default, and what is held or away bears no load."""
        count = len(loads)
        is_held, is_there = np.zeros(count, dtype=bool), np.ones(count, dtype=bool)
        is_held[np.asarray(held, dtype=np.int64)] = True
        if present is not None:
            is_there[:] = False
            is_there[np.asarray(present, dtype=np.int64)] = True
        borne = np.where((is_there & ~is_held)[:, None], loads, 0.0)
        return Case(frozen_array(borne, (count, 6)), is_held & is_there, is_there, safety, ground)

    @property
    def scale(self) -> float:
        """The greatest force on one body, N; forces are reckoned in it."""
        return (
            float(np.abs(self.loads[:, :3]).max(initial=0.0))
            or float(np.abs(self.loads).max(initial=0.0))
            or 1.0
        )


@dataclass(frozen=True, eq=False)
class Equilibrium:
    """The operator of one set of bodies and contacts."""

    bodies: Bodies
    contacts: Contacts

    @cached_property
    def arm(self) -> float:
        """A typical lever, mm: moments are divided by it so that they weigh as much as forces."""
        return typical_arm(self.bodies, self.contacts)

    @cached_property
    def frames(self) -> Array:
        """(k, 3, 3) rows: normal, first tangent, second tangent of each contact."""
        first, second = tangents(self.contacts.normal)
        return frozen_array(np.stack([self.contacts.normal, first, second], axis=1), (None, 3, 3))

    @cached_property
    def across(self) -> sparse.csr_matrix:
        """(3 k, 6 n) the transposed matrix: what a unit of each contact force, all normals before the
        tangents, does to each body."""
        count = len(self.bodies)
        return self.acting(np.ones((3, len(self.contacts)), dtype=bool), np.ones(count, dtype=bool))

    def acting(self, bears: Mask, free: Mask) -> sparse.csr_matrix:
        """(b, 6 f) the force, and the moment over the arm, that a unit along each of the axes (3, k) that
        ``bears`` does to each of the bodies (n,) that are ``free``."""
        contacts, moved = self.contacts, np.append(free, False)  # the ground is at the end
        numbers = np.cumsum(moved, dtype=np.int32) - 1
        axis, at = np.nonzero(bears)
        axes = self.frames[at, axis]
        entries, columns = np.zeros((len(at), 2, 6)), np.zeros((len(at), 2, 6), dtype=np.int32)
        for end, (ends, sign) in enumerate(ticking(((contacts.first, 1.0), (contacts.second, -1.0)))):
            bodies = ends[at]
            lever = (contacts.point[at] - self.bodies.centroid[bodies]) / self.arm
            entries[:, end, :3] = sign * axes
            entries[:, end, 3:] = sign * crossed(lever, axes)
            entries[~moved[bodies], end] = 0.0
            columns[:, end] = 6 * numbers[bodies][:, None] + np.arange(6, dtype=np.int32)
        tick()
        kept = np.abs(entries) >= 1e-12  # not directions that lie across an axis, rounded
        ends = np.concatenate([[0], np.cumsum(kept.sum(axis=(1, 2)))])
        return sparse.csr_matrix((entries[kept], columns[kept], ends), shape=(len(at), 6 * int(free.sum())))

    def scaled_loads(self, case: Case) -> Array:
        """(6 n,) the loads in units of the case's scale, moments divided by the arm."""
        loads = case.loads / case.scale
        return np.concatenate([loads[:, :3], loads[:, 3:] / self.arm], axis=1).ravel()

    def live(self, case: Case) -> Mask:
        """(k,) the contacts of bodies that are there, with each other or the ground, one of them free."""
        there = np.append(case.present, case.ground)
        free = np.append(case.present & ~case.held, False)
        first, second = self.contacts.first, self.contacts.second
        return there[first] & there[second] & (free[first] | free[second])

    def capacity(self, case: Case, capacity: Capacity) -> Capacity:
        """What the contacts can do in a case, in units of its scale."""
        own = capacity.within(self.live(case), case.safety)
        return Capacity(own.friction, own.pull / case.scale, own.grip / case.scale, own.push)

    # ------------------------------------------------------------------ the two proofs

    def unbalanced(self, case: Case, force: Array) -> Array:
        """(n, 6) the force, and the moment over the arm, that ``force`` (k, 3: N, model axes) and the loads
        leave on each body, in units of the case's scale; 0 on what is held or away."""
        contacts, centroid = self.contacts, self.bodies.centroid
        left = np.array(case.loads)
        real = contacts.second != GROUND
        for bodies, own, points in (
            (contacts.first, force, contacts.point),
            (contacts.second[real], -force[real], contacts.point[real]),
        ):
            lever = crossed(points - centroid[bodies], own)
            for axis in range(3):
                left[:, axis] += np.bincount(bodies, own[:, axis], len(left))
                left[:, 3 + axis] += np.bincount(bodies, lever[:, axis], len(left))
        left[:, 3:] /= self.arm
        free = case.present & ~case.held
        return np.where(free[:, None], left / case.scale, 0.0)

    def residual(self, case: Case, force: Array) -> float:
        """The most that ``force`` (k, 3: N, model axes) leaves unbalanced on any body; see
        :meth:`unbalanced`."""
        return float(np.abs(self.unbalanced(case, force)).max(initial=0.0))

    def excess(self, case: Case, capacity: Capacity, motion: Array) -> float:
        """What the loads do in a ``motion`` (6 n,: moves, and turns times the arm) more than all forces that
        the capacities allow could take up; above 0 the case falls. In units of the case's scale."""
        moving = self.moving(case, motion)
        return float(self.scaled_loads(case) @ moving - self.taken(case, capacity, motion).sum())

    def taken(self, case: Case, capacity: Capacity, motion: Array) -> Array:
        """(k,) what the forces of each contact could take up in a motion, at most."""
        own = self.capacity(case, capacity)
        return support(own, -self.opening(self.moving(case, motion)).ravel(), self.crush(case))

    def opening(self, motion: Array) -> Array:
        """(k, 3) how a ``motion`` (6 n,: moves, and turns times the arm) moves the first body of each contact
        against its second there, along the contact's axes: the transposed matrix times it."""
        each = np.append(motion, np.zeros(6)).reshape(-1, 6)  # the ground is at the end
        centroid = np.append(self.bodies.centroid, np.zeros((1, 3)), axis=0)
        moved = np.zeros((len(self.contacts), 3))
        for bodies, sign in ((self.contacts.first, 1.0), (self.contacts.second, -1.0)):
            turn = each[bodies, 3:] / self.arm
            moved += sign * (each[bodies, :3] + crossed(turn, self.contacts.point - centroid[bodies]))
        return np.einsum("kij,kj->ki", self.frames, moved)

    def taken_in_each(
        self, case: Case, capacities: Sequence[Capacity], motions: sparse.csc_matrix
    ) -> tuple[IntArray, IntArray, list[Array]]:
        """Of many motions (6 n, m: one a column, what is held at rest), each of a few bodies: the contacts
        that take up anything in one, which motion it is, and what they take up with each of the capacities.
        """
        count = len(self.contacts)
        against = (self.across @ -motions).tocoo()
        keys, place = np.unique(
            against.col.astype(np.int64) * count + against.row % count, return_inverse=True
        )
        way = np.zeros((len(keys), 3))
        way[place, against.row // count] = against.data
        motion, contact = np.divmod(keys, count)
        own = (self.capacity(case, each).at(contact) for each in capacities)
        return contact, motion, [support(each, way.ravel(), self.crush(case)) for each in own]

    def moving(self, case: Case, motion: Array) -> Array:
        """The motion with what is held, or not there, at rest."""
        return np.where(np.repeat(case.present & ~case.held, 6), motion, 0.0)

    def overload(self, case: Case, capacity: Capacity, force: Array) -> float:
        """How far ``force`` (k, 3: N, model axes) goes beyond what the contacts bear, at worst, in units of
        the case's scale."""
        return float(self.overloads(case, capacity, force).max(initial=0.0))

    def overloads(self, case: Case, capacity: Capacity, force: Array) -> Array:
        """(k,) the same at each contact, 0 where it bears its force."""
        own = self.capacity(case, capacity)
        local = np.einsum("kij,kj->ki", self.frames, force) / case.scale
        along, across = local[:, 0], np.hypot(local[:, 1], local[:, 2])
        rubs = np.where(own.push, own.friction, 0.0)
        beyond = [
            -own.pull - along,
            np.where(own.push, 0.0, along),
            across - rubs * (along + own.pull) - own.grip,
            np.where(own.push, along, 0.0) - self.crush(case),
            np.where(np.isinf(own.grip), across, 0.0) - self.crush(case),
        ]
        return np.maximum(np.max(beyond, axis=0), 0.0)

    def crush(self, case: Case) -> float:
        """The hardest push that is believed, in units of the case's scale."""
        return CRUSH * max(1.0, float(np.abs(case.loads[:, :3]).sum()) / case.scale)


def support(capacity: Capacity, against: Array, crush: float) -> Array:
    """(k,) the most that each contact's forces in K can do along ``against`` (3 k,)."""
    normal, across = against.reshape(-1, 3)[:, 0], np.hypot(*against.reshape(-1, 3)[:, 1:].T)
    pinned = np.isinf(capacity.grip)
    grip = np.where(pinned, crush, capacity.grip)
    friction = np.where(pinned | ~capacity.push, 0.0, capacity.friction)
    pulled = across * grip - normal * capacity.pull
    pushed = across * (friction * (crush + capacity.pull) + grip) + normal * np.where(
        capacity.push, crush, 0.0
    )
    return np.maximum(pulled, pushed)
