"""The fit card: the model's own stud (or ball) at a ladder of gaps, and the part of the model to try on it.

Only the stud changes, as in a refit; the part that is tried on is the model's own, so its socket is
printed exactly as the model's will be.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

import manifold3d as m3
import numpy as np
from manifold3d import Manifold

from steps.model import Array, Feature, IntArray, Joints, Measures, Model, Shape, Touch, frozen_array
from steps.prints.digits import numeral
from steps.prints.lie import turn_up
from steps.prints.refit import moved_shape
from steps.prints.stl import stl_bytes
from steps.prints.threemf import PrintObject, packed_mesh, print_3mf

LadderKind = Literal["stud", "ball"]

#: Gaps per side on the card (mm): a step of 0.05 across the whole fit table, from tight to loose.
STUD_GAPS = (-0.10, -0.05, 0.0, 0.05, 0.10, 0.15, 0.20, 0.30)
BALL_GAPS = (-0.10, -0.05, 0.0, 0.05, 0.10, 0.15)
#: A socket that holds at least this share of the model's stud joints is one to try.
COMMON_SHARE = 0.04
#: Plate under the studs; digits: height, stroke, depth; room between things (mm). Common practice: three
#: layers deep and two lines wide can be read at any layer height.
PLATE_MM, DIGIT_MM, STROKE_MM, ENGRAVED_MM, ROOM_MM = 3.0, 9.0, 1.4, 0.6, 2.0
#: The handle on the piece to try, for a luggage scale's hook (mm): thickness, height, hole.
HANDLE_MM = (4.0, 16.0, 8.0)
#: The handle goes down until this depth of it is in the part (mm).
ROOTED_MM = 1.0
#: What is no part of the model may be printed in anything.
GREY, GREY_NAME = "#b0b0b0", "any colour"
#: A ball's neck, in radii of the ball: radius and length to the plate.
NECK = (0.55, 1.35)
#: A ball's facets round its girth.
BALL_SIDES = 64


@dataclass(frozen=True, eq=False)
class Solid:
    """A mesh to print."""

    name: str
    vertices: Array
    faces: IntArray

    def __post_init__(self) -> None:
        object.__setattr__(self, "vertices", frozen_array(self.vertices, (None, 3), "vertices"))


@dataclass(frozen=True, eq=False)
class Ladder:
    """One card, the piece to try on it, and the gap per side at each engraved number (mm)."""

    kind: LadderKind
    card: Solid
    piece: Solid
    gaps: tuple[tuple[str, float], ...]
    file_gap_mm: float  #: as the model's file has it
    stud_radius_mm: float
    of: str  #: whose stud and whose socket, in words


def solid_files(solid: Solid) -> Iterator[tuple[str, bytes]]:
    """The solid as STL and 3MF, by file name."""
    yield f"{solid.name}.stl", stl_bytes(solid.vertices, solid.faces)
    mesh = packed_mesh(solid.vertices, solid.faces)
    each = PrintObject(solid.name, mesh, GREY, GREY_NAME, ((solid.name, 0.0, 0.0),))
    yield f"{solid.name}.3mf", print_3mf(solid.name, [each])


def find_ladder(model: Model, measures: Measures, joints: Joints, kind: LadderKind) -> Ladder | None:
    """The fit card for one kind of joint; None when the model has none, or its meshes are open."""
    found = _pair(model, joints, kind)
    if found is None:
        return None
    carrier, holder, touch, gap = found
    feature = _feature(model, measures, carrier, touch, kind)
    socket = _body(holder)
    if feature is None or socket is None:
        return None
    labelled = tuple(
        (str(number), each) for number, each in enumerate(STUD_GAPS if kind == "stud" else BALL_GAPS, 1)
    )
    plugs = [_plug(carrier, feature, gap - each) for _, each in labelled]
    reach = _Reach.of(model, holder, touch)
    card = _card([name for name, _ in labelled], plugs, reach, feature.radius_mm)
    piece = _upright(socket, measures.by_shape[holder.id].up)
    if kind == "stud":  # a ball's cup must stay open
        piece = _with_handle(piece)
    names = f"{measures.by_shape[carrier.id].name} ({carrier.id}) in {measures.by_shape[holder.id].name}"
    return Ladder(
        kind,
        solid_of(f"{kind} card", card),
        solid_of(f"{kind} piece to try", piece),
        labelled,
        gap,
        feature.radius_mm,
        f"{names} ({holder.id})",
    )


def _pair(model: Model, joints: Joints, kind: str) -> tuple[Shape, Shape, Touch, float] | None:
    """Carrier, holder, one of their contacts, and the mean gap: the smallest of the usual holders."""
    touches: dict[tuple[str, str], list[Touch]] = {}
    for joint in joints.joints:
        for touch in joint.touches:
            if touch.kind == kind and touch.grips:
                carrier = model.part_by_id[touch.carrier].shape
                holder = model.part_by_id[joint.other(touch.carrier)].shape
                touches.setdefault((carrier, holder), []).append(touch)
    if not touches:
        return None
    held = Counter({holder: 0 for _, holder in touches})
    for (_, holder), found in touches.items():
        held[holder] += len(found)
    usual = [each for each in held if held[each] >= COMMON_SHARE * sum(held.values())] or list(held)
    holder = min(usual, key=lambda each: (*_bulk(model.shape_by_id[each]), each))
    pairs = {carrier: found for (carrier, other), found in touches.items() if other == holder}
    carrier = max(pairs, key=lambda each: (len(pairs[each]), each))
    gap = float(np.mean([touch.gap_mm for touch in pairs[carrier]]))
    return model.shape_by_id[carrier], model.shape_by_id[holder], pairs[carrier][0], gap


def _bulk(shape: Shape) -> tuple[float, float]:
    """Longest side, then box volume: what makes a piece to try handy and cheap."""
    return round(float(shape.size_mm.max()), 2), round(float(shape.size_mm.prod()), 2)


def _feature(model: Model, measures: Measures, carrier: Shape, touch: Touch, kind: str) -> Feature | None:
    """The carrier's feature nearest to the contact."""
    back = np.linalg.inv(model.part_by_id[touch.carrier].pose)
    point = back[:3, :3] @ touch.point + back[:3, 3]
    features = [each for each in measures.by_shape[carrier.id].features if each.kind == kind]
    return min(features, key=lambda each: float(np.linalg.norm(each.point - point)), default=None)


def _plug(carrier: Shape, feature: Feature, delta: float) -> Manifold:
    """The stud, cut off the model's own part and moved outwards by ``delta``; or a ball on a neck.

    It stands on z = 0 with its axis over the origin. A carrier that is not a closed body, or a stud that
    cannot be moved in place, gives a plain round of the same size.
    """
    if feature.kind == "ball":
        radius = feature.radius_mm + delta
        ball = Manifold.sphere(radius, BALL_SIDES).translate([0, 0, NECK[1] * feature.radius_mm])
        neck = NECK[0] * feature.radius_mm
        return ball + Manifold.cylinder(NECK[1] * feature.radius_mm, neck, neck, BALL_SIDES)
    moved = moved_shape(carrier, [feature], delta)
    body = _body(moved) if moved is not None else None
    if body is None:
        radius = feature.radius_mm + delta
        return Manifold.cylinder(feature.height_mm, radius, radius, feature.facets)
    pose = np.eye(4)
    pose[:3, :3] = turn_up(feature.axis)
    pose[:3, 3] = -pose[:3, :3] @ feature.point
    wide = feature.radius_mm * 1.05 + max(delta, 0)
    around = Manifold.cylinder(2 * feature.height_mm, wide, wide, 4 * feature.facets)
    return body.transform(pose[:3]) ^ around


@dataclass(frozen=True)
class _Reach:
    """How far the piece to try reaches from its socket's axis (mm): outwards, inwards, and to either side."""

    inward: float
    side: float

    @staticmethod
    def of(model: Model, holder: Shape, touch: Touch) -> _Reach:
        part = next(
            part
            for part in model.parts
            if part.shape == holder.id and part.id != touch.carrier and _near(model, part.id, touch.point)
        )
        placed = holder.vertices @ part.pose[:3, :3].T + part.pose[:3, 3] - touch.point
        flat = placed @ turn_up(touch.axis)[:2].T
        middle = (flat.min(axis=0) + flat.max(axis=0)) / 2
        far = np.linalg.norm(middle)
        out = middle / far if far > 1e-3 else np.array([0.0, 1.0])
        across = np.array([out[1], -out[0]])
        return _Reach(float(-(flat @ out).min()), float(np.abs(flat @ across).max()))


def _near(model: Model, part: str, point: Array) -> bool:
    low, high = model.part_bounds[model.index_of[part]]
    return bool((low - 1e-6 <= point).all() and (point <= high + 1e-6).all())


def _card(names: Sequence[str], plugs: Sequence[Manifold], reach: _Reach, radius: float) -> Manifold:
    """Two rows of plugs back to back on a plate, their numbers engraved between the rows.

    The piece to try points outwards, away from the other row, so that neighbours do not hinder it.
    """
    columns = (len(names) + 1) // 2
    apart = max(reach.side + radius + ROOM_MM, 2 * radius + ROOM_MM)
    half = reach.inward + DIGIT_MM + 1.5 * ROOM_MM  # from the card's middle line to a plug's axis
    edge = radius + ROOM_MM
    size = [(columns - 1) * apart + 2 * edge, 2 * (half + edge), PLATE_MM]
    card = Manifold.cube(size).translate([-edge, -size[1] / 2, -PLATE_MM])
    for place, (name, plug) in enumerate(zip(names, plugs, strict=True)):
        x, sign = (place % columns) * apart, 1 if place < columns else -1
        label = numeral(name, DIGIT_MM, STROKE_MM, 2 * ENGRAVED_MM)
        card += plug.translate([x, sign * half, 0])
        card -= label.translate([x, sign * (DIGIT_MM + ROOM_MM) / 2, -ENGRAVED_MM])
    return card


def _upright(piece: Manifold, up: Array) -> Manifold:
    pose = np.eye(4)
    pose[:3, :3] = turn_up(up)
    return piece.transform(pose[:3])


def _with_handle(body: Manifold) -> Manifold:
    """The model's own part with an eye on top for the hook of a luggage scale."""
    box = np.array(body.bounding_box()).reshape(2, 3)
    middle, top = box.mean(axis=0), box[1, 2]
    thick, high, hole = HANDLE_MM
    wide = hole + 2 * thick
    bore = Manifold.cylinder(3 * thick, hole / 2, hole / 2, 32, True).rotate([90, 0, 0])
    bore = bore.translate([middle[0], middle[1], top + high / 2])
    for sunk in np.arange(ROOTED_MM, top - box[0, 2], ROOTED_MM / 2):
        corner = [middle[0] - wide / 2, middle[1] - thick / 2, top - sunk]
        eye = Manifold.cube([wide, thick, high + sunk]).translate(corner)
        if (eye ^ body).volume() >= wide * thick * ROOTED_MM:
            return body + (eye - bore)
    return body


def _body(shape: Shape) -> Manifold | None:
    """The shape as a closed body; None when it is not one."""
    body = Manifold(m3.Mesh64(shape.vertices.copy(), np.array(shape.faces, np.uint64, order="C")))
    return body if body.status() == m3.Error.NoError and not body.is_empty() else None


def solid_of(name: str, body: Manifold) -> Solid:
    """The body as a mesh that stands on z = 0."""
    mesh = body.to_mesh64()
    vertices = np.array(mesh.vert_properties)[:, :3]
    vertices[:, 2] -= vertices[:, 2].min()
    return Solid(name, vertices, np.array(mesh.tri_verts, dtype=np.int64))
