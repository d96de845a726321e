"""The fit card: the model's own stud (or ball) at a ladder of gaps, and the part of the model to try on it.

Only the stud changes, as in a refit; the part that is tried on is the model's own, so its socket is
printed exactly as the model's will be.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import manifold3d as m3
import numpy as np
from manifold3d import Manifold

from steps.model import (
    Array,
    Feature,
    IntArray,
    Joints,
    Measures,
    Model,
    Part,
    Shape,
    Touch,
    frozen_array,
)
from steps.prints.digits import numeral
from steps.prints.lie import turn_up
from steps.prints.refit import moved_shape
from steps.prints.stl import stl_bytes
from steps.prints.threemf import PrintObject, packed_mesh, print_3mf
from steps.settings import CARD_GAPS_MM

LadderKind = Literal["stud", "peg", "ball"]
LADDER_KINDS: tuple[LadderKind, ...] = ("stud", "peg", "ball")

#: A socket that holds at least this share of the model's stud joints is one to try.
COMMON_SHARE = 0.04
#: Plate under the studs; digits: height, stroke, depth; room between things (mm). Common practice: three
#: layers deep and two lines wide can be read at any layer height.
PLATE_MM, DIGIT_MM, STROKE_MM, ENGRAVED_MM, ROOM_MM = 3.0, 9.0, 1.4, 0.6, 2.0
#: The handle on the piece to try, for a luggage scale's hook (mm): thickness, height, hole.
HANDLE_MM = (4.0, 16.0, 8.0)
#: A piece to try longer than this is cut down to the wall round its socket, at most so far from the axis:
#: a wall of one radius is stiffer than any tube (in radii of the stud or peg; a choice of ours).
HANDY_RADII, CUT_OUT_RADII = 8.0, 2.0
CUT_OUT_SIDES = 96
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
    of: tuple[str, str]  #: ids of the shapes whose stud and whose socket it tries


def solid_files(solid: Solid) -> Iterator[tuple[str, bytes]]:
    """The solid as STL and 3MF, by file name."""
    yield f"{solid.name}.stl", stl_bytes(solid.vertices, solid.faces)
    mesh = packed_mesh(solid.vertices, solid.faces)
    each = PrintObject(solid.name, mesh, GREY, GREY_NAME, ((solid.name, 0.0, 0.0),))
    yield f"{solid.name}.3mf", print_3mf(solid.name, [each])


@dataclass(frozen=True, eq=False)
class _Pair:
    """A shape with studs, a placed part with sockets for them, one of their contacts, and their mean gap."""

    carrier: Shape
    holder: Part
    touch: Touch
    gap_mm: float


def find_ladder(model: Model, measures: Measures, joints: Joints, kind: LadderKind) -> Ladder | None:
    """The fit card for one kind of joint; None when the model has none, or its meshes are open."""
    pair = _pair(model, joints, kind)
    if pair is None:
        return None
    holder = model.shape_by_id[pair.holder.shape]
    feature = _feature(model, measures, pair, kind)
    socket = _body(holder)
    if feature is None or socket is None:
        return None
    gaps = CARD_GAPS_MM[kind]
    plugs = [_plug(pair.carrier, feature, pair.gap_mm - gap) for gap in gaps]
    into = _into_holder(pair)
    piece = _handy(socket.transform(into[:3]), feature.radius_mm)
    reach = _Reach.of(np.array(piece.to_mesh64().vert_properties)[:, :3])
    if kind != "ball":  # a ball's cup must stay open
        piece = _with_handle(piece)
        reach = replace(reach, side=max(reach.side, HANDLE_MM[2] / 2 + HANDLE_MM[0]))
    numbers = [str(number) for number in range(1, len(gaps) + 1)]
    card = _card(numbers, plugs, reach, feature.radius_mm)
    return Ladder(
        kind,
        solid_of(f"{kind} card", card),
        solid_of(f"{kind} piece to try", _as_printed(piece, into, measures.by_shape[holder.id].up)),
        tuple(zip(numbers, gaps, strict=True)),
        pair.gap_mm,
        feature.radius_mm,
        (pair.carrier.id, holder.id),
    )


def _pair(model: Model, joints: Joints, kind: str) -> _Pair | None:
    """The handiest of the usual holders, and what it is most often put on."""
    touches: dict[tuple[str, str], list[tuple[Touch, str]]] = {}
    for joint in joints.joints:
        for touch in joint.touches:
            if touch.kind == kind and touch.grips:
                other = joint.other(touch.carrier)
                shapes = model.part_by_id[touch.carrier].shape, model.part_by_id[other].shape
                touches.setdefault(shapes, []).append((touch, other))
    if not touches:
        return None
    held = Counter({holder: 0 for _, holder in touches})
    for (_, holder), found in touches.items():
        held[holder] += len(found)
    usual = [each for each in held if held[each] >= COMMON_SHARE * sum(held.values())] or list(held)
    holder = min(usual, key=lambda each: (*_bulk(model.shape_by_id[each]), each))
    pairs = {carrier: found for (carrier, other), found in touches.items() if other == holder}
    carrier = max(pairs, key=lambda each: (len(pairs[each]), each))
    gap = float(np.mean([touch.gap_mm for touch, _ in pairs[carrier]]))
    touch, part = pairs[carrier][0]
    return _Pair(model.shape_by_id[carrier], model.part_by_id[part], touch, gap)


def _bulk(shape: Shape) -> tuple[float, float]:
    """Longest side, then box volume: what makes a piece to try handy and cheap."""
    return round(float(shape.size_mm.max()), 2), round(float(shape.size_mm.prod()), 2)


def _feature(model: Model, measures: Measures, pair: _Pair, kind: str) -> Feature | None:
    """The carrier's feature nearest to the contact."""
    back = np.linalg.inv(model.part_by_id[pair.touch.carrier].pose)
    point = back[:3, :3] @ pair.touch.point + back[:3, 3]
    features = [each for each in measures.by_shape[pair.carrier.id].features if each.kind == kind]
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


def _into_holder(pair: _Pair) -> Array:
    """(4, 4) holder's shape coordinates to ones with z along the socket's axis, which goes through 0."""
    place = np.eye(4)
    place[:3, :3] = turn_up(pair.touch.axis)
    place[:3, 3] = -place[:3, :3] @ pair.touch.point
    return np.asarray(place @ pair.holder.pose)


def _handy(piece: Manifold, radius: float) -> Manifold:
    """The piece, or what is round its socket (axis z) where the whole of it would waste plastic."""
    box = np.array(piece.bounding_box()).reshape(2, 3)
    if np.ptp(box[:, :2], axis=0).max() <= HANDY_RADII * radius:
        return piece
    cut = _round(piece, CUT_OUT_RADII * radius)
    wall = np.abs(cut.slice(0.0).bounds()).max(initial=0.0)  # at the middle of the engaged length
    cut = _round(piece, min(float(wall), CUT_OUT_RADII * radius))  # so that nothing hangs over the wall
    return cut if len(cut.decompose()) == 1 else piece


def _round(piece: Manifold, radius: float) -> Manifold:
    """What of the piece is within ``radius`` of the axis z."""
    low, high = np.array(piece.bounding_box()).reshape(2, 3)[:, 2]
    return piece ^ Manifold.cylinder(high - low, radius, radius, CUT_OUT_SIDES).translate([0, 0, low])


def _as_printed(piece: Manifold, into: Array, up: Array) -> Manifold:
    """The piece as the model's own part is printed: the way up decides how its socket comes out."""
    pose = np.eye(4)
    pose[:3, :3] = turn_up(up) @ into[:3, :3].T
    return piece.transform(pose[:3])


@dataclass(frozen=True)
class _Reach:
    """How far the piece to try reaches from its socket's axis (mm): inwards, and to either side of the way
    out."""

    inward: float
    side: float

    @staticmethod
    def of(piece: Array) -> _Reach:
        """``piece`` (n, 3) with the socket's axis along z through 0."""
        flat = piece[:, :2]
        middle = (flat.min(axis=0) + flat.max(axis=0)) / 2
        far = np.linalg.norm(middle)
        out = middle / far if far > 1e-3 else np.array([0.0, 1.0])
        across = np.array([out[1], -out[0]])
        return _Reach(float(-(flat @ out).min()), float(np.abs(flat @ across).max()))


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


def _with_handle(body: Manifold) -> Manifold:
    """The model's own part with an eye over its socket for the hook of a luggage scale: so it pulls straight.

    The socket's axis is z.
    """
    box = np.array(body.bounding_box()).reshape(2, 3)
    top = box[1, 2]
    thick, high, hole = HANDLE_MM
    wide = hole + 2 * thick
    bore = Manifold.cylinder(3 * thick, hole / 2, hole / 2, 32, True).rotate([90, 0, 0])
    bore = bore.translate([0, 0, top + high / 2])
    for sunk in np.arange(ROOTED_MM, top - box[0, 2], ROOTED_MM / 2):
        eye = Manifold.cube([wide, thick, high + sunk]).translate([-wide / 2, -thick / 2, top - sunk])
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
