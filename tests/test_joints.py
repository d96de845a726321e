"""Joints against models whose joints are known by construction, and against the traps."""

from __future__ import annotations

import sys
from collections.abc import Callable
from math import pi
from typing import Any

import numpy as np
import pytest
import shapely
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st
from manifold3d import CrossSection, Manifold

from demo_model import solids
from demo_model.beacon import beacon
from demo_model.scene import DemoModel
from demo_model.seawall import sea_wall
from demo_model.solids import Module
from demo_model.specials import BallMeasures
from demo_model.tug import tug
from steps.features.mesh import Mesh
from steps.joints import touching
from steps.joints.flats import Flat, _corners
from steps.joints.leaning import _near_pairs, off_triangles
from steps.joints.overlap import _largest_ball
from steps.joints.situations import near_pairs
from steps.model import Joints, Model
from tests.joint_cases import (
    CLEARANCE,
    STUD_HEIGHT,
    STUD_RADIUS,
    Solid,
    ball,
    box,
    codes,
    from_demo,
    joints_of,
    lid,
    measures_of,
    only,
    pin_in_a_wall,
    placed,
    plate,
    revolve,
    rod,
    roundabout,
    shift,
    solid,
    turn,
    wheel_above_a_plate,
    wheel_on_a_pin,
)

NEAR = 0.02  # mm at 1x
HOLE_RADIUS = STUD_RADIUS + CLEARANCE


def signature(model: Model, joints: Joints) -> set[tuple[str, str, str, int]]:
    """What grips: names, kind and number of contacts, as demo models list them."""
    name = {part.id: part.source for part in model.parts}
    return {(name[j.a], name[j.b], j.kind, j.contacts) for j in joints.joints if j.kind != "rest"}


def test_how_far_points_are_off_triangles() -> None:
    # against a library's own; slivers too
    rng = np.random.default_rng(3)
    triangles, points = rng.uniform(-1, 1, (400, 3, 3)), rng.uniform(-2, 2, (400, 3))
    triangles[:40, 2] = triangles[:40, :2].mean(axis=1)
    nearest = trimesh.triangles.closest_point(triangles[40:], points[40:])
    expected = np.linalg.norm(nearest - points[40:], axis=1)
    assert off_triangles(triangles, points)[40:] == pytest.approx(expected, abs=1e-9)
    share = np.linspace(0, 1, 2001)[:, None, None]
    lines = triangles[:40, 0] + share * (triangles[:40, 1] - triangles[:40, 0])
    assert off_triangles(triangles, points)[:40] == pytest.approx(
        np.linalg.norm(lines - points[:40], axis=2).min(axis=0), abs=1e-5
    )


# -------------------------------------------------------------- known by construction


def test_what_touches_is_the_same_judged_or_not() -> None:
    model = from_demo(beacon())
    measures = measures_of(model)
    judged, bare = joints_of(model), touching(model, measures)
    for one, other in zip(judged.joints, bare.joints, strict=True):
        assert (one.id, one.kind, one.a, one.b) == (other.id, other.kind, other.a, other.b)
        assert (one.contacts, one.gap_mm, one.depth_mm) == (other.contacts, other.gap_mm, other.depth_mm)
        assert len(one.touches) == len(other.touches)
    assert codes(bare) == codes(judged)
    assert any(joint.hold_n for joint in judged.joints) and not any(joint.hold_n for joint in bare.joints)
    assert any(touch.backings for joint in judged.joints for touch in joint.touches)
    assert not any(touch.backings for joint in bare.joints for touch in joint.touches)


@pytest.mark.parametrize(
    "make",
    [
        beacon,
        tug,
        lambda: tug(Module(scale=4)),
        lambda: tug(Module(facets=16)),
        lambda: sea_wall(parts=50),
        lambda: sea_wall(parts=300),
        lambda: sea_wall(parts=1000),
    ],
)
def test_every_known_joint_and_no_other(make: Callable[[], DemoModel]) -> None:
    """Precision and recall 1.0."""
    demo = make()
    model = from_demo(demo)
    joints = joints_of(model)
    assert signature(model, joints) == set(demo.known_joints)
    assert not joints.problems
    assert [j.id for j in joints.joints] == [f"J{n}" for n in range(1, len(joints.joints) + 1)]
    rows = [sorted((model.index_of[j.a], model.index_of[j.b])) for j in joints.joints]
    assert rows == sorted(rows)


@pytest.mark.parametrize("facets", [12, 16, 20, 24, 48, 96])
@pytest.mark.parametrize("clearance", [-0.05, 0.02, 0.1, 0.3])
@pytest.mark.parametrize("wide", [1, 2])
def test_gap_and_depth(facets: int, clearance: float, wide: int) -> None:
    """Tubes and ribs (2 wide) and pins and ribs (1 wide) keep the clearance from the studs' circles."""
    low = solids.block(4, wide, Module(facets=facets))
    high = solids.block(4, wide, Module(facets=facets, clearance=clearance))
    joint = only(joints_of(placed([(_of(low), np.eye(4)), (_of(high), shift(0, 0, 10))])))
    assert (joint.kind, joint.contacts, joint.a, joint.b) == ("stud", 4 * wide, "P1", "P2")
    assert joint.gap_mm == pytest.approx(clearance, abs=NEAR)
    assert joint.depth_mm == pytest.approx(STUD_HEIGHT, abs=NEAR)
    assert joint.axis == pytest.approx([0, 0, 1], abs=1e-6)
    for touch in (t for t in joint.touches if t.kind == "stud"):
        assert touch.gap_mm == pytest.approx(clearance, abs=NEAR)
        assert touch.mean_gap_mm == pytest.approx(clearance, abs=NEAR)
        radial = touch.points - touch.point
        radial -= np.outer(radial @ touch.axis, touch.axis)
        assert np.linalg.norm(radial, axis=1) == pytest.approx(STUD_RADIUS, abs=NEAR)
        assert radial / np.linalg.norm(radial, axis=1)[:, None] == pytest.approx(touch.normals, abs=1e-6)


def _of(s: solids.Solid) -> Solid:
    return Solid(s.vertices, s.faces)


def test_a_two_by_two_on_four_studs_touches_as_drawn() -> None:
    """Each stud of a 2 x 2 meets two ribs and the tube: directions known from the module's drawing."""
    block = _of(solids.block(2, 2))
    joint = only(joints_of(placed([(block, np.eye(4)), (block, shift(0, 0, 10))])))
    stud = next(t for t in joint.touches if np.allclose(t.point[:2], [5, 5], atol=1e-3))
    found = {tuple(np.round(n, 3) + 0.0) for n in stud.normals}
    assert found == {(-1.0, 0.0, 0.0), (0.0, -1.0, 0.0), (0.707, 0.707, 0.0)}
    assert stud.point[2] == pytest.approx(10 + STUD_HEIGHT / 2, abs=1e-6)


def test_a_stud_joint_rests_on_the_top_face_too() -> None:
    block = _of(solids.block(2, 2))
    joint = only(joints_of(placed([(block, np.eye(4)), (block, shift(0, 0, 10))])))
    (rest,) = (t for t in joint.touches if t.kind == "rest")
    long = 20 - 2 * CLEARANCE
    walls = long**2 - (long - 2 * Module().wall) ** 2
    assert rest.area_mm2 > walls  # walls, ribs and the tube's rim
    assert rest.axis == pytest.approx([0, 0, 1], abs=1e-9)
    corners = {tuple(np.round(p, 3)) for p in rest.points}
    assert corners == {(x, y, 10.0) for x in (0.085, 19.915) for y in (0.085, 19.915)}


def test_rest_area_and_outline_in_closed_form() -> None:
    """Two boxes that share 6 x 4 of their faces."""
    joint = only(
        joints_of(
            placed([(box((0, 0, 0), (10, 10, 5)), np.eye(4)), (box((0, 0, 0), (10, 10, 5)), shift(4, 6, 5))])
        )
    )
    assert (joint.kind, joint.fit, joint.contacts, joint.hold_n) == ("rest", "none", 0, 0.0)
    assert joint.glue_area_mm2 == pytest.approx(24, rel=1e-9)
    (touch,) = joint.touches
    assert touch.point == pytest.approx([7, 8, 5])
    assert {tuple(np.round(p, 6)) for p in touch.points} == {(4, 6, 5), (10, 6, 5), (10, 10, 5), (4, 10, 5)}


# --------------------------------------------------------------------- kinds of socket


def _block_with_hole(radius: float, depth: float = 3.0) -> Manifold:
    return box((-6, -6, 0), (6, 6, 8)) - rod(radius, depth + 1, (0, 0, -1))


def single_stud() -> Manifold:
    return box((-6, -6, -4), (6, 6, 0)) + rod(STUD_RADIUS, 1 + STUD_HEIGHT, (0, 0, -1))


@pytest.mark.parametrize("gap", [-0.1, 0.0, 0.15, 0.5])
def test_a_stud_in_a_plain_hole(gap: float) -> None:
    two = placed(
        [
            (single_stud(), np.eye(4)),
            (single_stud(), shift(50, 0, 0)),
            (_block_with_hole(STUD_RADIUS + gap), np.eye(4)),
        ]
    )
    (joint,) = (j for j in joints_of(two).joints)
    assert (joint.kind, joint.contacts, joint.a, joint.b) == ("stud", 1, "P1", "P3")
    assert joint.gap_mm == pytest.approx(gap, abs=NEAR)
    assert joint.depth_mm == pytest.approx(STUD_HEIGHT, abs=NEAR)
    stud = joint.touches[0]
    assert stud.area_mm2 == pytest.approx(
        2 * pi * STUD_RADIUS * STUD_HEIGHT, rel=0.02
    )  # the whole lateral face


def test_an_off_centre_hole_reports_its_smallest_gap() -> None:
    two = placed(
        [
            (single_stud(), np.eye(4)),
            (single_stud(), shift(50, 0, 0)),
            (_block_with_hole(STUD_RADIUS + 0.2), shift(0.1, 0, 0)),
        ]
    )
    (joint,) = (j for j in joints_of(two).joints)
    assert joint.gap_mm == pytest.approx(0.1, abs=NEAR)


def test_a_stud_in_a_hollow_stud() -> None:
    """A stud of radius 2.9 in the bore (3.0) of a stud of radius 5."""
    cup = box((-8, -8, 0), (8, 8, 4)) + rod(5, 4, (0, 0, 3)) - rod(3.0, 5, (0, 0, 4.5))
    pin = (box((-8, -8, 0), (8, 8, 4)) + rod(2.9, 3, (0, 0, 3))).rotate([180, 0, 0])
    model = placed([(cup, np.eye(4)), (pin, shift(0, 0, 11)), (pin, shift(40, 0, 11))])
    (joint,) = joints_of(model).joints
    assert (joint.a, joint.b, joint.contacts) == ("P2", "P1", 1)
    assert joint.gap_mm == pytest.approx(0.1, abs=NEAR)


@pytest.mark.parametrize(("columns", "rows"), [(2, 2), (4, 2)])
def test_a_lid_without_tubes_grips(columns: int, rows: int) -> None:
    """Each stud touches one or two walls only, and yet together they hold from every side."""
    joint = only(joints_of(placed([(plate(columns, rows), np.eye(4)), (lid(columns, rows), shift(0, 0, 4))])))
    assert (joint.kind, joint.contacts) == ("stud", columns * rows)
    assert joint.gap_mm == pytest.approx(CLEARANCE, abs=NEAR)
    lines = [len(t.points) for t in joint.touches if t.kind == "stud"]
    assert max(lines) == 2
    assert all(t.grips for t in joint.touches)


def test_a_stud_between_two_walls_is_pinched() -> None:
    """A long rail without ribs or ends near the studs: only its two side walls touch them."""
    low, high = 5 - HOLE_RADIUS, 5 + HOLE_RADIUS
    rail = box((-30, 0, 4), (50, 10, 12)) - box((-29, low, 3), (49, high, 10))
    joint = only(joints_of(placed([(plate(2, 1), np.eye(4)), (rail, np.eye(4))])))
    assert (joint.kind, joint.contacts) == ("stud", 2)
    assert [len(t.points) for t in joint.touches if t.kind == "stud"] == [2, 2]
    assert joint.gap_mm == pytest.approx(CLEARANCE, abs=NEAR)
    apart = box((-30, 0, 4), (50, 10, 12)) - box((-29, low, 3), (49, 9.5, 10))  # the other wall 1.2 away
    assert only(joints_of(placed([(plate(2, 1), np.eye(4)), (apart, np.eye(4))]))).kind == "rest"


def test_a_lid_that_bridges_two_parts_holds_to_both() -> None:
    """Half a tubeless lid on either plate: each plate's studs touch three of its walls."""
    items = [(plate(1, 2), np.eye(4)), (plate(1, 2), shift(10, 0, 0)), (lid(2, 2), shift(0, 0, 4))]
    model = placed(items)
    found = signature(model, joints_of(model))
    assert found == {("item 1", "item 3", "stud", 2), ("item 2", "item 3", "stud", 2)}


@pytest.mark.parametrize("seed", range(6))
def test_a_peg_at_the_round_end_of_a_slot_is_held_whatever_a_file_rounds(seed: int) -> None:
    """The slot's sides run on from its end: they hold the peg across, however float32 tells their corners and
    six digits its place."""
    radius = STUD_RADIUS + CLEARANCE
    slot = rod(radius, 6, (0, 0, -1)) + rod(radius, 6, (30, 0, -1)) + box((0, -radius, -1), (30, radius, 5))
    block = box((-12, -12, 0), (42, 12, 8)) - slot
    random = np.random.default_rng(seed)

    def rounded(of: Manifold) -> Solid:
        clean = solid(of)
        return Solid(clean.vertices + random.normal(0, 5e-6, clean.vertices.shape), clean.faces)

    for at_end in (0.0, 30.0):
        off = random.uniform(-5e-4, 5e-4, 2)
        two = placed(
            [(rounded(single_stud()), shift(at_end + off[0], off[1], 0)), (rounded(block), np.eye(4))]
        )
        joint = only(joints_of(two))
        assert (joint.kind, joint.contacts) == ("peg", 1)
        assert joint.gap_mm == pytest.approx(CLEARANCE, abs=NEAR)


def test_a_stud_on_a_side_face() -> None:
    """A block with a stud on its side, in a hole of an upright plate."""
    wall = box((0, 0, 0), (4, 20, 20)) - rod(HOLE_RADIUS, 10).rotate([0, 90, 0]).translate([-1, 10, 10])
    side = _of(solids.block(2, 1, side_studs=True))
    plain = wall.rotate([0, 0, -90])
    model = placed([(side, np.eye(4)), (plain, shift(-5, CLEARANCE, -5))])
    joints = joints_of(model)
    joint = only(joints)
    assert (joint.kind, joint.contacts, joint.a) == ("stud", 1, "P1")
    assert joint.axis == pytest.approx([0, -1, 0], abs=1e-6)
    assert joint.gap_mm == pytest.approx(CLEARANCE, abs=NEAR)


def test_a_pair_with_studs_up_and_on_a_side() -> None:
    """An L that sits on top studs and holds side studs: both kinds of contact in one joint."""
    side = _of(solids.block(2, 1, side_studs=True))
    bracket = box((0, -4, 5), (20, CLEARANCE, 16)) + box((0, -4, 10), (20, 10 - CLEARANCE, 16))
    for x in (5, 15):
        bracket -= rod(HOLE_RADIUS, 2.5, (x, 5, 10)) + rod(HOLE_RADIUS, 4).rotate([90, 0, 0]).translate(
            [x, 0.2, 5]
        )
    bracket = bracket + box((0, -4, 1), (20, CLEARANCE, 5.1))
    for x in (5, 15):
        bracket -= rod(HOLE_RADIUS, 4).rotate([90, 0, 0]).translate([x, 0.2, 5])
    joint = only(joints_of(placed([(side, np.eye(4)), (bracket, np.eye(4))])))
    axes = [tuple(np.round(t.axis, 6) + 0.0) for t in joint.touches if t.kind == "stud"]
    assert sorted(axes) == [(0.0, -1.0, 0.0)] * 2 + [(0.0, 0.0, 1.0)] * 2
    assert joint.contacts == 4


@pytest.mark.parametrize("degrees", [0, 17, 45, 133.7])
def test_a_part_on_one_stud_may_be_turned(degrees: float) -> None:
    top = _of(solids.block(1, 1))
    pose = shift(15, 5, 10) @ turn((0, 0, 1), degrees) @ shift(-5, -5, 0)
    joint = only(joints_of(placed([(_of(solids.block(2, 1)), np.eye(4)), (top, pose)])))
    assert (joint.kind, joint.contacts, joint.moves) == ("stud", 1, False)
    assert joint.gap_mm == pytest.approx(CLEARANCE, abs=NEAR)


def test_tilted_pegs() -> None:
    base = box((-10, -10, -5), (10, 10, 0)) + rod(2.7, 9, (-5, 0, -1)) + rod(2.7, 9, (5, 0, -1))
    top = box((-10, -10, 0), (10, 10, 9)) - rod(2.8, 10, (-5, 0, -1)) - rod(2.8, 10, (5, 0, -1))
    pose = turn((0.3, 1, 0.2), 25)
    joint = only(joints_of(placed([(base, pose), (top, pose)])))
    assert (joint.kind, joint.contacts, joint.moves) == ("peg", 2, False)
    assert joint.axis == pytest.approx(pose[:3, 2], abs=1e-4)
    assert joint.gap_mm == pytest.approx(0.1, abs=NEAR)
    assert joint.depth_mm == pytest.approx(8, abs=NEAR)


def test_a_lone_loose_peg_turns() -> None:
    base = box((-5, -5, -5), (5, 5, 0)) + rod(2.7, 11, (0, 0, -1))
    wheel = rod(8, 5, (0, 0, 1)) - rod(3.1, 7, (0, 0, 0))
    joint = only(joints_of(placed([(base, np.eye(4)), (wheel, np.eye(4))])))
    assert (joint.kind, joint.moves, joint.fit) == ("peg", True, "loose")
    assert joint.gap_mm == pytest.approx(0.4, abs=NEAR)
    assert joint.glue_area_mm2 == 0


def test_a_small_tenon_in_a_large_board_is_a_peg() -> None:
    """4 x 4 mm and 0.25 mm high, on a post, in a board of 60 x 40: its sides are a tenth of a thousandth of
    what there is of the board."""
    post = box((-3, -3, -30), (3, 3, 0)) + box((-2, -2, -1), (2, 2, 0.25))
    board = box((-30, -20, 0), (30, 20, 5)) - box((-2.05, -2.05, -1), (2.05, 2.05, 0.3))
    joint = only(joints_of(placed([(post, np.eye(4)), (board, np.eye(4))])))
    assert (joint.kind, joint.contacts, joint.moves) == ("peg", 1, False)
    assert (joint.gap_mm, joint.depth_mm) == pytest.approx((0.05, 0.25), abs=NEAR)


@pytest.mark.parametrize(("ceiling", "axes"), [(22.0, 1), (46.0, 2)])
def test_what_is_shut_in_both_ways_along_a_line_is_no_peg_along_it(ceiling: float, axes: int) -> None:
    """A drawer of 20 mm between the floor of a case and a ceiling 2 mm above it, or none at all."""
    case = box((-30, 0, -5), (30, 50, 45)) - box((-25.3, -1, 0), (25.3, 45, ceiling))
    drawer = box((-25, 1, 0.05), (25, 45, 20.05))
    joint = only(joints_of(placed([(case, np.eye(4)), (drawer, np.eye(4))])))
    pegs = [touch for touch in joint.touches if touch.kind == "peg"]
    assert len(pegs) == axes and abs(pegs[-1].axis[1]) == pytest.approx(1.0)


@pytest.mark.parametrize("pose", [np.eye(4), turn((1, 2, -1), 37)], ids=["upright", "askew"])
@pytest.mark.parametrize("scale", [1.0, 4.0])
def test_what_a_loose_peg_alone_holds_is_let_down(pose: np.ndarray, scale: float) -> None:
    model = wheel_above_a_plate(pose)
    joint = only(joints_of(model, order={"down": (-pose[:3, 2]).tolist()}, scale=scale))
    peg, *rests = joint.touches
    assert (joint.kind, joint.moves, peg.kind, {each.kind for each in rests}) == (
        "peg",
        True,
        "peg",
        {"rest"},
    )
    assert joint.glue_area_mm2 == 0 and all(each.area_mm2 == 0 for each in rests)
    assert all(float(each.axis @ pose[:3, 2]) == pytest.approx(1.0) for each in rests)
    places = np.vstack([each.points for each in rests]) @ pose[:3, 2]
    assert places == pytest.approx(0.0, abs=0.02)  # on the plate


def test_how_far_a_part_is_let_down_hangs_on_its_own_size() -> None:
    """However small most others are."""
    joint = next(each for each in joints_of(roundabout()).joints if {each.a, each.b} == {"P1", "P2"})
    assert {each.kind for each in joint.touches} == {"peg", "rest"}


def test_a_peg_that_lies_in_its_hole_is_not_let_down() -> None:
    """A wheel on a level pin and a pin in a wall are carried where they are."""
    for model in (wheel_on_a_pin(np.eye(4), 0.0), pin_in_a_wall(square=True)):
        assert [each.kind for each in only(joints_of(model)).touches] == ["peg"]


def test_a_recess_closed_at_both_ends_is_no_slot() -> None:
    """A square post in a blind hole is one peg that comes out upwards, and no tongue that runs sideways."""
    foot = box((-10, -10, 0), (20, 20, 5)) - box((-0.1, -0.1, 2), (10.1, 10.1, 6))
    post = box((0, 0, 2.1), (10, 10, 40))
    joint = only(joints_of(placed([(foot, np.eye(4)), (post, np.eye(4))])))
    pegs = [each for each in joint.touches if each.kind == "peg"]
    assert joint.contacts == 1 and [abs(each.axis[2]) for each in pegs] == pytest.approx([1.0])


def test_a_peg_too_long_for_its_hole_does_not_rest_on_its_floor() -> None:
    """0.2 mm deep in it: what is more than moves ignore does not lie on it, however long other parts are."""
    lid = box((0, 0, 0), (100, 50, 7)) - rod(2.6, 4, (35, 25, 3.2))
    knob = rod(4, 6, (35, 25, 7)) + rod(2.5, 5, (35, 25, 3))
    joint = only(joints_of(placed([(lid, np.eye(4)), (knob, np.eye(4))])))
    assert [each.point[2] for each in joint.touches if each.kind == "rest"] == pytest.approx([7.0])


def test_what_slides_on_what_turns_is_free() -> None:
    """Two rings on each other on a post: they turn, so no face between them is for glue; the foot's is."""
    floor = box((-20, -20, -8), (20, 20, -5))
    foot = box((-9, -9, -5), (9, 9, 0)) + rod(2.7, 12, (0, 0, -1))
    ring = solid(rod(8, 5) - rod(3.1, 7, (0, 0, -1)))
    model = placed(
        [(floor, np.eye(4)), (foot, np.eye(4)), (ring, np.eye(4)), (ring, shift(0, 0, 5))],
        names=("floor", "foot", "ring 1", "ring 2"),
    )
    name = {part.id: part.source for part in model.parts}
    found = {(name[j.a], name[j.b]): j for j in joints_of(model).joints}
    assert {pair: (j.kind, j.moves) for pair, j in found.items()} == {
        ("floor", "foot"): ("rest", False),
        ("foot", "ring 1"): ("peg", True),
        ("foot", "ring 2"): ("peg", True),
        ("ring 1", "ring 2"): ("rest", True),
    }
    assert found["ring 1", "ring 2"].glue_area_mm2 == 0 < found["floor", "foot"].glue_area_mm2


def masonry(courses: int) -> Model:
    """Bricks 40 x 15 x 9 in running bond, no studs: those amid the wall have others beside and on them."""
    brick, half = box((0, 0, 0), (39.8, 15, 9)), box((0, 0, 0), (19.8, 15, 9))
    laid = []
    for course in range(courses):
        row = [(half, 0), (brick, 20), (half, 60)] if course % 2 else [(brick, 0), (brick, 40)]
        laid += [(solid, shift(x, 0, 9 * course)) for solid, x in row]
    return placed(laid)


@pytest.mark.parametrize("courses", [3, 7])
def test_bricks_amid_a_wall_are_no_captives(courses: int) -> None:
    found = joints_of(masonry(courses)).joints
    assert len(found) == 4 * (courses - 1)
    assert [joint.id for joint in found if joint.moves or joint.glue_area_mm2 == 0] == []


def test_a_drawer_with_something_in_it_and_what_lies_under_a_lid_are_captives() -> None:
    """A drawer drawn on the floor of its case, under a roof; and things in a tray, its lid lying on them."""
    case = box((0, 0, 0), (40, 30, 20)) - box((2, 2, 2), (41, 28, 18))
    tray = box((3, 3, 2), (36, 27, 15)) - box((5, 5, 4), (34, 25, 16))
    drawer = joints_of(
        placed([(case, np.eye(4)), (tray, np.eye(4)), (box((8, 8, 4), (20, 20, 9)), np.eye(4))])
    )
    assert [joint.moves for joint in drawer.joints] == [True, True]
    flat = box((0, 0, 0), (40, 30, 8)) - box((2, 2, 2), (38, 28, 9))
    thing, lid_ = box((2.6, 2.6, 2), (19.7, 27.4, 9)), box((0, 0, 9), (40, 30, 11))
    parts = [(flat, np.eye(4)), (thing, np.eye(4)), (thing, shift(17.7, 0, 0)), (lid_, np.eye(4))]
    assert [joint.moves for joint in joints_of(placed(parts)).joints] == [True] * 4


@pytest.mark.parametrize(("radius", "high"), [(30, 30), (18, 6), (8, 20)])
def test_a_lid_over_a_tins_rim_is_one_loose_peg_without_a_snap(radius: float, high: float) -> None:
    """The rim stands within the lid's wall and narrower than the tin's: the tin below it is no collar that
    the lid has to pass, and what the lid's outside would cut of the tin's bore lies in the lid's own."""
    inner, lip = radius - 3, radius - 1.6
    tin = (
        rod(radius, high)
        - rod(inner, high, (0, 0, 3))
        + (rod(lip, high + 3) - rod(inner, high + 9, (0, 0, -1)))
    )
    lid = (
        rod(radius, 12, (0, 0, high))
        - rod(inner, 9, (0, 0, high - 1))
        - rod(lip + 0.2, 4.2, (0, 0, high - 1))
    )
    joint = only(joints_of(placed([(tin, np.eye(4)), (lid, np.eye(4))])))
    assert (joint.kind, joint.contacts, joint.snap_mm) == ("peg", 1, 0.0)
    assert joint.gap_mm == pytest.approx(0.2, abs=1e-3)


def test_a_tin_within_a_wider_tin_is_no_peg_of_it() -> None:
    """It stands on the floor of the other, 5 mm from its wall."""
    wide, narrow = rod(30, 40) - rod(27, 40, (0, 0, 3)), rod(22, 30, (0, 0, 3))
    joint = only(joints_of(placed([(wide, np.eye(4)), (narrow, np.eye(4))])))
    assert joint.kind == "rest"


@pytest.mark.parametrize(("gap", "moves"), [(0.1, True), (0.0, True), (-0.003, True), (-0.02, False)])
def test_a_tongue_slides_in_its_groove_unless_it_was_drawn_to_be_squeezed(gap: float, moves: bool) -> None:
    """Microns too wide is what meshes are rounded to."""
    groove = box((0, 0, 0), (60, 30, 12)) - box((-1, 11, 4), (61, 19, 8)) - box((-1, 13, 7), (61, 17, 13))
    tongue = box((20, 11 + gap, 4 + gap), (40, 19 - gap, 8 - gap)) + box((20, 13.5, 7), (40, 16.5, 16))
    joint = only(joints_of(placed([(groove, np.eye(4)), (tongue, np.eye(4))])))
    assert (joint.kind, joint.moves) == ("peg", moves)


@pytest.mark.parametrize(("long", "moves"), [(12, True), (6, False)], ids=["through", "to its end"])
def test_a_ring_on_a_pin_that_goes_through_it_turns(long: float, moves: bool) -> None:
    """It lies on a shoulder and fits closely; a pin that ends within it is a peg pushed home."""
    foot = box((-9, -9, -5), (9, 9, 0)) + rod(2.7, long, (0, 0, -1))
    ring = rod(8, 5) - rod(2.87, 7, (0, 0, -1))
    joint = only(joints_of(placed([(foot, np.eye(4)), (ring, np.eye(4))])))
    assert (joint.kind, joint.moves, joint.glue_area_mm2 == 0) == ("peg", moves, moves)


@pytest.mark.parametrize("seed", range(6))
def test_a_square_peg_through_a_plate_is_found_wherever_it_lies(seed: int) -> None:
    """Ends of a cut differ by rounding, and it has an outline all the same; a hollow plug is one peg."""
    random = np.random.default_rng(seed)
    pose = turn(random.normal(size=3), float(random.uniform(0, 360)))
    pose[:3, 3] = random.uniform(-50, 50, 3)
    wide = float(random.uniform(6, 9))
    peg = box((-wide, -wide, 0), (wide, wide, 15)) - box((1 - wide, 1 - wide, -1), (wide - 1, wide - 1, 14))
    room = wide + 0.15
    plate = box((-20, -20, 0), (20, 20, 9)) - box((-room, -room, -1), (room, room, 10))
    joint = only(joints_of(placed([(plate, pose), (peg, pose @ shift(0, 0, -3.3))])))
    assert (joint.kind, joint.contacts, len(joint.touches)) == ("peg", 1, 1)
    assert joint.gap_mm == pytest.approx(0.15, abs=NEAR)


@pytest.mark.parametrize(("rows", "columns", "beside"), [(1, 3, 0), (2, 2, 0), (2, 3, 1), (3, 3, 2)])
def test_square_studs_in_a_grid_are_pegs_though_their_sides_lie_in_common_planes(
    rows: int, columns: int, beside: int
) -> None:
    """Each is a peg of its own in its own hole; one is put on so many places beside the other."""
    spacing, half, gap, low, high = 9.4, 2.7, 0.11, 2.1, 6.3
    wide, deep = columns * spacing - 0.1, rows * spacing - 0.1
    middles = [((x + 0.5) * spacing, (y + 0.5) * spacing) for x in range(columns) for y in range(rows)]
    block = box((0.1, 0.1, 0), (wide, deep, high))
    for x, y in middles:
        block -= box((x - half - gap, y - half - gap, -1), (x + half + gap, y + half + gap, low + 0.6))
        block += box((x - half, y - half, high), (x + half, y + half, high + low))
    joint = only(joints_of(placed([(block, np.eye(4)), (block, shift(beside * spacing, 0, high))])))
    pegs = [touch for touch in joint.touches if touch.kind == "peg"]
    assert (joint.kind, len(pegs)) == ("peg", rows * (columns - beside))
    found = sorted(tuple(touch.point[:2].round(6).tolist()) for touch in pegs)
    np.testing.assert_allclose(
        found, sorted(each for each in middles if each[0] > beside * spacing), atol=NEAR
    )
    for touch in pegs:
        assert (touch.gap_mm, touch.depth_mm) == (pytest.approx(gap, abs=NEAR), pytest.approx(low, abs=NEAR))
        assert touch.axis @ (0, 0, 1) == pytest.approx(1.0)


def test_a_face_beside_a_peg_and_in_one_plane_with_its_side_rests_all_the_same() -> None:
    """A tenon fills its mortise; where the block goes on in the plane of its side it lies on a wall."""
    block = box((-5, -5, 0), (5, 5, 10)) + box((-5, -5, 10), (5, 30, 16))
    plate = box((-20, -20, -2), (20, 12, 8)) - box((-5, -5, -3), (5, 5, 20)) + box((5, 12, -2), (20, 30, 20))
    joint = only(joints_of(placed([(plate, np.eye(4)), (block, np.eye(4))])))
    pegs = [touch for touch in joint.touches if touch.kind == "peg"]
    sides = [touch for touch in joint.touches if touch.kind == "rest" and abs(touch.axis[0]) > 0.9]
    assert len(pegs) == 1 and pegs[0].area_mm2 == pytest.approx(4 * 10 * 8, rel=0.01)
    assert [touch.area_mm2 for touch in sides] == [pytest.approx(18 * 6, rel=0.01)]


def test_walls_that_are_not_quite_parallel_are_as_far_apart_as_where_they_face() -> None:
    """One wall of a mortise leans by 0.08 mm over 30; modelled 200 mm off the shapes' own origins."""
    far = (200.0, -150.0, 80.0)
    tenon = box((-6, -6, -6), (6, 6, 9)).translate(far)
    outline = CrossSection([[[-6.1, -15], [6.12, -15], [6.2, 15], [-6.1, 15]]])
    bar = CrossSection.square((60, 12.2), center=True)
    mortise = Manifold.extrude(outline ^ bar, 30).translate((*far[:2], far[2] - 15))
    plate = box((-20, -20, 0), (20, 20, 9)).translate(far) - mortise
    joint = only(joints_of(placed([(plate, np.eye(4)), (tenon, np.eye(4))])))
    assert (joint.kind, joint.contacts) == ("peg", 1)
    assert joint.gap_mm == pytest.approx(0.1, abs=1e-3)  # three walls
    nearest = 0.12 + 0.08 * (15 - 6) / 30  # of the fourth, at the tenon's corner
    assert max(joint.touches[0].gaps_mm) == pytest.approx(nearest, abs=1e-3)


def test_a_flat_of_triangles_that_cross_has_an_outline() -> None:
    """Of a mesh that could not be mended: their union, whatever the library thinks of their edges."""
    triangles = np.array(
        [[(1, 2), (3, 3), (0, 0)], [(3, 3), (0, 1), (3, 1)], [(1, 3), (1, 1), (2, 2)]], float
    )
    flat = Flat(np.array([0.0, 0, 1]), 0.0, np.eye(3)[:2], triangles, 5.0)
    union = shapely.union_all(shapely.polygons(triangles))
    assert flat.outline.area == pytest.approx(union.area) and flat.outline.area < flat.area


def test_a_hinge() -> None:
    """A pin between two cheeks in a knuckle's bore."""
    cheeks = box((0, 0, 0), (2, 10, 10)) + box((12, 0, 0), (14, 10, 10)) + box((0, 0, 0), (14, 10, 1))
    cheeks += rod(2, 12).rotate([0, 90, 0]).translate([1, 5, 6])
    knuckle = rod(3.5, 9).rotate([0, 90, 0]) - rod(2.3, 12).rotate([0, 90, 0]).translate([-1, 0, 0])
    joint = only(joints_of(placed([(cheeks, np.eye(4)), (knuckle, shift(2.5, 5, 6))])))
    assert (joint.kind, joint.moves, joint.contacts) == ("hinge", True, 1)
    assert "turns well (0.25 to 0.6 mm is meant)" in joint.why
    assert joint.gap_mm == pytest.approx(0.3, abs=NEAR)
    assert np.abs(joint.axis) == pytest.approx([1, 0, 0], abs=1e-4)


def test_ball_in_a_lipped_cup() -> None:
    """R 4 in 4.1, the lip 1.5 over the middle: it must give 4 - sqrt(4.1^2 - 1.5^2)."""
    cup = rod(7, 8) - ball(4.1, (0, 0, 6.5), 96)
    pin = box((-10, -10, 14), (10, 10, 18)) + rod(1.6, 8, (0, 0, 7)) + ball(4, (0, 0, 6.5), 96)
    joint = only(joints_of(placed([(cup, np.eye(4)), (pin, np.eye(4))])))
    assert (joint.kind, joint.moves, joint.a, joint.b) == ("ball", True, "P2", "P1")
    assert joint.gap_mm == pytest.approx(0.1, abs=NEAR)
    assert joint.snap_mm == pytest.approx(4 - np.sqrt(4.1**2 - 1.5**2), abs=0.03)
    assert joint.glue_area_mm2 == 0
    touch = joint.touches[0]
    assert np.linalg.norm(touch.points - touch.point, axis=1) == pytest.approx(4, abs=NEAR)
    assert touch.normals @ joint.axis == pytest.approx(np.clip(touch.normals @ joint.axis, -0.5, 1))


def test_the_tugs_ball_joint_measures_as_built() -> None:
    module = Module()
    model = from_demo(tug(module))
    (joint,) = (j for j in joints_of(model).joints if j.kind == "ball")
    want = BallMeasures.of(module)
    assert joint.gap_mm == pytest.approx(want.gap, abs=0.002)
    assert joint.snap_mm == pytest.approx(want.snap, abs=0.005)
    assert f"snaps past {joint.snap_mm:.2f} mm" in joint.why


def test_the_pens_five_touching_pairs() -> None:
    """Ball-point pen (Bourjault 1984; dimensions by Cramer, KU Leuven): exactly five pairs touch."""
    head = revolve(
        [(0, 0), (16.685, 0), (26.685, 0), (26.685, 6), (21.685, 6), (21.685, 12), (16.685, 12), (16.685, 14)]
    )
    tube = revolve([(21.685, 6), (111.685, 6), (111.685, 9), (21.685, 9)])
    ink = revolve([(29.185, 0), (109.185, 0), (109.185, 6), (29.185, 6)])
    body = revolve([(16.685, 12), (186.685, 12), (186.685, 15), (16.685, 15)])
    button = revolve([(182.685, 0), (194.685, 0), (194.685, 15), (186.685, 15), (186.685, 12), (182.685, 12)])
    cap = revolve([(-33.315, 0), (-23.315, 0), (-23.315, 15), (46.685, 15), (46.685, 18), (-33.315, 18)])
    names = ["head", "tube", "ink", "body", "button", "cap"]
    solid = [head, tube, ink, body, button, cap]
    model = placed([(s, np.eye(4)) for s in solid], names=names)
    joints = joints_of(model)
    name = {part.id: part.source for part in model.parts}
    pairs = {frozenset((name[j.a], name[j.b])) for j in joints.joints}
    assert pairs == {
        frozenset(p)
        for p in [("cap", "body"), ("body", "head"), ("head", "tube"), ("tube", "ink"), ("body", "button")]
    }
    assert all(j.kind == "peg" for j in joints.joints)
    assert all(j.gap_mm == pytest.approx(0, abs=NEAR) for j in joints.joints)
    assert not [p for p in joints.problems if p.severity == "error"]


# ------------------------------------------------------------------------- not fooled


def test_walls_that_pass_near_a_stud_do_not_hold_it() -> None:
    """A neighbour on the same level whose wall is 0.5 mm from a stud, and nothing else."""
    wall = box((5 + STUD_RADIUS + 0.5, 0, 4), (12, 10, 12))
    model = placed([(plate(1, 1), np.eye(4)), (plate(1, 1), shift(40, 0, 0)), (wall, np.eye(4))])
    joints = joints_of(model)
    assert [(j.kind, j.b) for j in joints.joints if j.kind != "rest"] == []


@pytest.mark.parametrize("studs", [1, 3])
def test_contacts_that_all_push_from_one_side_do_not_hold(studs: int) -> None:
    """A corner of two walls against the outer studs of a plate, however many lines touch."""
    far = studs * 10 - 5 + HOLE_RADIUS
    wall = box((far, 0, 4), (far + 10, far + 10, 12)) + box((0, far, 4), (far + 10, far + 10, 12))
    joint = only(joints_of(placed([(plate(studs, studs), np.eye(4)), (wall, np.eye(4))])))
    assert joint.kind == "rest"


def test_a_stud_that_enters_empty_space_does_not_hold() -> None:
    hood = box((0, 0, 4), (10, 10, 12)) - box((0.7, 0.7, 3), (9.3, 9.3, 10))  # 1 mm off the stud all round
    joint = only(joints_of(placed([(plate(1, 1), np.eye(4)), (hood, np.eye(4))])))
    assert joint.kind == "rest"


def test_a_tenth_of_a_millimetre_apart_is_apart() -> None:
    cube = box((0, 0, 0), (10, 10, 10))
    model = placed(
        [(cube, np.eye(4)), (cube, shift(10, 0, 0)), (cube, shift(0, 0, 10.1))], names=["a", "b", "c"]
    )
    joints = joints_of(model)
    assert [(j.a, j.b) for j in joints.joints] == [("P1", "P2")]
    (problem,) = (p for p in joints.problems if p.code == "floating-part")
    assert problem.parts == ("P3",) and "0.10 mm" in problem.text


@pytest.mark.parametrize("apart", [0.1, -0.01])
def test_a_slab_over_studs_rests_only_where_it_touches(apart: float) -> None:
    roof = box((0, 0, 0), (20, 10, 3))
    joints = joints_of(placed([(plate(2, 1), np.eye(4)), (roof, shift(0, 0, 4 + STUD_HEIGHT + apart))]))
    assert [j.kind for j in joints.joints] == ([] if apart > 0 else ["rest"])
    assert ("floating-part" in codes(joints)) == (apart > 0)


def test_side_by_side_blocks_are_not_joined_by_their_clearance() -> None:
    block = _of(solids.block(2, 2))
    joints = joints_of(placed([(block, np.eye(4)), (block, shift(20, 0, 0))]))
    assert joints.joints == ()


@pytest.mark.parametrize(("depth", "warned"), [(0.6, True), (0.9, True), (1.4, False), (2.0, False)])
def test_a_half_seated_part_is_named_with_its_gap(depth: float, warned: bool) -> None:
    block = _of(solids.block(2, 2))
    joints = joints_of(
        placed([(block, np.eye(4)), (block, shift(0, 0, 10 + STUD_HEIGHT - depth))], names=["low", "high"])
    )
    joint = only(joints)
    assert joint.depth_mm == pytest.approx(depth, abs=NEAR)
    assert ("half-seated" in codes(joints)) == warned
    if warned:
        assert (
            f"{STUD_HEIGHT - depth:.2f} mm" in joints.problems[0].text
            and "high on low" in joints.problems[0].text
        )


@pytest.mark.parametrize("scale", [0.25, 1, 4])
def test_overlap_beyond_a_press_fit_is_named_in_millimetres(scale: float) -> None:
    block = _of(solids.block(2, 2, Module(scale=scale)))
    model = placed([(block, np.eye(4)), (block, shift(0, 0, 9 * scale))], names=["low", "high"])
    (problem,) = (p for p in joints_of(model).problems if p.code == "overlap")
    assert problem.severity == "error" and problem.parts == ("P1", "P2")
    assert "low and high" in problem.text
    depth = float(problem.text.split(" by ")[1].split(" mm")[0])
    assert depth == pytest.approx(scale, rel=0.05)  # walls 1 wide, 1 deep: a ball of 1 fits in


@pytest.mark.parametrize(("along", "studs"), [(0, "8 studs"), (30, "2 studs")])
def test_a_part_drawn_without_its_sockets_is_told_by_the_studs_that_stand_in_it(
    along: float, studs: str
) -> None:
    module = Module()
    massive = solids.to_solid(
        "massive",
        solids.union(
            [
                solids.box((0, 0, 0), (40, 20, 10)),
                solids.studs(solids.cell_middles(4, 2, module), 10.0, module),
            ]
        ),
    )
    block = _of(massive)
    model = placed([(block, np.eye(4)), (block, shift(along, 0, 10))], names=["low", "high"])
    (problem,) = (p for p in joints_of(model).problems if p.code == "overlap")
    assert problem.severity == "error" and problem.parts == ("P1", "P2")
    assert f"high has no socket where {studs} of low would be" in problem.text
    assert f"{STUD_HEIGHT:.2f} mm deep" in problem.text
    deeper = placed([(block, np.eye(4)), (block, shift(along, 0, 9))], names=["low", "high"])
    (problem,) = (p for p in joints_of(deeper).problems if p.code == "overlap")
    assert "stand in each other" in problem.text  # of their bodies too


@pytest.mark.parametrize("seed", range(4))
def test_edges_that_come_near_are_all_looked_at(seed: int) -> None:
    """Against each edge with each other: what is farther apart in any direction than asked is left out."""
    random = np.random.default_rng(seed)
    one, two = (random.uniform(0, 10, (60, 1, 3)) + random.normal(0, 2, (60, 2, 3)) for _ in range(2))
    reach = 0.3
    apart = np.maximum(
        one.min(axis=1)[:, None] - two.max(axis=1)[None], two.min(axis=1)[None] - one.max(axis=1)[:, None]
    ).max(axis=2)
    found = np.column_stack(_near_pairs(one, two, reach))
    np.testing.assert_array_equal(found, np.argwhere(apart <= reach))
    assert 0 < len(found) < 60 * 60


@pytest.mark.parametrize("wide", [0, 3, 40])
def test_boxes_that_meet_are_found_whatever_their_sizes(wide: int) -> None:
    """Against each with each; some boxes a thousandfold the others, whose cells are no machine's to count."""
    random = np.random.default_rng(wide)
    boxes = np.sort(random.uniform(0, 50, (60, 1, 3)) + random.normal(0, 4, (60, 2, 3)), axis=1)
    boxes[:wide] *= 10.0 ** random.uniform(1, 6, (wide, 1, 1))
    low, high = boxes[:, 0] - 0.1, boxes[:, 1] + 0.1
    meets = (low[:, None] <= high).all(axis=2) & (low <= high[:, None]).all(axis=2)
    found = near_pairs(boxes, 0.2)
    np.testing.assert_array_equal(found, np.argwhere(np.triu(meets, 1)))
    assert len(found)


def test_how_deep_things_stand_in_each_other_does_not_hang_on_their_size() -> None:
    """Metres read as millimetres: faces of a micrometre are no farther from a point than they are."""
    cube = np.asarray(solid(box((0, 0, 0), (1, 1, 1))).vertices, dtype=float)
    faces = solid(box((0, 0, 0), (1, 1, 1))).faces
    for size in (1.0, 1e-3, 1e-6):
        assert _largest_ball(Mesh(cube * size, faces)) == pytest.approx(size, rel=0.02)


def test_a_ball_in_a_fine_mesh_is_found_a_point_at_a_time(monkeypatch) -> None:
    """As where a solid has more faces than are asked about at once."""
    cube = solid(box((0, 0, 0), (1, 1, 1)))
    mesh = Mesh(np.asarray(cube.vertices, dtype=float), cube.faces)
    whole = _largest_ball(mesh)
    monkeypatch.setattr(sys.modules[_largest_ball.__module__], "ASKED_AT_ONCE", 5)
    assert _largest_ball(mesh) == whole


@pytest.mark.parametrize("into", [0.1, 0.2])
def test_blocks_seated_a_little_deep_are_no_fault(into: float) -> None:
    """Seen in files by others: studs taller than the cavity, tubes off centre."""
    block = _of(solids.block(2, 2))
    joints = joints_of(placed([(block, np.eye(4)), (block, shift(into / 2, 0, 10 - into))]))
    assert only(joints).contacts == 4
    assert codes(joints) == []


def test_two_thin_walls_that_cross() -> None:
    """No corner of either lies in the other."""
    model = placed([(box((-20, -1, 0), (20, 1, 20)), np.eye(4)), (box((-1, -20, 2), (1, 20, 18)), np.eye(4))])
    assert "overlap" in codes(joints_of(model))


def test_two_parts_exactly_on_each_other() -> None:
    block = _of(solids.block(2, 2))
    joints = joints_of(placed([(block, np.eye(4)), (block, np.eye(4))], names=["once", "twice"]))
    (problem,) = (p for p in joints.problems if p.severity == "error")
    assert problem.code == "same-place" and "once and twice" in problem.text


def test_a_floating_part_and_a_floating_group() -> None:
    block = _of(solids.block(2, 2))
    poses = [
        shift(0, 0, 0),
        shift(0, 0, 10),
        shift(0, 0, 20),
        shift(60, 0, 30),
        shift(60, 0, 40),
        shift(0, 60, 0),
    ]
    names = ["a", "b", "c", "high 1", "high 2", "alone"]
    joints = joints_of(placed([(block, p) for p in poses], names=names))
    found = {p.parts: p.text for p in joints.problems if p.code == "floating-part"}
    assert set(found) == {("P4", "P5")}
    assert "high 1, high 2" in found["P4", "P5"] and "hangs in the air" in found["P4", "P5"]
    (apart,) = (p for p in joints.problems if p.code == "separate-things")
    assert apart.severity == "note" and apart.parts == ("P1", "P6")
    assert "2 things stand side by side" in apart.text and "a with 2 more parts; alone" in apart.text


def test_a_print_layout_is_recognised() -> None:
    block, thin = _of(solids.block(2, 2)), _of(solids.slab(4, 4))
    items = [(block, shift(30 * i, 0, 0)) for i in range(4)] + [
        (thin, shift(50 * i, 40, 0)) for i in range(3)
    ]
    joints = joints_of(placed(items))
    assert codes(joints) == ["print-layout"]
    assert "print layout" in joints.problems[0].text and "table of placements" in joints.problems[0].text


def test_a_shape_without_features_rests_and_is_named() -> None:
    roof = box((0, 0, 0), (20, 20, 3))
    joints = joints_of(
        placed([(box((0, 0, 0), (20, 20, 8)), np.eye(4)), (roof, shift(0, 0, 8))], names=["w", "roof"])
    )
    assert only(joints).kind == "rest"
    assert any(p.code == "no-feature" and "roof" in p.text for p in joints.problems)


# ------------------------------------------------------------------------- invariance


def small_build() -> list[tuple[Manifold | Solid, np.ndarray]]:
    """Two blocks, a slab across them, a lid, a turned block: nine joints of three kinds and sizes."""
    module = Module()
    block, long, one = (_of(s) for s in (solids.block(2, 2), solids.slab(4, 2), solids.block(1, 1, module)))
    return [
        (block, shift(0, 0, 0)),
        (block, shift(20, 0, 0)),
        (long, shift(0, 0, 10)),
        (one, shift(5, 5, 15) @ turn((0, 0, 1), 30) @ shift(-5, -5, 0)),
        (block, shift(20, 0, 15)),
    ]


def summary(joints: Joints, scale: float = 1.0) -> list[tuple[object, ...]]:
    return [
        (
            j.a,
            j.b,
            j.kind,
            j.contacts,
            round(j.gap_mm / scale, 3),
            round(j.depth_mm / scale, 2),
            len(j.touches),
        )
        for j in joints.joints
    ]


WANT = summary(joints_of(placed(small_build())))


def test_the_small_build() -> None:
    assert [row[:6] for row in WANT] == [
        ("P1", "P3", "stud", 4, CLEARANCE, STUD_HEIGHT),
        ("P2", "P3", "stud", 4, CLEARANCE, STUD_HEIGHT),
        ("P3", "P4", "stud", 1, CLEARANCE, STUD_HEIGHT),
        ("P3", "P5", "stud", 4, CLEARANCE, STUD_HEIGHT),
    ]


@given(seed=st.integers(0, 10**6))
@settings(max_examples=8, deadline=None)
def test_a_rigid_motion_of_the_model_changes_nothing(seed: int) -> None:
    rng = np.random.default_rng(seed)
    motion = shift(*rng.uniform(-300, 300, 3)) @ turn(rng.normal(size=3), rng.uniform(0, 360))
    joints = joints_of(placed([(s, motion @ pose) for s, pose in small_build()]))
    assert summary(joints) == WANT
    for joint in joints.joints:
        assert joint.axis == pytest.approx(motion[:3, 2], abs=1e-5)


@given(scale=st.floats(0.25, 10))
@settings(max_examples=8, deadline=None)
def test_scale_changes_lengths_alone(scale: float) -> None:
    def bigger(thing: Solid | Manifold, pose: np.ndarray) -> tuple[Solid, np.ndarray]:
        assert isinstance(thing, Solid)
        pose = pose.copy()
        pose[:3, 3] *= scale
        return grown[id(thing)], pose

    items = small_build()
    grown = {id(s): Solid(s.vertices * scale, s.faces) for s, _ in items if isinstance(s, Solid)}
    joints = joints_of(placed([bigger(s, pose) for s, pose in items]))
    assert summary(joints, scale) == WANT


@given(seed=st.integers(0, 10**6), facets=st.sampled_from([12, 16, 24, 40, 96]))
@settings(max_examples=8, deadline=None)
def test_facets_and_vertex_order_change_nothing(seed: int, facets: int) -> None:
    rng = np.random.default_rng(seed)
    module = Module(facets=facets)
    fresh = [solids.block(2, 2, module), solids.slab(4, 2, module), solids.block(1, 1, module)]
    mixed = [_shuffled(s, rng) for s in fresh]
    chosen = [mixed[i] for i in (0, 0, 1, 2, 0)]
    joints = joints_of(placed([(s, pose) for s, (_, pose) in zip(chosen, small_build(), strict=True)]))
    assert [row[:4] for row in summary(joints)] == [row[:4] for row in WANT]
    for joint in joints.joints:
        assert joint.gap_mm == pytest.approx(CLEARANCE, abs=NEAR)
        assert joint.depth_mm == pytest.approx(STUD_HEIGHT, abs=NEAR)


def _shuffled(s: solids.Solid, rng: np.random.Generator) -> Solid:
    order = rng.permutation(len(s.vertices))
    back = np.argsort(order)
    return Solid(s.vertices[order], rng.permutation(back[s.faces]))


def test_separate_copies_of_a_shape_join_like_one_shape() -> None:
    items = [(Solid(s.vertices.copy(), s.faces.copy()), pose) for s, pose in small_build()]
    assert summary(joints_of(placed(items))) == WANT


# ----------------------------------------------------------------- snaps, clips, sunk studs


def test_a_pin_with_a_collar_snaps_through_its_hole() -> None:
    """Pin 2.7, collar 3.2, hole 2.9: the hole must give 0.3 on each side."""
    base = box((-6, -6, -4), (6, 6, 0)) + rod(2.7, 7, (0, 0, -1)) + rod(3.2, 1.5, (0, 0, 6))
    base -= box((-0.4, -4, 2), (0.4, 4, 9))  # a slit, so that it can give
    washer = rod(8, 5.8) - rod(2.9, 8, (0, 0, -1))
    joint = only(joints_of(placed([(base, np.eye(4)), (washer, np.eye(4))])))
    assert (joint.kind, joint.a, joint.contacts) == ("peg", "P1", 1)
    assert joint.gap_mm == pytest.approx(0.2, abs=NEAR)
    assert joint.snap_mm == pytest.approx(0.3, abs=NEAR)


@pytest.mark.parametrize("facets", [8, 24, 128])
@pytest.mark.parametrize("slit", [False, True])
def test_a_pin_with_a_flange_and_two_collars_joins_two_beams(facets: int, slit: bool) -> None:
    """Pin 2.7 with collars 2.95 in holes 2.75: one peg to each beam, each snaps past 0.2; its flange and
    collars lie in counterbores and are no pegs of their own."""
    beam = box((0, 0, 0), (33, 11, 9))
    for x in (5.5, 16.5, 27.5):
        beam -= rod(2.75, 11, (x, 5.5, -1), facets)
        beam -= rod(3.4, 0.6, (x, 5.5, -0.1), facets) + rod(3.4, 0.6, (x, 5.5, 8.5), facets)
    pin = rod(2.7, 18, facets=facets) + rod(3.35, 1, (0, 0, 8.5), facets)
    pin += rod(2.95, 0.4, facets=facets) + rod(2.95, 0.4, (0, 0, 17.6), facets)
    if slit:
        pin -= box((-0.4, -5, -1), (0.4, 5, 4.5)) + box((-0.4, -5, 13.5), (0.4, 5, 19))
    model = placed([(beam, np.eye(4)), (pin, shift(16.5, 5.5, 0)), (beam, shift(0, 0, 9))])
    found = joints_of(model)
    assert signature(model, found) == {("item 2", "item 1", "peg", 1), ("item 2", "item 3", "peg", 1)}
    assert codes(found) == []
    for joint in found.joints:
        if joint.kind == "peg":
            assert joint.gap_mm == pytest.approx(0.05, abs=NEAR)
            assert joint.snap_mm == pytest.approx(0.2, abs=NEAR)


@pytest.mark.parametrize("facets", [8, 12, 64])
@pytest.mark.parametrize("tilt", [0, 25])
def test_a_coarse_ball_turns_in_its_cup(facets: int, tilt: float) -> None:
    """The corners of a turned coarse ball dip into the cup's facets; that is no overlap."""
    pin = ball(4, facets=facets) + rod(1.8, 8, (0, 0, -11), facets) + box((-4, -4, -14), (4, 4, -11))
    cup = rod(6, 7, (0, 0, -1.5), facets) - ball(4.1, facets=facets)
    found = joints_of(placed([(cup, np.eye(4)), (pin, turn((1, 0, 0), tilt))]))
    assert (only(found).kind, codes(found)) == ("ball", [])
    assert only(found).gap_mm == pytest.approx(0.1, abs=NEAR)
    assert only(found).snap_mm == pytest.approx(4 - np.sqrt(4.1**2 - 1.5**2), abs=0.03)


def sliding_lid(gap: float) -> tuple[Manifold, Manifold]:
    """A box and its lid, in grooves of three walls, stopped by the fourth."""
    case = box((0, 0, 0), (60, 40, 30)) - box((3, 3, 3), (57, 37, 40))
    case -= box((-1, 1.5, 22), (58.5, 38.5, 25)) + box((-1, 3, 22), (4, 37, 40))
    lid = box((0, 1.5 + gap, 22), (58.5 - gap, 38.5 - gap, 25 - gap))
    return case, lid + box((2, 10, 25 - gap), (6, 30, 28))


def tenoned(gap: float) -> tuple[Manifold, Manifold]:
    """A level beam, its tenon 10 mm deep in a post."""
    post = box((0, 0, 0), (20, 20, 60)) - box((10, 6, 36), (21, 14, 44))
    beam = box((20, 2, 30), (70, 18, 50)) + box((10 + gap, 6 + gap, 36 + gap), (21, 14 - gap, 44 - gap))
    return post, beam


def test_a_lid_under_what_stands_on_it_does_not_slide() -> None:
    """Its rim is in the mouth of a box; that it cannot rise is owed to the block on top."""
    case = box((0, 0, 0), (40, 40, 20)) - box((3, 3, 3), (37, 37, 21))
    lid = box((0, 0, 20), (40, 40, 25)) + box((3.3, 3.3, 16), (36.7, 36.7, 21))
    lid += rod(8, 6, (20, 20, 24))
    block = box((0, 0, 25), (40, 40, 50)) - rod(8.3, 6, (20, 20, 24.9))
    found = joints_of(placed([(body, np.eye(4)) for body in (case, lid, block)]))
    assert [joint.glue_area_mm2 > 0 for joint in found.joints if joint.kind == "peg"][:1] == [True]


def test_what_sits_on_slanted_pegs_does_not_slide() -> None:
    """Neither up nor down nor level can it go, but along its pegs."""
    model = from_demo(tug())
    (joint,) = [each for each in joints_of(model).joints if each.moves]
    assert joint.kind == "ball"


@pytest.mark.parametrize("pose", [np.eye(4), turn((1, 2, -1), 37)], ids=["upright", "askew"])
@pytest.mark.parametrize(
    ("make", "gap", "moves"),
    [
        (sliding_lid, 0.3, True),
        (sliding_lid, 0.15, True),
        (sliding_lid, -0.02, False),
        (tenoned, 0.3, False),
    ],
)
def test_what_runs_its_whole_length_in_a_groove_is_free(
    make: Callable[[float], tuple[Manifold, Manifold]], gap: float, moves: bool, pose: np.ndarray
) -> None:
    """A sliding lid is not glued to its box, however it is stopped; a tenon may be, and a lid squeezed in."""
    down = {"down": (-pose[:3, 2]).tolist()}
    joint = only(joints_of(placed([(body, pose) for body in make(gap)]), order=down))
    assert (joint.moves, joint.glue_area_mm2 > 0) == (moves, not moves)


def test_a_pin_without_a_collar_does_not_snap() -> None:
    base = box((-6, -6, -4), (6, 6, 0)) + rod(2.7, 7, (0, 0, -1))
    washer = rod(8, 5) - rod(2.9, 8, (0, 0, -1))
    assert only(joints_of(placed([(base, np.eye(4)), (washer, np.eye(4))]))).snap_mm == 0


def test_a_clip_on_a_bar_snaps_by_its_opening() -> None:
    """Bar 2.0 between cheeks, clip bore 2.2 open over 100 degrees: 2.0 - 2.2 sin 50 = 0.315."""
    bar = box((0, -4, -6), (2, 4, 4)) + box((14, -4, -6), (16, 4, 4)) + box((0, -4, -6), (16, 4, -5))
    bar += rod(2, 14).rotate([0, 90, 0]).translate([1, 0, 0])
    bore = rod(2.2, 20, (0, 0, -5), 144).rotate([0, 90, 0])
    clip = rod(3.4, 8, facets=72).rotate([0, 90, 0]) - bore
    half = 2.2 * np.sin(np.radians(50))
    clip -= box((-1, -half, 0.5), (9, half, 6))
    joint = only(joints_of(placed([(bar, np.eye(4)), (clip, shift(4, 0, 0))])))
    assert (joint.kind, joint.moves) == ("hinge", True)
    assert joint.gap_mm == pytest.approx(0.2, abs=NEAR)
    assert joint.snap_mm == pytest.approx(2 - half, abs=0.06)


def test_studs_on_the_floor_of_a_tray() -> None:
    """Walled in like tubes, but solid, sunk below the rim, and of the model's stud radius."""
    tray = plate(2, 2) + box((-2, -2, 0), (22, 22, 12)) - box((0, 0, 4), (20, 20, 13)) + plate(2, 2)
    other = plate(2, 1)
    cover = lid(2, 2) - box((-1, -1, 7.9), (21, 21, 9))
    small = cover ^ box((0.2, 0.2, -1), (19.8, 19.8, 20))
    joints = joints_of(placed([(tray, np.eye(4)), (other, shift(60, 0, 0)), (small, shift(0, 0, 4))]))
    (joint,) = (j for j in joints.joints if j.kind == "stud")
    assert (joint.a, joint.b, joint.contacts) == ("P1", "P3", 4)


# ------------------------------------------------------------------ robust to bad meshes


@pytest.mark.parametrize("seed", range(4))
def test_noise_leaves_the_joint(seed: int) -> None:
    rng = np.random.default_rng(seed)
    low, high = solids.block(2, 2), solids.block(4, 2)

    def noisy(s: solids.Solid) -> Solid:
        return Solid(s.vertices + rng.uniform(-0.05, 0.05, s.vertices.shape) / np.sqrt(3), s.faces)

    joints = joints_of(placed([(noisy(low), np.eye(4)), (noisy(high), shift(0, 0, 10))]))
    joint = only(joints)
    assert (joint.kind, joint.contacts) == ("stud", 4)
    assert joint.gap_mm == pytest.approx(
        CLEARANCE, abs=0.12
    )  # two surfaces, 0.05 each, and the fit's own share
    assert joint.depth_mm == pytest.approx(STUD_HEIGHT, abs=0.15)
    assert codes(joints) == []


def test_an_open_mesh_joins_all_the_same() -> None:
    block = solids.block(2, 2)
    outer = np.flatnonzero(np.ptp(block.vertices[block.faces][:, :, 0], axis=1) < 1e-9)[:2]
    torn = Solid(block.vertices, np.delete(block.faces, outer, axis=0))
    joint = only(joints_of(placed([(torn, np.eye(4)), (torn, shift(0, 0, 10))])))
    assert (joint.kind, joint.contacts) == ("stud", 4)


def test_a_degenerate_mesh_is_left_out_and_the_rest_goes_on() -> None:
    flat = Solid(np.array([[0.0, 0, 0], [1, 0, 0], [2, 0, 0]]), np.array([[0, 1, 2]]))
    block = _of(solids.block(2, 2))
    joints = joints_of(placed([(block, np.eye(4)), (flat, shift(5, 5, 11)), (block, shift(0, 0, 10))]))
    assert [(j.a, j.b, j.kind) for j in joints.joints] == [("P1", "P3", "stud")]
    assert ("P2",) in [p.parts for p in joints.problems if p.code == "floating-part"]


@pytest.mark.parametrize("count", [0, 1])
def test_nothing_to_join(count: int) -> None:
    joints = joints_of(placed([(plate(2, 2), np.eye(4))] * count))
    assert joints.joints == () and joints.problems == ()


# ---------------------------------------------------------------------------- letting go


def test_directions_that_let_go() -> None:
    from steps.joints.release import letting_go

    block = _of(solids.block(2, 2))
    for pose in (np.eye(4), turn((1, 2, 3), 40)):
        joint = only(joints_of(placed([(block, pose), (block, pose @ shift(0, 0, 10))])))
        assert letting_go(joint) == pytest.approx(pose[:3, 2][None], abs=1e-5)
        joint = only(joints_of(placed([(block, pose @ shift(0, 0, 10)), (block, pose)])))
        assert joint.a == "P2"
        assert letting_go(joint) == pytest.approx(pose[:3, 2][None], abs=1e-5)
    cube = box((0, 0, 0), (10, 10, 10))
    joint = only(joints_of(placed([(cube, np.eye(4)), (cube, shift(0, 0, 10))])))
    assert letting_go(joint) == pytest.approx(np.array([[0, 0, 1]]))


def test_studs_two_ways_do_not_let_go() -> None:
    from steps.joints.release import letting_go

    side = _of(solids.block(2, 1, side_studs=True))
    bracket = box((0, -4, 1), (20, CLEARANCE, 16)) + box((0, -4, 10), (20, 10 - CLEARANCE, 16))
    for x in (5, 15):
        bracket -= rod(HOLE_RADIUS, 2.5, (x, 5, 10)) + rod(HOLE_RADIUS, 4).rotate([90, 0, 0]).translate(
            [x, 0.2, 5]
        )
    joint = only(joints_of(placed([(side, np.eye(4)), (bracket, np.eye(4))])))
    assert joint.contacts == 4
    assert len(letting_go(joint)) == 0


def foreign_block(columns: int, rows: int, tube: float, off: float = 0.0, roof: float = 1.0) -> Manifold:
    """Other proportions than the demo's, walls flush with the footprint, no ribs."""
    pitch, high, wall, stud, rise = 11.0, 8.6, 1.8, 3.6, 3.0
    long, wide = columns * pitch, rows * pitch
    body = box((0, 0, 0), (long, wide, high))
    body -= box((wall, wall, -1), (long - wall, wide - wall, high - roof))
    for i in range(1, columns):
        for j in range(1, rows):
            at = (i * pitch + off, j * pitch, 0)
            body += rod(tube, high - roof / 2, at, 24) - rod(3.0, 20, (at[0], at[1], -1), 24)
    for i in range(columns):
        for j in range(rows):
            body += rod(stud, 0.5 + rise, ((i + 0.5) * pitch, (j + 0.5) * pitch, high - 0.5), 24)
    return body


@pytest.mark.parametrize(
    ("tube", "off", "roof", "gap"),
    [(4.178, 0, 1.0, 0.0), (4.37, 0, 1.0, -0.192), (4.178, 0.2, 1.0, -0.141), (4.178, 0, 5.7, 0.0)],
)
def test_proportions_seen_in_files_by_others(tube: float, off: float, roof: float, gap: float) -> None:
    """Faces shared exactly; tubes that interfere by 0.2, or off centre; studs 0.1 taller than the cavity."""
    block = foreign_block(2, 4, tube, off, roof)
    model = placed([(block, np.eye(4)), (block, shift(22, 0, 0)), (block, shift(11, 0, 8.6))])
    joints = joints_of(model)
    found = [(j.a, j.b, j.kind, j.contacts) for j in joints.joints]
    assert found == [("P1", "P2", "rest", 0), ("P1", "P3", "stud", 4), ("P2", "P3", "stud", 4)]
    assert min(j.gap_mm for j in joints.joints if j.kind == "stud") == pytest.approx(gap, abs=NEAR)
    assert codes(joints) == []


# ------------------------------------------------------- points and lines that touch


def test_a_ball_on_a_plate_touches_at_a_point() -> None:
    plate_ = box((0, 0, 0), (40, 40, 4))
    joint = only(joints_of(placed([(plate_, np.eye(4)), (ball(8), shift(20, 20, 12))])))
    assert (joint.kind, joint.a, joint.b, joint.hold_n) == ("rest", "P1", "P2", 0)
    assert joint.touches[0].points == pytest.approx(np.array([[20, 20, 4]]), abs=0.05)
    assert joint.axis == pytest.approx([0, 0, 1], abs=1e-6)
    assert "points or a line" in joint.why


def test_a_drum_on_its_side_touches_along_a_line() -> None:
    drum = rod(8, 20).rotate([0, 90, 0])
    joint = only(joints_of(placed([(drum, shift(10, 20, 12)), (box((0, 0, 0), (40, 40, 4)), np.eye(4))])))
    assert joint.kind == "rest"
    points = np.vstack([touch.points for touch in joint.touches])
    assert np.ptp(points[:, 0]) == pytest.approx(20, abs=0.1)
    assert points[:, 1:] == pytest.approx(np.tile([20, 4], (len(points), 1)), abs=0.1)
    assert joint.axis == pytest.approx([0, 0, -1], abs=1e-6)  # out of P1, the drum


def test_the_axis_of_a_drum_on_two_edges_is_the_middle_of_both() -> None:
    drum, angle = rod(8, 20).rotate([0, 90, 0]), np.radians(41.25)  # a facet's middle, of 48
    half, low = 8 * np.cos(np.pi / 48) * np.array([np.sin(angle), np.cos(angle)])
    trough = box((-20, -15, -10), (40, 15, -low)) - box((-21, -half, -9), (41, half, 0))
    joint = only(joints_of(placed([(drum, np.eye(4)), (trough, np.eye(4))])))
    assert np.ptp([touch.axis[1] for touch in joint.touches]) > 1  # each edge its own way
    assert joint.axis == pytest.approx([0, 0, -1], abs=0.01)


def test_edges_that_cross_touch_at_a_point() -> None:
    """Two prisms on edge, square across each other: no vertex of either is near the other."""
    ridge = box((-20, -4, -4), (20, 4, 4)).rotate([45, 0, 0])
    pose = shift(0, 0, 2 * 4 * 2**0.5) @ turn((0, 0, 1), 90)
    joint = only(joints_of(placed([(ridge, np.eye(4)), (ridge, pose)])))
    assert joint.touches[0].points == pytest.approx(np.array([[0, 0, 4 * 2**0.5]]), abs=0.1)
    assert abs(joint.axis[2]) == pytest.approx(1, abs=0.3)


def test_a_ball_over_a_plate_floats() -> None:
    joints = joints_of(placed([(box((0, 0, 0), (40, 40, 4)), np.eye(4)), (ball(8), shift(20, 20, 12.5))]))
    assert joints.joints == ()
    assert "floating-part" in codes(joints)


def test_the_distance_of_the_largest_group_in_the_air_is_to_what_stands() -> None:
    cube = box((0, 0, 0), (10, 10, 10))
    poses = [shift(0, 0, 0), shift(0, 0, 12), shift(0, 0, 22)]
    joints = joints_of(placed([(cube, pose) for pose in poses], names=["foot", "low", "high"]))
    (problem,) = (p for p in joints.problems if p.code == "floating-part")
    assert "The nearest part is foot, 2.00 mm" in problem.text


def test_the_distance_of_a_floating_part_is_that_of_its_surface() -> None:
    """Its box reaches into the box of the ring, above the table; from ball to bore it is 8 - 5."""
    ring = box((-20, -20, 0), (20, 20, 10)) - rod(8, 12, (0, 0, -1), 96)
    found = joints_of(
        placed([(ring, np.eye(4)), (ball(5, (0, 0, 9), 96), np.eye(4))], names=["ring", "ball"])
    )
    (problem,) = (p for p in found.problems if p.code == "floating-part")
    assert "The nearest part is ring, 3.0" in problem.text


@pytest.mark.parametrize(
    ("diameter", "slip"),
    [(6.7, None), (26.6, ""), (1.65, ""), (3.3, "a radius"), (0.66, "centimetres"), (0.26, "inches")],
)
def test_a_calliper_reading_that_no_print_could_have_is_named(diameter: float, slip: str | None) -> None:
    fit = {"stud_diameter_mm": diameter, "socket_diameter_mm": 1.02 * diameter}
    model = placed([(plate(2, 2), np.eye(4)), (lid(2, 2), shift(0, 0, 4))])
    found = [p.text for p in joints_of(model, fit=fit).problems if p.code == "calliper-reading"]
    assert bool(found) == (slip is not None)
    assert all(f"{diameter:.2f} mm by calliper, but at 1x this model's studs are 6.60 mm" in t for t in found)
    assert all((f"{slip} " in t if slip else "?" not in t) for t in found)


@pytest.mark.parametrize(
    ("fit", "named"),
    [
        ({"pull_off_n": 20.0}, None),
        ({"pull_off_n": 2040.0}, "Were grams written"),  # 20 N
        ({"stud_card": {"pulls_kg": {"3": [2.0, 2.2]}}}, None),
        ({"stud_card": {"pulls_kg": {"3": [199.0 / 9.81]}}}, None),
        ({"stud_card": {"pulls_kg": {"3": [58.0]}, "press": [3]}}, None),  # 569 N of 1,813
        ({"peg_card": {"pulls_kg": {"3": [58.0]}}}, None),  # there are no pegs
    ],
)
def test_a_pull_that_would_tear_the_stud_off_is_named(fit: dict[str, Any], named: str | None) -> None:
    """A solid stud of 6.6 mm of PLA, 53 MPa, bears 1,813 N."""
    model = placed([(plate(2, 2), np.eye(4)), (lid(2, 2), shift(0, 0, 4))])
    found = [p.text for p in joints_of(model, fit=fit).problems if p.code == "pull-reading"]
    assert bool(found) == (named is not None)
    assert all(f"{named}" in t and "tears off at 1813 N" in t for t in found)


def test_points_along_a_side_of_what_two_faces_share_are_no_corners_of_it() -> None:
    bent = [(0, 0), (20, 0.001), (20, 12), (15.0, 12.002), (3.0, 12.001), (0, 12), (-0.002, 4.0)]
    assert len(_corners(shapely.Polygon(bent))) == 4
    assert len(_corners(shapely.Point(0, 0).buffer(5.0))) == 8
