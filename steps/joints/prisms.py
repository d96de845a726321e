"""Pegs that are not round: a prism of any section that goes into a recess of its own outline.

A square tenon, a tongue, a key, a cross-shaped axle, a dovetail all engage in the same way: flat faces of the
one look outwards all round an axis, and flat faces of the other look back at them over a small gap. Along
the axis the two come apart.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import combinations

import numpy as np
import shapely

from steps.features.anatomy import Anatomy
from steps.features.section import section
from steps.joints.contact import Contact
from steps.joints.flats import AREA_SHARE, Flat, facing_flats, flats
from steps.joints.grip import holds_all_round
from steps.model import Array

#: Faces further apart than this share of the unit length do not guide each other (0.3 mm at a pitch of 10),
REACH_SHARE = 0.03
#: nor do those further apart than this share of half the prism's least width;
PLAY_SHARE = 0.12
#: faces that overlap by more than this share of it are no fit.
CUT_SHARE = 0.12
#: Normals lie across an axis within this (sine).
ACROSS = np.sin(np.radians(1.0))
#: Axes within this of each other are one (cosine).
SAME_AXIS = np.cos(np.radians(1.0))
#: Normals closer than this look the same way (cosine of 10 degrees); a prism has three ways at least.
SAME_WAY = np.cos(np.radians(10.0))
LEAST_WAYS = 3
#: A section is cut beside the level of a vertex, by this share of the body's size.
OFF_LEVEL = 1.234e-4
#: Ends of a cut's stretches closer than this share of the body's size are one point: rounding.
SAME_POINT = 1e-7
#: A face lies on an outline within this share of the root of the area within.
ON_OUTLINE = 0.1
#: Less engaged length than this share of half the least width is a brush.
LEAST_DEPTH = 0.1


@dataclass(frozen=True, eq=False)
class Pair:
    """A flat of the first shape and one of the second that look at each other, in the first's coordinates:
    one piece of the area that they share, or several; studs in a row have their faces in one plane."""

    rows: tuple[int, int]
    pieces: frozenset[int]
    flat: Flat  #: of the first
    common: shapely.Geometry  #: in the basis of the first's flat
    gap: float  #: negative where they overlap

    @property
    def normal(self) -> Array:
        """(3,) out of the first."""
        return self.flat.normal

    @cached_property
    def corners(self) -> Array:
        """(4, 3) of the box round the area, on the first's face."""
        return self._placed(shapely.get_coordinates(shapely.envelope(self.common.convex_hull))[:-1])

    @cached_property
    def middle(self) -> Array:
        """(3,) of the area."""
        return self._placed(shapely.get_coordinates(shapely.centroid(self.common)))[0]

    @property
    def area(self) -> float:
        return float(self.common.area)

    def _placed(self, at: Array) -> Array:
        return np.asarray(at @ self.flat.basis + self.flat.normal * self.flat.offset)

    @property
    def keys(self) -> Iterator[tuple[tuple[int, int], int]]:
        """Its pieces by the flats' rows."""
        return ((self.rows, piece) for piece in sorted(self.pieces))


@dataclass(frozen=True, eq=False)
class Prisms:
    """Prisms of either shape found in the other, and what of the area that pairs of flats (rows) share they
    account for, in the basis of the first's."""

    contacts: tuple[Contact, ...]
    taken: Mapping[tuple[int, int], shapely.Geometry]


def prism_contacts(first: Anatomy, second: Anatomy, pose: Array, unit: float) -> Prisms:
    """Prisms that engage, in the first's coordinates; ``pose`` takes the second's to the first's."""
    facing = list(_facing(flats(first, unit), flats(second, unit), pose, unit))
    contacts: list[Contact] = []
    known: set[tuple[tuple[int, int], int]] = set()
    taken: dict[tuple[int, int], list[shapely.Geometry]] = {}
    for axis in _axes(facing):
        across = [each for each in facing if abs(float(each.normal @ axis)) < ACROSS]
        stops = [end for each in facing if abs(end := float(each.normal @ axis)) > SAME_AXIS]
        if min(stops, default=0.0) < 0 < max(stops, default=0.0):
            continue  # closed at both ends: nothing comes apart along it
        for carrier, body in enumerate((first, second)):
            to_first = np.eye(4) if carrier == 0 else pose
            for cluster in _clusters(across, axis, body, to_first):
                sides = _sides(cluster, axis, carrier)
                if not sides or known.issuperset(key for each in sides for key in each.keys):
                    continue  # a thin wall's outside and inside are outlines of one prism
                contact = _contact(sides, stops, axis, carrier, body, to_first)
                if contact is not None and not _shut(first, second, pose, unit, contact):
                    contacts.append(contact)
                    known.update(key for each in sides for key in each.keys)
                    for each in sides:
                        taken.setdefault(each.rows, []).append(each.common)
    return Prisms(tuple(contacts), {rows: shapely.union_all(areas) for rows, areas in taken.items()})


def _clusters(across: Sequence[Pair], axis: Array, body: Anatomy, pose: Array) -> list[list[Pair]]:
    """Faces on the outline of one piece of the body's section across the axis, piece by piece.

    ``pose`` takes the body's coordinates to the first shape's.
    """
    if len(across) < LEAST_WAYS:
        return []
    level = float(np.median([each.middle @ axis for each in across]))
    turn, shift = pose[:3, :3], pose[:3, 3]
    own = turn.T @ axis
    cut = section(body.mesh, own, level - float(shift @ axis) + OFF_LEVEL * float(np.ptp(body.mesh.bounds)))
    lines = shapely.linestrings(cut.segments) if len(cut.segments) else []
    grain = SAME_POINT * float(np.ptp(body.mesh.bounds))
    pieces = shapely.get_parts(
        shapely.polygonize(shapely.get_parts(shapely.union_all(lines, grid_size=grain)))
    )
    found = []
    for piece in pieces:
        ring = shapely.get_exterior_ring(piece)
        reach = ON_OUTLINE * float(np.sqrt(shapely.area(piece)))
        at = shapely.points([cut.basis @ (turn.T @ (each.middle - shift)) for each in across])
        near = shapely.distance(ring, at) < reach
        cluster = _joined([each for each, on in zip(across, near, strict=True) if on])
        if len(cluster) >= LEAST_WAYS:
            found.append(cluster)
    return found


def _joined(pieces: Sequence[Pair]) -> list[Pair]:
    """Pieces of one area as one."""
    lots: dict[tuple[int, int], list[Pair]] = {}
    for piece in pieces:
        lots.setdefault(piece.rows, []).append(piece)
    return [
        replace(
            lot[0],
            pieces=frozenset().union(*(each.pieces for each in lot)),
            common=shapely.union_all([each.common for each in lot]),
        )
        for lot in lots.values()
    ]


def _facing(ours: Sequence[Flat], theirs: Sequence[Flat], pose: Array, unit: float) -> Iterator[Pair]:
    """Flats that look at each other over a small gap and share an area, piece by piece."""
    reach, least = REACH_SHARE * unit, AREA_SHARE * unit**2
    for facing in facing_flats(ours, theirs, pose, -reach, reach, least):
        flat = ours[facing.rows[0]]
        for number, piece in enumerate(shapely.get_parts(facing.common)):
            if piece.area >= least:
                yield Pair(facing.rows, frozenset([number]), flat, piece, facing.nearest)


def _axes(facing: Sequence[Pair]) -> list[Array]:
    """Lines across which faces look in at least three ways."""
    ways: list[Array] = []
    for each in facing:
        if all(abs(float(each.normal @ other)) < SAME_WAY for other in ways):
            ways.append(each.normal)
    axes: list[Array] = []
    for one, other in combinations(ways, 2):
        axis = np.cross(one, other)
        axis = axis / np.linalg.norm(axis)
        if all(abs(float(axis @ known)) < SAME_AXIS for known in axes):
            axes.append(axis)
    return axes


def _sides(across: Sequence[Pair], axis: Array, carrier: int) -> list[Pair]:
    """The faces that look outwards all round a prism of the carrier; none where they leave a side open."""
    sign = 1.0 if carrier == 0 else -1.0
    sides = list(across)
    while len(sides) >= LEAST_WAYS:
        middle = np.mean([each.middle for each in sides], axis=0)
        out = [each for each in sides if sign * float(each.normal @ (each.middle - middle)) > 0]
        if len(out) == len(sides):
            break
        sides = out
    normals = np.array([each.normal for each in sides]).reshape(-1, 3)
    distinct: list[Array] = []
    for normal in normals:
        if all(float(normal @ other) < SAME_WAY for other in distinct):
            distinct.append(normal)
    if len(distinct) < LEAST_WAYS or not holds_all_round(normals, axis):
        return []
    middle = np.mean([each.middle for each in sides], axis=0)
    half = min(sign * float(each.normal @ (each.middle - middle)) for each in sides)
    fits = all(-CUT_SHARE * half <= each.gap <= PLAY_SHARE * half for each in sides)
    return sides if fits else []


def _contact(
    sides: Sequence[Pair],
    stops: Sequence[float],
    axis: Array,
    carrier: int,
    body: Anatomy,
    pose: Array,
) -> Contact | None:
    sign = 1.0 if carrier == 0 else -1.0
    middle = np.mean([each.middle for each in sides], axis=0)
    half = min(sign * float(each.normal @ (each.middle - middle)) for each in sides)
    heights = np.concatenate([each.corners @ axis for each in sides])
    depth = max(float(np.ptp(each.corners @ axis)) for each in sides)
    if depth < LEAST_DEPTH * half:
        return None
    axis = axis * _tip(axis, float(heights.min()), float(heights.max()), body, pose)
    areas = np.array([each.area for each in sides])
    gaps = np.array([each.gap for each in sides])
    lengths = np.array([float(np.ptp(each.corners @ axis)) for each in sides])
    mean = float(gaps @ areas / areas.sum())
    along = np.concatenate([each.corners for each in sides]) @ axis
    return Contact(
        "peg",
        carrier,
        middle + axis * (float(along.min() + along.max()) / 2 - float(middle @ axis)),
        axis,
        float(gaps.min()),
        mean,
        depth,
        float(areas.sum()),
        np.array([each.middle for each in sides]),
        sign * np.array([each.normal for each in sides]),
        radius=half,
        bond_gap=max(mean, 0.0),
        height=depth,
        gaps=gaps,
        lengths=lengths,
        widths=areas / lengths,
        faces=("flat",) * len(sides),
        slides=not stops,
    )


def _shut(first: Anatomy, second: Anatomy, pose: Array, unit: float, peg: Contact) -> bool:
    """Whether faces across the axis meet, whichever way the peg goes, before it is out."""
    ours, theirs = (
        [flat for flat in flats(body, unit) if abs(float(flat.normal @ axis)) > SAME_AXIS]
        for body, axis in ((first, peg.axis), (second, pose[:3, :3].T @ peg.axis))
    )
    meet = facing_flats(ours, theirs, pose, -REACH_SHARE * unit, peg.depth, AREA_SHARE * unit**2)
    return len({bool(each.normal @ peg.axis > 0) for each in meet}) > 1


def _tip(axis: Array, low: float, high: float, body: Anatomy, pose: Array) -> float:
    """1 where a prism's tip lies along the axis, -1 where it lies the other way: the body is behind it."""
    heights = (body.mesh.vertices @ pose[:3, :3].T + pose[:3, 3]) @ axis
    return 1.0 if float(heights.max()) - high <= low - float(heights.min()) + 1e-9 else -1.0
