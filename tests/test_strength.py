"""What hands can push: the data file, and who is asked to press a step home."""

from __future__ import annotations

import pytest

from steps.strength import hands, strongest_push_n, who_pushes


def test_every_figure_has_a_source_and_says_how_sure_it_is():
    assert [hand.reader for hand in hands()] == ["child", "helper", "adult"]
    pushes = [hand.push_n for hand in hands()]
    assert pushes == sorted(set(pushes)) and strongest_push_n() == pushes[-1]
    assert all(hand.words and hand.source.startswith("from memory: ") for hand in hands())


def test_figures_of_the_standard_as_remembered():
    """EN 1005-3:2002, basic forces, whole body pushing, standing (from memory): 119 N domestic, 200 N
    professional use."""
    assert [hand.push_n for hand in hands() if "EN 1005-3" in hand.source] == [119.0, 200.0]


@pytest.mark.parametrize(
    ("newtons", "reader"),
    [(0, "child"), (40, "child"), (40.1, "helper"), (119, "helper"), (119.1, "adult"), (1e4, "adult")],
)
def test_the_weakest_who_can(newtons, reader):
    assert who_pushes(newtons) == reader
