"""Feet and trees: what they prove, the programme must find to stand; and cases reckoned by hand."""

from __future__ import annotations

import numpy as np
import pytest

from steps.model import Array
from steps.settings import Settings
from steps.statics import Capacity, Case, Contacts, Equilibrium, Structure, elastic
from steps.statics.footing import stands_along_trees
from tests.stacks import Cell, stack
from tests.test_statics import random_heap

#: A block on the table, a beam of 8 studs over it by 4, the block's 4 studs under its end.
OVERHANG = [Cell(0, 0, 0, 4, 2), Cell(0, 0, 1, 8, 2)]


def structure_of(cells: list[Cell], hold_per_stud: float) -> Structure:
    built = stack(cells, hold_per_stud)
    return Structure.of(built.model, built.measures, built.joints, Settings())


def proved(structure: Structure, contacts: Contacts, loads: Array) -> bool:
    return stands_along_trees(structure.bodies, contacts, structure.holds(structure.contacts), loads)


def on_table(structure: Structure) -> Contacts:
    table, _ = structure.table_contacts(np.arange(len(structure.bodies)), (0, 0, 1))
    return Contacts.join([structure.contacts, table])


def test_what_feet_and_trees_prove_the_programme_finds_to_stand():
    """Of 120 heaps under their weight and some pushes; a fair share of those that stand are proved."""
    stood = yes = 0
    for seed in range(120):
        generator = np.random.default_rng(seed)
        structure = structure_of(random_heap(generator), float(generator.choice([0.0, 0.1, 0.5, 2.0])))
        contacts, loads = on_table(structure), structure.bodies.weight()
        pushed = generator.integers(len(loads))
        loads[pushed] += generator.normal(size=6) * [0.02, 0.02, 0.02, 0.5, 0.5, 0.5] * (seed % 2)
        found = elastic(Equilibrium(structure.bodies, contacts), Case.make(loads), Capacity.of(contacts))
        told = proved(structure, contacts, loads)
        assert not told or (found is not None and not found.needed), seed
        stood += found is not None and not found.needed
        yes += told
    assert yes > stood / 2 > 20


@pytest.mark.parametrize(("push_n", "stands"), [(0.02, True), (0.3, False)])
def test_a_push_on_an_overhang(push_n, stands):
    """By hand: 8 g of block with its middle 20 mm inside its edge, 16 g of beam with it over the edge, and a
    push 30 mm beyond: it topples from 8 g x 20 mm / 30 mm = 0.052 N."""
    structure = structure_of(OVERHANG, 5.0)
    loads = structure.bodies.weight()
    loads[1, 2] -= push_n
    loads[1, 4] += push_n * 30.0  # from the beam's middle to where it is pushed
    assert proved(structure, on_table(structure), loads) is stands


@pytest.mark.parametrize(("hold_per_stud", "stands"), [(5.0, True), (0.001, False)])
def test_a_joint_that_holds_too_little_proves_nothing(hold_per_stud, stands):
    """The beam's middle lies 10 mm beyond the block's edge, so that the studs must hold it down: 12 g at
    10 mm on a block of 12 g; together they do not topple."""
    structure = structure_of([Cell(0, 0, 0, 6, 2), Cell(4, 0, 1, 6, 2)], hold_per_stud)
    assert proved(structure, on_table(structure), structure.bodies.weight()) is stands


def test_what_hangs_on_nothing_is_not_proved():
    structure = structure_of([Cell(0, 0, 0, 2, 2), Cell(9, 0, 3, 2, 2)], 1.0)
    assert not proved(structure, on_table(structure), structure.bodies.weight())
