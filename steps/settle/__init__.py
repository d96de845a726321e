"""What every step asks of hands and clock once the glue is chosen: holds, sittings, waits, who does it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from steps.glue.again import printed_again
from steps.glue.families import glue_book
from steps.model import Gluing, Joints, Measures, Model, Order, Problem, StepWork, Work
from steps.sequence import BuildSequence
from steps.settings import Settings
from steps.settle.holds import Holds, hard_steps, held_early, steadied
from steps.settle.presses import hard_presses
from steps.settle.rehearse import Rehearsal, rehearsed
from steps.settle.schedule import Curing, Scheduler
from steps.statics import Capacity, Structure

__all__ = ["settle", "settled"]


def settled(
    model: Model, measures: Measures, joints: Joints, order: Order, gluing: Gluing, settings: Settings
) -> tuple[Order, Gluing, Work]:
    """The work of every step as it is done by who reads: where a child does, all that it can do of what is
    glued it does first, so that the order has more steps, and the gluing tells of those."""
    structure = Structure.of(model, measures, joints, settings)
    firm = Firm.of(structure, BuildSequence.of(model, order), gluing)
    if settings.reader == "child":
        rehearsal = rehearsed(structure, order, gluing, settings)
        order, gluing, firm = rehearsal.order, rehearsal.told(gluing), firm.told(rehearsal)
    return order, gluing, _work(structure, order, gluing, settings, measures, firm)


def settle(
    model: Model, measures: Measures, joints: Joints, order: Order, gluing: Gluing, settings: Settings
) -> Work:
    """Final holds and times of every step of an order as it is, and a warning for what hands cannot press
    home."""
    structure = Structure.of(model, measures, joints, settings)
    firm = Firm.of(structure, BuildSequence.of(model, order), gluing)
    return _work(structure, order, gluing, settings, measures, firm)


@dataclass(frozen=True)
class Firm:
    """How firmly the build stands in each step, by its number: the parts that a hand holds, and after which
    steps it stands only by glue, or only by glue that is hard."""

    holds: Holds
    on_glue: frozenset[int]
    on_hard: frozenset[int]

    @classmethod
    def of(cls, structure: Structure, sequence: BuildSequence, gluing: Gluing) -> Firm:
        early = Capacity.of(held_early(structure, gluing).contacts) if gluing.glued else None
        found = steadied(structure, sequence, gluing.glued, early)
        on_hard = hard_steps(structure, sequence, gluing, found.holds, found.doubtful)
        return cls(found.holds, found.on_glue, on_hard)

    def told(self, rehearsal: Rehearsal) -> Firm:
        """The same for the steps of an order that is done twice in part: what is closed dry stands with no
        hand on it."""
        steps = rehearsal.order.steps
        dry = {number for step in steps for number in step.reopens}
        holds = {
            step.number: () if step.number in dry else self.holds[rehearsal.was[step.number]]
            for step in steps
        }

        def those(numbers: frozenset[int]) -> frozenset[int]:
            return frozenset(new for new, old in rehearsal.was.items() if old in numbers)

        return Firm(holds, those(self.on_glue), those(self.on_hard))


def _work(
    structure: Structure, order: Order, gluing: Gluing, settings: Settings, measures: Measures, firm: Firm
) -> Work:
    model, joints = structure.model, structure.joints
    sequence, curing = BuildSequence.of(model, order), strength_of(gluing)
    schedule = Scheduler(
        model, measures, joints, order, settings, curing, firm.on_glue, firm.on_hard, firm.holds
    ).run()
    told = {problem.step for problem in gluing.problems}  # turns that are too much for the joints
    steps = tuple(replace(work, by="adult") if work.number in told else work for work in schedule.steps)
    family = glue_book().families.get(gluing.adhesive.family)
    if family is not None and not family.opens:
        again = printed_again(model, measures, joints, sequence, gluing.glued)
        steps = tuple(replace(work, again=again.get(work.number, {})) for work in steps)
    held = float(sum(bool(parts) for parts in firm.holds.values()))
    facts = {**schedule.facts, "held_steps": held, "child_share": _child_share(order, steps)}
    problems = hard_presses(structure, sequence, measures, settings)
    if settings.reader == "child":
        problems += (_shared(facts, len(model.parts)),)
    return Work(steps, problems, facts, _lift_min(gluing, settings))


def _shared(facts: Mapping[str, float], parts: int) -> Problem:
    """A note of how much the child does."""
    own, sittings = round(facts["child_share"] * parts), int(facts["sittings"])
    glues = f"; an adult glues, in {sittings} sitting{'s' if sittings > 1 else ''}" if sittings else ""
    return Problem("child-share", "note", (), f"A child puts {own} of {parts} parts in place{glues}.")


def _child_share(order: Order, work: Sequence[StepWork]) -> float:
    """The share of the parts that a child puts in place."""
    child = {each.number for each in work if each.by == "child"}
    counts = [
        (len(step.adds) * len(order.assembly_by_id[step.assembly].copies), step.number in child)
        for step in order.steps
    ]
    return sum(n for n, own in counts if own) / max(1, sum(n for n, _ in counts))


def strength_of(gluing: Gluing) -> Curing:
    """What the glued joints bear, and when."""
    glue = gluing.adhesive
    early = {name: gluing.early_n.get(name, 0.0) for name in sorted(gluing.glued)}
    return Curing(early, gluing.loads_by_kind, glue.fixture_min, glue.cure_min, gluing.turns_early)


def _lift_min(gluing: Gluing, settings: Settings) -> float:
    """Minutes from the last glue until the model may be lifted and shown: until it holds by itself where
    that is enough for every load case, else until full strength."""
    if not gluing.glued:
        return 0.0
    safety = settings.glue.safety
    weak = any(
        gluing.early_n.get(name, 0.0) < safety * gluing.loads_n.get(name, 0.0) for name in gluing.glued
    )
    return gluing.adhesive.cure_min if weak else gluing.adhesive.fixture_min
