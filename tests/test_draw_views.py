"""Views: what is seen is measured right, a view is kept while it serves, and hidden parts get another."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from demo_model.beacon import beacon
from demo_model.scene import DemoModel, Placed
from demo_model.seawall import sea_wall
from demo_model.solids import Bulk
from renderer.camera import ISOMETRIC_ELEVATION, axes_of, framed
from renderer.rays import RaySource
from steps.draw.lift import lifted_things
from steps.draw.scene import StepScene
from steps.draw.seeing import Crowd, Places, hidden, samples
from steps.draw.step import step_picture
from steps.draw.studio import Studio
from steps.draw.views import candidate_views, choose_views
from steps.model import Assembly, Attach, Move
from steps.settings import Settings
from tests.draw_scenes import plan_of
from tests.test_renderer_solid import cube
from tests.test_renderer_table import box

SETTINGS = Settings()
FRONT = axes_of(-np.pi / 2, 0.0)


def crowd_of(items, axes, groups=None) -> Crowd:
    seen = [item.outer @ axes.T for item in items]
    by_key = {item.key: item for item in items}
    return Crowd(
        np.array([item.key for item in items]),
        np.array([points.min(axis=0) for points in seen]),
        np.array([points.max(axis=0) for points in seen]),
        np.array(groups if groups is not None else [-1] * len(items)),
        by_key.__getitem__,
    )


@pytest.mark.parametrize("covered", [0.0, 0.25, 0.5, 0.75, 1.0])
def test_hidden_share_equals_the_area_covered(covered):
    wall = box(0, (0, 0, 0), (10, 1, 10))
    screen = (
        box(1, (-1, -3, -1), (10 * covered - 1e-3, -2, 11)) if covered else box(1, (20, -3, 0), (21, -2, 1))
    )
    (found,) = hidden([Places(samples(wall, FRONT), 7)], crowd_of([wall, screen], FRONT, [7, -1]), FRONT)
    assert found.mean() == pytest.approx(covered, abs=0.05)


def test_what_stands_behind_hides_nothing():
    wall, behind = box(0, (0, 0, 0), (10, 1, 10)), box(1, (-5, 1, -5), (15, 2, 15))
    (found,) = hidden([Places(samples(wall, FRONT), 7)], crowd_of([wall, behind], FRONT, [7, -1]), FRONT)
    assert not found.any()


def test_a_group_does_not_hide_itself_but_others_do():
    wall, mate = box(0, (0, 0, 0), (10, 1, 10)), box(1, (0, -2, 0), (10, -1, 10))
    points = samples(wall, FRONT)
    for group, share in ((7, 0.0), (8, 1.0)):
        (found,) = hidden([Places(points, 7)], crowd_of([wall, mate], FRONT, [7, group]), FRONT)
        assert found.mean() == share


@pytest.fixture(scope="module")
def planned():
    plan = plan_of(beacon(), per_step=3)
    return replace(plan, sights=choose_views(plan, SETTINGS))


def test_every_step_has_one_sight_with_a_share_for_each_new_part(planned):
    assert [sight.number for sight in planned.sights] == [step.number for step in planned.order.steps]
    for sight, step in zip(planned.sights, planned.order.steps, strict=True):
        assert set(sight.seen) == set(step.adds)
        assert all(0 <= share <= 1 for share in sight.seen.values())


def test_shares_agree_with_whole_pictures_counted_pixel_by_pixel(planned):
    # by other means: every part drawn at once at high resolution, pixels counted with and without the rest
    studio = Studio(planned, SETTINGS)
    for step, sight in zip(planned.order.steps, planned.sights, strict=True):
        axes = studio.axes(step)
        lifted = lifted_things(studio, step)
        new = [studio.item(part, "new", one.shift) for one in lifted for part in one.thing.parts]
        items = [*studio.items(studio.plan.sequence.ids(studio.moment(step).before), "earlier"), *new]
        camera = framed(axes, np.concatenate([item.outer for item in items]), 700, 700)
        together = RaySource().table(items, camera)
        for item in new:
            alone = RaySource().table([item], camera).area(item.key)
            part = planned.model.parts[item.key].id
            assert together.area(item.key) / alone == pytest.approx(sight.seen[part], abs=0.07)


def test_the_view_is_kept_while_it_serves():
    plan = plan_of(sea_wall(parts=120), per_step=4)
    sights = choose_views(plan, SETTINGS)
    changes = sum(one.view != two.view for one, two in pairwise(sights))
    assert changes <= 0.1 * len(sights)
    shares = [share for sight in sights for share in sight.seen.values()]
    assert np.median(shares) >= 0.7 and min(shares) >= 0.35


def slab(*size: float) -> Bulk:
    return Bulk("slab", cube().vertices * size, cube().faces)


def at(name: str, key: str, *place: float) -> Placed:
    pose = np.eye(4)
    pose[:3, 3] = place
    return Placed(name, key, "#808080", pose)


def test_a_joint_is_seen_from_the_side_on_which_it_closes():
    # plates that go onto opposite sides of a block: lifted off, both show from anywhere above, but where
    # they go shows from their own side alone
    solids = {"core": slab(40, 40, 40), "plate": slab(20, 4, 20)}
    placed = (at("core", "core", 0, 0, 0), at("near", "plate", 10, -4, 10), at("far", "plate", 10, 40, 10.01))
    joints = (("core", "near", "stud", 2), ("core", "far", "stud", 2))
    plan = plan_of(DemoModel("core", solids, placed, joints), per_step=1)
    steps = list(plan.order.steps)
    steps[1] = replace(steps[1], moves={"P2": Move([[0, 1, 0]])})
    steps[2] = replace(steps[2], moves={"P3": Move([[0, -1, 0]])})
    near, far = choose_views(replace(plan, order=replace(plan.order, steps=tuple(steps))), SETTINGS)[1:]
    assert np.sin(near.view.azimuth) < 0 < np.sin(far.view.azimuth)


def test_parts_on_both_sides_of_a_wall_are_seen_from_both_sides():
    solids = {"floor": slab(80, 80, 4), "wall": slab(80, 4, 80), "small": slab(8, 8, 8)}
    placed = (
        at("floor", "floor", 0, 0, 0),
        at("wall", "wall", 0, 38, 4),
        at("before", "small", 36, 24, 4.01),
        at("behind", "small", 36, 50, 4.02),
    )
    plan = plan_of(DemoModel("wall", solids, placed), per_step=1)
    before, behind = choose_views(plan, SETTINGS)[2:]
    assert before.seen["P3"] > 0.9 and behind.seen["P4"] > 0.9
    assert np.sin(before.view.azimuth) < 0 < np.sin(behind.view.azimuth)


def test_views_are_the_published_ones():
    isometric, below = candidate_views()
    assert {round(np.degrees(view.elevation), 3) for view in isometric} == {35.264}
    assert sorted(round(np.degrees(view.azimuth)) % 360 for view in isometric) == [45, 135, 225, 315]
    for view in (*isometric, *below):  # ISO 5456-3: all three scales equal
        scales = np.linalg.norm(axes_of(view.azimuth, view.elevation)[:2], axis=0)
        assert scales == pytest.approx(np.sqrt(2 / 3))
    assert {view.elevation for view in below} == {-ISOMETRIC_ELEVATION}


def test_the_same_plan_is_seen_the_same_way_twice(planned):
    again = choose_views(replace(planned, sights=()), SETTINGS)
    assert again == planned.sights


def test_a_plan_without_steps_has_no_sights(planned):
    assert choose_views(replace(planned, order=replace(planned.order, steps=())), SETTINGS) == ()


def boxed() -> DemoModel:
    """A core within four walls and a lid, on a floor: no pixel of the core shows."""
    solids = {"floor": slab(90, 90, 5), "core": slab(10, 10, 20), "lid": slab(40, 40, 5)}
    solids |= {"long": slab(40, 10, 25), "short": slab(10, 20, 25)}
    placed = (
        at("floor", "floor", -25, -25, -5),
        at("core", "core", 15, 15, 0),
        at("front", "long", 0, 0, 0),
        at("back", "long", 0, 30, 0),
        at("left", "short", 0, 10, 0),
        at("right", "short", 30, 10, 0),
        at("lid", "lid", 0, 0, 25),
    )
    return DemoModel("boxed", solids, placed, (("floor", "front", "stud", 2),))


def test_a_part_without_a_visible_pixel_counts_as_unseen_also_within_its_own_assembly():
    # by other means: the parts of the whole box, lifted off the floor, drawn at once and their pixels counted
    plan = plan_of(boxed(), per_step=7)
    last = plan.order.steps[-1]
    inner = tuple(part.id for part in plan.model.parts[1:])
    attach = Attach("A2", 0, Move([[0, 0, -1]]))
    floor = replace(last, number=1, adds=("P1",), moves={"P1": last.moves["P1"]})
    whole = replace(last, number=2, adds=(), moves={}, attaches=(attach,))
    assemblies = (*plan.order.assemblies, Assembly("A2", "box", (inner,)))
    plan = replace(plan, order=replace(plan.order, assemblies=assemblies, steps=(floor, whole)))
    sight = choose_views(plan, SETTINGS)[1]
    studio = Studio(replace(plan, sights=choose_views(plan, SETTINGS)), SETTINGS)
    (one,) = lifted_things(studio, whole)
    items = [studio.item("P1", "earlier"), *(studio.item(part, "new", one.shift) for part in inner)]
    camera = framed(studio.axes(whole), np.concatenate([item.outer for item in items]), 600, 600)
    counted = RaySource().table(items, camera)
    assert counted.area(1) == 0 and sight.seen["P2"] == 0.0
    for item, part in zip(items[1:], inner, strict=True):
        alone = RaySource().table([item], camera).area(item.key)
        assert sight.seen[part] == pytest.approx(counted.area(item.key) / alone, abs=0.05)
    # the box as a whole is in full view: it needs no other view and no inset
    assert StepScene(studio, whole, studio.lift(whole)).shares(sight.view)[1] == (1.0,)
    assert step_picture(studio, 2, 120, 100).insets == ()
