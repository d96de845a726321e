"""Closer looks: what a drawing hides of where a part goes is shown in one."""

from dataclasses import replace

import numpy as np
import pytest

from demo_model.scene import DemoModel
from renderer.picture import Picture
from steps.draw.closer import HIDDEN_SITES, closer_looks
from steps.draw.guides import HEAD_LINE_MM
from steps.draw.scene import StepScene
from steps.draw.step import INSET_SHARE, step_picture
from steps.draw.studio import Studio
from steps.draw.views import candidate_views, choose_views
from steps.model import Closer
from steps.settings import Settings
from tests.draw_scenes import plan_of
from tests.test_draw_views import at, slab


def pit(high: float = 60.0):
    """The plan of a floor, walls round a pit, and a block that is pressed on the floor in there."""
    solids = {"floor": slab(60, 60, 4), "long": slab(60, 20, high), "short": slab(20, 20, high)}
    solids["block"] = slab(19, 19, high + 1)
    placed = (
        at("floor", "floor", 0, 0, 0),
        at("front", "long", 0, 0, 4),
        at("back", "long", 0, 40, 4.01),
        at("left", "short", 0, 20, 4.02),
        at("right", "short", 40, 20, 4.03),
        at("in", "block", 20.5, 20.5, 4.04),
    )
    return plan_of(DemoModel("pit", solids, placed, (("floor", "in", "stud", 4),)), per_step=1)


def test_what_no_view_shows_is_shown_once_more_without_what_hides_it():
    plan = pit()
    sight = choose_views(plan, Settings())[-1]
    assert sight.sites["P6"] < HIDDEN_SITES
    (look,) = sight.closer
    assert look.parts == ("P6",) and look.view == sight.view and look.sites >= 0.7
    assert len(look.away) == 2 and "P1" not in look.away  # the two walls that stand before it


def test_the_lesser_the_walls_the_more_is_seen_and_nothing_is_shown_twice():
    shown = [choose_views(pit(high), Settings())[-1] for high in (60.0, 12.0, 3.0)]
    shares = [sight.sites["P6"] for sight in shown]
    assert shares == sorted(shares) and shares[-1] >= 0.7
    assert shown[-1].closer == ()


def test_a_thing_too_small_for_any_ray_shows_nothing_and_is_no_fault(monkeypatch):
    plan = pit()
    scene = StepScene(Studio(plan, Settings()), plan.order.steps[-1], 1.0)
    monkeypatch.setattr(StepScene, "samples", lambda *_asked: np.zeros((0, 3)))
    (look,) = closer_looks(scene, candidate_views()[0][0], [0.0], {"P6": 0.1}, candidate_views())
    assert look.seen == 0.0 and look.sites >= 0.7


def test_of_alike_things_one_is_shown():
    plan = pit()
    scene = StepScene(Studio(plan, Settings()), plan.order.steps[-1], 1.0)
    isometric, below = candidate_views()
    once = closer_looks(scene, isometric[0], [0.1], {"P6": 0.1}, (isometric, below))
    assert len(once) == 1
    assert closer_looks(scene, isometric[0], [0.9], {"P6": 0.9}, (isometric, below)) == ()


def test_every_lifted_thing_has_a_head_along_its_move():
    plan = pit()
    studio = Studio(replace(plan, sights=choose_views(plan, Settings())), Settings())
    step = plan.order.steps[-1]
    heads = [
        stroke.points
        for stroke in step_picture(studio, step.number, 120, 100).strokes
        if stroke.width_mm == HEAD_LINE_MM and len(stroke.points) == 3
    ]
    assert heads
    down = studio.axes(step)[:2] @ [0, 0, -1]
    for head in heads:
        along = head[1] - (head[0] + head[2]) / 2
        assert along @ down > 0.99 * np.linalg.norm(along) * np.linalg.norm(down)


def looked_into(field_mm: tuple[float, float]) -> tuple[Picture, Picture, np.ndarray]:
    """The last step of a shallow pit in a field, with a closer look; the look, and what it covers of the
    drawing without it, in pixels."""
    plan = pit(12.0)
    studio = Studio(replace(plan, sights=choose_views(plan, Settings())), Settings())
    step = plan.order.steps[-1]
    look = Closer(step.adds, studio.view(step.number), (), 1.0)
    sights = (*studio.plan.sights[:-1], replace(studio.plan.sights[-1], closer=(look,)))
    bare = step_picture(studio, step.number, *field_mm)
    picture = step_picture(Studio(replace(studio.plan, sights=sights), Settings()), step.number, *field_mm)
    ((x, y, inset),) = picture.insets
    rows, columns = bare.pixels.shape[:2]
    top, low = (rows - round(at * rows / field_mm[1]) for at in (y + inset.height_mm, y))
    left, right = (round(at * columns / field_mm[0]) for at in (x, x + inset.width_mm))
    return picture, inset, bare.pixels[max(top, 0) + 2 : low - 2, left + 2 : right - 2]


@pytest.mark.parametrize("field_mm", [(80.0, 240.0), (90.0, 260.0), (200.0, 60.0)])
def test_where_paper_is_free_a_closer_look_is_as_large_as_the_drawing(field_mm):
    """Beside a pit in a narrow or a low field there is room; it covers neither what is built nor the
    pointer."""
    picture, inset, covered = looked_into(field_mm)
    assert inset.mm_per_model_mm >= 0.99 * picture.mm_per_model_mm
    assert covered.size and (covered > 200).all()  # paper, or the shadow on it


@pytest.mark.parametrize("field_mm", [(40.0, 34.0), (50.0, 40.0), (70.0, 50.0), (110.0, 70.0)])
def test_a_closer_look_that_covers_something_is_no_larger_than_it_must_be(field_mm):
    _, inset, covered = looked_into(field_mm)
    within = (
        inset.width_mm <= INSET_SHARE * field_mm[0] + 1e-9,
        inset.height_mm <= INSET_SHARE * field_mm[1] + 1e-9,
    )
    assert all(within) or (covered > 200).all()
