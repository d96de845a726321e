"""A build's own balance, kept as it grows: what it proves, the programme of the whole says too."""

from __future__ import annotations

import numpy as np
import pytest

from steps.settings import Settings
from steps.statics import Capacity, Stand, Structure
from steps.statics.growing import Growing
from tests.stacks import Cell, stack
from tests.test_statics import random_heap

UP = np.array([0.0, 0.0, 1.0])


def structure_of(cells: list[Cell], hold: float) -> Structure:
    built = stack(cells, hold)
    return Structure.of(built.model, built.measures, built.joints, Settings())


def by_programme(
    structure: Structure, count: int, loads: dict[int, np.ndarray], held: tuple[int, ...]
) -> bool:
    """A structure of its own, so that nothing is known of it yet."""
    names = [part.id for part in structure.model.parts]
    felt = {names[row]: load for row, load in loads.items()}
    return Stand.of(structure, UP).stands(names[:count], felt, [names[row] for row in held]).ok


@pytest.mark.parametrize("seed", range(12))
def test_what_it_proves_of_a_growing_heap_the_programme_says_too(seed):
    generator = np.random.default_rng(seed)
    cells = random_heap(generator)
    hold = float(generator.choice([0.0, 0.05, 2.0]))
    structure, other = structure_of(cells, hold), structure_of(cells, hold)
    growing = Growing(structure, UP, range(len(cells)))
    for count in range(1, len(cells) + 1):
        present = set(range(count))
        push = np.append(generator.normal(size=3) * 0.05, np.zeros(3))
        last = count - 1
        for loads, held in (({}, ()), ({last: push}, ()), ({}, (last,))):
            found = growing.stands(present, loads, held)
            assert found in (None, by_programme(other, count, loads, held))


@pytest.mark.parametrize("seed", range(12))
def test_hands_that_change_from_part_to_part_leave_its_answers_true(seed):
    """Asked with other hands at each part, so that it goes on from forces that hands bore and from falls
    found before."""
    generator = np.random.default_rng(100 + seed)
    cells = random_heap(generator)
    hold = float(generator.choice([0.0, 0.05, 0.5]))
    structure, other = structure_of(cells, hold), structure_of(cells, hold)
    growing = Growing(structure, UP, range(len(cells)))
    for count in range(1, len(cells) + 1):
        present = set(range(count))
        held = tuple(row for row in range(count) if generator.random() < 0.2)
        for hands in (held, (), held[:1]):
            assert growing.stands(present, held=hands) in (None, by_programme(other, count, {}, hands))
        if hold_ := growing.hold(present):
            assert not by_programme(other, count, {}, ())
            assert by_programme(other, count, {}, hold_)


@pytest.mark.parametrize("seed", range(8))
def test_forces_kept_from_what_is_weaker_leave_its_answers_true(seed):
    generator = np.random.default_rng(seed)
    cells = random_heap(generator)
    structure, other = structure_of(cells, 2.0), structure_of(cells, 2.0)
    full = Capacity.of(structure.contacts)
    weak = Capacity(full.friction, full.pull / 50, full.grip / 50, full.push)
    weaker = structure_of(cells, 0.04)
    np.testing.assert_allclose(Capacity.of(weaker.contacts).pull, weak.pull)
    growing = Growing(structure, UP, range(len(cells)))
    for count in range(1, len(cells) + 1):
        present, held = set(range(count)), (int(generator.integers(count)),)
        found = growing.stands(present, held=held, weak=weak, keep=True)
        assert found in (None, by_programme(weaker, count, {}, held))
        assert growing.stands(present) in (None, by_programme(other, count, {}, ()))


def balcony(floors: int) -> list[Cell]:
    """A post, a beam out to one side of it at the second place that falls without glue, then the floors of a
    tower that stands apart from it."""
    return [Cell(0, 0, 0, 2, 2), Cell(0, 0, 1, 8, 2), *(Cell(40, 0, z, 4, 4) for z in range(floors))]


def test_what_fell_is_not_worked_out_again_until_something_comes_beside_it(monkeypatch):
    floors, beam = 6, 1
    cells = [*balcony(floors), Cell(6, 0, 0, 2, 2)]  # at last a post under its end
    growing = Growing(structure_of(cells, 0.0), UP, range(len(cells)))
    solved: list[int] = []
    real = Growing._fall
    monkeypatch.setattr(Growing, "_fall", lambda self, *rest: solved.append(1) or real(self, *rest))
    assert growing.stands({0})
    assert growing.stands({0, beam}) is not True
    assert growing.hold({0, beam, 2}) == (beam,)
    found = len(solved)
    for count in range(4, floors + 3):
        assert growing.stands(set(range(count))) is False
    assert len(solved) == found
    assert growing.stands(set(range(len(cells))))


def test_what_others_saw_fall_is_not_worked_out_again(monkeypatch):
    growing = Growing(structure_of(balcony(1), 0.0), UP, range(3))
    assert growing.stands({0, 2})
    assert growing.stands({0, 1, 2}, held=(1,))
    growing.fell({1: np.array([0.0, 0.0, -1.0, 0.0, 0.0, 0.0])})
    monkeypatch.setattr(Growing, "_fall", lambda *_: pytest.fail("worked out again"))
    assert growing.stands({0, 1, 2}) is False


def test_what_comes_on_to_what_falls_falls_with_it_at_no_programme(monkeypatch):
    """A pile grows on the outer end of a beam that falls; weaker joints change nothing about that, a post
    under the pile's end of the beam does."""
    beam, pile = 1, 5
    cells = [*balcony(0), *(Cell(6, 0, 2 + z, 2, 2) for z in range(pile)), Cell(6, 0, 0, 2, 2)]
    structure = structure_of(cells, 0.0)
    growing, post = Growing(structure, UP, range(len(cells))), len(cells) - 1
    assert growing.stands({0})
    assert growing.hold({0, beam}) == (beam,)
    with monkeypatch.context() as patched:
        patched.setattr(Growing, "_fall", lambda *_: pytest.fail("worked out again"))
        patched.setattr(Growing, "_balanced", lambda *_: pytest.fail("worked out again"))
        for count in range(3, post + 1):
            assert growing.stands(set(range(count)), held=(0,)) is False
        weak = Capacity.of(structure.contacts)
        assert growing.stands(set(range(post)), weak=weak) is False
    assert growing.hold(set(range(post))) == (beam,)
    assert growing.stands(set(range(len(cells))))


def test_a_tall_stack_is_asked_about_at_the_price_of_one_column(monkeypatch):
    """Columns side by side, each topped in turn: a part more concerns its own column alone."""
    high, columns = 8, 12
    cells = [Cell(4 * x, 0, z, 2, 2) for z in range(high) for x in range(columns)]
    growing = Growing(structure_of(cells, 2.0), UP, range(len(cells)))
    assert growing.stands(set(range(len(cells) - columns)))
    sizes: list[int] = []
    real = Growing._balanced
    monkeypatch.setattr(
        Growing,
        "_balanced",
        lambda self, region, *rest: sizes.append(len(region)) or real(self, region, *rest),
    )
    for count in range(len(cells) - columns + 1, len(cells) + 1):
        assert growing.stands(set(range(count)))
    assert sizes == [high] * columns


def test_what_hangs_on_a_joint_falls_while_the_joint_is_weak():
    """A beam out to one side of a post: it stands by what its joint pulls, and needs a hand without."""
    cells = [Cell(0, 0, 0, 8, 2), Cell(0, 0, 1, 2, 2), Cell(0, 0, 2, 8, 2)]
    structure = structure_of(cells, 50.0)
    growing, beam = Growing(structure, UP, range(3)), 2
    weak = Capacity.of(structure.contacts)
    nothing = np.zeros_like(weak.pull)
    weak = Capacity(weak.friction, nothing, np.where(np.isinf(weak.grip), weak.grip, 0.0), weak.push)
    assert growing.stands({0, 1, 2})
    assert growing.stands({0, 1, 2}, weak=weak) is not True
    assert growing.help({beam}, weak) == (beam,)
    assert growing.stands({0, 1, 2}, held=(beam,), weak=weak)
    assert growing.stands({0, 1, 2})


def test_a_build_whose_lowest_part_comes_last_stands_on_it():
    cells = [Cell(0, 0, 1, 4, 4), Cell(0, 0, 2, 4, 4), Cell(0, 0, 0, 4, 4)]
    growing = Growing(structure_of(cells, 2.0), UP, range(3))
    assert growing.stands({0, 1})
    assert growing.stands({0, 1, 2})


def test_of_two_that_do_not_touch_each_other_one_in_the_air_falls():
    cells = [Cell(0, 0, 0, 4, 4), Cell(20, 0, 3, 2, 2)]
    growing = Growing(structure_of(cells, 2.0), UP, range(2))
    assert growing.stands({0})
    assert growing.stands({0, 1}) is not True
