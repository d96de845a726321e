"""Drops within the open time, dealt to the joints that one push closes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from steps.glue.doses import doses, glued_strength, most_drops, open_s, pushes_of
from steps.glue.families import family
from steps.model import Assembly, Attach, Move, Order, Step
from steps.sequence import BuildSequence
from tests.stacks import Cell, stack

UP = np.array([0.0, 0.0, 1.0])
DOWN = Move([(0, 0, -1)])
INSTANT = family("cyanoacrylate")


def flat_joint(area_mm2: float, name: str = "J1"):
    """A joint of one bare face."""
    joint = stack([Cell(0, 0, 0, 1, 1), Cell(0, 0, 1, 1, 1)]).joints.joints[0]
    return replace(joint, id=name, touches=(replace(joint.touches[-1], area_mm2=area_mm2),))


def test_drops_and_pressing_fit_the_open_time():
    # by hand: 12 s open, 6 s to press, 1.5 s a drop: 4 drops
    assert open_s(INSTANT, 23.0) == 12.0 and most_drops(INSTANT, 23.0) == 4
    # epoxy, 300 s: at 33 deg C half of it (a factor 2 per 10 K): (150 - 6) / 1.5; cold gives no more time
    assert most_drops(family("epoxy"), 33.0) == 96
    assert most_drops(family("epoxy"), 13.0) == most_drops(family("epoxy"), 23.0) == 196


def test_a_joint_alone_is_covered_or_gets_what_time_allows():
    # 0.05 mm x 200 mm2 x 1.4 = 0.014 mL = 3 drops of 0.0057; 1000 mm2: 0.07 mL = 13 drops, 4 in time, which
    # cover 4 x 0.0057 / 0.05 = 456 mm2 and do not run out beside them
    small = doses([flat_joint(200.0)], [("J1",)], INSTANT, 23.0)["J1"]
    assert (small.drops, small.share) == (3, 1.0)
    large = doses([flat_joint(1000.0)], [("J1",)], INSTANT, 23.0)["J1"]
    assert large.drops == 4 and large.share == pytest.approx(0.456)
    # 1000 mm2 x 3 MPa x a quarter, of which that share is wetted
    assert glued_strength(flat_joint(1000.0), INSTANT, large) == pytest.approx(750.0 * large.share)
    assert glued_strength(flat_joint(1000.0), INSTANT, None) == 0.0


def test_joints_of_one_push_share_its_time():
    joints = [flat_joint(200.0, "J1"), flat_joint(200.0, "J2"), flat_joint(60.0, "J3")]
    together = doses(joints, [("J1", "J2", "J3")], INSTANT, 23.0)
    assert sum(dose.drops for dose in together.values()) == most_drops(INSTANT, 23.0)
    assert set(together) == {"J1", "J2", "J3"}
    apart = doses(joints, [("J1",), ("J2",), ("J3",)], INSTANT, 23.0)
    assert {name: dose.drops for name, dose in apart.items()} == {"J1": 3, "J2": 3, "J3": 1}
    many = [flat_joint(60.0, f"J{number}") for number in range(6)]
    dealt = doses(many, [tuple(joint.id for joint in many)], INSTANT, 23.0)
    assert len(dealt) == 4  # six joints, four drops: two cannot be glued by this push


def test_a_face_too_far_off_gets_nothing():
    joint = flat_joint(200.0)
    wide = replace(joint, touches=(replace(joint.touches[0], bond_gap_mm=0.21),))
    assert doses([wide], [("J1",)], INSTANT, 23.0) == {}


def test_a_push_closes_what_its_last_part_completes():
    built = stack([Cell(0, 0, 0, 4, 2), Cell(0, 0, 1, 2, 2), Cell(2, 0, 1, 2, 2), Cell(0, 0, 2, 4, 2)])
    ends = {joint.id: {joint.a, joint.b} for joint in built.joints.joints}
    assert ends["J3"] == {"P2", "P4"} and ends["J4"] == {"P3", "P4"}
    steps = (
        Step(1, "A1", ("P1", "P2", "P3"), {"P1": DOWN, "P2": DOWN, "P3": DOWN}, (), ("J1", "J2"), UP),
        Step(2, "A1", ("P4",), {"P4": DOWN}, (), ("J3", "J4"), UP),
    )
    order = Order((Assembly("A1", "all", (("P1", "P2", "P3", "P4"),)),), steps)
    pushes = pushes_of(BuildSequence.of(built.model, order), built.joints)
    assert sorted(pushes) == [("J1",), ("J2",), ("J3", "J4")]


def test_copies_are_pushed_one_by_one():
    built = stack([Cell(0, 0, 0, 2, 2), Cell(0, 0, 1, 2, 2), Cell(4, 0, 0, 2, 2), Cell(4, 0, 1, 2, 2)])
    steps = (
        Step(1, "A2", ("P1", "P2"), {"P1": DOWN, "P2": DOWN}, (), ("J1",), UP),
        Step(2, "A1", (), {}, (Attach("A2", 0, DOWN), Attach("A2", 1, DOWN)), (), UP),
    )
    twice = Assembly("A2", "column", (("P1", "P2"), ("P3", "P4")))
    order = Order((twice, Assembly("A1", "all", (("P1", "P2", "P3", "P4"),))), steps)
    assert sorted(pushes_of(BuildSequence.of(built.model, order), built.joints)) == [("J1",), ("J2",)]
