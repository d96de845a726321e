"""The set of parts that lock each other is minimal: without any one of them the others come apart."""

from __future__ import annotations

from itertools import combinations

import manifold3d as m3
import numpy as np
import pytest

from demo_model.scene import DemoModel, Placed, shift, turn
from demo_model.solids import Bulk, Module, block, to_solid
from steps.features import measure
from steps.model import Joints, Model
from steps.motion import Motion
from steps.order.apart import take_apart
from steps.order.locked import locked_problem, minimal_locked, still_locked
from steps.order.site import Group, Site, make_site
from steps.settings import Settings
from tests.order_models import measures_of, model_of

UP = np.array([0.0, 0, 1])


def ring() -> Bulk:
    """A square ring 40 wide, lying."""
    bars = m3.Manifold.cube([40, 40, 10]) - m3.Manifold.cube([20, 20, 10]).translate([10, 10, 0])
    return to_solid("ring", bars)


def site_of(items: list[tuple[str, Bulk, np.ndarray]]) -> Site:
    solids = {solid.name: solid for _, solid, _ in items}
    placed = tuple(Placed(name, solid.name, "#808080", pose) for name, solid, pose in items)
    model: Model = model_of(DemoModel("locked", solids, placed))
    measures, joints = measures_of(model, 10.0), Joints(())
    motion = Motion(model, measures, joints)
    group = Group((tuple(range(len(items))),), UP, why="whole")
    return make_site(model, measures, joints, motion, group)


def is_locked(site: Site, units: tuple[int, ...]) -> bool:
    """Whether something of these units alone cannot be taken apart, by the planner's own moves."""
    return bool(still_locked(site, units))


def standing(x: float, y: float, z: float) -> np.ndarray:
    return shift(x, y, z) @ turn((1, 0, 0), 90.0)


CHAIN = [
    ("one", ring(), shift(0, 0, 0)),
    ("two", ring(), standing(18, 25, -15)),
    ("three", ring(), shift(36, 0, 0)),
]


def frame(long: float, narrow: float) -> Bulk:
    """A rectangular frame about the origin, lying, its bars 4 wide and high."""
    size, inner = [long, narrow, 4.0], [long - 8, narrow - 8, 8.0]
    bars = m3.Manifold.cube(size, True) - m3.Manifold.cube(inner, True)
    return to_solid("frame", bars)


#: Three frames of which each goes through the next: no two are linked, and yet all three are (Borromean).
THREE = [
    ("lying", frame(60, 30), shift(100, 0, 40)),
    ("across", frame(60, 30), shift(100, 0, 40) @ turn((0, 0, 1), 90.0) @ turn((1, 0, 0), 90.0)),
    ("upright", frame(60, 30), shift(100, 0, 40) @ turn((1, 0, 0), 90.0) @ turn((0, 0, 1), 90.0)),
]
MODELS = {
    "three frames": [*THREE, ("cap", block(1, 1, Module()), shift(0, 0, 10))],
    "three frames before two links": [*THREE, *CHAIN[:2]],
    "two links": [*CHAIN[:2], ("cap", block(1, 1, Module()), shift(0, 0, 10))],
    "chain of three": [*CHAIN, ("cap", block(1, 1, Module()), shift(0, 0, 10))],
    "two pairs": [
        *CHAIN[:2],
        ("far one", ring(), shift(200, 0, 0)),
        ("far two", ring(), standing(218, 25, -15)),
        ("cap", block(2, 2, Module()), shift(0, 0, 10)),
        ("post", block(1, 1, Module()), shift(100, 0, 0)),
    ],
}


@pytest.mark.parametrize("name", MODELS)
def test_without_any_one_of_them_the_others_come_apart(name):
    """What is named is locked, and every subset of it comes apart, as every subset of fewer than two does."""
    site = site_of(MODELS[name])
    stuck = take_apart(site).stuck
    assert stuck
    found = minimal_locked(site, stuck)
    assert is_locked(site, found)
    for size in range(1, len(found)):
        assert not any(is_locked(site, each) for each in combinations(found, size))
    assert len(found) == (3 if name == "three frames" else 2)


def test_what_is_named_is_what_locks():
    problem = locked_problem(site := site_of(MODELS["two links"]), take_apart(site).stuck)
    assert problem.code == "locked" and problem.severity == "error"
    assert [site.model.part_by_id[part].source for part in problem.parts] == ["one", "two"]


def test_what_comes_apart_is_not_locked():
    """The check itself says no where there is nothing to say."""
    assert not is_locked(site_of(CHAIN[:1]), (0,))
    free = site_of([("one", ring(), shift(0, 0, 0)), ("cap", block(1, 1, Module()), shift(0, 0, 10))])
    assert take_apart(free).stuck == () and not is_locked(free, (0, 1))
    assert measure(free.model, Settings()).by_shape
