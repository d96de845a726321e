"""What is too hard to press home with hands, step by step."""

from __future__ import annotations

from collections.abc import Sequence

from steps.cures import cures_of
from steps.model import Joint, Measures, Problem, Step
from steps.progress import over
from steps.sequence import BuildSequence
from steps.settings import Settings
from steps.statics import Structure
from steps.statics.pressing import pressing
from steps.strength import hands, strongest_push_n

#: So many joints are named in a message before it says how many more there are.
NAMED = 4
#: Pushes that differ by less than this are one figure to a reader, N.
SAME_N = 0.5


def hard_presses(
    structure: Structure, sequence: BuildSequence, measures: Measures, settings: Settings
) -> tuple[Problem, ...]:
    """A warning for each step in which something takes more than an adult's hands to press home, or a wall
    would crack before it is."""
    hard: list[tuple[Step, Sequence[str], Sequence[str], float, Sequence[Joint]]] = []
    for moment in over(sequence.moments):
        if moment.step.reopens:
            continue  # told of where it was pressed home first
        for arrived, arrival in enumerate(moment.arrivals):
            press = pressing(structure, moment.standing(arrived), arrival.parts, arrival.way)
            closing = _closing(structure, arrival.parts, press.names)
            if press.push_n > strongest_push_n() or any(joint.closes_by == "none" for joint in closing):
                hard.append((moment.step, arrival.parts, press.names, press.push_n, closing))
    if not hard:
        return ()
    groups = [closing for *_, closing in hard]
    cures = cures_of(groups, structure.model, measures, structure.joints, settings)
    return tuple(_hard(structure, *each, cure) for each, cure in zip(hard, cures, strict=True))


def _closing(structure: Structure, names: Sequence[str], on: Sequence[str]) -> list[Joint]:
    """The joints that close when parts come onto others."""
    joints = structure.joints
    closing = [joint for name in names for joint in joints.of_part.get(name, ()) if joint.other(name) in on]
    return [joint for joint in closing if joint.push_n > SAME_N and {joint.a, joint.b} - set(names)]


def _hard(
    structure: Structure,
    step: Step,
    names: Sequence[str],
    on: Sequence[str],
    push_n: float,
    closing: Sequence[Joint],
    cure: str,
) -> Problem:
    ids = sorted({joint.id for joint in closing}, key=structure.joint_row.__getitem__)
    listed = ", ".join(ids[:NAMED]) + (f" and {len(ids) - NAMED} more" if len(ids) > NAMED else "")
    needs = "needs" if len(ids) == 1 else "need"
    limit = hands()[-1]
    together = "" if len(ids) == 1 else " together"
    cracks = any(joint.closes_by == "none" for joint in closing)
    text = f"Step {step.number}: {listed} {needs} about {push_n:.0f} N{together} to close"
    if push_n > limit.push_n:
        text += f", over the {limit.push_n:.0f} N that hands can push ({limit.words})"
    text += f"{', and' if push_n > limit.push_n else ', but'} a wall cracks before" if cracks else ""
    text += f". {cure}"
    return Problem("hard-to-press", "warning", tuple(dict.fromkeys([*names[:1], *on])), text)
