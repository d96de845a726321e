"""The build told step by step: what stands, what arrives, how it lies. Made once for each order.

An :class:`~steps.model.Order` says what each step adds; what that means for a step, all later stages read
here: the same parts in the same order, as ids and as rows of the model's parts.
"""

from __future__ import annotations

from collections.abc import Container, Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from steps.model import Array, Assembly, IntArray, Joints, Model, Move, Order, Step


@dataclass(frozen=True, eq=False)
class Arrival:
    """What goes in as one: a single part, or a finished sub-assembly."""

    parts: tuple[str, ...]
    rows: IntArray  #: (n,) the same as rows of the model's parts
    move: Move
    assembly: str = ""  #: of a sub-assembly

    @property
    def name(self) -> str:
        """Id of the part or of the sub-assembly."""
        return self.assembly or self.parts[0]

    @property
    def way(self) -> Array:
        """(3,) the last leg, which ends in place; mm, or a unit vector for a straight move."""
        return self.move.legs[-1]


@dataclass(frozen=True, eq=False)
class PlacedFirst(Container[str]):
    """The ids of the parts that went in first, ``count`` of them, without listing them."""

    place: Mapping[str, int]  #: part of the assembly -> how many went in before it
    count: int

    def __contains__(self, part: object) -> bool:
        return isinstance(part, str) and self.place.get(part, self.count) < self.count


@dataclass(frozen=True, eq=False)
class Moment:
    """One step amid the build: of its assembly's first copy, whose parts stand before it and after it."""

    step: Step
    assembly: Assembly
    arrivals: tuple[Arrival, ...]  #: in the order they go in
    previous: Step | None  #: the step before in the same assembly; None where it begins
    before: IntArray  #: (n,) rows of the parts in place before it, in the order they went in
    after: IntArray  #: (m,) the same with what arrives, which comes last
    place: Mapping[str, int]  #: part of the assembly -> how many of its parts went in before it

    @property
    def arriving(self) -> IntArray:
        """(m - n,) rows of all that arrives, in the order it goes in."""
        return self.after[len(self.before) :]

    def standing(self, arrived: int = 0) -> PlacedFirst:
        """What is in place once the first ``arrived`` arrivals are in, as ids."""
        return PlacedFirst(
            self.place, len(self.before) + sum(len(each.rows) for each in self.arrivals[:arrived])
        )

    @property
    def up(self) -> Array:
        """(3,) the model direction that points up on the table."""
        return self.step.up

    @property
    def copies(self) -> tuple[tuple[str, ...], ...]:
        """Part ids of each copy for which the step is done, the k-th part of each alike."""
        return self.assembly.copies


@dataclass(frozen=True, eq=False)
class BuildSequence:
    """Every step of an order as a :class:`Moment`. The order keeps it, so it does not hold the order: circles
    go only when they are looked for."""

    model: Model
    steps: tuple[Step, ...]
    assemblies: tuple[Assembly, ...]
    up: Array  #: (3,) of the finished model
    moments: tuple[Moment, ...]

    @classmethod
    def of(cls, model: Model, order: Order) -> BuildSequence:
        """The sequence of an order; asked again for the same order and model, the same value.

        Raises KeyError for a step whose assembly or part is not there.
        """
        made = order.__dict__.get("_sequence")  # kept as a cached property is: beside the frozen fields
        if isinstance(made, cls) and made.model is model:
            return made
        made = cls(model, order.steps, order.assemblies, order.up, tuple(_moments(model, order)))
        order.__dict__["_sequence"] = made
        return made

    @cached_property
    def by_number(self) -> Mapping[int, Moment]:
        return {moment.step.number: moment for moment in self.moments}

    @cached_property
    def by_assembly(self) -> Mapping[str, tuple[Moment, ...]]:
        """The moments of each assembly that has steps."""
        found: dict[str, list[Moment]] = {}
        for moment in self.moments:
            found.setdefault(moment.assembly.id, []).append(moment)
        return {name: tuple(moments) for name, moments in found.items()}

    @cached_property
    def attached_in(self) -> Mapping[str, Moment]:
        """Sub-assembly -> the moment in which its first copy is attached."""
        found: dict[str, Moment] = {}
        for moment in self.moments:
            for arrival in moment.arrivals:
                if arrival.assembly:
                    found.setdefault(arrival.assembly, moment)
        return found

    @cached_property
    def first_needed(self) -> Mapping[str, int]:
        """Part id -> number of the step that adds it; later copies of an assembly count as its first."""
        needed: dict[str, int] = {}
        for step in self.steps:
            for part in step.adds:
                needed.setdefault(part, step.number)
        for assembly in self.assemblies:
            for copy in range(1, len(assembly.copies)):
                for first, other in across(assembly, copy).items():
                    if first in needed:
                        needed.setdefault(other, needed[first])
        return needed

    def ids(self, rows: IntArray) -> tuple[str, ...]:
        """The ids of the parts in these rows."""
        return tuple(self.model.parts[row].id for row in rows.tolist())

    def alike(self, joints: Joints) -> dict[str, tuple[str, ...]]:
        """For each joint closed by a step, all joints it stands for: one per copy of the step's assembly."""
        between = {frozenset((joint.a, joint.b)): joint.id for joint in joints.joints}
        found: dict[str, tuple[str, ...]] = {}
        known = {
            name: [across(moments[0].assembly, copy) for copy in range(len(moments[0].copies))]
            for name, moments in self.by_assembly.items()
        }
        for moment in self.moments:
            lookups = known[moment.assembly.id]
            for joint_id in moment.step.closes:
                joint = joints.by_id[joint_id]
                same = [
                    between.get(frozenset((lookup.get(joint.a, joint.a), lookup.get(joint.b, joint.b))))
                    for lookup in lookups
                ]
                found[joint_id] = tuple(dict.fromkeys(one for one in same if one is not None)) or (joint_id,)
        return found


def across(assembly: Assembly, copy: int) -> Mapping[str, str]:
    """Part of the first copy -> the corresponding part of copy number ``copy``."""
    return dict(zip(assembly.copies[0], assembly.copies[copy], strict=True))


def _moments(model: Model, order: Order) -> Iterator[Moment]:
    arrivals = [_arrivals(model, order, step) for step in order.steps]
    own: dict[str, list[IntArray]] = {assembly.id: [] for assembly in order.assemblies}
    for step, arriving in zip(order.steps, arrivals, strict=True):
        own[step.assembly] += [arrival.rows for arrival in arriving]
    # rows of each assembly in the order they go in: what stands at a moment is a cut of them
    whole = {name: _frozen(np.concatenate([np.empty(0, np.int64), *rows])) for name, rows in own.items()}
    names = [part.id for part in model.parts]
    place = {name: {names[row]: k for k, row in enumerate(rows.tolist())} for name, rows in whole.items()}
    placed = dict.fromkeys(whole, 0)
    last: dict[str, Step] = {}
    told: dict[int, Moment] = {}
    for step, arriving in zip(order.steps, arrivals, strict=True):
        name, start = step.assembly, placed[step.assembly]
        end = placed[name] = start + sum(len(arrival.rows) for arrival in arriving)
        rows = whole[name]
        before, after = rows[:start], rows[:end]
        if step.reopens:  # what stood before those steps, and what came in them
            again = [told[number] for number in step.reopens]
            arriving = tuple(arrival for each in again for arrival in each.arrivals)
            before, after = again[0].before, again[-1].after
        moment = Moment(
            step, order.assembly_by_id[name], arriving, last.get(name), before, after, place[name]
        )
        yield moment
        last[name], told[step.number] = step, moment


def _arrivals(model: Model, order: Order, step: Step) -> tuple[Arrival, ...]:
    single = [Arrival((part,), _rows(model, (part,)), step.moves[part]) for part in step.adds]
    whole = []
    for attach in step.attaches:
        parts = order.assembly_by_id[attach.assembly].copies[attach.copy]
        whole.append(Arrival(parts, _rows(model, parts), attach.move, attach.assembly))
    return (*single, *whole)


def _rows(model: Model, parts: tuple[str, ...]) -> IntArray:
    return _frozen(np.array([model.index_of[part] for part in parts], dtype=np.int64))


def _frozen(rows: IntArray) -> IntArray:
    rows.setflags(write=False)
    return rows
