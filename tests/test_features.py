"""Features of one shape against solids whose measures are known in closed form."""

from __future__ import annotations

from itertools import pairwise
from math import cos, pi, sin, tau

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from manifold3d import Manifold, Mesh64

from demo_model import solids
from demo_model.solids import Module
from demo_model.tug import tug
from steps.features import printed_mass
from steps.features.mesh import clean
from steps.features.patches import round_patches
from steps.features.probe import Probe
from steps.model import Measure
from steps.settings import Settings
from tests.joint_cases import (
    STUD_HEIGHT,
    STUD_RADIUS,
    Solid,
    ball,
    box,
    measures_of,
    placed,
    plate,
    rod,
    shift,
    solid,
    turn,
)

NEAR = 0.02  # mm at 1x: the accuracy asked of radius, pitch and gap


def measured(thing: Manifold | Solid) -> Measure:
    return measures_of(placed([(thing, np.eye(4))])).by_shape["S1"]


def kinds(found: Measure) -> dict[str, int]:
    names = [feature.kind for feature in found.features]
    return {name: names.count(name) for name in dict.fromkeys(names)}


def single(found: Measure, kind: str):
    (feature,) = (f for f in found.features if f.kind == kind)
    return feature


def test_a_bore_cut_askew_has_the_circle_of_its_edges() -> None:
    """Where the mouth cuts a facet's diagonal, a corner lies on the chord."""
    bore = rod(4.0, 60, (0, 0, -30), 16).rotate([0, 25, 0])
    mesh = solid(box((-20, -20, -5), (20, 20, 5)) - bore)
    ((found,), _) = round_patches(clean(mesh.vertices, mesh.faces))
    assert (found.radius, found.facets) == (pytest.approx(4.0, abs=1e-6), 16)


@pytest.mark.parametrize("name", ["bow block 2 x 4", "smooth bow slab 2 x 4"])
def test_a_tapered_end_is_no_round_one(name: str) -> None:
    """Its four corners lie on a circle; all that is round on it are studs and tubes."""
    part = tug().solids[name]
    found, _ = round_patches(clean(part.vertices, part.faces))
    assert max((each.radius for each in found), default=0.0) < np.ptp(part.vertices[:, 1]) / 4


# ------------------------------------------------------------------------------ studs


@pytest.mark.parametrize("facets", [8, 12, 16, 24, 48, 96, 128])
@pytest.mark.parametrize("scale", [0.25, 1.0, 4.0])
def test_studs_of_a_block(facets: int, scale: float) -> None:
    module = Module(facets=facets, scale=scale)
    block = solids.block(2, 4, module)
    found = measures_of(placed([(block, np.eye(4))]))
    studs = found.by_shape["S1"].studs
    assert len(studs) == 8
    assert found.pitch_mm == pytest.approx(10 * scale, abs=NEAR * scale)
    for stud in studs:
        assert stud.radius_mm == pytest.approx(STUD_RADIUS * scale, abs=NEAR * scale)
        assert stud.height_mm == pytest.approx(STUD_HEIGHT * scale, abs=NEAR * scale)
        assert stud.axis == pytest.approx([0, 0, 1], abs=1e-6)
        assert stud.facets == facets
        assert stud.sag_mm == pytest.approx(STUD_RADIUS * scale * (1 - cos(pi / facets)), rel=1e-3)
    cells = {(round(s.point[0] / scale, 3), round(s.point[1] / scale, 3)) for s in studs}
    assert cells == {(5 + 10 * i, 5 + 10 * j) for i in range(2) for j in range(4)}
    assert all(s.point[2] == pytest.approx(10 * scale, abs=1e-6) for s in studs)


def test_studs_far_apart_are_in_no_row() -> None:
    """A lintel that stands on its two ends: walls are not to be judged by its span."""
    module = Module()
    apart = solids.union([solids.box((0, 0, 0), (40, 10, 10)), solids.studs([(5, 5), (35, 5)], 10.0, module)])
    lintel = solids.to_solid("lintel", apart)
    found = measures_of(placed([(lintel, np.eye(4))]))
    assert len(found.by_shape["S1"].studs) == 2 and found.pitch_mm is None
    beside = np.eye(4)
    beside[0, 3] = 60.0
    both = measures_of(placed([(lintel, np.eye(4)), (solids.block(1, 2, module), beside)]))
    assert both.pitch_mm == pytest.approx(10, abs=NEAR)


def test_a_void_within_is_no_place_of_material() -> None:
    """Of a body with a closed cell, and of two that reach into each other in one mesh, the points are told by
    how often the surface winds round them."""
    outer = solids.to_solid("outer", solids.box((0, 0, 0), (40, 20, 10)))
    cell = solids.to_solid("cell", solids.box((5, 5, 2), (20, 15, 8)))
    hollow = _both(outer.vertices, outer.faces, cell.vertices, cell.faces[:, ::-1])
    points = np.array([[2, 10, 5], [12, 10, 5], [12, 10, 1], [30, 10, 5], [41, 10, 5]], dtype=float)
    assert hollow.solid_at(points).tolist() == [True, False, True, True, False]
    crossing = _both(outer.vertices, outer.faces, np.add(outer.vertices, (20.0, 3.0, 2.0)), outer.faces)
    points = np.array([[30, 10, 5], [2, 10, 5], [50, 10, 5], [50, 2, 5], [30, 10, 11], [30, 2, 11]], float)
    assert crossing.solid_at(points).tolist() == [True, True, True, False, True, False]


def _both(one, its, two, others) -> Probe:
    """Two shells in one mesh."""
    probe = Probe(clean(np.vstack([one, two]), np.vstack([its, others + len(one)])))
    assert probe.mesh.closed and probe.mesh.shells == 2
    return probe


def test_side_studs_have_their_own_axis() -> None:
    found = measured(Solid(*_arrays(solids.block(4, 1, Module(), side_studs=True))))
    axes = [tuple(np.round(s.axis, 6) + 0.0) for s in found.studs]
    assert axes.count((0.0, 0.0, 1.0)) == 4
    assert axes.count((0.0, -1.0, 0.0)) == 4


def _arrays(s: solids.Solid) -> tuple[np.ndarray, np.ndarray]:
    return s.vertices, s.faces


def test_chamfered_studs() -> None:
    body = plate(2, 2) - plate(2, 2).translate([0, 0, 20])
    for x, y in ((5, 5), (15, 5), (5, 15), (15, 15)):
        body -= rod(4, 2, (x, y, 6.1)) - rod(STUD_RADIUS, 0.5, (x, y, 6.1), top=2.8)
    found = measured(body)
    assert kinds(found) == {"stud": 4}
    for stud in found.studs:
        assert stud.radius_mm == pytest.approx(STUD_RADIUS, abs=NEAR)
        assert stud.height_mm == pytest.approx(STUD_HEIGHT, abs=NEAR)  # with its chamfer


def test_hollow_studs_report_their_bore() -> None:
    body = plate(2, 1)
    for x in (5, 15):
        body -= rod(1.8, 3, (x, 5, 4.5))
    found = measured(body)
    assert kinds(found)["stud"] == 2
    assert all(s.bore_mm == pytest.approx(1.8, abs=NEAR) for s in found.studs)


@pytest.mark.parametrize("raised", [True, False])
def test_marks_on_top_do_not_hide_studs(raised: bool) -> None:
    body = plate(2, 1)
    for x in (5, 15):
        mark = box((x - 1, 4.5, 6.4), (x + 1, 5.5, 6.8))
        body = body + mark if raised else body - mark
    found = measured(body)
    assert kinds(found) == {"stud": 2}
    assert all(s.radius_mm == pytest.approx(STUD_RADIUS, abs=NEAR) for s in found.studs)


def test_a_stud_that_runs_into_a_wall() -> None:
    body = plate(2, 2) + box((12.0, 0, 0), (20, 20, 10)) - box((0, 0, 30), (1, 1, 31))
    body += box((7.5, 0, 0), (20, 20, 10))  # the wall's face cuts the studs at x = 5
    found = measured(body)
    assert kinds(found)["stud"] == 2
    for stud in found.studs:
        assert stud.radius_mm == pytest.approx(STUD_RADIUS, abs=NEAR)
        assert stud.point[0] == pytest.approx(5, abs=NEAR)


def test_tubes_and_pins_are_not_studs() -> None:
    """A tube is a full convex cylinder too, and its rim is flush with the walls round it."""
    for columns, rows in ((2, 4), (1, 6), (4, 4)):
        found = measured(Solid(*_arrays(solids.block(columns, rows, Module()))))
        assert len(found.studs) == columns * rows
        assert "peg" not in kinds(found)


def test_a_funnel_is_not_a_stud() -> None:
    """A free-standing cylinder whose radius does not repeat, beside studs that do."""
    body = plate(4, 2) - box((-1, -1, 4), (20, 21, 9)) + rod(6.5, 12, (10, 10, 3))
    found = measured(body)
    assert len(found.studs) == 4
    assert single(found, "peg").radius_mm == pytest.approx(6.5, abs=NEAR)


@pytest.mark.parametrize("flare", [0.1, 0.2, 0.5])
def test_studs_whose_foot_flares_are_studs(flare: float) -> None:
    """A fillet or a weld at the foot hides the top of the block from the stud's own cylinder."""
    body = box((0, 0, 0), (40, 20, 9))
    for x in (5, 15, 25, 35):
        for y in (5, 15):
            body += rod(STUD_RADIUS, STUD_HEIGHT + 9, (x, y, 0))
            body += rod(STUD_RADIUS + flare, flare, (x, y, 9), top=STUD_RADIUS)
    found = measured(body)
    assert [s.radius_mm for s in found.studs] == pytest.approx(8 * [STUD_RADIUS], abs=NEAR)
    assert all(s.axis @ (0, 0, 1) > 0.999 for s in found.studs)


def test_a_round_block_is_not_a_stud_but_carries_one() -> None:
    round_block = rod(4.9, 10) + rod(STUD_RADIUS, 3, (0, 0, 9)) - rod(3.4, 4, (0, 0, -1))
    found = measures_of(placed([(round_block, np.eye(4)), (plate(2, 2), shift(20, 0, 0))])).by_shape["S1"]
    assert [s.radius_mm for s in found.studs] == pytest.approx([STUD_RADIUS], abs=NEAR)


# ------------------------------------------------------------------- pegs, holes, balls


def test_holes_blind_and_through() -> None:
    body = box((0, 0, 0), (40, 20, 10)) - rod(2.5, 12, (10, 10, -1)) - rod(3.5, 7, (30, 10, 4))
    holes = sorted((f for f in measured(body).features if f.kind == "hole"), key=lambda f: f.radius_mm)
    assert [h.radius_mm for h in holes] == pytest.approx([2.5, 3.5], abs=NEAR)
    assert [h.through for h in holes] == [True, False]
    assert [h.height_mm for h in holes] == pytest.approx([10, 6], abs=NEAR)
    assert holes[1].axis == pytest.approx([0, 0, 1], abs=1e-6)  # out of the mouth
    assert holes[1].point[2] == pytest.approx(10, abs=1e-6)


def test_ball_on_a_neck_and_cup_with_a_lip() -> None:
    pin = box((-10, -10, 0), (10, 10, 4)) + rod(2, 8, (0, 0, -6)) + ball(4, (0, 0, -8))
    found = single(measured(pin), "ball")
    assert found.radius_mm == pytest.approx(4, abs=NEAR)
    assert found.point == pytest.approx([0, 0, -8], abs=NEAR)
    cup = rod(7, 9) - ball(4.1, (0, 0, 6.5))  # the lip stands 2.5 over the cup's middle
    found = single(measured(cup), "cup")
    assert found.radius_mm == pytest.approx(4.1, abs=NEAR)
    assert found.axis == pytest.approx([0, 0, 1], abs=0.02)


@pytest.mark.parametrize("facets", [8, 12, 128])
def test_balls_and_cups_of_few_facets(facets: int) -> None:
    """Cutting a coarse ball puts vertices on its facets' chords, well inside the sphere."""
    pin = box((-10, -10, 0), (10, 10, 4)) + rod(1.8, 8, (0, 0, -6), facets) + ball(4, (0, 0, -8), facets)
    assert single(measured(pin), "ball").radius_mm == pytest.approx(4, abs=NEAR)
    cup = rod(6, 7, (0, 0, -1.5), facets) - ball(4.1, facets=facets)
    assert single(measured(cup), "cup").radius_mm == pytest.approx(4.1, abs=NEAR)


def test_a_pin_between_cheeks_is_a_hinge_pin() -> None:
    body = box((0, 0, 0), (2, 10, 10)) + box((12, 0, 0), (14, 10, 10)) + box((0, 0, 0), (14, 10, 1))
    body += rod(2, 12).rotate([0, 90, 0]).translate([1, 5, 6])
    assert single(measured(body), "hinge pin").radius_mm == pytest.approx(2, abs=NEAR)


def test_a_slit_pin_is_one_peg() -> None:
    body = box((-10, -10, 0), (10, 10, 4)) + rod(2.5, 10, (0, 0, 3)) - box((-0.5, -5, 6), (0.5, 5, 20))
    found = single(measured(body), "peg")
    assert found.radius_mm == pytest.approx(2.5, abs=NEAR)
    assert found.point[:2] == pytest.approx([0, 0], abs=NEAR)


# ---------------------------------------------------------------------- robust meshes


@given(seed=st.integers(0, 10**6), facets=st.sampled_from([12, 24, 48, 96]))
@settings(max_examples=12, deadline=None)
def test_unmerged_shuffled_and_turned_meshes_measure_the_same(seed: int, facets: int) -> None:
    rng = np.random.default_rng(seed)
    block = solids.block(2, 2, Module(facets=facets))
    pose = turn(rng.normal(size=3), rng.uniform(0, 360)) @ shift(*rng.uniform(-50, 50, 3))
    corners = block.vertices[block.faces].reshape(-1, 3) @ pose[:3, :3].T + pose[:3, 3]
    faces = np.arange(len(corners)).reshape(-1, 3)
    faces = np.array([np.roll(f, rng.integers(3)) for f in rng.permutation(faces)])
    order = rng.permutation(len(corners))
    back = np.argsort(order)
    found = measured(Solid(corners[order].astype(np.float32).astype(float), back[faces]))
    want = measured(Solid(block.vertices, block.faces))
    assert len(found.studs) == 4
    assert sorted(s.radius_mm for s in found.studs) == pytest.approx([STUD_RADIUS] * 4, abs=NEAR)
    assert str(found.name) == str(want.name) == "block 2 x 2"
    assert found.size_mm == pytest.approx(want.size_mm, abs=1e-3)
    assert found.volume_mm3 == pytest.approx(want.volume_mm3, rel=1e-4)
    assert pose[:3, :3] @ want.centroid + pose[:3, 3] == pytest.approx(found.centroid, abs=1e-3)
    assert pose[:3, :3] @ want.up == pytest.approx(found.up, abs=1e-3)


@given(seed=st.integers(0, 10**6), facets=st.sampled_from([8, 12, 24, 48, 96, 128]))
@settings(max_examples=12, deadline=None)
def test_noise_of_a_twentieth_of_a_millimetre(seed: int, facets: int) -> None:
    rng = np.random.default_rng(seed)
    block = solids.block(2, 2, Module(facets=facets))
    noisy = block.vertices + rng.uniform(-0.05, 0.05, block.vertices.shape) / np.sqrt(3)
    found = measured(Solid(noisy, block.faces))
    assert len(found.studs) == 4
    for stud in found.studs:
        assert stud.radius_mm == pytest.approx(STUD_RADIUS, abs=0.05)
        assert stud.roundness_mm <= 0.08


def test_noise_on_a_fine_mesh() -> None:
    """On a mesh with vertices all over its faces, noise turns every edge: flat faces must not outvote the
    studs' axis, and faces that noise has tilted must not tear a stud in two."""
    block = solids.block(3, 2, Module(facets=24))
    fine = Manifold(Mesh64(np.array(block.vertices), np.array(block.faces, dtype=np.uint64)))
    mesh = solid(fine.refine_to_length(0.8))
    shaken = mesh.vertices + np.random.default_rng(3).uniform(-0.05, 0.05, mesh.vertices.shape)
    found = measured(Solid(shaken, mesh.faces))
    assert kinds(found)["stud"] == 6
    assert [s.radius_mm for s in found.studs] == pytest.approx([STUD_RADIUS] * 6, abs=0.05)


def test_t_junctions() -> None:
    """Every stud facet cut in three at heights that differ from its neighbour's."""
    mesh = solid(plate(2, 1, facets=24))
    split = _with_t_junctions(mesh)
    assert len(split.faces) > len(mesh.faces) + 20
    assert not _edges_match(split.faces)
    found = measured(split)
    assert kinds(found) == {"stud": 2}
    assert clean(split.vertices, split.faces).closed


def test_a_corner_beside_another_on_a_side_is_worked_in_where_a_sliver_goes() -> None:
    """A sliver of no height, 0.002 mm long in 173: its corner lies on the side that is then open."""
    low, high = np.zeros(3), np.array([100.0, 100, 100])
    mesh = solid(box(low, high))
    one, two = (np.flatnonzero((mesh.vertices == at).all(axis=1))[0] for at in (low, high * (1, 0, 0)))
    vertices = np.vstack([mesh.vertices, [0.0012, 0, 0], [0.0019, 0, 0]])
    near, far = len(vertices) - 2, len(vertices) - 1
    faces, ways = [], []
    for face in mesh.faces.tolist():
        if not {one, two} <= set(face):
            faces.append(face)
            continue
        k = next(k for k in range(3) if {face[k], face[(k + 1) % 3]} == {one, two})
        start, end, top = face[k], face[(k + 1) % 3], face[(k + 2) % 3]
        on = [far] if not ways else [near, far]
        ways.append(start == one)
        line = [start, *(on if start == one else on[::-1]), end]
        faces += [[a, b, top] for a, b in pairwise(line)]
    sliver = [one, near, far] if not ways[1] else [one, far, near]
    split = np.array([*faces, sliver])
    assert _edges_match(split)
    found = clean(vertices, split)
    assert found.closed and len(found.faces) == len(split)


def _with_t_junctions(mesh: Solid) -> Solid:
    """Halve every steep face's longest edge without telling the face across it."""
    vertices, faces = list(mesh.vertices), []
    for row, face in enumerate(mesh.faces):
        a, b, c = (mesh.vertices[i] for i in face)
        normal = np.cross(b - a, c - a)
        if abs(normal[2]) > 1e-9 or row % 3:
            faces.append(face)
            continue
        longest = int(np.argmax([np.linalg.norm(b - a), np.linalg.norm(c - b), np.linalg.norm(a - c)]))
        i, j, k = (face[(longest + n) % 3] for n in range(3))
        vertices.append((mesh.vertices[i] + mesh.vertices[j]) / 2)
        middle = len(vertices) - 1
        faces += [[i, middle, k], [middle, j, k]]
    return Solid(np.array(vertices), np.array(faces))


def _edges_match(faces: np.ndarray) -> bool:
    edges = np.sort(faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1)
    return bool((np.unique(edges, axis=0, return_counts=True)[1] == 2).all())


def test_an_open_mesh_is_said_and_measured() -> None:
    block = solids.block(2, 2, Module())
    flat = np.ptp(block.vertices[block.faces][:, :, 2], axis=1) < 1e-9
    hole = np.flatnonzero(flat)[:3]
    open_block = Solid(block.vertices, np.delete(block.faces, hole, axis=0))
    found = measures_of(placed([(open_block, np.eye(4))], names=["torn"]))
    assert [(p.code, p.severity, p.parts) for p in found.problems] == [("open-mesh", "note", ("P1",))]
    assert "torn" in found.problems[0].text
    assert len(found.by_shape["S1"].studs) == 4


@pytest.mark.parametrize(
    "mesh",
    [
        Solid(np.zeros((0, 3)), np.zeros((0, 3), dtype=int)),
        Solid(np.zeros((3, 3)), np.array([[0, 1, 2]])),
        Solid(np.array([[0.0, 0, 0], [1, 0, 0], [2, 0, 0]]), np.array([[0, 1, 2], [0, 0, 1]])),
    ],
)
def test_degenerate_meshes_are_named_and_the_rest_goes_on(mesh: Solid) -> None:
    model = placed([(mesh, np.eye(4)), (plate(2, 2), shift(50, 0, 0))], names=["nothing", "plate"])
    found = measures_of(model)
    assert [(p.code, p.severity) for p in found.problems] == [("degenerate-mesh", "warning")]
    assert "nothing" in found.problems[0].text
    assert len(found.by_shape["S2"].studs) == 4


# ------------------------------------------------------------------------------- bulk


def test_volume_area_and_centroid_in_closed_form() -> None:
    """A prism of 36 sides on a box: V = abc + n/2 r^2 sin(2 pi / n) h."""
    n, r, h = 36, 3.0, 5.0
    found = measured(box((0, 0, 0), (10, 20, 4)) + rod(r, h, (5, 5, 4), n))
    round_area = n / 2 * r**2 * sin(tau / n)
    volume = 10 * 20 * 4 + round_area * h
    assert found.volume_mm3 == pytest.approx(volume, rel=1e-9)
    assert found.area_mm2 == pytest.approx(2 * 200 + 2 * 4 * 30 + n * 2 * r * sin(pi / n) * h, rel=1e-9)
    assert found.centroid[1] == pytest.approx((800 * 10 + round_area * h * 5) / volume, rel=1e-9)
    assert found.centroid[2] == pytest.approx((800 * 2 + round_area * h * 6.5) / volume, rel=1e-9)


def test_printed_mass_of_the_worked_example() -> None:
    """By hand: 80 x 40 x 38 mm is 121.6 cm3, its faces 15 520 mm2 x 1.2 mm are 18.62; 18.62 + 0.15 x 102.98
    = 34.07 cm3, at 1.24 g/cm3 42.2 g."""
    found = measured(box((0, 0, 0), (80, 40, 38)))
    pla = Settings()
    grams = printed_mass(found.volume_mm3, found.area_mm2, pla)
    assert grams * 1.24 / 1.25 == pytest.approx(42.2, abs=0.05)  # PLA is 1.25 in the material data
    assert found.printed_g == grams
    thin = measured(box((0, 0, 0), (80, 40, 1)))  # all shell
    assert thin.printed_g == pytest.approx(80 * 40 * 1 * 1.25 / 1000, rel=1e-9)


def test_ball_radius_at_coarse_facets_is_through_the_vertices() -> None:
    pin = box((-10, -10, 0), (10, 10, 4)) + rod(2, 8, (0, 0, -6), 16) + ball(4, (0, 0, -8), 16)
    assert single(measured(pin), "ball").radius_mm == pytest.approx(4, abs=NEAR)


@pytest.mark.parametrize("sunk", [0.0, 0.7, 2.5])
def test_studs_set_into_a_body_and_never_united_with_it(sunk: float) -> None:
    """Several closed shells in one mesh, the studs' ends buried in the plate."""
    base = solid(box((0, 0, 0), (20, 10, 4)))
    vertices, faces = [base.vertices], [base.faces]
    for x in (5, 15):
        stud = solid(rod(STUD_RADIUS, STUD_HEIGHT + sunk, (x, 5, 4 - sunk)))
        faces.append(stud.faces + sum(map(len, vertices)))
        vertices.append(stud.vertices)
    found = measured(Solid(np.vstack(vertices), np.vstack(faces)))
    assert len(found.studs) == 2
    for stud_found in found.studs:
        assert stud_found.height_mm == pytest.approx(STUD_HEIGHT, abs=NEAR)
        assert stud_found.point[2] == pytest.approx(4, abs=NEAR)


def test_a_plate_of_hundreds_of_studs() -> None:
    found = measures_of(placed([(solids.slab(20, 20, Module(facets=8)), np.eye(4))]))
    assert len(found.by_shape["S1"].studs) == 400
    assert str(found.by_shape["S1"].name) == "slab 20 x 20"
