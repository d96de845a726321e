"""The least set of glued joints: against brute force, and its cases solved again by other means."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest

from steps.glue.cases import Case, load_cases, solve
from steps.glue.covers import smallest_cover
from steps.glue.least import _reachable, least_glue
from steps.glue.report import _unsettled
from steps.glue.search import Search
from steps.model import Assembly, Joints, Move, Order, Step
from steps.sequence import BuildSequence
from steps.settings import Settings
from steps.statics import Structure
from steps.statics.programme import USE_TOLERANCE
from tests.stacks import Cell, Stack, stack

UP = np.array([0.0, 0.0, 1.0])
#: Bond strengths, MPa: far above what is asked of them, and about as much.
STRONG, WEAK = 0.5, 0.004


def tower(levels: int) -> list[Cell]:
    return [Cell(0, 0, level, 2, 2) for level in range(levels)]


def leaning_tower(levels: int) -> list[Cell]:
    return [Cell(level, 0, level, 3, 2) for level in range(levels)]


def bridge(span: int) -> list[Cell]:
    """Two piers, a deck of two spans that meet in the middle, and a plate that joins them."""
    piers = [Cell(x, 0, level, 2, 2) for x in (0, 2 * span - 2) for level in range(2)]
    return [*piers, Cell(0, 0, 2, span, 2), Cell(span, 0, 2, span, 2), Cell(span - 1, 0, 3, 2, 2)]


def cantilever(arms: int) -> list[Cell]:
    """A wall of blocks with arms that stick out, each held down by the block above it."""
    cells = [Cell(0, 0, 0, 4, 2)]
    for level in range(1, arms + 1):
        cells += [
            Cell(2, 0, 2 * level - 1, 6, 2),
            Cell(0, 0, 2 * level - 1, 2, 2),
            Cell(0, 0, 2 * level, 4, 2),
        ]
    return cells


def two_piers(levels: int) -> list[Cell]:
    """A base, two piers on it and a beam across both, with a block hanging over at each end."""
    piers = [Cell(x, 0, level, 2, 2) for level in range(1, levels + 1) for x in (0, 6)]
    top = levels + 1
    return [
        Cell(0, 0, 0, 8, 2),
        *piers,
        Cell(0, 0, top, 8, 2),
        Cell(-2, 0, top + 1, 4, 2),
        Cell(6, 0, top + 1, 4, 2),
    ]


def wall(courses: int) -> list[Cell]:
    cells = []
    for z in range(courses):
        cells += [Cell(0, 0, z, 4, 2), Cell(4, 0, z, 4, 2)] if z % 2 == 0 else [Cell(2, 0, z, 4, 2)]
    return cells


FAMILY: dict[str, Callable[[], list[Cell]]] = {
    "tower of 4": lambda: tower(4),
    "tower of 6": lambda: tower(6),
    "leaning tower of 4": lambda: leaning_tower(4),
    "leaning tower of 6": lambda: leaning_tower(6),
    "bridge of 4": lambda: bridge(4),
    "bridge of 6": lambda: bridge(6),
    "cantilever, 1 arm": lambda: cantilever(1),
    "cantilever, 3 arms": lambda: cantilever(3),
    "two piers of 1": lambda: two_piers(1),
    "two piers of 3": lambda: two_piers(3),
    "wall of 3 courses": lambda: wall(3),
    "wall of 5 courses": lambda: wall(5),
}


def model(name: str, hold: float, stress: float, seed: int) -> tuple[Structure, list[Case], np.ndarray]:
    """A model of the family whose joints hold here and there, its cases, and what glue would give."""
    generator = np.random.default_rng(seed)
    built = stack(FAMILY[name](), hold_per_stud=hold)
    joints = tuple(
        replace(joint, hold_n=joint.hold_n * float(generator.random() < 0.6)) for joint in built.joints.joints
    )
    built = Stack(built.model, built.measures, Joints(joints))
    structure = Structure.of(built.model, built.measures, built.joints, Settings(), coarse=True)
    cases = load_cases(built.model, structure, BuildSequence.of(built.model, Order((), ())), Settings())
    return structure, cases, np.array([joint.glue_area_mm2 * stress for joint in joints])


class BruteForce:
    """Every set of joints, the small ones first, each case by one programme over all its parts.

    More glue never makes a case fail (every capacity only grows), so a set inside one known to fail fails.
    """

    def __init__(self, structure: Structure, strength: np.ndarray, cases: Sequence[Case]) -> None:
        self.structure, self.search = structure, Search(structure, strength, frozenset())
        self.every = frozenset(self.search.may.tolist())
        self.failing: dict[int, list[frozenset[int]]] = {id(case): [] for case in cases}
        self.cases = [case for case in cases if self.holds(self.every, case)]

    def holds(self, glued: Iterable[int], case: Case) -> bool:
        use = solve(self.structure, self.search.contacts(glued), case)[0].use
        return use * case.safety <= 1 + 3 * USE_TOLERANCE

    def fails(self, glued: frozenset[int]) -> bool:
        for case in self.cases:
            known = self.failing[id(case)]
            if any(glued <= one for one in known):
                return True
        for case in self.cases:
            if not self.holds(glued, case):
                self.failing[id(case)].append(self._grown(glued, case))
                return True
        return False

    def _grown(self, glued: frozenset[int], case: Case) -> frozenset[int]:
        for row in sorted(self.every - glued):
            if not self.holds(glued | {row}, case):
                glued |= {row}
        return glued

    def least(self) -> int:
        return next(
            count
            for count in range(len(self.every) + 1)
            if any(not self.fails(frozenset(some)) for some in combinations(sorted(self.every), count))
        )


#: What a stud holds (N) and the stress of the bond (MPa); the larger models take only two of these.
PAIRS = ((0.05, STRONG), (0.0, WEAK), (0.0, STRONG), (0.3, STRONG))
LARGE = ("tower of 6", "leaning tower of 6", "bridge of 6", "cantilever, 3 arms", "two piers of 3")
RUNS = [(name, *pair) for name in FAMILY for pair in PAIRS[: 1 if name in LARGE else 3]]


@pytest.mark.parametrize(("name", "hold", "stress"), RUNS)
def test_family_against_brute_force(name, hold, stress):
    structure, cases, strength = model(name, hold, stress, seed=len(name))
    assert len(strength) <= 14
    found = least_glue(structure, cases, strength)
    brute = BruteForce(structure, strength, _reachable(Search(structure, strength, frozenset()), cases)[0])
    assert len(found.glued) == found.bound == brute.least()
    assert all(brute.holds(found.glued, case) for case in brute.cases)
    assert len(found.fails) == len(cases) - len(brute.cases)


def from_below(built: Stack, step: int = 3) -> Order:
    """The parts by height, some at a time, each pressed straight down."""
    height = built.model.part_bounds[:, 0, 2]
    names = [built.model.parts[row].id for row in np.argsort(height, kind="stable").tolist()]
    down = Move([(0, 0, -1)])
    steps = [
        Step(number, "A1", tuple(some), dict.fromkeys(some, down), (), (), UP)
        for number, some in enumerate((names[at : at + step] for at in range(0, len(names), step)), start=1)
    ]
    return Order((Assembly("A1", "all of it", (tuple(names),)),), tuple(steps))


def random_pile(seed: int, blocks: int = 20) -> Stack:
    """Blocks dropped at random, each on some other; too many joints for brute force."""
    generator = np.random.default_rng(seed)
    tops: dict[tuple[int, int], int] = {}
    cells = []
    for _ in range(blocks):
        x, y = (int(each) for each in generator.integers(0, 6, 2))
        nx, ny = int(generator.choice([1, 2, 4])), int(generator.choice([1, 2]))
        under = [(x + i, y + j) for i in range(nx) for j in range(ny)]
        z = max(tops.get(place, 0) for place in under)
        cells.append(Cell(x, y, z, nx, ny))
        tops.update(dict.fromkeys(under, z + 1))
    return stack(cells, hold_per_stud=float(generator.choice([0.0, 0.05])))


@pytest.mark.parametrize("seed", range(4))
def test_what_is_said_to_be_enough_is_enough(seed):
    """Independent means: each case by one programme over all its parts, with no joint taken as rigid."""
    built = random_pile(seed)
    structure = Structure.of(built.model, built.measures, built.joints, Settings(), coarse=True)
    cases = load_cases(built.model, structure, BuildSequence.of(built.model, from_below(built)), Settings())
    strength = np.array([joint.glue_area_mm2 * STRONG for joint in built.joints.joints])
    found = least_glue(structure, cases, strength)
    search = Search(structure, strength, frozenset())
    hopeless = {(case.kind, case.words) for case, _ in found.fails}
    asked = [case for case in _reachable(search, cases)[0] if (case.kind, case.words) not in hopeless]
    assert found.bound <= len(found.glued) <= len(strength)
    contacts = search.contacts(found.glued)
    for case in asked:
        if case.on:  # a press matters only on what stands without it
            weight = replace(case, loads=structure.bodies.weight(case.up))
            if not np.isfinite(solve(structure, contacts, weight)[0].use):
                continue
        assert solve(structure, contacts, case)[0].use * case.safety <= 1 + 3 * USE_TOLERANCE, case.words


def test_a_set_found_when_the_work_runs_out_still_holds():
    structure, cases, strength = model("wall of 5 courses", 0.0, STRONG, seed=3)
    least = least_glue(structure, cases, strength)
    hasty = least_glue(structure, cases, strength, work=1.0)
    assert len(hasty.glued) >= len(least.glued) >= hasty.bound
    brute = BruteForce(structure, strength, cases)
    assert all(brute.holds(hasty.glued, case) for case in brute.cases)


def test_joints_that_are_alike_are_glued_together():
    structure, cases, strength = model("bridge of 6", 0.0, STRONG, seed=0)
    alone = least_glue(structure, cases, strength)
    pairs = [(row, len(strength) - 1 - row) for row in range(len(strength) // 2)]
    found = least_glue(structure, cases, strength, alike=pairs)
    for one, other in pairs:
        assert (one in found.glued) == (other in found.glued)
    assert len(found.glued) == found.bound >= len(alone.glued)


@pytest.mark.parametrize("seed", range(20))
def test_smallest_cover_against_all_covers(seed):
    """Independent means: every set of joints, the small ones first."""
    generator = np.random.default_rng(seed)
    joints = np.arange(8)
    demands = [
        tuple(sorted(generator.choice(8, int(generator.integers(1, 4)), replace=False).tolist()))
        for _ in range(int(generator.integers(1, 7)))
    ]
    forced = frozenset({int(generator.integers(8))} if generator.random() < 0.5 else ())
    found = smallest_cover(joints, generator.random(8) + 0.1, demands, forced, joints)
    least = next(
        count
        for count in range(9)
        if any(
            forced <= set(some) and all(set(some) & set(demand) for demand in demands)
            for some in combinations(range(8), count)
        )
    )
    assert len(found.joints) == found.bound == least
    assert forced <= found.joints and all(found.joints & set(demand) for demand in demands)


@pytest.mark.parametrize("name", ["cantilever, 3 arms", "two piers of 3", "wall of 5 courses"])
def test_what_a_very_large_model_leaves_unsettled_is_told_apart(
    name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With no programme allowed, only the trees speak: all that is neither unsettled nor failing does hold by
    an independent programme, and what is unsettled is said so, not said to fail."""
    for module in ("least", "quick", "search"):
        monkeypatch.setattr(f"steps.glue.{module}.VERY_LARGE", 0)
    monkeypatch.setattr("steps.glue.least.QUICK_PARTS", 0)
    monkeypatch.setattr("steps.glue.search.MOST_PIECES", 0)
    unsettled = 0
    for stress in (STRONG, WEAK, WEAK / 4):
        structure, cases, strength = model(name, 1.0, stress, 3)
        found = least_glue(structure, cases, strength)
        check = BruteForce(structure, strength, [])
        doubtful = {id(case) for case in found.unsettled} | {id(case) for case, _ in found.fails}
        named = {(case.kind, case.words) for case in found.unsettled}
        assert not named & {(case.kind, case.words) for case, _ in found.fails}
        unsettled += len(found.unsettled)
        told = _unsettled(found)
        assert len(told) == bool(found.unsettled)
        for case in found.unsettled[:1]:
            assert told[0].severity == "warning" and case.words in told[0].text
        for case in _reachable(check.search, cases)[0]:
            if id(case) not in doubtful and (case.kind, case.words) not in named:
                assert check.holds(found.glued, case), case.words
    assert unsettled
