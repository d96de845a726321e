"""Frames: full pictures that stay where they are from page to page."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from demo_model.seawall import sea_wall
from steps.draw.frames import (
    GREATEST_PITCH_MM,
    LEAST_PART_MM,
    LEAST_PITCH_MM,
    SERVES_SHARE,
    STEP_MARGIN_MM,
    _widest,
    frame_of,
    shared_frames,
)
from steps.draw.lift import lifted_things
from steps.draw.studio import Studio
from steps.pipeline import make_plan
from steps.settings import Settings
from tests.draw_scenes import plan_of
from tests.models.files import write
from tests.models.structures import structure

NUMBERS = st.floats(-100, 100)
BOXES = st.lists(st.tuples(NUMBERS, NUMBERS, st.floats(1, 80), st.floats(1, 80)), min_size=1, max_size=12)


def need(box, ratio):
    return max(box[1][0] - box[0][0], (box[1][1] - box[0][1]) * ratio)


@given(BOXES, st.floats(0.5, 2))
def test_every_frame_holds_its_box_and_hardly_more(boxes, ratio):
    boxes = [np.array([[x, y], [x + width, y + height]]) for x, y, width, height in boxes]
    frames = shared_frames(boxes, ratio)
    assert len(frames) == len(boxes)
    for box, frame in zip(boxes, frames, strict=True):
        assert (frame[0] <= box[0]).all() and (frame[1] >= box[1]).all()
        assert need(box, ratio) >= SERVES_SHARE * need(frame, ratio) - 1e-9


def test_a_growing_build_changes_its_frame_rarely():
    boxes = [np.array([[0.0, 0.0], [50.0, 10.0 + step]]) for step in range(60)]
    frames = shared_frames(boxes, 1.2)
    assert len({frame.tobytes() for frame in frames}) <= 5


def test_large_models_are_shown_close_up_round_the_new_parts():
    plan = plan_of(sea_wall(parts=600), per_step=4)
    studio = Studio(plan, Settings())
    width, height = 200.0, 160.0
    pitch_mm = []
    for step in plan.order.steps[:: len(plan.order.steps) // 12]:
        axes = studio.axes(step)
        frame = frame_of(studio, step, width, height)
        bounds = studio.bounds_along(axes)
        rows = [plan.model.index_of[part] for part in step.adds]
        new = bounds[rows, :, :2]
        spread = need((new[:, 0].min(axis=0), new[:, 1].max(axis=0)), width / height)
        for one in lifted_things(studio, step):
            row = plan.model.index_of[one.thing.parts[0]]
            for shift in (np.zeros(3), one.shift):
                box = bounds[row, :, :2] + (axes @ shift)[:2]
                assert (box[0] >= frame[0] - 1e-9).all() and (box[1] <= frame[1] + 1e-9).all()
        if spread < 0.5 * width / LEAST_PITCH_MM * 10:
            pitch_mm.append(10 * width / need(frame, width / height))
    assert len(pitch_mm) >= 3 and min(pitch_mm) >= SERVES_SHARE * LEAST_PITCH_MM


def test_a_close_up_stays_where_it_is_while_the_new_parts_are_in_it():
    plan = plan_of(sea_wall(parts=600), per_step=2)
    studio = Studio(plan, Settings())
    frames = [frame_of(studio, step, 200.0, 160.0).tobytes() for step in plan.order.steps]
    changes = sum(one != two for one, two in pairwise(frames))
    assert changes < 0.55 * len(frames)  # some two steps of this wall are as long as a close-up is wide


def test_a_single_small_part_is_not_blown_up_to_the_whole_sheet():
    plan = plan_of(sea_wall(parts=50), per_step=1)
    studio = Studio(plan, Settings())
    frame = frame_of(studio, plan.order.steps[0], 400.0, 300.0)
    assert 10 * 400.0 / (frame[1] - frame[0])[0] <= GREATEST_PITCH_MM + 1e-9


def test_without_a_pitch_a_step_that_only_attaches_has_no_close_up():
    """Nothing says how small is too small; by itself a part says so by its own size."""
    plan = plan_of(sea_wall(parts=50), per_step=1)
    plan = replace(plan, measures=replace(plan.measures, pitch_mm=None))
    studio, step = Studio(plan, Settings()), plan.order.steps[-1]
    (part,) = step.adds
    extent = studio.solids[plan.model.part_by_id[part].shape].extent
    free = 180.0 - 2 * STEP_MARGIN_MM
    assert _widest(studio, step, 180.0) == pytest.approx(free * extent / LEAST_PART_MM)
    assert _widest(studio, replace(step, adds=()), 180.0) == np.inf


@pytest.mark.parametrize(("kind", "parts", "across"), [("tower", 120, 0), ("wall", 160, 1)])
def test_a_close_up_is_no_wider_or_higher_than_the_build(tmp_path, kind, parts, across):
    """Of a slender tower, and of a long wall: else half of the field is empty."""
    path = tmp_path / "model.3mf"
    write(structure(kind, parts), path)
    plan = make_plan(path, Settings())
    studio = Studio(plan, Settings())
    width, height = 120.0, 100.0
    closest = []
    for moment in plan.sequence.moments:
        axes = studio.axes(moment.step)
        frame = frame_of(studio, moment.step, width, height)
        bounds = studio.bounds_along(axes)[:, :, :2]
        focus = [bounds[moment.arriving]]
        for one in lifted_things(studio, moment.step):
            rows = [plan.model.index_of[part] for part in one.thing.parts]
            focus.append(bounds[rows] + (axes @ one.shift)[:2])
        new = np.concatenate(focus)
        low, high = new[:, 0].min(axis=0), new[:, 1].max(axis=0)
        assert (frame[0] <= low + 1e-6).all() and (frame[1] >= high - 1e-6).all()
        there = np.concatenate([bounds[moment.after], new])
        whole = there[:, 1].max(axis=0) - there[:, 0].min(axis=0)
        shown = frame[1] - frame[0]
        if (shown < 0.8 * whole).any():  # a close-up
            closest.append(shown[across] / whole[across])
    assert len(closest) > 5 and max(closest) < 1.25


def test_what_is_off_again_takes_no_room(tmp_path):
    write(structure("tower", 20, 1), tmp_path / "tower.3mf")
    settings = Settings(scale=4.0, reader="child")
    plan = make_plan(tmp_path / "tower.3mf", settings)
    studio, (width, height) = Studio(plan, settings), (120.0, 110.0)
    ratio = (width - 2 * STEP_MARGIN_MM) / (height - 2 * STEP_MARGIN_MM)
    reopening = [step for step in plan.order.steps if step.reopens]
    assert len(reopening) > 3
    for step in reopening:
        bounds = studio.bounds_along(studio.axes(step))[:, :, :2]
        boxes = [bounds[studio.moment(step).after]]
        for one in lifted_things(studio, step):
            rows = [plan.model.index_of[part] for part in one.thing.parts]
            boxes.append(bounds[rows] + (studio.axes(step) @ one.shift)[:2])
        shown = np.concatenate(boxes)
        own = [shown[:, 0].min(axis=0), shown[:, 1].max(axis=0)]
        frame = frame_of(studio, step, width, height)
        pitch = plan.measures.pitch_mm * (width - 2 * STEP_MARGIN_MM) / need(frame, ratio)
        assert need(own, ratio) >= SERVES_SHARE * need(frame, ratio) - 1e-6 or pitch > GREATEST_PITCH_MM * 0.9
