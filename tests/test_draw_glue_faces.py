"""Where the glue goes on a step's own drawing, held against the pixels' places in the model."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest

from demo_model.beacon import beacon
from steps.draw import Studio, glue_faces, step_picture
from steps.draw.glue_faces import DROP_MM, GLUE_TINT, TINT_SHARE, _spread, glue_strokes, tinted
from steps.draw.lift import lifted_things
from steps.draw.sheet import Field
from steps.draw.step import _step_camera, new_items
from steps.model import Adhesive, GlueFace, StepWork, Work
from steps.settings import Settings
from tests.draw_scenes import plan_of

WIDTH, HEIGHT = 120.0, 90.0
#: What a pixel's own place may be off a face, mm: a pixel on a slanted face.
OFF_MM = 1.0
#: So near to a seat's plane is no stud's wall but the seat, mm.
LEVEL_MM = 0.02


def seat_of(plan, joint) -> tuple[str, np.ndarray]:
    """The lower part of a joint and the rectangle (4, 3) in which the upper one stands on it."""
    rows = sorted((plan.model.index_of[part] for part in (joint.a, joint.b)), key=height_of(plan))
    low, high = plan.model.part_bounds[rows]
    (x0, y0), (x1, y1) = np.maximum(low[0], high[0])[:2], np.minimum(low[1], high[1])[:2]
    z = high[0, 2]
    return plan.model.parts[rows[0]].id, np.array([[x0, y0, z], [x1, y0, z], [x1, y1, z], [x0, y1, z]])


def height_of(plan):
    return lambda row: plan.model.part_bounds[row, 0, 2]


@pytest.fixture(scope="module", params=["cyanoacrylate", "epoxy"])
def studio(request) -> Studio:
    """The beacon, every joint of a step glued all over, four drops each; epoxy is laid in beads."""
    plan = plan_of(beacon(), per_step=3)
    seats = {joint.id: seat_of(plan, joint) for joint in plan.joints.joints}
    faces = {name: (GlueFace("rest", part, 100.0, 0.0, outline),) for name, (part, outline) in seats.items()}
    adhesive = Adhesive(request.param, drop_ml=0.0057)
    gluing = replace(plan.gluing, faces=faces, drops=dict.fromkeys(faces, 4), adhesive=adhesive)
    plan = replace(plan, gluing=replace(gluing, marks=dict.fromkeys(faces, "glue")))
    bare = Studio(plan, Settings())
    work = [
        StepWork(step.number, tuple(j.id for one in lifted_things(bare, step) for j in one.joints), 1)
        for step in plan.order.steps
    ]
    return Studio(replace(plan, work=Work(tuple(work))), Settings())


def drawn(studio: Studio, step):
    """The table of a step's drawing and the faces found in it."""
    field, lifted = Field(WIDTH, HEIGHT), lifted_things(studio, step)
    table = studio.table(
        studio.moment(step).before, new_items(studio, lifted), _step_camera(studio, step, field)
    )
    return field, table, glue_faces.glue_faces(studio, field, table, step, lifted), lifted


def test_the_faces_are_those_pixels_that_lie_on_a_seat(studio):
    """Every marked pixel lies in the plane and outline of a seat, and every such pixel is marked."""
    marked = 0
    for step in studio.plan.order.steps:
        _, table, found, lifted = drawn(studio, step)
        row, column = np.nonzero(table.key >= 0)
        depth = table.depth[row, column]
        places = table.camera.unproject(column + 0.5, row + 0.5, depth)
        on = np.zeros(len(row), dtype=bool)
        surely = np.zeros(len(row), dtype=bool)
        for one in lifted:
            for joint, seat in zip(one.joints, one.seats, strict=True):
                part, outline = seat_of(studio.plan, joint)
                if part in one.thing.parts:
                    continue
                own = table.key[row, column] == studio.plan.model.index_of[part]
                low, high = (outline + seat).min(axis=0), (outline + seat).max(axis=0)
                roomy = ((places >= low - OFF_MM) & (places <= high + OFF_MM)).all(axis=1)
                flat = places[:, :2]
                tight = ((flat >= low[:2] + OFF_MM) & (flat <= high[:2] - OFF_MM)).all(axis=1)
                on |= own & roomy
                surely |= own & tight & (np.abs(places[:, 2] - low[2]) < LEVEL_MM)
        chosen = found.mask[row, column]
        assert on[chosen].all()
        assert chosen[surely].all()
        marked += int(chosen.sum())
    assert marked > 2000


def test_drops_lie_on_their_face_as_many_as_the_plan_says_where_there_is_room(studio):
    counts = []
    for step in studio.plan.order.steps:
        field, _, found, _ = drawn(studio, step)
        for points in found.drops.values():
            row, column = field.pixel(points)
            assert found.mask[row, column].all()
            assert len(points) <= 4
            counts.append(len(points))
            for one, two in combinations(points, 2):
                assert np.hypot(*(one - two)) > DROP_MM
    assert counts.count(4) > 5


def test_drops_are_spread(studio):
    points = np.stack(np.meshgrid(np.linspace(0, 20, 30), np.linspace(0, 10, 15)), axis=-1).reshape(-1, 2)
    for count in (0, 1, 4, 9):
        assert len(_spread(points, count)) == count
    assert len(_spread(points[:1], 4)) == 1
    apart = [np.hypot(*(one - two)) for one, two in combinations(_spread(points, 4), 2)]
    assert min(apart) > 8.0


def test_hatching_and_glue_stay_on_the_faces_and_nothing_else_is_tinted(studio):
    step = studio.plan.order.steps[2]
    field, _, found, _ = drawn(studio, step)
    assert found.mask.any()
    for stroke in glue_strokes(studio, field, replace(found, drops={})):
        share = np.linspace(0.02, 0.98, 9)[:, None]
        row, column = field.pixel(stroke.points[0] + share * (stroke.points[1] - stroke.points[0]))
        assert found.mask[row, column].mean() > 0.8
    grey = np.full((*found.mask.shape, 3), 200, np.uint8)
    painted = tinted(grey, found)
    assert (painted[~found.mask] == 200).all()
    wanted = (1 - TINT_SHARE) * 200 + TINT_SHARE * np.array(GLUE_TINT)
    assert np.abs(painted[found.mask] - wanted).max() <= 0.5


def test_a_step_that_glues_nothing_is_drawn_as_ever(studio):
    """The same drawing but for the faces."""
    number = studio.plan.order.steps[2].number
    dry = Studio(replace(studio.plan, work=Work(())), Settings())
    one, two = (step_picture(each, number, WIDTH, HEIGHT) for each in (dry, studio))
    assert one.balloons == two.balloons and one.signs == two.signs
    assert len(two.strokes) > len(one.strokes)
    assert (one.pixels != two.pixels).any()
