"""Lifting: off the place, along the move, clear of what carries it."""

from dataclasses import replace

import numpy as np
import pytest

from demo_model.beacon import beacon
from steps.draw.lift import GAP_PITCHES, lifted_things
from steps.draw.studio import Studio
from steps.model import Assembly, Attach, Move, Step
from steps.settings import Settings
from tests.draw_scenes import plan_of

PITCH = 10.0


@pytest.fixture(scope="module")
def studio():
    return Studio(plan_of(beacon(), per_step=3), Settings())


def with_step(studio: Studio, step: Step) -> tuple[Studio, Step]:
    """A studio whose plan has this step in place of its namesake."""
    order = studio.plan.order
    steps = tuple(step if each.number == step.number else each for each in order.steps)
    return Studio(replace(studio.plan, order=replace(order, steps=steps)), Settings()), step


def test_the_first_parts_lie_on_the_table(studio):
    first = studio.plan.order.steps[0]
    low = studio.plan.model.part_bounds[:, 0, 2]
    for one in lifted_things(studio, first):
        on_table = low[studio.plan.model.index_of[one.thing.parts[0]]] == pytest.approx(0)
        assert on_table == (not one.is_lifted)
        assert on_table == (not np.any(one.shift))


def test_parts_rise_straight_against_their_move_by_the_depth_and_a_clear_gap(studio):
    for step in studio.plan.order.steps[1:]:
        for one in lifted_things(studio, step):
            depth = max(joint.depth_mm for joint in one.joints)
            rise = one.way[0] - one.way[-1]
            assert rise == pytest.approx([0, 0, depth + GAP_PITCHES * PITCH])


def test_what_goes_onto_a_new_part_goes_up_with_it_and_once_more(studio):
    found = 0
    for step in studio.plan.order.steps:
        lifted = lifted_things(studio, step)
        shifts = {part: one.shift for one in lifted for part in one.thing.parts}
        for joint in studio.plan.joints.joints:
            if (
                joint.a in shifts
                and joint.b in shifts
                and step.adds.index(joint.a) < step.adds.index(joint.b)
            ):
                assert shifts[joint.b][2] > shifts[joint.a][2] + GAP_PITCHES * PITCH - 1e-9
                found += 1
    assert found >= 2


def test_a_sideways_part_is_lifted_sideways(studio):
    step = studio.plan.order.steps[1]
    part = step.adds[0]
    turned = replace(step, adds=(part,), moves={part: Move([[0, -1, 0]])})
    (one,) = lifted_things(*with_step(studio, turned))
    assert one.shift[1] > 0 and one.shift[[0, 2]] == pytest.approx([0, 0])


def test_a_bent_move_is_lifted_back_round_its_bend(studio):
    step = studio.plan.order.steps[1]
    part = step.adds[0]
    bent = replace(step, adds=(part,), moves={part: Move([[0, 0, -30], [20, 0, 0]])})
    (one,) = lifted_things(*with_step(studio, bent))
    assert one.way == pytest.approx(np.array([[-20, 0, 30], [-20, 0, 0], [0, 0, 0]]))
    (short,) = lifted_things(*with_step(studio, replace(bent, moves={part: Move([[0, 0, -2], [20, 0, 0]])})))
    assert short.way[0][2] > GAP_PITCHES * PITCH  # a short first leg is preceded by a straight approach


def test_a_sub_assembly_is_lifted_as_one(studio):
    plan = studio.plan
    last = plan.order.steps[-1]
    copies = (last.adds,)
    attach = Attach("A2", 0, Move([[0, 0, -1]]))
    order = replace(plan.order, assemblies=(Assembly("A2", "cap", copies), *plan.order.assemblies))
    whole = Studio(replace(plan, order=order), Settings())
    (one,) = lifted_things(*with_step(whole, replace(last, adds=(), moves={}, attaches=(attach,))))
    assert one.thing.parts == last.adds and one.shift[2] > 0
    inner = [joint for joint in one.joints if {joint.a, joint.b} <= set(last.adds)]
    assert not inner
