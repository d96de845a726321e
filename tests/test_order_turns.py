"""Turning the whole build: only when it pays, in plain words, and never with anything loose on it."""

from __future__ import annotations

import numpy as np
import pytest

from demo_model.beacon import beacon
from demo_model.scene import DemoModel
from demo_model.seawall import sea_wall
from demo_model.tug import tug
from steps.booklet.compose import compose
from steps.booklet.content import Marked
from steps.booklet.words import words_in
from steps.features import measure
from steps.joints import find_joints
from steps.model import Model, Order, Plan
from steps.motion import Motion
from steps.order import plan_order
from steps.order.divide import kept_together
from steps.order.turns import loose_parts, turn_between
from steps.planfile import plan_file
from steps.settings import OrderSettings, Settings
from steps.statics import Structure
from steps.verify import verify_plan
from tests.order_cases import block_in_a_frame
from tests.order_models import barge, model_of
from tests.test_order import GLUED, names_of, step_of, whole_plan

X, Y, Z = np.eye(3)


def planned(demo: DemoModel, **weights: float) -> tuple[Model, Order, Plan]:
    settings = Settings(order=OrderSettings(weights=weights))
    model = model_of(demo)
    measures = measure(model, settings)
    joints = find_joints(model, measures, settings)
    order = plan_order(model, measures, joints, settings)
    return model, order, whole_plan(model, measures, joints, order)


@pytest.mark.parametrize(("plates", "mast"), [(3, 0), (4, 3)])
def test_feet_go_on_with_the_whole_build_turned_over(plates, mast):
    """One turn over, all feet one after the other, one turn back; no sub-assembly on its head."""
    model, order, plan = planned(barge(plates, mast, pads=True))
    feet = [step for step in order.steps if any("foot" in name for name in names_of(model, step.adds))]
    others = [step for step in order.steps if step not in feet]
    assert all("foot" in name for step in feet for name in names_of(model, step.adds))
    assert all(np.allclose(step.up, -Z) for step in feet) and all(np.allclose(step.up, Z) for step in others)
    assert all(np.allclose(move.legs, [Z]) for step in feet for move in step.moves.values())
    assert [step.number for step in feet] == list(range(feet[0].number, feet[0].number + len(feet)))
    assert len(feet) == plates + 1 and len(order.assemblies) == 1
    assert order.facts["turns"] == 2 and order.facts["turned_over"] == 0
    report = verify_plan(plan_file(plan, Settings()), model)
    assert not [check.name for check in report.checks if check.faults and check.name not in GLUED]
    assert report["turns"].looked_at == 2  # over, and upright again


def test_what_stands_by_itself_is_built_apart_and_then_joined():
    """With all feet on the table each plate stands on its own: built three times, joined by the sides."""
    model, order, plan = planned(barge(3))
    assert [len(each.copies) for each in order.assemblies] == [3, 1] and order.facts["turns"] == 0
    plates = next(step for step in order.steps if step.attaches)
    assert sorted(each.copy for each in plates.attaches) == [0, 1, 2]
    (sides,) = (step for step in order.steps if step.number > plates.number)
    assert len(sides.adds) == 4 and all("side" in name for name in names_of(model, sides.adds))
    report = verify_plan(plan_file(plan, Settings()), model)
    assert report.ok, report.faults_text()


def test_it_is_turned_before_it_would_stand_on_its_mast():
    model, order, _ = planned(barge(4, 3, pads=True))
    at = step_of(model, order)
    last_foot = max(number for name, number in at.items() if name.startswith("foot"))
    assert all(at[f"mast {k}"] > last_foot for k in (1, 2, 3))


@pytest.mark.parametrize("plates", [2, 4])
def test_a_turn_is_weighed_against_sub_assemblies(plates):
    """Two turns of the whole cost as much as two sub-assemblies built on their heads: what a sub-assembly and
    its steps cost besides decides."""
    _, piecewise, _ = planned(barge(plates, pads=True), apart=0.0, step=0.0)
    _, whole, _ = planned(barge(plates, pads=True))
    assert (
        len(piecewise.assemblies) > 1
        and piecewise.facts["turns"] == 0
        and piecewise.facts["turned_over"] == 2
    )
    assert len(whole.assemblies) == 1 and whole.facts["turns"] == 2


@pytest.mark.parametrize("demo", [tug(), beacon(), sea_wall(parts=84)], ids=["tug", "beacon", "wall"])
def test_nothing_is_turned_that_need_not_be(demo):
    _, order, _ = planned(demo)
    assert order.facts["turns"] == 0


def test_what_lies_loose_goes_on_after_the_turn():
    """A crate that only lies on the lid: with it on, the hull may not be turned."""
    model, order, plan = planned(barge(3, cargo=True, pads=True))
    at = step_of(model, order)
    assert at["crate"] > max(number for name, number in at.items() if name.startswith("foot"))
    entry = plan_file(plan, Settings())
    assert verify_plan(entry, model)["turns"].ok
    crate = next(part.id for part in model.parts if part.source == "crate")
    turned = next(step.number for step in order.steps if np.allclose(step.up, -Z))
    steps, early = [], None
    for step in entry.steps:
        if crate in step.adds:
            rest = tuple(part for part in step.adds if part != crate)
            early = step.model_copy(update={"adds": (crate,), "move": {crate: step.move[crate]}})
            kept = {part: step.move[part] for part in rest}
            if not rest:
                continue
            step = step.model_copy(update={"adds": rest, "move": kept})
        steps.append(step)
    assert early is not None
    steps.insert(turned - 1, early)
    steps = [step.model_copy(update={"number": number}) for number, step in enumerate(steps, start=1)]
    faults = verify_plan(entry.model_copy(update={"steps": tuple(steps)}), model)["turns"].faults
    assert [fault.parts for fault in faults] == [(crate,)] * 2  # turned over, and back
    assert "would fall off" in faults[0].text


def test_loose_parts_are_those_that_nothing_grips():
    model = model_of(barge(3, cargo=True))
    measures = measure(model, Settings())
    structure = Structure.of(model, measures, find_joints(model, measures, Settings()), Settings())
    rows = {part.source: row for row, part in enumerate(model.parts)}
    assert loose_parts(structure, range(len(model.parts))) == [rows["crate"]]
    hull = [rows[name] for name in ("bottom 1", "bottom 2", "side 0 1")]
    assert loose_parts(structure, [*hull, rows["bottom 3"]]) == [rows["bottom 3"]]  # not tied yet
    assert loose_parts(structure, hull) == []


@pytest.mark.parametrize(
    ("before", "after", "home", "words"),
    [
        (Z, -Z, Z, "over"),
        (-Z, Z, Z, "upright"),
        (Z, -Y, Z, "on its back"),  # what faced away, +y, is now down
        (Z, Y, Z, "on its front"),
        (Z, X, Z, "on its left side"),  # -x is down
        (-Z, -X, Z, "on its right side"),
        (X, Z, Z, "upright"),
        (X, -X, X, "over"),
        (Z, Z, Z, "no turn"),
        (Z, np.array([0.0, np.sin(0.01), np.cos(0.01)]), Z, "no turn"),
    ],
)
def test_what_a_turn_is_called(before, after, home, words):
    assert turn_between(before, after, home) == words


def test_the_booklet_says_each_turn_once():
    """Over before the first foot; upright again at the end: each one strong line of its own."""
    _, order, plan = planned(barge(3, pads=True))
    sheets = compose(plan, Settings(), words_in("en")).sheets
    steps = {sheet.step: sheet for sheet in sheets if sheet.kind == "step"}
    said = {
        number: [block.words for block in sheet.blocks if isinstance(block, Marked) and block.mark == "turn"]
        for number, sheet in steps.items()
    }
    first = next(step.number for step in order.steps if np.allclose(step.up, -Z))
    last = order.steps[-1].number
    assert {number: lines for number, lines in said.items() if lines} == {
        first: ["First turn the build over"],
        last: ["Then set the model upright."],
    }


def test_what_is_loose_falls_out_unless_what_holds_together_cages_it():
    """A block in a frame that is shut is loose and stays in; with the lid off, or the base, it does not."""
    model = model_of(block_in_a_frame())
    measures = measure(model, Settings())
    joints = find_joints(model, measures, Settings())
    structure, motion = Structure.of(model, measures, joints, Settings()), Motion(model, measures, joints)
    rows = {part.source: row for row, part in enumerate(model.parts)}
    firm = [joint.id for joint in joints.joints if joint.kind == "stud"]
    shut = list(rows.values())
    assert loose_parts(structure, shut, firm) == [rows["captive"]]
    assert kept_together(structure, motion, shut, firm)
    for without in ("lid", "base"):
        some = [row for name, row in rows.items() if name != without]
        assert not kept_together(structure, motion, some, firm)
