"""What every step asks of hands and clock once the glue is chosen: holds, sittings, waits, who does it."""

from __future__ import annotations

from dataclasses import replace

from steps.glue.again import printed_again
from steps.glue.families import glue_book
from steps.model import Gluing, Joints, Measures, Model, Order, Work
from steps.sequence import BuildSequence
from steps.settings import Settings
from steps.settle.holds import final_holds, hard_steps, waiting_steps
from steps.settle.presses import hard_presses
from steps.settle.schedule import Curing, Scheduler
from steps.statics import Structure

__all__ = ["settle"]


def settle(
    model: Model, measures: Measures, joints: Joints, order: Order, gluing: Gluing, settings: Settings
) -> Work:
    """Final holds and times of every step, and a warning for what hands cannot press home."""
    structure = Structure.of(model, measures, joints, settings)
    sequence = BuildSequence.of(model, order)
    holds = final_holds(structure, sequence, gluing)
    on_glue = waiting_steps(structure, sequence, gluing, holds)
    on_hard = on_glue and on_glue & hard_steps(structure, sequence, gluing, holds)
    curing = strength_of(gluing)
    schedule = Scheduler(model, measures, joints, order, settings, curing, on_glue, on_hard, holds).run()
    facts = {**schedule.facts, "held_steps": float(sum(bool(held) for held in holds.values()))}
    told = {problem.step for problem in gluing.problems}  # turns that are too much for the joints
    steps = tuple(replace(work, by="adult") if work.number in told else work for work in schedule.steps)
    family = glue_book().families.get(gluing.adhesive.family)
    if family is not None and not family.opens:
        again = printed_again(model, measures, joints, sequence, gluing.glued)
        steps = tuple(replace(work, again=again.get(work.number, {})) for work in steps)
    return Work(
        steps, hard_presses(structure, sequence, measures, settings), facts, _lift_min(gluing, settings)
    )


def strength_of(gluing: Gluing) -> Curing:
    """What the glued joints bear, and when."""
    glue = gluing.adhesive
    early = {name: gluing.early_n.get(name, 0.0) for name in sorted(gluing.glued)}
    return Curing(early, gluing.loads_by_kind, glue.fixture_min, glue.cure_min)


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
