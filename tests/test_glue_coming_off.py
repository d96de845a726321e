"""What nothing ties, and where it comes off: by solids whose ends are open or shut."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from manifold3d import Manifold

from steps.booklet.compose import compose
from steps.booklet.content import Marked
from steps.booklet.words import words_in
from steps.model import Model
from steps.pipeline import make_plan
from steps.planfile import plan_file
from steps.settings import Settings
from steps.verify import verify_plan
from tests.joint_cases import box, placed, rod, shift
from tests.models.families import family
from tests.models.files import model_of

#: Code, parts and sides of what a plan tells.
Told = set[tuple[str, tuple[str, ...], tuple[str, ...]]]


def across(radius: float, length: float, at: float) -> Manifold:
    """A round rod along y from ``at``."""
    return rod(radius, length).rotate([-90, 0, 0]).translate([0, at, 0])


def wheels(*at: float, head: bool = False, cap: bool = False) -> Model:
    """An axle (P1) that turns in two cheeks on a foot (P2 to P4), and a wheel from each y; it may have a
    head in front, and a cap pressed on behind."""
    axle = across(4, 104, -32) + (across(7, 2, -32) if head else Manifold())
    cheek = box((-9, 0, -30), (9, 8, 9)) - across(4.2, 20, -5)
    wheel = across(12, 8, 0) - across(4.2, 20, -5)
    foot = box((-16, 0, -40), (16, 40, -30))
    things = [(axle, shift(0, 0, 0)), (foot, shift(0, 0, 0))]
    things += [(cheek, shift(0, 2, 0)), (cheek, shift(0, 30, 0))]
    things += [(wheel, shift(0, y, 0)) for y in at]
    return placed([*things, *([(across(7, 6, 66) - across(3.95, 9, 65), shift(0, 0, 0))] if cap else [])])


def in_groove(shut: bool = False, cap: bool = False) -> Model:
    """A slider (P2) whose groove holds the head of a rail (P1), which may have a stop on its right; it may
    have two studs and a cap on them."""
    rail = box((-30, -20, 0), (30, 20, 10)) + box((-30, -4, 9), (30, 4, 14)) + box((-30, -7, 14), (30, 7, 18))
    rail += box((25, -9, 9), (30, 9, 18)) if shut else Manifold()
    slider = box((-10, -15, 10), (10, 15, 26)) - box((-11, -4.2, 9), (11, 4.2, 14))
    slider -= box((-11, -7.2, 13.8), (11, 7.2, 18.2))
    if not cap:
        return placed([(rail, shift(0, 0, 0)), (slider, shift(0, 0, 0))])
    studs, holes = (
        rod(radius, length).translate([-5, 0, 25]) + rod(radius, length).translate([5, 0, 25])
        for radius, length in ((3.0, 5.0), (2.95, 5.2))
    )
    top = box((-10, -15, 26), (10, 15, 34)) - holes
    return placed([(thing, shift(0, 0, 0)) for thing in (rail, slider + studs, top)])


def told(model: Model) -> Told:
    settings = Settings()
    plan = make_plan(model, settings)
    report = verify_plan(plan_file(plan, settings), plan.model)
    assert report.ok, report.faults_text()
    assert not [joint.id for joint in plan.joints.joints if joint.moves and joint.id in plan.gluing.glued]
    codes = ("slides-off", "comes-off", "kept-in")
    return {
        (each.code, tuple(sorted(each.parts)), each.sides) for each in plan.problems if each.code in codes
    }


def test_a_wheel_comes_off_at_its_end_of_the_axle_and_the_axle_at_both() -> None:
    off = {("P5", ("front",)), ("P6", ("back",)), ("P1", ("back", "front"))}
    assert told(wheels(-10, 42)) == {("slides-off", (part,), sides) for part, sides in off}


def test_a_wheel_pushes_another_off_before_it() -> None:
    assert ("slides-off", ("P5", "P6"), ("front",)) in told(wheels(-10, -20))


def test_what_is_on_the_axle_comes_off_with_it_past_an_open_end() -> None:
    """Its head keeps the wheel from going off alone: pushed, both go."""
    assert told(wheels(-10, head=True)) == {("slides-off", ("P1", "P5"), ("front",))}


def test_a_head_and_a_cap_keep_the_wheels_in() -> None:
    assert told(wheels(-10, 42, head=True, cap=True)) == {("kept-in", ("P1", "P5", "P6", "P7"), ())}


@pytest.mark.parametrize(("shut", "sides"), [(False, ("left", "right")), (True, ("left",))])
def test_what_slides_in_a_groove_comes_off_where_that_is_open(shut: bool, sides: tuple[str, ...]) -> None:
    assert told(in_groove(shut)) == {("slides-off", ("P2",), sides)}


def test_what_stands_beside_by_itself_stops_nothing() -> None:
    groove = in_groove()
    beside = (box((34, -20, 0), (44, 20, 40)), shift(0, 0, 0))
    parts = [(groove.shape_by_id[part.shape], part.pose) for part in groove.parts]
    assert told(placed([*parts, beside])) == {("slides-off", ("P2",), ("left", "right"))}


@pytest.mark.parametrize("make", [wheels, in_groove])
@pytest.mark.parametrize(
    ("aim", "severity"), [("one-piece", "warning"), ("handled", "warning"), ("display", "note")]
)
def test_what_will_be_handled_is_warned_of(make: Callable[[], Model], aim: str, severity: str) -> None:
    plan = make_plan(make(), Settings.model_validate({"aim": aim}))
    (off,) = [each for each in plan.problems if each.code == "slides-off"]
    assert off.severity == severity
    assert off.text.endswith(f"comes off there: {', '.join(off.sides)}.")


def test_a_booklet_tells_it_once_at_the_step_where_the_part_goes_in() -> None:
    """And not again where the thing that it belongs to is put on its foot."""
    model = wheels(-10, 50)
    apart = [part.source for part in model.parts if part.id != "P2"]
    settings = Settings.model_validate({"order": {"together": [apart]}})
    plan = make_plan(model, settings)
    assert len(plan.order.assemblies) == 2
    slides = {part: each.sides for each in plan.problems if each.code == "slides-off" for part in each.parts}
    assert slides
    told = {}
    for sheet in compose(plan, settings, words_in("en")).sheets:
        words = [each.words for each in sheet.blocks if isinstance(each, Marked)]
        said = [each for each in words if "Nothing stops" in each]
        if sheet.step and said:
            told[sheet.step] = said
    goes_in = {part: step.number for step in plan.order.steps for part in step.adds if part in slides}
    assert set(told) == set(goes_in.values()) and set(goes_in) == set(slides)
    for part, number in goes_in.items():
        assert [f"It comes off: {', '.join(slides[part])}." in each for each in told[number]].count(True) == 1


def test_what_lies_in_a_drawer_is_told_of_where_the_drawer_goes_in() -> None:
    """Once, where it meets its case; nothing of it while it is filled on the table."""
    settings = Settings()
    plan = make_plan(model_of(family("drawers", 62, most=6)), settings)
    (off,) = [each for each in plan.problems if each.code == "slides-off"]
    assert len(off.parts) == 2  # the drawer, and what lies in it
    told = [
        sheet.step
        for sheet in compose(plan, settings, words_in("en")).sheets
        for each in sheet.blocks
        if isinstance(each, Marked) and "Nothing stops" in each.words
    ]
    ends = {joint.id: {joint.a, joint.b} for joint in plan.joints.joints}
    goes_in = [
        step.number
        for step in plan.order.steps
        if any(len(ends[name] & set(off.parts)) == 1 for name in step.closes)
    ]
    assert told == goes_in and len(told) == 1


def test_of_what_slides_on_each_other_each_is_told_of() -> None:
    settings = Settings()
    plan = make_plan(model_of(family("dovetails", 94, most=4)), settings)
    off = {part for each in plan.problems if each.code == "slides-off" for part in each.parts}
    sheets = compose(plan, settings, words_in("en")).sheets
    told = {
        sheet.step
        for sheet in sheets
        if any(isinstance(each, Marked) and "Nothing stops" in each.words for each in sheet.blocks)
    }
    _, *rest = plan.order.steps
    assert len(off) == len(rest) and told == {step.number for step in rest}


def test_what_is_pressed_on_a_slider_is_not_told_of() -> None:
    """A cap on a slider's two studs stays on it: what comes off is told where the slider meets its rail."""
    plan = make_plan(in_groove(cap=True), Settings())
    off = {part for each in plan.problems if each.code == "slides-off" for part in each.parts}
    assert off == {"P2", "P3"}
    ends = {joint.id: {joint.a, joint.b} for joint in plan.joints.joints}
    (meets,) = (
        step.number for step in plan.order.steps if {"P1", "P2"} in [ends[name] for name in step.closes]
    )
    told = [
        sheet.step
        for sheet in compose(plan, Settings(), words_in("en")).sheets
        for each in sheet.blocks
        if isinstance(each, Marked) and "Nothing stops" in each.words
    ]
    assert told == [meets]
