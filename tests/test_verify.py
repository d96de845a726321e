"""verify finds what is wrong with a plan, and nothing wrong with a good one."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache
from types import SimpleNamespace

import fcl
import manifold3d
import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_model import beacon as beacon_module
from demo_model.scene import DemoModel, Placed, shift
from demo_model.seawall import sea_wall
from demo_model.solids import Bulk
from demo_model.write import write_3mf
from steps.features import measure
from steps.joints import find_joints
from steps.model import Model, Shape
from steps.pipeline import plan_survey, survey
from steps.planfile import (
    AdhesiveEntry,
    AssemblyEntry,
    AttachEntry,
    BondEntry,
    JointEntry,
    PlanFile,
    TouchEntry,
    plan_file,
)
from steps.settings import Settings
from steps.verify import verify_plan
from steps.verify.contract import one_motion_apart
from steps.verify.motion import TOLERANCE_PITCHES, Mover, way_out
from steps.verify.report import Check, Report
from steps.verify.solids import Solids, bvh, crease_edges, placed, thinned, walls, welded
from steps.verify.standing import centre_of, inside
from tests.hand_made import DOWN, joint_entries, model_of, plan_of
from tests.known_geometry import known_geometry  # noqa: F401

#: Steps of the beacon, as rows of its parts: plinth, tower, gallery, rails, lamp, roof.
BEACON_STEPS = [[0, 1], [2, 3], [4], [5], [6], [7], [8, 9], [10], [11]]


@cache
def beacon() -> DemoModel:
    return beacon_module.beacon()


@pytest.fixture(scope="module")
def model() -> Model:
    return model_of(beacon())


@pytest.fixture
def plan() -> PlanFile:
    return plan_of(beacon(), BEACON_STEPS)


def with_step(plan: PlanFile, number: int, **changes: object) -> PlanFile:
    """The plan with one step changed."""
    steps = list(plan.steps)
    steps[number - 1] = steps[number - 1].model_copy(update=changes)
    return plan.model_copy(update={"steps": tuple(steps)})


def failed(plan: PlanFile, model: Model) -> set[str]:
    """Names of the checks that find something wrong."""
    return {check.name for check in verify_plan(plan, model).checks if check.faults}


# ------------------------------------------------------------------------- whole plans


def test_a_good_plan_passes_every_check(plan: PlanFile, model: Model) -> None:
    report = verify_plan(plan, model)
    assert report.ok, report.faults_text()
    assert report["moves free"].looked_at == len(model.parts)
    assert report["joints once"].looked_at == len(plan.joints) > 10


def test_two_steps_swapped(plan: PlanFile, model: Model) -> None:
    steps = list(plan.steps)
    one, two = steps[4], steps[5]  # the tower's top and the gallery on it
    steps[4] = two.model_copy(update={"number": one.number})
    steps[5] = one.model_copy(update={"number": two.number})
    wrong = failed(plan.model_copy(update={"steps": tuple(steps)}), model)
    # the gallery hangs in the air, the tower's top cannot pass it, and joints close too early
    assert {"touches the build", "moves free", "joints once"} <= wrong


def test_steps_out_of_order_by_number(plan: PlanFile, model: Model) -> None:
    steps = (plan.steps[1], plan.steps[0], *plan.steps[2:])
    assert "contract" in failed(plan.model_copy(update={"steps": steps}), model)


def test_a_part_missing(plan: PlanFile, model: Model) -> None:
    roof = plan.steps[-1]
    shorter = with_step(plan, roof.number, adds=("P11",), move={"P11": DOWN})
    report = verify_plan(shorter, model)
    assert {"parts once", "complete"} <= failed(shorter, model)
    assert any("P12" in fault.parts for fault in report["parts once"].faults)


def test_a_part_added_twice(plan: PlanFile, model: Model) -> None:
    again = with_step(plan, 9, adds=("P11", "P12"), move={"P11": DOWN, "P12": DOWN})
    assert "parts once" in failed(again, model)


def test_a_step_left_out(plan: PlanFile, model: Model) -> None:
    steps = tuple(
        step.model_copy(update={"number": number})
        for number, step in enumerate(plan.steps[:3] + plan.steps[4:], start=1)
    )
    wrong = failed(plan.model_copy(update={"steps": steps}), model)
    assert {"parts once", "joints once", "complete", "touches the build"} <= wrong


@pytest.mark.parametrize("row", range(2, 12))
def test_a_direction_reversed(plan: PlanFile, model: Model, row: int) -> None:
    number = next(n for n, rows in enumerate(BEACON_STEPS, start=1) if row in rows)
    name = f"P{row + 1}"
    move = {**plan.steps[number - 1].move, name: (0.0, 0.0, 1.0)}
    report = verify_plan(with_step(plan, number, move=move), model)
    assert any(fault.step == number and name in fault.parts for fault in report["moves free"].faults)
    assert any(fault.step == number for fault in report["above the table"].faults)


@pytest.mark.parametrize("sideways", [(1.0, 0.0, 0.0), (0.0, -1.0, 0.0), (0.8, 0.0, -0.6)])
def test_a_move_across_studs(plan: PlanFile, model: Model, sideways: tuple[float, ...]) -> None:
    report = verify_plan(with_step(plan, 6, move={"P8": sideways}), model)
    assert [fault.parts for fault in report["moves free"].faults] == [("P8", "P7")]


def test_a_joint_closed_twice(plan: PlanFile, model: Model) -> None:
    again = with_step(plan, 9, closes=(*plan.steps[8].closes, plan.steps[3].closes[0]))
    assert failed(again, model) == {"joints once"}


def test_a_joint_never_closed(plan: PlanFile, model: Model) -> None:
    assert failed(with_step(plan, 6, closes=()), model) == {"joints once"}


def test_a_joint_closed_too_late(plan: PlanFile, model: Model) -> None:
    late = with_step(plan, 4, closes=())
    late = with_step(late, 5, closes=(*plan.steps[4].closes, *plan.steps[3].closes))
    report = verify_plan(late, model)
    assert [fault.step for fault in report["joints once"].faults] == [5]


def test_a_part_out_of_place(plan: PlanFile, model: Model) -> None:
    moved = [list(row) for row in plan.parts[4].pose]
    moved[0][3] += 0.002
    part = plan.parts[4].model_copy(update={"pose": tuple(map(tuple, moved))})
    wrong = plan.model_copy(update={"parts": (*plan.parts[:4], part, *plan.parts[5:])})
    assert failed(wrong, model) == {"same model"}


def test_a_joint_between_parts_that_do_not_touch(plan: PlanFile, model: Model) -> None:
    joint = plan.joints[-1].model_copy(update={"a": "P1", "b": "P12"})
    wrong = failed(plan.model_copy(update={"joints": (*plan.joints[:-1], joint)}), model)
    assert "joints touch" in wrong


def test_waiting_longer_than_one_step(model: Model) -> None:
    # the four plinth stones one a step: the first two are joined only in the third step
    slow = plan_of(beacon(), [[row] for row in range(12)])
    report = verify_plan(slow, model)
    assert [(fault.step, fault.parts) for fault in report["connected"].faults] == []
    slower = plan_of(beacon(), [[0], [1], [3], [2], *([row] for row in range(4, 12))])
    assert verify_plan(slower, model).ok
    apart = plan_of(beacon(), [[0], [1], [2, 3], *([row] for row in range(4, 12))])
    assert verify_plan(apart, model).ok


def test_toppling_is_found_and_a_hand_mends_it() -> None:
    block = _box("block", 10.0, 10.0, 10.0)
    beam = _box("beam", 40.0, 10.0, 10.0)
    parts = (
        Placed("post", "block", "#000000", shift(0, 0, 0)),
        Placed("beam", "beam", "#000000", shift(0, 0, 10)),
    )
    demo = DemoModel("gallows", {"block": block, "beam": beam}, parts, (("post", "beam", "stud", 1),))
    wrong, model = plan_of(demo), model_of(demo)
    assert failed(wrong, model) == {"stands"}
    held = with_step(wrong, 2, hold=("P2",))
    assert verify_plan(held, model).ok


def test_loose_groups_may_wait_one_step_and_no_longer() -> None:
    block, beam = _box("block", 10.0, 10.0, 10.0), _box("beam", 30.0, 10.0, 10.0)
    parts = (
        Placed("left", "block", "#000000", shift(0, 0, 0)),
        Placed("right", "block", "#000000", shift(20, 0, 0)),
        Placed("beam", "beam", "#000000", shift(0, 0, 10)),
        Placed("top", "block", "#000000", shift(0, 0, 20)),
    )
    known = (
        ("left", "beam", "stud", 1),
        ("right", "beam", "stud", 1),
        ("beam", "top", "stud", 1),
    )
    demo = DemoModel("gate", {"block": block, "beam": beam}, parts, known)
    assert verify_plan(plan_of(demo, [[0, 1], [2], [3]]), model_of(demo)).ok
    assert verify_plan(plan_of(demo, [[0], [1], [2], [3]]), model_of(demo)).ok
    far = DemoModel(
        "two gates",
        demo.solids,
        (
            *parts,
            Placed("other", "block", "#000000", shift(0, 50, 0)),
            Placed("stone", "block", "#000000", shift(0, 60, 0)),
        ),
        (*known, ("other", "stone", "stud", 1)),
    )
    report = verify_plan(plan_of(far, [[0, 1], [4], [5], [2], [3]]), model_of(far))
    assert [fault.step for fault in report["connected"].faults][:2] == [2, 3]


# -------------------------------------------------------------------------- glue and form


def glued(plan: PlanFile, number: int, **changes: object) -> PlanFile:
    """The plan with the first joint of a step glued there with two drops of instant glue (the book: 12 s
    open, 5 min, 24 h; a drop 0.0057 mL)."""
    name = plan.steps[number - 1].closes[0]
    joints = tuple(j.model_copy(update=_bonded(j)) if j.id == name else j for j in plan.joints)
    values = {"glues": (name,), "sitting": 1, "by": "adult", "wait_min": 5.0, **changes}
    glue = AdhesiveEntry(
        family="cyanoacrylate",
        volume_ml=0.0114,
        drop_ml=0.0057,
        open_min=0.2,
        fixture_min=5.0,
        cure_min=1440.0,
        lift_min=1440.0,
    )
    return with_step(plan.model_copy(update={"joints": joints, "adhesive": glue}), number, **values)


def _bonded(joint: JointEntry) -> dict[str, object]:
    face = BondEntry.model_validate(
        {"kind": "rest", "from": joint.a, "area_mm2": 80.0, "gap_mm": 0.0, "outline": ()}
    )
    return {"mark": "glue", "drops": 2, "bonds": (face,)}


def test_a_glued_step_is_good_when_an_adult_does_it(plan: PlanFile, model: Model) -> None:
    assert verify_plan(glued(plan, 5), model).ok
    assert failed(glued(plan, 5, by="child"), model) == {"contract", "glue in time"}
    assert failed(glued(plan, 5, by="helper"), model) == {"glue in time"}
    assert failed(glued(plan, 5, sitting=None), model) == {"contract"}


def test_what_moves_is_never_glued(plan: PlanFile, model: Model) -> None:
    wrong = glued(plan, 5)
    joints = tuple(j.model_copy(update={"moves": j.mark == "glue"}) for j in wrong.joints)
    assert failed(wrong.model_copy(update={"joints": joints}), model) == {"contract"}


def test_glue_is_cured_before_it_is_needed(plan: PlanFile, model: Model) -> None:
    wanted = glued(plan, 5)
    name = wanted.steps[4].glues[0]
    assert verify_plan(with_step(wanted, 7, needs_cured=(name,), lags_min=(5.0,)), model).ok
    assert failed(with_step(wanted, 4, needs_cured=(name,), lags_min=(5.0,)), model) == {"contract"}
    assert failed(with_step(wanted, 7, needs_cured=(name,), lags_min=(4.9,)), model) == {"glue in time"}
    assert failed(with_step(wanted, 7, needs_cured=(name,)), model) == {"glue in time"}


def test_marks_and_steps_agree(plan: PlanFile, model: Model) -> None:
    name = plan.steps[4].closes[0]
    unmarked = with_step(plan, 5, glues=(name,), sitting=1, by="adult")
    assert failed(unmarked, model) == {"contract", "glued once"}
    joints = tuple(j.model_copy(update={"mark": "glue"}) if j.id == name else j for j in plan.joints)
    assert failed(plan.model_copy(update={"joints": joints}), model) == {"glued once", "glue bonds"}


@pytest.mark.parametrize(
    "change",
    [
        lambda plan: with_step(plan, 3, up=(0.0, 0.0, 2.0)),
        lambda plan: with_step(plan, 3, move={"P5": (0.0, 0.0, -3.0)}),
        lambda plan: with_step(plan, 3, closes=("J999",)),
        lambda plan: with_step(plan, 3, hold=("P999",)),
        lambda plan: with_step(plan, 3, assembly="A9"),
        lambda plan: with_step(plan, 3, adds=(), move={}),
        lambda plan: plan.model_copy(update={"parts": (*plan.parts, plan.parts[0])}),
        lambda plan: plan.model_copy(update={"joints": (*plan.joints, plan.joints[0])}),
    ],
)
def test_breaches_of_the_contract(
    plan: PlanFile, model: Model, change: Callable[[PlanFile], PlanFile]
) -> None:
    report = verify_plan(change(plan), model)
    assert report["contract"].faults
    assert not report.ok


def test_a_plan_of_another_model(plan: PlanFile) -> None:
    other = DemoModel("other", beacon().solids, beacon().placed[:-1])
    report = verify_plan(plan, model_of(other))
    assert report["same model"].faults
    assert report["moves free"].skipped


# ------------------------------------------------------------------------- sub-assemblies


def twin_towers() -> tuple[DemoModel, PlanFile]:
    """Two equal towers of two blocks, built twice as a sub-assembly, set on one base."""
    base, block = _box("base", 60.0, 20.0, 5.0), _box("block", 10.0, 10.0, 10.0)
    parts = [Placed("base", "base", "#111111", shift(0, 0, 0))]
    for side, x in (("left", 5), ("right", 45)):
        parts += [
            Placed(f"{side} low", "block", "#222222", shift(x, 5, 5)),
            Placed(f"{side} high", "block", "#333333", shift(x, 5, 15)),
        ]
    known = (
        ("base", "left low", "stud", 1),
        ("left low", "left high", "stud", 1),
        ("base", "right low", "stud", 1),
        ("right low", "right high", "stud", 1),
    )
    demo = DemoModel("twins", {"base": base, "block": block}, tuple(parts), known)
    flat = plan_of(demo)
    tower = with_step(flat, 1, adds=("P2", "P3"), move={"P2": DOWN, "P3": DOWN}, closes=("J2",))
    first = tower.steps[0].model_copy(update={"assembly": "A2"})
    second = flat.steps[0].model_copy(
        update={
            "number": 2,
            "closes": ("J1", "J3"),
            "attaches": tuple(AttachEntry(assembly="A2", copy_number=n, move=DOWN) for n in (0, 1)),
        }
    )
    assemblies = (
        AssemblyEntry(id="A2", name="tower", copies=(("P2", "P3"), ("P4", "P5"))),
        flat.assemblies[0],
    )
    return demo, flat.model_copy(update={"steps": (first, second), "assemblies": assemblies})


def test_copies_are_replayed_by_correspondence() -> None:
    demo, plan = twin_towers()
    report = verify_plan(plan, model_of(demo))
    assert report.ok, report.faults_text()
    assert report["copies alike"].looked_at == 3


def test_a_copy_with_its_parts_in_another_order() -> None:
    demo, plan = twin_towers()
    mixed = AssemblyEntry(id="A2", name="tower", copies=(("P2", "P3"), ("P5", "P4")))
    wrong = plan.model_copy(update={"assemblies": (mixed, plan.assemblies[1])})
    assert failed(wrong, model_of(demo)) == {"copies alike"}


def test_a_copy_never_attached_and_one_attached_twice() -> None:
    demo, plan = twin_towers()
    attaches = plan.steps[1].attaches
    twice = with_step(plan, 2, attaches=(attaches[0], attaches[0]))
    faults = verify_plan(twice, model_of(demo))["parts once"].faults
    assert {fault.text for fault in faults} >= {
        "A2 copy 0 is attached twice",
        "A2 copy 1 is attached never",
    }


def test_attached_before_it_is_finished() -> None:
    demo, plan = twin_towers()
    steps = (
        plan.steps[1].model_copy(update={"number": 1}),
        plan.steps[0].model_copy(update={"number": 2}),
    )
    report = verify_plan(plan.model_copy(update={"steps": steps}), model_of(demo))
    assert any("before it is finished" in fault.text for fault in report["parts once"].faults)
    assert report["complete"].faults  # the plan's last step does not belong to the whole model


def test_copies_of_symmetric_solids_match_in_any_of_their_poses() -> None:
    block = _box("block", 10.0, 10.0, 10.0)
    half_turn = shift(60, 10, 0) @ np.diag([-1.0, -1.0, 1.0, 1.0])  # fills x 50..60, y 0..10
    parts = (
        Placed("a", "block", "#000000", shift(0, 0, 0)),
        Placed("b", "block", "#000000", shift(0, 0, 10)),
        Placed("c", "block", "#000000", half_turn),
        Placed("d", "block", "#000000", shift(50, 0, 10)),
        Placed("e", "block", "#000000", shift(50, 1, 10)),
    )
    model = model_of(DemoModel("pairs", {"block": block}, parts))
    assert one_motion_apart(model, ("P1", "P2"), ("P3", "P4"))
    assert not one_motion_apart(model, ("P1", "P2"), ("P3", "P5"))


# --------------------------------------------------------------------- moves, geometrically


def _box(name: str, x: float, y: float, z: float) -> Bulk:
    mesh = trimesh.creation.box(bounds=[[0, 0, 0], [x, y, z]])
    return Bulk(name, np.array(mesh.vertices), np.array(mesh.faces))


def _two_boxes(offset: np.ndarray, one: np.ndarray, two: np.ndarray) -> Model:
    solids = {"one": _box("one", *one), "two": _box("two", *two)}
    parts = (
        Placed("one", "one", "#000000", shift(*offset)),
        Placed("two", "two", "#000000", shift(0, 0, 0)),
    )
    return model_of(DemoModel("boxes", solids, parts))


def _boxes_meet(offset: np.ndarray, one: np.ndarray, two: np.ndarray, way: np.ndarray) -> bool:
    """Whether box ``one`` at ``offset``, moving along ``way`` for ever, comes to overlap box ``two``.

    Closed form: they overlap at time t when on every axis -one < offset + t way < two.
    """
    start, end = 0.0, np.inf
    for at, low, high, speed in zip(offset, -one, two, way, strict=True):
        if abs(speed) < 1e-12:
            if not low < at < high:
                return False
            continue
        times = sorted(((low - at) / speed, (high - at) / speed))
        start, end = max(start, times[0]), min(end, times[1])
    return end > start


unit_vectors = st.tuples(*[st.floats(-1, 1)] * 3).map(np.array).filter(lambda v: np.linalg.norm(v) > 0.2)
sides = st.tuples(*[st.floats(2, 30)] * 3).map(np.array)
offsets = st.tuples(*[st.floats(-50, 50)] * 3).map(np.array)


@settings(max_examples=150, deadline=None, derandomize=True)
@given(offsets, sides, sides, unit_vectors)
def test_sweeps_agree_with_the_closed_form_for_boxes(
    offset: np.ndarray, one: np.ndarray, two: np.ndarray, way: np.ndarray
) -> None:
    way = way / np.linalg.norm(way)
    tolerance = 0.2
    # where growing or shrinking the boxes by the tolerance changes the answer, either will do
    wide = _boxes_meet(offset, one, two, way)
    narrow = _boxes_meet(offset + tolerance, one - 2 * tolerance, two, way)
    if wide != narrow:
        return
    model = _two_boxes(offset, one, two)
    found = Mover.of(model, (), tolerance).blockers(["P1"], ["P2"], tuple(-way))
    assert bool(found) == wide


def test_a_small_part_within_the_shadow_of_a_large_one_is_hit() -> None:
    model = _two_boxes(np.array([0.0, 0, 30]), np.array([30.0, 30, 5]), np.array([1.0, 1, 1]) * 3)
    assert Mover.of(model, (), 0.4).blockers(["P1"], ["P2"], (0.0, 0.0, 1.0)) == ("P2",)
    assert Mover.of(model, (), 0.4).blockers(["P1"], ["P2"], (0.0, 0.0, -1.0)) == ()


def test_equal_shadows_are_hit() -> None:
    side = np.array([10.0, 10, 10])
    model = _two_boxes(np.array([0.0, 0, 40]), side, side)
    assert Mover.of(model, (), 0.4).blockers(["P1"], ["P2"], (0.0, 0.0, 1.0)) == ("P2",)


@pytest.mark.parametrize(("overlap", "free"), [(0.0, True), (0.3, True), (0.5, False)])
def test_overlaps_up_to_the_tolerance_are_ignored(overlap: float, free: bool) -> None:
    # sliding down past a wall that stands in the way by ``overlap``
    model = _two_boxes(np.array([10.0 - overlap, 0, 0]), np.array([5.0, 5, 5]), np.array([10.0, 5, 40]))
    assert (Mover.of(model, (), 0.4).blockers(["P1"], ["P2"], DOWN) == ()) is free


def test_a_snap_lets_its_own_pair_through() -> None:
    model = _two_boxes(np.array([9.0, 0, 0]), np.array([5.0, 5, 5]), np.array([10.0, 5, 40]))
    demo = DemoModel(
        "snap",
        {"one": _box("one", 5, 5, 5), "two": _box("two", 10, 5, 40)},
        (
            Placed("one", "one", "#000000", shift(9, 0, 0)),
            Placed("two", "two", "#000000", shift(0, 0, 0)),
        ),
        (("one", "two", "ball", 1),),
    )
    joint = joint_entries(demo, model)[0]
    assert Mover.of(model, (joint,), 0.4).blockers(["P1"], ["P2"], DOWN) == ("P2",)
    snap = joint.model_copy(update={"snap_mm": 0.7})
    assert Mover.of(model, (snap,), 0.4).blockers(["P1"], ["P2"], DOWN) == ()
    small = joint.model_copy(update={"snap_mm": 0.3})
    assert Mover.of(model, (small,), 0.4).blockers(["P1"], ["P2"], DOWN) == ("P2",)


def test_a_move_of_two_legs_goes_round_a_corner() -> None:
    # a box under a lip: down beside the lip, then sideways under it
    solids = {
        "floor": _box("floor", 40, 10, 2),
        "wall": _box("wall", 2, 10, 20),
        "lip": _box("lip", 12, 10, 2),
        "box": _box("box", 9, 9, 9),
    }
    parts = (
        Placed("floor", "floor", "#000000", shift(0, 0, 0)),
        Placed("wall", "wall", "#000000", shift(0, 0, 2)),
        Placed("lip", "lip", "#000000", shift(2, 0, 20)),
        Placed("box", "box", "#000000", shift(3, 0, 2)),
    )
    model = model_of(DemoModel("lip", solids, parts))
    mover, others = Mover.of(model, (), 0.4), ["P1", "P2", "P3"]
    assert mover.blockers(["P4"], others, DOWN) == ("P3",)
    assert mover.blockers(["P4"], others, ((0.0, 0.0, -30.0), (-12.0, 0.0, 0.0))) == ()
    assert mover.blockers(["P4"], others, ((0.0, 0.0, -30.0), (-5.0, 0.0, 0.0))) == ("P3",)
    assert mover.blockers(["P4"], others, ((0.0, 0.0, -30.0), (12.0, 0.0, 0.0))) == ("P2",)


def test_way_out_retraces_the_legs() -> None:
    legs = way_out(((0.0, 0.0, -5.0), (-3.0, 0.0, 0.0)), 100.0)
    assert [tuple(leg.start) for leg in legs] == [(0, 0, 0), (3, 0, 0)]
    assert [tuple(leg.end) for leg in legs] == [(3, 0, 0), (3, 0, 100)]


# ------------------------------------------------------------------------------ the parts of it


def test_thinning_moves_every_face_by_the_same_amount() -> None:
    mesh = trimesh.creation.box(extents=[10, 8, 6])
    shape = Shape("S1", mesh.vertices, mesh.faces, True)
    thin = thinned(welded(shape), 0.25)
    extents = thin.vertices.max(axis=0) - thin.vertices.min(axis=0)
    assert extents == pytest.approx([9.5, 7.5, 5.5], abs=0.005)


def test_thinning_a_tube_widens_its_bore() -> None:
    mesh = trimesh.creation.annulus(r_min=3.0, r_max=5.0, height=8.0, sections=48)
    shape = Shape("S1", mesh.vertices, mesh.faces, True)
    radii = np.linalg.norm(thinned(welded(shape), 0.2).vertices[:, :2], axis=1)
    assert radii.min() == pytest.approx(3.2, abs=0.005)
    assert radii.max() == pytest.approx(4.8, abs=0.005)


def test_a_thin_wall_keeps_its_sides_when_it_is_thinned() -> None:
    """A cup with a wall of 1, in a model whose parts may overlap by 4: no side comes past the other."""
    cup = trimesh.creation.annulus(r_min=19.0, r_max=20.0, height=30.0, sections=64)
    shape = Shape("S1", cup.vertices, cup.faces, True)
    model = SimpleNamespace(shape_by_id={"S1": shape})
    surface, _ = Solids(model, 4.0)._thin_surface("S1", 0.6, 0.0)
    radii = np.linalg.norm(surface.vertices[:, :2], axis=1)
    assert 19.25 <= radii.min() < 19.4 < 19.6 < radii.max() <= 19.75
    assert walls(welded(shape)).min() == pytest.approx(1.0, abs=0.02)  # facets


def test_a_thin_wall_keeps_its_sides_where_a_face_of_it_stands_before_a_thick_one_as_well() -> None:
    """A fin of 1 on a block, flush with its side: what stands beside the fin is not met by it."""
    block, fin = (manifold3d.Manifold.cube(size) for size in ((100.0, 60.0, 40.0), (100.0, 1.0, 50.0)))
    made = (block + fin).to_mesh()
    shape = Shape("S1", np.asarray(made.vert_properties[:, :3], dtype=float), made.tri_verts, True)
    surface, _ = Solids(SimpleNamespace(shape_by_id={"S1": shape}), 4.0)._thin_surface("S1", 0.6, 0.0)
    top = surface.vertices[surface.vertices[:, 2] > 45.0]
    assert len(top) == 4 and 0.0 < top[:, 1].min() < 0.5 < top[:, 1].max() < 1.0


def test_a_ring_cut_by_long_chords_does_not_cover_its_hole_when_it_is_thinned() -> None:
    """Its volume is that of the thinner ring, and every face stands on its own side of the wall."""
    outer, inner = (
        manifold3d.Manifold.cylinder(10.0, radius, circular_segments=48) for radius in (32.0, 27.5)
    )
    made = (outer - inner).to_mesh()
    shape = Shape(
        "S1", np.asarray(made.vert_properties[:, :3], dtype=float), np.asarray(made.tri_verts), True
    )
    solids = Solids(SimpleNamespace(shape_by_id={"S1": shape}), 1.75)  # type: ignore[arg-type]
    surface, edges = solids._thin_surface("S1", 0.6, 0.0)
    folded = thinned(solids.smooth("S1"), 0.6 * 1.75)
    assert (np.einsum("ij,ij->i", folded.normals, solids.smooth("S1").normals) < 0).any()
    area = 24 * np.sin(2 * np.pi / 48)  # of a regular figure of 48 sides, in squares of its radius
    high = 10.0 - 2 * 0.6 * 1.75
    radii = np.linalg.norm(surface.vertices[:, :2], axis=1)
    ring = area * (radii.max() ** 2 - radii.min() ** 2)
    assert trimesh.Trimesh(surface.vertices, surface.faces).volume == pytest.approx(ring * high, rel=1e-3)
    level = np.abs(surface.normals[:, 2]) > 0.9 * np.linalg.norm(surface.normals, axis=1)
    assert np.linalg.norm(surface.normals[level], axis=1).sum() / 2 == pytest.approx(2 * ring, rel=1e-3)
    assert len(edges) == 4 * 48 + 2 * 48


def test_thinning_does_not_depend_on_the_winding() -> None:
    mesh = trimesh.creation.box(extents=[10, 8, 6])
    inside_out = Shape("S1", mesh.vertices, mesh.faces[:, ::-1], True)
    assert np.ptp(thinned(welded(inside_out), 0.25).vertices[:, 0]) == pytest.approx(9.5, abs=0.005)


def test_a_box_has_twelve_creases_however_it_is_cut() -> None:
    mesh = trimesh.creation.box(extents=[10, 8, 6]).subdivide()
    surface = welded(Shape("S1", mesh.vertices, mesh.faces, True))
    edges = surface.vertices[crease_edges(surface)]
    assert np.linalg.norm(edges[:, 1] - edges[:, 0], axis=1).sum() == pytest.approx(4 * (10 + 8 + 6))


def test_welding_joins_unmerged_corners() -> None:
    mesh = trimesh.creation.box(extents=[10, 8, 6])
    corners = mesh.vertices[mesh.faces].reshape(-1, 3)
    surface = welded(Shape("S1", corners, np.arange(36).reshape(12, 3), True))
    assert len(surface.vertices) == 8


def test_fcl_is_handed_the_right_place() -> None:
    mesh = trimesh.creation.box(extents=[2, 2, 2])
    surface = welded(Shape("S1", mesh.vertices, mesh.faces, True))
    pose = shift(10, 0, 0)
    result = fcl.DistanceResult()
    found = fcl.distance(
        placed(bvh(surface), pose), placed(bvh(surface), np.eye(4)), fcl.DistanceRequest(), result
    )
    assert found == pytest.approx(8.0, abs=1e-6)


def test_centre_of_volume_against_trimesh() -> None:
    mesh = trimesh.creation.cone(radius=3, height=8)
    assert centre_of(mesh.vertices, mesh.faces) == pytest.approx(mesh.center_mass, abs=1e-9)


def test_inside_a_support_polygon() -> None:
    square = np.array([[0.0, 0], [4, 0], [4, 4], [0, 4]])
    assert inside(np.array([1.0, 1.0]), square, 0.5)
    assert not inside(np.array([0.3, 1.0]), square, 0.5)
    assert not inside(np.array([5.0, 1.0]), square, 0.0)
    assert not inside(np.array([1.0, 0.0]), square[:2], 0.0)  # an edge carries nothing


# ------------------------------------------------------------------------- standing and pressing


def _overhang(hold_n: float, push_n: float = 0.0) -> tuple[PlanFile, Model]:
    """A foot of 80 mm, a beam of 80 mm on its last 20, and a block over them. As one body it stands (centre
    at 70 of 80 mm); the beam by itself tips unless its joint holds it."""
    solids = {
        "foot": _box("foot", 80.0, 20.0, 10.0),
        "beam": _box("beam", 80.0, 20.0, 10.0),
        "block": _box("block", 20.0, 20.0, 10.0),
    }
    parts = (
        Placed("foot", "foot", "#000000", shift(0, 0, 0)),
        Placed("beam", "beam", "#000000", shift(60, 0, 10)),
        Placed("block", "block", "#000000", shift(60, 0, 20)),
    )
    demo = DemoModel("overhang", solids, parts, (("foot", "beam", "stud", 4), ("beam", "block", "stud", 4)))
    plan = plan_of(demo)
    joints = tuple(
        joint.model_copy(
            update={
                "hold_n": hold_n,
                "push_n": push_n,
                "glue_area_mm2": 400.0,
                "depth_mm": 2.6,
                "touches": _studs(joint.a, z),
            }
        )
        for joint, z in zip(plan.joints, (10.0, 20.0), strict=True)
    )
    return plan.model_copy(update={"joints": joints}), model_of(demo)


def _studs(carrier: str, z: float) -> tuple[TouchEntry, ...]:
    """Four studs of 2.6 mm under the block."""
    return tuple(
        TouchEntry.model_validate(
            {
                "kind": "stud",
                "from": carrier,
                "point": (x, y, z + 1.3),
                "axis": (0.0, 0.0, 1.0),
                "gap_mm": 0.085,
                "depth_mm": 2.6,
                "area_mm2": 100.0,
            }
        )
        for x in (65.0, 75.0)
        for y in (5.0, 15.0)
    )


def fallen(plan: PlanFile, model: Model) -> set[str]:
    """What fails of a plan whose studs its model has not: these are found out, and what else?"""
    found = failed(plan, model)
    assert "as measured" in found
    return found - {"as measured"}


def test_a_beam_that_only_its_joint_holds() -> None:
    """The centre of all lies over the foot, and yet the beam falls off: only a balance of each part tells."""
    loose, model = _overhang(hold_n=0.0)
    faults = verify_plan(loose, model)["stands"].faults
    assert [fault.step for fault in faults] == [2, 3]
    firm, model = _overhang(hold_n=50.0)
    assert not fallen(firm, model)


def test_a_hold_taken_away_is_missed() -> None:
    loose, model = _overhang(hold_n=0.0)
    held = with_step(with_step(loose, 2, hold=("P2",)), 3, hold=("P2",))
    assert not fallen(held, model)
    assert fallen(with_step(held, 3, hold=()), model) == {"stands"}
    assert fallen(with_step(held, 2, hold=("P1",)), model) == {"stands"}  # the foot is not what falls


def test_glue_holds_once_somebody_has_waited_for_it() -> None:
    """A bond of 400 mm2 holds the beam once it has set; in its own step a hand must."""
    loose, model = _overhang(hold_n=0.0)
    wet = glued(loose, 2, hold=("P2",))
    whole = BondEntry.model_validate(
        {"kind": "rest", "from": "P1", "area_mm2": 400.0, "gap_mm": 0.0, "outline": ()}
    )
    joints = (wet.joints[0].model_copy(update={"bonds": (whole,)}), wet.joints[1])
    wet = wet.model_copy(update={"joints": joints})
    waited = with_step(wet, 3, needs_cured=("J1",), lags_min=(5.0,))
    assert not fallen(waited, model)
    assert fallen(with_step(waited, 2, hold=()), model) == {"stands"}
    hasty = verify_plan(wet, model)["stands"].faults
    assert [fault.step for fault in hasty] == [3] and "nobody waits" in hasty[0].text


def test_pressing_on_an_overhang_needs_a_hand() -> None:
    """40 N on the beam over the foot go straight down; on its free end they tip all of it (some 0.3 N)."""
    firm, model = _overhang(hold_n=500.0, push_n=10.0)
    report = verify_plan(firm, model)
    assert report["pressing"].ok and report["pressing"].looked_at == 2
    assert not fallen(firm, model)
    far = tuple(
        touch.model_copy(update={"point": (125.0, y, 21.3)})
        for y, touch in zip((7.0, 9.0, 11.0, 13.0), firm.joints[1].touches, strict=True)
    )
    joints = (firm.joints[0], firm.joints[1].model_copy(update={"touches": far}))
    tips = firm.model_copy(update={"joints": joints})
    assert fallen(tips, model) == {"pressing"}
    assert not fallen(with_step(tips, 3, hold=("P2",)), model)


# ------------------------------------------------------------------------- doubtful steps


def test_what_the_plan_calls_doubtful_is_told_apart() -> None:
    """A beam that falls: a fault, or a doubt where the step says so itself; honest steps stay strict."""
    loose, model = _overhang(hold_n=0.0)
    doubtful = with_step(loose, 2, doubtful="it does not hold", by="adult")
    report = verify_plan(doubtful, model)
    # step 3 is not called doubtful and is still wrong
    assert [fault.step for fault in report["stands"].faults] == [3]
    assert report.doubtful_steps == (2,)
    both = with_step(doubtful, 3, doubtful="nor does this", by="adult")
    report = verify_plan(both, model)
    assert report["stands"].ok and report.doubtful_steps == (2, 3)
    assert not fallen(both, model)
    assert "step 2: what is built would fall" in report.doubts_text()
    swapped = with_step(both, 2, up=(0.0, 0.0, -1.0))
    assert verify_plan(swapped, model).doubtful_steps


def test_a_doubt_does_not_excuse_counting(plan: PlanFile, model: Model) -> None:
    """Doubtful or not, each part comes once."""
    steps = [step.model_copy(update={"doubtful": "unsure", "by": "adult"}) for step in plan.steps]
    steps[3] = steps[3].model_copy(update={"adds": (), "move": {}})
    assert "parts once" in failed(plan.model_copy(update={"steps": tuple(steps)}), model)


# ------------------------------------------------------------------------- one tolerance with the planner


def test_no_plan_fails_for_what_the_planner_could_not_see() -> None:
    """The planner blocks for certain what is as wide as its window of rays; verify nothing narrower."""
    from steps.motion.blocking import PIXELS_PER_PITCH
    from steps.motion.depth import SLIVER_PIXELS

    assert SLIVER_PIXELS / PIXELS_PER_PITCH <= TOLERANCE_PITCHES


def _noisy(model: Model, mm: float) -> Model:
    """Every vertex off by up to ``mm`` along each axis, the same where corners are shared."""
    generator = np.random.default_rng(1)
    shapes = []
    for shape in model.shapes:
        corners, which = np.unique(shape.vertices.round(4), axis=0, return_inverse=True)
        corners = corners + generator.uniform(-mm, mm, corners.shape)
        shapes.append(replace(shape, vertices=corners[which.reshape(-1)]))
    return replace(model, shapes=tuple(shapes))


@pytest.mark.parametrize(
    ("parts", "scale", "noise"),
    [(0, 1.0, 0.05), (0, 4.0, 0.0), (0, 4.0, 0.05), pytest.param(50, 1.0, 0.05, marks=pytest.mark.long)],
)
def test_what_is_planned_is_verified(parts: int, scale: float, noise: float, tmp_path) -> None:
    """The beacon or a wall, clean or with noise as in a float32 file cut coarsely (mm): plans replay."""
    chosen, path = Settings(scale=scale), tmp_path / "model.3mf"
    write_3mf(sea_wall(parts) if parts else beacon(), path)
    seen = _noisy(survey(path, chosen).model, noise)
    measures = measure(seen, chosen)
    made = plan_survey(seen, measures, find_joints(seen, measures, chosen), chosen)
    report = verify_plan(plan_file(made, chosen), seen)
    assert report.ok, report.faults_text()


def test_a_check_that_had_nothing_to_look_at_is_not_called_good() -> None:
    checks = (
        Check("turns", "turns"),
        Check("stands", "steps", looked_at=3),
        Check("load cases", "cases", skipped=True),
    )
    outcomes = [str(cell) for cell in Report(checks).table().columns[2].cells]
    assert outcomes == ["nothing to check", "good", "not checked"]
