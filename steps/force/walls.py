"""Walls and ribs that bend: strips that hang from the roof, spans between two ribs, and both at once.

A wall under a stud is a plate clamped along its roof and at the ribs, corners or cross walls at both
ends, free at the mouth of the socket. One beam misses it by up to a factor of two, so the plate is
solved: cubic elements along the wall, polynomials up it (Ritz's method, so from above, to about 1 %).

All lengths mm, moduli MPa, stiffness N/mm. Checked in the tests against the cantilever plate of Timoshenko
and Woinowsky-Krieger, Theory of Plates and Shells, and against beams.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import scipy.linalg
from numpy.polynomial import Legendre, Polynomial

from steps.model import Array, IntArray, frozen_array

#: Shear form factor of a rectangle (Roark).
SHEAR_FORM = 1.2
#: Polynomials up the wall; a seventh changes a block's wall by less than 0.5 %.
HEIGHT_TERMS = 6
#: The elements beside the load are this share of the wall's height long, and grow from there.
FIRST_ELEMENT = 0.15
GROWTH = 2.2
#: A line shorter than this share of the height is a point.
SHORTEST_LINE = 1e-5


def shear_softening(thickness: float, reach: float, poisson: float) -> float:
    """Factor by which shear lengthens the give of such a strip: 1 + 0.25 (E/G) 1.2 (t/a)^2."""
    return 1 + 0.25 * 2 * (1 + poisson) * SHEAR_FORM * (thickness / reach) ** 2


def plate_rigidity(thickness: float, poisson: float) -> float:
    """D / E (mm^3) of a plate: t^3 / (12 (1 - nu^2))."""
    return thickness**3 / (12 * (1 - poisson**2))


@dataclass(frozen=True, eq=False)
class Wall:
    """A wall seen from the stud: along it stretches of one rigidity each, up it from the roof to the mouth.

    ``ends`` (n + 1,) mm along the wall, rising; ``rigidity`` (n,) D / E of each stretch, mm^3. Each end is
    clamped (a corner, a cross wall) or free.
    """

    ends: Array
    rigidity: Array
    height: float  #: mm, from the roof to the free edge
    roof: bool = True  #: clamped along its upper edge; a wall without a roof is free there
    clamped: tuple[bool, bool] = (True, True)

    def __post_init__(self) -> None:
        object.__setattr__(self, "ends", frozen_array(self.ends, (None,), "ends"))
        object.__setattr__(self, "rigidity", frozen_array(self.rigidity, (len(self.ends) - 1,), "rigidity"))

    @staticmethod
    def plain(
        span: float, thickness: float, height: float, poisson: float, roof: bool = True, clamped: bool = True
    ) -> Wall:
        """An even wall, its middle at 0."""
        rigidity = [plate_rigidity(thickness, poisson)]
        return Wall(np.array([-span / 2, span / 2]), np.array(rigidity), height, roof, (clamped, clamped))


def plate_stiffness(
    wall: Wall, at: float, lines: Sequence[tuple[float, float]], poisson: float
) -> tuple[float, ...]:
    """k / E (mm) of a wall loaded along each of some upright lines, one at a time; inf where it cannot give.

    ``at`` mm along the wall; a line runs between two distances below the roof, mm. The load is even over it
    and the give is its mean there; a line of no length is a point. Zero for a wall that nothing holds.
    """
    if not wall.roof and not any(wall.clamped):
        return tuple(0.0 for _ in lines)
    nodes = _nodes(wall, at)
    along = _along(nodes, wall)
    up = _up(wall.height, wall.roof)
    stiff = (
        _product(along.bent, up.plain)
        + _product(along.plain, up.bent)
        + poisson * (_product(along.mixed, up.mixed.T) + _product(along.mixed.T, up.mixed))
        + 2 * (1 - poisson) * _product(along.sloped, up.sloped)
    )
    shape = np.zeros(2 * len(nodes))
    shape[2 * int(np.argmin(np.abs(nodes - at)))] = 1.0
    free = _free(len(nodes), wall.clamped, HEIGHT_TERMS)
    means = _means(np.array(lines) / wall.height, wall.roof)
    loads = (means[:, None] * shape[None, :, None]).reshape(len(lines), -1)[:, free]
    width = 4 * HEIGHT_TERMS - 1
    solved = scipy.linalg.solve_banded((width, width), _bands(stiff[np.ix_(free, free)], width), loads.T)
    gives = [float(load @ column) for load, column in zip(loads, solved.T, strict=True)]
    return tuple(1 / give if give > 0 else float("inf") for give in gives)


@lru_cache(maxsize=4)
def _gauss(count: int) -> tuple[Array, Array]:
    """Gauss's points in [-1, 1] and their weights."""
    points, weights = np.polynomial.legendre.leggauss(count)
    return points, weights


def _product(along: Array, up: Array) -> Array:
    """The matrix of products of functions along and up, those of one node together."""
    size = len(along) * len(up)
    return np.asarray((along[:, None, :, None] * up[None, :, None, :]).reshape(size, size))


def _bands(stiff: Array, width: int) -> Array:
    """Diagonals of a matrix whose unknowns meet only those of the next node, as LAPACK wants them."""
    count = len(stiff)
    found = np.zeros((2 * width + 1, count))
    for above in range(-min(width, count - 1), min(width, count - 1) + 1):
        found[width - above, max(above, 0) : count + min(above, 0)] = np.diagonal(stiff, above)
    return found


@dataclass(frozen=True, eq=False)
class _Integrals:
    """Of products of a set of functions: plain f g, sloped f' g', bent f'' g'', mixed f'' g."""

    plain: Array
    sloped: Array
    bent: Array
    mixed: Array


def _nodes(wall: Wall, at: float) -> Array:
    """Ends of the elements along a wall: fine beside the load, coarser away from it."""
    low, high = float(wall.ends[0]), float(wall.ends[-1])
    found = [low, at, high]
    for sign, end in ((-1.0, low), (1.0, high)):
        step, reach = FIRST_ELEMENT * wall.height, FIRST_ELEMENT * wall.height
        while reach + step / 2 < sign * (end - at):
            found.append(at + sign * reach)
            step *= GROWTH
            reach += step
    return np.unique(np.clip(found, low, high))


def _along(nodes: Array, wall: Wall) -> _Integrals:
    """Integrals of the cubic elements' functions, two a node (value, slope), each times D / E there.

    Exact where the rigidity changes within an element, too: each piece has its own Gauss points.
    """
    borders = np.unique(np.concatenate([nodes, wall.ends]))
    lengths, middles = np.diff(borders), (borders[1:] + borders[:-1]) / 2
    points, weights = _gauss(4)
    x = (middles[:, None] + lengths[:, None] / 2 * points).ravel()
    rigidity = wall.rigidity[np.clip(np.searchsorted(wall.ends, middles) - 1, 0, len(wall.rigidity) - 1)]
    weight = ((lengths * rigidity)[:, None] / 2 * weights).ravel()
    value, slope, bend = _cubics(nodes, x)
    pairs = ((value, value), (slope, slope), (bend, bend), (bend, value))
    return _Integrals(*((f * weight[:, None]).T @ g for f, g in pairs))


def _cubics(nodes: Array, x: Array) -> tuple[Array, Array, Array]:
    """(points, 2 nodes) values, slopes and bends of the cubic elements' functions."""
    row = np.clip(np.searchsorted(nodes, x) - 1, 0, len(nodes) - 2)
    h = np.diff(nodes)[row]
    s = (x - nodes[row]) / h
    made = (
        (1 - 3 * s**2 + 2 * s**3, h * (s - 2 * s**2 + s**3), 3 * s**2 - 2 * s**3, h * (s**3 - s**2)),
        ((6 * s**2 - 6 * s) / h, 1 - 4 * s + 3 * s**2, (6 * s - 6 * s**2) / h, 3 * s**2 - 2 * s),
        ((12 * s - 6) / h**2, (6 * s - 4) / h, (6 - 12 * s) / h**2, (6 * s - 2) / h),
    )
    found = np.zeros((3, len(x), 2 * len(nodes)))
    at = np.arange(len(x))
    for kind, columns in enumerate(made):
        for place, column in enumerate(columns):
            found[kind, at, 2 * row + place] = column
    return found[0], found[1], found[2]


@lru_cache(maxsize=2)
def _upright(roof: bool) -> tuple[Array, tuple[Array, ...]]:
    """Functions up a wall of height 1 (0 at the roof) as (terms, powers) coefficients, and their
    integrals."""
    root = Polynomial([0.0, 0.0, 1.0] if roof else [1.0])
    functions = [
        root * Legendre.basis(n, domain=[0, 1]).convert(kind=Polynomial) for n in range(HEIGHT_TERMS)
    ]
    points, weights = _gauss(2 * HEIGHT_TERMS)
    z, weights = (points + 1) / 2, weights / 2
    value, slope, bend = (np.array([f.deriv(k)(z) for f in functions]) for k in range(3))
    pairs = ((value, value), (slope, slope), (bend, bend), (bend, value))
    powers = np.zeros((HEIGHT_TERMS, HEIGHT_TERMS + 2))
    for row, f in enumerate(functions):
        powers[row, : len(f.coef)] = f.coef
    return powers, tuple((f * weights) @ g.T for f, g in pairs)


def _up(height: float, roof: bool) -> _Integrals:
    powers = (height, 1 / height, 1 / height**3, 1 / height)
    return _Integrals(*(own * power for own, power in zip(_upright(roof)[1], powers, strict=True)))


def _means(lines: Array, roof: bool) -> Array:
    """(lines, terms) mean of each function up a wall of height 1 between two heights (lines, 2)."""
    powers = _upright(roof)[0]
    a, b = lines[:, :1], np.maximum(lines[:, 1:], lines[:, :1] + SHORTEST_LINE)
    k = np.arange(1, powers.shape[1] + 1)
    return np.asarray((b**k - a**k) / k / (b - a) @ powers.T)


def _free(nodes: int, clamped: Sequence[bool], terms: int) -> IntArray:
    """Rows of the unknowns that no clamp holds."""
    first = 2 * terms if clamped[0] else 0
    last = 2 * nodes * terms - (2 * terms if clamped[1] else 0)
    return np.arange(first, last)
