"""What changed alone is balanced anew: what is found so is true of the whole, and mostly it is enough."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from steps.settings import Settings
from steps.statics import Capacity, Case, Contacts, Equilibrium, Structure, elastic
from steps.statics.nearby import Nearby
from steps.statics.splitting import CLOSE, balancing
from tests.stacks import Cell, stack
from tests.test_statics import random_heap

#: Heaps of some four blocks each, so far apart that they do not touch.
HEAPS, APART = 8, 40


def standing(cells: list[Cell]) -> tuple[Equilibrium, Case, Capacity]:
    """The cells on the table under their weight."""
    built = stack(cells, 2.0)
    structure = Structure.of(built.model, built.measures, built.joints, Settings())
    table, _ = structure.table_contacts(np.arange(len(structure.bodies)), (0, 0, 1))
    contacts = Contacts.join([structure.contacts, table])
    return (
        Equilibrium(structure.bodies, contacts),
        Case.make(structure.bodies.weight()),
        Capacity.of(contacts),
    )


def row_of_heaps(seed: int) -> tuple[Equilibrium, Case, Capacity]:
    """Heaps in a row that each stand."""
    generator = np.random.default_rng(seed)
    cells: list[Cell] = []
    while len(cells) < HEAPS * 4:
        heap = [replace(cell, x=cell.x + APART * len(cells)) for cell in random_heap(generator)]
        if balancing(*standing(heap)) is not None:
            cells += heap
    return standing(cells)


def changed(seed: int, case: Case, capacity: Capacity, contacts: Contacts) -> tuple[Case, Capacity]:
    """A push on one body, or contacts of one body that hold much less, or bear nothing."""
    generator = np.random.default_rng(seed)
    one = int(generator.integers(len(case.loads)))
    if seed % 3 == 0:
        loads = np.array(case.loads)
        loads[one] += generator.normal(size=6) * [0.01, 0.01, 0.01, 0.2, 0.2, 0.2]
        return Case.make(loads), capacity
    own = (contacts.first == one) | (contacts.second == one)
    if seed % 3 == 1:
        pull, grip = (np.where(own, 0.0, each) for each in (capacity.pull, capacity.grip))
        return case, Capacity(capacity.friction, pull, grip, capacity.push & ~own)
    weak = np.where(own, 0.02, 1.0)
    return case, replace(capacity, pull=capacity.pull * weak, grip=capacity.grip * weak)


def test_what_is_found_nearby_is_true_of_the_whole():
    """Independent means: the interior point on the whole. Nearly all that stands is found to, and
    what loses all that bears it falls by itself; what tips as a whole does not."""
    held = stood = fell = 0
    for seed in range(30):
        equilibrium, case, capacity = row_of_heaps(seed)
        before = balancing(equilibrium, case, capacity)
        assert before is not None, seed
        case, capacity = changed(seed, case, capacity, equilibrium.contacts)
        found = elastic(equilibrium, case, capacity)
        assert found is not None, seed
        near = Nearby.of(equilibrium, case, capacity, [np.zeros_like(before), before])
        assert near is not None and near.earlier is before
        force, help_ = near.rebalanced(), near.help()
        assert force is None or help_ is None, seed
        if force is not None:
            assert not found.needed, seed
            assert equilibrium.residual(case, force) <= CLOSE
            assert equilibrium.overload(case, capacity, force) <= CLOSE
            held += 1
        if help_ is not None:
            assert found.needed, seed
            assert equilibrium.excess(case, capacity, help_.motion) > 0, seed
            assert np.any(help_.hand, axis=1).sum() <= np.any(found.hand, axis=1).sum(), seed
            fell += 1
        stood += not found.needed
    assert held >= 0.9 * stood > 9 and fell > 7


def test_the_motion_of_a_fall_opens_contacts_as_the_matrix_says():
    equilibrium, _, _ = row_of_heaps(3)
    motion = np.random.default_rng(3).normal(size=6 * len(equilibrium.bodies))
    assert equilibrium.opening(motion).T.ravel() == pytest.approx(equilibrium.across @ motion)


def test_what_is_unbalanced_is_what_the_matrix_says():
    equilibrium, case, _ = row_of_heaps(4)
    force = np.random.default_rng(4).normal(size=(len(equilibrium.contacts), 3))
    local = np.einsum("kij,kj->ik", equilibrium.frames, force).ravel() / case.scale
    expected = equilibrium.across.T @ local + equilibrium.scaled_loads(case)
    assert equilibrium.unbalanced(case, force).ravel() == pytest.approx(expected)


def test_without_earlier_forces_nothing_is_nearby():
    assert Nearby.of(*row_of_heaps(1), []) is None


def test_nothing_is_tried_where_most_has_changed():
    """From no forces at all every body is out of balance."""
    equilibrium, case, capacity = row_of_heaps(1)
    near = Nearby.of(equilibrium, case, capacity, [np.zeros((len(equilibrium.contacts), 3))])
    assert near is not None and near.changed.all()
    assert near.rebalanced() is None and near.help() is None
