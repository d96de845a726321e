"""What hands can put together is ordered: each small case planned, replayed by other means, and looked at."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from steps.features import measure
from steps.glue import choose_glue
from steps.joints import find_joints
from steps.model import Plan, Sight, Step, View
from steps.order import plan_order
from steps.pipeline import order_survey, survey
from steps.planfile import plan_file
from steps.settings import Settings
from steps.settle import settle
from steps.verify import verify_plan
from tests.joint_cases import box, placed, shift
from tests.order_cases import CASES
from tests.order_models import model_of


@cache
def planned(name: str) -> Plan:
    """The plan of a case, all but its views."""
    settings = Settings()
    model = model_of(CASES[name]())
    measures = measure(model, settings)
    joints = find_joints(model, measures, settings)
    order = plan_order(model, measures, joints, settings)
    gluing = choose_glue(model, measures, joints, order, settings)
    work = settle(model, measures, joints, order, gluing, settings)
    sights = tuple(Sight(step.number, View(0.7, 0.6), {}) for step in order.steps)
    return Plan(model, measures, joints, order, gluing, work, sights)


def brought(plan: Plan, step: Step) -> set[str]:
    """Names of the parts that a step adds by themselves."""
    return {plan.model.part_by_id[part].source for part in step.adds}


def step_with(plan: Plan, name: str) -> Step:
    return next(step for step in plan.order.steps if name in brought(plan, step))


def group_with(plan: Plan, name: str) -> set[str]:
    """Part names of the smallest assembly that holds the named part."""
    sets = [
        {plan.model.part_by_id[part].source for part in copy}
        for assembly in plan.order.assemblies
        for copy in assembly.copies
    ]
    return min((each for each in sets if name in each), key=len)


@pytest.mark.parametrize("name", CASES)
def test_every_case_is_planned_and_replays(name: str) -> None:
    """No error, no doubtful step; moves, holds, standing and bookkeeping by the verifier's own means."""
    plan = planned(name)
    assert [problem.text for problem in plan.problems if problem.severity == "error"] == []
    assert not any(step.doubtful for step in plan.order.steps)
    report = verify_plan(plan_file(plan, Settings()), plan.model)
    assert report.ok, report.faults_text()
    assert report["parts once"].looked_at == len(plan.model.parts)


def test_a_part_that_needs_its_carrier_goes_in_with_it() -> None:
    """The lantern and the top of the arch; each head of the opening and its lintel: built on their heads."""
    for case, name, pair in (
        ("hung under an arch", "lantern", {"lantern", "top"}),
        ("hung over an opening", "head 0", {"head 0", "lintel l"}),
    ):
        plan = planned(case)
        assert group_with(plan, name) == pair
        assert np.allclose(step_with(plan, name).up, [0, 0, -1])
        assert not any(work.hold for work in plan.work.steps)


def test_bodies_that_stand_alike_are_copies() -> None:
    """Both piers of the arch, both halves of the timber frame: built twice and set down, then joined."""
    for case, count in (("hung under an arch", 3), ("square tenons", 2)):
        copies = [each.copies for each in planned(case).order.assemblies if len(each.copies) == 2]
        assert [len(each[0]) for each in copies] == [count]


def test_interlocked_halves_are_slid_together_first() -> None:
    plan = planned("halves that slide")
    assert group_with(plan, "left half") == {"left half", "right half"}
    second = max(step_with(plan, f"{side} half").number for side in ("left", "right"))
    step = plan.order.steps[second - 1]
    (move,) = step.moves.values()
    assert abs(move.legs[0][1]) == pytest.approx(1.0)


def test_cars_slide_in_before_the_stops_close_the_rail() -> None:
    plan = planned("cars in a rail")
    for name in ("car 1", "car 2"):
        step = step_with(plan, name)
        part = next(part for part in step.adds if plan.model.part_by_id[part].source == name)
        assert abs(step.moves[part].legs[0][0]) == pytest.approx(1.0)
        assert step.number < max(step_with(plan, f"stop {side}").number for side in ("left", "right"))


def test_a_wheel_is_held_until_its_axle_is_in() -> None:
    """Neither goes in with the other on it, so a hand holds the wheel while the axle is pushed through."""
    plan = planned("wheel on an axle")
    step = step_with(plan, "wheel")
    assert [plan.model.part_by_id[part].source for part in step.adds] == ["wheel", "axle"]
    held = {plan.model.part_by_id[part].source for part in plan.work.step_by_number[step.number].hold}
    assert "wheel" in held and "frame" not in held


def test_what_is_shut_in_goes_in_before_it_is_shut_and_is_never_glued() -> None:
    plan = planned("block in a frame")
    assert step_with(plan, "captive").number < step_with(plan, "lid").number
    captive = next(part.id for part in plan.model.parts if part.source == "captive")
    marks = {plan.gluing.marks[joint.id] for joint in plan.joints.of_part[captive]}
    assert marks == {"free"}
    cars = planned("cars in a rail")
    loose = [part.id for part in cars.model.parts if part.source.startswith("car")]
    assert {cars.gluing.marks[joint.id] for car in loose for joint in cars.joints.of_part[car]} == {"free"}


def test_separate_things_are_built_one_after_the_other_and_told() -> None:
    plan = planned("two things on one table")
    assert [problem.severity for problem in plan.problems if problem.code == "separate-things"] == ["note"]
    assert not any(step.attaches for step in plan.order.steps)
    assemblies = [step.assembly for step in plan.order.steps]
    assert assemblies == sorted(assemblies) and len(set(assemblies)) == 2


def test_a_turn_brings_home_what_is_locked_by_a_turn() -> None:
    """The bayonet's key goes straight down and is turned by about a quarter: its lugs lie under the rim."""
    plan = planned("bayonet")
    step = step_with(plan, "key")
    (move,) = step.moves.values()
    assert move.turn is not None and np.allclose(move.legs[-1] / np.linalg.norm(move.legs[-1]), [0, 0, -1])
    assert np.allclose(np.abs(move.turn.axis), [0, 0, 1]) and 60 <= abs(move.turn.degrees) <= 120
    assert np.allclose(move.turn.point[:2], [20, 20], atol=0.5)


def test_what_comes_apart_from_both_ends_is_built_from_the_table_up() -> None:
    """No block of the dovetail tower is held in the air for the one below it."""
    plan = planned("dovetail tower")
    assert [sorted(brought(plan, step)) for step in plan.order.steps] == [[f"block {k}"] for k in range(1, 5)]


def test_what_goes_through_comes_after_what_it_goes_through() -> None:
    """A step's parts go in before its sub-assemblies: the last axle has a step of its own after the body."""
    plan = planned("cart")
    last = plan.order.steps[-1]
    assert len(brought(plan, last)) == 1 and not last.attaches
    (name,) = brought(plan, last)
    assert name.startswith("axle") and plan.order.steps[-2].attaches


def test_the_gap_of_a_slanted_bore_is_that_of_its_circle() -> None:
    """Where a bore was cut askew, corners lie on chords of its facets, and the face round its mouth ends on
    them: neither is nearer than the circle."""
    gaps = [joint.gap_mm for joint in planned("splayed stool").joints.joints]
    assert gaps == pytest.approx([0.15] * 3, abs=1e-3)


def test_what_is_threaded_goes_on_from_above_and_the_whole_is_laid_flat_when_it_is_shut() -> None:
    """Beads would fall off rods that are laid down with an end open."""
    plan = planned("abacus")
    assert np.allclose(plan.order.up, [0, 0, 1]) and plan.order.facts["turns"] == 1
    assert all(abs(step.up[0]) == pytest.approx(1.0) for step in plan.order.steps)
    told = plan_file(plan, Settings())
    rest = tuple(each for each in told.problems if each.code != "kept-in")
    check = verify_plan(told.model_copy(update={"problems": rest}), plan.model)["turns"]
    assert len(check.faults) == 12  # a plan that does not say what keeps the beads in lets them fall


def test_what_only_glue_joins_goes_in_several_a_step_each_beside_the_last() -> None:
    """Sixteen plain boxes in a row: no step but the first and the last has fewer than another."""
    one = box((0, 0, 0), (20, 20, 12))
    found = survey(placed([(one, shift(20 * row, 0, 0)) for row in range(16)]), Settings())
    assert found.joints is not None
    steps = order_survey(found.model, found.measures, found.joints, Settings()).steps
    counts = [len(step.adds) for step in steps]
    assert sum(counts) == 16 and 1 < min(counts[1:-1]) == max(counts)
    stands: set[int] = set()
    for row in (int(name[1:]) for step in steps for name in step.adds):
        assert not stands or {row - 1, row + 1} & stands
        stands.add(row)
