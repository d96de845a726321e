"""One shape or two: proved on random rigid motions, re-cut surfaces, symmetric solids and mirror images."""

from __future__ import annotations

import time

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st
from manifold3d import Manifold
from scipy.spatial.transform import Rotation

from demo_model.solids import Module, block
from steps.intake import shapes
from steps.intake.congruence import QUARTER_TURNS, Form, coincide, motion_between
from steps.intake.meshes import tidy
from steps.intake.shapes import distinct_shapes
from tests.intake_files import SCREW, box, cells, mirrored, same_points, shuffled

ELL = cells([(0, 0, 0), (1, 0, 0), (2, 0, 0), (2, 1, 0)])
SOLIDS = {
    "screw": SCREW,
    "mirror screw": mirrored(SCREW),
    "ell": ELL,
    "cube": box((10, 10, 10)),
    "square slab": box((20, 20, 5)),
    "long box": box((10, 20, 30)),
    "block": (block(2, 4, Module()).vertices, block(2, 4, Module()).faces),
    "square block": (block(2, 2, Module()).vertices, block(2, 2, Module()).faces),
    "round": (lambda m: (m.vertices, m.faces))(trimesh.creation.cylinder(6, 9, sections=64)),
    "ball": (lambda m: (m.vertices, m.faces))(trimesh.creation.icosphere(2, 8)),
    "egg": (lambda m: (m.vertices * (1, 1, 1.3), m.faces))(trimesh.creation.uv_sphere(8, count=[12, 16])),
    "wheel": (lambda m: (m.vertices, m.faces))(trimesh.creation.annulus(5, 9, 4, sections=96)),
}

seeds = st.integers(0, 2**32 - 1)


def moved(mesh, seed):
    """A copy turned and shifted anyhow, vertices and faces shuffled, rounded as a file would."""
    random = np.random.default_rng(seed)
    turn = Rotation.random(rng=random).as_matrix()
    vertices, faces = shuffled(mesh, random)
    return np.float32(vertices @ turn.T + random.uniform(-300, 300, 3)).astype(np.float64), faces


def shape_rows(*meshes):
    rows, places = distinct_shapes([tidy(*mesh) for mesh in meshes])
    return rows, places


def off_surface(one, motion, other) -> float:
    """How far ``motion`` leaves either surface from the other, mm, at corners and middles of faces."""
    at = one[0] @ motion[:3, :3].T + motion[:3, 3]
    worst = 0.0
    for (points, faces), goal in (((at, one[1]), other), (other, (at, one[1]))):
        probes = np.vstack([points, points[faces].mean(axis=1)])
        mesh = trimesh.Trimesh(*goal, process=False)
        worst = max(worst, float(trimesh.proximity.closest_point(mesh, probes)[1].max()))
    return worst


@pytest.mark.parametrize("name", SOLIDS)
@settings(max_examples=6, deadline=None)
@given(seed=seeds)
def test_a_moved_and_shuffled_copy_is_the_same_shape(name, seed):
    original = SOLIDS[name]
    copy = moved(original, seed)
    rows, places = shape_rows(original, copy)
    assert rows == [0]
    shape, motion = places[1]
    assert shape == 0
    np.testing.assert_allclose(motion[:3, :3] @ motion[:3, :3].T, np.eye(3), atol=1e-9)
    assert np.linalg.det(motion[:3, :3]) == pytest.approx(1.0)
    assert off_surface(original, motion, copy) < 1e-3


@settings(max_examples=12, deadline=None)
@given(seed=seeds)
def test_mirror_images_stay_apart_however_turned(seed):
    rows, _ = shape_rows(SCREW, moved(mirrored(SCREW), seed))
    assert rows == [0, 1]


@settings(max_examples=8, deadline=None)
@given(seed=seeds)
def test_mirror_image_of_a_symmetric_solid_is_the_same_print(seed):
    rows, _ = shape_rows(ELL, moved(mirrored(ELL), seed))
    assert rows == [0]


def test_all_solids_are_told_apart():
    rows, _ = shape_rows(*SOLIDS.values())
    assert rows == list(range(len(SOLIDS)))


@settings(max_examples=15, deadline=None)
@given(seed=seeds)
def test_a_surface_cut_into_other_triangles_is_the_same_shape(seed):
    """Extra corners within faces and along edges, as another exporter leaves them."""
    original = SOLIDS["ell"]
    random = np.random.default_rng(seed)
    mesh = trimesh.Trimesh(*original, process=False)
    some = np.sort(random.choice(len(mesh.faces), 7, replace=False))
    # splitting a face at its middle keeps the surface; subdividing all of them splits edges too
    finer = trimesh.Trimesh(*trimesh.remesh.subdivide(mesh.vertices, mesh.faces), process=False)
    vertices, faces = _split_at_middle(np.asarray(finer.vertices), np.asarray(finer.faces), some)
    copy = moved((vertices, faces), seed)
    rows, places = shape_rows(original, copy)
    assert rows == [0]
    assert off_surface(original, places[1][1], copy) < 1e-3


def _split_at_middle(vertices, faces, rows):
    middles = vertices[faces[rows]].mean(axis=1)
    at = len(vertices) + np.arange(len(rows))
    a, b, c = faces[rows].T
    kept = np.delete(faces, rows, axis=0)
    split = [np.column_stack(t) for t in ((a, b, at), (b, c, at), (c, a, at))]
    return np.vstack([vertices, middles]), np.vstack([kept, *split])


def test_other_diagonals_are_the_same_shape():
    vertices, faces = box((10, 20, 30))
    turned = faces.copy()
    pair = next(
        (i, j)
        for i in range(12)
        for j in range(i)
        if len(set(faces[i]) | set(faces[j])) == 4
        and np.abs(
            np.cross(*_two_sides(vertices, faces[i])) - np.cross(*_two_sides(vertices, faces[j]))
        ).max()
        < 1e-9
    )
    i, j = pair
    shared = set(faces[i]) & set(faces[j])
    a = next(v for v in faces[i] if v not in shared)
    d = next(v for v in faces[j] if v not in shared)
    at = list(faces[i]).index(a)
    b, c = faces[i][(at + 1) % 3], faces[i][(at + 2) % 3]
    turned[i], turned[j] = (a, b, d), (a, d, c)
    assert shape_rows((vertices, faces), (vertices, turned))[0] == [0]


def _two_sides(vertices, face):
    return vertices[face[1]] - vertices[face[0]], vertices[face[2]] - vertices[face[0]]


@pytest.mark.parametrize("change", ["larger", "hole elsewhere", "stud moved", "hollow"])
def test_like_solids_that_differ_are_two_shapes(change):
    """Same box, same area or same volume, and yet another print."""
    import manifold3d as m3

    def solid(body):
        mesh = body.to_mesh64()
        return np.asarray(mesh.vert_properties)[:, :3], np.asarray(mesh.tri_verts, dtype=np.int64)

    base = m3.Manifold.cube([40, 40, 10])
    drill = m3.Manifold.cylinder(10, 3, 3, 48)
    pairs = {
        "larger": (base, base.scale([1.001, 1, 1])),
        # all four lie on the diagonals' mirror lines: moments alike in pairs, places not
        "hole elsewhere": (base - drill.translate([10, 20, 0]), base - drill.translate([10, 10, 0])),
        "stud moved": (base + drill.translate([10, 20, 5]), base + drill.translate([11, 20, 5])),
        "hollow": (base, base - m3.Manifold.cube([4, 4, 4]).translate([18, 18, 3])),
    }
    one, other = pairs[change]
    assert shape_rows(solid(one), solid(other))[0] == [0, 1]


def test_gaps_of_a_fit_card_stay_distinct():
    """Steps of 0.05 mm in clearance are other prints."""
    made = [block(2, 2, Module(clearance=c)) for c in (0.10, 0.15, 0.20)]
    assert shape_rows(*[(one.vertices, one.faces) for one in made])[0] == [0, 1, 2]


def test_of_several_motions_the_least_turn_is_taken_and_always_the_same():
    mesh = SOLIDS["square block"]
    form = Form(*mesh)
    for turn in QUARTER_TURNS:
        if np.array_equal(turn[2], [0, 0, 1]):
            vertices = mesh[0] @ turn.T
            motion = motion_between(form, Form(vertices, mesh[1]))
            np.testing.assert_array_equal(motion[:3, :3], np.eye(3))


def test_twenty_four_quarter_turns_least_first():
    assert len({turn.tobytes() for turn in QUARTER_TURNS}) == 24
    assert np.allclose([np.linalg.det(turn) for turn in QUARTER_TURNS], 1)
    np.testing.assert_array_equal(QUARTER_TURNS[0], np.eye(3))
    assert (np.diff([np.trace(turn) for turn in QUARTER_TURNS]) <= 0).all()


def test_coincide_accepts_a_solids_own_symmetries_and_nothing_else():
    """The screw has one half turn and no other; found here by brute force over its corners."""
    form = Form(*SCREW)
    symmetries = 0
    for turn in QUARTER_TURNS:
        motion = np.eye(4)
        motion[:3, :3] = turn
        motion[:3, 3] = form.centre - turn @ form.centre
        is_one = same_points(SCREW[0], SCREW[0] @ turn.T + motion[:3, 3])
        symmetries += is_one
        assert coincide(form, form, motion) == is_one
    assert symmetries == 2


def test_equal_corners_are_not_enough():
    """A box, and the same box with a quarter of one face cut out: every corner meets, one plane does not."""
    vertices, faces = box()
    top = np.flatnonzero((vertices[faces][:, :, 2] == 30).all(axis=1))
    ring = [v for v in (4, 5, 6, 7, 0, 1, 2, 3) if vertices[v, 2] == 30]
    ring.sort(key=lambda v: np.arctan2(vertices[v, 1] - 10, vertices[v, 0] - 5))
    fan = [[ring[k], ring[(k + 1) % 4], len(vertices)] for k in range(4)]
    vertices = np.vstack([vertices, [5.0, 10.0, 30.0]])
    whole, cut = (np.vstack([np.delete(faces, top, axis=0), fan[:count]]) for count in (4, 3))
    assert coincide(Form(*box()), Form(vertices, whole), np.eye(4))
    assert not coincide(Form(*box()), Form(vertices, cut), np.eye(4))
    assert not coincide(Form(vertices, cut), Form(*box()), np.eye(4))


def test_what_was_mended_is_one_solid_as_nearly_as_its_corners_are_told():
    """Planes turn by more than drawn ones do where their corners were off."""
    body = Manifold.cube([20, 20, 5])
    for x, y in ((1, 2), (5, 3), (12, 8), (4, 15), (16, 13)):
        body += Manifold.cube([1, 1, 2]).translate([x, y, 4])
    mesh = body.to_mesh64()
    drawn, faces = np.asarray(mesh.vert_properties)[:, :3], np.asarray(mesh.tri_verts, dtype=np.int64)
    one, other = (drawn + np.random.default_rng(seed).uniform(-1e-3, 1e-3, drawn.shape) for seed in (1, 2))
    assert motion_between(Form(one, faces), Form(other, faces)) is None
    assert motion_between(Form(one, faces, 4e-3), Form(other, faces, 4e-3)) is not None
    higher = drawn + 0.02 * (drawn[:, 2:] > 5.5) * [0, 0, 1]
    assert motion_between(Form(one, faces, 4e-3), Form(higher, faces, 4e-3)) is None


def test_mirrored_open_mesh_with_the_same_faces_is_not_matched_by_a_mirroring():
    vertices, faces = SCREW
    open_ = faces[:-1]
    rows, _ = distinct_shapes([tidy(vertices, open_), tidy(vertices * (-1, 1, 1), open_)])
    assert rows == [0, 1]


def test_cost_follows_distinct_meshes():
    """A hundred copies of a block, each turned anyhow and in another vertex order."""
    mesh = SOLIDS["square block"]
    copies = [tidy(*moved(mesh, seed)) for seed in range(100)]
    start = time.process_time()
    rows, _ = distinct_shapes(copies)
    spent = time.process_time() - start
    assert rows == [0]
    assert spent < 20


def test_shapes_are_looked_up_by_their_size(monkeypatch):
    """Three hundred blocks, all of unlike lengths: a few comparisons each, not one with each before it."""
    compared, near = [], shapes._Sorted.near
    monkeypatch.setattr(
        shapes._Sorted, "near", lambda self, *given: compared.extend(near(self, *given)) or near(self, *given)
    )
    meshes = [tidy(*box((10 + 0.2 * row, 10 + 0.1 * (row % 7), 10))) for row in range(300)]
    assert len(distinct_shapes(meshes)[0]) == 300 and len(compared) < 300
    known = shapes._Sorted()
    for number, length in enumerate((3.0, 1.0, 2.0, 1.0, 1.5)):
        known.add(length, number)
    assert known.near(1.25, 0.25) == [1, 3, 4] and known.near(9, 1) == []


def test_unlike_meshes_of_equal_faces_are_not_fitted_to_each_other(monkeypatch):
    """Three hundred lengths of one box: each is turned onto none of the others."""
    asked = []
    monkeypatch.setattr(shapes, "motion_in_order", lambda *given: asked.append(given))
    meshes = [tidy(*box((10 + 0.2 * row, 10, 10))) for row in range(300)]
    assert len(distinct_shapes(meshes)[0]) == 300 and not asked
