"""Plans made without the planner, for tests and benchmarks of pictures: parts from the table up, a few a
step, each coming straight down, joints as the demo model knows them."""

from __future__ import annotations

import numpy as np

from demo_model.scene import DemoModel
from steps.draw.scene import StepScene
from steps.draw.step import kind_of
from steps.draw.studio import Studio
from steps.model import (
    Adhesive,
    Assembly,
    Gluing,
    Joint,
    Joints,
    Mark,
    Measure,
    Measures,
    Model,
    Move,
    Order,
    Plan,
    Shape,
    Step,
    Touch,
    Work,
)
from tests.models.files import model_of


def plan_of(demo: DemoModel, per_step: int = 3, pitch_mm: float = 10.0) -> Plan:
    """A plan that draws; nobody checked that it can be built."""
    model = model_of(demo)
    parts = model.parts
    measures = Measures({shape.id: _measure(shape) for shape in model.shapes}, pitch_mm)
    joints = _joints(demo, model, pitch_mm)
    by_height = np.lexsort([np.arange(len(parts)), model.part_bounds[:, 0, 2].round(3)])
    ids_up = [parts[row].id for row in by_height]
    steps = _steps(ids_up, per_step)
    order = Order((Assembly("A1", demo.name, (tuple(ids_up),)),), steps)
    marks: dict[str, Mark] = {joint.id: "press" for joint in joints.joints}
    return Plan(model, measures, joints, order, Gluing(marks, {}, {}, Adhesive()), Work(()))


def _measure(shape: Shape) -> Measure:
    return Measure(shape.id, shape.source, np.array([0, 0, 1]), shape.size_mm, 1.0, 1.0, np.zeros(3), 1.0)


def _steps(ids: list[str], per_step: int) -> tuple[Step, ...]:
    down = Move(np.array([[0.0, 0.0, -1.0]]))
    return tuple(
        Step(number, "A1", tuple(adds), dict.fromkeys(adds, down), (), (), np.array([0.0, 0.0, 1.0]))
        for number, adds in enumerate(
            (ids[at : at + per_step] for at in range(0, len(ids), per_step)), start=1
        )
    )


def _joints(demo: DemoModel, model: Model, pitch_mm: float) -> Joints:
    """One touch per contact, on a grid over the area that both parts' boxes share."""
    by_source = {part.source: part for part in model.parts}
    found = []
    for number, (one, two, kind, contacts) in enumerate(demo.known_joints, start=1):
        a, b = by_source[one], by_source[two]
        boxes = model.part_bounds[[model.index_of[a.id], model.index_of[b.id]]]
        low, high = boxes[:, 0].max(axis=0), boxes[:, 1].min(axis=0)
        points = _grid(low, high, max(1, contacts), pitch_mm)
        touches = tuple(
            Touch(kind, a.id, point, [0, 0, 1], 0.085, 0.085, 2.6, 1.0, np.zeros((0, 3)), np.zeros((0, 3)))
            for point in points
        )
        found.append(_joint(f"J{number}", kind, a.id, b.id, contacts, touches))
    return Joints(tuple(found))


def _joint(name: str, kind: str, a: str, b: str, contacts: int, touches: tuple[Touch, ...]) -> Joint:
    axis = np.array([0.0, 0.0, 1.0])
    return Joint(
        name,
        kind,
        a,
        b,
        axis,
        contacts,
        0.085,
        2.6,
        0.0,
        "press",
        False,
        1.0,
        (0.5, 2.0),
        5.0,
        0.0,
        "",
        touches,
    )


def _grid(low: np.ndarray, high: np.ndarray, count: int, pitch: float) -> np.ndarray:
    across = max(1, round((high[0] - low[0]) / pitch))
    rows = max(1, -(-count // across))
    x = low[0] + (np.arange(across) + 0.5) * (high[0] - low[0]) / across
    y = low[1] + (np.arange(rows) + 0.5) * (high[1] - low[1]) / rows
    points = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)[:count]
    return np.column_stack([points, np.full(len(points), (low[2] + high[2]) / 2)])


def shares_told(studio: Studio, step: Step) -> dict[str, float]:
    """Visible share of each new part in the step's drawing, or where that is too small, in the inset that
    shows it or one of its kind."""
    by_inset = {kind_of(studio, look.parts): look.seen for look in studio.closer(step)}
    scene = StepScene(studio, step, studio.lift(step))
    _, shares = scene.shares(studio.view(step.number))
    return {
        part: max(share, by_inset.get(kind_of(studio, one.thing.parts), 0.0))
        for one, share in zip(scene.lifted, shares, strict=True)
        for part in one.thing.parts
    }
