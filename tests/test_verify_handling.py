"""Every load case of a plan is tried by verify's own balance: as the plan says, or that is a fault."""

from __future__ import annotations

import copy
from dataclasses import replace
from functools import cache
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from steps.glue.cases import OF_AIM
from steps.model import Model
from steps.pipeline import make_plan
from steps.planfile import PlanFile, plan_file
from steps.settings import Settings
from steps.verify import as_printed
from steps.verify.balance import weights
from steps.verify.footing import Footing
from steps.verify.handling import HANDLED, _HandledModel, check_handling
from steps.verify.replay import Replay, TurnedBuild
from steps.verify.report import Check
from tests.joint_cases import (
    drum_on_two_edges,
    pin_in_a_wall,
    roundabout,
    turn,
    wheel_above_a_plate,
    wheel_on_a_pin,
)
from tests.test_verify_mutations import Data, good

#: How often each is tried: once, or in four directions.
TIMES = {"shelf": 1, "base": 1, "body": 1, "tilt": 4, "knock": 4, "car": 4}


@cache
def footing(kind: str = "", graver: float = 0.0) -> Footing:
    """Of the good plan, or of one made for one case."""
    model, data = good()
    plan = PlanFile.model_validate(planned(kind, graver) if kind else data)
    return Replay(plan, as_printed(plan, model)).footing


@cache
def planned(kind: str, graver: float) -> Data:
    """The beacon planned with one case so grave, and no other."""
    model, _ = good()
    off = dict.fromkeys((*TIMES, "pull", "turn"), 0.0)
    settings = Settings.model_validate({"scale": 4.0, "glue": {"cases": {**off, kind: graver}}})
    return plan_file(make_plan(model, settings), settings).model_dump(mode="json", by_alias=True)


def footing_of(model: Model, up: np.ndarray) -> Footing:
    """Of a model planned with that way up."""
    settings = Settings.model_validate({"order": {"down": (-up).tolist()}})
    plan = plan_file(make_plan(model, settings), settings)
    return Replay(plan, as_printed(plan, model)).footing


def handled(
    data: Data, turned: tuple[TurnedBuild, ...] = (), of: Footing | None = None, **cases: float
) -> Check:
    """The check; with ``cases`` as grave as told, and all others switched off."""
    changed = copy.deepcopy(data)
    if cases:
        off = dict.fromkeys((*TIMES, "pull", "turn"), 0.0)
        changed["settings"]["glue"] = {**changed["settings"].get("glue", {}), "cases": {**off, **cases}}
        changed["cases"] = []
    return check_handling(PlanFile.model_validate(changed), of or footing(), turned)


def changed(data: Data, **told: Any) -> Data:
    """The plan telling something else of its first case."""
    other = copy.deepcopy(data)
    other["cases"][0] |= told
    return other


def test_the_cases_of_the_aim_are_tried_and_hold() -> None:
    _, data = good()
    check = handled(data)
    assert check.ok and check.looked_at == sum(TIMES.get(kind, 0) for kind in OF_AIM["one-piece"])
    assert check.name == HANDLED[0]


def test_it_stands_on_its_shelf_as_the_plan_says_however_its_last_step_lies() -> None:
    _, data = good()
    aside, lying, on_a_corner = copy.deepcopy(data), copy.deepcopy(data), [0.0, 0.6, 0.8]
    aside["steps"][-1]["up"] = lying["up"] = on_a_corner
    assert handled(aside, shelf=1.0).ok
    assert "standing on its shelf: it bears" in handled(lying, shelf=1.0).faults[0].text
    lying["up"], lying["steps"][-1]["up"] = None, on_a_corner  # of a plan that does not say
    assert handled(lying, shelf=1.0).faults


@pytest.mark.parametrize("square", [False, True], ids=["round", "square"])
@pytest.mark.parametrize("pose", [np.eye(4), turn((1, 2, -1), 37)], ids=["upright", "askew"])
def test_a_lone_peg_bears_what_tilts_it_and_a_square_one_what_turns_it(
    square: bool, pose: np.ndarray
) -> None:
    """Its weight lies 20 mm beyond the middle of the 20 mm of it that are in the wall."""
    upright = pin_in_a_wall(square)
    model = replace(upright, parts=tuple(replace(each, pose=pose @ each.pose) for each in upright.parts))
    footing = footing_of(model, pose[:3, 2])
    loads = weights(footing.mass, pose[:3, 2])
    assert footing.bears(["P1", "P2"], loads, ["P1"], {}).share == pytest.approx(1.0, abs=1e-6)
    loads[1, 3:] = 5.0 * pose[:3, 0]
    assert (footing.bears(["P1", "P2"], loads, ["P1"], {}).share > 0.99) is square


@pytest.mark.parametrize(("off_mm", "stands"), [(6e-5, True), (4e-3, True), (0.05, False)])
@pytest.mark.parametrize("pose", [np.eye(4), turn((1, 2, -1), 37)], ids=["upright", "askew"])
def test_what_hangs_on_an_axle_is_not_turned_by_the_rounding_of_its_place(
    off_mm: float, stands: bool, pose: np.ndarray
) -> None:
    """A wheel on a pin without friction, off its middle by single precision at 1 m, by what shapes may differ
    and be one, or, far more than any rounding, by 0.05 mm: then nothing bears what turns it."""
    model = wheel_on_a_pin(pose, off_mm)
    footing = footing_of(model, pose[:3, 2])
    share = footing.bears(["P1", "P2"], weights(footing.mass, pose[:3, 2]), ["P1"], {}).share
    assert (share > 1 - 1e-6) is stands


def test_no_wheel_runs_off_an_axle_that_rounding_leans() -> None:
    model = wheel_on_a_pin(turn((0, 1, 0), np.degrees(3e-6)), 0.0)
    footing = footing_of(model, np.array([0.0, 0.0, 1.0]))
    loads = weights(footing.mass, np.array([0.0, 0.0, 1.0]))
    assert footing.bears(["P1", "P2"], loads, ["P1"], {}).share > 1 - 1e-6


@pytest.mark.parametrize("pose", [np.eye(4), turn((1, 2, -1), 37)], ids=["upright", "askew"])
def test_what_lies_on_edges_is_borne_where_the_plan_says(pose: np.ndarray) -> None:
    model = drum_on_two_edges(pose)
    footing = footing_of(model, pose[:3, 2])
    loads = weights(footing.mass, pose[:3, 2])
    assert footing.bears(["P1", "P2"], loads, ["P1"], {}).share == pytest.approx(1.0, abs=1e-6)
    assert footing.bears(["P1", "P2"], -loads, ["P1"], {}).share < 0.01  # and falls off upside down


@pytest.mark.parametrize("pose", [np.eye(4), turn((1, 2, -1), 37)], ids=["upright", "askew"])
def test_a_wheel_drawn_above_its_plate_lies_on_it_once_it_is_let_go(pose: np.ndarray) -> None:
    model = wheel_above_a_plate(pose)
    footing = footing_of(model, pose[:3, 2])
    loads = weights(footing.mass, pose[:3, 2])
    assert footing.bears(["P1", "P2"], loads, ["P1"], {}).share == pytest.approx(1.0, abs=1e-6)
    assert footing.bears(["P1", "P2"], -loads, ["P1"], {}).share < 0.01  # and falls off upside down


def test_how_far_a_wheel_goes_down_hangs_on_its_own_size() -> None:
    """Of small things on a large wheel most have no room to go down; the wheel has."""
    model = roundabout()
    footing = footing_of(model, np.array([0.0, 0.0, 1.0]))
    loads, names = weights(footing.mass, np.array([0.0, 0.0, 1.0])), [part.id for part in model.parts]
    assert footing.bears(names, loads, ["P1"], {}).share == pytest.approx(1.0, abs=1e-6)


@pytest.mark.parametrize("kind", ["body", "tilt", "knock", "car"])
def test_a_case_far_graver_than_what_holds_comes_apart(kind: str) -> None:
    _, data = good()
    assert handled(data, **{kind: 0.5}).looked_at == TIMES[kind]
    grave = handled(data, **{kind: 1e4})
    assert grave.looked_at == TIMES[kind] and grave.faults
    assert all("it comes apart" in fault.text for fault in grave.faults)


@pytest.mark.parametrize(("off_mm", "as_told"), [(0.004, True), (1.0, False)])
def test_hands_may_take_either_side_of_what_is_as_long_as_wide(off_mm: float, as_told: bool) -> None:
    """Four parts at the corners of a square that a mended mesh draws longer along x by so much."""
    names = ["east", "west", "north", "south"]
    centre = np.array([(20 + off_mm, 0, 5), (-20, 0, 5), (0, 20, 5), (0, -20, 5)], dtype=float)
    footing = SimpleNamespace(row={name: row for row, name in enumerate(names)}, centre=centre)
    lot = ("base", 0, "")
    model = SimpleNamespace(footing=footing, told={lot: SimpleNamespace(held=("north", "south"))})
    held = _HandledModel._as_good(model, lot, names, None, np.array([0.0, 0.0, 1.0]))
    assert held == (("north", "south") if as_told else ("east", "west"))


def test_what_lies_on_what_is_held_bears_any_weight() -> None:
    _, data = good()
    check = handled(data, base=1e4)
    assert check.ok and check.looked_at == 1


def test_a_child_pulls_at_every_part_each_way() -> None:
    _, data = good()
    plan, stander = PlanFile.model_validate(data), footing().stander
    names, up = [part.id for part in plan.parts], np.array(plan.steps[-1].up)
    base = stander.on_table(names, up, stander.lowest(names, up))
    assert handled(data, pull=1.0).looked_at == 6 * (len(names) - len(base))


@pytest.mark.parametrize("kind", ["tilt", "knock", "pull"])
def test_a_case_that_gives_way_does_so_by_as_much_as_the_plan_says(kind: str) -> None:
    data, of = planned(kind, 100.0), footing(kind, 100.0)
    (told,) = data["cases"]
    assert told["case"] == kind and 0 < told["fails"] <= told["ways"] and told["times"] > 1
    check = handled(data, of=of)
    assert check.ok and check.looked_at == told["ways"], check.faults
    for times in (told["times"] / 2, told["times"] * 2):
        (fault,) = handled(changed(data, times=times), of=of).faults
        assert f"the plan says {1 / times:.0%}" in fault.text


def test_a_case_that_gives_way_and_is_hidden_is_a_fault() -> None:
    data = planned("tilt", 100.0)
    quiet = changed(data, fails=0, times=None)
    quiet["problems"] = [each for each in quiet["problems"] if each["code"] != "cannot-hold"]
    for hidden in (quiet, {**quiet, "cases": []}):
        (fault,) = handled(hidden, of=footing("tilt", 100.0)).faults
        assert "it comes apart, and the plan does not say so" in fault.text


def test_a_warning_without_its_case_or_a_case_without_its_warning_is_a_fault() -> None:
    data = planned("tilt", 100.0)
    unwarned = {**data, "problems": [each for each in data["problems"] if each["code"] != "cannot-hold"]}
    _, whole = good()
    warning = {"code": "cannot-hold", "severity": "warning", "parts": [], "text": ""}
    overwarned = {**whole, "problems": [*whole["problems"], warning]}
    for wrong, of in ((unwarned, footing("tilt", 100.0)), (overwarned, footing())):
        (fault,) = handled(wrong, of=of).faults
        assert fault.text == "the plan warns of other load cases than it tells of"


def test_a_case_that_holds_and_is_told_to_give_way_is_a_fault() -> None:
    _, data = good()
    place = next(at for at, case in enumerate(data["cases"]) if case["case"] == "tilt")
    other = copy.deepcopy(data)
    other["cases"][place] |= {"fails": 1, "times": 1.8, "joint": data["joints"][0]["id"]}
    warning = {"code": "cannot-hold", "severity": "warning", "parts": [], "text": ""}
    other["problems"].append(warning)
    (fault,) = handled(other).faults
    assert "bears 100% of what is asked, and the plan says 56%" in fault.text


def test_ways_that_are_not_tried_and_cases_that_nobody_asks_for_are_faults() -> None:
    _, data = good()
    fewer = changed(data, ways=2)
    more = {**data, "cases": [*data["cases"], {"case": "car", "step": 0, "held": [], "ways": 4}]}
    assert [fault.text for fault in handled(fewer).faults] == ["shelf: 2 ways are told of, and there are 1"]
    assert [fault.text for fault in handled(more).faults] == [
        "car: the plan tells of a load case that nobody asks for"
    ]


def test_what_is_told_to_come_off_and_is_glued_on_is_a_fault() -> None:
    _, data = good()
    joint = next(each for each in data["joints"] if each["mark"] == "glue")
    problem = {"code": "comes-off", "severity": "note", "parts": [joint["a"], joint["b"]], "text": ""}
    check = handled({**data, "problems": [*data["problems"], problem]})
    assert any("is held whatever is done" in fault.text for fault in check.faults)


def test_what_is_left_without_glue_is_tried_as_it_is() -> None:
    """All marks of glue taken out: what gives way then must be told, also where the plan names the joints."""
    _, data = good()
    bare = [{**joint, "mark": "press", "bonds": []} for joint in data["joints"]]
    problem = {"code": "falls-off", "severity": "warning", "parts": ["P1", "P2"], "text": ""}
    check = handled({**data, "joints": bare, "problems": [*data["problems"], problem]})
    assert check.looked_at and any("the plan does not say so" in fault.text for fault in check.faults)


def test_a_turn_is_tried_with_glue_as_strong_as_it_has_become() -> None:
    """Turned right over nothing but glue keeps the beacon together: what nobody has waited for does not."""
    _, data = good()
    glued = [joint["id"] for joint in data["joints"] if joint["mark"] == "glue"]
    parts, up = tuple(part["id"] for part in data["parts"]), tuple(data["steps"][-1]["up"])
    over = tuple(-value for value in up)
    hard = data["adhesive"]["cure_min"]

    def turned(minutes: float | None, kind: float = 1.0) -> Check:
        waited = {} if minutes is None else dict.fromkeys(glued, minutes)
        return handled(data, (TurnedBuild(3, parts, up, over, waited),), turn=kind)

    assert turned(hard).ok and turned(hard).looked_at == 2
    (fault,) = turned(None).faults
    assert fault.step == 3 and "turned before step 3: it bears 0% of what is asked" in fault.text
    graver = next(load for load in (2.0, 5.0, 10.0, 20.0, 40.0, 80.0) if not turned(hard / 2, load).ok)
    assert turned(hard, graver).ok  # what handling strength does not bear, full strength does
