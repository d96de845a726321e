"""Rigid bodies and the contact points between them, as plain arrays.

Published examples can be fed in as they are printed. Units: millimetres, newtons, grams. A contact pushes
its *first* body along its normal and the second body, or the ground, the other way.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from steps.model import Array, IntArray, frozen_array, frozen_indices
from steps.statics.flat import unit
from steps.ties import least_axis

#: Standard gravity, m/s2 (3rd CGPM, 1901; ISO 80000-3).
GRAVITY = 9.80665
#: Newtons per gram of mass.
NEWTONS_PER_GRAM = GRAVITY / 1000.0
#: Index of the second body of a contact with what does not move.
GROUND = -1


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

    def take(self, rows: ArrayLike, ends: tuple[IntArray, IntArray] | None = None) -> Contacts:
        """The contacts of the given rows (indices or a mask), between other bodies if their ``ends`` are
        given."""
        at = np.asarray(rows)
        first, second = (self.first[at], self.second[at]) if ends is None else ends
        own = (each[at] for each in (self.friction, self.pull, self.grip, self.push))
        return Contacts(self.point[at], self.normal[at], first, second, *own)


def crossed(one: Array, other: Array) -> Array:
    """(k, 3) the cross products of two sets of vectors (k, 3)."""
    (a, b, c), (x, y, z) = one.T, other.T
    return np.stack([b * z - c * y, c * x - a * z, a * y - b * x], axis=1)


def tangents(normal: Array) -> tuple[Array, Array]:
    """Two unit vectors (k, 3) across each normal, along the coordinate axes where the normal is one."""
    helper = np.zeros_like(normal)
    helper[np.arange(len(normal)), least_axis(normal)] = 1.0
    first = crossed(normal, helper)
    first /= np.linalg.norm(first, axis=1, keepdims=True)
    return first, crossed(normal, first)


def typical_arm(bodies: Bodies, contacts: Contacts) -> float:
    """A typical lever, mm: the mean distance of the contacts from their first body's centroid."""
    if not len(contacts):
        return 1.0
    arms = np.linalg.norm(contacts.point - bodies.centroid[contacts.first], axis=1)
    return float(max(arms.mean(), 1e-9))
