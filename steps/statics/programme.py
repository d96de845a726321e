"""Rigid bodies, contact points and the linear programme that says whether they can balance.

Everything here works on plain arrays, so that published examples can be fed in as they are printed.
Units: millimetres, newtons, grams. A contact pushes its *first* body along its normal and the second
body, or the ground, the other way.

The programme finds contact forces that balance every body. It shows that balance is *possible* with
the given capacities, so a caller asks for a reserve: how far the largest share of a capacity stays
below one, or how much of an extra load can be added.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import sparse

from steps.model import Array, IntArray, frozen_array, frozen_indices
from steps.statics.flat import unit
from steps.statics.solver import solve, solve_priced

#: Standard gravity, m/s2 (3rd CGPM, 1901; ISO 80000-3).
GRAVITY = 9.80665
#: Newtons per gram of mass.
NEWTONS_PER_GRAM = GRAVITY / 1000.0
#: Index of the second body of a contact with what does not move.
GROUND = -1
#: Directions of the linearised friction cone; 8 inscribed directions give at least cos(22.5 deg) = 0.92 of
#: the true cone everywhere and all of it along the two tangent axes.
CONE_SIDES = 8
#: Share of a capacity by which the programme may pass it, the solver's own feasibility being 1e-7.
USE_TOLERANCE = 1e-6
#: A hand force below this share of the greatest load is rounding.
HAND_TOLERANCE = 1e-6
#: A load factor above this is called unlimited: no contact's capacity bounds it.
UNLIMITED = 1e6


@dataclass(frozen=True, eq=False)
class Bodies:
    """Rigid bodies: ``mass_g`` (n,) grams and ``centroid`` (n, 3) mm."""

    mass_g: Array
    centroid: Array

    def __post_init__(self) -> None:
        object.__setattr__(self, "mass_g", frozen_array(self.mass_g, (None,), "mass_g"))
        object.__setattr__(self, "centroid", frozen_array(self.centroid, (len(self.mass_g), 3), "centroid"))

    def __len__(self) -> int:
        return len(self.mass_g)

    def weight(self, up: ArrayLike = (0.0, 0.0, 1.0), gravity: float = GRAVITY) -> Array:
        """(n, 6) loads: force (N) and moment about each centroid (N mm) of the bodies' own weight."""
        loads = np.zeros((len(self), 6))
        loads[:, :3] = -np.outer(self.mass_g * gravity / 1000.0, unit(up))
        return loads


@dataclass(frozen=True, eq=False)
class Contacts:
    """Contact points between bodies.

    ``point`` (k, 3); ``normal`` (k, 3) unit, the way the first body is pushed; ``first`` and ``second``
    (k,) rows of bodies, ``second`` may be GROUND. ``friction`` (k,) coefficient; ``pull`` (k,) N that the
    contact can hold along the normal; ``grip`` (k,) N that it can hold across the normal without any
    pushing, ``inf`` for a contact that cannot slip; ``push`` (k,) whether it can push at all.
    """

    point: Array
    normal: Array
    first: IntArray
    second: IntArray
    friction: Array
    pull: Array
    grip: Array
    push: NDArray[np.bool_]

    def __post_init__(self) -> None:
        count = len(self.point)
        object.__setattr__(self, "point", frozen_array(self.point, (count, 3), "point"))
        object.__setattr__(self, "normal", frozen_array(self.normal, (count, 3), "normal"))
        for name in ("first", "second"):
            object.__setattr__(self, name, frozen_indices(getattr(self, name), (count,), name))
        for name in ("friction", "pull", "grip"):
            object.__setattr__(self, name, frozen_array(getattr(self, name), (count,), name))
        push = np.array(self.push, dtype=bool)
        push.setflags(write=False)
        object.__setattr__(self, "push", push)

    def __len__(self) -> int:
        return len(self.point)

    @staticmethod
    def make(
        point: ArrayLike,
        normal: ArrayLike,
        first: ArrayLike,
        second: ArrayLike,
        friction: ArrayLike = 0.0,
        pull: ArrayLike = 0.0,
        grip: ArrayLike = 0.0,
        push: ArrayLike = True,
    ) -> Contacts:
        """Contacts from arrays or single values; ``normal`` need not be of unit length."""
        points = np.atleast_2d(np.asarray(point, dtype=float)).reshape(-1, 3)
        count = len(points)
        normals = np.broadcast_to(np.asarray(normal, dtype=float), (count, 3))
        if count:
            normals = normals / np.linalg.norm(normals, axis=1, keepdims=True)

        def each(value: ArrayLike) -> Any:
            return np.broadcast_to(np.asarray(value), (count,))

        return Contacts(
            points, normals, each(first), each(second), each(friction), each(pull), each(grip), each(push)
        )

    @staticmethod
    def join(several: Sequence[Contacts]) -> Contacts:
        """All contacts of several sets, in order."""
        if not several:
            return Contacts.make(np.empty((0, 3)), np.empty((0, 3)), [], [])
        names = ("point", "normal", "first", "second", "friction", "pull", "grip", "push")
        return Contacts(*(np.concatenate([getattr(one, name) for one in several]) for name in names))

    def take(self, rows: ArrayLike) -> Contacts:
        """The contacts of the given rows (indices or a mask)."""
        chosen = np.asarray(rows)
        names = ("point", "normal", "first", "second", "friction", "pull", "grip", "push")
        return Contacts(*(getattr(self, name)[chosen] for name in names))


@dataclass(frozen=True, eq=False)
class Balance:
    """Whether the bodies can balance, with what share of the capacities, and by which forces.

    ``use`` is the least possible largest share of any pull or grip capacity, ``inf`` when no forces
    balance at all; ``reserve`` is its reciprocal. ``force`` (k, 3) acts on each contact's first body;
    ``share`` (k,) is the share of its capacity that each contact uses in that solution. ``blame`` (k,) sums
    to one: by how much of themselves the use would fall if a contact's capacity grew a little.
    """

    ok: bool
    use: float
    force: Array
    share: Array
    blame: Array

    @property
    def reserve(self) -> float:
        return float("inf") if self.use <= 0 else 1.0 / self.use


@dataclass(frozen=True, eq=False)
class Limit:
    """The greatest factor on the growing loads that can still be balanced (0 or below: not even none)."""

    factor: float
    ok: bool
    force: Array


def tangents(normal: Array) -> tuple[Array, Array]:
    """Two unit vectors (k, 3) across each normal, along the coordinate axes where the normal is one."""
    helper = np.zeros_like(normal)
    helper[np.arange(len(normal)), np.argmin(np.abs(normal).round(9), axis=1)] = 1.0
    first = np.cross(normal, helper)
    first /= np.linalg.norm(first, axis=1, keepdims=True)
    return first, np.cross(normal, first)


class _Programme:
    """The columns (unit forces at contacts) and rows (balance, cones) of one set of bodies and contacts."""

    def __init__(self, bodies: Bodies, contacts: Contacts) -> None:
        self.bodies, self.contacts = bodies, contacts
        self.length = self._length()
        pinned = np.isinf(contacts.grip)
        self.push_rows = np.flatnonzero(contacts.push)
        self.pull_rows = np.flatnonzero(contacts.pull > 0)
        self.pin_rows = np.flatnonzero(pinned)
        self.cone_rows = np.flatnonzero(~pinned & ((contacts.friction > 0) | (contacts.grip > 0)))
        first, second = tangents(contacts.normal)
        angles = 2 * np.pi * np.arange(CONE_SIDES) / CONE_SIDES
        cone = (
            first[self.cone_rows, None] * np.cos(angles)[None, :, None]
            + second[self.cone_rows, None] * np.sin(angles)[None, :, None]
        )
        self.rows = np.concatenate(
            [
                self.push_rows,
                self.pull_rows,
                self.pin_rows,
                self.pin_rows,
                np.repeat(self.cone_rows, CONE_SIDES),
            ]
        )
        self.directions = np.concatenate(
            [
                contacts.normal[self.push_rows],
                -contacts.normal[self.pull_rows],
                first[self.pin_rows],
                second[self.pin_rows],
                cone.reshape(-1, 3),
            ]
        )
        sizes = [
            len(self.push_rows),
            len(self.pull_rows),
            2 * len(self.pin_rows),
            CONE_SIDES * len(self.cone_rows),
        ]
        self.starts = np.concatenate([[0], np.cumsum(sizes)])
        self.columns = int(self.starts[-1])

    def _length(self) -> float:
        """A typical arm, mm: moments are divided by it so that they weigh as much as forces."""
        contacts, bodies = self.contacts, self.bodies
        if not len(contacts):
            return 1.0
        arms = np.linalg.norm(contacts.point - bodies.centroid[contacts.first], axis=1)
        return float(max(arms.mean(), 1e-9))

    def balance_matrix(self) -> sparse.csc_matrix:
        """(6 bodies, columns): force and scaled moment on each body per unit of each column."""
        contacts, centroid = self.contacts, self.bodies.centroid
        entries, at_rows, at_columns = [], [], []
        for bodies, sign in ((contacts.first, 1.0), (contacts.second, -1.0)):
            body = bodies[self.rows]
            real = np.flatnonzero(body != GROUND)
            arm = contacts.point[self.rows[real]] - centroid[body[real]]
            force = sign * self.directions[real]
            wrench = np.hstack([force, np.cross(arm, force) / self.length])
            entries.append(wrench.ravel())
            at_rows.append((6 * body[real, None] + np.arange(6)).ravel())
            at_columns.append(np.repeat(real, 6))
        matrix = sparse.coo_matrix(
            (np.concatenate(entries), (np.concatenate(at_rows), np.concatenate(at_columns))),
            shape=(6 * len(self.bodies), self.columns),
        )
        return matrix.tocsc()

    def cone_matrix(self) -> sparse.csc_matrix:
        """(cones, columns) of: sum of the cone's sides - friction x push."""
        count = len(self.cone_rows)
        sides = sparse.coo_matrix(
            (
                np.ones(CONE_SIDES * count),
                (np.repeat(np.arange(count), CONE_SIDES), self.starts[3] + np.arange(CONE_SIDES * count)),
            ),
            shape=(count, self.columns),
        )
        push_column = np.full(len(self.contacts), -1)
        push_column[self.push_rows] = np.arange(len(self.push_rows))
        at = push_column[self.cone_rows]
        real = np.flatnonzero(at >= 0)
        pushes = sparse.coo_matrix(
            (-self.contacts.friction[self.cone_rows[real]], (real, at[real])), shape=(count, self.columns)
        )
        return (sides + pushes).tocsc()

    def bounds(self) -> Array:
        """(columns, 2) limits of each column, pins being free either way."""
        limits = np.zeros((self.columns, 2))
        limits[:, 1] = np.inf
        limits[self.starts[2] : self.starts[3], 0] = -np.inf
        return limits

    def right_side(self, loads: Array) -> Array:
        """(6 bodies,) what the contact forces must add up to."""
        scaled = -np.array(loads, dtype=float)
        scaled[:, 3:] /= self.length
        return scaled.ravel()

    def forces(self, solution: Array) -> Array:
        """(contacts, 3) force on each contact's first body."""
        force = np.zeros((len(self.contacts), 3))
        np.add.at(force, self.rows, solution[: self.columns, None] * self.directions)
        return frozen_array(force, (None, 3))

    def nothing(self) -> tuple[Array, Array, Array]:
        """Forces, shares and blames where there are none."""
        zeros = np.zeros(len(self.contacts))
        return self.forces(np.zeros(self.columns)), frozen_array(zeros, (None,)), frozen_array(zeros, (None,))

    def shares(self, solution: Array) -> Array:
        """(contacts,) share of the pull and grip capacity that each contact uses."""
        contacts = self.contacts
        share = np.zeros(len(contacts))
        pulled = solution[self.starts[1] : self.starts[2]]
        share[self.pull_rows] = pulled / contacts.pull[self.pull_rows]
        grip = contacts.grip[self.cone_rows]
        across = solution[self.starts[3] : self.columns].reshape(-1, CONE_SIDES).sum(axis=1)
        pushes = np.zeros(len(contacts))
        pushes[self.push_rows] = solution[: self.starts[1]]
        beyond = np.maximum(across - contacts.friction[self.cone_rows] * pushes[self.cone_rows], 0.0)
        held = grip > 0
        share[self.cone_rows[held]] = np.maximum(share[self.cone_rows[held]], beyond[held] / grip[held])
        return frozen_array(share, (None,))


def balance(bodies: Bodies, contacts: Contacts, loads: Array) -> Balance:
    """Balance the ``loads`` (n, 6: N, N mm about the centroids) with the least largest share of any capacity.

    ``ok`` when that share is at most one. A dry stack uses no capacity: it balances with use 0 or not at all.
    """
    programme = _Programme(bodies, contacts)
    columns = programme.columns
    if not np.any(loads):
        return Balance(True, 0.0, *programme.nothing())
    scale = float(np.abs(loads[:, :3]).max()) or 1.0
    pulls, cones = len(programme.pull_rows), len(programme.cone_rows)
    most = max(
        contacts.pull[programme.pull_rows].max(initial=0.0),
        contacts.grip[programme.cone_rows].max(initial=0.0),
    )
    most = most or 1.0  # the use is reckoned in the greatest capacity, so that its column is of order one
    use_of_pull = -contacts.pull[programme.pull_rows] / most
    use_of_cone = -contacts.grip[programme.cone_rows] / most
    pull_rows = sparse.coo_matrix(
        (np.ones(pulls), (np.arange(pulls), programme.starts[1] + np.arange(pulls))), shape=(pulls, columns)
    )
    unequal = sparse.vstack(
        [
            sparse.hstack([pull_rows, use_of_pull[:, None]]),
            sparse.hstack([programme.cone_matrix(), use_of_cone[:, None]]),
        ]
    ).tocsc()
    equal = sparse.hstack([programme.balance_matrix(), sparse.csc_matrix((6 * len(bodies), 1))]).tocsc()
    cost = np.zeros(columns + 1)
    cost[-1] = 1.0
    limits = np.vstack([programme.bounds(), [0.0, np.inf]])
    right = programme.right_side(loads) / scale
    low = np.concatenate([right, np.full(pulls + cones, -np.inf)])
    high = np.concatenate([right, np.zeros(pulls + cones)])
    found = solve_priced(cost, sparse.vstack([equal, unequal]), low, high, limits)
    if found is None:
        return Balance(False, float("inf"), *programme.nothing())
    use = float(found.solution[-1]) * scale / most
    solution = found.solution * scale
    blame = np.zeros(len(contacts))
    blame[programme.pull_rows] = found.price[len(right) : len(right) + pulls] * use_of_pull
    blame[programme.cone_rows] += found.price[len(right) + pulls :] * use_of_cone
    return Balance(
        use <= 1 + USE_TOLERANCE,
        0.0 if use < USE_TOLERANCE else use,
        programme.forces(solution),
        programme.shares(solution),
        frozen_array(blame, (None,)),
    )


def limit(bodies: Bodies, contacts: Contacts, loads: Array, growing: Array, safety: float = 1.0) -> Limit:
    """The greatest factor f for which ``loads + f growing`` balances, capacities divided by ``safety``."""
    programme = _Programme(bodies, contacts)
    columns = programme.columns
    scale = float(np.abs(np.vstack([loads[:, :3], growing[:, :3]])).max()) or 1.0
    equal = sparse.hstack(
        [programme.balance_matrix(), -programme.right_side(growing)[:, None] / scale]
    ).tocsc()
    unequal = sparse.hstack(
        [programme.cone_matrix(), sparse.csc_matrix((len(programme.cone_rows), 1))]
    ).tocsc()
    most = contacts.grip[programme.cone_rows] / (safety * scale)
    limits = np.vstack([programme.bounds(), [-1.0, UNLIMITED]])
    limits[programme.starts[1] : programme.starts[2], 1] = contacts.pull[programme.pull_rows] / (
        safety * scale
    )
    cost = np.zeros(columns + 1)
    cost[-1] = -1.0
    solution = solve(cost, unequal, most, equal, programme.right_side(loads) / scale, limits)
    if solution is None:
        return Limit(float("-inf"), False, programme.forces(np.zeros(columns)))
    factor = float(solution[-1])
    factor = float("inf") if factor >= UNLIMITED * (1 - 1e-6) else factor
    return Limit(factor, factor >= 0, programme.forces(solution * scale))


def least_hand(bodies: Bodies, contacts: Contacts, loads: Array) -> tuple[int, ...]:
    """Rows of the bodies that a hand must hold for the loads to balance, by the least sum of hand forces.

    A hand may push, pull and steady a body any way; its moment counts as a force at a typical arm.
    """
    programme = _Programme(bodies, contacts)
    columns, wrenches = programme.columns, 6 * len(bodies)
    scale = float(np.abs(loads[:, :3]).max()) or 1.0
    hands = sparse.identity(wrenches, format="csc")
    equal = sparse.hstack([programme.balance_matrix(), hands, -hands]).tocsc()
    cones = len(programme.cone_rows)
    unequal = sparse.hstack([programme.cone_matrix(), sparse.csc_matrix((cones, 2 * wrenches))]).tocsc()
    most = contacts.grip[programme.cone_rows] / scale
    limits = np.vstack([programme.bounds(), np.tile([0.0, np.inf], (2 * wrenches, 1))])
    limits[programme.starts[1] : programme.starts[2], 1] = contacts.pull[programme.pull_rows] / scale
    cost = np.concatenate([np.zeros(columns), np.ones(2 * wrenches)])
    solution = solve(cost, unequal, most, equal, programme.right_side(loads) / scale, limits)
    if solution is None:
        return tuple(range(len(bodies)))
    hand = np.abs(solution[columns:].reshape(2, len(bodies), 6)).sum(axis=(0, 2))
    return tuple(np.flatnonzero(hand > HAND_TOLERANCE).tolist())


def least_extra(
    bodies: Bodies,
    contacts: Contacts,
    loads: Array,
    group: IntArray,
    stronger: Contacts,
    safety: float = 1.0,
) -> Array | None:
    """Shares 0 to 1 of each group's way from ``contacts`` to ``stronger`` capacities, of least sum, that
    balance the loads with all capacities divided by ``safety``; None when even the strongest do not.

    ``group`` (k,) is each contact's group, -1 for none. Both sets of contacts have the same rows. This is
    the relaxation of choosing whole groups to strengthen.
    """
    programme = _Programme(bodies, stronger)
    columns, groups = programme.columns, int(group.max(initial=-1)) + 1
    scale = float(np.abs(loads[:, :3]).max()) or 1.0

    def gains(rows: IntArray, name: str) -> tuple[Any, Array]:
        weak, strong = getattr(contacts, name)[rows], getattr(stronger, name)[rows]
        can = group[rows] >= 0
        matrix = sparse.coo_matrix(
            (-(strong - weak)[can] / (safety * scale), (np.flatnonzero(can), group[rows][can])),
            shape=(len(rows), groups),
        )
        return matrix, weak / (safety * scale)

    pull_gain, pull_most = gains(programme.pull_rows, "pull")
    grip_gain, grip_most = gains(programme.cone_rows, "grip")
    pulls = len(programme.pull_rows)
    picked = sparse.coo_matrix(
        (np.ones(pulls), (np.arange(pulls), programme.starts[1] + np.arange(pulls))), shape=(pulls, columns)
    )
    unequal = sparse.vstack(
        [sparse.hstack([picked, pull_gain]), sparse.hstack([programme.cone_matrix(), grip_gain])]
    ).tocsc()
    equal = sparse.hstack([programme.balance_matrix(), sparse.csc_matrix((6 * len(bodies), groups))]).tocsc()
    limits = np.vstack([programme.bounds(), np.tile([0.0, 1.0], (groups, 1))])
    cost = np.concatenate([np.zeros(columns), np.ones(groups)])
    right = programme.right_side(loads) / scale
    solution = solve(cost, unequal, np.concatenate([pull_most, grip_most]), equal, right, limits)
    return None if solution is None else solution[columns:]
