"""Splitting: what it finds is in balance and within what contacts bear, and mostly it finds something."""

from __future__ import annotations

import threading
from types import SimpleNamespace

import clarabel
import numpy as np
import pytest

from steps.progress import stage
from steps.settings import Settings
from steps.statics import Capacity, Case, Contacts, Equilibrium, Structure, elastic, splitting
from steps.statics.rigid import Bodies
from steps.statics.splitting import CLOSE, LOOK, balancing, split
from tests.stacks import Cell, stack
from tests.test_statics import random_heap


def heap(seed: int) -> tuple[Equilibrium, Case, Capacity]:
    """A heap on the table under its weight; in every second one something is pushed, in every third held."""
    generator = np.random.default_rng(seed)
    built = stack(random_heap(generator), float(generator.choice([0.0, 0.1, 0.5, 2.0])))
    structure = Structure.of(built.model, built.measures, built.joints, Settings())
    table, _ = structure.table_contacts(np.arange(len(structure.bodies)), (0, 0, 1))
    contacts, loads = Contacts.join([structure.contacts, table]), structure.bodies.weight()
    pushed = generator.integers(len(loads))
    loads[pushed] += generator.normal(size=6) * [0.02, 0.02, 0.02, 0.5, 0.5, 0.5] * (seed % 2)
    held = [int(generator.integers(len(loads)))] if seed % 3 == 0 else []
    return Equilibrium(structure.bodies, contacts), Case.make(loads, held), Capacity.of(contacts)


def test_what_is_found_is_a_proof_and_most_that_stands_is_proved():
    """Independent means: the interior point, which finds the least help that hands must give."""
    stood = proved = 0
    for seed in range(120):
        equilibrium, case, capacity = heap(seed)
        stands = (found := elastic(equilibrium, case, capacity)) is not None and not found.needed
        force = balancing(equilibrium, case, capacity)
        if force is not None:
            assert stands, seed
            assert equilibrium.residual(case, force) <= CLOSE
            assert equilibrium.overload(case, capacity, force) <= CLOSE
        stood, proved = stood + stands, proved + (force is not None)
    assert proved >= 0.9 * stood > 50


def test_a_motion_that_is_found_is_a_proof_and_most_falls_are_told():
    """Independent means: the interior point; and the loads do more in it than all contacts could take up."""
    fell = told = 0
    for seed in range(120):
        equilibrium, case, capacity = heap(seed)
        found = split(equilibrium, case, capacity)
        falls = (help_ := elastic(equilibrium, case, capacity)) is not None and help_.needed
        if found.motion is not None:
            assert falls and found.force is None, seed
            assert equilibrium.excess(case, capacity, found.motion) > 0
        fell, told = fell + falls, told + (found.motion is not None)
    assert told >= 0.85 * fell > 40


def test_a_fall_is_told_before_it_has_settled():
    """A leaning pillar of 60 parts, far beyond its foot: told at the first look; and nothing is told of a
    pillar that stands."""
    for across, falls in ((0.9, True), (0.0, False)):
        built = stack([Cell(round(across * row), 0, row, 4, 2) for row in range(60)], 50.0)
        structure = Structure.of(built.model, built.measures, built.joints, Settings())
        table, _ = structure.table_contacts(np.arange(60), (0, 0, 1))
        contacts = Contacts.join([structure.contacts, table])
        case = Case.make(structure.bodies.weight())
        found = split(Equilibrium(structure.bodies, contacts), case, Capacity.of(contacts), rounds=LOOK)
        assert (found.motion is not None) is falls
        assert (found.force is not None) is not falls


def test_a_good_guess_is_at_once_an_answer():
    """The answer itself, given as a guess, is found again in one round."""
    equilibrium, case, capacity = heap(4)
    force = balancing(equilibrium, case, capacity)
    assert force is not None
    assert balancing(equilibrium, case, capacity, rounds=1) is None
    assert balancing(equilibrium, case, capacity, force, rounds=1) is not None


@pytest.mark.parametrize(("hold_per_stud", "stands"), [(0.1, True), (0.02, False)])
def test_a_beam_that_its_studs_must_hold(hold_per_stud, stands):
    """A beam of 6 studs, 12 g, whose middle lies 10 mm beyond the edge: the studs that are farthest from it
    must pull with a torque of 0.12 N times 10 mm; at the arms they have, 0.1 N a stud does and 0.02 does not
    (reckoned by hand: two studs 15 mm behind the edge, two at 5 mm: 2 x 20 mm x hold)."""
    built = stack([Cell(0, 0, 0, 6, 2), Cell(4, 0, 1, 6, 2)], hold_per_stud)
    structure = Structure.of(built.model, built.measures, built.joints, Settings())
    table, _ = structure.table_contacts([0, 1], (0, 0, 1))
    contacts = Contacts.join([structure.contacts, table])
    case = Case.make(structure.bodies.weight())
    found = balancing(Equilibrium(structure.bodies, contacts), case, Capacity.of(contacts))
    assert (found is not None) is stands


def test_nothing_is_found_where_a_body_hangs_free():
    """No contact bears anything: the firmed factor must not hide it."""
    nothing = Contacts.make(np.zeros((3, 3)), (0, 0, 1), 0, -1, push=False)
    alone = Equilibrium(Bodies(np.array([10.0]), np.zeros((1, 3))), nothing)
    found = split(alone, Case.make(alone.bodies.weight()), Capacity.of(nothing))
    assert found.force is None and found.motion is None and found.rounds == 1


def test_a_programme_that_loses_its_footing_is_asked_again_firmer(monkeypatch):
    """The solver is made to give up unless its matrix is firmer than usual; the answer is the same."""
    usual = clarabel.DefaultSolver

    class Faint:
        def __init__(self, *asked):
            self.solver, self.firm = usual(*asked), asked[-1].static_regularization_constant > 2e-8

        def set_termination_callback(self, ask):
            self.solver.set_termination_callback(ask)

        def solve(self):
            lost = SimpleNamespace(status=clarabel.SolverStatus.NumericalError)
            return self.solver.solve() if self.firm else lost

    plain = elastic(*heap(5))
    monkeypatch.setattr(clarabel, "DefaultSolver", Faint)
    firm = elastic(*heap(5))
    assert plain is not None and firm is not None and plain.needed
    assert np.linalg.norm(firm.hand) == pytest.approx(np.linalg.norm(plain.hand), rel=1e-3)


@pytest.mark.parametrize("quick", [0, 1_000])
def test_a_factor_is_let_go_in_the_thread_that_made_it(monkeypatch: pytest.MonkeyPatch, quick: int) -> None:
    """SuperLU's memory is given back nowhere else: builds of 1,000 parts came to gigabytes. A few bodies are
    balanced where they are asked for."""
    monkeypatch.setattr(splitting, "QUICK_BODIES", quick)
    threads: list[tuple[int, int]] = []
    factored = splitting.splu

    class Factor:
        def __init__(self, *given: object, **said: object) -> None:
            self.made, self.factor = threading.get_ident(), factored(*given, **said)

        def solve(self, right: np.ndarray) -> np.ndarray:
            return self.factor.solve(right)

        def __del__(self) -> None:
            threads.append((self.made, threading.get_ident()))

    monkeypatch.setattr(splitting, "splu", Factor)
    equilibrium, case, capacity = heap(4)
    with stage(lambda *told: None, "settle"):
        assert balancing(equilibrium, case, capacity) is not None
    ((made, gone),) = threads
    assert made == gone
    assert (made == threading.get_ident()) is bool(quick)
