"""What a drawing shows of where parts go, found by rays of the proof's own."""

import numpy as np
import pytest

from steps.planfile import PlanFile
from steps.verify.report import Check
from steps.verify.sights import LEAST, shares_seen
from tests.test_verify_mutations import good


def test_the_bars_are_kept_and_told_as_found():
    # issue: seven tenths in the median, 0.35 at least, in the drawing or in a closer look
    model, data = good()
    check = Check("sites seen", "things")
    seen = shares_seen(PlanFile.model_validate(data), model, check)
    assert not check.faults and len(seen) >= 8
    assert np.median(seen) >= 0.7 and min(seen) >= LEAST
    told = [share for step in data["steps"] for share in step["sites"].values()]
    assert len(told) == len(seen)
    assert np.mean(told) == pytest.approx(np.mean(seen), abs=0.1)


def test_a_part_lifted_by_a_hair_hides_where_it_goes():
    model, data = good()
    plan = PlanFile.model_validate(data)
    steps = [
        step.model_copy(
            update={"lifts": {part: tuple(0.02 * x for x in lift) for part, lift in step.lifts.items()}}
        )
        for step in plan.steps
    ]
    low = shares_seen(plan.model_copy(update={"steps": tuple(steps)}), model, Check("sites seen", "things"))
    assert np.median(low) < 0.2


def test_a_plan_that_tells_of_no_drawings_is_not_judged():
    model, data = good()
    plan = PlanFile.model_validate(data)
    bare = tuple(step.model_copy(update={"lifts": {}, "sites": {}, "closer": ()}) for step in plan.steps)
    assert shares_seen(plan.model_copy(update={"steps": bare}), model, Check("sites seen", "things")) == []
