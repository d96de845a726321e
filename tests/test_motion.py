"""Blocking, checked against closed forms, and against solids intersected at many places along the way."""

from __future__ import annotations

from functools import cache

import manifold3d as m3
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_model import solids, specials
from demo_model.scene import shift, turn
from demo_model.solids import Bulk, Module
from demo_model.tug import tug
from steps.model import Joints, Model, Part, Shape
from steps.motion import Motion, depth_map, distinct_directions
from tests.joint_cases import polygon_area
from tests.order_models import joint, measures_of, model_of

UP, DOWN = 0, 1  # the first pair of directions is z


def placed(
    items: list[tuple[Bulk, np.ndarray]], pitch: float | None = 10.0, joints: Joints | None = None
) -> Motion:
    """Motion of solids at poses, each a shape of its own."""
    shapes = tuple(Shape(f"S{k}", s.vertices, s.faces, True, s.name) for k, (s, _) in enumerate(items))
    parts = tuple(
        Part(f"P{k}", f"part {k}", f"S{k}", "#808080", "grey", pose) for k, (_, pose) in enumerate(items)
    )
    model = Model("test", "test.stl", "", 1.0, shapes, parts)
    return Motion(model, measures_of(model, pitch), joints)


def box(low: tuple[float, float, float], high: tuple[float, float, float]) -> Bulk:
    body = m3.Manifold.cube([b - a for a, b in zip(low, high, strict=True)]).translate(list(low))
    return solids.to_solid("box", body)


def body_of(solid: Bulk, pose: np.ndarray) -> m3.Manifold:
    mesh = m3.Mesh(np.asarray(solid.vertices, np.float32), np.asarray(solid.faces, np.uint32))
    return m3.Manifold(mesh).transform(pose[:3].tolist())


# ------------------------------------------------------------------------- closed forms


@pytest.mark.parametrize("scale", [1.0, 4.0])
@pytest.mark.parametrize("facets", [8, 48])
def test_a_seated_block_leaves_upwards_only(scale, facets):
    """Studs in sockets, 0.1 mm clearance at 1x: free along the studs, blocked every other way."""
    module = Module(scale=scale, facets=facets)
    solid = solids.block(2, 4, module)
    motion = placed([(solid, np.eye(4)), (solid, shift(0, 0, 10 * scale))], 10 * scale)
    free = [not motion.blocks(1, 0, way) for way in range(6)]
    assert free == [True, False, False, False, False, False]
    assert [motion.blocks(0, 1, way ^ 1) for way in range(6)] == [not each for each in free]


def test_neighbours_in_a_row_do_not_rub():
    """Blocks side by side, also without any side clearance, pass each other up and down, not across."""
    for gap in (0.0, 0.2):
        cube = box((gap / 2, gap / 2, 0), (10 - gap / 2, 10 - gap / 2, 10))
        motion = placed([(cube, np.eye(4)), (cube, shift(10, 0, 0))])
        way_right = motion.direction_index([1, 0, 0])
        assert not motion.blocks(0, 1, UP) and not motion.blocks(0, 1, DOWN)
        assert motion.blocks(0, 1, way_right) and not motion.blocks(0, 1, way_right ^ 1)


@pytest.mark.parametrize(("overlap", "blocked"), [(0.2, False), (0.3, False), (0.7, True), (1.2, True)])
def test_slivers_across_the_way_are_ignored(overlap, blocked):
    """A press fit's 0.2 mm in a pitch of 10 is a sliver; what the verifier takes for a hit (0.4) may not be
    missed by much, a printed wall (1.2) never."""
    motion = placed(
        [(box((0, 0, 0), (10, 10, 10)), np.eye(4)), (box((10 - overlap, 0, 12), (20, 10, 20)), np.eye(4))]
    )
    assert motion.blocks(0, 1, UP) is blocked


@pytest.mark.parametrize(("overlap", "blocked"), [(0.1, False), (0.4, False), (0.6, True)])
def test_slivers_along_the_way_are_ignored(overlap, blocked):
    """A seated part may reach an eightieth of a pitch into its partner along the axis."""
    motion = placed(
        [(box((0, 0, 0), (10, 10, 10)), np.eye(4)), (box((0, 0, 10 - overlap), (10, 10, 20)), np.eye(4))]
    )
    assert motion.blocks(1, 0, UP) is blocked


def test_thin_parts_are_not_slivers():
    """A fence 0.6 mm thick under a roof is blocked though it is thinner than the sliver window."""
    fence, roof = box((0, 0, 0), (10, 0.6, 10)), box((-5, -5, 12), (15, 5, 14))
    motion = placed([(fence, shift(0, 0.13, 0)), (roof, np.eye(4))])
    assert motion.blocks(0, 1, UP) and not motion.blocks(0, 1, DOWN)


def test_a_hook_is_passed_only_by_entry_before_exit():
    """Above a gap one may pass, though boxes overlap: a plug leaves a cup, and a cup leaves over its plug."""
    cup = m3.Manifold.cube([20, 20, 20]) - m3.Manifold.cube([12, 12, 20]).translate([4, 4, 4])
    motion = placed([(solids.to_solid("cup", cup), np.eye(4)), (box((6, 6, 6), (14, 14, 16)), np.eye(4))])
    assert not motion.blocks(1, 0, UP) and motion.blocks(1, 0, DOWN)
    assert all(motion.blocks(1, 0, way) for way in range(2, 6))


def test_a_tilted_peg_leaves_along_its_axis_only():
    """The stand's pegs lean 25 degrees: straight up is blocked, along the pegs is free."""
    model = model_of(tug())
    row = {part.source: k for k, part in enumerate(model.parts)}
    motion = Motion(model, measures_of(model, 10.0))
    keel, wedge = row["keel"], row["wedge"]
    lean = motion.direction_index(model.poses[keel, :3, 2])
    assert not motion.blocks(keel, wedge, lean)
    assert motion.blocks(keel, wedge, UP) and motion.blocks(keel, wedge, lean ^ 1)


def test_a_snap_lets_go_along_its_axis():
    """A ball under a deep lip is blocked every way; its joint exempts the pair along the mouth alone."""
    ball = m3.Manifold.sphere(4.0, 48)
    cup = m3.Manifold.cube([12, 12, 9]).translate([-6, -6, -6]) - m3.Manifold.sphere(4.05, 48)  # lip 1.3 mm
    items = [(solids.to_solid("ball", ball), np.eye(4)), (solids.to_solid("cup", cup), np.eye(4))]
    bare = placed(items)
    assert all(bare.blocks(0, 1, way) for way in range(6))
    snap = Joints((joint(bare.model, 0, "P0", "P1", "ball", 1, [0, 0, -1], snap=1.3),))
    joined = placed(items, joints=snap)
    assert not joined.blocks(0, 1, UP) and not joined.blocks(1, 0, DOWN)
    assert all(joined.blocks(0, 1, way) for way in range(1, 6))


def test_down_a_little_then_sideways():
    """A bolt under a lip: no straight way, but 6 mm sideways and then up; a shorter step is not enough."""
    lip = m3.Manifold.cube([30, 10, 20]) - m3.Manifold.cube([16, 12, 6]).translate([8, -1, 6])
    lip -= m3.Manifold.cube([8, 12, 20]).translate([16, -1, 6])
    motion = placed(
        [(solids.to_solid("lip", lip), np.eye(4)), (box((8.1, 0, 6.1), (15.5, 10, 11.5)), np.eye(4))]
    )
    right = motion.direction_index([1, 0, 0])
    assert motion.blocks(1, 0, UP) and motion.blocks(1, 0, right)
    assert not motion.hits_within(1, 0, right, 8.2)
    assert motion.hits_within(1, 0, right, 12.0) and motion.hits_within(1, 0, UP, 2.0)
    assert not motion.blocks_from(1, 0, UP, np.array([8.2, 0, 0]))
    assert motion.blocks_from(1, 0, UP, np.array([4.0, 0, 0]))


def test_how_far_a_part_may_go_is_worked_out_once(monkeypatch):
    """For each pair, direction and length."""
    motion = placed([(box((0, 0, 0), (10, 10, 10)), np.eye(4)), (box((0, 0, 14), (10, 10, 24)), np.eye(4))])
    left = motion.direction_index([-1, 0, 0])
    cases = [(0, 1, UP, 3.0), (0, 1, UP, 6.0), (1, 0, DOWN, 3.0), (1, 0, DOWN, 6.0), (0, 1, left, 6.0)]
    first = [motion.hits_within(*case) for case in cases]
    assert first == [False, True, False, True, False]
    monkeypatch.setattr("steps.motion.blocking.shared_pixels", lambda *_: pytest.fail("worked out again"))
    assert [motion.hits_within(*case) for case in cases] == first


# ------------------------------------------------------- against solids moved step by step


@cache
def _zoo() -> tuple[Bulk, ...]:
    module = Module(facets=16)
    return (
        solids.block(2, 2, module),
        solids.slab(4, 1, module),
        solids.block(2, 1, module, side_studs=True),
        specials.arch(module),
        specials.tyre(module),
        specials.funnel_cap(module),
    )


def _sweep_depth(one: m3.Manifold, two: m3.Manifold, way: np.ndarray, length: float) -> float:
    """Least side of the box of an overlap on the way, the greatest of all overlaps: 0 when it never hits."""
    worst = 0.0
    for at in np.arange(0.0, length, 0.45):
        meeting = one.translate((way * at).tolist()) ^ two
        if not meeting.is_empty():
            for piece in meeting.decompose():
                low, high = np.array(piece.bounding_box()).reshape(2, 3)
                worst = max(worst, float((high - low).min()))
    return worst


@settings(max_examples=60, deadline=None, derandomize=True)
@given(
    st.integers(0, 5),
    st.integers(0, 5),
    st.integers(0, 3),
    st.tuples(st.integers(-3, 3), st.integers(-2, 2), st.integers(-3, 3)),
    st.integers(0, 5),
)
def test_against_solids_moved_step_by_step(a, b, quarters, cell, way):
    """Random lattice places: what a boolean intersection finds along the way is what the depth maps find.

    Places where the two overlap to begin with, and meetings thinner than a printed wall, are left out.
    """
    one, two = _zoo()[a], _zoo()[b]
    pose = shift(10 * cell[0], 10 * cell[1], 5 * cell[2]) @ turn((0, 0, 1), 90 * quarters)
    motion = placed([(one, np.eye(4)), (two, pose)])
    body, other = body_of(one, np.eye(4)), body_of(two, pose)
    if (body ^ other).volume() > 0.5:
        return
    direction = motion.vector(way)
    depth = _sweep_depth(body, other, direction, 120.0)
    if 0.05 < depth < 1.1:
        return
    assert motion.blocks(0, 1, way) is (depth >= 1.1)
    within = _sweep_depth(body, other, direction, 6.0)
    if not 0.05 < within < 1.1:
        assert motion.hits_within(0, 1, way, 5.6) is (within >= 1.1)


# ----------------------------------------------------------------------------- the parts


def test_depth_map_of_a_block_is_exact():
    """Entry at the rim or the roof's underside, exit at the top or a stud, as the block is drawn."""
    module = Module()
    solid = solids.block(2, 2, module)
    shape = Shape("S1", solid.vertices, solid.faces, True)
    seen = depth_map(shape, np.eye(3), 10 / 32)
    assert seen.first.shape == (64, 64)
    assert set(np.round(np.unique(seen.last).astype(float), 4)) == {10.0, 12.6}
    assert set(np.round(np.unique(seen.first).astype(float), 4) + 0.0) == {0.0, 8.4}  # roof of 1.6
    studs = (seen.last > 11).mean() * 400
    assert studs == pytest.approx(4 * polygon_area(module.stud_radius, 48), rel=0.02)


def test_directions_are_distinct_and_exact():
    """Opposites and near repeats are one; a measured axis takes the exact axis of the part it belongs to."""
    found = distinct_directions(
        [np.array([0, 0, 2.0]), np.array([0, 0, -1.0]), np.array([0, 1e-3, 1.0]), np.zeros(3)]
    )
    assert len(found) == 1
    lean = turn((0, 1, 0), 25.0)
    cube = box((0, 0, 0), (10, 10, 10))
    model = placed([(cube, lean), (cube, shift(0, 0, 30))]).model
    off = lean[:3, 2] + np.array([0.001, 0.0005, 0])
    motion = placed(
        [(cube, lean), (cube, shift(0, 0, 30))], joints=Joints((joint(model, 0, "P0", "P1", "stud", 1, off),))
    )
    assert len(motion.directions) == 8
    assert np.allclose(motion.vector(motion.direction_index(off)), lean[:3, 2], atol=1e-12)
