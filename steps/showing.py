"""How many studs show on what is built: a count by which a maker checks it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from renderer.solid import Solid
from steps.model import Array, Feature, IntArray, Joints, Measures, Model
from steps.progress import ticking

#: A stud is engaged by a touch whose axis is its own to this share of its radius.
SAME_AXIS = 0.5
#: What is seen is looked at this share of a stud's height off its end.
OFF_SHARE = 0.01
#: Ways in which people look at a stud: so many, spread evenly over the sphere.
WAYS = 96
#: Of those from above the table and from before the stud, people see it from at least the greater share;
#: where none sees it, it is hidden; between the two they would not agree.
SEEN, HIDDEN = 0.1, 0.0
#: Triangles of parts that are one mesh for the rays, and rays cast at it before progress moves.
AT_ONCE, RAYS = 500_000, 100_000
#: Looked at flatter than this (sine), the end of a stud is not seen.
GRAZING = 0.1


def studs_showing(
    model: Model, measures: Measures, joints: Joints, parts: Sequence[str], up: Array
) -> int | None:
    """Studs of the parts, built with ``up`` (3,) upwards, that can be seen and that no other of them sits on.
    None where one of those can hardly be seen: people would not agree whether it shows."""
    free = [
        (foot + axis * feature.height_mm * (1 + OFF_SHARE), axis)
        for part in ticking(parts)
        for foot, axis, feature in _free_studs(model, measures, joints, part, frozenset(parts))
    ]
    if not free:
        return 0
    ends, axes = (np.array(column) for column in zip(*free, strict=True))
    share = _seen_from(model, parts, ends, axes, up)
    if ((share > HIDDEN) & (share < SEEN)).any():
        return None
    return int(np.count_nonzero(share >= SEEN))


def _seen_from(model: Model, parts: Sequence[str], ends: Array, axes: Array, up: Array) -> Array:
    """(k,) share of the ways of looking, from before a stud and above the table, in which it is seen."""
    ways = _evenly(WAYS)
    before = (axes @ ways.T > GRAZING) & (ways @ up > GRAZING)
    stud, way = np.nonzero(before)
    met = np.zeros(len(stud), dtype=bool)
    for some in _together(model, parts):
        left = np.flatnonzero(~met)
        met[left] = _hit(some, ends[stud[left]], ways[way[left]])
    seen = np.bincount(stud[~met], minlength=len(ends))
    return np.asarray(seen / np.maximum(np.count_nonzero(axes @ ways.T > GRAZING, axis=1), 1))


def _evenly(count: int) -> Array:
    """(k, 3) unit vectors spread evenly: Fibonacci's lattice on the sphere (Gonzalez, "Measurement of areas
    on a sphere using Fibonacci and latitude-longitude lattices", 2010; from memory)."""
    row = np.arange(count) + 0.5
    height, angle = 1 - 2 * row / count, np.pi * (1 + np.sqrt(5)) * row
    across = np.sqrt(1 - height**2)
    return np.column_stack([across * np.cos(angle), across * np.sin(angle), height])


def _free_studs(
    model: Model, measures: Measures, joints: Joints, part: str, parts: frozenset[str]
) -> Iterator[tuple[Array, Array, Feature]]:
    """Foot and axis, where the part stands, of each stud that no other of the parts sits on."""
    placed = model.part_by_id[part]
    turn, shift = placed.pose[:3, :3], placed.pose[:3, 3]
    points = [
        touch.point
        for joint in joints.of_part.get(part, ())
        if {joint.a, joint.b} <= parts
        for touch in joint.touches
        if touch.kind == "stud" and touch.carrier == part
    ]
    taken = np.array(points).reshape(-1, 3)
    for feature in measures.by_shape[placed.shape].features:
        if feature.kind != "stud":
            continue
        foot, axis = turn @ feature.point + shift, turn @ feature.axis
        off = taken - foot
        aside = np.linalg.norm(off - np.outer(off @ axis, axis), axis=1)
        along = off @ axis
        if not (
            (aside < SAME_AXIS * feature.radius_mm) & (along > 0) & (along < 2 * feature.height_mm)
        ).any():
            yield foot, axis, feature


def _together(model: Model, parts: Sequence[str]) -> Iterator[Solid]:
    """The parts as they stand, as many in one mesh as rays pass through fast."""
    corners, faces, count = list[Array](), list[IntArray](), 0
    for part in ticking(parts):
        placed = model.part_by_id[part]
        shape = model.shape_by_id[placed.shape]
        if faces and count + len(shape.faces) > AT_ONCE:
            yield _one(corners, faces)
            corners, faces, count = [], [], 0
        corners.append(shape.vertices @ placed.pose[:3, :3].T + placed.pose[:3, 3])
        faces.append(shape.faces)
        count += len(shape.faces)
    if faces:
        yield _one(corners, faces)


def _one(corners: Sequence[Array], faces: Sequence[IntArray]) -> Solid:
    starts = np.cumsum([0, *(len(each) for each in corners)])[:-1]
    numbered = [own + start for own, start in zip(faces, starts, strict=True)]
    return Solid(np.concatenate(corners), np.concatenate(numbered))


def _hit(solid: Solid, starts: Array, ways: Array) -> NDArray[np.bool_]:
    """(k,) whether rays from their starts (k, 3) their ways (k, 3) meet the solid."""
    met = np.zeros(len(starts), dtype=bool)
    for rows in ticking(np.array_split(np.arange(len(starts)), 1 + len(starts) // RAYS)):
        rays = (np.ascontiguousarray(each[rows], dtype=np.float32) for each in (starts, ways))
        met[rows] = np.asarray(solid.scene.run(*rays, query="INTERSECT")) >= 0
    return met
