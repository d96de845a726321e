"""Writing the plan down: numbered steps and assemblies from each site's drafts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from steps.model import Array, Assembly, Attach, Joint, Joints, Model, Move, Order, Problem, Step
from steps.order.apart import step_up, way_in
from steps.order.build import Draft
from steps.order.divide import Solved
from steps.order.names import group_name, wished_names
from steps.order.site import Group, Site
from steps.progress import ticking
from steps.wishes import Wishes
from steps.wording import Wording

#: A group as it is built: its ways, and its steps.
Ordered = tuple[Solved, list[Draft]]


@dataclass(eq=False)
class Writer:
    """Numbers assemblies and steps, sub-assemblies just before the step that needs them; what stands on the
    table by itself comes one thing after the other."""

    model: Model
    joints: Joints
    wishes: Wishes
    up: Array
    problems: list[Problem] = field(default_factory=list)
    steps: list[Step] = field(default_factory=list)
    facts: dict[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self._ids: dict[tuple[int, ...], str] = {}
        self._begun: list[Group] = []
        self._names = [part.id for part in self.model.parts]
        self._row = self.joints.row_of

    def write(self, thing: Solved, ordered: Mapping[int, Ordered]) -> None:
        """All steps of a thing that stands on the table, by the steps of each group (by its identity)."""
        first = len(self._begun)
        self._write(thing, ordered, [{}])
        own = next(group for group in self._begun[first:] if group.parts == thing.group.parts)
        self._begun.remove(own)
        self._begun.append(own)

    def _write(
        self, done: Solved, ordered: Mapping[int, Ordered], outer: Sequence[Mapping[int, int]]
    ) -> None:
        """The steps of a group, and before each those of the sub-assemblies it attaches.

        ``outer`` takes the first copy's parts to those of each copy of what the group lies in.
        """
        done, drafts = ordered[id(done)]
        group, site = done.group, done.site
        copies = tuple(
            tuple(there.get(part, part) for part in copy) for there in outer for copy in group.copies
        )
        across = [dict(zip(group.parts, copy, strict=True)) for copy in copies]
        inner = {each.group.parts: each for each in done.inner}
        placed: set[int] = set()
        own = self._ids.get(group.parts)  # looked up once: it is as many rows as the group has parts
        for draft in ticking(drafts):
            for unit in draft.units:
                child = site.units[unit].group
                if child is not None and child.parts not in self._ids:
                    self._write(inner[child.parts], ordered, across)
            if own is None:
                own = self._ids[group.parts] = f"A{len(self._ids) + 1}"
                self._begun.append(replace(group, copies=copies))
            self.steps.append(self._step(done, own, draft, placed))
            placed.update(draft.units)

    def _step(self, done: Solved, assembly: str, draft: Draft, placed: set[int]) -> Step:
        site, apart = done.site, done.apart
        moves: dict[str, Move] = {}
        attaches = []
        for unit in draft.units:
            each = site.units[unit]
            move = way_in(site, apart, unit)
            if each.group is None:
                moves[self._names[each.parts[0]]] = move
            else:
                attaches.append(Attach(self._ids[each.group.parts], each.copy, move))
        closing, push = self._closing(site, draft, placed)
        return Step(
            number=len(self.steps) + 1,
            assembly=assembly,
            adds=tuple(moves),
            moves=moves,
            attaches=tuple(attaches),
            closes=tuple(joint.id for joint in closing),
            up=step_up(site, apart, draft.units[0]),
            doubtful=self._doubt(site, draft),
            note=self._note(site, draft),
            needs_push_n=push,
        )

    def _closing(self, site: Site, draft: Draft, placed: set[int]) -> tuple[list[Joint], float]:
        """Joints that the step closes, in joint order, and the most that one unit takes to press home."""
        standing = set(placed)
        closing: list[Joint] = []
        push = 0.0
        for unit in draft.units:
            own = [
                tie.joint for tie in site.joints_of[unit] if (tie.b if tie.a == unit else tie.a) in standing
            ]
            closing += own
            push = max(push, sum(joint.push_n for joint in own))
            standing.add(unit)
        return sorted(closing, key=lambda joint: self._row[joint.id]), push

    def _doubt(self, site: Site, draft: Draft) -> tuple[Wording, ...]:
        if draft.doubtful:
            parts = draft_parts(site, draft)
            names = ", ".join(self.model.parts[part].source for part in parts)
            text = f"Step {len(self.steps) + 1}, {names}: {'; '.join(map(str, draft.doubtful))}."
            ids = tuple(self._names[part] for part in parts)
            code = "hangs-on-nothing" if draft.hanging else "doubtful-step"
            self.problems.append(Problem(code, "error" if draft.hanging else "warning", ids, text))
        return tuple(draft.doubtful)

    def _note(self, site: Site, draft: Draft) -> str:
        """The user's notes on the parts that the step adds."""
        notes = self.wishes.notes
        singles = [unit for unit in draft.units if site.units[unit].group is None]
        rows = [site.units[unit].parts[0] for unit in singles]
        return " ".join(dict.fromkeys(notes[row] for row in rows if row in notes))

    def order(self) -> Order:
        """The finished plan."""
        everything = tuple(range(len(self.model.parts)))
        whole = self._begun[-1]
        if len(whole.parts) < len(everything):
            whole = Group((everything,), self.up)
        named, lost = wished_names(self._begun, self.wishes.names)
        for row in lost:
            source, name = self.model.parts[row].source, self.wishes.names[row]
            text = f"order.names: {source} is in no sub-assembly, so the name {name!r} is not used."
            self.problems.append(Problem("unused-name", "note", (), text))
        assemblies = tuple(
            self._assembly(group, named.get(place), whole) for place, group in enumerate(self._begun)
        )
        counted = figures(self.model, assemblies, self.steps, self.up)
        facts = {**self.facts, **counted}
        return Order(assemblies, tuple(self.steps), tuple(self.problems), facts, self.up)

    def _assembly(self, group: Group, wished: str | None, whole: Group) -> Assembly:
        short, name = group_name(self.model, group, whole, self._begun)
        copies = tuple(tuple(self._names[part] for part in copy) for copy in group.copies)
        return Assembly(self._ids[group.parts], wished or name, copies, wished or short)


def draft_parts(site: Site, draft: Draft) -> list[int]:
    """Part rows that a draft brings in."""
    return [part for unit in draft.units for part in site.units[unit].parts]


def figures(
    model: Model, assemblies: tuple[Assembly, ...], steps: list[Step], home: Array
) -> dict[str, float]:
    """Counts that people look at; ``longest_hop_mm`` is between successive steps of an assembly.

    ``turns`` counts a build's changes of how it lies, the last one back upright too; ``turned_over`` the
    sub-assemblies that are turned when they are attached.
    """
    directions: set[tuple[float, ...]] = set()
    last: dict[str, tuple[Array, Array]] = {}
    turns, over, hop = 0, 0, 0.0
    copies = {each.id: each.copies for each in assemblies}
    for step in steps:
        moves = [*step.moves.values(), *(attach.move for attach in step.attaches)]
        for move in moves:
            leg = move.legs[-1] / np.linalg.norm(move.legs[-1])
            directions.add(tuple(np.round(leg, 6) + 0.0))
        parts = [*step.adds, *(part for each in step.attaches for part in copies[each.assembly][each.copy])]
        over += sum(not np.allclose(last[each.assembly][0], step.up) for each in step.attaches)
        centre = model.part_bounds[[model.index_of[part] for part in parts]].mean(axis=(0, 1))
        if step.assembly in last:
            turns += not np.allclose(last[step.assembly][0], step.up)
            hop = max(hop, float(np.linalg.norm(centre - last[step.assembly][1])))
        last[step.assembly] = (step.up, centre)
    turns += bool(steps) and not np.allclose(steps[-1].up, home)
    return {
        "steps": float(len(steps)),
        "assemblies": float(len(assemblies)),
        "repeated_groups": float(sum(len(each.copies) > 1 for each in assemblies)),
        "turns": float(turns),
        "turned_over": float(over),
        "directions": float(len(directions)),
        "longest_hop_mm": hop,
    }
