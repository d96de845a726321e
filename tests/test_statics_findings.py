"""Answers kept by question: what balanced once is tried again, and nothing that a contact cannot do is."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
import pytest

from steps.model import Joints
from steps.settings import Settings
from steps.statics import Capacity, Case, Equilibrium, Structure, findings
from steps.statics.rigid import GROUND, Bodies, Contacts
from tests.stacks import Cell, stack

#: A beam of 6 studs whose middle lies beyond the edge of what it is on.
CELLS = [Cell(0, 0, 0, 6, 2), Cell(4, 0, 1, 6, 2)]


@pytest.fixture(autouse=True)
def worked(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The names of the searches that were made."""
    made: list[str] = []
    for name in ("split", "elastic"):
        search = getattr(findings, name)

        def counted(*args: object, name: str = name, search: Callable[..., object] = search) -> object:
            made.append(name)
            return search(*args)

        monkeypatch.setattr(findings, name, counted)
    return made


def question(structure: Structure, contacts: Contacts, parts: Sequence[int]) -> tuple[Equilibrium, Case]:
    """How these parts of a structure stand on the table."""
    table, _ = structure.table_contacts(parts, (0, 0, 1))
    number = np.full(len(structure.bodies) + 1, GROUND)
    number[list(parts)] = np.arange(len(parts))
    joined = Contacts.join([contacts, table])
    there = joined.take((number[joined.first] >= 0) & ((joined.second < 0) | (number[joined.second] >= 0)))
    bodies = Bodies(structure.bodies.mass_g[parts], structure.bodies.centroid[parts])
    local = replace(there, first=number[there.first], second=number[there.second])
    return Equilibrium(bodies, local), Case.make(bodies.weight())


def ask(structure: Structure, contacts: Contacts, worked: list[str]) -> tuple[bool, bool]:
    """Whether a hand is needed, and whether anything was searched."""
    worked.clear()
    found, _ = structure.findings.answer(np.arange(2), *question(structure, contacts, [0, 1]))
    return found.falls, bool(worked)


def structure(joints_hold_n: float) -> Structure:
    built = stack(CELLS, joints_hold_n)
    return Structure.of(built.model, built.measures, built.joints, Settings())


def test_the_same_question_is_asked_once(worked):
    made = structure(5.0)
    assert [ask(made, made.contacts, worked) for _ in range(2)] == [(False, True), (False, False)]


def test_forces_serve_whoever_can_bear_them(worked):
    """What the bare joint bears, the glued one does; what the glued one bears is not believed of a bare one
    that holds nothing."""
    made = structure(5.0)
    assert ask(made, made.contacts, worked) == (False, True)
    assert ask(made, made.glued({"J1": 500.0}), worked) == (False, False)
    loose = structure(0.0)
    assert ask(loose, loose.glued({"J1": 500.0}), worked) == (False, True)
    assert ask(loose, loose.contacts, worked) == (True, True)


def test_other_loads_are_another_question(worked):
    made = structure(5.0)
    heavy = replace(made, bodies=replace(made.bodies, mass_g=made.bodies.mass_g * 1000))
    assert ask(made, made.contacts, worked) == (False, True)
    assert ask(heavy, heavy.contacts, worked) == (True, True)


@pytest.mark.parametrize("again", [True, False])
def test_structures_of_the_same_joints_share_what_they_find(again, worked):
    built = stack(CELLS, 5.0)
    joints = built.joints if again else Joints(built.joints.joints)
    one = Structure.of(built.model, built.measures, built.joints, Settings())
    two = Structure.of(built.model, built.measures, joints, Settings())
    assert ask(one, one.contacts, worked) == (False, True)
    assert ask(two, two.contacts, worked) == (False, not again)


#: A beam over the end of a block, its own end in the air; a second block on that end.
GROWING = [Cell(0, 0, 0, 4, 2), Cell(3, 0, 1, 6, 2), Cell(7, 0, 2, 2, 2)]


@pytest.mark.parametrize("names", [False, True])
def test_what_fell_falls_again_with_more_on_it(names, worked):
    """A fall goes on, what is new moving along: no search is made unless somebody asks who must hold what."""
    built = stack(GROWING, 0.0)
    made = Structure.of(built.model, built.measures, built.joints, Settings())
    found, solved = made.findings.answer(np.arange(2), *question(made, made.contacts, [0, 1]))
    assert found.falls and solved and found.help is not None and found.help.hand.any()
    worked.clear()
    equilibrium, case = question(made, made.contacts, [0, 1, 2])
    found, solved = made.findings.answer(np.arange(3), equilibrium, case, names)
    assert found.falls and worked == (["elastic"] if names else []) and solved is names
    assert (found.help is not None) is names and found.motion is not None
    assert equilibrium.excess(case, Capacity.of(equilibrium.contacts), found.motion) > 0


def test_a_fall_that_is_propped_is_not_believed(worked):
    """A block set under the end of the beam afterwards: the old motion no longer goes on."""
    built = stack([*GROWING[:2], Cell(7, 0, 0, 2, 2)], 0.0)
    made = Structure.of(built.model, built.measures, built.joints, Settings())
    assert made.findings.answer(np.arange(2), *question(made, made.contacts, [0, 1]))[0].falls
    propped = made.findings.answer(np.arange(3), *question(made, made.contacts, [0, 1, 2]), names=False)
    assert not propped[0].falls
