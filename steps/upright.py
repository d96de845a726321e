"""Which way is up: as the file lies, unless the model would fall over or lies on its side.

Files are often written with another axis up, or as a model was posed for drawing. What stands is left
alone, on a tilted stand too; only what lies with nearly all of its studs level is turned. The builder's own
word (``order.down``) goes before all of this.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import chain, product

import numpy as np
import shapely

from renderer.spatial import hull
from steps.model import Array, Measure, Model, Problem
from steps.settings import Settings
from steps.ties import merged

Z = np.array([0.0, 0.0, 1.0])
#: This share of the studs points one way in a model that is turned.
MOST_STUDS = 0.8
#: Studs point one way within this (cosine of 1 degree), and are level within this (sine of 5 degrees).
ONE_WAY = float(np.cos(np.radians(1.0)))
LEVEL = float(np.sin(np.radians(5.0)))
#: What lies within this share of the model's size of its lowest point lies on the table.
ON_TABLE = 1e-3
#: The centre of mass is inside the base by this share of the root of the base's area, and by twice what
#: counts as on the table: a cube on its edge stands on a strip as narrow as that.
INSIDE = 0.02
#: Digits of a direction by which studs and faces are sorted into ways.
DIGITS = 4


def way_up(
    model: Model, by_shape: Mapping[str, Measure], settings: Settings
) -> tuple[Array, tuple[Problem, ...]]:
    """(3,) unit: the way up of the finished model, as the builder says or else as found, with a note
    ``turned-up`` where that was found not to be the file's z."""
    if settings.order.down is not None:
        return model.from_file(np.array(settings.order.up)), ()
    return _found_up(model, by_shape)


def _found_up(model: Model, by_shape: Mapping[str, Measure]) -> tuple[Array, tuple[Problem, ...]]:
    if not model.placed or not model.parts:
        return Z, ()
    ways, counts = _stud_ways(model, by_shape)
    most, total = (int(counts[0]) if len(counts) else 0), int(counts.sum())
    nearly_all = total > 0 and most >= MOST_STUDS * total
    if nearly_all and float(ways[0] @ Z) >= ONE_WAY:
        return Z, ()
    body = _Whole(model, by_shape)
    if body.stands(Z):
        if not nearly_all or abs(float(ways[0] @ Z)) > LEVEL:
            return Z, ()
        why = f"lies on its side: {most} of its {total} studs point along"
        return ways[0], (_note(f"{why} {_told(model, ways[0])} in the file. It is planned with them up"),)
    up = body.other_way(ways)
    if up is None or float(up @ Z) >= ONE_WAY:
        return Z, ()
    return up, (_note(f"would fall over as it lies. It is planned with {_told(model, up)} of the file up"),)


def _note(text: str) -> Problem:
    text = f'The model {text}; for another way set down under [order], down = "-z" to leave it as it lies.'
    return Problem("turned-up", "note", (), text)


def _told(model: Model, way: Array) -> str:
    """ "+y" of the file, or a direction in figures."""
    way = model.to_file(way)
    axis = int(np.abs(way).argmax())
    if abs(float(way[axis])) >= ONE_WAY:
        return f"{'-' if way[axis] < 0 else '+'}{'xyz'[axis]}"
    return "(" + ", ".join(f"{value + 0.0:.3f}" for value in way.round(3)) + ")"


def _stud_ways(model: Model, by_shape: Mapping[str, Measure]) -> tuple[Array, Array]:
    """(k, 3) ways that studs point, the most frequent first, and how many studs each (k,)."""
    found = [np.zeros((0, 3))]
    for row, shape in enumerate(model.shapes):
        turns = model.poses[model.shape_index == row, :3, :3]
        axes = np.array([_exact(stud.axis) for stud in by_shape[shape.id].studs]).reshape(-1, 3)
        found.append(np.einsum("pij,kj->pki", turns, axes).reshape(-1, 3))
    return _sorted_ways(np.vstack(found), np.ones(sum(map(len, found))))


def _exact(axis: Array) -> Array:
    """A measured axis, replaced by the shape's own coordinate axis that it agrees with."""
    nearest = np.eye(3)[int(np.abs(axis).argmax())] * np.sign(axis[int(np.abs(axis).argmax())])
    return nearest if float(nearest @ axis) >= ONE_WAY else axis


def _sorted_ways(ways: Array, weights: Array) -> tuple[Array, Array]:
    """Directions within a degree as one, heaviest first; ties by the first to come."""
    if not len(ways):
        return np.zeros((0, 3)), np.zeros(0)
    _, first, group = np.unique(ways.round(DIGITS) + 0.0, axis=0, return_index=True, return_inverse=True)
    weight = np.bincount(group.reshape(-1), weights)
    kept: list[Array] = []
    total: list[float] = []
    for row in np.lexsort((first, -weight)).tolist():
        way = ways[first[row]]
        known = next((k for k, other in enumerate(kept) if float(way @ other) >= ONE_WAY), None)
        if known is None:
            kept.append(way / np.linalg.norm(way))
            total.append(float(weight[row]))
        else:
            total[known] += float(weight[row])
    order = np.argsort(-np.array(total), kind="stable")
    return np.array(kept)[order], np.array(total)[order]


class _Whole:
    """The model as one rigid thing on a table."""

    def __init__(self, model: Model, by_shape: Mapping[str, Measure]):
        self.model = model
        bounds = model.part_bounds
        self.near = ON_TABLE * float(np.ptp(bounds.reshape(-1, 3), axis=0).max())
        of = [by_shape[part.shape] for part in model.parts]
        grams = np.array([max(each.printed_g, 1e-9) for each in of])
        local = np.array([each.centroid for each in of])
        middles = np.einsum("pij,pj->pi", model.poses[:, :3, :3], local) + model.poses[:, :3, 3]
        self.centre = grams @ middles / grams.sum()
        self.corners = [shape.outermost for shape in model.shapes]

    def other_way(self, studs: Array) -> Array | None:
        """(3,) the first way up that it stands: as its ``studs`` (k, 3) point, then on the largest face. What
        lies on edges alone, with no face of its own on the table, comes last; None where nothing stands."""
        faces = list(self.faces())
        in_turn = chain(product(studs, (False,)), product(faces, (True,)), product(faces, (False,)))
        return next((way for way, flat in in_turn if self.stands(way, flat)), None)

    def stands(self, up: Array, flat: bool = False) -> bool:
        """Whether it stands by itself with ``up`` (3,) upwards: its centre of mass is over its base; the base
        is all that is lowest, or its ``flat`` faces alone."""
        across = np.linalg.svd(up[None])[2][1:]
        low = np.concatenate([self._placed(row) for row in range(len(self.corners))])
        heights = low @ up
        level = float(heights.min()) + self.near
        under = self._undersides(up, level) if flat else low[heights <= level]
        base = shapely.convex_hull(shapely.multipoints(under @ across.T))
        if base.area <= 0:
            return False
        point = shapely.points(across @ self.centre)
        inside = max(2 * self.near, INSIDE * float(np.sqrt(base.area)))
        return bool(base.contains(point) and shapely.distance(shapely.boundary(base), point) >= inside)

    def _undersides(self, up: Array, level: float) -> Array:
        """(n, 3) corners of the triangles that lie flat on a table at ``level``."""
        found = [np.zeros((0, 3))]
        for row, shape in enumerate(self.model.shapes):
            poses = self.model.poses[self.model.shape_index == row]
            reach = np.einsum("pij,kj->pki", poses[:, :3, :3], self.corners[row]) + poses[:, None, :3, 3]
            poses = poses[(reach @ up).min(axis=1) <= level]
            corners = shape.vertices[shape.faces]
            normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
            normals /= np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-300)
            for pose in poses:
                down = corners[normals @ (pose[:3, :3].T @ up) <= -ONE_WAY] @ pose[:3, :3].T + pose[:3, 3]
                found.append(down[(down @ up <= level).all(axis=1)].reshape(-1, 3))
        return np.concatenate(found)

    def faces(self) -> Iterator[Array]:
        """Ways up with a face of the convex outline on the table, the largest first; of equal ones that over
        which the middle of the weight is lower, as what lies in a model lies at its bottom."""
        points = np.concatenate([self._placed(row) for row in range(len(self.corners))])
        around = hull(points)
        if around is None:
            return
        triangles = points[around.simplices]
        areas = np.linalg.norm(
            np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0]), axis=1
        )
        ways, areas = _sorted_ways(-around.equations[:, :3], areas)
        high = ways @ self.centre - (ways @ points.T).min(axis=1)
        yield from ways[np.lexsort((merged(high, self.near), -merged(areas, ON_TABLE * float(areas.max()))))]

    def _placed(self, row: int) -> Array:
        """(n, 3) outermost points of all copies of a shape."""
        poses = self.model.poses[self.model.shape_index == row]
        placed = np.einsum("pij,kj->pki", poses[:, :3, :3], self.corners[row]) + poses[:, None, :3, 3]
        return placed.reshape(-1, 3)
