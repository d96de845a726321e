"""The cheap tests of standing, against the load programme they spare."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from demo_model.scene import DemoModel, Placed, shift
from demo_model.solids import Module, block, slab
from demo_model.tug import tug
from steps.features import measure
from steps.joints import find_joints
from steps.model import Joints, Model
from steps.order.stability import Watch
from steps.settings import Settings
from steps.statics import Stand, Structure
from steps.statics.pressing import pressing
from tests.order_models import model_of
from tests.stacks import Cell
from tests.stacks import stack as stack_of

UP = np.array([0.0, 0, 1])


def structure_of(model: Model) -> Structure:
    measures = measure(model, Settings())
    return Structure.of(model, measures, find_joints(model, measures, Settings()), Settings())


def stack(*places: tuple[str, float, float]) -> Model:
    """Named slabs 8 x 2 and blocks 2 x 2 (the name tells) at x and height, mm."""
    module = Module()
    solids = {"beam": slab(8, 2, module), "block": block(2, 2, module)}
    placed = tuple(
        Placed(f"{name} {k}", solids[name].name, "#808080", shift(x, 0, z))
        for k, (name, x, z) in enumerate(places)
    )
    return model_of(DemoModel("stack", {solid.name: solid for solid in solids.values()}, placed))


def test_clearing_agrees_with_the_programme():
    """On the tug's hull, built in file order: the watch asks for a hand exactly where the programme does."""
    model = model_of(tug())
    structure = structure_of(model)
    hull = [
        row for row, part in enumerate(model.parts) if abs(part.pose[2, 2] - np.cos(np.radians(25))) < 1e-6
    ]
    up = model.poses[hull[0], :3, 2]
    watch, stand = Watch(structure, up, hull), Stand.of(structure, up)
    asked = 0
    for count, row in enumerate(hull[:60], start=1):
        held = watch.add([row])
        if count % 12 == 0:
            assert (held == ()) is stand.stands([model.parts[each].id for each in hull[:count]]).ok
            asked += 1
    assert asked == 5


@pytest.mark.parametrize(
    ("places", "held"),
    [
        ([("block", 0, 0), ("beam", -30, 10)], False),  # balanced over its foot
        ([("block", 0, 0), ("beam", 0, 10)], True),  # 40 mm beyond, on a foot of 20
        ([("block", 0, 0), ("beam", 0, 10), ("block", 60, 0)], False),  # propped
        ([("block", 0, 0), ("block", 0, 10), ("block", 0, 20)], False),
        ([("block", 0, 0), ("beam", 0, 10), ("beam", -60, 15)], False),  # a counterweight on the heel
    ],
)
def test_what_topples_is_held(places, held):
    """By hand: whether the middle of all mass lies over the foot."""
    model = stack(*places)
    structure = structure_of(model)
    watch = Watch(structure, UP, range(len(places)))
    answers = [watch.add([row]) for row in range(len(places))]
    assert bool(answers[-1]) is held
    masses, middle = structure.bodies.mass_g, structure.bodies.centroid[:, 0]
    feet = [x for name, x, z in places if z == 0 for x in (x, x + 20)]
    over = min(feet) < float(masses @ middle / masses.sum()) < max(feet)
    assert over is not held


def test_cleared_once_is_not_asked_again():
    """What hangs on its grips is asked of the programme once, however much is put elsewhere."""
    places = [("block", 0, 0), ("beam", 0, 10), ("block", 60, 0)] + [
        ("block", 0, 15 + 10 * k) for k in range(6)
    ]
    model = stack(*places)
    watch = Watch(structure_of(model), UP, range(len(places)))
    for row in range(3):
        watch.add([row])
    before = watch.programmes
    for row in range(3, len(places)):
        assert watch.add([row]) == ()
    assert watch.programmes - before <= 1
    watch.clear()
    assert watch.add([0]) == () and watch.present == {0}


def pushed(cells: list[Cell], push_per_stud: float = 5.0, hold_per_stud: float = 1.0) -> Structure:
    """A structure of blocks whose studs take ``push_per_stud`` newtons each to close."""
    built = stack_of(cells, hold_per_stud)
    joints = tuple(replace(joint, push_n=push_per_stud * joint.contacts) for joint in built.joints.joints)
    return Structure.of(built.model, built.measures, Joints(joints), Settings())


@pytest.mark.parametrize(
    ("last", "held"),
    [
        (Cell(2, 0, 2, 2, 2), ()),  # over the foot: straight down
        (Cell(8, 0, 2, 2, 2), ("P2",)),  # on the far end of the beam: all of it tips
        (Cell(4, 0, 2, 2, 2), ("P2",)),  # just beyond the foot: its resultant is outside
    ],
)
def test_pressing_on_an_overhang_needs_a_hand(last, held):
    """By hand: a foot of 4 studs carries a beam of 8 that stands over it by 6; 20 N against some 0.2 N."""
    structure = pushed([Cell(0, 0, 0, 4, 2), Cell(2, 0, 1, 8, 2), last])
    watch = Watch(structure, UP, range(3))
    watch.add([0])
    watch.add([1])
    assert watch.press([2], -UP) == held


def test_a_prop_takes_the_press():
    """As above with a post under the far end: nothing to hold, and no programme asked."""
    structure = pushed([Cell(0, 0, 0, 4, 2), Cell(8, 0, 0, 2, 2), Cell(2, 0, 1, 8, 2), Cell(8, 0, 2, 2, 2)])
    watch = Watch(structure, UP, range(4))
    for row in range(3):
        watch.add([row])
    before = watch.programmes
    assert watch.press([3], -UP) == () and watch.programmes == before
    assert watch.press([3], np.array([1.0, 0, 0])) == ("P3",)  # 20 N sideways move some 0.3 N of blocks


def test_a_press_goes_down_beside_what_leans():
    """A lid rests on a sound post and on a leaning beam: over the post it bears, whatever leans."""
    cells = [
        Cell(0, 0, 0, 4, 2),  # foot
        Cell(0, 0, 1, 8, 2),  # beam, 4 beyond the foot: leans
        Cell(8, 0, 0, 4, 2),  # post
        Cell(8, 0, 1, 4, 2),  # on the post
        Cell(6, 0, 2, 6, 2),  # lid on both
        Cell(10, 0, 3, 2, 2),  # over the post
    ]
    structure = pushed(cells)
    watch = Watch(structure, UP, range(6))
    for row in range(5):
        watch.add([row])
    before = watch.programmes
    assert watch.press([5], -UP) == () and watch.programmes == before
    watch.clear()
    assert watch.present == set() and watch.press([5], -UP) == ()  # nothing stands, nothing is pressed


def test_presses_agree_with_the_programme():
    """Random heaps: a hand is asked for exactly where the programme finds no balance under the press."""
    generator = np.random.default_rng(11)
    asked = {True: 0, False: 0}
    quick = 0
    for _ in range(40):
        cells = [Cell(0, 0, 0, int(generator.integers(2, 6)), 2), Cell(8, 0, 0, 2, 2)]
        for level in range(1, 5):
            low = cells[-1].x if level > 1 else 0
            cells.append(
                Cell(low + int(generator.integers(-2, 4)), 0, level, int(generator.integers(3, 8)), 2)
            )
        structure = pushed(cells, push_per_stud=float(generator.choice([0.01, 0.1, 5.0])), hold_per_stud=0.3)
        joined = structure.joints.of_part
        watch, stand = Watch(structure, UP, range(len(cells))), Stand.of(structure, UP)
        for row in range(len(cells)):
            names = [f"P{k + 1}" for k in range(row)]
            if row > 1 and f"P{row + 1}" in joined and stand.stands(names).ok:
                way = -UP if row % 2 else np.array([0.1, 0.0, -1.0])
                press = pressing(structure, set(names), [f"P{row + 1}"], way)
                before = watch.programmes
                held = watch.press([row], way)
                quick += watch.programmes == before
                answer = stand.stands(names, loads=press.on_parts).ok
                assert (held == ()) is answer, (cells[: row + 1], press)
                asked[answer] += 1
            watch.add([row])
    assert min(asked.values()) > 20 and quick > 20, (asked, quick)
