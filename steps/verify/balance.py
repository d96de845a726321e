"""Whether rigid bodies can balance, as one linear programme of struts.

All that bodies do to each other is said in struts: a strut pushes one body along a direction at a point, and
the other body, or the ground, the other way, with any force from nothing to its limit. A face that carries is
a strut along each edge of its friction pyramid; what holds against being pulled apart is a strut along the
pull; what cannot slip is a pair of opposite struts. The programme asks for the greatest share of the load
that the struts can carry: all of it, or the bodies move. It always has an answer, since struts that do
nothing carry a share of nothing.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike
from scipy import sparse
from scipy.optimize import linprog

from steps.model import Array, IntArray

#: Ways to solve, tried in turn while one gives up on these degenerate programmes.
SOLVERS: tuple[tuple[str, dict[str, bool]], ...] = (
    ("highs", {}),
    ("highs-ds", {"presolve": False}),
    ("highs-ipm", {}),
)
#: With more struts than this the interior point method comes first (on the tug a third of the time).
LARGE = 1000
#: What scipy's solver says of a programme without any answer: not even ``always`` is carried.
INFEASIBLE = 2
#: Entries this small are rounding of directions that lie across an axis.
ROUNDING = 1e-10
#: The body that does not move.
GROUND = -1
#: Standard gravity in newtons per gram (ISO 80000-3: 9.80665 m/s2).
NEWTONS_PER_GRAM = 9.80665e-3


@dataclass(frozen=True, eq=False)
class Struts:
    """``one`` and ``two`` (k,) rows of bodies, ``point`` (k, 3) mm, ``way`` (k, 3) the unit push on ``one``,
    ``most`` (k,) N."""

    one: IntArray
    two: IntArray
    point: Array
    way: Array
    most: Array

    def __len__(self) -> int:
        return len(self.one)

    @staticmethod
    def join(several: Iterable[Struts]) -> Struts:
        """All struts of several sets, in order."""
        sets = list(several)
        if not sets:
            return Struts(
                np.empty(0, dtype=np.int64),
                np.empty(0, dtype=np.int64),
                np.empty((0, 3)),
                np.empty((0, 3)),
                np.empty(0),
            )
        names = ("one", "two", "point", "way", "most")
        return Struts(*(np.concatenate([getattr(each, name) for each in sets]) for name in names))

    def between(self, rows: IntArray, count: int) -> Struts:
        """Those with both bodies among ``rows`` (or the ground), renumbered by place in ``rows``."""
        place = np.full(count + 1, count)  # the last entry stands for the ground, -1
        place[rows] = np.arange(len(rows))
        place[-1] = GROUND
        one, two = place[self.one], place[self.two]
        keep = (one < count) & (two < count)
        return Struts(one[keep], two[keep], self.point[keep], self.way[keep], self.most[keep])


@dataclass
class Rig:
    """Struts gathered piece by piece."""

    sets: list[Struts] = field(default_factory=list)

    def add(self, one: int, two: int, points: ArrayLike, ways: ArrayLike, most: float = np.inf) -> None:
        """Struts between two bodies at ``points`` (k, 3) along ``ways`` (3,) or (k, 3)."""
        at = np.atleast_2d(np.asarray(points, dtype=float))
        along = np.broadcast_to(np.asarray(ways, dtype=float), at.shape)
        count = len(at)
        self.sets.append(Struts(np.full(count, one), np.full(count, two), at, along, np.full(count, most)))

    def carry(self, one: int, two: int, points: Array, normals: Array, friction: float) -> None:
        """Faces that push ``one`` along their normals and rub: the edges of the friction pyramid."""
        for sideways in pyramid(normals, friction):
            self.add(one, two, points, sideways)

    def lock(self, one: int, two: int, points: Array, ways: Array, most: float = np.inf) -> None:
        """Struts both ways."""
        self.add(one, two, points, ways, most)
        self.add(one, two, points, -np.asarray(ways), most)

    def struts(self) -> Struts:
        return Struts.join(self.sets)


def pyramid(normals: Array, friction: float) -> list[Array]:
    """The edges of the friction pyramid about each normal (k, 3): four, or without rubbing the normal."""
    if friction <= 0:
        return [normals]
    helper = np.eye(3)[np.argmin(np.abs(normals).round(9), axis=1)]
    first = np.cross(normals, helper)
    first /= np.linalg.norm(first, axis=1, keepdims=True)
    second = np.cross(normals, first)
    return [normals + friction * sign * side for side in (first, second) for sign in (1.0, -1.0)]


def weights(mass_g: Array, up: ArrayLike) -> Array:
    """(n, 6) the bodies' own weight: newtons, no moment about their centres."""
    loads = np.zeros((len(mass_g), 6))
    loads[:, :3] = -NEWTONS_PER_GRAM * np.outer(mass_g, np.asarray(up, dtype=float))
    return loads


def share_carried(
    centres: Array, struts: Struts, load: Array, always: Array | None = None, fixed: IntArray | None = None
) -> float:
    """The greatest share, at most 1, of ``load`` (n, 6) that can be carried on top of ``always`` (n, 6).

    Loads are newtons and newton millimetres about the ``centres`` (n, 3); bodies in ``fixed`` do not move.
    Nothing is carried (0) where not even ``always`` is.
    """
    free = np.ones(len(centres), dtype=bool)
    free[[] if fixed is None else fixed] = False
    if not np.any(load[free]):
        return 1.0
    resting = np.zeros_like(load) if always is None else always
    scale = float(max(np.abs(load[:, :3]).max(), np.abs(resting[:, :3]).max(), 1e-12))
    arm = _typical_arm(centres, struts)
    matrix = _forces_on_bodies(centres, struts, arm)
    unit = np.array([1, 1, 1, 1 / arm, 1 / arm, 1 / arm]) / scale
    rows = np.flatnonzero(np.repeat(free, 6))
    wanted, given = (load * unit).ravel()[rows], (resting * unit).ravel()[rows]
    columns = sparse.hstack([matrix[rows], sparse.csr_matrix(wanted[:, None])]).tocsc()
    limits = np.column_stack([np.zeros(len(struts) + 1), np.append(struts.most / scale, 1.0)])
    cost = np.zeros(len(struts) + 1)
    cost[-1] = -1.0
    for method, options in SOLVERS if len(struts) <= LARGE else SOLVERS[::-1]:
        found = linprog(cost, A_eq=columns, b_eq=-given, bounds=limits, method=method, options=options)
        if found.status == 0:
            return float(found.x[-1])
        if found.status == INFEASIBLE:
            break
    return 0.0


def _typical_arm(centres: Array, struts: Struts) -> float:
    """mm by which moments are divided, so that they count as forces do."""
    real = struts.one != GROUND
    arms = np.linalg.norm(struts.point[real] - centres[struts.one[real]], axis=1)
    return float(max(arms.mean(), 1e-9)) if len(arms) else 1.0


def _forces_on_bodies(centres: Array, struts: Struts, arm: float) -> sparse.csr_matrix:
    """(6 n, k) force and moment on each body of a unit push of each strut."""
    entries, rows, columns = [], [], []
    for body, sign in ((struts.one, 1.0), (struts.two, -1.0)):
        at = np.flatnonzero(body != GROUND)
        push = sign * struts.way[at]
        turn = np.cross(struts.point[at] - centres[body[at]], push) / arm
        wrench = np.hstack([push, turn])
        entries.append(np.where(np.abs(wrench) < ROUNDING, 0.0, wrench).ravel())
        rows.append((6 * body[at][:, None] + np.arange(6)).ravel())
        columns.append(np.repeat(at, 6))
    shape = (6 * len(centres), len(struts))
    whole = (np.concatenate(entries), (np.concatenate(rows), np.concatenate(columns)))
    return sparse.coo_matrix(whole, shape=shape).tocsr()
