"""Checks of patches: where a drawing has lines and where it has none."""

import pickle

import numpy as np
import pytest

from demo_model.solids import Module, block
from renderer.solid import Solid
from renderer.spatial import hull
from steps.remembered import pack, unpacked


def prism(sides: int, radius: float = 3.0, height: float = 2.0) -> Solid:
    """A closed cylinder of flat sides."""
    turn = np.arange(sides) * 2 * np.pi / sides
    ring = np.column_stack([radius * np.cos(turn), radius * np.sin(turn)])
    low, high = np.column_stack([ring, np.zeros(sides)]), np.column_stack([ring, np.full(sides, height)])
    vertices = np.concatenate([low, high, [[0, 0, 0], [0, 0, height]]])
    at = np.arange(sides)
    after = (at + 1) % sides
    faces = np.concatenate(
        [
            np.column_stack([at, after, sides + after]),
            np.column_stack([at, sides + after, sides + at]),
            np.column_stack([after, at, np.full(sides, 2 * sides)]),
            np.column_stack([sides + at, sides + after, np.full(sides, 2 * sides + 1)]),
        ]
    )
    return Solid(vertices, faces)


def cube() -> Solid:
    corners = np.array([[x, y, z] for x in (0, 1) for y in (0, 1) for z in (0, 1)], dtype=float)
    quads = [(0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3)]
    return Solid(corners, [face for a, b, c, d in quads for face in ((a, b, c), (a, c, d))])


def test_a_cube_has_six_planar_patches_of_two_faces():
    solid = cube()
    assert solid.patches == 6
    assert np.bincount(solid.patch).tolist() == [2] * 6
    assert solid.planar.all()


@pytest.mark.parametrize("sides", [12, 24, 48, 96])
def test_the_side_of_a_stud_is_one_curved_patch_from_twelve_facets_up(sides):
    solid = prism(sides)
    assert solid.patches == 3
    side = solid.patch[0]
    assert (solid.patch == side).sum() == 2 * sides
    assert not solid.planar[side] and solid.planar[np.arange(3) != side].all()


@pytest.mark.parametrize("sides", [8, 9, 10, 11])
def test_a_coarse_stud_has_no_facet_lines(sides):
    solid = prism(sides)
    assert solid.patches == 3  # side, top, bottom
    assert solid.planar.tolist().count(False) == 1


def test_coarse_studs_in_a_row_stay_apart_from_each_other():
    one = prism(8)
    moved = one.vertices + np.array([8.0, 0.0, 0.0])
    two = Solid(
        np.concatenate([one.vertices, moved]), np.concatenate([one.faces, one.faces + len(one.vertices)])
    )
    sides = two.patch[:: len(one.faces)]
    assert sides[0] != sides[1] and two.patches == 4  # two sides; tops in one plane, bottoms in one plane


def test_the_cut_corners_of_a_block_keep_their_lines():
    # an octagon of long and short sides is a block with cut corners, no round
    outline = np.array([[2, 0], [8, 0], [10, 2], [10, 8], [8, 10], [2, 10], [0, 8], [0, 2]], dtype=float)
    turn = prism(8)
    vertices = turn.vertices.copy()
    vertices[:8, :2] = vertices[8:16, :2] = outline
    vertices[16:, :2] = 5.0
    assert Solid(vertices, turn.faces).patches == 10


def test_a_hexagon_keeps_its_edges():
    assert prism(6).patches == 8


def test_a_block_has_a_patch_per_stud_side_and_stud_top():
    # 4 x 2 studs: tops of the studs are coplanar, so they count as one patch
    placed = block(4, 2, Module())
    solid = Solid(placed.vertices, placed.faces)
    bent = ~solid.planar
    high = np.array(
        [solid.vertices[solid.faces[solid.patch == patch]][..., 2].min() for patch in range(solid.patches)]
    )
    assert (bent & (high >= 10 - 1e-6)).sum() == 8  # stud sides
    assert (~bent & (high >= 12 - 1e-6)).sum() == 1  # all stud tops lie in one plane


def test_faces_in_one_plane_are_one_patch_though_they_share_no_edge():
    # a T seam: the long edge of one triangle is split on the other side
    vertices = [[0, 0, 0], [2, 0, 0], [1, 2, 0], [1, 0, 0], [0, -1, 0], [2, -1, 0]]
    solid = Solid(vertices, [[0, 1, 2], [0, 4, 3], [4, 5, 3], [5, 1, 3]])
    assert solid.patches == 1


def test_parallel_planes_stay_apart():
    vertices = [[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 0.01], [1, 0, 0.01], [0, 1, 0.01]]
    assert Solid(vertices, [[0, 1, 2], [3, 4, 5]]).patches == 2


def test_split_vertices_are_welded():
    solid = cube()
    loose = Solid(solid.vertices[solid.faces].reshape(-1, 3), np.arange(36).reshape(-1, 3))
    assert loose.patches == 6


def test_flipped_and_empty_faces_change_no_patch():
    solid = prism(24)
    faces = solid.faces.copy()
    faces[::3] = faces[::3, ::-1]
    broken = Solid(solid.vertices, np.concatenate([faces, [[0, 0, 1]]]))
    assert broken.patch[:-1].tolist() == solid.patch.tolist() or broken.patches == solid.patches
    assert np.isfinite(broken.normals).all() and not broken.normals[-1].any()


def test_breadth_is_the_narrower_way_across():
    solid = Solid(cube().vertices * [10, 4, 1], cube().faces)
    assert sorted(solid.breadth.tolist()) == [1, 1, 1, 1, 4, 4]


def test_a_solid_can_be_sent_to_another_process_after_drawing():
    solid = cube()
    assert solid.scene is not None
    other = pickle.loads(pickle.dumps(solid))
    assert (other.vertices == solid.vertices).all() and other.patches == 6


@pytest.mark.parametrize("vertices, faces", [([[0, 0]], [[0, 0, 0]]), ([[0, 0, 0]], [[0, 0]])])
def test_wrong_shapes_are_refused(vertices, faces):
    with pytest.raises(ValueError, match="expected"):
        Solid(vertices, faces)


def test_what_was_worked_out_of_a_mesh_serves_another_of_the_same():
    told = prism(24).worked_out()
    again = prism(24).knowing(unpacked(pack(told)))
    fresh = prism(24)
    for name in told.keys() - {"topology"}:
        assert again.__dict__[name].tobytes() == getattr(fresh, name).tobytes()
    assert (again.topology.flat == fresh.topology.flat).all()
    assert (again.topology.edges.ends == fresh.topology.edges.ends).all()
    assert again.topology.outward == 1 and again.patches == 3


def test_a_hull_takes_a_body_and_nothing_flat():
    around = hull(cube().vertices * 3)
    assert around is not None and around.volume == pytest.approx(27)
    assert hull(np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0], [1, 1, 0.0]])) is None
    assert hull(np.zeros((2, 3))) is None
