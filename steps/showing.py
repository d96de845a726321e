"""How many studs show on what is built: a count by which a maker checks it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from renderer.solid import Solid
from steps.model import Array, Feature, Joints, Measures, Model, Part

#: A stud is engaged by a touch whose axis is its own to this share of its radius.
SAME_AXIS = 0.5
#: What is seen is looked at this share of a stud's height off its end.
OFF_SHARE = 0.01
#: Ways in which people look at a stud: so many, spread evenly over the sphere.
WAYS = 96
#: Of those from above the table and from before the stud, people see it from at least the greater share;
#: where none sees it, it is hidden; between the two they would not agree.
SEEN, HIDDEN = 0.1, 0.0
#: Looked at flatter than this (sine), the end of a stud is not seen.
GRAZING = 0.1


def studs_showing(
    model: Model, measures: Measures, joints: Joints, parts: Sequence[str], up: Array
) -> int | None:
    """Studs of the parts, built with ``up`` (3,) upwards, that can be seen and that no other of them sits on.
    None where one of those can hardly be seen: people would not agree whether it shows."""
    free = [
        (foot + axis * feature.height_mm * (1 + OFF_SHARE), axis)
        for part in parts
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
    shapes = dict.fromkeys(model.part_by_id[part].shape for part in parts)
    solids = {each: Solid(model.shape_by_id[each].vertices, model.shape_by_id[each].faces) for each in shapes}
    for part in parts:
        placed = model.part_by_id[part]
        left = np.flatnonzero(~met)
        met[left] = _hit(solids[placed.shape], placed, ends[stud[left]], ways[way[left]])
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


def _hit(solid: Solid, part: Part, starts: Array, ways: Array) -> NDArray[np.bool_]:
    """(k,) whether rays from their starts (k, 3) their ways (k, 3) meet the part."""
    turn, shift = part.pose[:3, :3], part.pose[:3, 3]
    own, along = (starts - shift) @ turn, ways @ turn
    low, high = solid.vertices.min(axis=0), solid.vertices.max(axis=0)
    off = (low + high) / 2 - own
    ahead = np.einsum("ki,ki->k", off, along)
    radius = float(np.linalg.norm(high - low)) / 2
    near = (np.linalg.norm(off - ahead[:, None] * along, axis=1) < radius) & (ahead > -radius)
    met = np.zeros(len(starts), dtype=bool)
    if near.any():
        rays = (np.ascontiguousarray(each[near], dtype=np.float32) for each in (own, along))
        met[near] = np.asarray(solid.scene.run(*rays, query="INTERSECT")) >= 0
    return met
