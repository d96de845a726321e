"""What to tell about the glued joints: why each, what cannot hold, and what would help."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from steps.fit import limits
from steps.glue.adhesive import Chosen
from steps.glue.least import LeastGlue
from steps.glue.wishes import Wishes
from steps.model import Joint, Joints, Model, Problem
from steps.settings import Settings

#: So many joints or parts are named in a message before it says how many more there are.
NAMED = 6
#: Gaps that differ by less than this are one offset, mm: a tenth of a printed layer's width error.
SAME_GAP_MM = 0.02


def whys_of(to_glue: Sequence[Joint], found: LeastGlue, joints: Joints) -> dict[str, str]:
    """Why each joint is glued, in one sentence with the numbers."""
    row = {joint.id: at for at, joint in enumerate(joints.joints)}
    chosen = set(found.glued)
    whys = {}
    for joint in to_glue:
        load = found.loads_n.get(row[joint.id])
        if row[joint.id] not in chosen:
            whys[joint.id] = "glued as its counterpart in the other copy is"
        elif load is None:
            whys[joint.id] = "glued so that the model holds together"
        else:
            whys[joint.id] = f"it holds {joint.hold_n:.1f} N and must hold {load:.1f} N"
    return whys


def problems_of(
    model: Model,
    joints: Joints,
    to_glue: Sequence[Joint],
    glued: set[str],
    found: LeastGlue,
    chosen: Chosen,
    wishes: Wishes,
    settings: Settings,
) -> tuple[Problem, ...]:
    """All problems of the stage, the wishes' first."""
    return (
        *wishes.problems,
        *chosen.problems,
        *_cannot_hold(model, joints, found, settings),
        *_falls_off([joint for joint in to_glue if joint.id not in glued]),
        *_loose(model, found),
        *_change_the_fit(to_glue, settings),
    )


def _listed(names: Sequence[str]) -> str:
    more = f" and {len(names) - NAMED} more" if len(names) > NAMED else ""
    return ", ".join(names[:NAMED]) + more


def _cannot_hold(model: Model, joints: Joints, found: LeastGlue, settings: Settings) -> list[Problem]:
    """One problem for each kind of case that even glue cannot save."""
    problems = []
    kinds = dict.fromkeys(case.kind for case, _ in found.fails)
    for kind in kinds:
        fails = [(case, row) for case, row in found.fails if case.kind == kind]
        case, row = fails[0]
        others = f" (and {len(fails) - 1} more ways)" if len(fails) > 1 else ""
        where, parts = "it falls apart", tuple[str, ...]()
        if row >= 0:
            joint = joints.joints[row]
            where, parts = f"{joint.id} ({joint.a} and {joint.b}) gives way first", (joint.a, joint.b)
        text = (
            f"Even with glue the model does not hold when {case.words}{others} with a safety factor of "
            f"{case.safety:g}: {where}. More studs, a pin through the joint or a lighter part would help; "
            "otherwise do not do this with it."
        )
        problems.append(Problem("cannot-hold", "warning", parts, text))
    return problems


def _falls_off(left: Sequence[Joint]) -> list[Problem]:
    if not left:
        return []
    named = _listed([f"{joint.id} ({joint.a} and {joint.b})" for joint in left])
    noun = "1 joint" if len(left) == 1 else f"{len(left)} joints"
    text = f"Without glue {noun} will not hold: {named}. Change the fit or allow an adhesive."
    parts = tuple(sorted({part for joint in left for part in (joint.a, joint.b)}))
    return [Problem("falls-off", "warning", parts, text)]


def _loose(model: Model, found: LeastGlue) -> list[Problem]:
    if not found.loose:
        return []
    parts = tuple(model.parts[row].id for row in found.loose)
    text = (
        f"{_listed(parts)} would come off when the model is lifted: nothing holds "
        f"{'it' if len(parts) == 1 else 'them'} and nothing there may be glued. Take "
        f"{'it' if len(parts) == 1 else 'them'} off first."
    )
    return [Problem("comes-off", "note", parts, text)]


def stud_offset(joint: Joint, settings: Settings) -> float:
    """How much larger in radius the studs must be printed for the joint to press, mm; 0 when it does."""
    limit = limits(settings, joint.kind)
    if joint.kind not in ("stud", "peg") or joint.gap_mm <= limit.press_below:
        return 0.0
    return joint.gap_mm - (max(limit.tight_below, 0.0) + limit.press_below) / 2


def _change_the_fit(to_glue: Sequence[Joint], settings: Settings) -> list[Problem]:
    offsets = np.array([stud_offset(joint, settings) for joint in to_glue])
    wide = np.flatnonzero(offsets > 0)
    if not len(wide):
        return []
    low, high = offsets[wide].min(), offsets[wide].max()
    by = f"{low:.2f} mm" if high - low < SAME_GAP_MM else f"{low:.2f} to {high:.2f} mm"
    text = (
        f"To do without glue, change the fit: print the studs {by} larger in radius "
        f"(twice that in diameter) and {len(wide)} of the {len(to_glue)} glued joints press. "
        "Try it on the fit card first."
    )
    return [Problem("change-the-fit", "note", (), text)]
