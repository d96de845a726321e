"""What helps a joint that hands cannot close, tried before it is advised."""

from __future__ import annotations

from collections.abc import Sequence

from steps.model import Joint, Joints, Measures, Model
from steps.refit import refit
from steps.settings import Settings
from steps.strength import strongest_push_n

#: More contacts than this can be engaged a few at a time.
FEW = 2


def cures_of(
    hard: Sequence[Sequence[Joint]], model: Model, measures: Measures, joints: Joints, settings: Settings
) -> list[str]:
    """For each group of joints that close together a sentence: parts refitted, where that was worked out to
    bring the group within what hands push, else what else there is.

    A refit is advised once: a plan of refitted parts offers something else.
    """
    after: dict[frozenset[str], Joint] = {}
    if settings.refit is None and hard:
        parts = {part for group in hard for joint in group for part in (joint.a, joint.b)}
        done = refit(model, measures, joints, "press", settings, parts)
        after = {frozenset((joint.a, joint.b)): joint for joint in done.joints.joints}
    return [_cure(group, [after.get(frozenset((joint.a, joint.b))) for joint in group]) for group in hard]


def _cure(group: Sequence[Joint], after: Sequence[Joint | None]) -> str:
    doubt = (
        "The figure is an estimate: try the fit card first (`stepleaf coupon`). If it is as stiff, "
        if any(joint.estimated for joint in group)
        else "So: "
    )
    found = [joint for joint in after if joint is not None]
    push = sum(joint.push_n for joint in found)
    cracks = any(joint.closes_by == "none" for joint in found)
    eased = len(found) == len(group) and push <= strongest_push_n() and not cracks
    if not eased:
        return f"{doubt}{_other(group)}."
    return (
        f"{doubt}print the parts with another fit, `--refit press` (it then takes about {push:.0f} N), or "
        f"{_other(group)}."
    )


def _other(hard: Sequence[Joint]) -> str:
    """What helps without another fit."""
    told = ["press with a clamp"]
    if any(joint.contacts > FEW for joint in hard):
        told.append("engage a few studs at a time")
    if any(touch.slope == 0 and touch.kind in ("stud", "peg") for joint in hard for touch in joint.touches):
        told.append("chamfer the rims in the model")
    return ", ".join(told[:-1]) + f" or {told[-1]}" if len(told) > 1 else told[0]
