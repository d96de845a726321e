"""Whether two meshes are one solid up to a rotation and a shift, and which motion brings one to the other.

Everything compared is a property of the surface, not of its triangles: area, volume, second
moments, the corners where at least three planes meet, and per plane the area and its middle. So
another vertex order or another cut into triangles changes nothing. Mirror images never match,
since only rotations are tried. Every motion is proved by bringing all corners and planes together.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import cached_property
from itertools import permutations, product
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from renderer.spatial import tree
from renderer.topology import connected
from steps.intake.areas import triangle_areas
from steps.mend.soup import signed_volume
from steps.model import Array, IntArray
from steps.remembered import remembered

if TYPE_CHECKING:
    from scipy.spatial import cKDTree

#: Two corners this far apart are one, mm: coarser than what files lose, finer than any print.
SAME_MM = 0.005
#: ... but never more than this share of the size, so that a model in the wrong unit is not blurred; unless
#: the corners were off by more, and mended.
SAME_SHARE = 1e-4
#: ... and never less than what float32 leaves of the coordinates (2^-23 each way, with room).
FLOAT32_SHARE = 5e-7
#: Planes whose normals differ by less than this are one, radians; facets of a circle differ by 0.03.
SAME_ANGLE = 2e-3
#: Share of the area that may lie in planes the other does not have (needles without a clear normal).
STRAY_AREA = 1e-3
#: Least eigenvalue of the normals round a vertex that makes it a corner (some 0.4 degrees).
CORNER = 1e-5
#: Tolerances by which the marks of one corner may differ, and so many corners that stand most alone tell.
MARK_TOLERANCES, TELLING = 6, 24
#: Candidate motions tried before giving up: a wheel of 500 teeth has 1,000.
MAX_MOTIONS = 4000


class Form:
    """A mesh with what is compared, each computed once and only when asked for."""

    def __init__(self, vertices: Array, faces: IntArray, off_mm: float = 0.0):
        """``off_mm``: by how much the corners were off by chance before they were mended."""
        self.vertices, self.faces, self.off = vertices, faces, min(off_mm, SAME_MM)

    @cached_property
    def tolerance(self) -> float:
        size = float(np.ptp(self.vertices, axis=0).max())
        told = max(self.off, FLOAT32_SHARE * float(np.abs(self.vertices).max()))
        return max(min(SAME_MM, SAME_SHARE * size), told)

    @cached_property
    def areas(self) -> Array:
        return triangle_areas(self.vertices, self.faces)

    @cached_property
    def area(self) -> float:
        return float(self.areas.sum())

    @cached_property
    def centre(self) -> Array:
        """Middle of the surface."""
        return self.areas @ self.vertices[self.faces].mean(axis=1) / self.area

    @cached_property
    def moment(self) -> Array:
        """(3, 3) mm2: how the surface spreads about its middle."""
        corners = self.vertices[self.faces] - self.centre
        total = corners.sum(axis=1)
        moment = (self.areas[:, None] * total).T @ total
        for corner in corners.transpose(1, 0, 2):
            moment += (self.areas[:, None] * corner).T @ corner
        return np.asarray(moment / 12 / self.area)

    @cached_property
    def lengths(self) -> Array:
        """(5,) mm: root of area, cube root of volume, three radii of gyration of the surface."""
        return remembered("lengths", (self.vertices, self.faces), self._lengths)

    def _lengths(self) -> Array:
        radii = np.sqrt(np.maximum(np.linalg.eigvalsh(self.moment), 0.0))
        volume = abs(signed_volume(self.vertices, self.faces))
        return np.array([self.area**0.5, volume ** (1 / 3), *radii])

    @cached_property
    def normals(self) -> Array:
        corners = self.vertices[self.faces]
        normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        return normal / np.maximum(2 * self.areas, 1e-300)[:, None]

    @cached_property
    def clear(self) -> NDArray[np.bool_]:
        """Faces high enough for their normal to mean something."""
        corners = self.vertices[self.faces]
        longest = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).max(axis=1)
        return 2 * self.areas / longest > 2 * self.tolerance

    @cached_property
    def corners(self) -> Array:
        """(k, 3) vertices where the faces round about lie in three planes at least."""
        normals = self.normals[self.clear]
        tensor = np.zeros((len(self.vertices), 3, 3))
        outer = normals[:, :, None] * normals[:, None, :]
        for corner in range(3):
            np.add.at(tensor, self.faces[self.clear, corner], outer)
        found = self.vertices[np.linalg.eigvalsh(tensor)[:, 0] > CORNER]
        return found if len(found) >= 3 else self.vertices

    @cached_property
    def corner_tree(self) -> cKDTree:
        return tree(self.corners)

    @cached_property
    def radii(self) -> Array:
        return np.linalg.norm(self.corners - self.centre, axis=1)

    @cached_property
    def marks(self) -> Array:
        """(k, 3) mm, of each corner: how far it lies from the centre, in all and as the surface spreads; no
        turn changes them."""
        off = self.corners - self.centre
        spread = self.moment / np.linalg.eigvalsh(self.moment)[-1]
        spreads = off @ spread
        along = np.sqrt(np.maximum(np.einsum("ki,ki->k", off, spreads), 0.0))
        return np.column_stack([self.radii, along, np.linalg.norm(spreads, axis=1)])

    @cached_property
    def mark_tree(self) -> cKDTree:
        return tree(self.marks)

    @cached_property
    def telling(self) -> Array:
        """(k, 3) the marks that lie furthest from all others."""
        alone = self.mark_tree.query(self.marks, k=2, p=np.inf)[0][:, 1]
        return self.marks[np.argsort(-alone, kind="stable")[:TELLING]]

    @cached_property
    def spans(self) -> Array:
        """(n,) of each vertex, how far it lies from their mean."""
        return np.asarray(np.linalg.norm(self.vertices - self.vertices.mean(axis=0), axis=1))

    @cached_property
    def span(self) -> float:
        return float(self.spans.mean())


def alike(one: Form, other: Form) -> bool:
    """Whether size and spread, and the places of the corners that stand alone, let the two be the same: a
    cheap first look, or each of many shapes that differ in one small thing would be turned onto each."""
    slack = 8 * max(one.tolerance, other.tolerance) + 1e-5 * one.lengths.max()
    if (np.abs(one.lengths - other.lengths) > slack).any():
        return False
    return _has_all(one.mark_tree, other.telling, other) and _has_all(other.mark_tree, one.telling, one)


def _has_all(among: cKDTree, marks: Array, form: Form) -> bool:
    """Whether a form has a corner near each of the marks. Corners agree to two tolerances, and a spread that
    was stretched by as much moves a mark by as much again, and a little for its distance from the centre."""
    reach = MARK_TOLERANCES * form.tolerance
    return bool(np.isfinite(among.query(marks, p=np.inf, distance_upper_bound=reach)[0]).all())


def motion_between(one: Form, other: Form) -> Array | None:
    """(4, 4) rotation and shift that brings ``one`` onto ``other``; None when there is none.

    Of several (symmetric solids) it is the one that turns least; ties go to the first in a fixed order.
    """
    if not alike(one, other):
        return None
    found = next((motion for motion in _motions(one, other) if coincide(one, other, motion)), None)
    return None if found is None else _refined(one, other, found)


def motion_in_order(one: Form, other: Form) -> Array | None:
    """The same for meshes with equal faces in equal order: one fit, one check."""
    if one.faces.shape != other.faces.shape or not np.array_equal(one.faces, other.faces):
        return None
    reach = max(one.tolerance, other.tolerance)
    if (np.abs(one.spans - other.spans) > 2 * reach).any():
        return None
    middle, goal = one.vertices.mean(axis=0), other.vertices.mean(axis=0)
    fitted = _fit(one.vertices, other.vertices)
    quarters = np.round(fitted[:3, :3])  # a turn of the axes into each other is exact, or no turn at all
    for motion in (_motion(np.eye(3), middle, goal), _motion(quarters, middle, goal), fitted):
        off = one.vertices @ motion[:3, :3].T + motion[:3, 3] - other.vertices
        if np.linalg.norm(off, axis=1).max() <= reach:
            return motion
    return None


def coincide(one: Form, other: Form, motion: Array) -> bool:
    """Whether ``motion`` brings all corners and all planes of the two together."""
    reach = 2 * max(one.tolerance, other.tolerance)
    moved = one.corners @ motion[:3, :3].T + motion[:3, 3]
    few = moved[:: max(1, len(moved) // 8)]
    if not np.isfinite(other.corner_tree.query(few, distance_upper_bound=reach)[0]).all():
        return False
    if not np.isfinite(other.corner_tree.query(moved, distance_upper_bound=reach)[0]).all():
        return False
    if not np.isfinite(tree(moved).query(other.corners, distance_upper_bound=reach)[0]).all():
        return False
    return _planes_agree(one, other, motion)


def _refined(one: Form, other: Form, motion: Array) -> Array:
    """The best fit over all corners; two corners alone carry the file's rounding into the turn."""
    if np.abs(motion[:3, :3] - np.round(motion[:3, :3])).max() < 1e-12:
        return motion  # a quarter turn is exact
    partner = other.corner_tree.query(one.corners @ motion[:3, :3].T + motion[:3, 3])[1]
    fitted = _fit(one.corners, other.corners[partner])
    return fitted if coincide(one, other, fitted) else motion


def _fit(points: Array, goals: Array) -> Array:
    """(4, 4) rotation and shift that brings points nearest to their goals in the least squares.

    Kabsch, "A solution for the best rotation to relate two sets of vectors", Acta Cryst. A32 (1976).
    """
    middle, goal = points.mean(axis=0), goals.mean(axis=0)
    left, _, right = np.linalg.svd((goals - goal).T @ (points - middle))
    turn = left @ np.diag([1.0, 1.0, np.sign(np.linalg.det(left @ right))]) @ right
    return _motion(turn, middle, goal)


def _motion(turn: Array, middle: Array, goal: Array) -> Array:
    motion = np.eye(4)
    motion[:3, :3] = turn
    motion[:3, 3] = goal - turn @ middle
    return motion


def _motions(one: Form, other: Form) -> Iterator[Array]:
    """Candidates: the quarter turns about the axes, then those that carry two corners over."""
    for turn in QUARTER_TURNS:
        yield _motion(turn, one.centre, other.centre)
    turns = _turns_by_corners(one, other)
    order = np.argsort(-np.round(np.trace(turns, axis1=1, axis2=2), 6), kind="stable")[:MAX_MOTIONS]
    for row in order:
        yield _motion(turns[row], one.centre, other.centre)


def _turns_by_corners(one: Form, other: Form) -> Array:
    """(k, 3, 3) rotations that carry two well-chosen corners of ``one`` to corners of ``other``."""
    reach = 4 * max(one.tolerance, other.tolerance)
    first, second = _telling_pair(one, reach)
    if second < 0:
        return np.empty((0, 3, 3))
    arm = one.corners[[first, second]] - one.centre
    apart = np.linalg.norm(arm[0] - arm[1])
    goals = other.corners - other.centre
    starts = np.flatnonzero(np.abs(other.radii - one.radii[first]) <= reach)
    ends = np.flatnonzero(np.abs(other.radii - one.radii[second]) <= reach)
    frames = []
    for start in starts:
        near = ends[np.abs(np.linalg.norm(goals[ends] - goals[start], axis=1) - apart) <= reach]
        frames += [_frame(goals[start], goals[end]) for end in near]
        if len(frames) > MAX_MOTIONS:
            break
    own = _frame(*arm)
    return np.array([frame @ own.T for frame in frames]).reshape(-1, 3, 3)


def _frame(along: Array, beside: Array) -> Array:
    """(3, 3) right-handed unit axes as columns: along the first arm, in the plane of both, across."""
    x = along / np.linalg.norm(along)
    z = np.cross(along, beside)
    z = z / max(float(np.linalg.norm(z)), 1e-300)
    return np.column_stack([x, np.cross(z, x), z])


def _telling_pair(form: Form, reach: float) -> tuple[int, int]:
    """Two corners, not in line with the centre, that the fewest others could be taken for."""
    radii = form.radii
    order = np.argsort(radii, kind="stable")
    group = np.empty(len(radii), dtype=np.int64)
    group[order] = np.cumsum(np.r_[0, np.diff(radii[order]) > reach])
    crowd = np.bincount(group)[group].astype(np.float64)
    crowd[radii < 0.2 * radii.max()] = np.inf  # too near the centre to aim by
    first = int(np.lexsort((np.arange(len(radii)), -np.round(radii / reach), crowd))[0])
    arms = form.corners - form.centre
    slant = np.linalg.norm(np.cross(arms, arms[first]), axis=1) / (radii[first] * radii.max())
    crowd[slant < 0.1] = np.inf
    second = int(np.lexsort((np.arange(len(radii)), -np.round(slant, 6), crowd))[0])
    return first, second if np.isfinite(crowd[second]) else -1


def _planes_agree(one: Form, other: Form, motion: Array) -> bool:
    """Whether the two have the same area, with the same middle, in every plane."""
    turn, shift = motion[:3, :3], motion[:3, 3]
    centre, extent = other.centre, float(np.ptp(other.vertices, axis=0).max())
    rows = []
    for form, vertices, normals, sign in (
        (one, one.vertices @ turn.T + shift, one.normals @ turn.T, 1.0),
        (other, other.vertices, other.normals, -1.0),
    ):
        middles = vertices[form.faces].mean(axis=1) - centre
        offset = np.einsum("fi,fi->f", middles, normals)
        areas = sign * form.areas
        rows.append(np.column_stack([normals, offset / extent, areas, areas[:, None] * middles]))
    table = np.vstack(rows)
    table = table[np.abs(table[:, 4]) > 0]
    # so far two planes of one kind turn that are large enough to be none that stray
    angle = 2 * max(one.off, other.off) / (STRAY_AREA * other.area) ** 0.5
    near = _near_planes(table[:, :4], max(SAME_ANGLE, angle))
    label = connected(len(table), near)
    surplus = np.column_stack([np.bincount(label, weights=table[:, column]) for column in range(4, 8)])
    stray = np.abs(surplus[:, 0]).sum() <= STRAY_AREA * other.area
    return bool(stray and np.abs(surplus[:, 1:]).sum() <= STRAY_AREA * other.area * extent)


def _near_planes(planes: Array, angle: float) -> NDArray:
    """Pairs (k, 2) that link planes of one kind; equal rows are chained, not all paired."""
    keys = np.round(planes / (angle / 4)).astype(np.int64)
    _, first, where = np.unique(keys, axis=0, return_index=True, return_inverse=True)
    chain = np.column_stack([np.arange(len(planes)), first[where.reshape(-1)]])
    pairs = tree(planes[first]).query_pairs(angle, output_type="ndarray")
    return np.vstack([chain, first[pairs].reshape(-1, 2)])


def _quarter_turns() -> Array:
    """The 24 rotations of a cube, least turn first."""
    eye = np.eye(3)
    turns = [
        eye[list(order)] * np.array(signs)[:, None]
        for order in permutations(range(3))
        for signs in product((1.0, -1.0), repeat=3)
    ]
    proper = np.array([turn for turn in turns if np.linalg.det(turn) > 0])
    keys = np.column_stack([np.trace(proper, axis1=1, axis2=2), proper.reshape(-1, 9)])
    return proper[np.lexsort(-keys.T[::-1])]


QUARTER_TURNS = _quarter_turns()
