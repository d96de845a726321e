"""Replays a plan against its model by means independent of the planner's.

The planner decides motion by depth maps of parallel rays; here FCL intersects surfaces swept
continuously (``solids``). Contacts are FCL distances; where faces lie on each other is found from their
triangles (``faces``), gaps and the number of studs from cuts through both (``measured``). What is built
stands when a programme of struts (``balance``, ``footing``) carries its weight, with what the step says to
hold and only the glue that somebody has waited for; the same programme is asked whether a part can be
pressed home. Rays of its own find how much shows of where parts go (``sights``).
The counting follows the plan file's text alone. The reading of the model file is shared with the planner,
and from the plan come where studs sit, how hard each joint holds and what is glued. What is wrong where the
plan itself calls a step doubtful is told apart.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from pydantic import ValidationError

from steps.intake import read_model
from steps.model import Model, Plan
from steps.pipeline import made_with
from steps.planfile import PlanFile, plan_file, read_plan
from steps.progress import Tell, stage
from steps.settings import USUAL, Settings
from steps.verify.contract import UNIT_TOLERANCE, check_contract, check_copies, check_model, settings_faults
from steps.verify.dry import CLOSED_DRY, as_glued, check_dry
from steps.verify.gluing import NAMES, check_glue
from steps.verify.handling import HANDLED, check_handling
from steps.verify.kept_in import KEPT_IN, check_kept_in
from steps.verify.measured import MEASURED, check_measured
from steps.verify.mended import check_mended
from steps.verify.refitted import as_printed, check_refit
from steps.verify.replay import CHECKS, Replay
from steps.verify.report import Check, Fault, Report
from steps.verify.sights import check_sights

__all__ = ["Check", "Fault", "Report", "verify_plan"]


def verify_plan(
    plan: Plan | PlanFile | str | Path,
    model: Model | str | Path,
    settings: Settings = USUAL,
    progress: Tell | None = None,
) -> Report:
    """Check a plan, or a plan file, against a model, or a model's file. Faults are in the report, never
    raised: ``report.ok``, ``report.faults_text()``, ``report["moves free"]``.

    ``settings`` are those that a ``Plan`` was made with; a plan file carries its own. A model's file is read
    at the plan's scale, within the limits of ``settings``: a plan raises none.

    Raises UnreadableInput for a file that is no plan or no model, WrongSettings where
    the plan was made at another scale than the settings say.
    """
    if isinstance(plan, Plan):
        plan = plan_file(plan, made_with(plan.model, settings))
    elif not isinstance(plan, PlanFile):
        plan = read_plan(Path(plan), settings.limits)
    if not isinstance(model, Model):
        with stage(progress, "read"):
            model = read_model(model, _settings_of(plan).model_copy(update={"limits": settings.limits}))
    with stage(progress, "replay"):
        return _replayed(plan, model)


def _replayed(plan: PlanFile, read: Model) -> Report:
    first = [check_contract(plan), check_model(plan, read), check_mended(plan, read)]
    model = as_printed(plan, read)
    first.append(check_refit(plan, read, model))
    names = (
        ("copies alike", "copies"),
        *CHECKS,
        MEASURED,
        *NAMES,
        HANDLED,
        KEPT_IN,
        ("sites seen", "things"),
        CLOSED_DRY,
    )
    skipped = [Check(name, what, skipped=True) for name, what in names]
    if _names_unknown(plan, model) or _no_direction(plan) or settings_faults(plan):
        return Report((*first, *skipped))
    copies = check_copies(plan, model)
    if not copies.ok:
        return Report((*first, copies, *skipped[1:]))
    whole = as_glued(plan)
    replay = Replay(whole, model)
    replayed = replay.run()
    measured = check_measured(plan, model, replay.mover.solids)
    glued = check_glue(plan, whole, replay.toucher, replay.stander)
    handled = check_handling(plan, replay.footing, replay.turned)
    kept = check_kept_in(plan, replay.mover)
    drawn = check_sights(plan, model)
    return Report((*first, copies, *replayed, measured, *glued, handled, kept, drawn, check_dry(plan, model)))


def _names_unknown(plan: PlanFile, model: Model) -> bool:
    """Whether the plan names what does not exist, so that it cannot be replayed at all."""
    parts = {part.id for part in plan.parts} & set(model.part_by_id)
    shapes = {shape.id for shape in plan.shapes}
    joints = {joint.id for joint in plan.joints}
    copies = {(entry.id, number) for entry in plan.assemblies for number in range(len(entry.copies))}
    named = [part for entry in plan.assemblies for copy in entry.copies for part in copy]
    named += [part for joint in plan.joints for part in (joint.a, joint.b)]
    named += [part for step in plan.steps for part in (*step.adds, *step.hold)]
    named += [part for step in plan.steps for look in step.closer for part in (*look.parts, *look.away)]
    named += [touch.carrier for joint in plan.joints for touch in joint.touches]
    return (
        not set(named) <= parts
        or not {part.shape for part in model.parts} | {part.shape for part in plan.parts} <= shapes
        or any(
            not {*step.closes, *step.dry, *step.glues, *step.needs_cured} <= joints
            or set(step.move) != set(step.adds)
            for step in plan.steps
        )
        or any((step.assembly, 0) not in copies for step in plan.steps)
        or any((at.assembly, at.copy_number) not in copies for step in plan.steps for at in step.attaches)
    )


def _no_direction(plan: PlanFile) -> bool:
    """Whether some move, or the way up of some step or of the whole, has no length, so that it leads
    nowhere."""
    moves = [move for step in plan.steps for move in step.move.values()]
    moves += [each.move for step in plan.steps for each in step.attaches]
    vectors = np.concatenate(
        [np.zeros((0, 3)), *(np.atleast_2d(np.array(move, dtype=float)) for move in moves)]
    )
    named = [step.up for step in plan.steps] + ([plan.up] if plan.up else [])
    ups = np.array(named, dtype=float).reshape(-1, 3)
    return bool(np.any(np.linalg.norm(np.concatenate([vectors, ups]), axis=1) < UNIT_TOLERANCE))


def _settings_of(plan: PlanFile) -> Settings:
    """The settings that a plan file carries, to read its model at its scale."""
    try:
        settings = Settings.model_validate(plan.settings)
    except ValidationError:  # a plan of a later program may carry settings unknown here
        settings = USUAL
    return settings.model_copy(update={"scale": plan.scale})
