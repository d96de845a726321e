"""Glue sheets: one for each sitting, for the adult."""

from __future__ import annotations

from collections.abc import Sequence, Set

import numpy as np

from steps.booklet.compose.adult import family_words
from steps.booklet.compose.joints import glued_kinds
from steps.booklet.compose.matter import Matter
from steps.booklet.compose.sittings import amount_words, copies_of, drops_of, sittings
from steps.booklet.content import Block, Facts, GlueView, Heading, Marked, Para, Sheet, Wish
from steps.booklet.words import later
from steps.draw.glue_view import joint_number
from steps.model import Joint, StepWork

#: Joints whose axis leans less than this from upright close under a weight.
UPRIGHT_DEG = 30.0
HOW_NUMBERED = later(
    "A number on a picture is a joint. A line that ends on a part leads to a joint hidden behind it."
)
#: What the plan warns of at single joints, by the problem's code.
AT_JOINTS = {
    "adhesive-gap": later(
        "{joints}: less than half of the faces are near enough to hold. Glue those that touch."
    ),
    "adhesive-wicks": later("{joints}: beside a joint that must move. Take a gel, and no more than said."),
    "too-much-at-once": later(
        "{joints}: one push closes several. Lay the part ready, set all drops, push at once."
    ),
}
#: Joints named in one warning before it says how many more there are.
NAMED = 6


def glue_sheets(matter: Matter) -> dict[int, Sheet]:
    """The glue sheet of each sitting, by the number of the sitting's first step."""
    return {steps[0].number: glue_sheet(matter, each, steps) for each, steps in sittings(matter).items()}


def glue_sheet(matter: Matter, sitting: int, steps: Sequence[StepWork]) -> Sheet:
    """How much and how long, then every joint of the sitting with its amount, to tick off."""
    words, glue = matter.words, matter.plan.gluing.adhesive
    number = words.number(sitting)
    title = words.say("For the adult: glue sheet {n}", n=number)
    drops = sum(drops_of(matter, step) for step in steps)
    ml = words.say("about {n} ml", n=words.figures(max(drops * glue.drop_ml, 0.01)))
    facts = [
        (words.say("Adhesive"), family_words(matter)),
        (words.say("Amount"), f"{amount_words(matter, drops)}, {ml}"),
        (words.say("Close each joint within"), words.within(glue.open_min)),
        (words.say("Holds by itself after"), words.minutes(glue.fixture_min)),
        (words.say("Full strength after"), words.minutes(glue.cure_min)),
    ]
    blocks: list[Block] = [
        Facts(tuple(facts)),
        *warnings_at(matter, {joint for step in steps for joint in step.glues}),
        Heading(words.say("Glue these joints")),
        Para(words.say(HOW_NUMBERED)),
        *(_glued(matter, step) for step in steps),
    ]
    return Sheet("glue", title, tuple(blocks), level=1, for_adult=True)


def warnings_at(matter: Matter, joints: Set[str]) -> tuple[Marked, ...]:
    """What the plan warns of at some of its joints."""
    found = []
    for problem in matter.plan.gluing.problems:
        names = [joint_number(name) for name in problem.joints if name in joints]
        if problem.code in AT_JOINTS and names:
            more = f", +{len(names) - NAMED}" if len(names) > NAMED else ""
            listed = ", ".join(names[:NAMED]) + more
            which = matter.words.say_n("Joint {numbers}", "Joints {numbers}", len(names), numbers=listed)
            text = matter.words.say(AT_JOINTS[problem.code], joints=which)
            found.append(Marked("doubt", text, strong=True))
    return tuple(found)


def _glued(matter: Matter, step: StepWork) -> GlueView:
    """What a step glues, to tick off joint by joint."""
    words = matter.words
    joints = [matter.plan.joints.by_id[joint] for joint in step.glues]
    numbers = [joint_number(joint.id) for joint in joints]
    title = words.say("Step {n}", n=words.number(step.number))
    place = matter.place_name(matter.plan.sequence.by_number[step.number].assembly.id)
    alt = words.say(
        "What step {n} glues, its joints numbered {numbers}.", n=step.number, numbers=", ".join(numbers)
    )
    notes = [_hold(matter, step, joints)]
    if (copies := copies_of(matter, step)) > 1:
        notes.append(words.say_n("Do this {n} time", "Do this {n} times", copies))
    rows = zip(numbers, (_joint_words(matter, joint) for joint in joints), strict=True)
    wish = Wish("glue", step=step.number)
    return GlueView(f"{title}: {place}", wish, alt, tuple(rows), tuple(notes))


def _joint_words(matter: Matter, joint: Joint) -> str:
    """How much a joint takes and on which faces; for an adult's booklet its gap as well, where there is
    room."""
    words = matter.words
    amount = amount_words(matter, matter.plan.gluing.drops.get(joint.id, 1))
    kinds = glued_kinds(matter, joint)
    if joint.kind != "rest" and kinds == {"rest"}:
        amount = words.say("{amount}, flat faces only", amount=amount)
    elif "rest" in kinds and len(kinds) > 1:
        amount = words.say("{amount}, flat faces too", amount=amount)
    if not matter.edition.numbers or matter.terse:
        return amount
    return f"{amount}; " + words.say("gap {gap} mm a side", gap=words.number(joint.gap_mm, 2))


def _hold(matter: Matter, step: StepWork, joints: Sequence[Joint]) -> str:
    """A weight where the joints close downwards, a clamp where they do not; until they hold by themselves."""
    up = matter.plan.sequence.by_number[step.number].up
    downwards = [abs(float(joint.axis @ up)) > np.cos(np.radians(UPRIGHT_DEG)) for joint in joints]
    time = matter.words.minutes(matter.plan.gluing.adhesive.fixture_min)
    if all(downwards):
        return matter.words.say("Weigh down for {time}.", time=time)
    if not any(downwards):
        return matter.words.say("Clamp or tape for {time}.", time=time)
    return matter.words.say("Weigh down, clamp what sits at the side, for {time}.", time=time)
