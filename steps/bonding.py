"""Which joints may be glued at all: what moves or must open is not, nor what the user forbids."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from steps.joints import GRAVITY
from steps.model import Joint, Joints, Mask, Measures, Model, Problem
from steps.settings import Settings
from steps.wishes import read_wishes


@dataclass(frozen=True)
class Bonding:
    """Joint ids. ``free``: moves or must open, never glued and marked so; ``never``: forbidden by the user;
    ``forced``: glued whatever the loads say; ``may``: all that can be glued."""

    free: frozenset[str]
    never: frozenset[str]
    forced: frozenset[str]
    may: frozenset[str]
    problems: tuple[Problem, ...]


def bonding_of(model: Model, measures: Measures, joints: Joints, settings: Settings) -> Bonding:
    """The joints by what may happen to them; glue wished for where none can be is a problem.

    Raises WrongSettings for wishes that name nothing or contradict each other.
    """
    wishes = read_wishes(model, measures, joints, settings)
    off = {model.parts[row].id for row in wishes.removable}
    free = frozenset(joint.id for joint in joints.joints if joint.moves or {joint.a, joint.b} & off)
    bondable = frozenset(joint.id for joint in joints.joints if joint.glue_area_mm2 > 0)
    may = bondable - free - wishes.never
    problems = tuple(
        _refusal(model, joint) for joint in joints.joints if joint.id in wishes.glue and joint.id not in may
    )
    return Bonding(free, wishes.never, wishes.glue & may, may, problems)


def needs_glue(joint: Joint, allowed: Bonding) -> bool:
    """A first rule, before any load is known: a stud or peg that does not hold."""
    return joint.id in allowed.may and joint.kind in ("stud", "peg") and joint.fit in ("loose", "none")


def ties_surely(model: Model, measures: Measures, joints: Joints, settings: Settings) -> Mask:
    """(joints,) whether each holds its parts together without glue: what it may be relied on to hold, over
    the safety factor, bears the lighter of them. What more is asked of it the load cases tell."""
    weight = {part.id: GRAVITY * measures.by_shape[part.shape].printed_g / 1000 for part in model.parts}
    return np.array(
        [
            not joint.moves
            and joint.hold_low_n > 0
            and joint.hold_low_n >= settings.glue.safety * min(weight[joint.a], weight[joint.b])
            for joint in joints.joints
        ],
        dtype=bool,
    )


def _refusal(model: Model, joint: Joint) -> Problem:
    why = "it moves" if joint.moves else "it has no faces for glue"
    one, two = (model.part_by_id[part].source for part in (joint.a, joint.b))
    text = f"{joint.id} ({one} and {two}) is not glued although asked for: {why}."
    return Problem("glue-refused", "warning", (joint.a, joint.b), text)
