"""What hands can push: the data file, and who is asked to press a step home."""

from __future__ import annotations

from dataclasses import replace

import pytest

from steps.booklet.compose import compose
from steps.booklet.words import words_in
from steps.settings import Settings
from steps.strength import hands, one_hand_n, strongest_push_n, who_pushes
from tests.booklet_sample import sample_plan


def test_every_figure_has_a_source_and_says_how_sure_it_is():
    assert [hand.reader for hand in hands()] == ["child", "helper", "adult"]
    pushes = [hand.push_n for hand in hands()]
    assert pushes == sorted(set(pushes)) and strongest_push_n() == pushes[-1]
    assert all(hand.words and "from memory" in hand.source for hand in hands())


def test_figures_of_the_standard_as_remembered():
    """EN 1005-3:2002, basic forces, whole body pushing, standing (from memory): 119 N domestic, 200 N
    professional use; half of it, rounded, where it is repeated."""
    known = [(hand.push_n, hand.repeated_n, hand.seldom) for hand in hands() if "EN 1005-3" in hand.source]
    assert known == [(119.0, 60.0, 24), (200.0, 100.0, 24)]
    assert hands()[0].pull_share == pytest.approx(145.0 / 200.0, abs=0.01)  # a pull beside a push, standing
    assert one_hand_n() == 60.0


def test_children_by_age():
    """Palm press of the weak tenth, a proposal after the means of Peebles and Norris (2003): 20 N from 3,
    40 from 6, 75 from 11 years; half of it more than ten times."""
    assert [hands(years)[0].push_n for years in (3, 5, 6, 10, 11, 15)] == [20, 20, 40, 40, 75, 75]
    child = hands(8)[0]
    assert (child.limit_n(10), child.limit_n(11)) == (40.0, 20.0) and "8" not in child.words
    assert "6" in child.words


@pytest.mark.parametrize(
    ("newtons", "reader"),
    [(0, "child"), (40, "child"), (40.1, "helper"), (119, "helper"), (119.1, "adult"), (1e4, "adult")],
)
def test_the_weakest_who_can(newtons, reader):
    assert who_pushes(newtons) == reader


def test_dozens_of_presses_ask_for_less():
    assert [who_pushes(newtons, 30) for newtons in (20, 40, 60, 100)] == [
        "child",
        "helper",
        "helper",
        "adult",
    ]
    assert strongest_push_n(30) == 100.0 and strongest_push_n(24) == 200.0


@pytest.mark.parametrize(("push_n", "clamp"), [(200.0, False), (212.0, True)])
def test_the_booklet_asks_for_a_clamp_where_hands_do_not_do(push_n, clamp):
    """In every edition; the estimate is rounded up to tens."""
    plan = sample_plan()
    steps = tuple(
        replace(step, needs_push_n=push_n if step.number == 3 else 0.0) for step in plan.order.steps
    )
    hard = replace(plan, order=replace(plan.order, steps=steps))
    for reader in ("child", "helper", "adult"):
        sheets = compose(hard, Settings(reader=reader), words_in("en")).sheets
        told = [
            sheet.step
            for sheet in sheets
            for block in sheet.blocks
            if "Too hard for hands, some 220 N: press with a clamp." in str(getattr(block, "words", ""))
        ]
        assert told == ([3] if clamp else [])
