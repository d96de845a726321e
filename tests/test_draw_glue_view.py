"""Pictures of a glue sheet: every glued joint has its number, and the numbers can be read."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest

from demo_model.beacon import beacon
from demo_model.seawall import sea_wall
from steps.draw import Studio, glue_picture, glue_view, joint_number
from steps.draw.guides import guides_of
from steps.draw.lift import lifted_things
from steps.draw.sheet import Field
from steps.model import Adhesive, GlueFace, StepWork, Work
from steps.settings import Settings
from tests.draw_scenes import plan_of

SIZES = ((76.0, 46.0), (50.0, 40.0))


def glued_everywhere(plan):
    """The plan with every joint glued in the step that closes it."""
    studio = Studio(plan, Settings())
    work = []
    for step in plan.order.steps:
        joints = [joint.id for one in lifted_things(studio, step) for joint in one.joints]
        work.append(StepWork(step.number, tuple(joints), 1))
    marks = dict.fromkeys(plan.gluing.marks, "glue")
    return replace(plan, gluing=replace(plan.gluing, marks=marks), work=Work(tuple(work)))


@pytest.fixture(scope="module", params=[beacon, lambda: sea_wall(60)], ids=["beacon", "wall"])
def studio(request) -> Studio:
    return Studio(glued_everywhere(plan_of(request.param(), per_step=3)), Settings())


def glue_steps(studio: Studio) -> list[StepWork]:
    return [step for step in studio.plan.work.steps if step.glues]


@pytest.mark.parametrize("size", SIZES)
def test_every_glued_joint_of_the_step_has_its_number_once(studio, size):
    assert glue_steps(studio)
    for step in glue_steps(studio):
        shown = [balloon.text for balloon in glue_picture(studio, step.number, *size).balloons]
        assert sorted(shown) == sorted(joint_number(joint) for joint in step.glues)


@pytest.mark.parametrize("size", SIZES)
def test_numbers_stand_inside_the_picture_and_apart(studio, size):
    for step in glue_steps(studio):
        picture = glue_picture(studio, step.number, *size)
        for balloon in picture.balloons:
            for at, whole in zip(balloon.centre, size, strict=True):
                assert balloon.radius_mm <= at <= whole - balloon.radius_mm
        if len(picture.balloons) <= 6:
            for one, two in combinations(picture.balloons, 2):
                gap = np.hypot(*np.subtract(one.centre, two.centre)) - one.radius_mm - two.radius_mm
                assert gap > 0, f"step {step.number}: {one.text} and {two.text}"


def test_only_what_is_glued_is_numbered(studio):
    step = glue_steps(studio)[0]
    kept = step.glues[0]
    work = tuple(replace(one, glues=one.glues[:1]) for one in studio.plan.work.steps)
    plan = replace(studio.plan, work=Work(work))
    picture = glue_picture(Studio(plan, Settings()), step.number, *SIZES[0])
    assert [balloon.text for balloon in picture.balloons] == [joint_number(kept)]


@pytest.mark.parametrize("size", SIZES)
def test_a_number_points_at_its_own_joint(studio, size):
    """The leader ends on paper where one of the joint's guides runs, or in the middle of them."""
    field = Field(*size)
    for work in glue_steps(studio):
        step = studio.plan.sequence.by_number[work.number].step
        lifted = [one for one in lifted_things(studio, step) if one.joints]
        camera = glue_view._camera(studio, step, field, lifted)
        ways = glue_view._by_joint(guides_of(lifted))
        for balloon in glue_picture(studio, work.number, *size).balloons:
            points = [glue_view._along(guide) for guide in ways[f"J{balloon.text}"]]
            paper = field.paper(camera, np.concatenate([*points, np.concatenate(points).mean(axis=0)[None]]))
            assert np.linalg.norm(paper - balloon.target, axis=1).min() < 0.5


def test_a_childs_numbers_have_larger_circles(studio):
    number = glue_steps(studio)[0].number
    child = Studio(studio.plan, Settings(reader="child"))
    for one, two in zip(
        glue_picture(studio, number, *SIZES[0]).balloons,
        glue_picture(child, number, *SIZES[0]).balloons,
        strict=True,
    ):
        assert two.radius_mm == pytest.approx(1.25 * one.radius_mm)


def test_same_plan_same_picture(studio):
    number = glue_steps(studio)[0].number
    one, two = (glue_picture(Studio(studio.plan, Settings()), number, *SIZES[0]) for _ in range(2))
    assert one.balloons == two.balloons and (one.pixels == two.pixels).all()


def test_a_joints_number_is_that_of_the_plan():
    assert joint_number("J12") == "12"
    assert joint_number("x") == "x"


@pytest.fixture(scope="module")
def wet() -> Studio:
    """The beacon with every joint glued on its flat faces, four drops each."""
    plan = glued_everywhere(plan_of(beacon(), per_step=3))
    faces = {joint.id: (GlueFace("rest", joint.a, 100.0, 0.0, SQUARE),) for joint in plan.joints.joints}
    glue = replace(plan.gluing, adhesive=Adhesive("cyanoacrylate", drop_ml=0.0057), faces=faces)
    return Studio(replace(plan, gluing=replace(glue, drops=dict.fromkeys(faces, 4))), Settings())


SQUARE = np.array([[0.0, 0.0, 50.0], [40.0, 0.0, 50.0], [40.0, 40.0, 50.0], [0.0, 40.0, 50.0]])


def test_places_for_glue_lie_inside_the_face():
    places = glue_view._places(SQUARE)
    assert len(places) == glue_view.PLACES**2
    assert np.allclose(places[:, 2], 50.0)
    assert (places[:, :2] > 0).all() and (places[:, :2] < 40).all()
    triangle = glue_view._places(SQUARE[:3])
    assert (triangle[:, 1] < triangle[:, 0] + 1e-9).all() and len(triangle) > 100


def test_drops_are_as_many_as_the_plan_says_and_apart():
    points = np.stack(np.meshgrid(np.linspace(0, 20, 30), np.linspace(0, 10, 15)), axis=-1).reshape(-1, 2)
    for count in (0, 1, 4, 9):
        chosen = glue_view._spread(points, count)
        assert len(chosen) == count
        for one, two in combinations(chosen, 2):
            assert np.hypot(*(one - two)) > glue_view.DROP_MM
    assert len(glue_view._spread(points[:1], 4)) == 1


def test_glue_is_drawn_where_the_face_shows_and_nowhere_else(wet):
    drawn = 0
    for step in glue_steps(wet):
        with_glue = glue_picture(wet, step.number, *SIZES[0]).strokes
        faces = replace(wet.plan.gluing, faces={})
        bare = glue_picture(
            Studio(replace(wet.plan, gluing=faces), Settings()), step.number, *SIZES[0]
        ).strokes
        more = len(with_glue) - len(bare)
        assert more % 2 == 0 and more <= 2 * 4 * len(step.glues)
        drawn += more
    assert drawn > 0
