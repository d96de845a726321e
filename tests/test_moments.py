"""Moments say how a surface spreads, however its mesh is cut, and tell ways of standing apart."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from steps.model import quarter_turn
from steps.moments import Moments


def boot() -> trimesh.Trimesh:
    """A solid without any symmetry."""
    sole = trimesh.creation.box(bounds=[[0, 0, 0], [30, 12, 6]])
    leg = trimesh.creation.box(bounds=[[2, 1, 6], [9, 8, 25]])
    return trimesh.util.concatenate([sole, leg])


def test_of_a_square_as_reckoned_by_hand() -> None:
    """Side 2a about its middle: the mean of x2 is a2 / 3. A triangle alone has a third moment."""
    corners = np.array([[-3.0, -3, 0], [3, -3, 0], [3, 3, 0], [-3, 3, 0]])
    found = Moments.of(corners, np.array([[0, 1, 2], [0, 2, 3]]))
    assert found.root_area == pytest.approx(6.0)
    assert found.second == pytest.approx(np.diag([3.0, 3.0, 0.0]))
    assert found.third == pytest.approx(np.zeros((3, 3, 3)), abs=1e-12)
    one = Moments.of(np.array([[0.0, 0, 0], [1, 0, 0], [0, 1, 0]]), np.array([[0, 1, 2]]))
    # integral of (x - 1/3)^3 over the triangle, over its area: 1/135
    assert one.third[0, 0, 0] == pytest.approx(1 / 135)


def test_another_cut_into_triangles_changes_nothing() -> None:
    plain = boot()
    fine = plain.subdivide()
    one, two = (Moments.of(mesh.vertices, mesh.faces) for mesh in (plain, fine))
    assert one.centre == pytest.approx(two.centre) and one.root_area == pytest.approx(two.root_area)
    assert one.second == pytest.approx(two.second) and one.third == pytest.approx(two.third)


def test_a_way_of_standing_is_seen_as_the_turned_mesh_is() -> None:
    mesh = boot()
    turns = np.array([quarter_turn(quarters) for quarters in range(4)])
    seen = Moments.of(mesh.vertices, mesh.faces).seen(turns)
    for turn, row in zip(turns, seen, strict=True):
        turned = Moments.of(mesh.vertices @ turn.T, mesh.faces).seen(np.eye(3)[None])[0]
        assert row == pytest.approx(turned, abs=1e-9)
    assert len(np.unique(seen.round(3), axis=0)) == 4
