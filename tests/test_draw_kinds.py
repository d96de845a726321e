"""Letters and kinds of a step."""

from collections import Counter
from dataclasses import replace
from functools import cache

from hypothesis import given
from hypothesis import strategies as st

from demo_model.beacon import beacon
from steps.draw.kinds import kinds_in_step, letter_of
from steps.model import Assembly, Attach, Move, Plan
from tests.draw_scenes import plan_of


def test_letters_run_on_past_z():
    assert [letter_of(at) for at in (0, 1, 25, 26, 27, 51, 52, 701, 702)] == [
        "a", "b", "z", "aa", "ab", "az", "ba", "zz", "aaa",
    ]  # fmt: skip


@given(st.integers(0, 10_000), st.integers(0, 10_000))
def test_no_two_kinds_share_a_letter(one, two):
    assert (letter_of(one) == letter_of(two)) == (one == two)


def test_every_part_of_a_step_is_in_one_kind_and_kinds_are_alike():
    plan = plan_of(beacon(), per_step=5)
    for step in plan.order.steps:
        kinds = kinds_in_step(plan, step)
        assert sorted(part for kind in kinds for part in kind.parts) == sorted(step.adds)
        for kind in kinds:
            alike = {
                (plan.model.part_by_id[part].shape, plan.model.part_by_id[part].colour) for part in kind.parts
            }
            assert alike == {(kind.shape, kind.colour)}
        assert len({(kind.shape, kind.colour) for kind in kinds}) == len(kinds)
        assert [kind.letter for kind in kinds] == [letter_of(at) for at in range(len(kinds))]
        first = [step.adds.index(kind.parts[0]) for kind in kinds]
        assert first == sorted(first)


def test_copies_of_a_sub_assembly_are_one_kind_counted():
    plan = plan_of(beacon(), per_step=5)
    order = plan.order
    copies = (("P6", "P7"), ("P8", "P9"))
    move = Move([[0, 0, -1]])
    step = replace(order.steps[0], attaches=(Attach("A2", 0, move), Attach("A2", 1, move)))
    assemblies = (Assembly("A2", "tower", copies), *order.assemblies)
    order = replace(order, assemblies=assemblies, steps=(step, *order.steps[1:]))
    kind = kinds_in_step(replace(plan, order=order), step)[-1]
    assert (kind.assembly, kind.count, kind.groups, kind.shape) == ("A2", 2, copies, "")


@cache
def _by_seven() -> Plan:
    return plan_of(beacon(), per_step=7)


@given(st.sets(st.integers(0, 200)))
def test_things_of_one_letter_have_the_same_joints_glued(rows):
    """Known answer by counting: things of a letter have as many contacts glued to each other letter."""
    plan = _by_seven()
    names = [joint.id for joint in plan.joints.joints]
    glued = {names[row % len(names)] for row in rows}
    marks = {name: "glue" if name in glued else "press" for name in names}
    plan = replace(plan, gluing=replace(plan.gluing, marks=marks))
    for step in plan.order.steps:
        kinds = kinds_in_step(plan, step)
        letter = {part: kind.letter for kind in kinds for part in kind.parts}
        assert sorted(letter) == sorted(step.adds)
        for kind in kinds:
            counts = [_glued_to(plan, step, glued, part, letter) for (part,) in kind.groups]
            assert all(count == counts[0] for count in counts)
        numbered = [kind.letter for kind in kinds if kind.letter[-1].isdigit()]
        assert not numbered or glued & set(step.closes)


def _glued_to(plan, step, glued, part, letter):
    found = Counter()
    for joint in (plan.joints.by_id[name] for name in step.closes if name in glued):
        if part in (joint.a, joint.b):
            other = joint.b if part == joint.a else joint.a
            found[joint.kind, letter.get(other)] += joint.contacts
    return found
