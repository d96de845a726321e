"""That what is closed dry comes apart again: the plan is replayed as a child leaves it, and as it is glued.

A plan with steps that are done twice says two builds. In one, as it is glued, the things of the steps that
are opened again come in with the step that puts them back. In the other, as it stands dry, they stay in
place, and are glued there. Every check is made on the first; here the second is replayed as well, for the
steps that are done twice: their parts find their way, stand with no hand on them and without their glue, and
come out the way they went in.
"""

from __future__ import annotations

from collections.abc import Mapping

from steps.model import Model
from steps.planfile import PlanFile, StepEntry
from steps.strength import child_pull_n
from steps.verify.replay import Replay
from steps.verify.report import Check

CLOSED_DRY = ("closed dry", "steps")
#: Forces in a plan are rounded to this, N.
ROUNDED_N = 0.01


def as_glued(plan: PlanFile) -> PlanFile:
    """The plan without the steps that are opened again; what they bring comes in where it is put back."""
    opened = {number for step in plan.steps for number in step.reopens}
    by_number = {step.number: step for step in plan.steps}
    steps = tuple(_put_back(step, by_number) for step in plan.steps if step.number not in opened)
    return plan.model_copy(update={"steps": steps}) if opened else plan


def _put_back(step: StepEntry, by_number: Mapping[int, StepEntry]) -> StepEntry:
    first = [by_number[number] for number in step.reopens if number in by_number]
    if not first:
        return step
    needs: dict[str, float] = {}
    for each in (*first, step):
        for name, lag in zip(each.needs_cured, each.lags_min, strict=False):
            needs[name] = max(needs.get(name, 0.0), lag)
    return step.model_copy(
        update={
            "adds": (*(part for each in first for part in each.adds), *step.adds),
            "move": {part: move for each in (*first, step) for part, move in each.move.items()},
            "turn": {part: turn for each in (*first, step) for part, turn in each.turn.items()},
            "closes": (*(name for each in first for name in each.closes), *step.closes),
            "needs_cured": tuple(needs),
            "lags_min": tuple(needs.values()),
        }
    )


def as_dry(plan: PlanFile) -> PlanFile:
    """The plan as if nothing were opened: each joint is closed where it is closed dry, and only from the step
    on that glues it is it glued."""
    steps = tuple(
        step.model_copy(update={"closes": () if step.reopens else (*step.closes, *step.dry)})
        for step in plan.steps
    )
    return plan.model_copy(update={"steps": steps})


def check_dry(plan: PlanFile, model: Model) -> Check:
    """Every step that is done twice: a child's, dry; then taken off from the end, put back and glued."""
    check = Check(*CLOSED_DRY)
    opened = {number for step in plan.steps for number in step.reopens}
    _pairs(plan, opened, check)
    if not opened:
        check.remark = "nothing is closed dry"
        return check
    _apart(plan, opened, check)
    for found in Replay(as_dry(plan), model).run():
        for fault in found.faults:
            if fault.step in opened:
                check.fault(f"dry, {fault.text}", fault.step, fault.parts)
    return check


def _pairs(plan: PlanFile, opened: set[int], check: Check) -> None:
    """Each dry joint is glued by the step that opens it; between the two nothing else comes to the build."""
    by_number = {step.number: step for step in plan.steps}
    glued_by = {name: step for step in plan.steps for name in step.glues}
    seen: set[int] = set()
    for step in plan.steps:
        for name in step.dry:
            again = glued_by.get(name)
            if again is None or step.number not in again.reopens:
                check.fault(f"{name} is closed dry, and no step opens it again and glues it", step.number)
        if step.dry and step.number not in opened:
            check.fault("it closes joints dry and is never opened again", step.number)
        for number in step.reopens:
            first = by_number.get(number)
            if first is None or number >= step.number or first.assembly != step.assembly or number in seen:
                check.fault(f"it opens step {number}, which is none that it can", step.number)
        if step.reopens:
            dry = {name for number in step.reopens if number in by_number for name in by_number[number].dry}
            if not dry == set(step.closes) == set(step.glues):
                check.fault("it glues something else than was closed dry", step.number)
        seen.update(step.reopens)
        if step.reopens and (step.adds or step.attaches):
            check.fault("it opens what is closed dry, and brings something new", step.number)
        if step.reopens:
            _alone_between(plan, step, opened, check)


def _alone_between(plan: PlanFile, step: StepEntry, opened: set[int], check: Check) -> None:
    """From the first of the steps that it opens on, its build gets only what is opened and put back."""
    for each in plan.steps:
        between = min(step.reopens) <= each.number < step.number and each.assembly == step.assembly
        if between and each.number not in opened and not each.reopens:
            check.fault(f"step {each.number} comes onto what it takes off again", step.number)


def _apart(plan: PlanFile, opened: set[int], check: Check) -> None:
    """A child does it, and could pull apart what it closed: nothing snaps, moves or holds harder."""
    joints = {joint.id: joint for joint in plan.joints}
    most = child_pull_n(int(plan.settings.get("child_years", 8)))
    for step in plan.steps:
        if step.number not in opened:
            continue
        check.looked_at += 1
        if step.by != "child" or step.hold or step.glues or step.attaches or step.turn:
            check.fault("it is done twice, and is not a child's alone, dry and free", step.number)
        for part in step.adds:
            closed = [joints[name] for name in (*step.closes, *step.dry) if name in joints]
            own = [joint for joint in closed if _last(joint.a, joint.b, step) == part]
            held = sum(joint.hold_high_n or joint.hold_n for joint in own)
            if held > most + ROUNDED_N * len(own):
                check.fault(f"{part} is held by {held:.0f} N, and a child pulls {most:.0f} N", step.number)
            if any(joint.snap_mm > 0 or joint.moves or joint.kind in ("ball", "hinge") for joint in own):
                check.fault(f"{part} snaps or moves, and is to come off again", step.number, (part,))


def _last(one: str, two: str, step: StepEntry) -> str:
    """Which end of a joint the step brings last."""
    there = [part for part in step.adds if part in (one, two)]
    return there[-1] if there else ""
