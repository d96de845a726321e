"""Tidying a mesh: what is merged, dropped, turned, and what is left alone."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from steps.intake.meshes import Alike, tidy
from steps.mend import soup as soup_module
from steps.mend.soup import merge_equal
from tests.intake_files import SCREW, box, shuffled


def volume(mesh) -> float:
    return float(trimesh.Trimesh(mesh.vertices, mesh.faces, process=False).volume)


def area(vertices, faces) -> float:
    return float(trimesh.Trimesh(vertices, faces, process=False).area)


def test_soup_becomes_a_closed_mesh():
    vertices, faces = SCREW
    soup = vertices[faces].reshape(-1, 3)
    mesh = tidy(soup, np.arange(len(soup)).reshape(-1, 3))
    assert len(mesh.vertices) == len(SCREW[0])
    assert mesh.closed
    assert volume(mesh) == pytest.approx(4000)


def test_merging_keeps_the_order_of_first_use():
    vertices = np.array([[5.0, 0, 0], [1, 0, 0], [5, 0, 0], [9, 9, 9], [0, 1, 0], [-0.0, 0, 1], [0.0, 0, 1]])
    merged, faces = merge_equal(vertices, np.array([[4, 2, 1], [0, 5, 6]]))
    assert merged.tolist() == [[0, 1, 0], [5, 0, 0], [1, 0, 0], [0, 0, 1]]
    assert faces.tolist() == [[0, 1, 2], [1, 3, 3]]


def test_places_with_equal_digests_are_still_told_apart(monkeypatch):
    vertices, faces = SCREW
    soup = vertices[faces].reshape(-1, 3)
    order = np.arange(len(soup)).reshape(-1, 3)
    want = merge_equal(soup, order)
    monkeypatch.setattr(soup_module, "_ODD", np.zeros(3, dtype=np.uint64))
    for got, expected in zip(merge_equal(soup, order), want, strict=True):
        np.testing.assert_array_equal(got, expected)


def test_cracks_are_closed_and_how_wide_they_were_is_kept():
    vertices, faces = SCREW
    random = np.random.default_rng(3)
    soup = vertices[faces].reshape(-1, 3)
    order = np.arange(len(soup)).reshape(-1, 3)
    hair = tidy(soup + random.uniform(-1, 1, soup.shape) * 5e-6, order)
    assert hair.closed and hair.mending.found == {}  # files round so
    crack = tidy(soup + random.uniform(-1, 1, soup.shape) * 5e-3, order)
    assert crack.closed and crack.mending.found == {"corners joined": len(soup) - len(SCREW[0])}
    assert 0.005 < crack.mending.reach_mm < 0.04


def test_inside_out_is_turned_and_said():
    vertices, faces = SCREW
    mesh = tidy(vertices, faces[:, ::-1])
    assert mesh.mending.found == {"inside out": 1}
    assert volume(mesh) == pytest.approx(4000)
    assert tidy(vertices, faces).mending.found == {}


def test_faces_wound_at_random_are_made_consistent():
    vertices, faces = SCREW
    random = np.random.default_rng(4)
    some = random.random(len(faces)) < 0.4
    mixed = np.where(some[:, None], faces[:, ::-1], faces)
    mesh = tidy(vertices, mixed)
    assert mesh.closed
    assert volume(mesh) == pytest.approx(4000)


def test_a_missing_face_is_put_back():
    vertices, faces = box()
    mesh = tidy(vertices, faces[:-1])
    assert mesh.closed and volume(mesh) == pytest.approx(6000)
    assert mesh.mending.found == {"rims closed": 1} and mesh.mending.unsure == ()


def test_empty_faces_go_without_tearing_the_mesh():
    """A face split at a point on its edge leaves a face without area beside it, as exporters write."""
    vertices, faces = box()
    a, b, c = faces[0]
    point = len(vertices)
    vertices = np.vstack([vertices, (vertices[a] + vertices[b]) / 2])
    faces = np.vstack([faces[1:], [[a, point, c], [point, b, c], [a, b, point]]])
    assert area(vertices, faces[[-1]]) == 0
    mesh = tidy(vertices, faces)
    assert mesh.closed
    assert volume(mesh) == pytest.approx(6000)
    heights = [area(mesh.vertices, mesh.faces[[row]]) for row in range(len(mesh.faces))]
    assert min(heights) > 1


def test_repeated_and_collapsed_faces_go():
    vertices, faces = shuffled(box(), np.random.default_rng(1))
    extra = np.vstack([faces, faces[3][[1, 2, 0]], [[2, 2, 5]]])
    assert len(tidy(vertices, extra).faces) == 12


@pytest.mark.parametrize(
    "mesh",
    [
        (np.zeros((3, 3)), np.array([[0, 1, 2]])),
        (np.array([[0.0, 0, 0], [1, 0, 0], [2, 0, 0]]), np.array([[0, 1, 2]])),
        (np.array([[0.0, 0, 5], [10, 0, 5], [0, 10, 5]]), np.array([[0, 1, 2], [0, 2, 1]])),
        (np.empty((0, 3)), np.empty((0, 3), dtype=np.int64)),
    ],
    ids=["point", "line", "sheet", "nothing"],
)
def test_what_encloses_nothing_is_no_mesh(mesh):
    assert tidy(*mesh) is None


def test_meshes_are_told_apart_to_rounding_and_the_first_is_taken():
    vertices, faces = SCREW
    alike = Alike()
    grown = [vertices * [1, 1, 1 + 1e-3 * row] for row in range(50)]
    assert [alike.number(each, faces, 1e-5) for each in grown] == list(range(50))
    assert alike.number(grown[7] + [9e-6, -9e-6, 9e-6], faces, 1e-5) == 7
    assert alike.number(grown[7] + [2e-5, 0, 0], faces, 1e-5) == 50
    assert alike.number(grown[7] + [1e-5, 0, 0], faces, 1.1e-5) == 7  # not the nearer of the two
    assert alike.number(grown[7], faces[:, ::-1], 1e-5) == 51
