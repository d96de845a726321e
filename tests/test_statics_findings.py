"""Answers kept by question: what balanced once is tried again, and nothing that a contact cannot do is."""

from __future__ import annotations

from dataclasses import replace

import pytest

from steps.model import Joints
from steps.settings import Settings
from steps.statics import Case, Equilibrium, Structure, elastic
from steps.statics.rigid import Contacts
from tests.stacks import Cell, stack

#: A beam of 6 studs whose middle lies beyond the edge of what it is on.
CELLS = [Cell(0, 0, 0, 6, 2), Cell(4, 0, 1, 6, 2)]


def ask(structure: Structure, contacts: Contacts) -> tuple[bool, bool]:
    """Whether a hand is needed, and whether a programme was asked."""
    table, _ = structure.table_contacts(range(2), (0, 0, 1))
    equilibrium = Equilibrium(structure.bodies, Contacts.join([contacts, table]))
    (_, needed), asked = structure.findings.answer(equilibrium, Case.make(structure.bodies.weight()), elastic)
    return needed, asked


def structure(joints_hold_n: float) -> Structure:
    built = stack(CELLS, joints_hold_n)
    return Structure.of(built.model, built.measures, built.joints, Settings())


def test_the_same_question_is_asked_once():
    made = structure(5.0)
    assert [ask(made, made.contacts) for _ in range(2)] == [(False, True), (False, False)]


def test_forces_serve_whoever_can_bear_them():
    """What the bare joint bears, the glued one does; what the glued one bears is not believed of a bare one
    that holds nothing."""
    made = structure(5.0)
    assert ask(made, made.contacts) == (False, True)
    assert ask(made, made.glued({"J1": 500.0})) == (False, False)
    loose = structure(0.0)
    assert ask(loose, loose.glued({"J1": 500.0})) == (False, True)
    assert ask(loose, loose.contacts) == (True, True)


def test_other_loads_are_another_question():
    made = structure(5.0)
    heavy = replace(made, bodies=replace(made.bodies, mass_g=made.bodies.mass_g * 1000))
    assert ask(made, made.contacts) == (False, True)
    assert ask(heavy, heavy.contacts) == (True, True)


@pytest.mark.parametrize("again", [True, False])
def test_structures_of_the_same_joints_share_what_they_find(again):
    built = stack(CELLS, 5.0)
    joints = built.joints if again else Joints(built.joints.joints)
    one = Structure.of(built.model, built.measures, built.joints, Settings())
    two = Structure.of(built.model, built.measures, joints, Settings())
    assert ask(one, one.contacts) == (False, True)
    assert ask(two, two.contacts) == (False, not again)
