"""A model is computed with in rows and about a middle that do not hang on how it stands in its file."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from renderer.camera import axes_of
from steps.canonical import Canonical
from steps.model import Array, GlueFace, Model, Move, Part, Rotation, Sight, Step, quarter_turn
from steps.order import plan_order
from steps.pipeline import make_plan, order_survey, survey
from steps.settings import Settings
from tests.models.families import family
from tests.models.files import model_of
from tests.models.structures import STRUCTURES, structure
from tests.models.value import Made, moved, shuffled

QUARTER = np.array([[0.0, -1, 0, 0], [1, 0, 0, 0], [0, 0, 1, 0], [0, 0, 0, 1]])
AWAY = np.eye(4)
AWAY[:3, 3] = (123.4, -77.7, 31.1)


def twin(made: Made, quarters: int) -> Model:
    """The same model with its parts in another order, turned and moved."""
    pose = AWAY @ np.linalg.matrix_power(QUARTER, quarters)
    return model_of(shuffled(moved(made, pose), np.random.default_rng(quarters)))


@pytest.mark.parametrize("quarters", range(4))
def test_rows_and_lengths_are_those_of_the_twin(quarters: int) -> None:
    made = structure("arcade", 40)
    one, two = (Canonical.of(model) for model in (model_of(made), twin(made, quarters)))
    assert [part.source for part in one.model.parts] == [part.source for part in two.model.parts]
    assert [shape.source for shape in one.model.shapes] == [shape.source for shape in two.model.shapes]
    assert np.array_equal(one.model.poses, two.model.poses)
    assert (two.quarters + quarters - one.quarters) % 4 == 0
    assert {part.id: part.source for part in two.given.parts} == {
        part.id: part.source for part in two.model.parts
    }


#: Parts that rest on arches, and such as hang; see tests/benchmarks/sameness.py.
@pytest.mark.parametrize(("name", "parts"), [("arcade", 24), ("hung courses", 14)])
def test_twins_are_built_by_the_same_steps_and_seen_from_the_same_side(name: str, parts: int) -> None:
    made = structure(name, parts) if name == "arcade" else family(name, 0, parts)
    settings, told = Settings(anyway=True), []
    for model, quarters in ((model_of(made), 0), (twin(made, 1), 1)):
        plan = make_plan(model, settings)
        names = {part.id: part.source for part in plan.model.parts}
        told.append([([names[part] for part in step.adds], len(step.closes)) for step in plan.order.steps])
        back = QUARTER[:3, :3].T if quarters else np.eye(3)
        told.append(
            [back @ towards(sight, step) for sight, step in zip(plan.sights, plan.order.steps, strict=True)]
        )
        told.append([back @ step.up for step in plan.order.steps])
    assert told[0] == told[3]
    turn = next(turn for turn in QUARTERS if np.allclose(told[1] @ turn.T, told[4], atol=1e-6))
    assert np.allclose(told[2] @ turn.T, told[5])
    assert np.allclose(turn, np.eye(3)) or falls_on_itself(model_of(made), turn)


QUARTERS = [np.linalg.matrix_power(QUARTER[:3, :3], quarters) for quarters in range(4)]


def towards(sight: Sight, step: Step) -> Array:
    """(3,) where the viewer of a step is, along the axes of the file."""
    return axes_of(sight.view.azimuth, sight.view.elevation, step.up)[2]


def falls_on_itself(model: Model, turn: Array) -> bool:
    """Whether equal shapes stand where they stood when the model is turned about its middle, seen from above:
    then nobody could tell one side of it from the other."""
    middles = model.part_bounds.mean(axis=1)
    off = middles - model.part_bounds.mean(axis=(0, 1))
    shapes = np.array([int(part.shape[1:]) for part in model.parts])
    apart = np.linalg.norm((off @ turn.T)[:, None] - off[None], axis=2)
    return bool(np.all(((apart < 1e-6) & (shapes[:, None] == shapes)).any(axis=1)))


def test_what_falls_on_itself_is_told_from_what_does_not() -> None:
    assert not falls_on_itself(model_of(family("stacks", 1, 14)), QUARTERS[1])


@pytest.mark.parametrize(
    ("name", "seed", "parts"),
    [("cages", 3, 18), ("published", 3, 8), ("tower", 3, 24), ("interlocked", 3, 20), ("rings", 3, 12)],
)
def test_what_a_file_rounds_away_changes_no_step(name: str, seed: int, parts: int) -> None:
    """Six digits of a place between 100 and 1,000 mm: half a thousandth either way."""
    made = structure(name, parts, seed) if name in STRUCTURES else family(name, seed, parts)
    settings, random = Settings(anyway=True), np.random.default_rng(0)
    found = survey(model_of(made), settings)
    assert found.joints is not None
    here = Canonical.of(found.model)
    measures, joints = here.measures_here(found.measures), here.here(found.joints)

    def steps(model: Model) -> list[object]:
        order = plan_order(model, measures, joints, settings)
        return [(step.adds, [each.assembly for each in step.attaches]) for step in order.steps]

    plain = steps(here.model)
    for _ in range(3):
        assert steps(shaken(here.model, random)) == plain


def shaken(model: Model, random: np.random.Generator) -> Model:
    """The model with each part half a thousandth of a millimetre away at most, along each axis."""

    def pose(part: Part) -> Array:
        off = np.eye(4)
        off[:3, 3] = random.uniform(-5e-4, 5e-4, 3)
        return off @ part.pose

    return replace(model, parts=tuple(replace(part, pose=pose(part)) for part in model.parts))


def test_what_was_computed_lies_where_the_file_has_it() -> None:
    made = family("axles", 0, 8)
    near, far = model_of(made), model_of(moved(made, AWAY))
    settings = Settings(anyway=True)
    plans = [make_plan(model, settings) for model in (near, far)]
    for model, plan in zip((near, far), plans, strict=True):
        assert plan.model is model
        touches = [touch.point for joint in plan.joints.joints for touch in joint.touches]
        assert np.all(touches >= model.bounds[0] - 1e-3) and np.all(touches <= model.bounds[1] + 1e-3)
    one, two = (found.joints.joints for found in plans)
    for a, b in zip(one, two, strict=True):
        for s, t in zip(a.touches, b.touches, strict=True):
            assert np.allclose(s.point + AWAY[:3, 3], t.point, atol=1e-5)
            assert np.allclose(s.points + AWAY[:3, 3], t.points, atol=1e-5)


def test_turns_and_glued_faces_are_carried_back() -> None:
    made = structure("wall", 24)
    here = Canonical.of(model_of(moved(made, AWAY)))
    found = survey(here.given, Settings())
    assert found.joints is not None
    order = order_survey(found.model, found.measures, found.joints, Settings())
    step = order.steps[-1]
    turn = Rotation([0, 0, 1], [1, 2, 3], 90)
    turned = replace(step, moves={part: replace(move, turn=turn) for part, move in step.moves.items()})
    carried = here.order_back(replace(order, steps=(turned,))).steps[0].moves.values()
    turned_back = [quarter_turn(here.quarters) @ (move.turn.point - here.middle) for move in carried]
    assert carried and all(np.allclose(point, [1, 2, 3]) for point in turned_back)
    assert isinstance(next(iter(carried)), Move)
    face = GlueFace("rest", "P1", 1.0, 0.0, np.eye(3))
    plan = make_plan(here.given, Settings(anyway=True))
    back = here.gluing_back(replace(plan.gluing, faces={"J1": (face,)}))
    assert np.allclose(back.faces["J1"][0].outline, quarter_turn(here.quarters) + here.middle)


def test_a_plan_made_twice_and_of_loose_parts_is_the_same() -> None:
    model = replace(model_of(structure("tower", 24)), placed=False)
    here = Canonical.of(model)
    assert here.model is model and not here.middle.any()
