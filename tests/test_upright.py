"""Which way is up: studs up where a model lies on its side or would fall, else as the file has it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import numpy as np
import pytest

from demo_model.beacon import beacon
from demo_model.scene import DemoModel
from demo_model.solids import Module, block, slab
from demo_model.tug import tug
from steps.features import measure
from steps.model import Measures, Model
from steps.pipeline import make_plan
from steps.settings import Settings
from tests.joint_cases import Manifold, box, from_demo, placed, shift, turn
from tests.models import family
from tests.models.value import moved
from tests.order_models import model_of

Z = np.array([0.0, 0.0, 1.0])
X, Y = np.eye(3)[:2]


def tower(pose: np.ndarray, sideways: int = 0, foot: bool = True) -> Model:
    """Four blocks, on a slab unless without a ``foot``; beside them ``sideways`` ones with studs along x."""
    m = Module()
    items = [(block(2, 2, m), shift(10, 10, 5 + 10 * k)) for k in range(4)]
    items += [(slab(6, 4, m), np.eye(4))] if foot else []
    items += [(block(2, 2, m), shift(60 + 20 * k, 10, 20) @ turn(Y, 90)) for k in range(sideways)]
    return placed([(solid, pose @ at) for solid, at in items])


def measured(model: Model, **order: object) -> Measures:
    return measure(model, Settings.model_validate({"order": order}))


def told(measures: Measures) -> list[str]:
    return [problem.text for problem in measures.problems if problem.code == "turned-up"]


@pytest.mark.parametrize("make", [beacon, tug])
def test_what_stands_is_left_alone_on_a_tilted_stand_too(make) -> None:
    measures = measured(from_demo(make()))
    assert np.array_equal(measures.up, Z) and not told(measures)


@pytest.mark.parametrize(
    ("axis", "degrees", "way"),
    [(X, 90, "-y"), (X, -90, "+y"), (Y, 90, "+x"), (Y, -90, "-x")],
    ids=["front", "back", "right", "left"],
)
def test_a_model_on_its_side_is_turned_studs_up(axis: np.ndarray, degrees: float, way: str) -> None:
    pose = turn(axis, degrees)
    measures = measured(tower(pose, foot=False))
    assert measures.up == pytest.approx(pose[:3, 2], abs=1e-9)
    assert f"lies on its side: 16 of its 16 studs point along {way} in the file" in told(measures)[0]
    assert np.array_equal(measured(tower(pose, foot=False), down="-z").up, Z)  # the builder knows better


@pytest.mark.parametrize("axis", [X, Y, (1, 2, -1), (-3, 1, 1)], ids=str)
def test_a_model_askew_in_its_file_stands_up(axis: Sequence[float]) -> None:
    pose = turn(axis, 37)
    measures = measured(tower(pose))
    assert measures.up == pytest.approx(pose[:3, 2], abs=1e-9)
    assert "would fall over as it lies" in told(measures)[0]


def test_a_model_on_its_head_stands_as_its_maker_put_it() -> None:
    assert np.array_equal(measured(tower(turn(X, 180))).up, Z)


def test_studs_that_point_two_ways_turn_nothing_that_stands() -> None:
    """16 of 24 are less than four fifths; out of its pose the model stands up by most of its studs."""
    lying, askew = turn(X, 90), turn(X, 37)
    assert np.array_equal(measured(tower(lying, sideways=2, foot=False)).up, Z)
    assert measured(tower(askew, sideways=3)).up == pytest.approx(askew[:3, 2], abs=1e-9)


@pytest.mark.parametrize("degrees", [37.0, 45.0])
def test_without_studs_the_largest_face_that_carries_it_lies_down(degrees: float) -> None:
    """A plate with a post: on an edge, exactly balanced at 45 degrees of its own middle, nothing stands."""
    body: Manifold = box((-20, -20, -2), (20, 20, 2))
    pose = turn(Y, degrees)
    up = measured(placed([(body, pose), (box((-2, -2, 2), (2, 2, 30)), pose)])).up
    assert up == pytest.approx(pose[:3, 2], abs=1e-6)


def test_without_studs_what_lies_down_is_a_face_and_no_slant_over_edges() -> None:
    """A beam on six legs: the largest face of its outline is the slant from its edge to the feet."""
    beam, leg = box((0, 0, 30), (120, 20, 40)), box((-5, 5, 0), (5, 15, 30))
    pose = turn((1, 2, -1), 37)
    legs = [(leg, pose @ shift(10 + 20 * k, 0, 0)) for k in range(6)]
    up = measured(placed([(beam, pose), *legs])).up
    assert np.abs(pose[:3, :3].T @ up) == pytest.approx([0, 0, 1], abs=1e-6)


def steps_of(plan, up: np.ndarray) -> list[tuple[object, ...]]:
    """What each step brings, by size and colour, and how the build lies: alike for twins."""
    size = {shape.id: tuple(np.sort(shape.size_mm).round(2)) for shape in plan.model.shapes}
    part = plan.model.part_by_id
    return [
        (
            sorted(Counter((size[part[p].shape], part[p].colour) for p in step.adds).items()),
            len(step.attaches),
            round(float(step.up @ up), 6),
        )
        for step in plan.order.steps
    ]


@pytest.mark.parametrize(
    ("name", "seed", "most", "axis"),
    [("hung", 0, 8, (1, 2, -1)), ("published", 3, 14, Z)],
    ids=["hung", "posts"],
)
def test_a_model_askew_is_planned_as_its_upright_twin(
    name: str, seed: int, most: int, axis: Sequence[float]
) -> None:
    """Where ways and places tie, as among the posts between two beams, rounding decides nothing."""
    made = family(name, seed, most=most)
    pose = turn(axis, 37)
    twin, askew = (make_plan(model_of(each.demo), Settings()) for each in (made, moved(made, pose)))
    assert steps_of(askew, pose[:3, 2]) == steps_of(twin, Z)


def test_what_has_no_places_has_no_side() -> None:
    """Loose parts lie any way."""
    model = from_demo(DemoModel("none", {}, ()))
    assert np.array_equal(measured(model).up, Z)
