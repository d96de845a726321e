"""The order once the glue is chosen: final holds, the waits they bring, and what is too hard to press."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from steps.model import Adhesive, Assembly, Attach, Gluing, Joints, Move, Order, Step, Work
from steps.pipeline import make_plan
from steps.sequence import BuildSequence
from steps.settings import Settings
from steps.settle import Firm, settle
from steps.settle.holds import hard_steps
from steps.statics import Structure
from tests.models.files import write
from tests.models.structures import structure as structure_of
from tests.stacks import Cell, Stack, stack

DOWN = Move(np.array([[0.0, 0, -1]]))
#: A foot of eight columns, a beam on its last two, and a block over them: the beam tips unless its joint
#: holds, all three as one body do not (centre at column 7 of 8).
OVERHANG = [Cell(0, 0, 0, 8, 2), Cell(6, 0, 1, 8, 2), Cell(6, 0, 2, 2, 2)]


def built(fits: dict[tuple[int, int], str], push_n: float = 0.0, hold_per_stud: float = 0.0) -> Stack:
    made = stack(OVERHANG, hold_per_stud, fits=fits)
    joints = tuple(replace(joint, push_n=push_n) for joint in made.joints.joints)
    return replace(made, joints=Joints(joints))


def one_by_one(made: Stack) -> Order:
    """A step for each part, in file order."""
    steps = []
    for row, part in enumerate(made.model.parts):
        earlier = {each.id for each in made.model.parts[:row]}
        closes = tuple(
            joint.id for joint in made.joints.of_part.get(part.id, ()) if joint.other(part.id) in earlier
        )
        steps.append(Step(row + 1, "A1", (part.id,), {part.id: DOWN}, (), closes, (0, 0, 1)))
    whole = Assembly("A1", "whole", (tuple(part.id for part in made.model.parts),))
    return Order((whole,), tuple(steps))


def gluing(made: Stack, glued: Iterable[str]) -> Gluing:
    names = set(glued)
    marks = {joint.id: "glue" if joint.id in names else "press" for joint in made.joints.joints}
    epoxy = Adhesive("epoxy", fixture_min=30.0, cure_min=1440.0)
    return Gluing(marks, {}, {}, epoxy, early_n=dict.fromkeys(names, 1000.0))


def settled(made: Stack, order: Order, glued: Iterable[str]) -> Work:
    return settle(made.model, made.measures, made.joints, order, gluing(made, glued), Settings())


LOOSE = {(0, 1): "loose", (1, 2): "loose"}


def test_a_loose_joint_that_is_left_bare_has_to_be_held():
    """The beam tips from its step on."""
    made = built(LOOSE)
    work = settled(made, one_by_one(made), [])
    assert [bool(step.hold) for step in work.steps] == [False, True, True]
    assert all(step.hold[0] in ("P2", "P3") for step in work.steps[1:])
    assert work.facts["held_steps"] == 2 and not any(step.needs_cured for step in work.steps)


def test_glue_holds_from_the_step_after():
    """The beam's joint alone is glued: held while it sets, then not; and the next step waits for it."""
    made = built(LOOSE)
    work = settled(made, one_by_one(made), ["J1"])
    assert [bool(step.hold) for step in work.steps] == [False, True, False]
    assert [step.needs_cured for step in work.steps] == [(), (), ("J1",)]
    assert [step.wait_min for step in work.steps] == [0.0, 30.0, 0.0]
    assert [step.people for step in work.steps] == [1, 2, 1]  # one glues, one holds


def test_what_a_hand_does_not_hold_waits_for_its_glue():
    """Two beams on the two ends of a foot: the first is glued, the second loose and held. While the second
    goes on, the first stands by its glue alone, so that must be hard."""
    made = stack(
        [Cell(0, 0, 0, 8, 2), Cell(6, 0, 1, 8, 2), Cell(-6, 0, 1, 8, 2)],
        0.0,
        fits={(0, 1): "loose", (0, 2): "loose"},
    )
    work = settled(made, one_by_one(made), ["J1"])
    assert work.steps[2].hold == ("P3",)
    assert work.steps[2].needs_cured == ("J1",)
    both = settled(made, one_by_one(made), ["J1", "J2"])
    assert both.steps[2].hold == ("P3",) and both.steps[2].needs_cured == ("J1",)  # its own glue is wet


def test_what_stands_bare_waits_for_no_glue():
    made = built({(0, 1): "press", (1, 2): "loose"}, hold_per_stud=5.0)
    work = settled(made, one_by_one(made), [])
    assert not any(step.hold for step in work.steps) and not any(step.needs_cured for step in work.steps)


@pytest.mark.parametrize(("push_n", "hard"), [(130.0, True), (90.0, False)])
def test_a_press_beyond_hands_is_named(push_n, hard):
    """A lid that closes two joints at once: 260 N together are too much, 180 N are not."""
    made = stack([Cell(0, 0, 0, 2, 2), Cell(4, 0, 0, 2, 2), Cell(0, 0, 1, 6, 2)], 5.0)
    made = replace(made, joints=Joints(tuple(replace(joint, push_n=push_n) for joint in made.joints.joints)))
    work = settled(made, one_by_one(made), [])
    found = [problem for problem in work.problems if problem.code == "hard-to-press"]
    assert bool(found) is hard
    for problem in found:
        assert problem.severity == "warning" and set(problem.parts) == {"P1", "P2", "P3"}
        assert problem.text.startswith("Step 3: J1, J2 need about 260 N together to close, over the 200 N ")
        assert "estimate" not in problem.text  # these were measured


def test_an_estimated_press_is_to_be_tried_on_the_fit_card_first():
    made = stack([Cell(0, 0, 0, 2, 2), Cell(0, 0, 1, 2, 2)], 5.0)
    joints = tuple(replace(joint, push_n=230.0, estimated=True) for joint in made.joints.joints)
    work = settled(replace(made, joints=Joints(joints)), one_by_one(made), [])
    (hard,) = [problem.text for problem in work.problems if problem.code == "hard-to-press"]
    assert "The figure is an estimate: try the fit card first (`stepleaf coupon`)" in hard


def test_a_sub_assembly_is_pressed_as_one():
    """The block is on the beam before both are pressed on the foot: 230 N through the beam's joint alone."""
    made = built({}, push_n=230.0, hold_per_stud=5.0)
    inner = Assembly("A1", "top", (("P2", "P3"),))
    whole = Assembly("A2", "whole", (("P1", "P2", "P3"),))
    up = (0, 0, 1)
    steps = (
        Step(1, "A1", ("P2",), {"P2": DOWN}, (), (), up),
        Step(2, "A1", ("P3",), {"P3": DOWN}, (), ("J2",), up),
        Step(3, "A2", ("P1",), {"P1": DOWN}, (), (), up),
        Step(4, "A2", (), {}, (Attach("A1", 0, DOWN),), ("J1",), up),
    )
    work = settled(made, Order((inner, whole), steps), [])
    hard = [problem.text for problem in work.problems if problem.code == "hard-to-press"]
    assert [text.split(" N ")[0] for text in hard] == [
        "Step 2: J2 needs about 230",
        "Step 4: J1 needs about 230",
    ]


@pytest.mark.parametrize(("push_n", "by"), [(30.0, "child"), (100.0, "helper"), (150.0, "adult")])
def test_who_presses(push_n, by):
    made = built(LOOSE, push_n=push_n)
    steps = tuple(replace(step, needs_push_n=push_n) for step in one_by_one(made).steps)
    work = settled(made, replace(one_by_one(made), steps=steps), ["J1"])
    assert work.steps[2].by == by and work.steps[1].by == "adult"  # the second has the glue


def test_what_topples_is_held_by_what_is_joined_to_it():
    """A beam far beyond its foot, and a block that only lies on its far end: the block is farthest out, but
    to hold it does not hold the beam."""
    made = stack([Cell(0, 0, 0, 2, 2), Cell(0, 0, 1, 10, 2), Cell(8, 0, 2, 2, 2)], 0.0)
    for glued in ([], ["J2"]):  # glued on, it would; but in its own step its glue is wet
        holds = [step.hold for step in settled(made, one_by_one(made), glued).steps]
        assert holds[:2] == [(), ("P2",)] and "P2" in holds[2]


def test_a_hand_lets_go_of_what_a_step_glues_only_when_the_glue_holds():
    """A block that juts out from its foot is held; what comes next stands by itself and is glued to it."""
    cells = [
        Cell(6, 0, 0, 4, 2),
        Cell(6, 0, 1, 4, 2),
        Cell(0, 0, 0, 2, 2),
        Cell(1, 0, 1, 4, 2),
        Cell(4, 0, 2, 6, 2),
        Cell(7, 0, 3, 2, 2),
    ]
    made = stack(cells, 0.0)
    (joint,) = [each.id for each in made.joints.joints if {each.a, each.b} == {"P4", "P5"}]
    work = settled(made, one_by_one(made), [joint])
    assert [step.hold for step in work.steps] == [(), (), (), ("P4",), ("P4",), ()]


def test_where_hard_glue_is_asked_is_as_if_every_step_were_asked_anew(tmp_path: Path) -> None:
    """A branching sculpture whose glue bears all, or a hundredth, of what it does once it holds by itself.
    What the build that is followed shows to stand need not be asked of one balanced from nothing."""
    write(structure_of("sculpture", 80, seed=2), tmp_path / "model.3mf")
    plan = make_plan(tmp_path / "model.3mf", Settings())
    structure = Structure.of(plan.model, plan.measures, plan.joints, Settings())
    sequence = BuildSequence.of(plan.model, plan.order)
    for share in (1.0, 0.01):
        early = {name: share * newtons for name, newtons in plan.gluing.early_n.items()}
        gluing = replace(plan.gluing, early_n=early)
        firm = Firm.of(structure, sequence, gluing)
        anew = hard_steps(structure, sequence, gluing, firm.holds, firm.on_glue)
        assert firm.on_glue and firm.on_hard == anew
        assert bool(firm.on_hard) == (share < 1.0)
