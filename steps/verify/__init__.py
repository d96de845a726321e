"""Replays a plan against its model by means independent of the planner's.

The planner decides motion by depth maps of parallel rays; here FCL intersects surfaces swept
continuously (``solids``). Contacts are FCL distances; where faces lie on each other is found from their
triangles (``faces``). What is built stands when a programme of struts (``balance``, ``footing``) carries its
weight, with what the step says to hold and only the glue that somebody has waited for; the same programme
is asked whether a part can be pressed home. The counting follows the plan file's text alone. The reading
of the model file is shared with the planner, and from the plan come where studs sit, how hard each joint
holds and what is glued. What is wrong where the plan itself calls a step doubtful is told apart.
"""

from __future__ import annotations

from pathlib import Path

from pydantic import ValidationError

from steps.model import Model
from steps.pipeline import Progress
from steps.planfile import PlanFile
from steps.settings import Settings
from steps.verify.contract import check_contract, check_copies, check_model
from steps.verify.replay import CHECKS, Replay
from steps.verify.report import Check, Fault, Report

__all__ = ["Check", "Fault", "Report", "verify_against_file", "verify_plan"]


def verify_plan(plan: PlanFile, model: Model, progress: Progress | None = None) -> Report:
    """Check a plan against a model; faults are in the report, never raised."""
    first = [check_contract(plan), check_model(plan, model)]
    skipped = [Check(name, what, skipped=True) for name, what in (("copies alike", "copies"), *CHECKS)]
    if _names_unknown(plan, model):
        return Report((*first, *skipped))
    copies = check_copies(plan, model)
    if not copies.ok:
        return Report((*first, copies, *skipped[1:]))
    return Report((*first, copies, *Replay(plan, model).run(progress)))


def _names_unknown(plan: PlanFile, model: Model) -> bool:
    """Whether the plan names what does not exist, so that it cannot be replayed at all."""
    parts = {part.id for part in plan.parts} & set(model.part_by_id)
    shapes = {shape.id for shape in plan.shapes}
    joints = {joint.id for joint in plan.joints}
    copies = {(entry.id, number) for entry in plan.assemblies for number in range(len(entry.copies))}
    named = [part for entry in plan.assemblies for copy in entry.copies for part in copy]
    named += [part for joint in plan.joints for part in (joint.a, joint.b)]
    named += [part for step in plan.steps for part in step.adds]
    return (
        not set(named) <= parts
        or not {part.shape for part in model.parts} <= shapes
        or any(not set(step.closes) <= joints or set(step.move) != set(step.adds) for step in plan.steps)
        or any((step.assembly, 0) not in copies for step in plan.steps)
        or any((at.assembly, at.copy_number) not in copies for step in plan.steps for at in step.attaches)
    )


def verify_against_file(plan: PlanFile, path: Path, progress: Progress | None = None) -> Report:
    """As :func:`verify_plan`, reading the model at the plan's scale."""
    from steps.intake import read_model

    try:
        settings = Settings.model_validate(plan.settings)
    except ValidationError:  # a plan of a later program may carry settings unknown here
        settings = Settings()
    if progress is not None:
        progress("read", 0, 1)
    model = read_model(path, settings.model_copy(update={"scale": plan.scale}))
    return verify_plan(plan, model, progress)
