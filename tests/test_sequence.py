"""The build told step by step: what stands, arrives and lies, and what each copy stands for."""

from __future__ import annotations

import ast
from pathlib import Path

import numpy as np
import pytest

from steps.model import Assembly, Attach, Move, Order, Step
from steps.sequence import BuildSequence, across
from tests.stacks import Cell, Stack, stack

DOWN = Move(np.array([[0.0, 0, -1]]))
UP, SIDE = (0, 0, 1), (1, 0, 0)
STEPS = Path(__file__).parent.parent / "steps"


@pytest.fixture
def made() -> Stack:
    """Two blocks on a long foot, each with another on it: P1 foot, P2 P3 the left pair, P4 P5 the right."""
    pairs = [Cell(x, 0, level, 2, 2) for x in (0, 6) for level in (1, 2)]
    return stack([Cell(0, 0, 0, 8, 2), *pairs])


@pytest.fixture
def order() -> Order:
    """The pairs are copies of one sub-assembly, built lying and then put on in one step."""
    steps = (
        Step(1, "A1", ("P2",), {"P2": DOWN}, (), (), SIDE),
        Step(2, "A2", ("P1",), {"P1": DOWN}, (), (), UP),
        Step(3, "A1", ("P3",), {"P3": DOWN}, (), ("J3",), UP),
        Step(4, "A2", (), {}, (Attach("A1", 1, DOWN), Attach("A1", 0, DOWN)), ("J1", "J2"), UP),
    )
    pair = Assembly("A1", "pair", (("P2", "P3"), ("P4", "P5")))
    return Order((pair, Assembly("A2", "all", (("P1", "P2", "P3", "P4", "P5"),))), steps)


def test_each_step_stands_amid_its_own_assembly(made: Stack, order: Order) -> None:
    sequence = BuildSequence.of(made.model, order)
    told = [
        (sequence.ids(each.before), sequence.ids(each.arriving), sequence.ids(each.after))
        for each in sequence.moments
    ]
    right_then_left = ("P4", "P5", "P2", "P3")
    assert told == [
        ((), ("P2",), ("P2",)),
        ((), ("P1",), ("P1",)),
        (("P2",), ("P3",), ("P2", "P3")),
        (("P1",), right_then_left, ("P1", *right_then_left)),
    ]
    assert [each.previous and each.previous.number for each in sequence.moments] == [None, None, 1, 2]
    assert [each.up.tolist() for each in sequence.moments] == [[1, 0, 0], [0, 0, 1], [0, 0, 1], [0, 0, 1]]
    last = sequence.by_number[4]
    assert [(each.name, each.parts) for each in last.arrivals] == [("A1", ("P4", "P5")), ("A1", ("P2", "P3"))]
    assert [len(each.copies) for each in sequence.moments] == [2, 1, 2, 1]
    assert sequence.attached_in["A1"] is last and list(sequence.by_assembly) == ["A1", "A2"]


def test_what_stands_grows_with_each_arrival(made: Stack, order: Order) -> None:
    last = BuildSequence.of(made.model, order).by_number[4]
    ids = [part.id for part in made.model.parts]
    assert [[part for part in ids if part in last.standing(arrived)] for arrived in range(3)] == [
        ["P1"],
        ["P1", "P4", "P5"],
        ids,
    ]
    assert "P9" not in last.standing(2)


def test_copies_share_joints_and_need(made: Stack, order: Order) -> None:
    sequence = BuildSequence.of(made.model, order)
    ends = {joint.id: {joint.a, joint.b} for joint in made.joints.joints}
    assert ends["J3"] == {"P2", "P3"} and ends["J4"] == {"P4", "P5"}
    assert sequence.alike(made.joints) == {"J3": ("J3", "J4"), "J1": ("J1",), "J2": ("J2",)}
    assert sequence.first_needed == {"P1": 2, "P2": 1, "P3": 3, "P4": 1, "P5": 3}
    assert across(order.assemblies[0], 1) == {"P2": "P4", "P3": "P5"}


def test_made_once_for_an_order_and_read_only(made: Stack, order: Order) -> None:
    sequence = BuildSequence.of(made.model, order)
    assert BuildSequence.of(made.model, order) is sequence
    with pytest.raises(ValueError, match="read-only"):
        sequence.moments[0].after[0] = 3
    other = stack([Cell(0, 0, level, 2, 2) for level in range(5)])
    assert BuildSequence.of(other.model, order) is not sequence


def test_no_stage_looks_back() -> None:
    """Each stage imports only rooms of stages before it and what they all share."""
    rooms = ("order", "glue", "settle", "draw", "booklet")
    for at, room in enumerate(rooms):
        later = {f"steps.{each}" for each in rooms[at + 1 :]}
        for path in sorted((STEPS / room).rglob("*.py")):
            nodes = ast.walk(ast.parse(path.read_text(encoding="utf-8")))
            names = {node.module or "" for node in nodes if isinstance(node, ast.ImportFrom)}
            back = {name for name in names if any(name == one or name.startswith(one + ".") for one in later)}
            assert not back, f"{path.name} of {room} imports {sorted(back)}"
