"""One assembly as the planner sees it: units that each move as one, and what ties them together.

A unit is a part, or a finished sub-assembly that is attached whole. Rows are those of the model's
parts; unit numbers count within the site.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from steps.joints.loose import BEARS
from steps.model import Array, Joint, Joints, Measures, Model
from steps.motion import Motion
from steps.progress import ticking
from steps.ties import ranks

#: Places, sizes and distances, in pitches, that differ by less are one, and what is beyond a limit by less is
#: within it: files of six digits are off by a ten-thousandth of a pitch, no hand or eye tells a thousandth.
SAME_SHARE = 1e-3
#: Areas that differ by less than this share are one: what shifts a side by so little shifts an area by more.
SAME_AREA = 0.01
#: A part lies on the table when its lowest point is within this share of the pitch of the lowest of all.
TABLE_SHARE = 0.1


@dataclass(frozen=True, eq=False)
class Group:
    """Parts that are built apart, and what is built apart within them.

    ``copies`` lists the part rows of each copy, nested parts included, the k-th alike in all; ``up``
    is the model direction that points up while the first copy is built.
    """

    copies: tuple[tuple[int, ...], ...]
    up: Array
    children: tuple[Group, ...] = ()
    why: str = ""  #: "repeats", "ball joint", "tilted", "locked together", "asked for", "whole"

    @property
    def parts(self) -> tuple[int, ...]:
        return self.copies[0]


@dataclass(frozen=True, eq=False)
class Unit:
    """What goes in as one: a part, or copy ``copy`` of the sub-assembly ``group``."""

    parts: tuple[int, ...]
    group: Group | None = None
    copy: int = 0


@dataclass(frozen=True, eq=False)
class Tie:
    """A joint between two units, by unit numbers."""

    a: int
    b: int
    joint: Joint


@dataclass(frozen=True, eq=False)
class Site:
    """The units of one group, with the figures that ordering looks at."""

    model: Model
    motion: Motion
    group: Group
    units: tuple[Unit, ...]
    ties: tuple[Tie, ...]  #: every joint between different units, in joint order
    centres: Array  #: (units, 3) centre of mass, model coordinates
    kinds: tuple[str, ...]  #: what looks alike has the same kind: shape and colour, or group

    @property
    def up(self) -> Array:
        return self.group.up

    @cached_property
    def neighbours(self) -> tuple[tuple[int, ...], ...]:
        """Units that hold each unit: by a grip, or by carrying or resting on it."""
        found: list[set[int]] = [set() for _ in self.units]
        for tie in self.ties:
            if holds_together(tie.joint, self.up):
                found[tie.a].add(tie.b)
                found[tie.b].add(tie.a)
        return tuple(tuple(sorted(others)) for others in found)

    @cached_property
    def joints_of(self) -> tuple[tuple[Tie, ...], ...]:
        """Ties of each unit, in joint order."""
        found: list[list[Tie]] = [[] for _ in self.units]
        for tie in self.ties:
            found[tie.a].append(tie)
            found[tie.b].append(tie)
        return tuple(tuple(ties) for ties in found)

    @cached_property
    def spans(self) -> Array:
        """(units, 2) least and greatest height along up, mm."""
        heights = extents_along(self.motion, self.up)
        rows = [heights[list(unit.parts)] for unit in ticking(self.units)]
        return np.array([[row[:, 0].min(), row[:, 1].max()] for row in rows]).reshape(-1, 2)

    @cached_property
    def grounded(self) -> NDArray[np.bool_]:
        """(units,) whether the unit stands on the table."""
        lowest = self.spans[:, 0].min() if len(self.units) else 0.0
        return np.asarray(self.spans[:, 0] <= lowest + TABLE_SHARE * self.motion.length_mm)

    @cached_property
    def unit_of(self) -> Mapping[int, int]:
        """Unit number of each part row."""
        return {part: number for number, unit in enumerate(self.units) for part in unit.parts}


def holds_together(joint: Joint, up: Array) -> bool:
    """Whether a joint keeps its two parts together in the build: it grips, or carries weight, if only on a
    steep face. How well it does so is for the balance to say."""
    return joint.kind != "rest" or abs(float(holding_way(joint, up) @ up)) >= BEARS


def holding_way(joint: Joint, up: Array) -> Array:
    """(3,) the way out of part ``a`` along which a joint holds: its axis; where it only rests, the normal of
    the face that lies most nearly level, the larger of two alike."""
    if joint.kind != "rest":
        return joint.axis
    level = ranks(np.array([abs(float(touch.axis @ up)) for touch in joint.touches]), SAME_SHARE)
    areas = np.array([touch.area_mm2 for touch in joint.touches])
    large = ranks(areas, SAME_AREA * float(areas.max()))
    most = max(zip(level, large, joint.touches, strict=True), key=lambda each: each[:2])[2]
    return most.axis if most.carrier == joint.a else -most.axis


def extents_along(motion: Motion, direction: Array) -> Array:
    """(parts, 2) least and greatest coordinate of every part along a direction, mm."""
    index = motion.direction_index(direction)
    boxes = motion.half(index).boxes[:, :, 2]
    return -boxes[:, ::-1] if index & 1 else boxes


def units_of(group: Group) -> tuple[Unit, ...]:
    """The group's own parts in row order, then its sub-assemblies, copy by copy."""
    inside = {part for child in group.children for copy in child.copies for part in copy}
    loose = [Unit((part,)) for part in sorted(group.parts) if part not in inside]
    here = set(group.parts)  # a group within one that repeats has copies in every copy of that one
    whole = [
        Unit(copy, child, number)
        for child in group.children
        for number, copy in enumerate(child.copies)
        if here.issuperset(copy)
    ]
    return (*loose, *whole)


def repeats_of(site: Site) -> tuple[frozenset[int], ...]:
    """Units that are copies of one sub-assembly, set by set: they are attached one after the other."""
    copies = [
        frozenset(number for number, unit in enumerate(site.units) if unit.group is child)
        for child in site.group.children
    ]
    return tuple(each for each in copies if len(each) > 1)


def make_site(model: Model, measures: Measures, joints: Joints, motion: Motion, group: Group) -> Site:
    """Gather what is known of a group's units."""
    units = units_of(group)
    number = {part: k for k, unit in enumerate(units) for part in unit.parts}
    ties = []
    for joint in joints_among(model, joints, number):
        a, b = number[model.index_of[joint.a]], number[model.index_of[joint.b]]
        if a != b:
            ties.append(Tie(a, b, joint))
    return Site(
        model,
        motion,
        group,
        units,
        tuple(ties),
        _centres(model, measures, units),
        _kinds(model, group, units),
    )


def joints_among(model: Model, joints: Joints, rows: Collection[int]) -> list[Joint]:
    """The joints between parts of these rows, in joint order."""
    found = {}
    for row in ticking(sorted(rows)):
        for joint in joints.of_part.get(model.parts[row].id, ()):
            if model.index_of[joint.a] in rows and model.index_of[joint.b] in rows:
                found[joint.id] = joint
    return sorted(found.values(), key=lambda joint: joints.row_of[joint.id])


def _centres(model: Model, measures: Measures, units: Sequence[Unit]) -> Array:
    """(units, 3) centres of mass, model coordinates."""
    found = np.empty((len(units), 3))
    for row, unit in enumerate(ticking(units)):
        parts = list(unit.parts)
        by_shape = [measures.by_shape[model.parts[part].shape] for part in parts]
        grams = np.array([max(measure.printed_g, 1e-9) for measure in by_shape])
        local = np.array([measure.centroid for measure in by_shape])
        placed = np.einsum("pij,pj->pi", model.poses[parts, :3, :3], local) + model.poses[parts, :3, 3]
        found[row] = grams @ placed / grams.sum()
    return found


def _kinds(model: Model, group: Group, units: Sequence[Unit]) -> tuple[str, ...]:
    kinds = []
    for unit in units:
        if unit.group is not None:
            kinds.append(f"group {group.children.index(unit.group)}")
        else:
            part = model.parts[unit.parts[0]]
            kinds.append(f"{part.shape} {part.colour}")
    return tuple(kinds)
