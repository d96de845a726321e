"""Shells of one soup that are one part: studs pushed into a roof, tubes into its underside.

In a file without parts each shell comes out as a body of its own. A body is planted in another when a whole
end of it lies in the other's material, or the rim of its open end does. What only touches is not, nor what a
press fit squeezes: there no whole end lies within.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence, Set
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import shapely

from renderer.topology import connected
from steps.intake.bodies import Body, split_bodies
from steps.intake.checks import FEWEST_FACES
from steps.intake.meshes import SAME_SHARE, Alike
from steps.limits import LIMITS, Limits, refuse_more
from steps.mend.caps import close_rims
from steps.mend.rays import Rays
from steps.mend.sew import open_edges, sew
from steps.mend.soup import signed_volume
from steps.mend.unite import DUST_SHARE
from steps.model import Array, IntArray
from steps.progress import ticking

#: An end is flat, and as wide as this share of the body at least: a facet of a stud is none.
END_SHARE = 0.5
#: Ends are looked for along so many directions, those with most face area first.
MOST_WAYS = 12
#: Points of an end that are asked for.
POINTS = 12
#: Ends are asked for this share of the pair's lesser extent behind them: what only touches is not within.
WITHIN_SHARE = 1e-3
#: A shell is planted only in one whose box is larger than its own by this much.
SIZES_DIFFER = 0.9
#: Two pairs of bodies stand alike within this share of the greater one's extent.
SAME_PLACE = 1e-5
#: Normals of one end agree within this (cosine of 1 degree).
SAME_WAY = float(np.cos(np.radians(1.0)))


@dataclass(frozen=True, eq=False)
class _End:
    """Points (k, 3) of one end of a body, and the way out of the body there."""

    points: Array
    way: Array
    open: bool

    @property
    def box(self) -> Array:
        """(2, 3) of what must lie in another's box, less what a hair's breadth brings."""
        low, high = self.points.min(axis=0), self.points.max(axis=0)
        hair = 2 * WITHIN_SHARE * (high - low).max()
        return np.array([low + hair, high - hair])

    @cached_property
    def asked(self) -> tuple[Array, Array]:
        """(k, 3) some of its points, off the edges of what it may stand in; and those a step within that."""
        points = self.points[:: max(1, len(self.points) // POINTS)]
        middle = points.mean(axis=0)
        points = middle + 0.98 * (points - middle)
        step = WITHIN_SHARE * float(np.ptp(self.points, axis=0).max()) * self.way
        return points, points + step if self.open else points - step


class _Ends:
    """Ends of bodies, the points of all in one array, so that many are asked at once."""

    def __init__(self, ends: Sequence[_End]):
        self.asked = [np.concatenate([end.asked[side] for end in ends]) for side in (0, 1)]
        self.size = np.array([len(end.asked[0]) for end in ends])
        self.start = np.cumsum(self.size) - self.size
        self.ways = np.array([end.way for end in ends])
        self.open = np.array([end.open for end in ends])


class _Body:
    """A body to be planted, or to plant in."""

    def __init__(self, vertices: Array, faces: IntArray):
        self.vertices, self.faces = vertices, faces
        self.box = np.array([vertices.min(axis=0), vertices.max(axis=0)])
        self.extent = self.box[1] - self.box[0]

    @cached_property
    def rays(self) -> Rays:
        vertices, faces = self.vertices, self.faces
        if len(open_edges(faces)):
            sewn = sew(vertices, faces)
            vertices, faces = sewn.vertices, close_rims(sewn.vertices, sewn.faces, sewn.reach)[0]
        return Rays(vertices, faces[:, ::-1] if signed_volume(vertices, faces) < 0 else faces)

    @cached_property
    def ends(self) -> list[_End]:
        return [*self._flat_ends(), *self._open_ends()]

    @cached_property
    def end_boxes(self) -> Array:
        return np.array([end.box for end in self.ends]).reshape(-1, 2, 3)

    def _flat_ends(self) -> list[_End]:
        corners = self.vertices[self.faces]
        cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        length = np.linalg.norm(cross, axis=1)
        real = length > 1e-12 * float(length.max(initial=0.0))
        rounded = np.round(100 * cross[real] / length[real, None]).astype(np.int64)
        kind = np.unique(rounded @ np.array([1_000_000, 1_000, 1]), return_inverse=True)[1].reshape(-1)
        areas = np.bincount(kind, weights=length[real])
        found = []
        for row in np.argsort(-areas, kind="stable")[:MOST_WAYS]:
            faces = np.flatnonzero(real)[kind == row]
            way = cross[faces[np.argmax(length[faces])]]
            way = way / np.linalg.norm(way)
            height = self.vertices @ way
            for side in (way, -way):
                along = height if side is way else -height
                top = np.flatnonzero(along > along.max() - 1e-5 * float(self.extent.max()))
                across = self.vertices - np.outer(height, way)
                if len(top) >= 3 and self._wide(across[top], across):
                    found.append(_End(self.vertices[top], side, False))
        return _distinct(found)

    def _wide(self, end: Array, whole: Array) -> bool:
        return bool((np.ptp(end, axis=0) >= END_SHARE * np.ptp(whole, axis=0) - 1e-9).all())

    def _open_ends(self) -> list[_End]:
        lone = open_edges(self.faces)
        if not len(lone):
            return []
        rim = np.unique(np.concatenate([self.faces[lone[:, 0], lone[:, 1]]]))
        if len(rim) < 3:  # faces that lie on each other may leave an edge open, and nothing round it
            return []
        points = self.vertices[rim]
        spread = np.linalg.svd(points - points.mean(axis=0))
        if spread[1][2] > 1e-3 * spread[1][0]:
            return []
        way = spread[2][2]
        middle = self.box.mean(axis=0)
        return [_End(points, way * (1 if (points.mean(axis=0) - middle) @ way > 0 else -1), True)]


def _distinct(ends: Sequence[_End]) -> list[_End]:
    kept: list[_End] = []
    for end in ends:
        if all(end.way @ other.way < SAME_WAY for other in kept):
            kept.append(end)
    return kept


def split_parts(
    vertices: Array, faces: IntArray, limits: Limits = LIMITS
) -> tuple[list[Body], Mapping[int, int]]:
    """As :func:`split_bodies`, shells that are planted in each other made one part again."""
    bodies, doubts = split_bodies(vertices, faces)
    if len(bodies) < 2:
        return bodies, doubts
    label = planted(bodies, limits)
    members: dict[int, list[Body]] = {}  # in order of their first body
    for body, part in zip(bodies, label.tolist(), strict=True):
        members.setdefault(part, []).append(body)
    rank = {part: row for row, part in enumerate(members)}
    told: dict[int, int] = {}
    for row, edges in doubts.items():
        part = rank[int(label[row])]
        told[part] = told.get(part, 0) + edges
    return [_joined(own) for own in members.values()], told


def _joined(bodies: Sequence[Body]) -> Body:
    if len(bodies) == 1:
        return bodies[0]
    starts = np.cumsum([0, *(len(vertices) for vertices, _ in bodies[:-1])])
    return (
        np.concatenate([vertices for vertices, _ in bodies]),
        np.concatenate([faces + start for (_, faces), start in zip(bodies, starts, strict=True)]),
    )


def planted(bodies: Sequence[Body], limits: Limits = LIMITS) -> IntArray:
    """(n,) label of the part that each body (vertices, faces) belongs to. Raises BeyondLimit where more of
    them might stand in each other than are looked at."""
    known, kind, at = _kinds(bodies)
    low, high = (np.array([known[k].box[side] for k in kind]) + at for side in (0, 1))
    dust = _dust(low, high)
    holds = np.array([len(faces) >= FEWEST_FACES for _, faces in bodies])  # fewer enclose nothing
    holds[[row for row, _ in dust]] = False
    met, many = [np.zeros((0, 3), dtype=np.int64)], 0  # body, its end, host
    for row, hosts in _candidates(low, high, np.flatnonzero(holds), {row for row, _ in dust}, limits):
        boxes = known[kind[row]].end_boxes + at[row]
        within = (boxes[:, 0] >= low[hosts, None]) & (boxes[:, 1] <= high[hosts, None])
        host, end = within.all(axis=2).nonzero()
        met.append(np.column_stack([np.full(len(host), row), end, hosts[host]]))
        many += len(host)
        refuse_more(f"{many:,} ends of bodies might stand in other bodies", many, "pairs", limits)
    tied = _deepest(known, np.array(kind), at, np.concatenate(met)) + dust
    return connected(len(bodies), np.array(tied, dtype=np.int64).reshape(-1, 2)).astype(np.int64)


def _deepest(known: Sequence[_Body], kind: IntArray, at: Array, met: IntArray) -> list[tuple[int, int]]:
    """Bodies that stand in others, each with the one that an end of it lies deepest in; of bodies, their ends
    and others ``met`` (k, 3). What is the same of several is asked once."""
    if not len(met):
        return []
    body, end, host = met.T
    off = at[body] - at[host]
    rounding = SAME_PLACE * np.array([float(each.extent.max()) for each in known])[kind[host]]
    keys = np.column_stack([kind[body], end, kind[host], np.round(off / rounding[:, None])])
    _, first, place = np.unique(keys, axis=0, return_index=True, return_inverse=True)
    asked, rows = np.unique(np.column_stack([kind[body], end])[first], axis=0, return_inverse=True)
    ends = _Ends([known[one].ends[its] for one, its in asked.tolist()])
    depth = _depths(known, kind[host[first]], ends, rows.reshape(-1), off[first])[place.reshape(-1)]
    deepest = np.lexsort((-depth, body))
    deepest = deepest[np.diff(body[deepest], prepend=-1) > 0]
    deepest = deepest[depth[deepest] > -0.5]
    return list(zip(body[deepest].tolist(), host[deepest].tolist(), strict=True))


def _kinds(bodies: Sequence[Body]) -> tuple[list[_Body], list[int], Array]:
    """The bodies that differ, from their own least corners; which of them each body is; and where, (n, 3)."""
    known: list[_Body] = []
    kind: list[int] = []
    at = np.array([vertices.min(axis=0) for vertices, _ in bodies])
    alike = Alike()
    for (vertices, faces), low in ticking(zip(bodies, at, strict=True)):
        rounding = SAME_SHARE * max(float(np.abs(vertices).max()), 1e-300)
        row = alike.number(vertices - low, faces, rounding)
        if row == len(known):
            known.append(_Body(vertices - low, faces))
        kind.append(row)
    return known, kind, at


def _dust(low: Array, high: Array) -> list[tuple[int, int]]:
    """Bodies too small to be parts, each with the nearest that is not: mending drops them from it."""
    longest = (high - low).max(axis=1)
    small = longest < DUST_SHARE * longest.max()
    hosts = np.flatnonzero(~small)
    found = []
    for row in np.flatnonzero(small).tolist():
        apart = np.maximum(np.maximum(low[hosts] - high[row], low[row] - high[hosts]), 0.0)
        found.append((row, int(hosts[np.argmin(np.linalg.norm(apart, axis=1).round(6))])))
    return found


def _candidates(
    low: Array, high: Array, hosts: IntArray, left_out: Set[int], limits: Limits
) -> Iterator[tuple[int, IntArray]]:
    """Bodies in turn, each with those of the hosts, greater by volume of their boxes, whose boxes share a
    volume with its own."""
    sizes = np.prod(high - low, axis=1)
    flat = shapely.box(low[:, 0], low[:, 1], high[:, 0], high[:, 1])
    known, many = shapely.STRtree(flat[hosts]), 0
    for row in ticking(range(len(low))):
        if row in left_out:
            continue
        near = hosts[np.sort(known.query(flat[row]))]
        slack = WITHIN_SHARE * (high - low)[row].max()
        # parts of a size stand on each other; shells of one part differ
        keep = (sizes[row] <= SIZES_DIFFER * sizes[near]) & (near != row)
        keep &= ((low[row] < high[near] + slack) & (low[near] < high[row] + slack)).all(axis=1)
        many += int(keep.sum())
        refuse_more(f"{many:,} pairs of bodies might stand in each other", many, "pairs", limits)
        if keep.any():
            yield row, near[keep]


def _depths(known: Sequence[_Body], hosts: IntArray, ends: _Ends, rows: IntArray, by: Array) -> Array:
    """How far each end, moved, lies within the material of a body, mm; below 0 where not all of it does. All
    that one body is asked is asked at once."""
    depths = np.full(len(rows), -1.0)
    order = np.argsort(hosts, kind="stable")
    for own in np.split(order, np.flatnonzero(np.diff(hosts[order])) + 1):
        depths[own] = _depths_in(known[hosts[own[0]]], ends, rows[own], by[own])
    return depths


def _depths_in(host: _Body, ends: _Ends, rows: IntArray, by: Array) -> Array:
    size = ends.size[rows]
    starts = np.cumsum(size) - size
    at = np.arange(size.sum()) + np.repeat(ends.start[rows] - starts, size)
    points, asked = (one[at] + np.repeat(by, size, axis=0) for one in ends.asked)
    within = ((asked >= host.box[0]) & (asked <= host.box[1])).all(axis=1)
    within[within] = host.rays.winding(asked[within]) > 0
    good = np.logical_and.reduceat(within, starts)
    depths = np.where(good, float(host.extent.max()), -1.0)  # an open end must stand on something
    shut = good & ~ends.open[rows]
    ways = np.repeat(-ends.ways[rows], size, axis=0)
    within = np.repeat(shut, size)
    back = np.full(len(points), np.nan)
    back[within] = host.rays.first_distance(points[within], ways[within])
    back = back[np.lexsort((back, np.repeat(np.arange(len(rows)), size)))]
    middle = (back[starts + (size - 1) // 2] + back[starts + size // 2]) / 2
    return np.where(shut, middle, depths)
