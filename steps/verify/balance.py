"""Whether rigid bodies can balance, as one linear programme of struts.

All that bodies do to each other is said in struts: a strut pushes one body along a direction at a point, and
the other body, or the ground, the other way, with any force from its least to its most. A face that carries
is a strut along each edge of its friction pyramid, which only pushes; what holds against being pulled apart
is a strut along the pull; what cannot slip is a strut that pushes and pulls. The programme asks for the
greatest share of the load that the struts can carry: all of it, or the bodies move. It always has an answer,
since struts that do nothing carry a share of nothing. Of a build that grows, what carried it before is tried
first, and only what has changed is asked anew.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace

import clarabel
import numpy as np
from numpy.typing import ArrayLike
from scipy import sparse
from scipy.optimize import linprog
from scipy.sparse.csgraph import breadth_first_order

from steps.model import Array, IntArray, Mask
from steps.ties import least_axis

#: No strut pushes or pulls harder than so many times all loads together: what would need a lever of more than
#: a thousand to one is not believed to hold, and forces that only rounding balances are not found at all.
MOST_FORCE = 1e3
#: Forces balance when nothing is left over beyond so much, as a share of the greatest load.
BALANCED = 1e-6
#: What has changed is not asked alone where it takes in so large a share of the bodies.
LOCAL_SHARE = 0.7
#: A direction lies across an axis that it leans towards by no more than this: what is measured of meshes in
#: single precision tells none nearer, and struts a hundred thousand times as strong as the load would hold by
#: such a lean, or nothing keep a wheel from running off its axle.
LEAN = 1e-5
#: What is told of each strut.
FIELDS = ("one", "two", "point", "way", "least", "most", "mark")
#: What the second solver calls a programme that nothing meets.
INFEASIBLE = 2
#: The body that does not move.
GROUND = -1
#: Standard gravity in newtons per gram (ISO 80000-3: 9.80665 m/s2).
NEWTONS_PER_GRAM = 9.80665e-3


#: Least and most (k,) of each strut, in units of the load.
Range = tuple[Array, Array]


@dataclass(frozen=True, eq=False)
class Struts:
    """``one`` and ``two`` (k,) rows of bodies, ``point`` (k, 3) mm, ``way`` (k, 3) the unit push on ``one``,
    ``least`` and ``most`` (k,) N, where less than nothing is a pull; ``mark`` (k,) a number by which each is
    known from one build to the next, or -1."""

    one: IntArray
    two: IntArray
    point: Array
    way: Array
    least: Array
    most: Array
    mark: IntArray

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
                np.empty(0),
                np.empty(0, dtype=np.int64),
            )
        return Struts(*(np.concatenate([getattr(each, name) for each in sets]) for name in FIELDS))

    def where(self, which: Mask) -> Struts:
        """Those of a mask (k,)."""
        return Struts(*(getattr(self, name)[which] for name in FIELDS))

    def between(self, rows: IntArray, count: int) -> Struts:
        """Those with both bodies among ``rows`` (or the ground), renumbered by place in ``rows``."""
        place = np.full(count + 1, count)  # the last entry stands for the ground, -1
        place[rows] = np.arange(len(rows))
        place[-1] = GROUND
        one, two = place[self.one], place[self.two]
        keep = (one < count) & (two < count)
        return replace(self, one=one, two=two).where(keep)

    def numbered(self, start: int) -> Struts:
        """The same, known by numbers from ``start``."""
        return replace(self, mark=np.arange(start, start + len(self)))


@dataclass
class Rig:
    """Struts gathered piece by piece."""

    sets: list[Struts] = field(default_factory=list)

    def add(
        self,
        one: int,
        two: int,
        points: ArrayLike,
        ways: ArrayLike,
        most: ArrayLike = np.inf,
        least: ArrayLike = 0.0,
    ) -> None:
        """Struts between two bodies at ``points`` (k, 3) along ``ways`` (3,) or (k, 3), with ``least`` and
        ``most`` of all or of each (k,)."""
        at = np.atleast_2d(np.asarray(points, dtype=float))
        along = np.broadcast_to(np.asarray(ways, dtype=float), at.shape)
        count = len(at)
        ends = np.full(count, one), np.full(count, two)
        low, high = (np.broadcast_to(np.asarray(each, dtype=float), (count,)) for each in (least, most))
        self.sets.append(Struts(*ends, at, along, low, high, np.full(count, -1)))

    def carry(self, one: int, two: int, points: Array, normals: Array, friction: float) -> None:
        """Faces that push ``one`` along their normals and rub: the edges of the friction pyramid."""
        for sideways in pyramid(normals, friction):
            self.add(one, two, points, sideways)

    def lock(self, one: int, two: int, points: Array, ways: Array, most: ArrayLike = np.inf) -> None:
        """Struts that push and pull."""
        self.add(one, two, points, ways, most, -np.asarray(most))

    def struts(self) -> Struts:
        return Struts.join(self.sets)


def pyramid(normals: Array, friction: float) -> list[Array]:
    """The edges of the friction pyramid about each normal (k, 3): four, or without rubbing the normal."""
    if friction <= 0:
        return [normals]
    helper = np.eye(3)[least_axis(normals)]
    first = np.cross(normals, helper)
    first /= np.linalg.norm(first, axis=1, keepdims=True)
    second = np.cross(normals, first)
    return [normals + friction * sign * side for side in (first, second) for sign in (1.0, -1.0)]


def weights(mass_g: Array, up: ArrayLike) -> Array:
    """(n, 6) the bodies' own weight: newtons, no moment about their centres."""
    loads = np.zeros((len(mass_g), 6))
    loads[:, :3] = -NEWTONS_PER_GRAM * np.outer(mass_g, np.asarray(up, dtype=float))
    return loads


@dataclass(frozen=True, eq=False)
class Carried:
    """The greatest ``share`` of a load, at most 1, that is carried, and the forces (k,) N of the struts. What
    no solver could tell is not ``settled``, and counts as a share of nothing."""

    share: float
    force: Array
    settled: bool = True

    def said(self, of: str) -> str:
        """In words, how much of what it carries."""
        if not self.settled:
            return f"whether it bears {of} could not be settled, which counts as falling"
        return f"it bears {max(self.share, 0.0):.0%} of {of}"


def share_carried(
    centres: Array,
    struts: Struts,
    load: Array,
    always: Array | None = None,
    fixed: IntArray | None = None,
    earlier: Sequence[Array] = (),
) -> Carried:
    """The greatest share, at most 1, of ``load`` (n, 6) that can be carried on top of ``always`` (n, 6).

    Loads are newtons and newton millimetres about the ``centres`` (n, 3); bodies in ``fixed`` do not move.
    Nothing is carried (0) where not even ``always`` is. Where one of the ``earlier`` forces (k,) N each
    carries nearly all of it, only what has changed is asked first.
    """
    free = np.ones(len(centres), dtype=bool)
    free[[] if fixed is None else fixed] = False
    if not np.any(load[free]):
        return Carried(1.0, np.zeros(len(struts)))
    resting = np.zeros_like(load) if always is None else always
    scale = float(max(np.abs(load[:, :3]).max(), np.abs(resting[:, :3]).max(), 1e-12))
    struts = replace(struts, way=np.where(np.abs(struts.way) <= LEAN, 0.0, struts.way))
    arm = _typical_arm(centres, struts)
    matrix = _forces_on_bodies(centres, struts, arm)
    unit = np.array([1, 1, 1, 1 / arm, 1 / arm, 1 / arm]) / scale
    moving = np.repeat(free, 6)
    wanted, given = (
        np.where(moving, (load * unit).ravel(), 0.0),
        np.where(moving, (resting * unit).ravel(), 0),
    )
    loads = np.abs(load[:, :3]).sum() + np.abs(resting[:, :3]).sum()
    most = MOST_FORCE * max(1.0, float(loads) / scale)
    range_ = struts.least / scale, struts.most / scale
    before = [each / scale for each in earlier]
    near = _carried_nearby(matrix, struts, wanted + given, range_, most, free, before)
    if near is not None:
        return Carried(1.0, near * scale)
    found = _greatest(matrix[moving], wanted[moving], given[moving], range_, most)
    return replace(found, force=found.force * scale)


def _greatest(matrix: sparse.csr_matrix, wanted: Array, given: Array, range_: Range, most: float) -> Carried:
    """The greatest share of the loads ``wanted`` (m,) that struts of ``matrix`` (m, k) carry with those
    ``given`` (m,), each within its range and none with more than ``most``; and their forces.

    Mostly no force comes near the most, so that it is bounded only where one does. What the interior point
    finds is checked; where it is not a balance another solver is asked, and where that finds none either it
    is not settled.
    """
    count = matrix.shape[1]
    columns = sparse.hstack([matrix, sparse.csr_matrix(wanted[:, None])]).tocsc()
    cost = np.append(np.zeros(count), -1.0)
    within = np.maximum(range_[0], -most), np.minimum(range_[1], most)
    for low, high in ((np.append(low, 0.0), np.append(high, 1.0)) for low, high in (range_, within)):
        found = _interior(cost, columns, given, low, high)
        if found.status == clarabel.SolverStatus.PrimalInfeasible:
            return Carried(0.0, np.zeros(count))
        answer = np.clip(found.x, low, high)
        if (
            found.status == clarabel.SolverStatus.Solved
            and np.abs(columns @ answer + given).max() <= BALANCED
            and np.abs(answer[:-1]).max(initial=0.0) <= most
        ):
            return Carried(float(answer[-1]), answer[:-1])
    again = linprog(cost, A_eq=columns, b_eq=-given, bounds=np.column_stack([low, high]), method="highs")
    if again.status == INFEASIBLE:
        return Carried(0.0, np.zeros(count))
    if again.status != 0 or np.abs(columns @ again.x + given).max() > BALANCED:
        return Carried(0.0, np.zeros(count), settled=False)
    return Carried(float(again.x[-1]), again.x[:-1])


def _interior(
    cost: Array, columns: sparse.csc_matrix, given: Array, low: Array, high: Array
) -> clarabel.DefaultSolution:
    """What the interior point finds: the least cost (k,) of forces within their bounds (k,) that balance."""
    below, above = np.flatnonzero(np.isfinite(low)), np.flatnonzero(np.isfinite(high))
    every = sparse.identity(len(cost), format="csc")
    solver = clarabel.DefaultSolver(
        sparse.csc_matrix((len(cost), len(cost))),
        cost,
        sparse.vstack([columns, -every[below], every[above]]).tocsc(),
        np.concatenate([-given, -low[below], high[above]]),
        [clarabel.ZeroConeT(len(given)), clarabel.NonnegativeConeT(len(below) + len(above))],
        _quietly(),
    )
    return solver.solve()


def _quietly() -> clarabel.DefaultSettings:
    settings = clarabel.DefaultSettings()
    settings.verbose, settings.max_threads = False, 1
    return settings


def _carried_nearby(
    matrix: sparse.csr_matrix,
    struts: Struts,
    load: Array,
    range_: Range,
    most: float,
    free: Mask,
    earlier: Sequence[Array],
) -> Array | None:
    """(k,) forces that carry all of ``load`` (6 n,), like those of the ``earlier`` ones that leave fewest
    bodies out of balance, but near these; None where none were found, which says nothing."""
    tried = [np.clip(np.clip(each, *range_), -most, most) for each in earlier]
    off = [free & _unbalanced(matrix, force, load) for force in tried]
    best = min(range(len(tried)), key=lambda at: off[at].sum(), default=None)
    if best is None:
        return None
    force, changed = tried[best], off[best]
    for region in _regions(changed, struts):
        region = region & free
        if not region.any():
            return force
        if region.sum() > LOCAL_SHARE * free.sum():
            return None
        anew = _anew(region, ~free, matrix, struts, load, range_, most, force)
        if anew is not None and not np.any(free & _unbalanced(matrix, anew, load)):
            return anew
    return None


def _unbalanced(matrix: sparse.csr_matrix, force: Array, load: Array) -> Mask:
    """(n,) the bodies on which forces and load leave something over."""
    left = np.abs(matrix @ force + load).reshape(-1, 6).max(axis=1)
    return np.asarray(left > BALANCED)


def _anew(
    region: Mask,
    fixed: Mask,
    matrix: sparse.csr_matrix,
    struts: Struts,
    load: Array,
    range_: Range,
    most: float,
    force: Array,
) -> Array | None:
    """(k,) the forces with those of a region (n,) found anew; all others load it as they are."""
    inner, rest = np.append(region, False), np.append(fixed, True)  # the ground is at the end
    own = inner[struts.one] | inner[struts.two]
    own &= (inner | rest)[struts.one] & (inner | rest)[struts.two]
    rows = np.flatnonzero(np.repeat(region, 6))
    found, part = np.where(own, 0.0, force), matrix[rows]
    own_range = range_[0][own], range_[1][own]
    told = _greatest(part[:, own], part @ found + load[rows], np.zeros(len(rows)), own_range, most)
    found[own] = told.force
    return found if told.share >= 1 - BALANCED else None


def _regions(changed: Mask, struts: Struts) -> Iterator[Mask]:
    """(n,) bodies each: those that changed with a shortest way over struts from each to the ground; then
    these with all that they push on."""
    count = len(changed)
    one, two = (np.where(body == GROUND, count, body) for body in (struts.one, struts.two))
    links = sparse.csr_matrix((np.ones(len(one)), (one, two)), shape=(count + 1, count + 1))
    towards = breadth_first_order(links, count, directed=False)[1]
    region = np.zeros(count + 1, dtype=bool)
    for body in np.flatnonzero(changed).tolist():
        while 0 <= body < count and not region[body]:
            region[body] = True
            body = towards[body]
    yield region[:-1]
    yield (region | (links @ region > 0) | (links.T @ region > 0))[:-1]


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
        turn = np.cross(struts.point[at] - centres[body[at]], push)
        entries.append(np.hstack([push, turn / arm]).ravel())
        rows.append((6 * body[at][:, None] + np.arange(6)).ravel())
        columns.append(np.repeat(at, 6))
    shape = (6 * len(centres), len(struts))
    whole = (np.concatenate(entries), (np.concatenate(rows), np.concatenate(columns)))
    return sparse.coo_matrix(whole, shape=shape).tocsr()
