"""Demo models: they fit together, hang together, go together by straight moves, and stand."""

from __future__ import annotations

import itertools
from collections import Counter, defaultdict
from collections.abc import Iterable

import manifold3d as m3
import networkx as nx
import numpy as np
import pytest
import trimesh
from numpy.typing import NDArray
from scipy.spatial import ConvexHull, cKDTree

from demo_model.beacon import beacon
from demo_model.lattice import cells
from demo_model.scene import DemoModel, Placed
from demo_model.seawall import sea_wall
from demo_model.solids import Module
from demo_model.tug import tug

#: Rounding of a tilted pose over a face of 40 x 40 mm; a real overlap is a thousand times as much.
TOUCHING_MM3 = 1e-3
FIRST_MM = 0.05  #: how far a part has left when the sweep first looks: resting faces no longer touch
STEP_MM, NEAR_MM, STRIDE_MM, FAR_MM = 1.0, 13.0, 4.5, 150.0  #: strides are shorter than any part is thick


@pytest.fixture(scope="module")
def ship() -> DemoModel:
    return tug()


def placed_meshes(model: DemoModel) -> dict[str, trimesh.Trimesh]:
    shapes = {
        key: trimesh.Trimesh(solid.vertices, solid.faces, process=False)
        for key, solid in model.solids.items()
    }
    return {part.name: shapes[part.solid_key].copy().apply_transform(part.pose) for part in model.placed}


def placed_bodies(model: DemoModel) -> dict[str, m3.Manifold]:
    shapes = {
        key: m3.Manifold(m3.Mesh64(solid.vertices.copy(), np.array(solid.faces, np.uint64, order="C")))
        for key, solid in model.solids.items()
    }
    return {part.name: shapes[part.solid_key].transform(part.pose[:3]) for part in model.placed}


def graph_of(model: DemoModel) -> nx.Graph:
    graph = nx.Graph()
    graph.add_nodes_from(part.name for part in model.placed)
    graph.add_edges_from((a, b) for a, b, _, _ in model.known_joints)
    return graph


def overlaps(model: DemoModel) -> list[tuple[str, str, float]]:
    meshes, bodies = placed_meshes(model), placed_bodies(model)
    found = []
    for a, b in itertools.combinations(meshes, 2):
        low, high = meshes[a].bounds, meshes[b].bounds
        if (low[0] < high[1]).all() and (high[0] < low[1]).all():
            volume = (bodies[a] ^ bodies[b]).volume()
            if volume > TOUCHING_MM3:
                found.append((a, b, volume))
    return found


def test_the_tug_is_what_was_asked_for(ship: DemoModel) -> None:
    assert len(ship.placed) == 84
    assert 18 <= len(ship.solids) <= 25
    kinds = Counter(kind for _, _, kind, _ in ship.known_joints)
    assert kinds["ball"] == 1 and kinds["peg"] == 1 and kinds["stud"] > 84
    tilted = next(part for part in ship.placed if part.name == "keel").pose[:3, 2]
    assert np.degrees(np.arccos(tilted[2])) == pytest.approx(25)


@pytest.mark.parametrize("model", [tug(), tug(Module(scale=4)), tug(tilt_degrees=10), beacon(), sea_wall(60)])
def test_no_two_parts_overlap_and_all_hang_together(model: DemoModel) -> None:
    assert overlaps(model) == []
    assert nx.is_connected(graph_of(model))


def test_an_overlap_would_be_seen(ship: DemoModel) -> None:
    lamp = next(part for part in ship.placed if part.name == "lamp")
    sunk = Placed("sunk", lamp.solid_key, lamp.colour, lamp.pose - _lift(0.1))
    others = tuple(part for part in ship.placed if part is not lamp)
    found = overlaps(DemoModel("wrong", ship.solids, (*others, sunk)))
    assert [pair[:2] for pair in found] == [("wheelhouse roof", "sunk")]


def _lift(mm: float) -> NDArray[np.float64]:
    pose = np.zeros((4, 4))
    pose[2, 3] = mm
    return pose


def test_the_ball_joint_and_the_pegs_divide_the_tug(ship: DemoModel) -> None:
    graph = graph_of(ship)
    graph.remove_edges_from((a, b) for a, b, kind, _ in ship.known_joints if kind != "stud")
    sizes = sorted(len(part) for part in nx.connected_components(graph))
    assert sizes == [6, 6, 72]
    assert {len(part) for part in nx.connected_components(graph) if "arm root" in part} == {6}


def test_the_funnels_are_one_group_placed_twice(ship: DemoModel) -> None:
    part_of = {part.name: part for part in ship.placed}
    (group,) = ship.groups
    one, two = group.copies
    moved = group.poses[1] @ np.linalg.inv(group.poses[0])
    for a, b in zip(one, two, strict=True):
        assert part_of[a].solid_key == part_of[b].solid_key and part_of[a].colour == part_of[b].colour
        np.testing.assert_allclose(moved @ part_of[a].pose, part_of[b].pose, atol=1e-9)


def build_plan(ship: DemoModel) -> list[tuple[str, list[str], dict[str, NDArray[np.float64]]]]:
    """Three builds: stand, arm, ship; each with the way its parts leave when not straight up its own axis."""
    part_of = {part.name: part for part in ship.placed}
    stand = [name for name in part_of if name.startswith("base") or name in ("pillar", "wedge")]
    arm = [name for name in part_of if name.startswith("arm")]
    rest = [name for name in part_of if name not in stand and name not in arm]
    leaves = {name: part_of[name].pose[:3, 2] for name in part_of}
    leaves["arm hook"] = -leaves["arm hook"]
    return [("stand", stand, leaves), ("arm", arm, leaves), ("ship", rest, leaves)]


def blockers(
    moving: Iterable[trimesh.Trimesh], still: dict[str, trimesh.Trimesh], way: NDArray[np.float64]
) -> set[str]:
    """Names of what the moving meshes hit on their way out, by FCL at closely spaced places."""
    there, here = trimesh.collision.CollisionManager(), trimesh.collision.CollisionManager()
    boxes = []
    for number, mesh in enumerate(moving):
        here.add_object(str(number), mesh)
        boxes += [mesh.bounds, mesh.bounds + FAR_MM * way]
    low, high = np.min(boxes, axis=(0, 1)), np.max(boxes, axis=(0, 1))
    for name, mesh in still.items():
        if (mesh.bounds[0] <= high).all() and (low <= mesh.bounds[1]).all():
            there.add_object(name, mesh)
    hit: set[str] = set()
    near, far = np.arange(FIRST_MM, NEAR_MM, STEP_MM), np.arange(NEAR_MM, FAR_MM, STRIDE_MM)
    for distance in np.concatenate([near, far]):
        pose = np.eye(4)
        pose[:3, 3] = distance * way
        for number in here._objs:
            here.set_transform(number, pose)
        _, names = there.in_collision_other(here, return_names=True)
        hit |= {name for name, _ in names}
    return hit


def test_every_part_of_the_tug_goes_in_by_a_straight_move(ship: DemoModel) -> None:
    meshes = placed_meshes(ship)
    for _, names, leaves in build_plan(ship):
        for number, name in enumerate(names):
            placed = {other: meshes[other] for other in names[:number]}
            assert blockers([meshes[name]], placed, leaves[name]) == set(), name


def test_ship_goes_onto_the_pegs_along_them_and_not_straight_down(ship: DemoModel) -> None:
    meshes = placed_meshes(ship)
    (_, stand, leaves), (_, arm, _), (_, rest, _) = build_plan(ship)
    below = {name: meshes[name] for name in stand}
    above = [meshes[name] for name in rest + arm]
    assert blockers(above, below, leaves["keel"]) == set()
    assert blockers(above, below, np.array([0.0, 0.0, 1.0])) == {"wedge"}


def test_the_arm_snaps_into_its_cup_and_hits_nothing_else(ship: DemoModel) -> None:
    meshes = placed_meshes(ship)
    (_, _, leaves), (_, arm, _), (_, rest, _) = build_plan(ship)
    hit = blockers([meshes[name] for name in arm], {n: meshes[n] for n in rest}, leaves["keel"])
    assert hit == {"crane cup"}


def test_the_boiler_is_shut_in_by_the_roof_and_fenders_only_go_sideways(ship: DemoModel) -> None:
    meshes = placed_meshes(ship)
    _, _, (_, rest, leaves) = build_plan(ship)
    up = leaves["keel"]
    others = {name: meshes[name] for name in rest if name != "boiler"}
    assert "roof" in blockers([meshes["boiler"]], others, up)
    no_roof = {
        n: mesh for n, mesh in others.items() if n not in ("roof", "wheelhouse", "wheelhouse roof", "lamp")
    }
    assert blockers([meshes["boiler"]], no_roof, up) == set()
    side = {"side aft port": meshes["side aft port"]}
    assert blockers([meshes["tyre aft port 1"]], side, up) == {"side aft port"}


def centre_of_mass(meshes: Iterable[trimesh.Trimesh]) -> NDArray[np.float64]:
    pairs = [(mesh.volume, mesh.center_mass) for mesh in meshes]
    return np.asarray(sum(v * c for v, c in pairs) / sum(v for v, _ in pairs))


@pytest.mark.parametrize("model", [tug(), beacon(), sea_wall(50), sea_wall(1000)])
def test_the_models_stand_and_bear_a_tilt_of_ten_degrees(model: DemoModel) -> None:
    """Centre of mass over the convex hull of what touches the table, with 10 degrees to spare."""
    meshes = placed_meshes(model)
    corners = np.concatenate([mesh.vertices for mesh in meshes.values()])
    foot = ConvexHull(corners[corners[:, 2] < 1e-6][:, :2])
    middle = centre_of_mass(meshes.values())
    inside = -(foot.equations[:, :2] @ middle[:2] + foot.equations[:, 2])
    assert np.degrees(np.arctan2(inside.min(), middle[2])) > 10


def test_the_ship_lies_balanced_on_the_wedge_and_the_arm_on_its_ball(ship: DemoModel) -> None:
    meshes = placed_meshes(ship)
    (_, stand, _), (_, arm, _), _ = build_plan(ship)
    afloat = centre_of_mass(mesh for name, mesh in meshes.items() if name not in stand)
    wedge = meshes["wedge"].bounds
    assert (wedge[0, :2] + 5 < afloat[:2]).all() and (afloat[:2] < wedge[1, :2] - 5).all()
    root = next(part for part in ship.placed if part.name == "arm root").pose
    pitch = Module().pitch
    middle = (np.linalg.inv(root) @ [*centre_of_mass(meshes[name] for name in arm), 1])[:2]
    np.testing.assert_allclose(middle, [pitch, pitch], atol=0.15)


def sockets_and_studs(
    part: Placed, pitch: float, high: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Feet of the studs and mouths of the sockets of a plain part, from its name and its pose alone."""
    columns, rows = (int(number) for number in part.solid_key.split()[-3::2])
    middles = np.array([((i + 0.5) * pitch, (j + 0.5) * pitch, 0.0, 1.0) for i, j in cells(columns, rows)])
    tops = middles + np.array([0, 0, high, 0])
    return (middles @ part.pose.T)[:, :3], (tops @ part.pose.T)[:, :3]


def recount(model: DemoModel, module: Module) -> Counter[tuple[str, str]]:
    """Studs in sockets, found by nearness in space and not by the builder's lattice."""
    places: dict[str, list[NDArray[np.float64]]] = defaultdict(list)
    owners: dict[str, list[str]] = defaultdict(list)
    for part in model.placed:
        high = module.slab if "slab" in part.solid_key else module.block
        holes, studs = sockets_and_studs(part, module.pitch * module.scale, high * module.scale)
        for kind, points in (("hole", holes), ("stud", studs)):
            if kind == "hole" or "smooth" not in part.solid_key:
                places[kind].extend(points)
                owners[kind].extend([part.name] * len(points))
    tree = cKDTree(places["hole"])
    distance, nearest = tree.query(places["stud"], distance_upper_bound=1e-6 * module.scale)
    pairs = zip(owners["stud"], nearest, np.isfinite(distance), strict=True)
    return Counter((stud, owners["hole"][hole]) for stud, hole, met in pairs if met)


@pytest.mark.parametrize(
    ("model", "module"),
    [
        (beacon(), Module()),
        (sea_wall(50), Module()),
        (sea_wall(333, Module(scale=4)), Module(scale=4)),
        (sea_wall(5000), Module()),
        (sea_wall(200, courses=9), Module()),
    ],
)
def test_known_joints_agree_with_a_count_in_space(model: DemoModel, module: Module) -> None:
    known = Counter({(a, b): count for a, b, kind, count in model.known_joints if kind == "stud"})
    assert known == recount(model, module)


def test_known_joints_of_the_tug_special_parts(ship: DemoModel) -> None:
    known = {(a, b): (kind, count) for a, b, kind, count in ship.known_joints}
    assert known["wedge", "keel"] == ("peg", 4)
    assert known["arm root", "crane cup"] == ("ball", 1)
    assert known["pier port", "arch"] == known["pier starboard", "arch"] == ("stud", 1)
    assert known["bow", "bow fender"] == known["bow", "bow deck"] == ("stud", 2)
    assert known["bilge fore port", "bow"] == ("stud", 2)
    assert known["deck middle port", "funnel port foot"] == ("stud", 4)
    assert known["funnel port drum low", "funnel port drum high"] == ("stud", 1)
    assert sum(a.startswith("side") and b.startswith("tyre") for a, b in known) == 8


def test_every_known_joint_of_the_tug_touches_within_the_clearance(ship: DemoModel) -> None:
    """By the smallest gap between the solids, with the faces that rest on each other drawn apart."""
    bodies = placed_bodies(ship)
    part_of = {part.name: part for part in ship.placed}
    apart = 2 * Module().clearance
    for a, b, kind, _ in ship.known_joints:
        out = part_of[b].pose[:3, 2] if kind != "ball" else np.zeros(3)
        gap = bodies[b].translate(list(apart * out)).min_gap(bodies[a], 1.0)
        assert 0 < gap <= Module().clearance + 1e-6, (a, b)


@pytest.mark.parametrize("parts", [50, 51, 73, 74, 300, 999, 1000, 20_000])
def test_sea_wall_has_exactly_the_parts_asked_for(parts: int) -> None:
    model = sea_wall(parts)
    assert len(model.placed) == parts
    assert nx.is_connected(graph_of(model))
    assert len(model.solids) <= 8
    assert any(part.name.startswith("tower 1") for part in model.placed)
    assert max(part.pose[0, 3] for part in model.placed) < 20_000


@pytest.mark.parametrize(("parts", "courses"), [(49, None), (20_001, None), (60, 4), (50, 1), (60, 21)])
def test_sea_wall_refuses_what_it_cannot_lay(parts: int, courses: int | None) -> None:
    with pytest.raises(ValueError, match=r"parts|courses"):
        sea_wall(parts, courses=courses)


def test_beacon_has_twelve_parts() -> None:
    assert len(beacon().placed) == 12
