"""A model as rigid bodies and contact points, for the load programmes of steps.statics.programme.

How a joint becomes contacts:

* a *rest* pushes at the corners of the shared area and slips by friction;
* a stud, peg, pin or ball pushes sideways at its contact lines, and holds along its axis with an equal
  share of the joint's hold at each line; it pushes along its axis at the same points unless the two
  parts also rest on each other. Two studs that carry at their contact lines alone stop a studded
  staircase at the published level (see tests); faces that rest carry two levels more;
* a *glued* joint holds every way at every point, with an equal share of the bond's design strength.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike

from steps.model import Array, IntArray, Joint, Joints, Measures, Model, Touch, frozen_array, frozen_indices
from steps.settings import Settings
from steps.statics.data import friction_of
from steps.statics.programme import GROUND, Bodies, Contacts, unit

#: Two faces this near the lowest one lie on the table too, mm: less than a printed layer.
TABLE_TOLERANCE_MM = 0.05
#: A contact pushes straight up when its normal is within 15 deg of up: cos 15 deg.
UPRIGHT_COSINE = 0.966
#: A rest carries along a stud's axis when its normal is within 15 deg of it.
ALONG_COSINE = 0.966
#: Directions in which the farthest corner of a foot is kept: enough for rectangles and round feet.
FOOT_DIRECTIONS = 8
#: Design stress of a bond where no adhesive is chosen yet, MPa: a quarter of the least lap shear of
#: the structural families, 2 MPa (references: epoxy, polyurethane 2-6 MPa (M); a quarter (P)).
BOND_MPA = 0.5


@dataclass(frozen=True, eq=False)
class Feet:
    """Where each part would stand on a table: lowest height along up, and the corners of the foot."""

    low: Array  #: (n,) mm along up
    corners: tuple[Array, ...]  #: per part (k, 3) mm, model coordinates


@dataclass(frozen=True, eq=False)
class Structure:
    """All bodies and contacts of a model. ``joint`` (k,) is the row in ``joints`` of each contact."""

    model: Model
    joints: Joints
    bodies: Bodies
    contacts: Contacts
    joint: IntArray
    friction: float

    @staticmethod
    def of(
        model: Model, measures: Measures, joints: Joints, settings: Settings, kept: float = 1.0
    ) -> Structure:
        """Bodies with their printed mass, contacts with the share ``kept`` of each joint's hold (ageing)."""
        friction = friction_of(settings.material)
        rows = model.index_of
        pieces: list[Contacts] = []
        counts: list[int] = []
        for joint in joints.joints:
            made = Contacts.join(joint_contacts(joint, rows, friction, kept))
            pieces.append(made)
            counts.append(len(made))
        joint_rows = np.repeat(np.arange(len(counts)), counts)
        return Structure(
            model,
            joints,
            bodies_of(model, measures),
            Contacts.join(pieces),
            frozen_indices(joint_rows, (None,)),
            friction,
        )

    @cached_property
    def joint_row(self) -> Mapping[str, int]:
        return {joint.id: row for row, joint in enumerate(self.joints.joints)}

    def part_rows(self, parts: Iterable[str]) -> IntArray:
        """Sorted rows of the named parts."""
        index = self.model.index_of
        return frozen_indices(sorted({index[part] for part in parts}), (None,))

    def glued(self, strength: Mapping[str, float | None] | Iterable[str]) -> Contacts:
        """The contacts when the given joints are glued: {joint: design strength in N} or just their names."""
        strong = self._strengths(strength)
        if not strong:
            return self.contacts
        pull, grip, push = (getattr(self.contacts, name).copy() for name in ("pull", "grip", "push"))
        per_joint = np.full(len(self.joints.joints), np.nan)
        for joint, newtons in strong.items():
            per_joint[self.joint_row[joint]] = newtons
        each = per_joint[self.joint] / np.bincount(self.joint, minlength=len(per_joint))[self.joint]
        bonded = ~np.isnan(each)
        pull[bonded] = np.maximum(pull[bonded], each[bonded])
        grip[bonded] = np.maximum(grip[bonded], each[bonded])
        push[bonded] = True
        old = self.contacts
        return Contacts(old.point, old.normal, old.first, old.second, old.friction, pull, grip, push)

    def _strengths(self, strength: Mapping[str, float | None] | Iterable[str]) -> dict[str, float]:
        given = strength if isinstance(strength, Mapping) else dict.fromkeys(strength)
        by_id = self.joints.by_id
        return {
            joint: bond_strength(by_id[joint]) if newtons is None else newtons
            for joint, newtons in given.items()
        }

    def feet(self, up: ArrayLike) -> Feet:
        """The feet of every part for one up direction (kept for the last few directions asked)."""
        key = tuple(np.round(unit(up), 9))
        if key not in self._feet_by_up:
            if len(self._feet_by_up) >= 16:
                self._feet_by_up.clear()
            self._feet_by_up[key] = feet_of(self.model, unit(up))
        return self._feet_by_up[key]

    @cached_property
    def _feet_by_up(self) -> dict[tuple[float, ...], Feet]:
        return {}

    def table_contacts(self, rows: ArrayLike, up: ArrayLike) -> tuple[Contacts, IntArray]:
        """Contacts of the given parts with a table under the lowest of them, and the rows that touch it."""
        feet, chosen = self.feet(up), np.asarray(rows)
        low = feet.low[chosen]
        on_table = chosen[low <= low.min() + TABLE_TOLERANCE_MM] if len(chosen) else chosen
        corners = [feet.corners[row] for row in on_table]
        if not corners:
            return Contacts.join([]), frozen_indices([], (None,))
        first = np.repeat(on_table, [len(one) for one in corners])
        made = Contacts.make(np.concatenate(corners), unit(up), first, GROUND, friction=self.friction)
        return made, frozen_indices(on_table, (None,))


def bodies_of(model: Model, measures: Measures) -> Bodies:
    """Printed mass and centroid of every part, model coordinates."""
    in_order = [measures.by_shape[shape.id] for shape in model.shapes]
    mass = np.array([measure.printed_g for measure in in_order])
    centroid = np.array([measure.centroid for measure in in_order]).reshape(-1, 3)
    poses, shape = model.poses, model.shape_index
    placed = np.einsum("pij,pj->pi", poses[:, :3, :3], centroid[shape]) + poses[:, :3, 3]
    return Bodies(mass[shape], placed)


def bond_strength(joint: Joint, stress_mpa: float = BOND_MPA) -> float:
    """Design strength of the joint when glued, N."""
    return joint.glue_area_mm2 * stress_mpa


def joint_contacts(
    joint: Joint, rows: Mapping[str, int], friction: float, kept: float = 1.0
) -> list[Contacts]:
    """The contacts of one joint, as the module's text tells."""
    gripping = [touch for touch in joint.touches if touch.kind != "rest" and len(touch.points)]
    resting = [touch for touch in joint.touches if touch.kind == "rest" and len(touch.points)]
    made = [_rest_contacts(joint, touch, rows, friction) for touch in resting]
    hold = kept * joint.hold_n / max(1, len(gripping))
    for touch in gripping:
        rests_along = any(abs(float(rest.axis @ touch.axis)) > ALONG_COSINE for rest in resting)
        made.extend(_grip_contacts(joint, touch, rows, hold, len(gripping) == 1, not rests_along))
    return made


def _rest_contacts(joint: Joint, touch: Touch, rows: Mapping[str, int], friction: float) -> Contacts:
    first, second = rows[joint.other(touch.carrier)], rows[touch.carrier]
    return Contacts.make(touch.points, touch.normals, first, second, friction=friction)


def _grip_contacts(
    joint: Joint, touch: Touch, rows: Mapping[str, int], hold: float, alone: bool, carries: bool
) -> list[Contacts]:
    """Contacts of one stud, peg or ball that holds ``hold`` newtons along its axis.

    Where it is the joint's only one, its friction also resists turning about the axis; where there are
    several they resist turning by their sideways push, and friction is left to the axis.
    """
    first, second, share = rows[joint.other(touch.carrier)], rows[touch.carrier], hold / len(touch.points)
    made = []
    if alone:
        made.append(Contacts.make(touch.points, touch.normals, first, second, grip=share))
    else:
        made.append(Contacts.make(touch.points, touch.normals, first, second))
    if carries or (share > 0 and not alone):
        pull = 0.0 if alone else share
        made.append(Contacts.make(touch.points, touch.axis, first, second, pull=pull, push=carries))
    return made


def feet_of(model: Model, up: Array) -> Feet:
    """The foot of every part, once per shape and orientation."""
    rotations = model.poses[:, :3, :3]
    low = np.empty(len(model.parts))
    corners: list[Array] = [np.empty((0, 3))] * len(model.parts)
    known: dict[tuple[object, ...], tuple[float, Array]] = {}
    for row, part in enumerate(model.parts):
        local_up = rotations[row].T @ up
        key = (part.shape, *np.round(local_up, 6))
        if key not in known:
            known[key] = _shape_foot(model.shape_by_id[part.shape].vertices, local_up)
        height, foot = known[key]
        low[row] = height + model.poses[row, :3, 3] @ up
        corners[row] = foot @ rotations[row].T + model.poses[row, :3, 3]
    return Feet(frozen_array(low, (None,)), tuple(corners))


def _shape_foot(vertices: Array, up: Array) -> tuple[float, Array]:
    """Lowest height of the vertices along ``up`` and the outermost of those that lie that low."""
    heights = vertices @ up
    low = float(heights.min())
    ground = vertices[heights <= low + TABLE_TOLERANCE_MM]
    outer = extreme_points(flat(ground, up), FOOT_DIRECTIONS)
    return low, ground[outer]


def flat(points: Array, up: Array) -> Array:
    """(k, 2) coordinates of the points seen along ``up``, along the model's axes where up is one."""
    helper = np.zeros(3)
    helper[int(np.argmin(np.abs(up).round(9)))] = 1.0
    across = unit(np.cross(np.cross(up, helper), up))
    return points @ np.stack([across, np.cross(up, across)], axis=1)


def extreme_points(points: Array, directions: int) -> IntArray:
    """Rows of the points farthest in equally spaced directions, in turning order, without repeats.

    The first direction is between two axes, so that the corners of a rectangle are found exactly.
    """
    angles = 2 * np.pi * (np.arange(directions) + 0.5) / directions
    reach = points @ np.stack([np.cos(angles), np.sin(angles)])
    best = np.argmax(reach.round(6), axis=0)
    chosen = best[best != np.roll(best, 1)]
    return frozen_indices(chosen if len(chosen) else best[:1], (None,))
