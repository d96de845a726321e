"""Small steps: how much one holds for whom, what goes together in it, and what follows on it."""

from __future__ import annotations

from collections import Counter
from functools import cache

import networkx as nx
import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from demo_model.beacon import beacon
from demo_model.lattice import Builder, block_piece
from demo_model.scene import DemoModel
from demo_model.seawall import sea_wall
from demo_model.solids import Module
from demo_model.tug import tug
from steps.features import measure
from steps.joints import find_joints
from steps.model import Joints, Measures, Model, Order, Step
from steps.motion import Motion
from steps.order import plan_order
from steps.order.mates import mates_of
from steps.order.site import Group, Site, make_site
from steps.settings import Settings
from tests.order_models import barge, castle, model_of, planner_input

NEARLY_ALL = 0.85
#: Parts and kinds that one step may hold; identical parts in a row may be more, but here they are not.
LIMITS = {"child": (3, 1), "helper": (4, 2), "adult": (4, 2)}


def check_limits(model: Model, order: Order, reader: str) -> None:
    """No step brings more parts or more kinds than its reader is to look for."""
    parts, kinds = LIMITS[reader]
    for step in order.steps:
        things = Counter(
            (model.part_by_id[part].shape, model.part_by_id[part].colour) for part in step.adds
        ) + Counter(each.assembly for each in step.attaches)
        assert sum(things.values()) <= parts, step.number
        assert len(things) <= kinds, step.number


@cache
def given_tug() -> tuple[Model, Measures, Joints]:
    model = model_of(tug())
    measures = measure(model, Settings())
    return model, measures, find_joints(model, measures, Settings())


@pytest.mark.parametrize("reader", list(LIMITS))
def test_the_tug_keeps_the_limits(reader):
    model, measures, joints = given_tug()
    check_limits(model, plan_order(model, measures, joints, Settings(reader=reader)), reader)


@pytest.mark.parametrize("reader", list(LIMITS))
@pytest.mark.parametrize("demo", [beacon(), barge(3), castle(2)], ids=["beacon", "barge", "castle"])
def test_small_models_keep_the_limits(demo, reader):
    model, measures, joints = planner_input(demo)
    check_limits(model, plan_order(model, measures, joints, Settings(reader=reader)), reader)


@hypothesis_settings(max_examples=8, deadline=None, derandomize=True)
@given(st.integers(50, 400), st.sampled_from(list(LIMITS)))
def test_walls_of_any_size_keep_the_limits(parts, reader):
    model, measures, joints = planner_input(sea_wall(parts=parts))
    check_limits(model, plan_order(model, measures, joints, Settings(reader=reader)), reader)


@st.composite
def heaps(draw: st.DrawFn) -> DemoModel:
    """Blocks of a few sizes and colours dropped one after the other on a plate or on each other's studs."""
    module = Module()
    build = Builder("Heap", module)
    build.add("plate", block_piece(8, 8, module, slabs=1), "#34414d", 0, 0, 0)
    heights = np.ones((8, 8), dtype=int)
    for number in range(draw(st.integers(3, 16))):
        wide, deep = draw(st.sampled_from([(1, 1), (2, 1), (2, 2), (4, 1), (4, 2)]))
        x, y = draw(st.integers(0, 8 - wide)), draw(st.integers(0, 8 - deep))
        colour = draw(st.sampled_from(["#a63a2f", "#f1eee4"]))
        level = int(heights[x : x + wide, y : y + deep].max())
        build.add(f"block {number}", block_piece(wide, deep, module), colour, x, y, level)
        heights[x : x + wide, y : y + deep] = level + 2
    return build.model()


@hypothesis_settings(max_examples=25, deadline=None, derandomize=True)
@given(heaps(), st.sampled_from(list(LIMITS)))
def test_heaps_of_blocks_keep_the_limits_and_hang_together(demo, reader):
    """Any heap that hangs together: every part once, steps small, one body after every step."""
    model, measures, joints = planner_input(demo)
    ids = [part.id for part in model.parts]
    graph = nx.Graph([(each.a, each.b) for each in joints.joints])
    assume(len(graph) == len(ids) and nx.is_connected(graph))
    order = plan_order(model, measures, joints, Settings(reader=reader))
    check_limits(model, order, reader)
    built: dict[str, list[str]] = {}
    for step in order.steps:
        now = built.setdefault(step.assembly, [])
        now += brought(order, step)
        assert nx.is_connected(graph.subgraph(now)) or len(step.adds) > 1
    assert sorted(built[order.assemblies[-1].id]) == sorted(ids)


def brought(order: Order, step: Step) -> list[str]:
    """Parts that a step puts in, those of attached sub-assemblies too."""
    copies = {each.id: each.copies for each in order.assemblies}
    return [*step.adds, *(part for each in step.attaches for part in copies[each.assembly][each.copy])]


# ------------------------------------------------------------------------------ what goes together


def whole_site(demo: DemoModel) -> Site:
    model, measures, joints = planner_input(demo)
    motion = Motion(model, measures, joints)
    group = Group((tuple(range(len(model.parts))),), np.array([0.0, 0, 1]), why="whole")
    return make_site(model, measures, joints, motion, group)


def test_mates_face_each_other_across_the_middle():
    """By hand on the barge: feet and sides in pairs across its length; bottoms lie in the middle."""
    site = whole_site(barge(3))
    names = [part.source for part in site.model.parts]
    pairs = {names[unit]: names[mate] for unit, mate in enumerate(mates_of(site)) if mate >= 0}
    feet = {f"foot {k}.{a}": f"foot {k}.{b}" for k in (1, 2, 3) for a, b in ((1, 3), (3, 1), (2, 4), (4, 2))}
    sides = {f"side {a} {k}": f"side {b} {k}" for k in (1, 2) for a, b in ((0, 2), (2, 0))}
    assert pairs == {**feet, **sides}


def test_a_wall_has_no_mates():
    assert (mates_of(whole_site(sea_wall(parts=120))) < 0).all()


@pytest.mark.parametrize("reader", ["helper", "child"])
def test_symmetric_parts_go_together(reader):
    """Of the tug's pairs port and starboard that could share a step, nearly all do, or follow at once."""
    model, measures, joints = given_tug()
    order = plan_order(model, measures, joints, Settings(reader=reader))
    at = first_seen(model, order)
    pairs = [
        (name, name.replace("starboard", "port"))
        for name in at
        if "starboard" in name and not name.startswith(("funnel", "tyre"))
    ]
    apart = [at[two] - at[one] for one, two in pairs if two in at]
    assert len(apart) >= 14
    assert sum(abs(each) <= 1 for each in apart) >= NEARLY_ALL * len(apart)
    assert max(map(abs, apart)) <= 4


def first_seen(model: Model, order: Order) -> dict[str, int]:
    """Number of the first step that handles each part, by the part's name."""
    at: dict[str, int] = {}
    for step in order.steps:
        for part in brought(order, step):
            at.setdefault(model.part_by_id[part].source, step.number)
    return at


@pytest.mark.parametrize("parts", [84, 300])
def test_neighbours_follow_one_another(parts):
    """Most steps begin beside what the step before brought: at most two and a half pitches of air between."""
    model, measures, joints = planner_input(sea_wall(parts=parts))
    order = plan_order(model, measures, joints, Settings())
    before: dict[str, np.ndarray] = {}
    gaps = []
    for step in order.steps:
        boxes = model.part_bounds[[model.index_of[part] for part in brought(order, step)]]
        if step.assembly in before:
            gaps.append(air_between(before[step.assembly], boxes) / 10.0)
        before[step.assembly] = boxes
    assert np.mean(np.array(gaps) <= 2.5) >= NEARLY_ALL


def air_between(one: np.ndarray, two: np.ndarray) -> float:
    """Least distance between two sets of boxes (k, 2, 3), mm."""
    apart = np.maximum(one[:, None, 0] - two[None, :, 1], two[None, :, 0] - one[:, None, 1])
    return float(np.linalg.norm(np.maximum(apart, 0.0), axis=-1).min())


def test_what_stands_by_itself_is_finished_first():
    """The tug's arch, crane and deckhouse: once one is begun, its parts follow without parts of another."""
    model, measures, joints = given_tug()
    order = plan_order(model, measures, joints, Settings())
    modules = {
        "arch": ("pier port", "pier starboard", "arch", "gangway"),
        "house": ("wall port", "wall starboard", "windows aft", "roof", "wheelhouse", "lamp"),
    }
    at = first_seen(model, order)
    spans = {name: (min(at[n] for n in names), max(at[n] for n in names)) for name, names in modules.items()}
    one, two = sorted(spans.values())
    assert one[1] < two[0]
