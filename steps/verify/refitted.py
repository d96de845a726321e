"""The solids as they are printed after a refit: the plan says which studs, pegs and balls grew, and by how
much; they are moved here on the meshes as read, by this module's own reading of where they are.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from steps.model import Array, IntArray, Model, Shape
from steps.planfile import MovedEntry, PlanFile, ShapeEntry, SurfaceEntry
from steps.verify.report import Check

#: A vertex lies on a surface within this share of its radius (or, along the axis, of its height).
ON_SURFACE = 0.02
#: Corners of a chamfer at the tip stand no nearer to the axis than this share of the way from bore to side.
CHAMFER_SHARE = 0.6
#: A solid's volume agrees with the plan's within this share of what the refit made of it, and within this
#: share of the whole (coordinates in a file are rounded).
CHANGE_SHARE, WHOLE_SHARE = 0.05, 1e-5


def as_printed(plan: PlanFile, model: Model) -> Model:
    """The model with what the plan says was moved on its shapes; a model that was refitted stays as it is."""
    told = {shape.id: shape for shape in plan.shapes}
    shapes = tuple(
        shape if shape.changes or shape.id not in told else _printed(shape, told[shape.id])
        for shape in model.shapes
    )
    return replace(model, shapes=shapes)


def check_refit(plan: PlanFile, read: Model, printed: Model) -> Check:
    """Each surface that was moved is there in the file, and the solids are then as large as the plan says."""
    check = Check("refit", "surfaces")
    if plan.settings.get("refit") is None and not any(shape.moved for shape in plan.shapes):
        return check
    told: Mapping[str, ShapeEntry] = {shape.id: shape for shape in plan.shapes}
    for before, after in zip(read.shapes, printed.shapes, strict=True):
        entry = told.get(before.id)
        if entry is None:
            continue
        if entry.made.endswith(" mm") != bool(entry.moved):
            check.fault(f"{entry.id} is {entry.made}, and the plan lists {len(entry.moved)} moves of it")
        for moved in entry.moved:
            check.looked_at += len(moved.surfaces)
            if not before.changes and any(not len(_rows(before, one, moved)) for one in moved.surfaces):
                check.fault(f"{entry.id}: a {moved.kind} that is to be moved is not on its mesh")
        was, now = _volume(before), _volume(after)
        slack = CHANGE_SHARE * abs(now - was) + WHOLE_SHARE * abs(was)
        if abs(now - entry.volume_mm3) > slack:
            check.fault(
                f"{entry.id} has {entry.volume_mm3:.1f} mm3 in the plan, and {now:.1f} mm3 when so moved"
            )
    return check


def _printed(shape: Shape, entry: ShapeEntry) -> Shape:
    vertices = np.array(shape.vertices)
    for moved in entry.moved:
        for surface in moved.surfaces:
            rows = _rows(shape, surface, moved)
            vertices[rows] += moved.by_mm * _outward(shape.vertices[rows], surface, moved)
    return replace(shape, vertices=vertices) if entry.moved else shape


def _rows(shape: Shape, surface: SurfaceEntry, moved: MovedEntry) -> IntArray:
    """Rows of the vertices on a surface."""
    away = shape.vertices - np.array(surface.point)
    radius = surface.radius_mm
    if moved.kind == "ball":
        return np.flatnonzero(np.abs(np.linalg.norm(away, axis=1) / radius - 1) < ON_SURFACE)
    up = away @ np.array(surface.axis)
    out = np.linalg.norm(np.cross(away, surface.axis), axis=1)
    slack = ON_SURFACE * surface.height_mm
    side = np.abs(out / radius - 1) < ON_SURFACE
    least = surface.bore_mm + CHAMFER_SHARE * (radius - surface.bore_mm)
    tip = (up > slack) & (out > least) & (out < radius)
    return np.flatnonzero((side | tip) & (up > -slack) & (up < surface.height_mm + slack))


def _outward(points: Array, surface: SurfaceEntry, moved: MovedEntry) -> Array:
    away = points - np.array(surface.point)
    if moved.kind != "ball":
        axis = np.array(surface.axis)
        away = away - np.outer(away @ axis, axis)
    return away / np.linalg.norm(away, axis=1)[:, None]


def _volume(shape: Shape) -> float:
    """mm3 within the faces; faces that lie folded in their plane count as the plane they fill."""
    a, b, c = (shape.vertices[shape.faces[:, k]] for k in range(3))
    return float(np.einsum("ij,ij->", a, np.cross(b, c))) / 6
