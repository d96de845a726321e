"""Along what axes a thing is drawn, and where its front is."""

from dataclasses import replace

import numpy as np
import pytest

from demo_model.beacon import beacon
from steps.draw.heading import front_of, heading_of
from steps.draw.studio import Studio
from steps.draw.views import choose_views
from steps.settings import Settings
from tests.draw_scenes import plan_of

UP = np.array([0.0, 0.0, 1.0])


def turned(degrees: float):
    """The beacon's plan, the whole model turned about the upright."""
    plan = plan_of(beacon(), per_step=3)
    angle = np.radians(degrees)
    turn = np.eye(4)
    turn[:2, :2] = [[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]]
    parts = tuple(replace(part, pose=turn @ part.pose) for part in plan.model.parts)
    return replace(plan, model=replace(plan.model, parts=parts))


@pytest.mark.parametrize("degrees, heading", [(0, 0), (20, 20), (-30, -30), (70, -20), (90, 0)])
def test_the_heading_is_how_far_the_sides_are_off_the_axes(degrees, heading):
    studio = Studio(turned(degrees), Settings())
    assert np.degrees(heading_of(studio, "A1", UP)) == pytest.approx(heading, abs=0.3)


def test_what_stands_askew_is_drawn_along_its_own_axes():
    views = [sight.view.azimuth for sight in choose_views(turned(20), Settings())]
    assert {round(np.degrees(view) - 20) % 90 for view in views} == {45}


@pytest.mark.parametrize("degrees", [0, 20, -30])
def test_the_front_is_the_side_nearest_to_the_front_of_the_model(degrees):
    front = front_of(Studio(turned(degrees), Settings()), "A1", UP)
    angle = np.radians(degrees)
    assert front == pytest.approx([np.sin(angle), -np.cos(angle), 0], abs=0.01)


def test_what_lies_on_its_front_shows_none():
    assert front_of(Studio(turned(0), Settings()), "A1", np.array([0.0, 1.0, 0.0])) is None
