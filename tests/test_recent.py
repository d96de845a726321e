"""Only what was asked last is kept; what is let go is made again the same."""

from __future__ import annotations

import gc

import numpy as np
import trimesh

from steps.features import mesh as of_meshes
from steps.features.mesh import clean
from steps.recent import Recent


class Thing:
    def __init__(self) -> None:
        self.forgot = 0

    def forget(self) -> None:
        self.forgot += 1


def test_the_one_asked_longest_ago_lets_go_first():
    recent, things = Recent(10), [Thing() for _ in range(4)]
    for thing in (things[0], things[1], things[0], things[2], things[3]):
        recent.use(thing, 4)
    assert [thing.forgot for thing in things] == [1, 1, 0, 0]


def test_what_is_larger_than_all_room_is_kept_while_it_is_the_last():
    recent, large, small = Recent(10), Thing(), Thing()
    recent.use(large, 40)
    assert not large.forgot
    recent.use(small, 1)
    assert (large.forgot, small.forgot) == (1, 0)


def test_what_is_gone_takes_no_room_for_long():
    recent, kept = Recent(10), Thing()
    recent.use(Thing(), 8)
    gc.collect()
    recent.use(kept, 8)
    recent.use(kept, 9)
    assert not kept.forgot


def test_a_mesh_makes_again_what_it_let_go_to_the_last_bit(monkeypatch):
    monkeypatch.setattr(of_meshes, "_kept", Recent(100))
    balls = [trimesh.creation.icosphere(2, radius) for radius in (3.0, 4.0)]
    one, other = (clean(ball.vertices, ball.faces) for ball in balls)
    before = {name: getattr(one, name) for name in of_meshes.FOLLOWING if name != "tree"}
    assert other.normals is other.normals and "normals" not in one.__dict__
    for name, value in before.items():
        again = getattr(one, name)
        assert again is not value
        for new, old in zip(again, value, strict=True):
            np.testing.assert_array_equal(new, old)
