"""A child's plan is proved as it is glued and as it stands dry; what is wrong there is told."""

from __future__ import annotations

import copy
from collections.abc import Callable
from typing import Any

import pytest

from steps.planfile import PlanFile, plan_file
from steps.settings import Settings
from steps.settle.schedule import GLUE_MIN, PART_MIN
from steps.verify import verify_plan
from steps.verify.dry import as_dry, as_glued
from steps.verify.gluing import _waiting
from tests.known_geometry import known_geometry  # noqa: F401
from tests.test_settle_rehearse import plan_of

Data = dict[str, Any]


def good(name: str = "stacks", seed: int = 0) -> Data:
    plan = plan_of(name, seed)
    return plan_file(plan, Settings(scale=4.0, reader="child")).model_dump(mode="json", by_alias=True)


def report_of(data: Data, name: str = "stacks", seed: int = 0):
    return verify_plan(PlanFile.model_validate(data), plan_of(name, seed).model)


@pytest.mark.parametrize(("name", "seed"), [("stacks", 0), ("hung", 0), ("bridges", 1)])
def test_a_childs_plan_raises_no_alarm(name, seed):
    data = good(name, seed)
    report = report_of(data, name, seed)
    assert report.ok, report.faults_text()
    opened = {number for step in data["steps"] for number in step["reopens"]}
    assert opened and report["closed dry"].looked_at == len(opened)


def test_both_builds_bring_every_part_once():
    plan = PlanFile.model_validate(good())
    names = sorted(part.id for part in plan.parts)
    for build in (as_glued(plan), as_dry(plan)):
        assert sorted(part for step in build.steps for part in step.adds) == names
        assert sorted(name for step in build.steps for name in step.closes) == sorted(
            joint.id for joint in plan.joints
        )
    assert not any(step.adds or step.closes for step in as_dry(plan).steps if step.reopens)


def dry_step(data: Data) -> Data:
    return next(step for step in data["steps"] if step["dry"])


def opening(data: Data) -> Data:
    return next(step for step in data["steps"] if step["reopens"])


def joint_of(data: Data) -> Data:
    return next(joint for joint in data["joints"] if joint["id"] == dry_step(data)["dry"][0])


def _never_glued(data):
    opening(data)["glues"] = []


def _never_opened(data):
    opening(data)["reopens"] = []


def _opened_twice(data):
    some = [step for step in data["steps"] if step["reopens"]]
    some[1]["reopens"].insert(0, some[0]["reopens"][0])


def _opened_before(data):
    opening(data)["reopens"] = [len(data["steps"])]


def _dry_and_closed(data):
    step = dry_step(data)
    step["closes"].append(step["dry"][0])


def _no_longer_dry(data):
    dry_step(data)["dry"] = []


def _held_too_hard(data):
    joint_of(data)["hold_high_n"] = 500.0


def _snapping(data):
    joint_of(data)["snap_mm"] = 0.4


def _an_adults(data):
    dry_step(data)["by"] = "adult"


def _by_a_hand(data):
    dry_step(data)["hold"] = [dry_step(data)["adds"][0]]


def _glued_by_a_child(data):
    opening(data)["by"] = "child"


def _something_new(data):
    step = opening(data)
    late = next(each for each in reversed(data["steps"]) if each["adds"] and each is not dry_step(data))
    step["adds"], step["move"] = [late["adds"][0]], {late["adds"][0]: late["move"][late["adds"][0]]}


CHANGES: tuple[Callable[[Data], None], ...] = (
    _never_glued,
    _never_opened,
    _opened_twice,
    _opened_before,
    _dry_and_closed,
    _no_longer_dry,
    _held_too_hard,
    _snapping,
    _an_adults,
    _by_a_hand,
    _glued_by_a_child,
    _something_new,
)


@pytest.mark.parametrize("change", CHANGES, ids=lambda change: change.__name__.strip("_"))
def test_what_is_wrong_with_it_is_found(change):
    data = copy.deepcopy(good())
    change(data)
    assert not report_of(data).ok


def test_what_is_set_on_dry_before_what_carries_it_is_found_by_the_dry_build_alone():
    """Two dry steps change places, and each is still put back where it was: glued all is well."""
    data = copy.deepcopy(good("stacks", 1))
    steps = data["steps"]
    at = next(n for n, step in enumerate(steps) if step["dry"] and steps[n + 1]["dry"])
    low, high = steps[at], steps[at + 1]
    assert set(low["adds"]) & {j[e] for j in data["joints"] if j["id"] in high["dry"] for e in "ab"}
    steps[at], steps[at + 1] = high, low
    low["number"], high["number"] = high["number"], low["number"]
    other = {low["number"]: high["number"], high["number"]: low["number"]}
    for step in steps:
        step["reopens"] = [other.get(number, number) for number in step["reopens"]]
    report = report_of(data, "stacks", 1)
    # beside it only what looks at the dry drawings
    assert {check.name for check in report.checks if check.faults} <= {"closed dry", "sites seen"}
    assert any(fault.text.startswith("dry, ") for fault in report["closed dry"].faults)


def test_putting_back_takes_bench_time():
    """A day is waited for the first glue, less what is done meanwhile: each thing put back counts as one put
    in, and each joint glued."""
    data = good()
    steps, day = data["steps"], 24 * 60.0
    first = next(step for step in steps if step["reopens"])
    assert sum(bool(step["reopens"]) for step in steps) > 2 and steps[-1]["reopens"]
    things = {step["number"]: len(step["adds"]) + len(step["attaches"]) for step in steps}
    meanwhile = 0.0
    for step in steps:
        step["needs_cured"], step["lags_min"] = [], []
        if first["number"] < step["number"] < len(steps):
            handled = things[step["number"]] + sum(things[number] for number in step["reopens"])
            meanwhile += PART_MIN * handled + GLUE_MIN * len(step["glues"])
    steps[-1]["needs_cured"], steps[-1]["lags_min"] = first["glues"][:1], [day]
    assert all(len(entry["copies"]) == 1 for entry in data["assemblies"])
    assert _waiting(PlanFile.model_validate(data))[0] == pytest.approx(day - meanwhile)
