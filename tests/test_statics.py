"""Balance of rigid parts against published answers; each source is named beside its check."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from steps.features import measure
from steps.intake.congruence import SAME_MM
from steps.joints import find_joints
from steps.model import Joints
from steps.settings import Settings
from steps.statics import (
    GROUND,
    Bodies,
    Capacity,
    Case,
    Contacts,
    Equilibrium,
    Stand,
    Structure,
    balance,
    elastic,
    limit,
)
from steps.statics.contacts import contacts_of
from steps.statics.equilibrium import CRUSH
from steps.statics.rigid import GRAVITY
from steps.statics.standing import OVER_TOLERANCE_MM, lies_over
from tests.joint_cases import door_on_two_pins, only, pin_in_a_wall, turn, wheel_on_a_pin
from tests.stacks import Cell, stack

UP = (0.0, 0.0, 1.0)

# ------------------------------------------------------------------ the studded staircase
# Liu et al., arXiv 2402.10711, RA-L 9(11) 2024, in block pitches and block weights: blocks of 4 x 2 studs
# shifted two pitches a level, each contact holding 46.30 block weights, a prop of 1 x 2 studs weighing
# 0.375; 19 levels stood, 20 fell, 20 with the prop stood. All forces are upright: how high a level is, does
# not matter.

LEVEL, PROP, CONTACT = 1.0, 0.375, 46.30
GRAMS = 1000.0  # a block, whose weight is 1 where gravity is
IN_WIDE = np.array([(0.125, -0.125), (0.125, 0.125), (-0.25, 0.0)])
IN_NARROW = np.array([(0.0, -0.25), (0.0, 0.25), (-0.25, 0.0), (0.25, 0.0)])


def staircase(levels: int, prop: bool = False, scale: float = 1.0):
    """Use of the contacts' capacity in a staircase of the given number of levels."""
    points, first, second = [], [], []

    def studs(columns, level, offsets, upper, lower):
        for column in columns:
            for row in (-0.5, 0.5):
                for dx, dy in offsets:
                    points.append((column + 0.5 + dx, row + dy, LEVEL * level))
                    first.append(upper)
                    second.append(lower)

    studs(range(4), 0, IN_WIDE, 0, GROUND)
    for level in range(1, levels):
        studs((2 * level, 2 * level + 1), level, IN_WIDE, level, level - 1)
    mass = [GRAMS] * levels
    centroid = [(2.0 * level + 2, 0.0, LEVEL * (level + 0.5)) for level in range(levels)]
    if prop:  # in the fourth column counted from nought, under the second level
        mass.append(PROP * GRAMS)
        centroid.append((4.5, 0.0, LEVEL / 2))
        studs((4,), 1, IN_WIDE, 1, levels)
        studs((4,), 0, IN_NARROW, levels, GROUND)
    bodies = Bodies(np.array(mass) * scale**3, np.array(centroid) * scale)
    contacts = Contacts.make(np.array(points) * scale, UP, first, second, pull=CONTACT * scale**2)
    return balance(bodies, contacts, bodies.weight(gravity=1.0))


@pytest.mark.parametrize(
    ("levels", "largest"),
    # in block weights, computed from the model of Liu et al., arXiv 2402.10711 (RA-L 9(11), 2024)
    [(10, 10.05), (15, 24.97), (18, 37.12), (19, 41.70), (20, 46.55), (21, 51.67)],
)
def test_staircase_largest_friction(levels, largest):
    assert staircase(levels).use * CONTACT == pytest.approx(largest, abs=6e-3)


def test_staircase_stands_at_19_falls_at_20_and_a_prop_saves_it():
    # the published experiment
    assert staircase(19).ok
    assert not staircase(20).ok
    assert staircase(20, prop=True).ok


def test_staircase_four_times_as_large_stands_ten_levels():
    # weight grows with the cube, friction with the square of the scale (the staircase of Liu et al.)
    assert staircase(10, scale=4).ok
    assert not staircase(11, scale=4).ok


# ------------------------------------------------------------------ dry bricks


def dry(lefts, depth=1.0, friction=0.5):
    """Unit bricks, one on each level, left edges as given; the first stands on a wide table edge at x = 0.

    Bricks lie on the table's half plane x <= 0.
    """
    lefts = np.asarray(lefts, dtype=float)
    bodies = Bodies(
        np.ones(len(lefts)), np.stack([lefts + 0.5, 0 * lefts, np.arange(len(lefts)) + 0.5], axis=1)
    )
    pieces = []
    for level, left in enumerate(lefts):
        below = (-10.0, 0.0) if level == 0 else (lefts[level - 1], lefts[level - 1] + 1)
        x0, x1 = max(left, below[0]), min(left + 1, below[1])
        corners = [(x, y, level) for x in (x0, x1) for y in (-depth / 2, depth / 2)]
        pieces.append(Contacts.make(corners, UP, level, level - 1 if level else GROUND, friction=friction))
    return bodies, Contacts.join(pieces)


def harmonic(bricks: int, shift: float = 0.0):
    """Left edges of the harmonic stack from the table up, each ``shift`` farther out from the one below."""
    overhang = np.cumsum(1 / (2 * np.arange(bricks, 0, -1.0)) + shift)
    return overhang - 1


@pytest.mark.parametrize("bricks", [1, 2, 3, 4, 5, 6])
def test_harmonic_overhang_balances_and_falls_when_shifted(bricks):
    # overhang of n bricks is H_n / 2 (Paterson & Zwick, Am. Math. Monthly 116, 2009, from memory)
    reach = [0.5, 0.75, 0.916667, 1.041667, 1.141667, 1.225][bricks - 1]
    assert harmonic(bricks)[-1] + 1 == pytest.approx(reach, abs=1e-6)
    bodies, contacts = dry(harmonic(bricks))
    assert balance(bodies, contacts, bodies.weight()).ok
    bodies, contacts = dry(harmonic(bricks, shift=0.001))
    assert not balance(bodies, contacts, bodies.weight()).ok


@pytest.mark.parametrize(("bricks", "lengths"), [(4, 1), (31, 2), (227, 3), (1674, 4)])
def test_harmonic_bricks_to_pass_whole_lengths(bricks, lengths):
    # 4, 31, 227, 1674 bricks pass 1, 2, 3, 4 lengths: the first n with H_n / 2 over that, summed here;
    # all forces are upright
    assert harmonic(bricks)[-1] + 1 > lengths > harmonic(bricks - 1)[-1] + 1
    bodies, contacts = dry(harmonic(bricks), friction=0.0)
    assert balance(bodies, contacts, bodies.weight()).ok
    bodies, contacts = dry(harmonic(bricks, shift=0.001), friction=0.0)
    assert not balance(bodies, contacts, bodies.weight()).ok


def layered(rows, table_edge=0.0):
    """Unit bricks by rows of centres from the table up."""
    centres = [(x, level) for level, row in enumerate(rows) for x in row]
    bodies = Bodies(np.ones(len(centres)), [(x, 0.0, level + 0.5) for x, level in centres])
    pieces = []
    for upper, (x, level) in enumerate(centres):
        supports = (
            [(-10.0, table_edge, GROUND)]
            if level == 0
            else [(c - 0.5, c + 0.5, lower) for lower, (c, below) in enumerate(centres) if below == level - 1]
        )
        for left, right, lower in supports:
            x0, x1 = max(x - 0.5, left), min(x + 0.5, right)
            if x1 > x0:
                corners = [(u, v, level) for u in (x0, x1) for v in (-0.5, 0.5)]
                pieces.append(Contacts.make(corners, UP, upper, lower, friction=0.5))
    return bodies, Contacts.join(pieces)


def test_three_block_overhang_of_exactly_one():
    # Paterson & Zwick, Am. Math. Monthly 116, 2009 (M): centres (0), (-.5, .5) overhang by exactly 1
    bodies, contacts = layered([(0.0,), (-0.5, 0.5)])
    assert balance(bodies, contacts, bodies.weight()).ok
    bodies, contacts = layered([(0.001,), (-0.499, 0.501)])
    assert not balance(bodies, contacts, bodies.weight()).ok


def test_four_block_overhang():
    # Paterson & Zwick (M): four blocks reach (15 - 4 sqrt 2) / 8 = 1.167893. The places, found by us (C):
    # a base, an inner and an outer brick on it, and a fourth across both; the inner one may vary.
    reach = (15 - 4 * np.sqrt(2)) / 8
    base, outer, on_outer, on_inner = (3 - 2 * np.sqrt(2)) / 8, reach - 0.5, np.sqrt(2) - 1, 2 - np.sqrt(2)
    pressed = -0.3
    top = on_outer * (reach - 1) + on_inner * pressed
    inner = -(base + outer + top)
    assert reach == pytest.approx(1.167893, abs=1e-6)
    bodies, contacts = layered([(base,), (inner, outer), (top,)])
    assert balance(bodies, contacts, bodies.weight()).ok
    for shifted in ([(base + 0.001,), (inner, outer), (top,)], [(base,), (inner, outer + 0.001), (top,)]):
        bodies, contacts = layered(shifted)
        assert not balance(bodies, contacts, bodies.weight()).ok


def test_unit_cube_presses_a_quarter_at_each_corner():
    # by symmetry
    bodies, contacts = dry([-1.0, -1.0])
    found = balance(bodies, contacts, bodies.weight())
    assert found.ok
    on_top = contacts.first == 1
    total = found.force[on_top, 2].sum()
    assert total == pytest.approx(-bodies.weight()[1, 2])
    # the programme may choose any balanced set; the symmetric one is its mean over the cube's symmetries
    mean = np.mean([found.force[on_top, 2][list(order)] for order in SYMMETRIES], axis=0)
    assert mean / total == pytest.approx([0.25] * 4)


SYMMETRIES = [(0, 1, 2, 3), (1, 0, 3, 2), (2, 3, 0, 1), (3, 2, 1, 0)]


def test_cube_offset_by_three_quarters_needs_tension():
    # by hand: its weight lies outside the quarter that carries it
    bodies, contacts = dry([-1.0, -0.25])
    assert not balance(bodies, contacts, bodies.weight()).ok
    held = Contacts.make(
        contacts.point, contacts.normal, contacts.first, contacts.second, contacts.friction, pull=1.0
    )
    found = balance(bodies, held, bodies.weight())
    assert found.ok
    assert found.force[:, 2].min() < 0


def test_slides_above_the_friction_angle():
    # mu 0.84 slides above atan(0.84) = 40.03 deg (Coulomb)
    bodies, contacts = dry([-1.0], friction=0.84)
    low_cube = Bodies(bodies.mass_g, bodies.centroid * (1, 1, 0.1))
    found = limit(low_cube, contacts, low_cube.weight(), low_cube.weight((-1, 0, 0)))
    assert np.degrees(np.arctan(found.factor)) == pytest.approx(40.03, abs=0.005)


@pytest.mark.parametrize(("apart", "holds"), [(1.0, True), (0.02, True), (1e-4, False)])
def test_no_lever_longer_than_a_thousand_to_one_is_believed(apart, holds):
    """By hand: 1 N, 20 mm beyond two pins one above the other, asks 20 / ``apart`` N of each; places in a
    file are known to some thousandths of a millimetre, and 200,000 N are not believed."""
    bodies = Bodies([1000 / GRAVITY], [[20.0, 0.0, 0.0]])
    pins = Contacts.make([[0, 0, 0], [0, 0, apart]], [0, 0, 1], 0, GROUND, grip=np.inf, push=[True, False])
    equilibrium, case = Equilibrium(bodies, pins), Case.make(bodies.weight())
    found = elastic(equilibrium, case, Capacity.of(pins))
    assert found is not None and found.needed != holds
    assert np.linalg.norm(found.force, axis=1).max() <= 1.001 * CRUSH
    if holds:
        assert equilibrium.residual(case, found.force) < 1e-6
        assert equilibrium.overload(case, Capacity.of(pins), found.force) < 1e-6
        assert np.abs(found.force[:, 0]) == pytest.approx([20 / apart] * 2, rel=1e-4)
    else:
        assert equilibrium.excess(case, Capacity.of(pins), found.motion) > 0
        beyond = np.array([[2e5, 0, 1.0], [-2e5, 0, 0]])
        assert equilibrium.residual(case, beyond) < 1e-6
        assert equilibrium.overload(case, Capacity.of(pins), beyond) == pytest.approx(2e5 - CRUSH)


@pytest.mark.parametrize(("cubes", "angle"), [(1, 45.0), (2, 26.57), (3, 18.43)])
def test_columns_topple(cubes, angle):
    # by hand: atan(width / height)
    tall = stack([Cell(0, 0, z, 1, 1) for z in range(cubes)], hold_per_stud=1e4)
    structure = Structure.of(tall.model, tall.measures, tall.joints, Settings())
    rough = Structure(
        structure.model, structure.joints, structure.bodies, structure.contacts, structure.joint, friction=2.0
    )
    assert Stand.of(rough).tip_deg(part.id for part in tall.model.parts) == pytest.approx(angle, abs=0.01)


# ------------------------------------------------------------------ parts of a model


def structure_of(built):
    return Structure.of(built.model, built.measures, built.joints, Settings())


def test_cheap_test_decides_a_wall_without_any_programme():
    wall = [Cell(4 * k + 2 * (z % 2), 0, z, 4, 2) for z in range(6) for k in range(6 - z % 2)]
    wall += [Cell(x, 0, z, 2, 2) for z in (1, 3, 5) for x in (0, 22)]
    built = stack(wall)
    found = Stand.of(structure_of(built)).stands(part.id for part in built.model.parts)
    assert found.ok
    assert found.programmes == 0


def test_contacts_are_the_same_in_however_many_pieces_they_are_joined(monkeypatch):
    built = stack([Cell(2 * (z % 2), 0, z, 4, 2) for z in range(8)])
    given = built.joints.joints, built.model.index_of, 0.3, False
    whole, owners = contacts_of(*given)
    monkeypatch.setattr("steps.statics.contacts.PIECE", 3)
    pieces, again = contacts_of(*given)
    assert len(whole) > 20 and np.array_equal(again, owners)
    for name in ("point", "normal", "first", "second", "friction", "pull", "grip", "push"):
        assert np.array_equal(getattr(pieces, name), getattr(whole, name)), name


def test_a_part_on_nothing_falls_and_is_named():
    built = stack([Cell(0, 0, 0, 4, 2), Cell(0, 0, 1, 4, 2), Cell(10, 0, 1, 2, 2)])
    found = Stand.of(structure_of(built)).stands(["P1", "P2", "P3"])
    assert not found.ok
    assert found.hold == ("P3",)


def test_cantilever_leans_on_what_its_studs_hold():
    cells = [Cell(0, 0, 0, 12, 2), Cell(11, 0, 1, 8, 2)]
    weight = 16 * 9.80665e-3
    strong, weak = stack(cells, hold_per_stud=10.0), stack(cells, hold_per_stud=0.01)
    structure = Structure.of(strong.model, strong.measures, strong.joints, Settings(), coarse=False)
    assert Stand.of(structure).stands(["P1", "P2"]).ok
    table, _ = structure.table_contacts([0, 1], UP)
    found = balance(structure.bodies, Contacts.join([structure.contacts, table]), structure.bodies.weight())
    # by hand: about the edge of the table part (x = 120), the weight at x = 150 is held by the lines of two
    # studs at x 111.7 to 118.3, 4 a stud, 2.5 N each; beside that the studs push sideways 1.3 mm above the
    # faces, against the faces' friction under the weight and the pull
    pull, arms, friction, height = 20.0, np.array([8.3, 5.0, 5.0, 1.7]), 0.12, 1.3
    capacity = pull * arms.mean() + friction * pull * height
    assert found.reserve == pytest.approx(capacity / (weight * (30.0 - friction * height)), rel=1e-4)
    assert not Stand.of(structure_of(weak)).stands(["P1", "P2"]).ok


def test_studs_side_by_side_keep_nothing_from_tilting_though_a_mesh_has_them_off_one_level():
    """A block whose middle lies over the edge of what it lies on: that far out 2e-4 mm between the levels of
    two studs would hold it, by pins that push a thousand times its weight."""
    built = stack([Cell(0, 0, 0, 4, 2), Cell(2.02, 0, 1, 4, 2)], hold_per_stud=0.0)
    (joint,) = built.joints.joints
    off = np.random.default_rng(1).uniform(-2e-3, 2e-3, len(joint.touches))
    touches = [
        touch if touch.kind == "rest" else replace(touch, points=touch.points + by * touch.axis)
        for touch, by in zip(joint.touches, off, strict=True)
    ]
    uneven = Joints((replace(joint, touches=tuple(touches)),), ())
    structure = Structure.of(built.model, built.measures, uneven, Settings())
    assert not Stand.of(structure).stands(["P1", "P2"]).ok


@pytest.mark.parametrize(("moves", "snap_mm", "stands"), [(True, 0.5, True), (False, 0.0, False)])
def test_what_moves_and_cannot_slip_out_is_stiff_however_many_touches_it_has(moves, snap_mm, stands):
    """Two pegs of one joint: it stays where it is put, as it would with one."""
    built = stack([Cell(0, 0, 0, 12, 2), Cell(11, 0, 1, 8, 2)], hold_per_stud=0.01)
    joints = tuple(replace(joint, moves=moves, snap_mm=snap_mm) for joint in built.joints.joints)
    held = structure_of(replace(built, joints=Joints(joints)))
    assert Stand.of(held).stands(["P1", "P2"]).ok is stands


@pytest.mark.parametrize("square", [False, True], ids=["round", "square"])
def test_a_lone_peg_is_held_at_both_ends_of_its_engaged_length(square):
    """By hand: the weight W lies 20 mm beyond the middle of the 20 mm that are in the hole; its outer end
    bears 3/2 W upwards, its inner one W/2 downwards. About its axis only a square one is held."""
    model = pin_in_a_wall(square)
    measures = measure(model, Settings())
    joints = find_joints(model, measures, Settings())
    assert only(joints).kind == "peg" and only(joints).moves and only(joints).hold_n == 0
    structure = Structure.of(model, measures, joints, Settings())
    assert Stand.of(structure).stands(["P1", "P2"]).ok
    own, weight = Capacity.of(structure.contacts), structure.bodies.weight()
    equilibrium = Equilibrium(structure.bodies, structure.contacts)
    found = elastic(equilibrium, Case.make(weight, held=[0]), own)
    assert found is not None and not found.needed
    up = np.where(structure.contacts.first == 1, 1.0, -1.0) * found.force[:, 2] / -weight[1, 2]
    at = structure.contacts.point[:, 0]
    beside = np.abs(structure.contacts.normal[:, 0]) < 0.1
    assert np.unique(at[beside].round(3)) == pytest.approx([0.0, 20.0], abs=1e-3)
    assert up[at > 10].sum() == pytest.approx(1.5, rel=1e-3) and up[at < 10].sum() == pytest.approx(
        -0.5, rel=1e-3
    )
    weight[1, 3] = 5.0
    twisted = elastic(equilibrium, Case.make(weight, held=[0]), own)
    assert twisted is not None and twisted.needed != square


@pytest.mark.parametrize(("off_mm", "stands"), [(6e-5, True), (4e-3, True), (0.05, False)])
@pytest.mark.parametrize("pose", [np.eye(4), turn((1, 2, -1), 37)], ids=["upright", "askew"])
def test_what_turns_on_a_pin_is_not_turned_by_rounding(off_mm, stands, pose):
    """Off its middle by single precision at 1 m, by what shapes may differ and be one, or by 0.05 mm."""
    model = wheel_on_a_pin(pose, off_mm)
    measures = measure(model, Settings())
    structure = Structure.of(model, measures, find_joints(model, measures, Settings()), Settings())
    equilibrium = Equilibrium(structure.bodies, structure.contacts)
    case = Case.make(structure.bodies.weight(pose[:3, 2]), held=[0])
    found = elastic(equilibrium, case, Capacity.of(structure.contacts))
    assert found is not None and found.needed != stands
    assert np.linalg.norm(found.force, axis=1).max() < 10 * case.scale  # and by no lever that rounding gives


def test_pins_one_above_the_other_keep_a_door_from_tilting():
    model = door_on_two_pins()
    measures = measure(model, Settings())
    structure = Structure.of(model, measures, find_joints(model, measures, Settings()), Settings())
    assert Stand.of(structure).stands(["P1", "P2"]).ok


def test_glue_makes_a_loose_cantilever_stand():
    built = stack([Cell(0, 0, 0, 12, 2), Cell(11, 0, 1, 8, 2)], hold_per_stud=0.0)
    structure = structure_of(built)
    assert not Stand.of(structure).stands(["P1", "P2"]).ok
    assert Stand.of(structure, glued=["J1"]).stands(["P1", "P2"]).ok


def test_growing_sets_answer_as_each_set_alone():
    cells = [Cell(0, 0, z, 2, 2) for z in range(3)] + [
        Cell(1, 0, 3, 6, 2),
        Cell(5, 0, 2, 2, 2),
        Cell(0, 0, 4, 2, 2),
    ]
    built = stack(cells, hold_per_stud=0.3)
    structure, names = structure_of(built), [part.id for part in built.model.parts]
    keeping = Stand.of(structure)
    for count in range(1, len(names) + 1):
        one, other = keeping.stands(names[:count]), Stand.of(structure).stands(names[:count])
        assert (one.ok, one.hold) == (other.ok, other.hold)


def test_loads_can_topple():
    built = stack([Cell(0, 0, z, 1, 1) for z in range(3)], hold_per_stud=50.0)
    keeper = Stand.of(structure_of(built))
    names = ["P1", "P2", "P3"]
    assert keeper.stands(names).ok
    assert keeper.stands(names, loads={"P3": (0, 0, -20)}).ok
    assert not keeper.stands(names, loads={"P3": (1.0, 0, 0)}).ok


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10_000))
def test_a_proof_by_regions_is_a_proof_for_the_whole(seed):
    """Independent means: one programme over all parts must agree with the cheap tests and regions."""
    generator = np.random.default_rng(seed)
    cells = random_heap(generator)
    built = stack(cells, hold_per_stud=float(generator.choice([0.0, 0.05, 0.3])))
    structure = structure_of(built)
    names = [part.id for part in built.model.parts]
    found = Stand.of(structure).stands(names)
    rows = structure.part_rows(names)
    table, _ = structure.table_contacts(rows, UP)
    contacts = Contacts.join([structure.contacts, table])
    whole = balance(structure.bodies, contacts, structure.bodies.weight())
    assert found.ok == whole.ok
    if not found.ok:  # the motion is a proof on the whole of it
        equilibrium, case = Equilibrium(structure.bodies, contacts), Case.make(structure.bodies.weight())
        motion = np.stack([found.motion[row] for row in rows.tolist()])
        motion *= np.repeat([1.0, equilibrium.arm], 3)
        assert equilibrium.excess(case, Capacity.of(contacts), motion.ravel()) > 0


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10_000))
def test_every_answer_is_proved_by_its_forces_or_its_motion(seed):
    """Weak duality: forces within what contacts bear that balance, or a motion that no such forces stop."""
    generator = np.random.default_rng(seed)
    built = stack(random_heap(generator), hold_per_stud=float(generator.choice([0.0, 0.05, 0.3])))
    structure = structure_of(built)
    count = len(structure.bodies)
    loads = structure.bodies.weight() + generator.normal(scale=0.05, size=(count, 6)) * [1, 1, 1, 20, 20, 20]
    held = sorted({int(generator.integers(count)) for _ in range(int(generator.integers(1, 3)))})
    away = {int(generator.integers(count))} - set(held)
    case = Case.make(
        loads, held, sorted(set(range(count)) - away), safety=float(generator.choice([1.0, 2.0]))
    )
    equilibrium, capacity = Equilibrium(structure.bodies, structure.contacts), Capacity.of(structure.contacts)
    found = elastic(equilibrium, case, capacity)
    assert found is not None
    excess = equilibrium.excess(case, capacity, found.motion)
    assert not found.hand[list({*held, *away})].any()
    if found.needed:
        assert excess > 0
    else:
        assert excess < 1e-4
        assert equilibrium.residual(case, found.force) < 1e-5
        assert equilibrium.overload(case, capacity, found.force) < 1e-5


def random_heap(generator):
    cells = [Cell(0, 0, 0, 4, 2)]
    for _ in range(int(generator.integers(1, 9))):
        base = cells[int(generator.integers(len(cells)))]
        nx, ny = int(generator.choice([1, 2, 4])), int(generator.choice([1, 2]))
        x = base.x + int(generator.integers(1 - nx, base.nx))
        y = base.y + int(generator.integers(1 - ny, base.ny))
        fresh = Cell(x, y, base.z + 1, nx, ny)
        if not any(_overlap(fresh, cell) for cell in cells):
            cells.append(fresh)
    return cells


def _overlap(a, b):
    return a.z == b.z and a.x < b.x + b.nx and b.x < a.x + a.nx and a.y < b.y + b.ny and b.y < a.y + a.ny


@settings(max_examples=100, deadline=None)
@given(st.integers(0, 10_000))
def test_lying_over_never_accepts_what_lies_outside(seed):
    """Independent means: shapely's convex hull."""
    shapely = pytest.importorskip("shapely")
    generator = np.random.default_rng(seed)
    support = generator.normal(size=(int(generator.integers(3, 12)), 2))
    loads = generator.normal(size=(2, 2)) * generator.choice([0.1, 0.5, 1.0])
    centre = generator.normal(size=2) * 0.3
    hull = shapely.MultiPoint(support).convex_hull.buffer(OVER_TOLERANCE_MM + 1e-3)
    if lies_over(loads, centre, support):
        assert all(hull.contains(shapely.Point(point)) for point in [*loads, centre])


def test_what_lies_over_an_edge_does_so_wherever_a_file_rounds_it():
    """Two shapes within 0.005 mm are read as one: so are both parts, and both their neighbours' corners."""
    corners = np.array([[-10.0, -5.0], [10.0, -5.0], [10.0, 5.0], [-10.0, 5.0]])
    outwards = np.sign(corners)
    assert lies_over(corners + 2 * SAME_MM * outwards, np.zeros(2), corners - SAME_MM * outwards)
    assert not lies_over(corners + 10 * SAME_MM * outwards, np.zeros(2), corners)


def test_a_hand_is_asked_for_where_it_is_needed():
    bodies, contacts = dry([-1.0, -1.0, -0.2])
    found = elastic(Equilibrium(bodies, contacts), Case.make(bodies.weight()), Capacity.of(contacts))
    assert np.flatnonzero(np.any(found.hand, axis=1)).tolist() == [2]


def test_blame_falls_on_the_joint_that_limits():
    """By hand: of four blocks that hang from the first, the first joint bears three, the others fewer."""
    bodies = Bodies(np.full(3, 10.0), [(0.0, 0.0, -10.0 * level) for level in (1, 2, 3)])
    contacts = Contacts.make(
        [(0.0, 0.0, -10.0 * level + 5) for level in (1, 2, 3)], (0, 0, -1), [0, 1, 2], [-1, 0, 1], pull=1.0
    )
    found = balance(bodies, contacts, bodies.weight())
    assert found.use == pytest.approx(30 * 9.80665e-3, rel=1e-6)
    assert found.blame == pytest.approx([1.0, 0.0, 0.0], abs=1e-6)
