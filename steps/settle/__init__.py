"""What every step asks of hands and clock once the glue is chosen: holds, sittings, waits, who does it."""

from __future__ import annotations

from steps.bonding import bonding_of
from steps.model import Gluing, Joints, Measures, Model, Order, Work
from steps.sequence import BuildSequence
from steps.settings import Settings
from steps.settle.holds import final_holds, waiting_steps
from steps.settle.presses import hard_presses
from steps.settle.schedule import Scheduler
from steps.statics import Structure

__all__ = ["settle"]


def settle(
    model: Model, measures: Measures, joints: Joints, order: Order, gluing: Gluing, settings: Settings
) -> Work:
    """Final holds and times of every step, and a warning for what hands cannot press home."""
    structure = Structure.of(model, measures, joints, settings)
    sequence = BuildSequence.of(model, order)
    bonding = bonding_of(model, measures, joints, settings)
    holds = final_holds(structure, sequence, gluing, bonding, settings)
    on_glue = waiting_steps(structure, sequence, gluing, holds)
    wait = gluing.adhesive.fixture_min if gluing.glued else 0.0
    schedule = Scheduler(model, measures, joints, order, settings, gluing.glued, wait, on_glue, holds).run()
    facts = {**schedule.facts, "held_steps": float(sum(bool(held) for held in holds.values()))}
    return Work(schedule.steps, hard_presses(structure, sequence), facts)
