"""The fit card: the model's own stud (or ball) at a ladder of gaps, and the part of the model to try on it.

Only the stud changes, as in a refit; the part that is tried on is the model's own, so its socket is
printed exactly as the model's will be.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from manifold3d import Manifold

from steps.fit import fit_of
from steps.force.printed import Print
from steps.hold import forces_at
from steps.model import Feature, Fit, Joint, Joints, Measures, Model, Part, Shape, Touch
from steps.prints.digits import numeral
from steps.prints.lie import turn_up
from steps.prints.piece import HANDLE_MM, Reach, as_printed, handy, into_socket, with_handle
from steps.prints.solids import PrintSolid, body_of, solid_of
from steps.refit import moved_shape
from steps.settings import CARD_GAPS_MM, Settings

LadderKind = Literal["stud", "peg", "ball"]
LADDER_KINDS: tuple[LadderKind, ...] = ("stud", "peg", "ball")

#: A socket that holds at least this share of the model's stud joints is one to try.
COMMON_SHARE = 0.04
#: Plate under the studs; digits: height, stroke, depth; room between things (mm). Common practice: three
#: layers deep and two lines wide can be read at any layer height.
PLATE_MM, DIGIT_MM, STROKE_MM, ENGRAVED_MM, ROOM_MM = 3.0, 9.0, 1.4, 0.6, 2.0
#: A ball's neck, in radii of the ball: radius and length to the plate.
NECK = (0.55, 1.35)
#: A ball's facets round its girth.
BALL_SIDES = 64


@dataclass(frozen=True, eq=False)
class Ladder:
    """One card, the piece to try on it, and the gap per side at each engraved number (mm)."""

    kind: LadderKind
    card: PrintSolid
    piece: PrintSolid
    gaps: tuple[tuple[str, float], ...]
    file_gap_mm: float  #: as the model's file has it
    stud_radius_mm: float
    of: tuple[str, str]  #: ids of the shapes whose stud and whose socket it tries
    expected: tuple[Fit, ...]  #: at each number, by the estimate alone

    @property
    def widths_mm(self) -> tuple[float, ...]:
        """Diameter at each number, as drawn."""
        return tuple(2 * (self.stud_radius_mm + self.file_gap_mm - gap) for _, gap in self.gaps)


@dataclass(frozen=True, eq=False)
class _Pair:
    """A shape with studs, a placed part with sockets for them, one of their contacts, and their mean gap."""

    carrier: Shape
    holder: Part
    touch: Touch
    joint: Joint
    gap_mm: float


def find_ladder(
    model: Model, measures: Measures, joints: Joints, kind: LadderKind, settings: Settings
) -> Ladder | None:
    """The fit card for one kind of joint; None when the model has none, or its meshes are open."""
    pair = _pair(model, joints, kind)
    if pair is None:
        return None
    holder = model.shape_by_id[pair.holder.shape]
    feature = _feature(model, measures, pair, kind)
    socket = body_of(holder)
    if feature is None or socket is None:
        return None
    gaps = CARD_GAPS_MM[kind]
    plugs = [_plug(pair.carrier, feature, pair.gap_mm - gap) for gap in gaps]
    into = into_socket(pair.touch, pair.holder)
    piece = handy(socket.transform(into[:3]), feature.radius_mm)
    reach = Reach.of(np.array(piece.to_mesh64().vert_properties)[:, :3])
    if kind != "ball":  # a ball's cup must stay open
        piece = with_handle(piece)
        reach = replace(reach, side=max(reach.side, HANDLE_MM[2] / 2 + HANDLE_MM[0]))
    numbers = [str(number) for number in range(1, len(gaps) + 1)]
    card = _card(numbers, plugs, reach, feature.radius_mm)
    return Ladder(
        kind,
        solid_of(f"{kind} card", card),
        solid_of(f"{kind} piece to try", as_printed(piece, into, measures.by_shape[holder.id].up)),
        tuple(zip(numbers, gaps, strict=True)),
        pair.gap_mm,
        feature.radius_mm,
        (pair.carrier.id, holder.id),
        _expected(pair, gaps, settings),
    )


def _expected(pair: _Pair, gaps: Sequence[float], settings: Settings) -> tuple[Fit, ...]:
    """What the contact that the card tries is likely to feel like at each gap."""
    offsets = [pair.touch.gap_mm - gap for gap in gaps]
    row = next(i for i, each in enumerate(pair.joint.touches) if each is pair.touch)
    made = Print.of(settings)
    forces = forces_at(pair.joint.touches, offsets, settings)
    return tuple(fit_of(touches[row], pair.joint.share_n, made) for touches in forces)


def _pair(model: Model, joints: Joints, kind: str) -> _Pair | None:
    """The handiest of the usual holders, and what it is most often put on."""
    touches: dict[tuple[str, str], list[tuple[Touch, Joint, str]]] = {}
    for joint in joints.joints:
        for touch in joint.touches:
            if touch.kind == kind and touch.grips:
                other = joint.other(touch.carrier)
                shapes = model.part_by_id[touch.carrier].shape, model.part_by_id[other].shape
                touches.setdefault(shapes, []).append((touch, joint, other))
    if not touches:
        return None
    held = Counter({holder: 0 for _, holder in touches})
    for (_, holder), found in touches.items():
        held[holder] += len(found)
    usual = [each for each in held if held[each] >= COMMON_SHARE * sum(held.values())] or list(held)
    holder = min(usual, key=lambda each: (*_bulk(model.shape_by_id[each]), each))
    pairs = {carrier: found for (carrier, other), found in touches.items() if other == holder}
    carrier = max(pairs, key=lambda each: (len(pairs[each]), each))
    gap = float(np.mean([touch.gap_mm for touch, _, _ in pairs[carrier]]))
    touch, joint, part = pairs[carrier][0]
    return _Pair(model.shape_by_id[carrier], model.part_by_id[part], touch, joint, gap)


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
    body = body_of(moved) if moved is not None else None
    if body is None:
        radius = feature.radius_mm + delta
        return Manifold.cylinder(feature.height_mm, radius, radius, feature.facets)
    pose = np.eye(4)
    pose[:3, :3] = turn_up(feature.axis)
    pose[:3, 3] = -pose[:3, :3] @ feature.point
    wide = feature.radius_mm * 1.05 + max(delta, 0)
    around = Manifold.cylinder(2 * feature.height_mm, wide, wide, 4 * feature.facets)
    return body.transform(pose[:3]) ^ around


def _card(names: Sequence[str], plugs: Sequence[Manifold], reach: Reach, radius: float) -> Manifold:
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
