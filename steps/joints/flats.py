"""Flat faces that lie on each other: which, over what area, within what outline."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import cached_property
from types import MappingProxyType
from weakref import WeakKeyDictionary

import numpy as np
import shapely

from steps.features.anatomy import Anatomy
from steps.features.patches import plane_basis
from steps.joints.contact import Contact
from steps.model import Array

#: Flat faces further apart than this share of the unit length do not touch (0.04 mm at a pitch of 10).
APART_SHARE = 0.004
#: Solids modelled into each other by up to this share still rest on each other (0.2 mm at 10): of the length
#: that tolerances of motion are shares of, where that is told, since what lies deeper is in the way.
INTO_SHARE = 0.02
#: Normals of faces that rest on each other are opposed within this (cosine).
OPPOSED = np.cos(np.radians(0.6))
#: Shared areas below this share of the squared unit length are brushes (0.2 mm2 at 10).
AREA_SHARE = 0.002
#: Corners kept of a shared area's outline.
MAX_CORNERS = 8
#: A point of an outline that takes no more than this share of its area with it lies along a side.
CORNER_SHARE = 1e-3
#: Grid of a union over the size of what is united: far below any tolerance, far above rounding.
GRID_SHARE = 1e-9


@dataclass(frozen=True, eq=False)
class Flat:
    """All faces of a shape in one plane, facing one way."""

    normal: Array
    offset: float
    basis: Array  #: (2, 3)
    triangles: Array  #: (k, 3, 2) in the basis
    area: float

    @cached_property
    def middle(self) -> Array:
        """(3,) amid its corners, on its plane."""
        return self.triangles.mean(axis=(0, 1)) @ self.basis + self.normal * self.offset

    @cached_property
    def reach(self) -> float:
        """How far its corners are from its middle, mm."""
        return float(np.linalg.norm(self.triangles - self.basis @ self.middle, axis=2).max())

    @cached_property
    def outline(self) -> shapely.Geometry:
        """The region; few of a shape's flats ever meet another, so it is made when first asked for."""
        triangles = shapely.polygons(self.triangles)
        with suppress(shapely.GEOSException):
            joined = shapely.coverage_union_all(triangles)
            if shapely.is_valid(joined) and abs(joined.area - self.area) <= 1e-6 * self.area:
                return joined
        # triangles that overlap or do not share their edges: on a grid a union cannot fail
        return shapely.union_all(
            triangles, grid_size=GRID_SHARE * float(np.ptp(self.triangles, axis=(0, 1)).max())
        )


_known: WeakKeyDictionary[Anatomy, dict[float, tuple[Flat, ...]]] = WeakKeyDictionary()


def flats(body: Anatomy, unit: float) -> tuple[Flat, ...]:
    """The flat regions of a shape large enough for more than a brush, remembered while its anatomy lives."""
    known = _known.setdefault(body, {})
    if unit not in known:
        known[unit] = tuple(_flats(body, AREA_SHARE * unit**2))
    return known[unit]


def _flats(body: Anatomy, least: float) -> Iterator[Flat]:
    mesh = body.mesh
    if not len(mesh.faces):
        return
    rows = np.flatnonzero(body.surface >= body.first_plane)
    rows = rows[np.argsort(body.surface[rows], kind="stable")]
    for faces in np.split(rows, np.flatnonzero(np.diff(body.surface[rows])) + 1):
        area = float(mesh.areas[faces].sum())
        if area < least:
            continue
        normal = (mesh.crosses[faces]).sum(axis=0)
        normal /= np.linalg.norm(normal)
        offset = float(np.average(mesh.centres[faces] @ normal, weights=mesh.areas[faces]))
        basis = plane_basis(normal)
        yield Flat(normal, offset, basis, mesh.triangles[faces] @ basis.T, area)


def rest_contacts(
    first: Anatomy,
    second: Anatomy,
    pose: Array,
    unit: float,
    apart_mm: float | None = None,
    into_mm: float | None = None,
    without: Mapping[tuple[int, int], shapely.Geometry] = MappingProxyType({}),
) -> list[Contact]:
    """Shared flat areas in the first's coordinates; ``pose`` takes the second's to the first's.

    The carrier is the first; the axis and normals point out of it. Faces further apart than ``apart_mm``
    (by default APART_SHARE of the unit), or further into each other than ``into_mm`` (INTO_SHARE of the
    unit), do not touch; of pairs (rows of the flats) the area ``without``, in
    the basis of the first's, is left out.
    """
    ours, theirs = flats(first, unit), flats(second, unit)
    if not ours or not theirs:
        return []
    reach = APART_SHARE * unit if apart_mm is None else apart_mm
    into = INTO_SHARE * unit if into_mm is None else into_mm
    found = []
    least_area = AREA_SHARE * unit**2
    for facing in facing_flats(ours, theirs, pose, -into, reach, least_area):
        flat = ours[facing.rows[0]]
        if (taken := without.get(facing.rows)) is not None:
            left = shapely.difference(facing.common, taken)
            if left.area < least_area:
                continue
            middle = shapely.get_coordinates(shapely.centroid(left)) @ flat.basis
            facing = replace(facing, common=left, middle=middle[0] + flat.normal * flat.offset)
        found.append(_rest(flat, facing))
    return found


@dataclass(frozen=True, eq=False)
class FlatsFacing:
    """What two flats that look at each other share, in the first's coordinates."""

    rows: tuple[int, int]
    normal: Array  #: (3,) of the first's flat
    common: shapely.Geometry  #: in the basis of the first's flat
    middle: Array  #: (3,) of it, on the first's flat
    apart: float  #: how far the second's flat is off there, mm; negative where they overlap
    nearest: float  #: the same where it is least


def facing_flats(
    ours: Sequence[Flat],
    theirs: Sequence[Flat],
    pose: Array,
    least: float,
    most: float,
    least_area: float,
) -> Iterator[FlatsFacing]:
    """Pairs of flats that face each other, nowhere less than ``least`` and somewhere no more than ``most`` mm
    apart, and share an area; ``pose`` takes the second's coordinates to the first's.

    Flats need not be quite parallel: how far apart they are is said where they face each other.
    """
    turn, shift = pose[:3, :3], pose[:3, 3]
    normals = np.array([flat.normal for flat in theirs]).reshape(-1, 3) @ turn.T
    offsets = np.array([flat.offset for flat in theirs]) + normals @ shift
    middles = np.array([flat.middle for flat in ours]).reshape(-1, 3)
    cosine = np.array([flat.normal for flat in ours]).reshape(-1, 3) @ normals.T
    lean = np.sqrt(np.maximum(1 - cosine**2, 0.0)) * np.array([flat.reach for flat in ours])[:, None]
    apart = middles @ normals.T - offsets
    near = (cosine < -OPPOSED) & (apart <= most + lean) & (apart >= least - lean)
    for i, j in zip(*np.nonzero(near), strict=True):
        one, other = ours[i], theirs[j]
        common = _common(one, other, turn, shift)
        if common is None or common.area < least_area:
            continue
        corners = np.vstack([[common.centroid.x, common.centroid.y], shapely.get_coordinates(common)])
        at = corners @ one.basis + one.normal * one.offset
        gaps = at @ normals[j] - offsets[j]
        if least <= gaps.min() <= most:
            yield FlatsFacing((int(i), int(j)), one.normal, common, at[0], float(gaps[0]), float(gaps.min()))


def _common(one: Flat, other: Flat, turn: Array, shift: Array) -> shapely.Geometry | None:
    back = one.basis @ turn @ other.basis.T
    origin = one.basis @ (turn @ (other.normal * other.offset) + shift)
    moved = shapely.transform(other.outline, lambda xy: xy @ back.T + origin)
    if not shapely.intersects(shapely.envelope(one.outline), shapely.envelope(moved)):
        return None
    return shapely.intersection(one.outline, moved)


def _rest(ours: Flat, facing: FlatsFacing) -> Contact:
    points = _corners(facing.common) @ ours.basis + ours.normal * ours.offset
    normals = np.tile(ours.normal, (len(points), 1))
    return Contact(
        "rest",
        0,
        facing.middle,
        ours.normal,
        0.0,
        0.0,
        0.0,
        float(facing.common.area),
        points,
        normals,
        bond_gap=max(facing.apart, 0.0),
    )


def _corners(common: shapely.Geometry) -> Array:
    """At most MAX_CORNERS corners of the convex outline, so chosen that they lie in it.

    Pressure over an area can balance exactly what forces at the corners of its convex outline can.
    """
    hull = np.asarray(shapely.get_coordinates(common.convex_hull))[:-1]
    least = 2 * CORNER_SHARE * shapely.Polygon(hull).area
    while True:
        before, after = np.roll(hull, 1, axis=0), np.roll(hull, -1, axis=0)
        lost = np.abs(
            (hull[:, 0] - before[:, 0]) * (after[:, 1] - before[:, 1])
            - (hull[:, 1] - before[:, 1]) * (after[:, 0] - before[:, 0])
        )
        row = int(lost.round(9).argmin())
        if len(hull) <= MAX_CORNERS and lost[row] > least:
            return hull
        hull = np.delete(hull, row, axis=0)
