"""What a hand must hold in each step, with glue reckoned in: what is new, and what has set.

A step with glue ends when its glue has fixed, and the next begins only then. So after a step all that was
glued in earlier steps holds as a bond does, and what the step itself glues holds only as its bare joints
do. Two watches tell cheaply what leans: one on the build with all glue set, one on the bare joints. The
load programme is asked about the bare joints only where something that the step brings leans on them, or
where a hand would let go.
A hand also holds what would slide or topple while a part is pressed home on it.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence

import numpy as np

from steps.model import Array, Step
from steps.order.stability import Watch
from steps.statics import Capacity, Stand, Structure
from steps.statics.flat import flat
from steps.statics.structure import TABLE_TOLERANCE_MM

#: Directions in which a build is looked at for tipping over its foot: enough for feet of any outline.
TIP_DIRECTIONS = 64
#: A build stands by itself while its middle of mass lies so far within its foot, mm: a wheel on its rim, or
#: what balances on an edge, does not.
WITHIN_MM = 0.02


class Hands:
    """One build on the table, ``up`` pointing up; ``members`` are the rows of all its parts."""

    def __init__(self, structure: Structure, cured: Structure, up: Array, members: Sequence[int]):
        self.structure = structure
        self.up = up
        self.settled = Watch(cured, up, members)
        self._names = [part.id for part in structure.model.parts]
        pairs = zip(structure.joints.joints, cured.joints.joints, strict=True)
        self._glued = frozenset(bare.id for bare, glued in pairs if bare is not glued)
        self._bare = Watch(structure, up, members) if self._glued else None
        self._low = structure.feet(up).low
        self._table = float(self._low[list(members)].min()) if len(members) else 0.0
        self._leant: frozenset[int] = frozenset()  # parts that leaned on bare joints already
        self._held: tuple[str, ...] = ()  # what a hand held after the last step
        self._programmes = 0

    @property
    def programmes(self) -> int:
        """Load programmes solved so far."""
        return self._programmes + self.settled.programmes

    def pass_by(self, parts: Sequence[int]) -> None:
        """The parts go in while the build lies another way: nobody looks at how it stands this way."""
        self.settled.doubts(parts)
        self._newly_leaning(parts)

    def during(self, arrivals: Sequence[tuple[Sequence[int], Array]]) -> tuple[str, ...]:
        """Ids of the parts that a hand must hold while these parts, which each go in as one along a way (3,),
        are pressed home one after the other; what nothing carries yet is held until what comes after it is
        in. All but the last are in when this returns."""
        held: set[str] = set()
        for number, (parts, way) in enumerate(arrivals, start=1):
            held.update(self.settled.press(parts, way))
            held.update(self._aloft(parts))
            if number < len(arrivals):
                self.settled.doubts(parts)
        return self._in_order(held)

    def _aloft(self, parts: Sequence[int]) -> tuple[str, ...]:
        """The parts, not there yet, if they touch nothing that is there and do not lie on the table."""
        own = {self._names[part] for part in parts}
        joints, rows = self.structure.joints.of_part, self.structure.model.index_of
        touched = {rows[joint.other(name)] for name in own for joint in joints.get(name, ())}
        if not touched.isdisjoint(self.settled.present):
            return ()
        if self._low[list(parts)].min() <= self._table + TABLE_TOLERANCE_MM:
            return ()
        return tuple(sorted(own))

    def after(self, step: Step, parts: Sequence[int]) -> tuple[str, ...]:
        """Ids of the parts that a hand must hold when the step that puts ``parts`` in is done."""
        leaning = self._newly_leaning(parts)
        if self.settled.doubts(parts) and (far := self._topples()) is not None:
            held: tuple[str, ...] = (far,)
            if not self._holds_all(far, step):
                held = self._until_set(step, frozenset(), held) or held
        else:
            held = self.settled.add(())
            rows = self.structure.model.index_of
            let_go = {rows[name] for name in self._held} - {rows[name] for name in held}
            if not self._glued.isdisjoint(step.closes) and (let_go or leaning & self._brought(step, parts)):
                held = self._in_order({*held, *self._until_set(step, leaning | let_go, held)})
        self._held = held
        return held

    def _holds_all(self, part: str, step: Step) -> bool:
        """Whether all that is there surely stands while one part is held and the step's own glue sets: what
        is joined loosely may not."""
        held = {self.structure.model.index_of[part]}
        return self.settled.growing.stands(self.settled.present, held=held, weak=self._weak(step)) is True

    def falls_bare(self, held: Collection[str]) -> bool:
        """Whether what is there falls by bare joints while these hands hold it; not where none is glued."""
        return self._bare is not None and self._bare.falls((), held)

    def stands_with(self, held: Collection[str], parts: Collection[int], weak: Capacity) -> bool:
        """Whether what is there surely stands while these hands and ``parts`` are held still, contacts being
        as ``weak``."""
        kept = {*parts, *(self.structure.model.index_of[name] for name in held)}
        return self.settled.growing.stands(self.settled.present, held=kept, weak=weak, keep=True) is True

    def _weak(self, step: Step) -> Capacity:
        """What the contacts can do while the step's own glue sets and all earlier glue holds."""
        return Capacity.of(self.structure.glued(sorted(self._glued - set(step.closes))))

    def _topples(self) -> str | None:
        """The part to try to hold where the build tips over its foot as one body, however well joined: the
        one farthest out on the side it falls to; None where it does not. This spares the load programme."""
        present = sorted(self.settled.present)
        table, _ = self.structure.table_contacts(present, self.up)
        bodies = self.structure.bodies
        foot, centres = flat(table.point, self.up), flat(bodies.centroid[present], self.up)
        masses = bodies.mass_g[present]
        middle = masses @ centres / masses.sum()
        angles = 2 * np.pi * np.arange(TIP_DIRECTIONS) / TIP_DIRECTIONS
        ways = np.stack([np.cos(angles), np.sin(angles)], axis=1)
        beyond = ways @ middle - (foot @ ways.T).max(axis=0)
        worst = int(np.argmax(beyond))
        if beyond[worst] <= -WITHIN_MM:
            return None
        return self._names[present[int(np.argmax(centres @ ways[worst]))]]

    def _newly_leaning(self, parts: Sequence[int]) -> frozenset[int]:
        """Put parts in; what leans on bare joints and did not before."""
        if self._bare is None:
            return frozenset()
        now = frozenset(self._bare.doubts(parts))
        before, self._leant = self._leant, now
        return now - before

    def _brought(self, step: Step, parts: Sequence[int]) -> set[int]:
        """What the step adds; of a sub-assembly it attaches only what the glue is put on can lean."""
        joints, rows = self.structure.joints.by_id, self.structure.model.index_of
        ends = {rows[end] for name in step.closes for end in (joints[name].a, joints[name].b)}
        return {rows[name] for name in step.adds} | (ends & set(parts))

    def _until_set(self, step: Step, leaning: Collection[int], anyway: Sequence[str]) -> tuple[str, ...]:
        """What must be held while the step's own glue sets and all earlier glue holds; some is held
        ``anyway``.

        Mostly only what leans on that glue falls: if it does with all else held, and nothing does with it
        held, that is the least help, since to hold more never asks for more.
        """
        setting, weak = self._glued - set(step.closes), self._weak(step)
        growing, present, rows = self.settled.growing, self.settled.present, self.structure.model.index_of
        # what falls so falls whatever else is held
        alone = growing.help(leaning, weak) if leaning else ()
        if not alone and growing.stands(present, weak=weak):
            return ()
        for held in (alone or (), {*(alone or ()), *(rows[name] for name in anyway)}):
            if held and growing.stands(present, held=held, weak=weak):
                return tuple(self._names[part] for part in held)
        found = Stand.of(self.structure, self.up, sorted(setting)).stands(
            [self._names[part] for part in sorted(present)]
        )
        self._programmes += found.programmes
        if found.ok:
            return ()
        return found.hold or tuple(self._names[part] for part in sorted(leaning))

    def both(self, *held: Iterable[str]) -> tuple[str, ...]:
        """What is held for one reason or another, in the model's order."""
        return self._in_order({name for names in held for name in names})

    def _in_order(self, names: set[str]) -> tuple[str, ...]:
        return tuple(sorted(names, key=self.structure.model.index_of.__getitem__))
