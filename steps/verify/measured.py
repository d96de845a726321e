"""Whether each stud, peg, ball and face is as the plan says: read from the meshes, a situation once.

A stud or peg and what it sits in are cut across its axis at a few levels; in each cut the stud reaches as far
as its farthest corner, and the nearest wall that faces the axis is as far away as it is: the difference is
the gap; of a stud that tapers, or that at its middle. Facets leave a band of what their circle may have been,
and a gap in that band is right. A ball is read along rays from its centre. What lies flat on each other
shares the area that its triangles share.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any, TypeVar

import numpy as np
import trimesh
from scipy import sparse
from scipy.sparse.csgraph import connected_components

from steps.model import Array, IntArray, Model
from steps.planfile import JointEntry, PlanFile, TouchEntry
from steps.statics.flat import axes_across
from steps.verify.faces import shared_area
from steps.verify.report import Check
from steps.verify.solids import Solids, Surface

#: A stud is cut at so many levels of its engaged length; where that does not give the gap of the plan, at
#: so many: a short rib may be what is tightest.
FEW_LEVELS, MANY_LEVELS = 3, 31
#: A stud whose radius changes by more than this over the way along it is stepped, and does not taper (tangent
#: of 3 degrees: moulds are drawn with 0.5 to 2; common practice, no source).
DRAFT = float(np.tan(np.radians(3.0)))
#: Rays from an axis across a cut, and from the centre of a ball.
AROUND, ABOUT = 48, 200
#: Edges of a cut whose normals differ by less lie in one facet (cosine of 0.1 degree).
ONE_FACET = float(np.cos(np.radians(0.1)))
#: Facets that turn by less are of one curve: seven go round what may be a circle (cosine of 52 degrees).
CURVED = float(np.cos(np.radians(52.0)))
#: Flats of a prism face each other within 1 degree (cosine), and guide each other where they stand off by
#: less than this share of how far they are from its axis.
OPPOSITE, GUIDES = float(np.cos(np.radians(1.0))), 0.125
#: A cut is laid so far off the vertices of its level, as a share of the motion tolerance.
OFF_VERTICES = 1e-5
#: A gap is right within this share of the motion tolerance: 0.02 mm in a spacing of 8.
GAP_SHARE = 0.04
#: What is round comes nowhere nearer to its middle than this share of its farthest corner: a heptagon does
#: not, a hexagon (0.87) does.
ROUND_SHARE = 0.88
#: Triangles that turn by less (radians) belong to one face. What rises from a triangle on one side and falls
#: on another is no curve, but how rough its mesh is: of one rougher than what a gap is told to, nothing is
#: told; so many times that is no difference.
ONE_FACE, ROUGH = float(np.radians(30.0)), 4.0
#: Something round sits in a wall that is nearer to it, or deeper in it, than this share of its radius.
SITS_SHARE = 0.2
#: Faces lie on each other where they are no further apart than this share of the pitch, or without one of
#: the middle one of the longest sides, nor further into each other than this share of the motion tolerance;
#: the area that they share is right within this share of it.
APART_PITCHES, APART_SIDES, INTO_SHARE, AREA_SHARE = 0.00625, 0.0015, 0.35, 0.02
#: Faces whose normals differ by less lie in one plane (cosine of 1 degree).
IN_PLANE = float(np.cos(np.radians(1.0)))
#: Places and poses that agree to this many decimals are one situation.
SAME_DIGITS = 4
#: A band narrower than this is told as one number, and a mesh smoother than this is smooth, mm.
ROUNDED_MM = 0.005

#: Name of the check, and what it looks at.
MEASURED = ("as measured", "touches")

Band = tuple[float, float]
T = TypeVar("T")


@dataclass(frozen=True, eq=False)
class CrossCut:
    """A mesh cut across an axis: edges (k, 2, 2) seen from where the axis goes through, mm, the outward
    normal (k, 2) of each, by how much the curve of which it is a chord may leave it (k,), mm, and the closed
    line to which it belongs (k,)."""

    edges: Array
    normals: Array
    bulge: Array
    line: IntArray

    @staticmethod
    def of(surface: Surface, axis: Array, level: float) -> CrossCut:
        """Across ``axis`` (3,) at ``level`` along it, in the surface's coordinates, seen down the axis."""
        height = surface.vertices @ axis - level
        above = height > 0
        faces = surface.faces[above[surface.faces].any(axis=1) & ~above[surface.faces].all(axis=1)]
        basis = axes_across(axis)
        pairs = np.sort(faces[:, [[0, 1], [1, 2], [2, 0]]], axis=2)  # (k, 3, 2)
        crossing = above[pairs[:, :, 0]] != above[pairs[:, :, 1]]
        ends = pairs[crossing].reshape(-1, 2, 2)  # (k, end, vertex): two of three sides are crossed
        low, high = height[ends[:, :, 0]], height[ends[:, :, 1]]
        share = (low / (low - high))[:, :, None]
        at = (1 - share) * surface.vertices[ends[:, :, 0]] + share * surface.vertices[ends[:, :, 1]]
        a, b, c = (surface.vertices[faces[:, corner]] for corner in range(3))
        normals = np.cross(b - a, c - a) @ basis
        length = np.linalg.norm(normals, axis=1)
        edges = at @ basis
        real = (length > 0) & (np.linalg.norm(edges[:, 1] - edges[:, 0], axis=1) > 0)
        edges, normals, ends = edges[real], normals[real] / length[real, None], ends[real]
        touch = _ends_shared(ends[:, :, 0] * len(height) + ends[:, :, 1])
        line = connected_components(touch, directed=False)[1] if len(edges) else np.empty(0, dtype=np.int64)
        return CrossCut(edges, normals, _bulge(edges, normals, touch), line)

    def about(self, centre: Array) -> CrossCut:
        """Seen from another place (2,)."""
        return CrossCut(self.edges - centre, self.normals, self.bulge, self.line)

    def walls(self) -> tuple[float, float]:
        """How far the nearest edge that faces the axis is from it, and its bulge; infinite where none."""
        distance, point = self._nearest(np.arange(len(self.edges)))
        facing = np.einsum("ij,ij->i", point, self.normals) < 0
        if not facing.any():
            return np.inf, 0.0
        row = int(np.argmin(np.where(facing, distance, np.inf)))
        return float(distance[row]), float(self.bulge[row])

    def skin(self) -> IntArray:
        """Rows of the edges at which rays from the axis first leave the material; none where most do not."""
        angles = 2 * np.pi * (np.arange(AROUND) + 0.5) / AROUND
        ways = np.column_stack([np.cos(angles), np.sin(angles)])
        rows = self._about_the_axis()
        start, along = self.edges[rows, 0], self.edges[rows, 1] - self.edges[rows, 0]
        cross = _wedge(ways[:, None], along[None])  # (d, k)
        with np.errstate(divide="ignore", invalid="ignore"):
            far, share = _wedge(start, along) / cross, _wedge(start[None], ways[:, None]) / cross
            met = (ways @ self.normals[rows].T > 0) & (far > 0) & (share >= 0) & (share <= 1)
        hit = met.any(axis=1)
        if hit.sum() <= AROUND / 2:
            return rows[:0]
        return np.asarray(rows[np.argmin(np.where(met, far, np.inf), axis=1)[hit]])

    def _about_the_axis(self) -> IntArray:
        """Rows of the edges of lines whose boxes hold the axis."""
        count = int(self.line.max(initial=-1)) + 1
        low, high = np.full((count, 2), np.inf), np.full((count, 2), -np.inf)
        np.minimum.at(low, self.line, self.edges.min(axis=1))
        np.maximum.at(high, self.line, self.edges.max(axis=1))
        return np.flatnonzero((np.all(low < 0, axis=1) & np.all(high > 0, axis=1))[self.line])

    def islands(self) -> Iterator[tuple[Array, float]]:
        """Middle (2,) and radius of every closed line that goes round material as a circle does, mm."""
        for line in range(int(self.line.max(initial=-1)) + 1):
            rows = np.flatnonzero(self.line == line)
            corners = self.edges[rows].reshape(-1, 2)
            middle = (corners.min(axis=0) + corners.max(axis=0)) / 2
            seen = self.about(middle)
            if np.isin(rows, seen.skin()).any() and seen.round(rows):
                yield middle, float(np.linalg.norm(corners - middle, axis=1).max())

    def round(self, rows: IntArray) -> bool:
        """Whether these edges go round the axis as a circle's do."""
        corners = np.linalg.norm(self.edges[rows], axis=2)
        return bool(self._nearest(rows)[0].min() >= ROUND_SHARE * corners.max())

    def _nearest(self, rows: IntArray) -> tuple[Array, Array]:
        """How far these edges are from the axis, and where (k, 2) they are nearest."""
        start, along = self.edges[rows, 0], self.edges[rows, 1] - self.edges[rows, 0]
        share = -np.einsum("ij,ij->i", start, along) / np.einsum("ij,ij->i", along, along)
        point = start + np.clip(share, 0, 1)[:, None] * along
        return np.linalg.norm(point, axis=1), point

    def apart(self, other: CrossCut, rows: IntArray) -> float:
        """How far the flats of these rows stand off those of ``other`` that face them, mm: the least, and
        infinite where none does."""
        rows = np.unique(rows)
        a, b = np.nonzero(self.normals[rows] @ other.normals.T < -OPPOSITE)
        normal, near, far = self.normals[rows[a]], self.edges[rows[a]], other.edges[b]
        along = np.column_stack([-normal[:, 1], normal[:, 0]])
        mine, its = np.einsum("pij,pj->pi", near, along), np.einsum("pij,pj->pi", far, along)
        low = np.maximum(mine.min(axis=1), its.min(axis=1))
        high = np.minimum(mine.max(axis=1), its.max(axis=1))
        flat, start = np.einsum("pj,pj->p", near[:, 0], normal), np.einsum("pj,pj->p", far[:, 0], normal)
        lean = np.einsum("pj,pj->p", far[:, 1] - far[:, 0], normal) / (its[:, 1] - its[:, 0])
        ends = (start + lean * (end - its[:, 0]) - flat for end in (low, high))
        off = np.minimum(*ends)
        guides = (np.abs(off) < GUIDES * flat) & (low < high)
        return float(off[guides].min()) if guides.any() else np.inf


def _ends_shared(names: IntArray) -> sparse.csr_matrix:
    """(k, k) which edges share an end; ``names`` (k, 2) of their ends."""
    ends, at = np.unique(names, return_inverse=True)
    rows = np.repeat(np.arange(len(names)), 2)
    touch = sparse.csr_matrix((np.ones(len(rows)), (rows, at.ravel())), shape=(len(names), len(ends)))
    return touch @ touch.T


def _bulge(edges: Array, normals: Array, touch: sparse.csr_matrix) -> Array:
    """(k,) by how much a circle through the corners of an edge's facet leaves it: half its length times the
    tangent of a quarter of the angle by which the next facet turns."""
    if not len(edges):
        return np.empty(0)
    one, two = touch.nonzero()
    turn = np.einsum("ij,ij->i", normals[one], normals[two])
    same = turn > ONE_FACET
    links = sparse.csr_matrix((np.ones(same.sum()), (one[same], two[same])), shape=(len(edges),) * 2)
    count, facet = connected_components(links, directed=False)
    length = np.zeros(count)
    np.add.at(length, facet, np.linalg.norm(edges[:, 1] - edges[:, 0], axis=1))
    angle, bends = np.zeros(count), ~same & (turn > CURVED)
    np.maximum.at(angle, facet[one[bends]], np.arccos(turn[bends]))
    return np.asarray((length / 2 * np.tan(angle / 4))[facet])


def check_measured(plan: PlanFile, model: Model, solids: Solids) -> Check:
    """Each touch has the gap or the area that the meshes have, and no stud that sits in another part is left
    out."""
    check, gauge, rough = Check(*MEASURED), Gauge(model, solids, _apart_mm(plan, model)), 0
    for joint in plan.joints:
        if gauge.rough(joint) > GAP_SHARE * solids.tolerance_mm:
            rough += 1
            continue
        for touch in joint.touches:
            if touch.kind == "rest":
                _check_area(joint, touch, gauge, check)
            else:
                _check_gap(joint, touch, gauge, check)
        _check_count(joint, gauge, check)
    if rough:
        check.remark = f"{rough} joints of meshes too rough to be measured"
    return check


def _apart_mm(plan: PlanFile, model: Model) -> float:
    if plan.pitch_mm is not None:
        return APART_PITCHES * plan.pitch_mm
    longest = {shape.id: float(shape.size_mm.max()) for shape in model.shapes}
    return APART_SIDES * float(np.median([longest[part.shape] for part in model.parts]))


def _check_gap(joint: JointEntry, touch: TouchEntry, gauge: Gauge, check: Check) -> None:
    check.looked_at += 1
    ends, rough = (joint.a, joint.b), ROUGH * gauge.rough(joint)
    slack = GAP_SHARE * gauge.solids.tolerance_mm + rough
    for bands in gauge.gaps(joint, touch):
        if any(low - slack <= touch.gap_mm <= high + slack for low, high in bands):
            return
    found = min(bands, default=None)
    if found is None:
        text = f"{joint.id}: no {touch.kind} of {touch.carrier} sits in the other at {_place(touch.point)}"
        check.fault(text, parts=ends)
        return
    band = f"{found[0]:.2f}" if found[1] - found[0] < ROUNDED_MM else f"{found[0]:.2f} to {found[1]:.2f}"
    text = f"{joint.id}: a {touch.kind} has {touch.gap_mm:.2f} mm of gap, and {band} mm by the meshes"
    check.fault(text, parts=ends)


def _check_area(joint: JointEntry, touch: TouchEntry, gauge: Gauge, check: Check) -> None:
    if touch.area_mm2 <= 0:
        return
    check.looked_at += 1
    found = gauge.area(joint, touch)
    rough = gauge.rough(joint) > ROUNDED_MM  # its flats fall apart into many, and little of them is left
    plane = [each.area_mm2 for each in joint.touches if _in_one_plane(touch, each, gauge.apart_mm)]
    told = touch.area_mm2 if rough else sum(plane)
    if told > (1 + AREA_SHARE) * found or (told < (1 - AREA_SHARE) * found and not rough):
        text = f"{joint.id}: {told:.1f} mm2 lie on each other, and {found:.1f} mm2 by the meshes"
        check.fault(text, parts=(joint.a, joint.b))


def _in_one_plane(one: TouchEntry, other: TouchEntry, apart: float) -> bool:
    """Whether two areas lie in one plane: a wall may be drawn as several faces."""
    off, axis = np.array(other.point) - one.point, np.array(one.axis)
    level = abs(float(off @ axis)) <= apart and abs(float(axis @ other.axis)) > IN_PLANE
    return other.kind == "rest" and level


def _check_count(joint: JointEntry, gauge: Gauge, check: Check) -> None:
    """Where one stud sits, every other that does so at its level is told too."""
    told = [touch for touch in joint.touches if touch.kind in ("stud", "peg")]
    for stud in joint.touches:
        if stud.kind != "stud":
            continue
        for place in gauge.sitting(joint, stud):
            off = np.array([place - each.point for each in told if each.carrier == stud.carrier])
            beside = np.linalg.norm(np.cross(off, stud.axis), axis=1).min()
            if beside > gauge.solids.tolerance_mm:
                text = f"{joint.id}: a stud sits at {_place(place)}, and the plan has none there"
                check.fault(text, parts=(joint.a, joint.b))
        return


def _place(point: Iterable[float]) -> str:
    return "(" + ", ".join(f"{each:.1f}" for each in point) + ")"


@dataclass(frozen=True, eq=False)
class Pairing:
    """What carries a touch and what takes it, in the coordinates of the latter's shape."""

    key: tuple[object, ...]  #: pairings of one key are alike
    plug: Surface
    hollow: Surface
    turn: Array  #: (3, 3) from the hollow's coordinates to the model's
    shift: Array  #: (3,)

    def inwards(self, touch: TouchEntry) -> tuple[Array, Array]:
        """Point and axis of a touch, (3,) each."""
        return self.turn.T @ (np.array(touch.point) - self.shift), self.turn.T @ np.array(touch.axis)


@dataclass(eq=False)
class Gauge:
    """Measures the touches of one model; what repeats is measured once."""

    model: Model
    solids: Solids
    apart_mm: float  #: of faces that lie on each other
    _placed: dict[tuple[object, ...], Surface] = field(default_factory=dict)
    _known: dict[tuple[object, ...], Any] = field(default_factory=dict)

    def gaps(self, joint: JointEntry, touch: TouchEntry) -> Iterator[list[Band]]:
        """(least, greatest) mm that the gap may be: what is tightest at a few levels of the engaged length,
        then at many; then of all that is common, since what goes through two cheeks has its middle between
        them. Empty where one is not in a hollow of the other."""
        pairing = self._pairing(joint, touch.carrier)
        point, axis = pairing.inwards(touch)
        if touch.kind == "ball":
            yield self._once(
                pairing, "ball", [*point], lambda: _ball_gap(pairing.plug, pairing.hollow, point)
            )
            return
        middle, half = float(point @ axis), touch.depth_mm / 2
        heights = [each.vertices @ axis for each in (pairing.plug, pairing.hollow)]
        low, high = max(each.min() for each in heights), min(each.max() for each in heights)
        for least, most, count in (
            (middle - half, middle + half, FEW_LEVELS),
            (middle - half, middle + half, MANY_LEVELS),
            (float(low), float(high), MANY_LEVELS),
        ):
            bands = self._plug_gaps(pairing, point, axis, _even(least, most, count))
            if not bands:
                yield []
                continue
            lows, highs, radii = np.array(bands).T
            taper = radii.max() - np.median(radii)
            if taper > DRAFT * half:
                taper = 0.0  # a collar, a chamfer or another stud
            yield [(float(lows.min()), float(highs.min() + taper))]

    def area(self, joint: JointEntry, touch: TouchEntry) -> float:
        """mm2 that lie on each other in the touch's plane."""
        pairing = self._pairing(joint, touch.carrier)
        point, axis = pairing.inwards(touch)
        apart, into = self.apart_mm, INTO_SHARE * self.solids.tolerance_mm

        def measured() -> float:
            mine = _in_plane(pairing.plug, point, axis, -apart, apart)
            other = _in_plane(pairing.hollow, point, axis, -into, apart)
            return shared_area(mine, other, max(apart, into))

        return self._once(pairing, "area", [float(point @ axis), *axis], measured)

    def rough(self, joint: JointEntry) -> float:
        """mm by which the corners of the rougher of the two meshes stand off their faces."""
        shapes = (self.model.part_by_id[end].shape for end in (joint.a, joint.b))
        return max(self._rough(shape) for shape in shapes)

    def _rough(self, shape: str) -> float:
        key = ("rough", shape)
        if key not in self._known:
            surface = self.solids.surface(shape)
            mesh = trimesh.Trimesh(surface.vertices, surface.faces, process=False)
            smooth = mesh.face_adjacency_angles < ONE_FACE
            rises, falls = np.zeros(len(mesh.faces)), np.zeros(len(mesh.faces))
            for side in (0, 1):
                face = mesh.face_adjacency[smooth, side]
                apex = mesh.vertices[mesh.face_adjacency_unshared[smooth, 1 - side]]
                off = apex - mesh.vertices[mesh.faces[face, 0]]
                height = np.einsum("ij,ij->i", off, mesh.face_normals[face])
                np.maximum.at(rises, face, height)
                np.maximum.at(falls, face, -height)
            both = np.bincount(mesh.face_adjacency[smooth].ravel(), minlength=len(mesh.faces)) > 1
            self._known[key] = float(np.minimum(rises, falls)[both].mean()) if both.any() else 0.0
        return float(self._known[key])

    def sitting(self, joint: JointEntry, touch: TouchEntry) -> Array:
        """(k, 3), in the model: every place at the touch's level where something round of its carrier sits in
        the other part as a stud does."""
        pairing = self._pairing(joint, touch.carrier)
        point, axis = pairing.inwards(touch)
        level = float(point @ axis)
        found = self._once(pairing, "sitting", [level, *axis], lambda: self._sitting(pairing, axis, level))
        return np.asarray(found @ pairing.turn.T + pairing.shift)

    def _sitting(self, pairing: Pairing, axis: Array, level: float) -> Array:
        mine, its = self._cut(pairing, axis, level)
        found = []
        for centre, radius in mine.islands():
            far, _ = its.about(centre).walls()
            if abs(far - radius) <= SITS_SHARE * radius:
                found.append(axes_across(axis) @ centre + level * axis)
        return np.array(found).reshape(-1, 3)

    def _plug_gaps(
        self, pairing: Pairing, point: Array, axis: Array, levels: Array
    ) -> list[tuple[float, float, float]]:
        """Of a stud or peg, at levels along its axis: by its circle where it is round, and its radius there,
        else by its flats."""

        def measured() -> list[tuple[float, float, float]]:
            bands, centre = [], point @ axes_across(axis)
            for level in levels.tolist():
                mine, its = (each.about(centre) for each in self._cut(pairing, axis, level))
                skin = mine.skin()
                if not len(skin):
                    continue
                if mine.round(skin):
                    radius = float(np.median(np.linalg.norm(mine.edges[skin], axis=2).max(axis=1)))
                    far, bulge = its.walls()
                    bands.append((far - bulge - radius, far + bulge - radius, radius))
                else:
                    apart = mine.apart(its, skin)
                    bands.append((apart, apart, 0.0))
            return [band for band in bands if np.isfinite(band[0])]

        return self._once(pairing, "plug", [*point, *axis, *levels], measured)

    def _cut(self, pairing: Pairing, axis: Array, level: float) -> tuple[CrossCut, CrossCut]:
        """Both across ``axis``, a hair off the vertices of the level."""
        level = level + OFF_VERTICES * self.solids.tolerance_mm
        numbers = [level, *axis]
        return self._once(
            pairing,
            "cut",
            numbers,
            lambda: (CrossCut.of(pairing.plug, axis, level), CrossCut.of(pairing.hollow, axis, level)),
        )

    def _pairing(self, joint: JointEntry, carrier: str) -> Pairing:
        one = self.model.part_by_id[carrier]
        two = self.model.part_by_id[joint.b if carrier == joint.a else joint.a]
        turn, shift = two.pose[:3, :3], two.pose[:3, 3]
        relative, off = turn.T @ one.pose[:3, :3], turn.T @ (one.pose[:3, 3] - shift)
        key = (one.shape, two.shape, *_rounded([*relative.ravel(), *off]))
        if key not in self._placed:
            mine = self.solids.surface(one.shape)
            self._placed[key] = Surface(mine.vertices @ relative.T + off, mine.faces)
        return Pairing(key, self._placed[key], self.solids.surface(two.shape), turn, shift)

    def _once(self, pairing: Pairing, what: str, numbers: Sequence[float], read: Callable[[], T]) -> T:
        key = (what, *pairing.key, *_rounded(numbers))
        if key not in self._known:
            self._known[key] = read()
        found: T = self._known[key]
        return found


def _ball_gap(ball: Surface, cup: Surface, point: Array) -> list[Band]:
    """Along rays from the ball's centre: it reaches to the corners of its facets, the cup from its facets to
    their corners."""
    golden = np.pi * (3 - np.sqrt(5)) * np.arange(ABOUT)
    height = 1 - (2 * np.arange(ABOUT) + 1) / ABOUT
    level = np.sqrt(1 - height**2)
    ways = np.column_stack([level * np.cos(golden), level * np.sin(golden), height])
    mine, its = _met(ball, point, ways, 1.0), _met(cup, point, ways, -1.0)
    if len(mine) < ABOUT / 2 or not len(its):
        return []
    radius = float(np.median(mine[:, 1]))
    near = its[np.argmin(its[:, 0])]
    return [(float(near[0]) - radius, float(near[1]) - radius)]


def _met(surface: Surface, origin: Array, ways: Array, sign: float) -> Array:
    """(k, 2) of the first triangle that each ray meets from inside (``sign`` 1) or outside (-1): how far its
    plane is from the origin, and its farthest corner; rays that meet none are left out."""
    corners = surface.vertices[surface.faces] - origin
    normals = sign * surface.normals
    real = np.linalg.norm(normals, axis=1) > 0
    corners, normals = corners[real], normals[real] / np.linalg.norm(normals[real], axis=1, keepdims=True)
    plane = np.einsum("mj,mj->m", corners[:, 0], normals)
    furthest = np.linalg.norm(corners, axis=2).max(axis=1)
    one, two = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    found = []
    for way in ways:
        facing = normals @ way
        cross = np.cross(way, two)
        with np.errstate(divide="ignore", invalid="ignore"):
            scale = 1 / np.einsum("mj,mj->m", one, cross)
            u = -np.einsum("mj,mj->m", corners[:, 0], cross) * scale
            back = np.cross(-corners[:, 0], one)
            v = back @ way * scale
            far = np.einsum("mj,mj->m", two, back) * scale
            met = (facing > 0) & (far > 0) & (u >= 0) & (v >= 0) & (u + v <= 1)
        if met.any():
            row = int(np.argmin(np.where(met, far, np.inf)))
            found.append((plane[row], furthest[row]))
    return np.array(found).reshape(-1, 2)


def _in_plane(surface: Surface, point: Array, axis: Array, least_mm: float, most_mm: float) -> Array:
    """(m, 3, 3) triangles across an axis, either way up, so far beyond a point along it."""
    normals = surface.normals
    length = np.linalg.norm(normals, axis=1)
    flat = (np.abs(normals @ axis) > IN_PLANE * length) & (length > 0)
    beyond = (surface.vertices[surface.faces[:, 0]] - point) @ axis
    return surface.vertices[surface.faces[flat & (beyond >= least_mm) & (beyond <= most_mm)]]


def _even(low: float, high: float, count: int) -> Array:
    """(count,) the middles of so many equal stretches."""
    return low + (high - low) * np.arange(1, 2 * count, 2) / (2 * count)


def _rounded(numbers: Iterable[float]) -> tuple[float, ...]:
    return tuple((np.round(np.array([*numbers]), SAME_DIGITS) + 0.0).tolist())


def _wedge(a: Array, b: Array) -> Array:
    return np.asarray(a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0])
