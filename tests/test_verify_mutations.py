"""A good plan changed in one way at a time: every kind of change is found, none breaks the program, and the
untouched plan raises no alarm."""

from __future__ import annotations

import copy
from collections.abc import Callable
from functools import cache
from itertools import pairwise
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
import pytest
from pydantic import ValidationError

from demo_model import beacon as beacon_module
from demo_model.write import write_3mf
from steps.intake import read_model
from steps.model import Model
from steps.pipeline import make_plan
from steps.planfile import PlanFile, plan_file
from steps.settings import Settings
from steps.verify import verify_plan
from tests.known_geometry import known_geometry  # noqa: F401

Data = dict[str, Any]
KINDS: dict[str, Callable[[Data], None]] = {}


@cache
def good() -> tuple[Model, Data]:
    """The beacon at four times its size: its studs have too much room, so it is glued."""
    with TemporaryDirectory() as folder:
        path = Path(folder) / "beacon.3mf"
        write_3mf(beacon_module.beacon(), path)
        settings = Settings(scale=4.0)
        model = read_model(path, settings)
        plan = make_plan(model, settings)
    return model, plan_file(plan, settings).model_dump(mode="json", by_alias=True)


def kind(change: Callable[[Data], None]) -> Callable[[Data], None]:
    KINDS[change.__name__.strip("_")] = change
    return change


def test_the_untouched_plan_raises_no_alarm():
    model, data = good()
    report = verify_plan(PlanFile.model_validate(data), model)
    assert report.ok, report.faults_text()
    assert any(joint["mark"] == "glue" for joint in data["joints"])
    assert any(step["needs_cured"] for step in data["steps"]) or len(data["assemblies"]) == 1
    assert len(KINDS) >= 60


# ------------------------------------------------------------------------------ helpers


def glued(data: Data) -> list[Data]:
    return [joint for joint in data["joints"] if joint["mark"] == "glue"]


def pressed(data: Data) -> list[Data]:
    return [joint for joint in data["joints"] if joint["mark"] == "press"]


def glue_step(data: Data) -> Data:
    return next(step for step in data["steps"] if step["glues"])


def adding(data: Data, row: int = -1) -> Data:
    return [step for step in data["steps"] if step["adds"]][row]


def turned(vector: list[float], degrees: float) -> list[float]:
    """Leaned about the x axis."""
    angle = np.radians(degrees)
    turn = np.array([[1, 0, 0], [0, np.cos(angle), -np.sin(angle)], [0, np.sin(angle), np.cos(angle)]])
    return (turn @ np.array(vector)).tolist()


# ------------------------------------------------------------------------------ glue


@kind
def _all_glue_taken_out(data):
    for joint in glued(data):
        joint["mark"] = "press"
    for step in data["steps"]:
        step["glues"] = []


@kind
def _one_glued_joint_made_press(data):
    joint = glued(data)[0]
    joint["mark"] = "press"
    for step in data["steps"]:
        step["glues"] = [name for name in step["glues"] if name != joint["id"]]


@kind
def _a_mark_without_its_step(data):
    glue_step(data)["glues"].pop()


@kind
def _a_step_without_its_mark(data):
    glued(data)[0]["mark"] = "press"


@kind
def _glue_in_a_later_step(data):
    step = glue_step(data)
    other = data["steps"][data["steps"].index(step) - 1]
    other["glues"].append(step["glues"].pop())


@kind
def _glue_never_closed(data):
    step = glue_step(data)
    name = step["glues"][0]
    step["closes"].remove(name)


@kind
def _glue_twice(data):
    first = glue_step(data)
    other = next(step for step in data["steps"] if step is not first)
    other["glues"].append(first["glues"][0])
    other["closes"].append(first["glues"][0])


@kind
def _no_drops(data):
    glued(data)[0]["drops"] = 0


@kind
def _more_drops_than_time(data):
    joint = glued(data)[0]
    data["adhesive"]["volume_ml"] += 1000 * data["adhesive"]["drop_ml"]
    joint["drops"] += 1000


@kind
def _fewer_drops_than_millilitres(data):
    data["adhesive"]["volume_ml"] *= 2


@kind
def _no_face(data):
    glued(data)[0]["bonds"] = []


@kind
def _a_face_out_of_reach(data):
    glued(data)[0]["bonds"][0]["gap_mm"] = 9.0


@kind
def _more_face_than_touches(data):
    for bond in glued(data)[0]["bonds"]:
        bond["area_mm2"] *= 3


@kind
def _stronger_before_it_is_hard(data):
    glued(data)[0]["early_n"] = 1e6


@kind
def _a_load_beyond_the_bond(data):
    glued(data)[0]["load_n"] = 1e6


@kind
def _another_glue(data):
    data["adhesive"]["family"] = "pva"


@kind
def _no_such_glue(data):
    data["adhesive"]["family"] = "sealing wax"


@kind
def _no_glue_named(data):
    data["adhesive"]["family"] = "none"


@kind
def _more_to_print_again_than_is_lost(data):
    glue_step(data)["again"] = {next(iter(glue_step(data)["again"])): [part["id"] for part in data["parts"]]}


@kind
def _nothing_told_to_print_again(data):
    glue_step(data)["again"] = {}


@kind
def _waits_that_are_more_in_all_than_each(data):
    data["waiting_each_min"] += 7.0


@kind
def _more_waiting_than_the_waits(data):
    data["waiting_min"] = data["waiting_each_min"] + 1


@kind
def _less_waiting_than_there_is(data):
    data["waiting_min"] -= 1.0


@kind
def _open_longer(data):
    data["adhesive"]["open_min"] *= 3


@kind
def _holds_sooner(data):
    data["adhesive"]["fixture_min"] /= 2


@kind
def _cures_sooner(data):
    data["adhesive"]["cure_min"] /= 2


@kind
def _lifted_at_once(data):
    data["adhesive"]["lift_min"] = 0.0


@kind
def _a_child_glues(data):
    glue_step(data)["by"] = "child"


@kind
def _a_helper_glues(data):
    glue_step(data)["by"] = "helper"


@kind
def _no_sitting(data):
    glue_step(data)["sitting"] = None


@kind
def _glue_on_what_moves(data):
    glued(data)[0]["moves"] = True


@kind
def _more_pieces_than_said(data):
    data["pieces"] += 1


@kind
def _fewer_pieces_than_said(data):
    data["pieces"] = 99


@kind
def _a_wait_for_what_was_never_glued(data):
    data["steps"][-1]["needs_cured"].append(pressed(data)[0]["id"])
    data["steps"][-1]["lags_min"].append(10_000.0)


@kind
def _waits_of_no_length(data):
    last = data["steps"][-1]
    last["needs_cured"].append(glue_step(data)["glues"][0])
    last["lags_min"].append(0.0)


@kind
def _needs_without_their_waits(data):
    last = data["steps"][-1]
    last["needs_cured"].append(glue_step(data)["glues"][0])


@kind
def _a_wait_shorter_than_needed(data):
    last = data["steps"][-1]
    last["needs_cured"].append(glue_step(data)["glues"][0])
    last["lags_min"].append(data["adhesive"]["fixture_min"])
    glue_step(data)["wait_min"] = 0.0


# ------------------------------------------------------------------------------ joints


@kind
def _a_joint_more_contacts(data):
    next(joint for joint in data["joints"] if joint["kind"] == "stud")["contacts"] += 1


@kind
def _a_joint_fewer_contacts(data):
    next(joint for joint in data["joints"] if joint["kind"] == "stud")["contacts"] -= 1


@kind
def _another_gap(data):
    next(joint for joint in data["joints"] if joint["kind"] == "stud")["gap_mm"] += 0.2


@kind
def _a_gap_of_interference(data):
    next(joint for joint in data["joints"] if joint["kind"] == "stud")["gap_mm"] = -0.3


def all_alike(joint: Data) -> None:
    """The joint told as its touches are."""
    own = [touch for touch in joint["touches"] if touch["kind"] == joint["kind"]]
    joint.update(contacts=len(own), gap_mm=min(touch["gap_mm"] for touch in own))
    joint.update(glue_area_mm2=sum(touch["area_mm2"] for touch in joint["touches"]))


@kind
def _another_gap_everywhere(data):
    for joint in data["joints"]:
        for touch in joint["touches"]:
            touch["gap_mm"] += 0.2 * (touch["kind"] == "stud")
        all_alike(joint)


@kind
def _one_stud_less_everywhere(data):
    for joint in data["joints"]:
        if joint["kind"] == "stud" and joint["contacts"] > 1:
            joint["touches"].remove(next(each for each in joint["touches"] if each["kind"] == "stud"))
            all_alike(joint)


@kind
def _more_area_everywhere(data):
    for joint in data["joints"]:
        for touch in joint["touches"]:
            touch["area_mm2"] *= 1.5
        all_alike(joint)


@kind
def _another_kind(data):
    next(joint for joint in data["joints"] if joint["kind"] == "stud")["kind"] = "peg"


@kind
def _a_stud_left_out(data):
    joint = next(joint for joint in data["joints"] if joint["kind"] == "stud")
    joint["touches"] = joint["touches"][1:]


@kind
def _a_stud_twice(data):
    joint = next(joint for joint in data["joints"] if joint["kind"] == "stud")
    joint["touches"].append(copy.deepcopy(joint["touches"][0]))


@kind
def _a_joint_left_out(data):
    name = data["joints"].pop()["id"]
    for step in data["steps"]:
        for key in ("closes", "glues"):
            step[key] = [each for each in step[key] if each != name]


@kind
def _a_joint_of_strangers(data):
    first, last = data["joints"][0], data["joints"][-1]
    first["b"] = last["b"] if last["b"] != first["a"] else last["a"]


@kind
def _a_joint_twice(data):
    data["joints"].append({**copy.deepcopy(data["joints"][0]), "id": "J999"})


@kind
def _a_joint_to_itself(data):
    data["joints"][0]["b"] = data["joints"][0]["a"]


@kind
def _a_rest_that_is_pressed(data):
    joint = data["joints"][0]
    joint["kind"] = "rest"


@kind
def _closes_nothing(data):
    step = next(step for step in data["steps"] if step["closes"])
    step["closes"], step["glues"] = [], []


@kind
def _closes_it_again(data):
    data["steps"][-1]["closes"].append(data["steps"][0]["closes"][0] if data["steps"][0]["closes"] else "J1")


@kind
def _closes_what_is_not(data):
    data["steps"][-1]["closes"].append("J998")


# ------------------------------------------------------------------------------ moves


@kind
def _ten_degrees_off(data):
    step = adding(data)
    for name, move in step["move"].items():
        if isinstance(move[0], float):
            step["move"][name] = turned(move, 10.0)


@kind
def _ninety_degrees_off(data):
    step = adding(data)
    step["move"] = {name: [1.0, 0.0, 0.0] for name in step["move"]}


@kind
def _backwards(data):
    step = adding(data)
    step["move"] = {name: [-x for x in move] for name, move in step["move"].items()}


@kind
def _not_a_unit_vector(data):
    step = adding(data)
    name = next(iter(step["move"]))
    step["move"][name] = [0.0, 0.0, -2.0]


@kind
def _no_move(data):
    step = adding(data)
    step["move"].pop(next(iter(step["move"])))


@kind
def _a_move_of_no_length(data):
    step = adding(data)
    step["move"][next(iter(step["move"]))] = [0.0, 0.0, 0.0]


@kind
def _up_ten_degrees_off(data):
    data["steps"][-1]["up"] = turned(data["steps"][-1]["up"], 10.0)


@kind
def _upside_down(data):
    data["steps"][-1]["up"] = [-x for x in data["steps"][-1]["up"]]


@kind
def _up_no_unit_vector(data):
    data["steps"][-1]["up"] = [0.0, 0.0, 2.0]


@kind
def _on_its_shelf_ten_degrees_off(data):
    data["up"] = turned(data["up"], 10.0)


@kind
def _on_its_shelf_no_unit_vector(data):
    data["up"] = [0.0, 0.0, 2.0]


# ------------------------------------------------------------------------------ steps and parts


@kind
def _an_empty_step(data):
    last = copy.deepcopy(data["steps"][-1])
    last.update(number=last["number"] + 1, adds=[], move={}, attaches=[], closes=[], glues=[], seen={})
    last.update(needs_cured=[], lags_min=[], sitting=None)
    data["steps"].append(last)


@kind
def _a_step_left_out(data):
    data["steps"].pop(1)


@kind
def _two_steps_swapped(data):
    steps = data["steps"]
    one, two = next((a, b) for a, b in pairwise(steps) if b["closes"])
    one["number"], two["number"] = two["number"], one["number"]
    steps.sort(key=lambda step: step["number"])


@kind
def _numbers_with_a_hole(data):
    data["steps"][-1]["number"] += 1


@kind
def _a_part_twice(data):
    step, first = adding(data), data["parts"][0]["id"]
    if first in step["adds"]:
        first = data["parts"][1]["id"]
    step["adds"].append(first)
    step["move"][first] = [0.0, 0.0, -1.0]


@kind
def _a_part_left_out(data):
    step = adding(data)
    name = step["adds"].pop()
    step["move"].pop(name)


@kind
def _a_part_that_is_not(data):
    step = adding(data)
    step["adds"].append("P999")
    step["move"]["P999"] = [0.0, 0.0, -1.0]


@kind
def _a_part_out_of_place(data):
    data["parts"][-1]["pose"][2][3] += 1.0


@kind
def _a_part_whose_pose_makes_it_smaller(data):
    data["parts"][-1]["pose"][3][3] = 2.0


@kind
def _a_part_turned(data):
    pose = np.array(data["parts"][-1]["pose"])
    pose[:3, :3] = pose[:3, :3] @ np.array([[0.0, -1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])
    data["parts"][-1]["pose"] = pose.tolist()


@kind
def _another_colour(data):
    data["parts"][0]["colour"] = "#123456"


@kind
def _another_shape(data):
    shapes = [shape["id"] for shape in data["shapes"]]
    part = data["parts"][0]
    part["shape"] = next(each for each in shapes if each != part["shape"])


@kind
def _another_count(data):
    data["shapes"][0]["count"] += 1


@kind
def _another_assembly(data):
    data["steps"][-1]["assembly"] = "A99"


@kind
def _a_list_without_a_part(data):
    data["assemblies"][-1]["copies"][0].pop()


# ------------------------------------------------------------------------------ drawings


def joining(data: Data) -> Data:
    return [step for step in data["steps"] if step["sites"]][-1]


@kind
def _a_new_part_drawn_in_its_place(data):
    step = joining(data)
    step["lifts"] = {part: [0.0, 0.0, 0.0] for part in step["lifts"]}


@kind
def _more_told_to_be_seen_than_is(data):
    step = joining(data)
    step["view"]["elevation"] *= -1


@kind
def _nothing_told_of_where_a_part_goes(data):
    joining(data)["sites"].popitem()


@kind
def _a_closer_look_at_what_is_not_there(data):
    view = joining(data)["view"]
    joining(data)["closer"] = [{"parts": ["P999"], "view": view, "away": [], "sites": 1.0, "seen": 1.0}]


@kind
def _nothing_at_all(data):
    data["steps"] = []


@pytest.mark.parametrize("name", sorted(KINDS))
def test_every_kind_of_change_is_found(name):
    model, data = good()
    changed = copy.deepcopy(data)
    KINDS[name](changed)
    assert changed != data, "nothing was changed"
    try:
        plan = PlanFile.model_validate(changed)
    except ValidationError:
        return  # no reader would take it
    assert not verify_plan(plan, model).ok


def test_a_turn_that_the_plan_warns_of_is_told_apart():
    """Turned over with loose parts on it: a fault, and a doubt where the plan says that nothing bears it."""
    model, data = good()
    changed = copy.deepcopy(data)
    KINDS["all_glue_taken_out"](changed)
    KINDS["upside_down"](changed)
    last = changed["steps"][-1]["number"]
    assert verify_plan(PlanFile.model_validate(changed), model)["turns"].faults
    warning = {"code": "cannot-hold", "severity": "warning", "parts": [], "text": "", "step": last}
    changed["problems"].append(warning)
    found = verify_plan(PlanFile.model_validate(changed), model)["turns"]
    assert found.doubts and not found.faults
