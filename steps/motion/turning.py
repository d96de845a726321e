"""Which way a part can be turned out: points of one solid followed along their circles through another.

A straight move is decided from depth maps, which know only the shape as it lies. A turn brings it into every
pose between, so it is followed step by step: points spread over one solid's surface, each a little inside
it, must not come to lie inside the other, nor the other's points inside the one. A step is so short that no
point moves further than it lies inside.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from itertools import product

import numpy as np

from steps.model import Array, IntArray, Model, Rotation
from steps.motion.depth import RayShape

#: Points of a shape's surface are this many tolerances apart: a wall of 0.12 pitches is met by two rows.
SPACING = 2.0
#: A point counts as inside when the surface is first met from within along two of these three rays: one
#: that grazes an edge is outvoted. Off every lattice, from memory: any three such directions serve.
RAYS = np.array([(0.5361, 0.6072, 0.5864), (-0.7013, 0.2119, 0.6806), (0.1874, -0.8839, -0.4284)])
#: How deep a point lies is asked along the axes and all diagonals between them: none is further than 28
#: degrees from a face's normal, so that a depth is read too great by an eighth at most.
LOOKS = np.array(
    [np.array(way) / np.linalg.norm(way) for way in product((-1.0, 0.0, 1.0), repeat=3) if any(way)]
)
#: A point counts as half a tolerance deep with this share of it, since it was just put there.
LESS = 0.99
#: 1 / g and 1 / g^2, g = 1.3247 the real root of x^3 = x + 1.
PLANE_SEQUENCE = np.array([0.7548776662466927, 0.5698402909980532])
#: Poses of one shape in another are the same to so many decimals, mm: far below any tolerance.
SAME_POSE = 6
#: Most points of one shape that are followed; of a larger surface they are further apart.
MOST_POINTS = 20_000


@dataclass(eq=False)
class Turning:
    """Turns in one model; ``tolerance_mm`` is the overlap that a move may have."""

    model: Model
    tolerance_mm: float
    _rays: dict[str, RayShape] = field(default_factory=dict)
    _points: dict[str, Array] = field(default_factory=dict)
    _entered: dict[tuple[str, str, bytes], tuple[int, bool]] = field(default_factory=dict)
    _met: dict[tuple[str, str, bytes], bool] = field(default_factory=dict)
    looked_at: int = 0  #: points followed so far, to bound a search by
    #: turns out by what was asked, and how many points were followed for them
    found: dict[Hashable, tuple[tuple[int, Rotation] | None, int]] = field(default_factory=dict)
    stuck: set[Hashable] = field(default_factory=set)  #: what was found to have no turned way out

    @cached_property
    def _home(self) -> list[Array]:
        """(4, 4) from the model's coordinates to each part's own."""
        return [_inverse(part.pose) for part in self.model.parts]

    def free_turns(
        self, own: Sequence[int], others: Sequence[int], axis: Array, point: Array, most_degrees: float
    ) -> Iterator[Rotation]:
        """Ever wider turns out of place, one way and then the other, that the parts ``own`` (rows) can make
        amid ``others``; each is what brings them home again."""
        reach = self._reach(own, axis, point)
        if reach < 1e-6:
            return
        step = float(np.degrees(self.tolerance_mm / reach))
        for sign in (1.0, -1.0):
            for number in range(1, int(most_degrees / step) + 1):
                out = sign * number * step
                home = Rotation(axis, point, -out)
                if self.overlaps(own, others, home.begin):
                    break
                yield home

    def overlaps(self, own: Sequence[int], others: Sequence[int], moved: Array) -> bool:
        """Whether the parts, moved from their places by ``moved`` (4, 4), stand in the others by more than
        the tolerance."""
        parts = self.model.parts
        for one in own:
            pose = moved @ parts[one].pose
            for other in others:
                there = self._home[other] @ pose
                back = _inverse(there)
                if self._enters(parts[one].shape, parts[other].shape, there) or self._enters(
                    parts[other].shape, parts[one].shape, back
                ):
                    return True
        return False

    def slides_out(self, own: Sequence[int], others: Sequence[int], moved: Array, way: Array) -> bool:
        """Whether the parts, first moved by ``moved``, can go on straight along ``way`` (3,) for ever."""
        parts = self.model.parts
        for one in own:
            pose = moved @ parts[one].pose
            for other in others:
                there = self._home[other] @ pose
                along = self._home[other][:3, :3] @ way
                if self._meets(parts[one].shape, parts[other].shape, there, along):
                    return False
                back = _inverse(there)
                if self._meets(parts[other].shape, parts[one].shape, back, -(back[:3, :3] @ along)):
                    return False
        return True

    def _enters(self, one: str, other: str, pose: Array) -> bool:
        """Whether points of a shape, taken to another's coordinates, lie inside it; alike pairs are looked at
        once, and counted each time."""
        asked = (one, other, np.round(pose[:3], SAME_POSE).tobytes())
        if asked not in self._entered:
            points = self._near(one, other, pose)
            inside = sum(self._scene(other).from_within(points, ray).astype(int) for ray in RAYS)
            self._entered[asked] = (len(points), bool(np.any(np.asarray(inside) >= 2)))
        count, enters = self._entered[asked]
        self.looked_at += count
        return enters

    def _meets(self, one: str, other: str, pose: Array, way: Array) -> bool:
        """Whether points of a shape, taken to another's coordinates, meet it along a way (3,); likewise."""
        points = self.points(one)
        self.looked_at += len(points)
        asked = (one, other, np.round([*pose[:3].T, way], SAME_POSE).tobytes())
        if asked not in self._met:
            shapes = self.model.shape_by_id
            own, its = (np.ptp(shapes[name].bounds, axis=0) for name in (one, other))
            far = 10.0 * float(its.max() + np.linalg.norm(own))
            moved = points @ pose[:3, :3].T + pose[:3, 3]
            self._met[asked] = bool(np.isfinite(self._scene(other).distances(moved, way, far)).any())
        return self._met[asked]

    def _near(self, one: str, other: str, pose: Array) -> Array:
        """Points of a shape, taken to another's coordinates, that lie within its box."""
        points, (low, high) = self.points(one), self.model.shape_by_id[other].bounds
        for axis in range(3):  # an axis at a time: what one leaves out the next need not look at
            along = points @ pose[axis, :3] + pose[axis, 3]
            points = points[(along > low[axis]) & (along < high[axis])]
        return points @ pose[:3, :3].T + pose[:3, 3]

    def _reach(self, own: Sequence[int], axis: Array, point: Array) -> float:
        """How far from the axis the parts reach, mm."""
        found = 0.0
        for row in own:
            part = self.model.parts[row]
            corners = self.model.shape_by_id[part.shape].vertices @ part.pose[:3, :3].T + part.pose[:3, 3]
            off = corners - point
            found = max(found, float(np.linalg.norm(off - np.outer(off @ axis, axis), axis=1).max()))
        return found

    def _scene(self, shape: str) -> RayShape:
        if shape not in self._rays:
            self._rays[shape] = RayShape(self.model.shape_by_id[shape])
        return self._rays[shape]

    def points(self, shape: str) -> Array:
        """(n, 3) points half a tolerance inside the shape's surface, evenly spread."""
        if shape not in self._points:
            mesh = self.model.shape_by_id[shape]
            triangles = mesh.vertices[mesh.faces]
            cross = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
            area = np.linalg.norm(cross, axis=1) / 2
            apart = max(SPACING * self.tolerance_mm, float(np.sqrt(area.sum() / MOST_POINTS)))
            at, face = _spread(triangles, area, apart)
            normal = cross[face] / np.maximum(2 * area[face], 1e-300)[:, None]
            self._points[shape] = self._deep(shape, at - self.tolerance_mm / 2 * normal)
        return self._points[shape]

    def _deep(self, shape: str, points: Array) -> Array:
        """Those of the points (n, 3) that lie half a tolerance inside whichever way they are looked at from:
        beside an edge, what is far enough behind one face comes out at the other."""
        deep = np.ones(len(points), dtype=bool)
        for way in LOOKS:
            near = self._scene(shape).distances(points, way, LESS * self.tolerance_mm / 2)
            deep &= ~np.isfinite(near)
        return points[deep]


def _inverse(pose: Array) -> Array:
    """(4, 4) the way back of a turn and move."""
    back = np.eye(4)
    back[:3, :3] = pose[:3, :3].T
    back[:3, 3] = -back[:3, :3] @ pose[:3, 3]
    return back


def _spread(triangles: Array, area: Array, apart: float) -> tuple[Array, IntArray]:
    """(n, 3) points about ``apart`` mm from each other on triangles, and the row of each one's triangle.

    Each triangle gets points by its area, one at least, in the plane sequence of Roberts (from memory: the
    shares of 1 and of its square by the root of x^3 = x + 1), which leaves no gaps.
    """
    count = np.maximum(np.ceil(area / apart**2).astype(int), 1)
    face = np.repeat(np.arange(len(triangles)), count)
    number = np.arange(len(face)) - np.repeat(np.cumsum(count) - count, count)
    share = (0.5 + np.outer(number + 1, PLANE_SEQUENCE)) % 1.0
    folded = share.sum(axis=1) > 1.0
    share[folded] = 1.0 - share[folded]
    one, two = share.T
    corners = triangles[face]
    at = corners[:, 0] + one[:, None] * (corners[:, 1] - corners[:, 0])
    return at + two[:, None] * (corners[:, 2] - corners[:, 0]), face
