"""What glue gives joints that share the time of a push: against the dealing of drops, and programmes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import linprog

from steps.glue.doses import doses, glued_strength
from steps.glue.families import family
from steps.glue.supply import Supply
from tests.stacks import Cell, stack

INSTANT = family("cyanoacrylate")
PUSHES = [("J1", "J2", "J3"), ("J4", "J5"), ("J6",)]


def joints_of(seed: int):
    """Seven joints of one bare face each; the last is closed by no push."""
    joint = stack([Cell(0, 0, 0, 1, 1), Cell(0, 0, 1, 1, 1)]).joints.joints[0]
    areas = np.random.default_rng(seed).uniform(30.0, 900.0, 7)
    return [
        replace(joint, id=f"J{number + 1}", touches=(replace(joint.touches[-1], area_mm2=float(area)),))
        for number, area in enumerate(areas)
    ]


@pytest.mark.parametrize("seed", range(6))
def test_each_set_is_as_strong_as_the_drops_that_it_is_dealt_make_it(seed):
    joints, random = joints_of(seed), np.random.default_rng(seed)
    supply = Supply.of(joints, joints, PUSHES, INSTANT, 23.0)
    for _ in range(8):
        glued = random.random(7) < 0.6
        given = doses([one for one, own in zip(joints, glued, strict=True) if own], PUSHES, INSTANT, 23.0)
        each = [glued_strength(one, INSTANT, given.get(one.id)) for one in joints]
        np.testing.assert_allclose(supply.given(glued), each)
        # no more than the shares that the time allows: the relaxation holds every set
        rows = np.flatnonzero(supply.strength > 0)
        shares = supply.given(glued)[rows] / supply.strength[rows]
        assert np.all(supply.limits(rows) @ shares <= 1 + 1e-9) and np.all(shares <= 1 + 1e-9)


@pytest.mark.parametrize("seed", range(6))
def test_the_most_that_shares_come_to_is_that_of_a_programme(seed):
    joints, random = joints_of(seed), np.random.default_rng(seed)
    supply, gain = Supply.of(joints, joints, PUSHES, INSTANT, 23.0), random.uniform(0.0, 5.0, 7)
    limits = supply.limits(np.arange(7)).toarray()
    found = linprog(-gain, A_ub=limits, b_ub=np.ones(len(limits)), bounds=[(0, 1)] * 7)
    assert supply.at_most(gain) == pytest.approx(-found.fun)
    sums = supply.takes[:3].sum(), supply.takes[3:5].sum()
    assert supply.crowded.tolist() == [sums[0] > 4] * 3 + [sums[1] > 4] * 2 + [False] * 2


def test_with_time_enough_each_joint_has_all_its_strength():
    supply = Supply.ample(np.array([1.0, 0.0, 3.0]))
    assert supply.given(np.array([True, True, False])).tolist() == [1.0, 0.0, 0.0]
    assert supply.at_most(np.array([2.0, 0.0, 5.0])) == 7.0 and not supply.crowded.any()
