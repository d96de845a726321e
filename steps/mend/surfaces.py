"""Planes, cylinders and spheres through many points that chance has moved off them.

Fits are least squares in which a point has the less say the further off it lies, and none beyond what chance
reaches: so what belongs to another surface pulls at none.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import ClassVar, Self

import numpy as np

from steps.model import Array
from steps.ties import least_axis

#: What lies off by so many times the noise has no say (Tukey's biweight: 95 % as good as plain least squares
#: where all is chance).
NO_SAY = 4.7
#: Steps of a fit at most, and before them those in which the noise is what most points show: it begins rough.
STEPS, ROUGH_STEPS = 5, 5
#: A fit is done when its points move by less than this share of the noise.
DONE = 1e-3
#: A median of so many deviations off is one (of a normal distribution).
MEDIAN_OFF = 0.6745
#: A surface of a radius so many times as long as its points reach is flat.
FLATTEST = 50.0


@dataclass(frozen=True, eq=False)
class TrueSurface:
    """What points may lie on. Its parameters are named by their columns in ``slopes``."""

    middle: Array  #: (3,)
    free: ClassVar[int]  #: number of its parameters
    place: ClassVar[list[int]]  #: those that leave its direction and its radius as they are

    def off(self, points: Array) -> Array:
        """(n,) mm off the surface, to its outer side."""
        raise NotImplementedError

    def way(self, points: Array) -> Array:
        """(n, 3) unit normals at points."""
        raise NotImplementedError

    def slopes(self, points: Array) -> Array:
        """(n, free) how ``off`` changes with each parameter."""
        raise NotImplementedError

    def stepped(self, step: Array) -> Self:
        """The surface with its parameters changed by so much."""
        raise NotImplementedError

    @property
    def size(self) -> float:
        """Its radius, mm; 0 for a plane."""
        return 0.0


@dataclass(frozen=True, eq=False)
class TruePlane(TrueSurface):
    """A plane through ``middle``."""

    axis: Array  #: (3,) unit normal
    free: ClassVar[int] = 3
    place: ClassVar[list[int]] = [0]

    def off(self, points: Array) -> Array:
        return np.asarray((points - self.middle) @ self.axis)

    def way(self, points: Array) -> Array:
        return np.broadcast_to(self.axis, points.shape)

    def slopes(self, points: Array) -> Array:
        across = (points - self.middle) @ _across(self.axis).T
        return np.column_stack([-np.ones(len(points)), across])

    def stepped(self, step: Array) -> Self:
        axis = self.axis + step[1:] @ _across(self.axis)
        return replace(self, middle=self.middle + step[0] * self.axis, axis=axis / np.linalg.norm(axis))


@dataclass(frozen=True, eq=False)
class TrueCylinder(TrueSurface):
    """A cylinder about the line through ``middle`` along ``axis``."""

    axis: Array  #: (3,) unit
    radius: float
    free: ClassVar[int] = 5
    place: ClassVar[list[int]] = [0, 1]

    def _from_axis(self, points: Array) -> Array:
        apart = points - self.middle
        return np.asarray(apart - (apart @ self.axis)[:, None] * self.axis)

    def off(self, points: Array) -> Array:
        return np.asarray(np.linalg.norm(self._from_axis(points), axis=1) - self.radius)

    def way(self, points: Array) -> Array:
        return _unit(self._from_axis(points))

    def slopes(self, points: Array) -> Array:
        across = -self.way(points) @ _across(self.axis).T
        along = ((points - self.middle) @ self.axis)[:, None]
        return np.column_stack([across, along * across, -np.ones(len(points))])

    def stepped(self, step: Array) -> Self:
        ways = _across(self.axis)
        axis = self.axis + step[2:4] @ ways
        axis = axis / np.linalg.norm(axis)
        return replace(
            self, middle=self.middle + step[:2] @ ways, axis=axis, radius=self.radius + float(step[4])
        )

    @property
    def size(self) -> float:
        return self.radius


@dataclass(frozen=True, eq=False)
class TrueSphere(TrueSurface):
    """A sphere about ``middle``."""

    radius: float
    free: ClassVar[int] = 4
    place: ClassVar[list[int]] = [0, 1, 2]

    def off(self, points: Array) -> Array:
        return np.asarray(np.linalg.norm(points - self.middle, axis=1) - self.radius)

    def way(self, points: Array) -> Array:
        return _unit(points - self.middle)

    def slopes(self, points: Array) -> Array:
        return np.column_stack([-self.way(points), -np.ones(len(points))])

    def stepped(self, step: Array) -> Self:
        return replace(self, middle=self.middle + step[:3], radius=self.radius + float(step[3]))

    @property
    def size(self) -> float:
        return self.radius


def _unit(ways: Array) -> Array:
    return np.asarray(ways / np.maximum(np.linalg.norm(ways, axis=1), 1e-300)[:, None])


def _across(axis: Array) -> Array:
    """(2, 3) two unit vectors perpendicular to an axis and to each other."""
    x, y, z = axis.tolist()
    one = np.array([(0.0, -z, y), (z, 0.0, -x), (-y, x, 0.0)][int(least_axis(axis))])
    a, b, c = (one / np.linalg.norm(one)).tolist()
    return np.array([(a, b, c), (y * c - z * b, z * a - x * c, x * b - y * a)])


# ------------------------------------------------------------------------------------ fits


def fits(points: Array, normals: Array, weights: Array, noise: float) -> list[TrueSurface]:
    """A plane, a cylinder and a sphere through points, as far as there are such; ``normals`` (m, 3) of the
    faces between them, with their ``weights``."""
    _, axes = np.linalg.eigh((normals * weights[:, None]).T @ normals)
    middle = points.mean(axis=0)
    started: list[TrueSurface] = [TruePlane(middle, axes[:, 2])]
    round_ = _centre((points - middle) @ axes[:, 1:])
    if round_ is not None:
        started.append(TrueCylinder(middle + axes[:, 1:] @ round_[0], axes[:, 0], round_[1]))
    ball = _centre(points - middle)
    if ball is not None:
        started.append(TrueSphere(middle + ball[0], ball[1]))
    found = (refined(each, points, noise, rough=ROUGH_STEPS) for each in started)
    return [each for each in found if each is not None]


def _centre(points: Array) -> tuple[Array, float] | None:
    """Centre and radius of the circle (n, 2) or sphere (n, 3) through points: Kasa's algebraic fit."""
    size = float(np.abs(points).max(initial=0.0))
    if size == 0:
        return None
    p = points / size
    found, _, rank, _ = np.linalg.lstsq(np.column_stack([2 * p, np.ones(len(p))]), (p**2).sum(axis=1))
    squared = float(found[-1] + found[:-1] @ found[:-1])
    if rank <= p.shape[1] or squared <= 0:
        return None
    return found[:-1] * size, squared**0.5 * size


def refined(
    surface: TrueSurface, points: Array, noise: float, only: list[int] | None = None, rough: int = 0
) -> TrueSurface | None:
    """The surface fitted to points by Gauss-Newton steps, of its parameters ``only`` some; None for none."""
    extent = float(np.linalg.norm(np.ptp(points, axis=0)))
    kept = np.arange(surface.free) if only is None else np.array(only)
    for row in range(rough + STEPS):
        off = surface.off(points)
        shown = float(np.median(np.abs(off))) / MEDIAN_OFF if row < rough else 0.0
        say = say_of(off, max(noise, shown)) ** 0.5
        slopes = surface.slopes(points)[:, kept]
        scale = np.maximum(np.abs(slopes).max(axis=0), 1e-300)
        step = np.zeros(surface.free)
        by = np.linalg.lstsq(slopes / scale * say[:, None], -off * say)[0]
        step[kept] = by / scale
        surface = surface.stepped(step)
        if not (0 <= surface.size < FLATTEST * extent):  # not finite either
            return None
        if row >= rough and np.abs(by).max() <= DONE * noise:
            break
    return surface


def say_of(off: Array, noise: float) -> Array:
    """(n,) how much say points have that lie so far off."""
    return np.asarray((1 - np.clip(off / (NO_SAY * noise), -1, 1) ** 2) ** 2)
