"""The pointer on the table: before the front, or beside what hides it, pointing to the front."""

from dataclasses import replace

import numpy as np
import pytest

from demo_model.beacon import beacon
from renderer.camera import ISOMETRIC_ELEVATION, axes_of
from steps.draw import overview_picture, step_picture
from steps.draw.front import FILL_MM, pointer, pointer_mm
from steps.draw.sheet import Field
from steps.draw.studio import Studio
from steps.model import Sight, View
from steps.settings import Settings
from tests.draw_scenes import plan_of

UP, FRONT = np.array([0.0, 0.0, 1.0]), np.array([0.0, -1.0, 0.0])


@pytest.fixture(scope="module")
def studio():
    return Studio(plan_of(beacon(), per_step=3), Settings())


@pytest.mark.parametrize("azimuth", [-45.0, -135.0, 45.0, 135.0])
def test_it_lies_on_the_table_off_what_is_built_and_points_to_the_front(studio, azimuth):
    rows = np.arange(len(studio.plan.model.parts))
    field = Field(120, 90)
    axes = axes_of(np.radians(azimuth), ISOMETRIC_ELEVATION, UP)
    low, high = studio.plan.model.bounds
    camera = field.camera(axes, np.array([low, high]), 10)
    corners = pointer(studio, camera, rows, UP, FRONT, 8.0)
    assert corners[:, 2] == pytest.approx(low[2])
    along = corners[0] - corners[1:].mean(axis=0)
    assert along == pytest.approx(8.0 * FRONT)
    outside = (corners < low - 1e-9) | (corners > high + 1e-9)
    assert outside.any(axis=1).all()
    # on a side that the viewer sees
    middle = corners.mean(axis=0) - (low + high) / 2
    assert middle[:2] @ axes[2][:2] > 0


def pointed(picture) -> bool:
    return sum(stroke.width_mm == FILL_MM for stroke in picture.strokes) > 5


def test_every_overview_and_every_step_from_any_side_has_one(studio):
    for azimuth in (-45.0, 45.0):
        views = [View(float(np.radians(azimuth)), ISOMETRIC_ELEVATION)] * 4
        sights = tuple(Sight(n, each, {}) for n, each in enumerate(views, start=1))
        here = Studio(replace(studio.plan, sights=sights), Settings())
        assert pointed(step_picture(here, 1, 100, 80))
    assert pointed(overview_picture(studio, 2, 40, 30))


def test_in_a_small_picture_it_is_small():
    assert pointer_mm(Field(25, 20)) < 3 < pointer_mm(Field(150, 120))
