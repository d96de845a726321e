"""A model as rigid bodies and contact points, for the load programmes of steps.statics.programme."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike

from steps.materials import material
from steps.model import Array, IntArray, Joint, Joints, Mask, Measures, Model, frozen_array, frozen_indices
from steps.progress import ticking
from steps.settings import Settings
from steps.statics.axes import on_axes
from steps.statics.contacts import contacts_of
from steps.statics.findings import Findings, findings_of
from steps.statics.flat import extreme_points, flat, unit
from steps.statics.rigid import GROUND, Bodies, Contacts
from steps.statics.tree import Holds, holds_of

#: Two faces this near the lowest one lie on the table too, mm: less than a printed layer.
TABLE_TOLERANCE_MM = 0.05
#: A contact pushes straight up when its normal is within 15 deg of up: cos 15 deg.
UPRIGHT_COSINE = 0.966
#: Directions in which the farthest corner of a foot is kept: enough for rectangles and round feet.
FOOT_DIRECTIONS = 8
#: Directions in which the outermost point of a bond is kept: finds the corners of a rectangle.
BOND_DIRECTIONS = 4
#: Design stress of a bond where no adhesive is chosen yet, MPa: a quarter of the least lap shear of
#: the structural families, 2 MPa (epoxy, polyurethane 2-6 MPa from memory; a quarter, proposal).
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
    findings: Findings = field(default_factory=Findings, repr=False)  #: about these contacts, bare or glued

    @staticmethod
    def of(
        model: Model,
        measures: Measures,
        joints: Joints,
        settings: Settings,
        coarse: bool = True,
    ) -> Structure:
        """Bodies with their printed mass, contacts with what each joint is likely to hold when aged.

        ``coarse`` gathers the studs of a joint into at most four points that can do no more than they.
        """
        friction = material(settings.material).friction[0]
        findings, key = findings_of(joints), (friction, coarse)
        laid, bodies = on_axes(joints.joints, model.index_of, bodies_of(model, measures))
        if key not in findings.contacts:
            findings.contacts[key] = contacts_of(laid, model.index_of, friction, coarse)
        return Structure(model, joints, bodies, *findings.contacts[key], friction, findings)

    @staticmethod
    def relied_on(model: Model, measures: Measures, joints: Joints, settings: Settings) -> Structure:
        """As :meth:`of`, with what each joint may be relied on to hold: the low end of its band."""
        each = joints.joints
        low = tuple(
            joint if joint.moves else replace(joint, hold_n=joint.hold_low_n) for joint in ticking(each)
        )
        return Structure.of(model, measures, replace(joints, joints=low), settings)

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
        rows = {joint: self._bond_rows[self.joint_row[joint]] for joint in strong}
        bonded = np.concatenate(list(rows.values()))
        counts = np.array([len(own) for own in rows.values()])
        each = np.repeat(np.array(list(strong.values())) / np.maximum(counts, 1), counts)
        pull[bonded] = np.maximum(pull[bonded], each)
        slips = ~self._pinned[self.joint[bonded]]
        grip[bonded[slips]] = np.maximum(grip[bonded[slips]], each[slips])
        push[bonded] = True
        old = self.contacts
        return Contacts(old.point, old.normal, old.first, old.second, old.friction, pull, grip, push)

    def holds(self, contacts: Contacts) -> Holds:
        """What each joint holds by its contacts, ``contacts`` being the structure's, bare or glued."""
        index, joints = self.model.index_of, self.joints.joints
        ends = np.array([(index[joint.b], index[joint.a]) for joint in joints], dtype=np.int64).reshape(-1, 2)
        axis = np.array([joint.axis for joint in joints]).reshape(-1, 3)
        return holds_of(contacts, self.joint, axis, ends[:, 0], ends[:, 1])

    @cached_property
    def _pinned(self) -> Mask:
        """(joints,) whether studs keep the joint from slipping whatever the load: glue adds nothing there."""
        pinned = np.zeros(len(self.joints.joints), dtype=bool)
        pinned[self.joint[np.isinf(self.contacts.grip)]] = True
        return pinned

    @cached_property
    def _bond_rows(self) -> tuple[IntArray, ...]:
        """The contacts of each joint that stand for its bond: the outermost of those across its axis.

        A bond spread evenly over the face tips at F L / 2 about its edge, and so do F / 4 at the corners.
        """
        found = []
        order = np.argsort(self.joint, kind="stable")
        bounds = np.searchsorted(self.joint[order], np.arange(len(self.joints.joints) + 1))
        for row, joint in enumerate(ticking(self.joints.joints)):
            own = order[bounds[row] : bounds[row + 1]]
            lying = own[np.abs(self.contacts.normal[own] @ joint.axis) > UPRIGHT_COSINE]
            used = lying if len(lying) > 2 else own
            if len(used):
                across = flat(self.contacts.point[used], joint.axis)
                used = used[np.unique(extreme_points(across, BOND_DIRECTIONS))]
            found.append(frozen_indices(used, (None,)))
        return tuple(found)

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


def feet_of(model: Model, up: Array) -> Feet:
    """The foot of every part, once per shape and orientation."""
    rotations = model.poses[:, :3, :3]
    low = np.empty(len(model.parts))
    corners: list[Array] = [np.empty((0, 3))] * len(model.parts)
    known: dict[tuple[object, ...], tuple[float, Array]] = {}
    for row, part in enumerate(ticking(model.parts)):
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
