"""What is printed again where a part was glued in wrongly: the lighter side, with all that is glued to it."""

from __future__ import annotations

import numpy as np
import pytest

from steps.glue.again import printed_again
from steps.model import Assembly, Attach, Move, Order, Step
from steps.sequence import BuildSequence
from tests.stacks import Cell, Stack, stack

DOWN = Move(np.array([[0.0, 0, -1]]))


def in_turn(made: Stack) -> Order:
    """A step for each part, in file order."""
    steps = []
    for row, part in enumerate(made.model.parts):
        earlier = {each.id for each in made.model.parts[:row]}
        joints = made.joints.of_part.get(part.id, ())
        closes = tuple(joint.id for joint in joints if joint.other(part.id) in earlier)
        steps.append(Step(row + 1, "A1", (part.id,), {part.id: DOWN}, (), closes, (0, 0, 1)))
    whole = Assembly("A1", "whole", (tuple(part.id for part in made.model.parts),))
    return Order((whole,), tuple(steps))


def again(made: Stack, order: Order, *glued: str) -> dict[int, dict[str, tuple[str, ...]]]:
    sequence = BuildSequence.of(made.model, order)
    found = printed_again(made.model, made.measures, made.joints, sequence, frozenset(glued))
    return {number: dict(things) for number, things in found.items()}


def test_a_light_part_on_a_heavy_one_is_printed_again_alone() -> None:
    tower = stack([Cell(0, 0, 0, 8, 2), Cell(0, 0, 1, 4, 2), Cell(0, 0, 2, 2, 2)])
    assert again(tower, in_turn(tower), "J1", "J2") == {2: {"P2": ("P2",)}, 3: {"P3": ("P3",)}}


def test_what_is_pressed_is_not_told_of() -> None:
    tower = stack([Cell(0, 0, 0, 8, 2), Cell(0, 0, 1, 4, 2), Cell(0, 0, 2, 2, 2)])
    assert again(tower, in_turn(tower), "J2") == {3: {"P3": ("P3",)}}


@pytest.mark.parametrize(
    ("inner", "lost"), [(("J1", "J2"), ("P1", "P2")), (("J2",), ("P2",))], ids=["glued", "pressed"]
)
def test_a_heavy_lid_costs_what_is_glued_under_it(inner: tuple[str, ...], lost: tuple[str, ...]) -> None:
    """Two small parts and a heavy one on them: the small ones are given up; the lower one lifts off where it
    is only pressed to the other."""
    tower = stack([Cell(0, 0, 0, 2, 2), Cell(0, 0, 1, 2, 2), Cell(0, 0, 2, 8, 2)])
    assert again(tower, in_turn(tower), *inner)[3] == {"P3": lost}


@pytest.mark.parametrize(
    ("glued", "lost"), [(("J1", "J2"), ("P2", "P3")), (("J1",), ("P2",))], ids=["glued", "pressed"]
)
def test_a_sub_assembly_is_lost_as_far_as_it_is_glued(glued: tuple[str, ...], lost: tuple[str, ...]) -> None:
    tower = stack([Cell(0, 0, 0, 8, 2), Cell(0, 0, 1, 2, 2), Cell(0, 0, 2, 2, 2)])
    up, part = (0, 0, 1), Assembly("A2", "top", (("P2", "P3"),))
    steps = (
        Step(1, "A2", ("P2",), {"P2": DOWN}, (), (), up),
        Step(2, "A2", ("P3",), {"P3": DOWN}, (), ("J2",), up),
        Step(3, "A1", ("P1",), {"P1": DOWN}, (), (), up),
        Step(4, "A1", (), {}, (Attach("A2", 0, DOWN),), ("J1",), up),
    )
    order = Order((part, Assembly("A1", "whole", (("P1", "P2", "P3"),))), steps)
    assert again(tower, order, *glued)[4] == {"P2": lost}


def test_one_wrong_part_between_two_costs_itself_and_not_both() -> None:
    """A lid on two feet, each glued: the lid, or both feet, whichever is lighter."""
    light = stack([Cell(0, 0, 0, 4, 2), Cell(4, 0, 0, 4, 2), Cell(3, 0, 1, 2, 2)])
    assert again(light, in_turn(light), "J1", "J2") == {3: {"P3": ("P3",)}}
    heavy = stack([Cell(0, 0, 0, 2, 2), Cell(6, 0, 0, 2, 2), Cell(0, 0, 1, 8, 2)])
    assert again(heavy, in_turn(heavy), "J1", "J2") == {3: {"P3": ("P1", "P2")}}
