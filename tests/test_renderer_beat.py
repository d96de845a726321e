"""Whoever waits for a picture hears that it goes on: a beat for each item at least; the same picture."""

from __future__ import annotations

import numpy as np
import pytest

from renderer.beat import beat, beating, heard_by
from renderer.camera import ISOMETRIC_ELEVATION, axes_of, framed
from renderer.ink import ink
from renderer.rays import RaySource
from renderer.solid import Solid
from renderer.table import Cast, Item
from tests.joint_cases import shift

CUBE = Solid(
    np.array([[x, y, z] for x in (0.0, 8.0) for y in (0.0, 8.0) for z in (0.0, 8.0)]),
    np.array(
        [
            [0, 1, 3],
            [0, 3, 2],
            [4, 6, 7],
            [4, 7, 5],
            [0, 4, 5],
            [0, 5, 1],
            [2, 3, 7],
            [2, 7, 6],
            [0, 2, 6],
            [0, 6, 4],
            [1, 5, 7],
            [1, 7, 3],
        ]
    ),
)


def test_a_listener_hears_what_is_done_in_its_block_alone() -> None:
    heard: list[str] = []
    beat()
    with heard_by(lambda: heard.append("outer")):
        beat()
        with pytest.raises(ZeroDivisionError), heard_by(lambda: heard.append("inner")):
            assert list(beating("ab")) == ["a", "b"]
            raise ZeroDivisionError
        beat()
    beat()
    assert heard == ["outer", "inner", "inner", "outer"]


def test_drawing_beats_for_every_item_and_draws_the_same() -> None:
    items = [Item(CUBE, shift(9.0 * row, 0, 0), "#aa3311", row) for row in range(30)]
    camera = framed(
        axes_of(-0.8, ISOMETRIC_ELEVATION), np.concatenate([item.outer for item in items]), 300, 200
    )
    heard: list[int] = []
    silent = RaySource().table(items, camera)
    with heard_by(lambda: heard.append(1)):
        table = RaySource().table(items, camera)
        assert len(heard) >= 2 * len(items)  # found, and added
        drawn = ink(table, Cast(tuple(items)), 0.2)
    assert len(heard) >= 3 * len(items)  # and faced
    assert np.array_equal(table.key, silent.key) and np.array_equal(table.depth, silent.depth)
    assert np.array_equal(drawn.pixels, ink(silent, Cast(tuple(items)), 0.2).pixels)
