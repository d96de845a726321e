"""Glue sheets: one for each sitting, for the adult."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from steps.booklet.compose.cautions import family_words
from steps.booklet.compose.matter import Matter
from steps.booklet.content import Block, Facts, GlueView, Heading, Marked, Para, Sheet, Wish
from steps.booklet.words import later
from steps.draw.glue_view import joint_number
from steps.glue.adhesive import bond_volume
from steps.glue.families import glue_book
from steps.glue.hazards import components_of
from steps.model import Joint, StepWork

#: Joints whose axis leans less than this from upright close under a weight.
UPRIGHT_DEG = 30.0
HOW_NUMBERED = later(
    "A number on a picture is a joint. A line that ends on a part leads to a joint hidden behind it."
)


def glue_sheets(matter: Matter) -> dict[int, Sheet]:
    """The glue sheet of each sitting, by the number of the sitting's first step."""
    return {steps[0].number: glue_sheet(matter, sitting, steps) for sitting, steps in _sittings(matter)}


def _sittings(matter: Matter) -> Iterator[tuple[int, list[StepWork]]]:
    found: dict[int, list[StepWork]] = {}
    for step in matter.plan.work.steps:
        if step.sitting is not None and step.glues:
            found.setdefault(step.sitting, []).append(step)
    yield from sorted(found.items())


def glue_sheet(matter: Matter, sitting: int, steps: Sequence[StepWork]) -> Sheet:
    """What to have at hand, then every joint of the sitting with its amount, to tick off."""
    words, glue = matter.words, matter.plan.gluing.adhesive
    child = matter.settings.reader == "child"
    number = words.number(sitting)
    title = (
        words.say("Ask an adult: gluing {n}", n=number) if child else words.say("Glue sheet {n}", n=number)
    )
    joints = [matter.plan.joints.by_id[joint] for step in steps for joint in step.glues]
    copies = [_copies(matter, step) for step in steps for _ in step.glues]
    facts = [
        (words.say("Adhesive"), family_words(matter)),
        (words.say("Amount"), _millilitres(matter, joints, copies)),
        (words.say("Close the joint within"), words.minutes(glue.open_min)),
        (words.say("Holds by itself after"), words.minutes(glue.fixture_min)),
        (words.say("Full strength after"), words.minutes(glue.cure_min)),
    ]
    blocks: list[Block] = [
        Facts(tuple(facts)),
        Heading(words.say("What to bring") if child else words.say("Have at hand")),
    ]
    blocks += [Marked("tick", text) for text in _kit(matter)]
    blocks.append(Heading(words.say("Glue these joints")))
    blocks.append(Para(words.say(HOW_NUMBERED)))
    blocks += [_glued(matter, step) for step in steps]
    return Sheet("glue", title, tuple(blocks), level=1)


def _assembly(matter: Matter, step: StepWork) -> str:
    return matter.plan.sequence.by_number[step.number].assembly.id


def _copies(matter: Matter, step: StepWork) -> int:
    return len(matter.plan.sequence.by_number[step.number].copies)


def _kit(matter: Matter) -> list[str]:
    """What the adult needs for this adhesive on this plastic."""
    words = matter.words
    family = glue_book().families[matter.plan.gluing.adhesive.family]
    kit = [words.say("The supplier's safety data sheet, read"), words.say("Goggles, an open window, cloths")]
    gloves = dict.fromkeys(
        one.gloves for one in components_of(family, matter.settings.material) if one.gloves
    )
    kit += [words.say("Gloves: {text}", text=words.term(text)) for text in gloves]
    kit.append(words.say("Surfaces: {text}", text=words.term(family.surface)))
    return kit


def _glued(matter: Matter, step: StepWork) -> GlueView:
    """What a step glues, to tick off joint by joint."""
    words = matter.words
    joints = [matter.plan.joints.by_id[joint] for joint in step.glues]
    numbers = [joint_number(joint.id) for joint in joints]
    title = words.say("Step {n}", n=words.number(step.number))
    place = matter.place_name(_assembly(matter, step))
    alt = words.say(
        "What step {n} glues, its joints numbered {numbers}.", n=step.number, numbers=", ".join(numbers)
    )
    notes = [_hold(matter, step, joints)]
    if (copies := _copies(matter, step)) > 1:
        notes.append(words.say_n("Do this {n} time", "Do this {n} times", copies))
    rows = zip(numbers, (_joint_words(matter, joint) for joint in joints), strict=True)
    wish = Wish("glue", step=step.number)
    return GlueView(f"{title}: {place}", wish, alt, tuple(rows), tuple(notes))


def _joint_words(matter: Matter, joint: Joint) -> str:
    """How much adhesive a joint takes; for the adult its gap as well, where there is room."""
    words = matter.words
    amount = words.say("{n} ml", n=words.figures(max(_volume(matter, [joint], [1]), 0.01)))
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


def _millilitres(matter: Matter, joints: Sequence[Joint], copies: Sequence[int]) -> str:
    """The adhesive for the joints, with waste."""
    return matter.words.say(
        "about {n} ml", n=matter.words.figures(max(_volume(matter, joints, copies), 0.01))
    )


def _volume(matter: Matter, joints: Sequence[Joint], copies: Sequence[int]) -> float:
    """Millilitres."""
    family = glue_book().families[matter.plan.gluing.adhesive.family]
    return sum(bond_volume(joint, family) * n for joint, n in zip(joints, copies, strict=True))
