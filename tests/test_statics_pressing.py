"""Pressing parts home: what what stands feels of it, by hand calculation and against the programme."""

from __future__ import annotations

import numpy as np
import pytest

from steps.settings import Settings
from steps.statics import Stand, Structure
from steps.statics.pressing import pressing, slides, tips
from tests.stacks import HEIGHT, PITCH, STUD_HEIGHT, Cell, stack

UP, DOWN = np.array([0.0, 0, 1]), np.array([0.0, 0, -1])


def structure_of(cells, push_per_stud: float = 10.0) -> Structure:
    """Blocks whose studs each take so many newtons to close."""
    built = stack(cells)
    joints = built.joints
    pushed = tuple(
        type(joint)(**{**vars(joint), "push_n": push_per_stud * joint.contacts}) for joint in joints.joints
    )
    return Structure.of(built.model, built.measures, type(joints)(pushed), Settings())


#: A base of 4 x 2, a beam of 8 x 2 on its last two columns, and a block of 2 x 2 on the beam's far end.
CANTILEVER = [Cell(0, 0, 0, 4, 2), Cell(2, 0, 1, 8, 2), Cell(8, 0, 2, 2, 2)]


def test_the_push_goes_through_the_studs_that_close():
    """By hand: 4 studs of 10 N at x = 9 pitches, on a beam whose middle is at x = 6."""
    structure = structure_of(CANTILEVER)
    press = pressing(structure, {"P1", "P2"}, ["P3"], 3 * DOWN)
    assert press.push_n == pytest.approx(40.0)
    assert press.names == ("P2",) and press.on.tolist() == [1]
    arm = np.array([9 * PITCH, PITCH, 2 * HEIGHT + STUD_HEIGHT / 2]) - structure.bodies.centroid[1]
    assert press.wrench[0, :3] == pytest.approx(40.0 * DOWN)
    assert press.wrench[0, 3:] == pytest.approx(np.cross(arm, 40.0 * DOWN))
    assert press.wrench[0, 4] == pytest.approx(40.0 * 3 * PITCH)  # turns x towards z: the far end sinks
    assert press.loads(3)[1] == pytest.approx(press.wrench[0]) and not press.loads(3)[[0, 2]].any()


def test_a_push_is_shared_out_by_what_each_joint_resists():
    """A 6 x 2 lid over a 4 x 2 and a 2 x 2 block: twice as much on the larger."""
    structure = structure_of([Cell(0, 0, 0, 4, 2), Cell(4, 0, 0, 2, 2), Cell(0, 0, 1, 6, 2)])
    press = pressing(structure, {"P1", "P2"}, ["P3"], DOWN, push_n=90.0)
    assert press.names == ("P1", "P2")
    assert -press.wrench[:, 2] == pytest.approx([60.0, 30.0])
    alone = pressing(structure, {"P2"}, ["P3"], DOWN)
    assert alone.names == ("P2",) and alone.push_n == pytest.approx(40.0)


def test_nothing_is_felt_where_nothing_resists_or_stands():
    loose = structure_of(CANTILEVER, push_per_stud=0.0)
    assert pressing(loose, {"P1", "P2"}, ["P3"], DOWN).push_n == 0.0
    assert pressing(loose, {"P1", "P2"}, ["P3"], DOWN, push_n=8.0).wrench[0, 2] == pytest.approx(-8.0)
    tight = structure_of(CANTILEVER)
    assert pressing(tight, {"P1"}, ["P3"], DOWN).names == ()


def test_a_sub_assembly_presses_as_one():
    """Joints within what is pressed feel nothing."""
    structure = structure_of(CANTILEVER)
    press = pressing(structure, {"P1"}, ["P2", "P3"], DOWN)
    assert press.names == ("P1",) and press.push_n == pytest.approx(40.0)


def test_a_far_end_cannot_be_pressed_but_a_near_one_can():
    """The base is 4 pitches long: pressing at x = 9 tips it, at x = 3 it does not."""
    structure = structure_of([*CANTILEVER, Cell(2, 0, 2, 2, 2)])
    stand = Stand.of(structure)
    weight = structure.bodies.mass_g[:2].sum() * 9.80665e-3
    middle = np.average(structure.bodies.centroid[:2], axis=0, weights=structure.bodies.mass_g[:2])
    support = structure.table_contacts([0, 1], UP)[0].point
    answers = {}
    for part in ("P3", "P4"):
        press = pressing(structure, {"P1", "P2"}, [part], DOWN)
        centres = structure.bodies.centroid[press.on]
        tipped = tips(press, UP, weight, middle, support, centres)
        holds = stand.stands(["P1", "P2"], loads=press.on_parts).ok
        answers[part] = (tipped, holds)
    assert answers == {"P3": (True, False), "P4": (False, True)}


def test_what_tips_or_slides_for_certain_never_balances():
    """The quick tests say no only where the programme does too, and each of them both yes and no."""
    generator = np.random.default_rng(4)
    said = {"slides": 0, "tips": 0, "neither": 0}
    for _ in range(60):
        long = int(generator.integers(3, 9))
        cells = [Cell(0, 0, 0, 2, 2), Cell(0, 0, 1, long, 2), Cell(long - 2, 0, 2, 2, 2)]
        structure = structure_of(cells, push_per_stud=0.1)
        way = generator.normal(size=3) * (0.3, 0.3, 0.3) + (0, 0, -1)
        press = pressing(structure, {"P1", "P2"}, ["P3"], way, push_n=10 ** float(generator.uniform(-3, 0)))
        weight = structure.bodies.mass_g[:2].sum() * 9.80665e-3
        middle = np.average(structure.bodies.centroid[:2], axis=0, weights=structure.bodies.mass_g[:2])
        support = structure.table_contacts([0, 1], UP)[0].point
        slid = slides(press, UP, weight, structure.friction)
        tipped = tips(press, UP, weight, middle, support, structure.bodies.centroid[press.on])
        said["slides"] += slid
        said["tips"] += tipped
        said["neither"] += not slid and not tipped
        if slid or tipped:
            assert not Stand.of(structure).stands(["P1", "P2"], loads=press.on_parts).ok
    assert min(said.values()) >= 5, said


def test_sliding_by_hand():
    """A block of 8 g pushed sideways slides above friction times its weight; pressed down it never does."""
    structure = structure_of([Cell(0, 0, 0, 4, 2), Cell(0, 0, 1, 2, 2)])
    weight, rubbing = 0.0784532, structure.friction
    for newtons, moves in ((0.9 * rubbing * weight, False), (1.1 * rubbing * weight, True)):
        press = pressing(structure, {"P1"}, ["P2"], [1.0, 0, 0], push_n=newtons)
        assert slides(press, UP, weight, rubbing) is moves
        assert Stand.of(structure).stands(["P1"], loads=press.on_parts).ok is not moves
    assert not slides(pressing(structure, {"P1"}, ["P2"], DOWN, 500.0), UP, weight, rubbing)
    assert slides(pressing(structure, {"P1"}, ["P2"], UP, 1.0), UP, weight, rubbing)
    assert pressing(structure, {"P1"}, ["P2"], DOWN).is_down(UP)
    assert not pressing(structure, {"P1"}, ["P2"], [1.0, 0, -1]).is_down(UP)
