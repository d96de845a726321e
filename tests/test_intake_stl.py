"""STL and the splitting of one triangle soup into the bodies it holds."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from scipy.spatial.transform import Rotation

from demo_model.solids import Module, block
from demo_model.tug import tug
from steps.errors import BeyondLimit, FaultyModel, UnreadableInput
from steps.intake import read_model
from steps.intake.bodies import split_bodies
from steps.intake.planted import _Body, _depths_in, _End, _Ends, planted
from steps.limits import Limits
from steps.mend.rays import Rays
from steps.mend.soup import merged_corners
from steps.settings import Settings
from tests.intake_files import (
    SCREW,
    binary_stl,
    box,
    cells,
    mirrored,
    placed,
    same_points,
    shuffled,
    text_stl,
)

PLAIN = Settings()

#: Second cube of two, by what it shares with the cube at the origin.
NEIGHBOURS = {
    "a face": (10, 0, 0),
    "part of a face": (10, 5, 0),
    "an edge": (10, 10, 0),
    "a vertex": (10, 10, 10),
    "nothing": (30, 0, 0),
}


def bodies_of(*meshes):
    soup = np.concatenate([vertices[faces] for vertices, faces in meshes])
    return split_bodies(*merged_corners(soup))


@pytest.mark.parametrize("shared", NEIGHBOURS)
def test_two_blocks_remain_two_whatever_they_share(tmp_path, shared):
    cube, other = box((10, 10, 10)), box((10, 10, 10), NEIGHBOURS[shared])
    model = read_model(binary_stl(tmp_path / "two.stl", cube, other), PLAIN)
    assert [part.source for part in model.parts] == ["body-1", "body-2"]
    assert len(model.shapes) == 1
    assert model.shapes[0].watertight
    for part, want in zip(model.parts, (cube, other), strict=True):
        assert same_points(placed(model, part), want[0])
    assert model.problems == ()


def test_a_floor_of_cubes_that_share_faces_in_all_directions(tmp_path):
    """27 cubes, tight: inner edges carry eight faces, all told apart."""
    cubes = [
        box((10, 10, 10), np.array([x, y, z]) * 10.0) for x in range(3) for y in range(3) for z in range(3)
    ]
    model = read_model(binary_stl(tmp_path / "27.stl", *cubes), PLAIN)
    assert len(model.parts) == 27
    assert len(model.shapes) == 1
    np.testing.assert_allclose(
        [part.pose[:3, 3] for part in model.parts], [cube[0].min(axis=0) for cube in cubes], atol=1e-6
    )


def test_faces_in_any_order_and_any_attitude():
    random = np.random.default_rng(5)
    turn = Rotation.random(rng=random).as_matrix()
    cubes = [box((10, 10, 10), at) for at in ((0, 0, 0), (10, 0, 0), (10, 10, 0), (20, 20, 10))]
    soup = np.concatenate([vertices[faces] for vertices, faces in cubes])[random.permutation(48)]
    soup = np.float32(soup @ turn.T + [500, -300, 40]).astype(np.float64)
    bodies, doubts = split_bodies(*merged_corners(soup))
    assert not doubts
    volumes = [trimesh.Trimesh(*body, process=False).volume for body in bodies]
    np.testing.assert_allclose(volumes, [1000] * 4, rtol=1e-4)


def test_blocks_as_seated_in_a_wall(tmp_path):
    solid = block(2, 2, Module())
    up, beside = np.array([0, 0, 10.0]), np.array([20.0, 0, 0])
    meshes = [(solid.vertices + at, solid.faces) for at in (0 * up, up, beside, up + beside)]
    model = read_model(binary_stl(tmp_path / "wall.stl", *meshes), PLAIN)
    assert len(model.parts) == 4
    assert len(model.shapes) == 1
    np.testing.assert_allclose(model.shapes[0].bounds[0], 0, atol=1e-6)


def test_body_that_touches_itself_along_an_edge_stays_one():
    """A ring of cubes closed through an edge: one connected body, though four faces meet there."""
    ring = cells([(0, 0, 0), (1, 0, 0), (2, 0, 0), (2, 1, 0), (2, 1, 1), (1, 1, 1), (0, 1, 1)])
    bodies, _ = bodies_of(ring)
    assert len(bodies) == 1


def test_sealed_hollow_stays_with_the_body_round_it():
    inner = box((4, 4, 4), (3, 3, 3))
    bodies, doubts = bodies_of(
        box((10, 10, 10)), (inner[0], inner[1][:, ::-1]), box((10, 10, 10), (40, 0, 0))
    )
    assert sorted(len(faces) for _, faces in bodies) == [12, 24]
    assert not doubts


def test_shared_wall_written_once_is_named_as_not_to_be_split(tmp_path):
    """Two cubes whose common wall is one sheet: to which of them it belongs cannot be told."""
    vertices, faces = box((10, 10, 10), (10, 0, 0))
    wall = (vertices[faces][:, :, 0] == 10).all(axis=1)
    assert wall.sum() == 2
    model = read_model(binary_stl(tmp_path / "odd.stl", box((10, 10, 10)), (vertices, faces[~wall])), PLAIN)
    assert len(model.parts) == 1
    (doubt,) = [problem for problem in model.problems if problem.code == "not-to-be-split"]
    assert doubt.severity == "warning"
    assert "body-1" in doubt.text
    assert "4 of its edges" in doubt.text


def test_a_cube_inside_out_beside_another_is_told_apart(tmp_path):
    cube, other = box((10, 10, 10)), box((10, 10, 10), (10, 10, 0))
    model = read_model(binary_stl(tmp_path / "in.stl", cube, (other[0], other[1][:, ::-1])), PLAIN)
    assert len(model.parts) == 2
    assert model.shapes[0].mending.found == {"inside out": 1} and model.problems == ()


def test_tug_in_one_file_has_all_its_parts(tmp_path):
    """Without clearance, so that hundreds of faces, edges and corners are shared."""
    demo = tug(module=Module(clearance=0.0, facets=16))
    meshes = []
    for part in demo.placed:
        solid = demo.solids[part.solid_key]
        meshes.append((solid.vertices @ part.pose[:3, :3].T + part.pose[:3, 3], solid.faces))
    model = read_model(binary_stl(tmp_path / "tug.stl", *meshes), PLAIN)
    assert model.problems == ()
    assert len(model.parts) == len(demo.placed)
    assert len(model.shapes) == len({part.solid_key for part in demo.placed})
    for part, (vertices, _) in zip(model.parts, meshes, strict=True):
        np.testing.assert_allclose(placed(model, part).min(axis=0), vertices.min(axis=0), atol=1e-3)
        np.testing.assert_allclose(placed(model, part).max(axis=0), vertices.max(axis=0), atol=1e-3)


def test_torn_skin_is_one_body_and_named():
    """Faces that meet at corners but not along edges, as careless exporters leave them."""
    vertices, faces = box((10, 10, 10))
    soup = vertices[faces]
    longest = 0
    a, b, c = soup[longest]
    middle = (b + c) / 2
    soup = np.concatenate([np.delete(soup, longest, axis=0), [[a, b, middle], [a, middle, c]]])
    bodies, doubts = split_bodies(*merged_corners(soup))
    assert len(bodies) == 1
    assert not doubts or set(doubts) == {0}


def test_equal_bodies_turned_anyhow_are_one_shape(tmp_path):
    random = np.random.default_rng(2)
    meshes = []
    for row in range(6):
        vertices, faces = shuffled(SCREW, random)
        meshes.append((vertices @ Rotation.random(rng=random).as_matrix().T + [60.0 * row, 0, 0], faces))
    meshes.append((mirrored(SCREW)[0] + [500, 0, 0], mirrored(SCREW)[1]))
    model = read_model(binary_stl(tmp_path / "s.stl", *meshes), PLAIN)
    assert [part.shape for part in model.parts] == ["S1"] * 6 + ["S2"]
    for part, (vertices, _) in zip(model.parts, meshes, strict=True):
        assert same_points(placed(model, part), vertices)


def test_text_and_binary_read_alike_and_named_solids_keep_their_names(tmp_path):
    one, two = box((10, 10, 10)), box((10, 10, 20), (10, 0, 0))
    binary = read_model(binary_stl(tmp_path / "b.stl", one, two), PLAIN)
    text = read_model(text_stl(tmp_path / "t.stl", keel=one, mast=two), PLAIN)
    assert [part.source for part in text.parts] == ["keel", "mast"]
    for part, other in zip(binary.parts, text.parts, strict=True):
        assert same_points(placed(binary, part), placed(text, other), 1e-5)


def test_binary_that_begins_like_text(tmp_path):
    path = binary_stl(tmp_path / "b.stl", box())
    path.write_bytes(b"solid exported" + path.read_bytes()[14:])
    assert len(read_model(path, PLAIN).parts) == 1


def test_scale_applies_to_meshes_and_places(tmp_path):
    cubes = [box((10, 10, 10), (at, 0, 0)) for at in (0, 30)]
    model = read_model(binary_stl(tmp_path / "s.stl", *cubes), Settings(scale=4))
    np.testing.assert_allclose(model.shapes[0].size_mm, 40)
    np.testing.assert_allclose(model.parts[1].pose[:3, 3], [120, 0, 0], atol=1e-4)


@pytest.mark.parametrize(
    "make", [binary_stl, lambda path, mesh: text_stl(path, a=mesh)], ids=["binary", "text"]
)
def test_cut_short_is_an_error(tmp_path, make):
    data = make(tmp_path / "w.stl", SCREW).read_bytes()
    for share in (0.1, 0.5, 0.95):
        (tmp_path / "cut.stl").write_bytes(data[: int(len(data) * share)])
        with pytest.raises(
            UnreadableInput, match=r"cut\.stl: .*(cut short|facets have|three numbers|too few)"
        ):
            read_model(tmp_path / "cut.stl", PLAIN)


def test_text_with_the_line_ends_of_old_desktops_is_read(tmp_path):
    text = text_stl(tmp_path / "t.stl", a=box()).read_bytes()
    (tmp_path / "t.stl").write_bytes(text.replace(b"\r\n", b"\n").replace(b"\n", b"\r"))
    (shape,) = read_model(tmp_path / "t.stl", PLAIN).shapes
    assert len(shape.faces) == 12


def test_facets_of_four_corners_are_refused_and_not_taken_for_other_triangles(tmp_path):
    text = text_stl(tmp_path / "q.stl", a=box()).read_text()
    (tmp_path / "q.stl").write_text(text.replace("endloop", "vertex 1 2 3\nendloop"))
    with pytest.raises(UnreadableInput, match=r"q\.stl: its 12 facets have 48 vertices; .* three vert"):
        read_model(tmp_path / "q.stl", PLAIN)


def test_vertices_without_a_facet_are_told_as_such(tmp_path):
    text = text_stl(tmp_path / "v.stl", a=box()).read_text()
    (tmp_path / "v.stl").write_text(text.replace("outer loop", "vertex 1 2 3", 1).replace("outer loop", ""))
    with pytest.raises(UnreadableInput, match=r"v\.stl: it has 37 vertices and no facet \('outer loop'\)"):
        read_model(tmp_path / "v.stl", PLAIN)


def test_what_a_file_left_unread_is_told_where_nothing_is_left_of_it(tmp_path):
    path = binary_stl(tmp_path / "few.stl", box())
    path.write_bytes(path.read_bytes()[:80] + (2).to_bytes(4, "little") + path.read_bytes()[84:])
    with pytest.raises(FaultyModel, match=r"(?s)promises 2 triangles and goes on .* fewer than 4 triangles"):
        read_model(path, PLAIN)


def test_text_without_a_solid(tmp_path):
    text = text_stl(tmp_path / "t.stl", a=box()).read_text().replace("solid a", "x solid a", 1)
    (tmp_path / "t.stl").write_text("solidity\n" + text)
    with pytest.raises(UnreadableInput, match=r"t\.stl: .*no line begins a solid"):
        read_model(tmp_path / "t.stl", PLAIN)


@pytest.mark.parametrize("bad", [np.nan, np.inf])
def test_numbers_that_are_not_finite(tmp_path, bad):
    vertices, faces = box()
    vertices = vertices.copy()
    vertices[3, 1] = bad
    with pytest.raises(FaultyModel, match="not finite"):
        read_model(binary_stl(tmp_path / "nan.stl", (vertices, faces), SCREW), PLAIN)


def test_no_triangle_at_all(tmp_path):
    empty = np.empty((0, 3)), np.empty((0, 3), dtype=int)
    with pytest.raises((FaultyModel, UnreadableInput), match=r"no part|no surface|zero area"):
        read_model(binary_stl(tmp_path / "none.stl", empty), PLAIN)


@pytest.mark.parametrize("more", [1, 50, 777])
def test_what_stands_behind_the_promised_triangles_is_noted(more, tmp_path):
    path = tmp_path / "long.stl"
    binary_stl(path, box())
    path.write_bytes(path.read_bytes() + bytes(more))
    model = read_model(path, Settings())
    assert len(model.parts) == 1 and len(model.shapes[0].faces) == 12
    (note,) = model.problems
    assert (note.code, note.severity) == ("left-over", "note")
    assert f"12 triangles and goes on for {more} bytes" in note.text


def test_a_lone_face_within_a_box_is_no_hollow():
    """Whichever way it runs, and wherever the file has its zero."""
    cube, lone = box((10, 10, 10), (30, 0, 0)), np.array([[33.0, 3, 3], [36, 3, 4], [33, 6, 5]])
    for face in ([0, 1, 2], [2, 1, 0]):
        assert [len(faces) for _, faces in bodies_of(cube, (lone, np.array([face])))[0]] == [12, 1]


def test_what_one_body_holds_is_asked_of_it_at_once(monkeypatch):
    """Sixty unlike bolts in one plate: rays are sent through the plate once, and all are planted."""
    asked, winding = [], Rays.winding
    monkeypatch.setattr(
        Rays, "winding", lambda self, points: asked.append(len(points)) or winding(self, points)
    )
    bolts = [box((1 + 0.01 * row, 1, 6), (2 + 3 * (row % 10), 2 + 3 * (row // 10), 4)) for row in range(60)]
    label = planted([box((40, 40, 5)), *bolts])
    assert not label.any() and len(asked) == 1


def test_pairs_and_ends_that_might_stand_in_each_other_are_bounded():
    rods = [box((1 + 0.5 * row, 40, 1)) for row in range(20)]
    with pytest.raises(BeyondLimit, match=r"ends of bodies might stand in other bodies.*--limit pairs="):
        planted(rods, Limits(pairs=100))
    lattice = [box((40, 1, 1), (-20, 3 * row, 0)) for row in range(10)]
    lattice += [box((1, 30, 1), (3 * row - 14, -1, 0)) for row in range(10)]
    with pytest.raises(BeyondLimit, match=r"pairs of bodies might stand in each other.*--limit pairs="):
        planted(lattice, Limits(pairs=99))


def test_how_deep_an_end_stands_is_the_middle_of_its_points():
    host = _Body(*box((10, 10, 10)))
    square = np.array([[2.0, 2, 4], [8, 2, 4], [8, 8, 4], [2, 8, 4], [5, 5, 4]])
    down = np.array([0.0, 0, -1])
    slanted = square + np.array([[0, 0, 1.0]] * 2 + [[0, 0, 0]] * 2 + [[0, 0, 4]])
    ends = _Ends([_End(square, down, False), _End(square, down, True), _End(slanted, down, False)])
    rows, shifts = np.array([0, 0, 0, 1, 2, 2]), np.array([0, 3, 9, 0, 0, 1])
    depths = _depths_in(host, ends, rows, shifts[:, None] * down)
    assert depths[:4] == pytest.approx([6, 9, -1, 10], abs=1e-6)
    assert depths[4:] == pytest.approx([5, 6], abs=0.1)


def test_needles_alone_leave_no_body(tmp_path):
    """All their faces collapse as corners are joined."""
    turn = np.linspace(0, 6.28, 300)
    tips = [np.column_stack([60 * np.cos(at), 60 * np.sin(at), 0 * at]) for at in (turn, turn + 0.01)]
    soup = np.stack([np.zeros((300, 3)), *tips], axis=1)
    path = binary_stl(tmp_path / "n.stl", (soup.reshape(-1, 3), np.arange(900).reshape(-1, 3)))
    with pytest.raises(FaultyModel, match="no surface"):
        read_model(path)
