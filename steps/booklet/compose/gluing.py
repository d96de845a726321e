"""What the adult is told of the glue: at each step how to close and hold, and all of it on one sheet."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import numpy as np

from steps.booklet.compose.adult import family_words
from steps.booklet.compose.matter import Matter
from steps.booklet.compose.sittings import amount_words, copies_of, drops_of, in_beads, long_mm, sittings
from steps.booklet.content import Facts, Heading, Marked, Para, Sheet, Table
from steps.booklet.words import NBSP, later
from steps.model import Step, StepWork

#: Joints whose axis leans less than this from upright close under a weight.
UPRIGHT_DEG = 30.0
#: What the plan warns of at single joints, by the problem's code.
AT_JOINTS = {
    "adhesive-gap": later("Less than half of the faces will hold: glue those that touch."),
    "adhesive-wicks": later("Beside what moves: gel."),
    "too-much-at-once": later("Set all drops first, then push once."),
}
#: Shares of the width of the table's columns.
WIDTHS = (0.115, 0.14, 0.135, 0.125, 0.175, 0.19, 0.12)
#: Of what is to be printed again so many shapes are named before it says how many more parts there are.
NAMED = 3


def glue_notes(matter: Matter, step: Step) -> tuple[Marked, ...]:
    """How to close and hold what a step glues, and what to mind there."""
    work = matter.work(step)
    if not work.glues:
        return ()
    hold = matter.words.say(_hold(matter, work))
    time = matter.words.within(matter.plan.gluing.adhesive.open_min)
    close = matter.words.say("Push home within {time}. {hold}", time=time, hold=hold)
    told = {problem.code for problem in matter.plan.gluing.problems if set(problem.joints) & set(work.glues)}
    warnings = (Marked("doubt", matter.words.say(text)) for code, text in AT_JOINTS.items() if code in told)
    return (Marked("hold", close), *warnings)


def glue_sheet(matter: Matter) -> Sheet | None:
    """The adhesive's facts, and every step that glues with what it takes, to tick off; None without glue."""
    words, glue = matter.words, matter.plan.gluing.adhesive
    steps = [step for some in sittings(matter).values() for step in some]
    if not steps:
        return None
    drops = sum(drops_of(matter, step) for step in steps)
    ml = words.say("about {n} ml", n=words.figures(max(drops * glue.drop_ml, 0.01)))
    facts = (
        (words.say("Adhesive"), family_words(matter)),
        (words.say("Amount"), f"{amount_words(matter, drops)}, {ml}"),
        (words.say("Close each joint within"), words.within(glue.open_min)),
        (words.say("Holds by itself after"), words.minutes(glue.fixture_min)),
        (words.say("Full strength after"), words.minutes(glue.cure_min)),
    )
    how = words.say("On a step's drawing the hatched faces get the glue: as many drops, or as long a bead.")
    wrong = words.say(
        "If wrong, print again: what is lost where a part was glued in wrongly and the glue is hard. What is "
        "only pressed on comes off whole."
    )
    weight = words.say(
        "A weight stays on until the next part goes there; on the last one until the glue holds."
    )
    heading = Heading(words.say("Steps that glue"))
    blocks = (Facts(facts), Para(how), Para(weight), Para(wrong), heading, _table(matter, steps))
    return Sheet("glue", words.say("For the adult: the glue"), blocks, level=1, for_adult=matter.for_child)


def _table(matter: Matter, steps: list[StepWork]) -> Table:
    """One row for each step, with room to tick."""
    words, beads = matter.words, in_beads(matter)
    rows = []
    for step in steps:
        moment = matter.plan.sequence.by_number[step.number]
        joints = copies_of(matter, step) * len(step.glues)
        drops = drops_of(matter, step)
        row = (
            words.number(step.number),
            matter.place_name(moment.assembly.id),
            words.number(joints),
            words.number(long_mm(matter, drops) if beads else drops),
            words.say(_hold(matter, step)).rstrip("."),
            again_words(matter, step),
            "____",
        )
        rows.append(row)
    header = (
        words.say("Step"),
        words.say("Part"),
        words.say("Joints"),
        words.say("Bead, mm") if beads else words.say("Drops"),
        words.say("Hold"),
        words.say("If wrong, print again"),
        words.say("Done"),
    )
    return Table(header, tuple(rows), WIDTHS, once=header.index(words.say("Part")))


def again_words(matter: Matter, step: StepWork) -> str:
    """What has to be printed again where a thing of the step was glued in wrongly and the glue is hard: one
    list for each sort of thing, of labels and how many of each."""
    lists = dict.fromkeys(_labels(matter, parts) for parts in step.again.values())
    return "; ".join(lists) or matter.words.say("nothing")


def _labels(matter: Matter, parts: Sequence[str]) -> str:
    """ "S1, 2× S4, +3" """
    count = Counter(matter.plan.model.part_by_id[part].shape for part in parts)
    named = [
        matter.label(shape) if n == 1 else f"{matter.words.number(n)}{NBSP}×{NBSP}{matter.label(shape)}"
        for shape, n in sorted(count.items(), key=lambda each: matter.label(each[0]))
    ]
    more = sum(n for _, n in sorted(count.items(), key=lambda each: matter.label(each[0]))[NAMED:])
    return ", ".join(named[:NAMED] + ([f"+{matter.words.number(more)}"] if more else []))


def _hold(matter: Matter, step: StepWork) -> str:
    """A weight where the joints close downwards, a clamp where they do not."""
    joints = [matter.plan.joints.by_id[joint] for joint in step.glues]
    up = matter.plan.sequence.by_number[step.number].up
    downwards = [abs(float(joint.axis @ up)) > np.cos(np.radians(UPRIGHT_DEG)) for joint in joints]
    if all(downwards):
        return later("Weigh down.")
    if not any(downwards):
        return later("Clamp or tape.")
    return later("Weigh down, clamp what sits at the side.")


__all__ = ["glue_notes", "glue_sheet"]
