"""The tree's proof: what it says holds, the programme must find to hold; and joints reckoned by hand."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from steps.settings import Settings
from steps.statics import Capacity, Case, Contacts, Equilibrium, Structure, elastic
from steps.statics.tree import holds_of, shallow_tree, tree_needs
from tests.stacks import Cell, stack
from tests.test_statics import random_heap


def holds(structure: Structure, contacts: Contacts):
    joints, index = structure.joints.joints, structure.model.index_of
    axis = np.array([joint.axis for joint in joints])
    first = np.array([index[joint.b] for joint in joints])
    second = np.array([index[joint.a] for joint in joints])
    return holds_of(contacts, structure.joint, axis, first, second)


@settings(max_examples=150, deadline=None)
@given(st.integers(0, 100_000))
def test_what_the_tree_proves_the_programme_finds_to_hold(seed):
    generator = np.random.default_rng(seed)
    built = stack(random_heap(generator), hold_per_stud=float(generator.choice([0.0, 0.1, 0.5, 2.0])))
    structure = Structure.of(built.model, built.measures, built.joints, Settings(), coarse=bool(seed % 2))
    contacts = structure.glued([joint.id for joint in built.joints.joints if generator.random() < 0.4])
    count = len(structure.bodies)
    up = generator.normal(size=3) if generator.random() < 0.5 else (0, 0, 1)
    loads = structure.bodies.weight(up)
    loads += generator.normal(size=(count, 6)) * [0.05, 0.05, 0.05, 1, 1, 1] * (generator.random() < 0.5)
    held = [0] if generator.random() < 0.7 else sorted({0, count - 1})
    case = Case.make(loads, held, safety=float(generator.choice([1.0, 1.5])))
    told = holds(structure, contacts)
    tree = shallow_tree(told, case)
    if tree is None or np.any(tree_needs(tree, told, case, structure.bodies) * case.safety > told.pull):
        return
    found = elastic(Equilibrium(structure.bodies, contacts), case, Capacity.of(contacts))
    assert found is not None and not found.needed


def test_a_cantilever_by_hand():
    """A block of 2 x 2 pitches glued under its neighbour hangs by its weight, one pitch out from the bond."""
    built = stack([Cell(0, 0, 1, 2, 2), Cell(1, 0, 0, 2, 2)], hold_per_stud=0.0)
    structure = Structure.of(built.model, built.measures, built.joints, Settings(), coarse=True)
    told = holds(structure, structure.glued({"J1": 40.0}))
    case = Case.make(structure.bodies.weight(), [0])
    weight = 4 * 9.80665e-3
    # the bond covers x 10 to 20, y 0 to 20: its middle (15, 10), the centroid of what hangs at x 20
    need = tree_needs(shallow_tree(told, case), told, case, structure.bodies)[0]
    assert told.pull[0] == pytest.approx(40.0)
    assert told.middle[0, :2] == pytest.approx([15.0, 10.0])
    assert need == pytest.approx(weight * (1 + 5.0 / told.arm[0]))
    assert 0 < told.arm[0] <= 5.0  # the bond's own half width at most


def test_no_tree_where_nothing_leads_to_what_is_held():
    built = stack([Cell(0, 0, 0, 2, 2), Cell(9, 0, 0, 2, 2)])
    structure = Structure.of(built.model, built.measures, built.joints, Settings())
    assert (
        shallow_tree(holds(structure, structure.contacts), Case.make(structure.bodies.weight(), [0])) is None
    )
