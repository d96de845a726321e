"""Checks of the parallel camera against ISO 5456-3 and elementary geometry."""

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from renderer.camera import ISOMETRIC_ELEVATION, Camera, axes_of, framed, upright

ANGLES = st.floats(-3.1, 3.1)


def test_isometric_axes_are_equally_foreshortened_at_thirty_degrees():
    # ISO 5456-3: foreshortening sqrt(2/3) = 0.816497 on all axes, x and y drawn at 30 degrees
    axes = axes_of(np.pi / 4, ISOMETRIC_ELEVATION)
    drawn = axes[:2] @ np.eye(3)
    assert np.linalg.norm(drawn, axis=0) == pytest.approx(np.full(3, 0.816497), abs=1e-6)
    assert np.degrees(ISOMETRIC_ELEVATION) == pytest.approx(35.264, abs=1e-3)
    angles = np.degrees(np.arctan2(drawn[1], drawn[0])) % 180
    assert angles == pytest.approx([30.0, 150.0, 90.0], abs=1e-9)


def test_dimetric_seven_forty_two_foreshortens_as_published():
    # ISO 5456-3 dimetric: elevation 19.471, azimuth 20.705 degrees give scales .9428, .9428 and .4714
    axes = axes_of(np.radians(-90 + 20.705), np.radians(19.471))
    scales = np.linalg.norm(axes[:2] @ np.eye(3), axis=0)
    assert scales == pytest.approx([0.9428, 0.4714, 0.9428], abs=1e-4)


@given(ANGLES, ANGLES, st.tuples(*[st.floats(-1, 1)] * 3))
def test_axes_are_right_handed_and_orthonormal(azimuth, elevation, up):
    if np.linalg.norm(up) < 1e-3:
        up = (0, 0, 1)
    axes = axes_of(azimuth, elevation, up)
    assert axes @ axes.T == pytest.approx(np.eye(3), abs=1e-9)
    assert np.linalg.det(axes) == pytest.approx(1.0, abs=1e-9)


@given(st.tuples(*[st.floats(-1, 1)] * 3))
@example((0.0, 2.7388786788003947e-161, -0.5))
def test_upright_takes_up_to_z_by_the_smallest_turn(up):
    length = np.linalg.norm(up)
    if length < 1e-3:
        return
    turn = upright(up)
    unit = np.array(up) / length
    assert turn @ unit == pytest.approx([0, 0, 1], abs=1e-7)
    # the angle of the turn is the angle between up and z, no more
    turned = np.arccos(np.clip((np.trace(turn) - 1) / 2, -1, 1))
    assert turned == pytest.approx(np.arccos(np.clip(unit[2], -1, 1)), abs=1e-5)


def test_up_is_up_on_the_picture_and_nearer_is_less_deep():
    camera = framed(axes_of(0.3, 0.5), [[-1, -1, -1], [1, 1, 1]], 100, 80)
    base, above = camera.project([[0, 0, 0], [0, 0, 0.5]])
    assert above[1] < base[1] and above[0] == pytest.approx(base[0])
    nearer = camera.project([camera.toward])[0]
    assert nearer[2] == pytest.approx(base[2] - 1.0)


@given(ANGLES, st.floats(-1.5, 1.5), st.lists(st.tuples(*[st.floats(-50, 50)] * 3), min_size=2, max_size=9))
def test_framed_shows_every_point_and_touches_the_margin(azimuth, elevation, points):
    points = np.array(points)
    if np.ptp(points @ axes_of(azimuth, elevation)[:2].T, axis=0).max() < 1e-3:
        return
    camera = framed(axes_of(azimuth, elevation), points, 200, 150, margin=10)
    seen = camera.project(points)
    slack = 1e-6
    assert seen[:, 0].min() >= 10 - slack and seen[:, 0].max() <= 190 + slack
    assert seen[:, 1].min() >= 10 - slack and seen[:, 1].max() <= 140 + slack
    assert np.ptp(seen[:, 0]) == pytest.approx(180) or np.ptp(seen[:, 1]) == pytest.approx(130)


@given(st.floats(0, 200), st.floats(0, 150), st.floats(-40, 40))
def test_unproject_undoes_project(column, row, depth):
    camera = Camera(*axes_of(0.7, 0.4), [3, -2, 5], 0.37, 200, 150)
    point = camera.unproject(column, row, depth)
    assert camera.project(point) == pytest.approx([column, row, depth], abs=1e-9)


def test_a_camera_without_pixels_is_refused():
    with pytest.raises(ValueError, match="0 x 5 pixels"):
        Camera(*np.eye(3), [0, 0, 0], 1.0, 0, 5)
