"""The cheap tests of standing, against the load programme they spare."""

from __future__ import annotations

import numpy as np
import pytest

from demo_model.scene import DemoModel, Placed, shift
from demo_model.solids import Module, block, slab
from demo_model.tug import tug
from steps.features import measure
from steps.joints import find_joints
from steps.model import Model
from steps.order.stability import Watch
from steps.settings import Settings
from steps.statics import Stand, Structure
from tests.order_models import model_of

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
