"""What `inspect` says before there is an order, against towers whose truth is plain and against plans."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from demo_model import solids
from demo_model.scene import shift
from demo_model.solids import Module
from steps.features import measure
from steps.foreseen import foreseen, foreseen_problems
from steps.inspect_report import inspection, report_blocks
from steps.joints import find_joints
from steps.model import Model
from steps.pipeline import Survey, make_plan
from steps.settings import Settings
from tests.joint_cases import Solid, placed
from tests.models import family
from tests.models.files import model_of
from tests.models.value import Made


def tower(blocks: int, clearance: float, scale: float = 1.0) -> Model:
    """Blocks 2 x 2 one on the other; the gap is ``clearance`` a side at 1x."""
    module = Module(clearance=clearance, facets=16, scale=scale)
    one = solids.block(2, 2, module)
    items = [(Solid(one.vertices, one.faces), shift(0, 0, n * module.block * scale)) for n in range(blocks)]
    return placed(items, scale=scale)


def surveyed(model: Model, **options: object) -> tuple[Survey, Settings]:
    settings = Settings.model_validate({"scale": model.scale, **options})
    measures = measure(model, settings)
    return Survey(model, measures, find_joints(model, measures, settings)), settings


def told(model: Model, **options: object) -> dict[str, str]:
    found, settings = surveyed(model, **options)
    ahead = foreseen(found.model, found.measures, found.joints, settings)
    problems = foreseen_problems(ahead, found.model, found.measures, found.joints, settings)
    return {problem.code: problem.text for problem in problems}


def test_a_loose_tower_of_five_needs_glue_at_four_joints_at_least() -> None:
    """0.1 mm a side is 0.4 mm at 4x: nothing grips, and five pieces are one by four bonds."""
    found, settings = surveyed(tower(5, 0.1, 4.0))
    ahead = foreseen(found.model, found.measures, found.joints, settings)
    assert (len(ahead.unsure), ahead.at_least, ahead.hard) == (4, 4, ())
    text = told(tower(5, 0.1, 4.0))["unsure-joints"]
    assert text.startswith("4 of 4 joints") and "At least 4 joints need glue" in text
    display, shown = surveyed(tower(5, 0.1, 4.0), aim="display")
    assert foreseen(display.model, display.measures, display.joints, shown).at_least == 0


def test_a_tower_that_grips_needs_none_and_one_that_is_squeezed_hard_is_not_for_hands() -> None:
    assert told(tower(3, 0.04)) == {}
    hard = told(tower(3, -0.3))["hard-to-press"]
    assert hard.startswith("2 of 2 joints are not closed by hands") and "--refit press" in hard
    assert "--refit press" not in told(tower(3, -0.3), refit="press")["hard-to-press"]


def bridge(clearance: float) -> Model:
    """A slab across three posts."""
    module = Module(clearance=clearance, facets=16)
    post, top = solids.block(2, 2, module), solids.slab(6, 2, module)
    items = [(Solid(post.vertices, post.faces), shift(2 * n * module.pitch, 0, 0)) for n in range(3)]
    return placed([*items, (Solid(top.vertices, top.faces), shift(0, 0, module.block))])


def test_joints_that_hands_close_one_by_one_but_not_together_are_foretold_as_the_plan_tells_them() -> None:
    found, settings = surveyed(bridge(0.05))
    ahead = foreseen(found.model, found.measures, found.joints, settings)
    assert not ahead.hard and [len(closing) for closing in ahead.together.values()] == [3]
    push = sum(joint.push_n for joint in found.joints.joints)
    plan = make_plan(found.model, settings)
    (hard,) = [problem.text for problem in plan.problems if problem.code == "hard-to-press"]
    text = told(bridge(0.05))["hard-together"]
    assert f"up to {push:.0f} N laid on 3 parts together (J1, J2, J3)" in text
    assert f"J1, J2, J3 need about {push:.0f} N together to close" in hard
    assert hard.endswith(text[text.index("The figure is") :])  # and the same cure
    assert "hard-together" not in told(bridge(0.07))


def test_a_wall_that_would_crack_is_told_by_report_and_plan() -> None:
    made = model_of(family("side studs", 1, most=9))
    settings = Settings(refit=0.15)
    plan = make_plan(made, settings)
    ahead = foreseen(plan.model, plan.measures, plan.joints, settings)
    assert ahead.hard and all(joint.closes_by == "none" for joint in ahead.hard)
    hard = [problem.text for problem in plan.problems if problem.code == "hard-to-press"]
    assert hard and all("a wall cracks before" in text for text in hard)


def test_a_report_with_a_warning_never_says_that_there_are_none() -> None:
    for clearance, clean in ((0.04, True), (-0.3, False)):
        report = inspection(*surveyed(tower(2, clearance)))
        lines = [str(block) for block in report_blocks(report)]
        assert any(line.startswith("No problems found") for line in lines) == clean
        assert bool(report.problems) != clean


def test_studs_too_near_for_a_nozzle_are_told_with_the_unit_that_was_likely_meant() -> None:
    """Inches that were read as millimetres: a spacing of 10 mm is 0.39."""
    text = told(tower(2, 0.1, 1 / 25.4), scale=1 / 25.4)["unit"]
    assert "0.39 mm apart" in text and "inches" in text and "--scale 1" in text


@pytest.mark.parametrize(
    ("name", "seed"), [("stacks", 0), ("bridges", 1), ("cantilevers", 1), ("tied towers", 0)]
)
def test_a_plan_glues_no_fewer_than_was_foretold(name: str, seed: int) -> None:
    """Load cases may add; where it is no one piece, the plan says so."""
    made: Made = family(name, seed, most=10)
    for scale in (1.0, 4.0):
        plan = make_plan(model_of(made, scale), Settings(scale=scale))
        ahead = foreseen(plan.model, plan.measures, plan.joints, Settings(scale=scale))
        apart = any(problem.code == "not-one-piece" for problem in plan.problems)
        assert ahead.at_least <= len(plan.gluing.glued) or apart
        hard = [problem for problem in plan.problems if problem.code == "hard-to-press"]
        assert bool(ahead.hard or ahead.together) == bool(hard)


def test_a_lone_part_has_nothing_to_tell() -> None:
    model = tower(1, 0.1)
    assert told(model) == {}
    assert np.isfinite(inspection(*surveyed(replace(model))).printed_g)
