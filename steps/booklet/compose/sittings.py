"""The sittings of an adult who glues: which steps, what, how much, how long, and what then."""

from __future__ import annotations

from steps.booklet.compose.matter import Matter
from steps.booklet.content import Table
from steps.booklet.words import NBSP
from steps.glue.doses import bead_mm
from steps.model import StepWork

#: Shares of the width of the table's columns.
WIDTHS = (0.07, 0.11, 0.27, 0.13, 0.09, 0.1, 0.13, 0.1)


def sittings(matter: Matter) -> dict[int, list[StepWork]]:
    """The glue steps of each sitting, by its number."""
    found: dict[int, list[StepWork]] = {}
    for step in matter.plan.work.steps:
        if step.sitting is not None and step.glues:
            found.setdefault(step.sitting, []).append(step)
    return dict(sorted(found.items()))


def copies_of(matter: Matter, step: StepWork) -> int:
    """How often the step is done: once for each copy of its sub-assembly."""
    return len(matter.plan.sequence.by_number[step.number].copies)


def drops_of(matter: Matter, step: StepWork) -> int:
    """Drops that a step takes for all copies."""
    drops = matter.plan.gluing.drops
    return copies_of(matter, step) * sum(drops.get(joint, 1) for joint in step.glues)


def amount_words(matter: Matter, drops: int) -> str:
    """So many drops, or millimetres of a bead, by how the glue is laid."""
    words = matter.words
    if not in_beads(matter):
        return words.say_n("{n} drop", "{n} drops", drops).replace(" ", NBSP)
    said = words.say("{n} mm of bead", n=words.number(long_mm(matter, drops)))
    return said.replace(" ", NBSP, 1)


def in_beads(matter: Matter) -> bool:
    """Whether the glue is laid in beads, not set in drops."""
    return matter.adhesive is not None and matter.adhesive.family.bead


def long_mm(matter: Matter, drops: int) -> float:
    """Length of the bead for so many drops, mm, in fives: a hand lays it no finer."""
    assert matter.adhesive is not None
    return -(-bead_mm(drops * matter.adhesive.family.drop_ml) // 5) * 5


def sitting_table(matter: Matter) -> Table:
    """One row for each sitting, with room for the date."""
    words = matter.words
    rows = []
    for number, steps in sittings(matter).items():
        first, last = steps[0].number, steps[-1].number
        which = words.number(first) if first == last else words.say("{a} to {b}", a=first, b=last)
        places = dict.fromkeys(
            matter.place_name(matter.plan.sequence.by_number[step.number].assembly.id) for step in steps
        )
        joints = sum(copies_of(matter, step) * len(step.glues) for step in steps)
        drops = sum(drops_of(matter, step) for step in steps)
        work = sum(matter.minutes(matter.plan.sequence.by_number[step.number].step) for step in steps)
        row = (
            words.number(number),
            which,
            "; ".join(places),
            words.number(joints),
            amount_words(matter, drops),
            words.minutes(work),
            words.say("rest {time}", time=words.minutes(matter.plan.gluing.adhesive.fixture_min)),
            "________",
        )
        rows.append(row)
    header = (
        words.say("Sitting"),
        words.say("Steps"),
        words.say("What"),
        words.say("Joints"),
        words.say("Glue"),
        words.say("Work"),
        words.say("Then"),
        words.say("Done on"),
    )
    return Table(header, tuple(rows), WIDTHS)
