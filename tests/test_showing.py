"""Studs that show are those that nobody has to guess about."""

from __future__ import annotations

import re

import numpy as np
import pytest
from manifold3d import Manifold, OpType

from demo_model import solids
from demo_model.beacon import beacon
from demo_model.solids import Module
from steps.booklet.compose import compose
from steps.booklet.content import Marked
from steps.booklet.words import words_in
from steps.pipeline import make_plan
from steps.settings import Settings
from steps.showing import studs_showing
from tests.joint_cases import box, joints_of, measures_of, placed, rod, shift, turn
from tests.models import model_of

M = Module()
UP = np.array([0.0, 0.0, 1.0])
WIDE, HIGH = M.pitch, M.block


def showing(items: list, up: np.ndarray = UP) -> int | None:  # type: ignore[type-arg]
    model = placed(items)
    parts = [part.id for part in model.parts]
    return studs_showing(model, measures_of(model), joints_of(model), parts, up)


@pytest.mark.parametrize(("over", "left"), [(0, 8), (1, 12), (2, 16)])
def test_studs_under_a_block_do_not_show(over: int, left: int) -> None:
    """A block 2 x 4 on one, moved along by so many pitches: 16 studs less those that it sits on."""
    block = solids.block(4, 2, M)
    on = shift(over * 2 * WIDE, 0, HIGH)
    assert showing([(block, np.eye(4)), (block, on if over < 2 else shift(9 * WIDE, 0, 0))]) == left


def test_a_tilted_build_shows_as_many() -> None:
    block = solids.block(4, 2, M)
    lean = turn((1, 0, 0), 40)
    assert showing([(block, lean), (block, lean @ shift(0, 0, HIGH))]) == 8


def test_studs_that_look_at_the_table_do_not_show() -> None:
    block = solids.block(4, 2, M)
    assert showing([(block, turn((1, 0, 0), 180)), (block, shift(60, 0, 0))]) == 8
    assert showing([(block, np.eye(4)), (block, shift(60, 0, 0))], -UP) == 0


@pytest.mark.parametrize(("deep", "want"), [(3.0, 6), (1.0, None), (0.0, 4)])
def test_studs_under_a_roof_show_where_there_is_room_to_look(deep: float, want: int | None) -> None:
    """Two studs under a wide roof that is so many block heights above them; the roof has four of its own, and
    lies close at last: one sees them, hardly, not at all."""
    roof = box((0, 0, 0), (120, 120, 5)) + Manifold.batch_boolean(
        [rod(M.stud_radius, 3.6, (20 + 20 * k, 60, 4)) for k in range(4)], OpType.Add
    )
    below = (solids.block(2, 1, M), shift(50, 55, -HIGH * (1 + deep) - M.stud_height - 0.5))
    assert showing([(roof, np.eye(4)), below]) == want


@pytest.mark.parametrize("language", ["en", "de"])
def test_the_booklet_says_so_at_the_end_of_each_sub_assembly(language: str) -> None:
    """Of a demo model, studs less those that something sits on, counted by touches."""
    settings = Settings(language=language)
    plan = make_plan(model_of(beacon()), settings)
    said = [
        [int(number) for number in re.findall(r"\d+", block.words)]
        for sheet in compose(plan, settings, words_in(language)).sheets
        for block in sheet.words
        if isinstance(block, Marked) and block.mark == "tick" and block.words.startswith(("Count", "Zählen"))
    ]
    studs = sum(
        feature.kind == "stud"
        for part in plan.model.parts
        for feature in plan.measures.by_shape[part.shape].features
    )
    taken = sum(touch.kind == "stud" for joint in plan.joints.joints for touch in joint.touches)
    assert len(said) == len(plan.order.assemblies)
    assert said[-1] == [len(plan.model.parts), studs - taken]


def test_many_meshes_are_looked_through_as_one_is(monkeypatch: pytest.MonkeyPatch) -> None:
    """A block under each of a row of others: the same however many parts are one mesh for the rays."""
    block = solids.block(4, 2, M)
    items = [(block, shift(100 * row, 0, up)) for row in range(3) for up in (0, HIGH)]
    assert showing(items) == 24
    monkeypatch.setattr("steps.showing.AT_ONCE", 1)
    monkeypatch.setattr("steps.showing.RAYS", 100)
    assert showing(items) == 24
