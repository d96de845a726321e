"""The cost of an order and the search for a cheaper one."""

from __future__ import annotations

import numpy as np
import pytest

from demo_model.beacon import beacon
from demo_model.seawall import sea_wall
from steps.motion import Motion
from steps.order.apart import Apart, take_apart
from steps.order.build import Draft, StepLimits, Variant, Walk, hangs_together
from steps.order.cost import Weights, weights_from
from steps.order.search import WORK, Judge, search
from steps.order.site import Group, Site, make_site
from tests.order_models import planner_input


def site_of(demo) -> tuple[Site, Apart]:
    model, measures, joints = planner_input(demo)
    motion = Motion(model, measures, joints)
    group = Group((tuple(range(len(model.parts))),), np.array([0.0, 0, 1]), why="whole")
    site = make_site(model, measures, joints, motion, group)
    return site, take_apart(site)


@pytest.fixture(scope="module")
def small() -> tuple[Site, Apart]:
    return site_of(beacon())


def row(site: Site, name: str) -> int:
    return next(k for k, part in enumerate(site.model.parts) if part.source == name)


def only(**kept: float) -> Weights:
    """Weights of nothing but what is named."""
    return weights_from({**dict.fromkeys(vars(Weights()), 0.0), "far": 60.0, **kept})


def test_each_part_of_the_cost_counts_what_it_says(small):
    """By hand on the beacon: one weight at a time."""
    site, apart = small
    names = ["plinth front", "plinth left", "plinth back", "lamp"]
    drafts = [Draft([row(site, name)]) for name in names]

    def costs(**kept: float) -> list[float]:
        return Judge(site, apart, only(**kept)).costs(drafts)

    assert costs(step=2.0) == [2.0] * 4
    assert costs(kind=1.0) == [0, 0, 0, 1]  # plinths are one kind, the lamp another
    assert costs(up=1.0) == pytest.approx([0, 0, 1, 0])  # back down by one block of one pitch
    at = site.centres[[row(site, name) for name in names]] / 10.0
    assert costs(hop=1.0)[1:] == pytest.approx(np.linalg.norm(np.diff(at, axis=0), axis=1))
    assert costs(direction=1.0, turn=1.0) == [0, 0, 0, 0]  # all straight down
    assert costs(slack=1.0) == [0, 0, 0, 0]


def test_eyes_see_what_is_hidden(small):
    """Of the lower plinth, under everything else, most points are hidden; of the roof none."""
    site, apart = small
    others = [
        unit for unit in range(len(site.units)) if unit not in (row(site, "tower low"), row(site, "roof"))
    ]
    judge = Judge(site, apart, only(eyes=1.0))
    last = [Draft(others), Draft([row(site, "tower low")]), Draft([row(site, "roof")])]
    costs = judge.costs(last)
    assert costs[2] == 0.0
    assert costs[1] > 0.7
    assert judge.costs([Draft([row(site, "tower low")])]) == [0.0]


def test_search_finds_no_worse_and_repeats_itself():
    """Whatever is tried, every order is complete, connected and as cheap as the first at least."""
    site, apart = site_of(sea_wall(parts=70))

    def make(variant: Variant) -> Walk:
        return Walk(site, apart, Weights(), StepLimits(), variant=variant)

    judge = Judge(site, apart, Weights())
    first = make(Variant()).run()
    best, tried = search(make, lambda: judge, first, work=23 * 70)
    again, _ = search(make, lambda: judge, first, work=23 * 70)
    assert tried == 24
    assert sum(judge.costs(best)) < sum(judge.costs(first))  # there is something to gain on this wall
    assert [draft.units for draft in best] == [draft.units for draft in again]
    assert sorted(unit for draft in best for unit in draft.units) == list(range(70))
    assert hangs_together(site, best)


def test_work_is_counted_in_units_placed():
    """No work beyond the first walk: that walk is handed back and nobody judges it; and the same with a site
    of more units than the work allows for."""
    site, apart = site_of(sea_wall(parts=50))

    def make(variant: Variant) -> Walk:
        return Walk(site, apart, Weights(), StepLimits(), variant=variant)

    def judge() -> Judge:
        raise AssertionError("there is nothing to judge")

    first = make(Variant()).run()
    assert search(make, judge, first, work=49) == (first, 1)
    best, tried = search(make, lambda: Judge(site, apart, Weights()), first, work=150)
    assert tried == 4 and sorted(unit for draft in best for unit in draft.units) == list(range(50))
    assert WORK >= 150
