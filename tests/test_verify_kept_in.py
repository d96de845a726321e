"""What a plan leaves lying loose is kept in by form, or told to come off: by sweeps of the meshes."""

from __future__ import annotations

import copy
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from manifold3d import Manifold

from steps.glue.least import _shares
from steps.model import Model
from steps.pipeline import make_plan
from steps.planfile import PlanFile, plan_file
from steps.settings import Settings
from steps.verify import verify_plan
from steps.verify.handling import _borne
from steps.verify.kept_in import UNTIED, check_kept_in, lots, tied
from steps.verify.motion import Mover, motion_tolerance
from steps.verify.report import Check
from tests.joint_cases import box, lid, placed, plate, rod, shift
from tests.models import family, write

#: What the joint of a thing that nothing ties says.
LOOSE = {"kind": "rest", "moves": True, "mark": "free", "hold_n": 0.0, "snap_mm": 0.0}


@cache
def planned(name: str, seed: int, most: int) -> tuple[Model, dict[str, Any]]:
    with TemporaryDirectory() as folder:
        write(family(name, seed, most=most), Path(folder) / "model.3mf")
        plan = make_plan(Path(folder) / "model.3mf", Settings())
    return plan.model, plan_file(plan, Settings()).model_dump(mode="json", by_alias=True)


def checked(model: Model, data: dict[str, Any]) -> Check:
    plan = PlanFile.model_validate(data)
    return check_kept_in(plan, Mover.of(model, plan.joints, motion_tolerance(plan, model)))


def codes(data: dict[str, Any]) -> dict[str, list[str]]:
    return {each["code"]: each["parts"] for each in data["problems"] if each["code"] in UNTIED}


@pytest.mark.parametrize(
    ("name", "seed", "most"),
    [
        ("cages", 0, 14),
        ("boxes", 41, 20),
        ("interlocked", 41, 20),
        ("clamps", 41, 20),
    ],
)
def test_what_the_planner_leaves_loose_is_proved(name: str, seed: int, most: int) -> None:
    model, data = planned(name, seed, most)
    check, told = checked(model, data), codes(data)
    told.pop("left-behind", None)
    assert check.ok and check.looked_at >= len(told) > 0
    assert set(told.get("comes-off", ())).isdisjoint(told.get("kept-in", ()))


def test_what_a_ball_grips_is_no_loose_thing() -> None:
    model, data = planned("ball arms", 41, 20)
    assert any(joint["moves"] and joint["kind"] == "ball" for joint in data["joints"])
    assert not checked(model, data).looked_at


def test_what_is_kept_in_and_told_to_come_off_is_a_fault() -> None:
    model, data = planned("cages", 0, 14)
    (part,) = codes(data)["kept-in"]
    other = copy.deepcopy(data)
    for problem in other["problems"]:
        problem["code"] = "comes-off" if problem["code"] == "kept-in" else problem["code"]
    assert [fault.text for fault in checked(model, other).faults] == [
        f"nothing ties {part}: it cannot get out"
    ]


def test_what_could_be_taken_off_is_no_captive() -> None:
    """The last part put on, its joints called free to move: it goes out upwards, or to a side."""
    model, data = planned("stacks", 0, 14)
    assert not checked(model, data).looked_at
    top = max(data["steps"][-1]["adds"], key=lambda name: model.part_by_id[name].pose[2, 3])
    other = copy.deepcopy(data)
    own = [joint for joint in other["joints"] if top in (joint["a"], joint["b"])]
    for joint in own:
        joint |= LOOSE
    (fault,) = checked(model, other).faults
    assert fault.text.startswith(f"nothing ties {top}: it comes off at the ") and "the top" in fault.text
    assert fault.parts == (top,)
    other["problems"].append({"code": "comes-off", "severity": "note", "parts": [top], "text": ""})
    assert checked(model, other).ok


@pytest.mark.parametrize(
    ("place", "open_"), [("end", ["back", "front", "right"]), ("middle", ["back", "front"])]
)
def test_where_a_brick_of_a_wall_comes_off_is_to_be_told(place: str, open_: list[str]) -> None:
    """Of a wall of plain bricks one, its joints called free: others stand on it, and beside it at one end or
    at both. Along the wall that at its end goes out one way, and across the wall both."""
    model, data = planned("plain", 45, 24)
    by_row = sorted(data["parts"], key=lambda part: tuple(part["pose"][k][3] for k in (2, 0)))
    high = by_row[0]["pose"][2][3], by_row[-1]["pose"][2][3]
    course = [part["id"] for part in by_row if high[0] + 1 < part["pose"][2][3] < high[1] - 1]
    row = [
        name
        for name in course
        if model.part_by_id[name].pose[2, 3] < model.part_by_id[course[0]].pose[2, 3] + 1
    ]
    brick = row[-1] if place == "end" else row[len(row) // 2]
    other = copy.deepcopy(data)
    for joint in other["joints"]:
        if brick in (joint["a"], joint["b"]):
            joint |= LOOSE
    (fault,) = checked(model, other).faults
    assert (
        fault.text.startswith(f"nothing ties {brick}: it comes off at the ") and "the top" not in fault.text
    )
    note = {"code": "slides-off", "severity": "note", "parts": [brick], "text": "", "sides": open_}
    other["problems"].append(note)
    assert checked(model, other).ok
    for wrong in (open_[1:], ["left", *open_], []):
        note["sides"] = wrong
        assert not checked(model, other).ok


@pytest.mark.parametrize("loose", ["P1", "P2"])
def test_of_two_as_heavy_that_is_the_body_which_is_not_told_to_be_loose(loose: str) -> None:
    plan = SimpleNamespace(
        parts=[SimpleNamespace(id=name, shape="S1") for name in ("P1", "P2")],
        shapes=[SimpleNamespace(id="S1", printed_g=2.0)],
        joints=[SimpleNamespace(a="P1", b="P2", moves=True, hold_n=0.0, hold_low_n=None, mark="free")],
        problems=[SimpleNamespace(code="comes-off", parts=(loose,))],
    )
    ((body, thing),) = lots(plan, tied(plan, could=True))
    assert thing == {loose} and body == {"P1", "P2"} - {loose}


def test_what_is_told_to_lie_loose_and_is_held_is_a_fault() -> None:
    model, data = planned("stacks", 0, 14)
    other = copy.deepcopy(data)
    other["problems"].append({"code": "kept-in", "severity": "note", "parts": ["P1"], "text": ""})
    assert [fault.text for fault in checked(model, other).faults] == ["P1 is told to be loose, and is held"]


def cased(things: int, room: float) -> Model:
    """A case with two roofs that reach out to the sides, open at one end, and in it a block, or one of two
    parts on each other's studs, drawn so far above its floor."""
    case = box((-4, -4, -2), (24, 14, 15)) - box((-2, -2, 0), (25, 12, 13))
    within = [box((0, 0, 0), (20, 10, 10))] if things == 1 else [plate(2, 1), lid(2, 1)]
    laid = [(each, shift(0, 0, room + 4 * row)) for row, each in enumerate(within)]
    roof = box((0, -4, 0), (40, 14, 3))
    return placed([(case, np.eye(4)), *laid, (roof, shift(-32, 0, 15)), (roof, shift(12, 0, 15))])


@pytest.mark.parametrize(("things", "room"), [(1, 0.02), (1, 0.3), (2, 0.0), (2, 0.1), (2, 0.5)])
def test_what_is_drawn_above_what_it_would_come_to_lie_on_lies_on_it(things: int, room: float) -> None:
    plan = make_plan(cased(things, room), Settings())
    assert any(joint.moves and joint.kind == "rest" for joint in plan.joints.joints)
    report = verify_plan(plan_file(plan, Settings()), plan.model)
    assert report.ok, report.faults_text()


def test_a_lump_that_lies_loose_is_picked_up_by_itself() -> None:
    """A hundred times as heavy: its two parts are glued for that, and without that glue it comes apart."""
    settings = Settings.model_validate({"aim": "display", "glue": {"cases": {"body": 100.0}}})
    plan = make_plan(cased(2, 0.3), settings)
    (body,) = [each for each in plan.gluing.tried if each.kind == "body"]
    assert (body.ways, body.fails) == (2, 0)
    (lump,) = [joint for joint in plan.joints.joints if joint.kind == "stud"]
    assert plan.gluing.marks[lump.id] == "glue" and "picked up by itself" in plan.gluing.whys[lump.id]
    data = plan_file(plan, settings).model_dump(mode="json", by_alias=True)
    assert verify_plan(PlanFile.model_validate(data), plan.model).ok
    without = {"mark": "press", "bonds": []}
    bare = [each | (without if each["id"] == lump.id else {}) for each in data["joints"]]
    check = verify_plan(PlanFile.model_validate({**data, "joints": bare}), plan.model)["load cases"]
    assert any("picked up by itself" in fault.text for fault in check.faults)


def cased_on_a_foot(things: int) -> Model:
    """An open case that stands on studs of a foot, and in it nothing, a block, or a plate with a lid."""
    case = box((-4, -4, -2), (24, 14, 15)) - box((-2, -2, 0), (25, 12, 13)) + lid(2, 1).translate([0, 0, -10])
    within = [[], [box((0, 0, 0), (20, 10, 10))], [plate(2, 1), lid(2, 1)]][things]
    laid = [(each, shift(0, 0, 4 * row)) for row, each in enumerate(within)]
    return placed([(plate(2, 1), shift(0, 0, -14)), (case, np.eye(4)), *laid])


def test_what_lies_in_a_case_weighs_on_what_holds_the_case_and_is_no_handle() -> None:
    """Of one part or of two: the joint that holds the case bears as much more as the case is heavier."""
    share = []
    for things in range(3):
        plan = make_plan(cased_on_a_foot(things), Settings())
        grams = [plan.measures.by_shape[part.shape].printed_g for part in plan.model.parts]
        (foot,) = [joint.id for joint in plan.joints.joints if {joint.a, joint.b} == {"P1", "P2"}]
        share.append(plan.gluing.loads_n[foot] / sum(grams[1:]))
        assert [each.held for each in plan.gluing.tried if each.kind == "body"] == [("P2",)]
        report = verify_plan(plan_file(plan, Settings()), plan.model)
        assert report.ok, report.faults_text()
    assert share == pytest.approx([share[0]] * 3, rel=0.05)


def beside_a_post(block: bool) -> Model:
    """A case that is open to one side on a foot, and a post on it; a block lies in the case, against the
    post: its middle is 5 mm beyond that of the floor under it, and 15 mm from the post."""
    case = box((-4, -4, -2), (20, 14, 15)) - box((-2, -2, 0), (21, 12, 13)) + lid(2, 1).translate([0, 0, -10])
    post = box((30, 0, -2), (40, 10, 13)) + lid(1, 1).translate([30, 0, -10])
    laid = [(box((0, 0, 0), (30, 10, 10)), np.eye(4))] if block else []
    return placed([(plate(4, 1), shift(0, 0, -14)), (case, np.eye(4)), (post, np.eye(4)), *laid])


def test_a_loose_thing_weighs_on_what_bears_it_and_not_on_all_that_it_touches() -> None:
    """Upright on the floor alone. At 45 degrees towards the post by the law of the lever about the middle of
    the block: the floor's middle is 5 below and 5 behind it, 10 in all, the post's 15 ahead: two fifths on
    the post. Plan and verify each by its own reckoning."""
    empty, full = (make_plan(beside_a_post(block), Settings()) for block in (False, True))
    borne = []
    for plan in (empty, full):
        own = {each.b: plan.gluing.loads_n.get(each.id) for each in plan.joints.joints if each.a == "P1"}
        borne.append((own["P2"], own["P3"]))
    assert borne[1][0] > 1.2 * borne[0][0] and borne[1][1] == pytest.approx(borne[0][1])
    data = plan_file(full, Settings())
    report = verify_plan(data, full.model)
    assert report.ok, report.faults_text()
    centre = full.model.part_bounds[3].mean(axis=0)
    towards = np.sign(full.model.part_bounds[2].mean(axis=0) - centre) * (1, 0, 0)
    for force, shares in ((np.array([0, 0, -1.0]), (1.0, 0.0)), (towards - (0, 0, 1.0), (0.6, 0.4))):
        for joints, reckon in ((full.joints.joints, _shares), (data.joints, _borne)):
            under = [
                (end, each) for end in ("P2", "P3") for each in joints if {each.a, each.b} == {end, "P4"}
            ]
            assert reckon(under, force, np.cross(centre, force)) == pytest.approx(shares, abs=0.01)


def cross(reach: float, half: float, length: float) -> Manifold:
    """A prism of a cross along y, about it, from -length."""
    return box((-reach, -length, -half), (reach, 0, half)) + box((-half, -length, -reach), (half, 0, reach))


def across(radius: float, length: float, at: float) -> Manifold:
    """A round rod along y from ``at``."""
    return rod(radius, length).rotate([-90, 0, 0]).translate([0, at, 0])


def axle_with_edges(room: float) -> Model:
    """An axle of cross section in round bores of two cheeks on a foot, with a wheel on either end of it."""
    edge = float(np.hypot(3.5, 1.2))
    cheek = box((-9, 0, -24), (9, 7, 9)) - across(edge + room, 9, -1)
    hub = cross(3.6, 1.3, 12).translate([0, 9, 0])
    wheel = across(15, 8, -2) - hub
    foot = box((-16, -4, -28), (16, 48, -24))
    parts = [
        (cross(3.5, 1.2, 64), shift(0, 54, 0)),
        (wheel, shift(0, 48, 0)),
        (wheel, shift(0, -8, 0)),
        (cheek, shift(0, 3, 0)),
        (cheek, shift(0, 34, 0)),
        (foot, np.eye(4)),
    ]
    return placed(parts)


@pytest.mark.parametrize("room", [0.12, 0.3])
def test_an_axle_with_edges_lies_in_round_bores(room: float) -> None:
    """Drawn in the middle of its bores it touches nothing; it comes to lie on four corners in either cheek,
    and carries its wheels."""
    plan = make_plan(axle_with_edges(room), Settings())
    lying = [joint for joint in plan.joints.joints if {joint.a, joint.b} & {"P1"} and joint.kind == "rest"]
    assert sorted(joint.other("P1") for joint in lying) == ["P4", "P5"]
    for joint in lying:
        points = np.array([touch.point for touch in joint.touches])
        assert len(points) == 4 and joint.moves and joint.id not in plan.gluing.glued
        assert np.all(points[:, 2] < -3.5)
        assert sorted(points[:, 0].round(3)) == pytest.approx([-1.2, -1.2, 1.2, 1.2], abs=0.01)
    report = verify_plan(plan_file(plan, Settings()), plan.model)
    assert report.ok, [str(fault) for check in report.checks for fault in check.faults]


def test_a_place_where_nothing_is_near_carries_nothing() -> None:
    """Places that the plan tells are looked for in the meshes."""
    plan = make_plan(axle_with_edges(0.12), Settings())
    data = plan_file(plan, Settings()).model_dump(mode="json", by_alias=True)
    for joint in data["joints"]:
        if joint["kind"] == "rest" and joint["moves"]:
            for touch in joint["touches"]:
                touch["point"][2] -= 3.0
    assert not verify_plan(PlanFile.model_validate(data), plan.model).ok


def test_a_place_is_not_believed_to_bear_another_way() -> None:
    """A corner of the axle and the bore it lies in push each other along the bore's radius: a plan that says
    straight up would let the axle roll."""
    plan = make_plan(axle_with_edges(0.12), Settings())
    data = plan_file(plan, Settings()).model_dump(mode="json", by_alias=True)
    for joint in data["joints"]:
        if joint["kind"] == "rest" and joint["moves"]:
            for touch in joint["touches"]:
                touch["axis"] = [0.0, 0.0, float(np.sign(touch["axis"][2]))]
    assert not verify_plan(PlanFile.model_validate(data), plan.model).ok
