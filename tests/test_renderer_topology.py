"""Whether a mesh is one closed shell, and which of its faces lie in one plane."""

import networkx as nx
import numpy as np
import pytest

from renderer.solid import Solid
from renderer.topology import connected, unique_rows
from tests.test_renderer_solid import cube, prism


def joined(one: Solid, two: Solid, off) -> Solid:
    """Both meshes as one, the second moved."""
    vertices = np.concatenate([one.vertices, two.vertices + off])
    return Solid(vertices, np.concatenate([one.faces, two.faces + len(one.vertices)]))


def turned_over(solid: Solid) -> Solid:
    return Solid(solid.vertices, solid.faces[:, ::-1])


@pytest.mark.parametrize(
    "solid, outward",
    [
        (cube(), 1),
        (prism(24), 1),
        (turned_over(cube()), -1),
        (Solid(cube().vertices, cube().faces[1:]), 0),  # open
        (
            Solid(cube().vertices, np.vstack([cube().faces[:1, ::-1], cube().faces[1:]])),
            0,
        ),  # one face flipped
        (joined(cube(), cube(), [0.5, 0, 0]), 0),  # one shell through another
        (joined(cube(), cube(), [5, 0, 0]), 0),  # two bodies
        (
            Solid(
                np.vstack([cube().vertices, cube().vertices]),
                np.vstack([cube().faces[:6], cube().faces[6:] + 8]),
            ),
            1,
        ),
        (Solid(np.zeros((0, 3)), np.zeros((0, 3), int)), 0),
    ],
)
def test_one_closed_shell_wound_one_way_is_told_from_all_else(solid, outward):
    assert solid.topology.outward == outward


@pytest.mark.parametrize("links", [0, 12, 30, 120])
def test_runs_of_joined_things_are_numbered_by_their_first(links):
    # against a library's own
    rng = np.random.default_rng(links)
    pairs = rng.integers(0, 60, (links, 2))
    graph = nx.Graph()
    graph.add_nodes_from(range(60))
    graph.add_edges_from(pairs.tolist())
    expected = {node: row for row, run in enumerate(nx.connected_components(graph)) for node in run}
    assert connected(60, pairs).tolist() == [expected[node] for node in range(60)]
    chain = rng.permutation(60)
    assert not connected(60, np.stack([chain[:-1], chain[1:]], axis=1)).any()
    assert connected(0, np.zeros((0, 2), int)).tolist() == []


def test_every_edge_of_a_closed_mesh_has_two_faces_and_leads_to_its_neighbour():
    topology = prism(16).topology
    assert (topology.edges.count == 2).all() and len(topology.edges.count) == 1.5 * len(topology.faces)
    for face, across in enumerate(topology.neighbour):
        for corner, other in enumerate(across.tolist()):
            ends = {topology.faces[face, corner], topology.faces[face, (corner + 1) % 3]}
            assert ends <= set(topology.faces[other].tolist())


def test_faces_in_one_plane_name_the_largest_of_them():
    solid = prism(24, radius=10.0, height=4.0)
    flat = solid.topology.flat
    assert len(np.unique(flat)) == 24 + 2
    for region in np.unique(flat):
        of = np.flatnonzero(flat == region)
        corners = solid.vertices[solid.faces[of]].reshape(-1, 3)
        height = corners @ solid.normals[region] - solid.offsets[region]
        assert np.abs(height).max() < 1e-5 * solid.extent
        areas = np.linalg.norm(
            np.cross(*(np.diff(solid.vertices[solid.faces[of]], axis=1).transpose(1, 0, 2))), axis=1
        )
        assert areas.max() == pytest.approx(areas[np.flatnonzero(of == region)[0]])


def test_a_fine_round_is_not_flat_however_small_the_folds():
    # 4000 sides of 0.09 degrees each lie within the tolerance of their neighbours' planes, not all of one
    solid = prism(4000, radius=10.0)
    flat = solid.topology.flat
    normals = solid.normals
    assert np.einsum("ij,ij->i", normals, normals[flat]).min() > 0.999
    corners = solid.vertices[solid.faces]
    off = np.einsum("kij,kj->ki", corners, normals[flat]) - solid.offsets[flat][:, None]
    assert np.abs(off).max() <= 1e-5 * solid.extent


def test_the_fold_back_of_a_sheet_is_not_its_front():
    corners = np.array([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]], dtype=float)
    sheet = Solid(corners, [[0, 1, 2], [2, 1, 0], [0, 2, 3], [3, 2, 0]])
    assert (np.einsum("ij,ij->i", sheet.normals, sheet.normals[sheet.topology.flat]) > 0.9).all()


@pytest.mark.parametrize(
    "rows", [np.zeros((0, 3)), np.array([[2.0, -0.0], [1.0, 5.0], [2.0, 0.0], [1.0, 4.0]])]
)
def test_rows_alike_are_numbered_as_numpy_numbers_them(rows):
    distinct, number = unique_rows(rows)
    expected, numbers = np.unique(rows, axis=0, return_inverse=True)
    assert np.array_equal(distinct, expected) and np.array_equal(number, numbers.reshape(-1))
