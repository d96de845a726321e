"""Every load case of a plan is tried by verify's own balance: as planned it holds, far graver it does not."""

from __future__ import annotations

import copy
from functools import cache

import numpy as np
import pytest

from steps.glue.cases import OF_AIM
from steps.model import Model
from steps.planfile import PlanFile
from steps.verify import as_printed
from steps.verify.handling import check_handling, ends_of
from steps.verify.replay import Replay
from steps.verify.report import Check
from tests.test_verify_mutations import Data, good

#: How often each is tried: once, or in four directions.
TIMES = {"base": 1, "body": 1, "tilt": 4, "knock": 4, "car": 4}


@cache
def replay() -> Replay:
    model, data = good()
    plan = PlanFile.model_validate(data)
    return Replay(plan, as_printed(plan, model))


def handled(model: Model, data: Data, **cases: float) -> Check:
    """The check with the cases as grave as told, and all others switched off."""
    changed = copy.deepcopy(data)
    off = dict.fromkeys((*TIMES, "pull", "shelf", "turn"), 0.0)
    changed["settings"]["glue"] = {**changed["settings"].get("glue", {}), "cases": {**off, **cases}}
    return check_handling(PlanFile.model_validate(changed), replay().footing)


def test_the_cases_of_the_aim_are_tried_and_hold() -> None:
    _, data = good()
    check = check_handling(PlanFile.model_validate(data), replay().footing)
    assert check.ok and check.looked_at == sum(TIMES.get(kind, 0) for kind in OF_AIM["one-piece"])


@pytest.mark.parametrize("kind", ["body", "tilt", "knock", "car"])
def test_a_case_far_graver_than_what_holds_comes_apart(kind: str) -> None:
    model, data = good()
    assert handled(model, data, **{kind: 0.5}).looked_at == TIMES[kind]
    grave = handled(model, data, **{kind: 1e4})
    assert grave.looked_at == TIMES[kind] and grave.faults
    assert all("it comes apart" in fault.text for fault in grave.faults)


def test_what_lies_on_what_is_held_bears_any_weight() -> None:
    model, data = good()
    check = handled(model, data, base=1e4)
    assert check.ok and check.looked_at == 1


def test_a_child_pulls_at_every_part_each_way() -> None:
    model, data = good()
    plan, footing = PlanFile.model_validate(data), replay().footing
    names, up = [part.id for part in plan.parts], np.array(plan.steps[-1].up)
    base = footing.stander.on_table(names, up, footing.stander.lowest(names, up))
    check = handled(model, data, pull=1.0)
    assert check.looked_at == 6 * (len(names) - len(base))
    assert set(ends_of(footing, names, up)) <= set(base)


def test_what_the_plan_says_itself_is_not_asked_again() -> None:
    _, data = good()
    for change in (
        {
            "problems": [
                *data["problems"],
                {"code": "comes-off", "severity": "warning", "parts": [], "text": ""},
            ]
        },
        {"pieces": 2},
    ):
        plan = PlanFile.model_validate({**copy.deepcopy(data), **change})
        check = check_handling(plan, replay().footing)
        assert not check.looked_at and check.remark
