"""Nearest blockers per column, against asking every pair."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_model.scene import shift
from demo_model.seawall import sea_wall
from demo_model.solids import Module, block, slab
from steps.model import Model, Part, Shape
from steps.motion import Motion
from steps.order.columns import Columns
from tests.order_models import measures_of, planner_input

SOLIDS = (block(2, 2, Module(facets=8)), block(4, 1, Module(facets=8)), slab(2, 4, Module(facets=8)))
PLACES = st.lists(
    st.tuples(st.integers(0, 2), st.integers(0, 4), st.integers(0, 4), st.integers(0, 8)),
    min_size=2,
    max_size=14,
    unique_by=lambda place: place[1:],
)


def motion_of(places: list[tuple[int, int, int, int]]) -> Motion:
    """Blocks on the lattice; they may well overlap, which is all one to the columns."""
    shapes = tuple(Shape(f"S{k}", s.vertices, s.faces, True, s.name) for k, s in enumerate(SOLIDS))
    parts = tuple(
        Part(f"P{k}", f"part {k}", f"S{shape}", "#808080", "grey", shift(10 * x, 10 * y, 5 * z))
        for k, (shape, x, y, z) in enumerate(places)
    )
    model = Model("random", "random.stl", "", 1.0, shapes, parts)
    return Motion(model, measures_of(model, 10.0))


@settings(max_examples=40, deadline=None, derandomize=True)
@given(PLACES, st.integers(0, 5), st.randoms(use_true_random=False))
def test_as_every_pair_says(places, direction, random):
    """Whatever has been taken off: blocked ahead exactly when some present part is hit, and so behind."""
    motion = motion_of(places)
    columns = Columns(motion, direction, range(len(places)))
    left = list(range(len(places)))
    order = list(left)
    random.shuffle(order)
    for gone in order:
        for part in range(len(places)):
            ahead = [other for other in left if other != part and motion.blocks(part, other, direction)]
            behind = [other for other in left if other != part and motion.blocks(other, part, direction)]
            assert columns.all_ahead(part) == ahead and columns.all_behind(part) == behind
            assert (columns.ahead(part) in ahead) if ahead else columns.ahead(part) == -1
            assert (columns.behind(part) in behind) if behind else columns.behind(part) == -1
            friends = frozenset(ahead[:1])
            assert (columns.ahead(part, friends) == -1) is (len(ahead) <= 1)
        columns.remove(gone)
        left.remove(gone)


def test_a_tall_column_costs_a_look_up_each(monkeypatch: pytest.MonkeyPatch):
    """Taking a pile of 120 apart from the top asks of the order of n pairs, not n squared."""
    motion = motion_of([(0, 0, 0, 2 * level) for level in range(120)])
    asked = 0
    blocks = motion.blocks

    def counted(a: int, b: int, direction: int) -> bool:
        nonlocal asked
        asked += 1
        return blocks(a, b, direction)

    monkeypatch.setattr(motion, "blocks", counted)
    columns = Columns(motion, 0, range(120))
    assert [columns.ahead(part) for part in range(119)] == list(range(1, 120))  # the nearest
    for part in reversed(range(120)):
        assert columns.ahead(part) == -1
        columns.remove(part)
    assert asked <= 3 * 120


def test_situations_do_not_grow_with_parts():
    """Depth maps and reaches are kept per situation: a wall of 1,000 has few more than one of 200."""
    counts = []
    for parts in (200, 1000):
        model, measures, joints = planner_input(sea_wall(parts=parts))
        motion = Motion(model, measures, joints)
        columns = Columns(motion, 0, range(parts))
        found = [columns.ahead(part) for part in range(parts)]
        assert np.mean(np.array(found) >= 0) > 0.5
        counts.append(len(motion._reach))
    assert counts[1] <= 1.5 * counts[0] < 300
