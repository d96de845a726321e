"""Where parts go: places on what receives them."""

from dataclasses import replace

import numpy as np
import pytest

from demo_model.beacon import beacon
from steps.draw.lift import lifted_things
from steps.draw.sites import CLEAR_MM, CORNER_SHARE, ROUND_SHARE, places_of, sites_of, telling
from steps.draw.studio import Studio
from steps.model import Touch
from steps.settings import Settings
from tests.draw_scenes import plan_of

NONE = np.zeros((0, 3))
STUD = Touch("stud", "P1", [10, 20, 30], [0, 0, 1], 0.1, 0.1, 4.0, 1.0, NONE, NONE, radius_mm=3.0)


def test_a_stud_receives_on_its_end_and_a_socket_at_its_mouth():
    for carries, level in ((True, 32 + CLEAR_MM), (False, 28 - CLEAR_MM)):
        places = places_of(STUD, carries)
        assert places[:, 2] == pytest.approx(level)
        away = np.linalg.norm(places[:, :2] - [10, 20], axis=1)
        assert away[0] == pytest.approx(0) and away[1:] == pytest.approx(3.0 * ROUND_SHARE)


def test_a_ball_receives_where_it_shows_and_a_cup_at_its_mouth():
    ball = replace(STUD, kind="ball")
    assert places_of(ball, True)[0, 2] > 30 > places_of(ball, False)[0, 2] > 27


def test_a_face_receives_within_its_corners():
    corners = np.array([[0, 0, 5], [8, 0, 5], [8, 4, 5], [0, 4, 5.0]])
    rest = replace(
        STUD, kind="rest", point=np.array([4, 2, 5.0]), points=corners, normals=np.tile([0, 0, 1], (4, 1))
    )
    places = places_of(rest, True)
    assert places[:, 2] == pytest.approx(5 + CLEAR_MM)
    assert np.ptp(places[:, 0]) == pytest.approx(8 * CORNER_SHARE)


def test_every_joint_that_opens_has_its_places_on_what_stands():
    studio = Studio(plan_of(beacon(), per_step=2), Settings())
    for step in studio.plan.order.steps:
        for one in lifted_things(studio, step):
            sites = sites_of(one)
            assert len(sites) == (len(one.joints) if one.is_lifted else 0)
            for joint, seat, places in zip(one.joints, one.seats, sites, strict=False):
                other = joint.b if joint.a in one.thing.parts else joint.a
                low, high = studio.plan.model.part_bounds[studio.plan.model.index_of[other]] + seat
                assert len(places) == 5 * len(telling(joint))
                assert ((places >= low - 3) & (places <= high + 3)).all()
