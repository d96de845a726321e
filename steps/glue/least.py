"""The least set of joints to glue so that every load case holds.

More glue never makes a case fail, so cases that hold without any are settled, and a case that fails with
all joints glued cannot be helped by glue. What is left is a covering problem: whenever a case fails with
a set glued, that set is grown as long as the case keeps failing; of the joints then left out at least one
must be glued. Covers of all such demands are found by mixed-integer programme, the smallest first; the first
cover with which every case holds is a least set. A quick set comes first: a tree of the strongest joints
across what nothing holds together, strengthened where the relaxed programme says, and thinned out. When
it is as small as the bound, or the work is used up, it stands, with the bound.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from scipy import sparse
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse.csgraph import breadth_first_order, connected_components

from steps.glue.branching import branching_cost
from steps.glue.cases import Case, pose, solve
from steps.glue.screen import Holds, holds_of, needs_of, proved, proved_lifts, strongest_tree
from steps.model import Array, IntArray
from steps.statics import Contacts, Stand, Structure, least_extra
from steps.statics.programme import USE_TOLERANCE

#: Work allowed, in bodies times programmes: a few seconds on one core (100 bodies take 0.1 s each). A count
#: and not a clock, so that the same model gives the same set.
WORK = 800
#: Parts above which a case is no longer solved again and again: glue follows the quick proof.
EXACT_PARTS = 600
#: Joints to choose among above which no least set is sought, only a small one and the bound.
EXACT_JOINTS = 40
#: Pieces above which the bound is counted by the pieces that nothing props.
MOST_PIECES = 400
#: With more lifts than this all pieces are joined: what rests on another in one lift hangs in the next.
MANY_LIFTS = 8
#: Of the joints that the relaxed programme strengthens, those with this share of the most are taken at once.
WANTED_SHARE = 0.3
#: Rounds in which the quick set is strengthened.
ROUNDS = 60
#: A cheaper choice by this much prefers strong joints among equal counts; all together less than one joint.
PREFER_STRONG = 1e-4


@dataclass(frozen=True)
class LeastGlue:
    """The joints to glue (rows), the fewest that any set can have, and how it was found.

    ``fails`` are cases that fail even with everything glued, each with the joint that gives way first (a
    row, or -1); ``loose`` are parts (rows) that no joint that holds or may be glued connects to what is held.
    """

    glued: tuple[int, ...]
    bound: int
    cases: int
    settled: int
    programmes: int
    fails: tuple[tuple[Case, int], ...]
    loose: tuple[int, ...]
    loads_n: Mapping[int, float]
    needs_n: Mapping[int, float]
    on_glue: frozenset[int]  #: numbers of the steps after which the build stands only by its glue


@dataclass(eq=False)
class _Search:
    structure: Structure
    strength: Array  #: (joints,) N when glued, 0 for joints that may not be
    forced: frozenset[int]
    work: int = 0
    limit: float = np.inf
    programmes: int = 0
    demands: list[tuple[int, ...]] = field(default_factory=list)

    def __post_init__(self) -> None:
        ids = [joint.id for joint in self.structure.joints.joints]
        may = np.flatnonzero(self.strength > 0)
        self.may = may
        self.plain = self.structure.contacts
        self.strong = self.structure.glued({ids[row]: float(self.strength[row]) for row in may})
        self.plain_holds = holds_of(self.structure, self.plain)
        self.strong_holds = holds_of(self.structure, self.strong)

    # ------------------------------------------------------------------ one set of glued joints

    def contacts(self, glued: Iterable[int]) -> Contacts:
        pick = self.mask(glued)[self.structure.joint]
        plain, strong = self.plain, self.strong
        return replace(
            plain,
            pull=np.where(pick, strong.pull, plain.pull),
            grip=np.where(pick, strong.grip, plain.grip),
            push=np.where(pick, strong.push, plain.push),
        )

    def holds(self, glued: Iterable[int]) -> Holds:
        pick = self.mask(glued)
        plain, strong = self.plain_holds, self.strong_holds
        return Holds(
            np.where(pick, strong.pull, plain.pull),
            np.where(pick, strong.arm, plain.arm),
            np.where(pick[:, None], strong.middle, plain.middle),
            plain.first,
            plain.second,
        )

    def mask(self, glued: Iterable[int]) -> np.ndarray:
        pick = np.zeros(len(self.strength), dtype=bool)
        pick[list(glued)] = True
        return pick

    def pieces(self, holds: Holds, case: Case) -> IntArray:
        """A label per part: parts joined by joints that can pull have one label, and so have those held."""
        count = len(self.structure.bodies)
        live = holds.pull > 0
        rows, columns = [holds.first[live]], [holds.second[live]]
        if len(case.held) > 1:
            rows.append(case.held[1:])
            columns.append(np.full(len(case.held) - 1, case.held[0]))
        row, column = np.concatenate(rows), np.concatenate(columns)
        there = self.there(case)
        inside = there[row] & there[column]
        graph = sparse.coo_matrix(
            (np.ones(inside.sum()), (row[inside], column[inside])), shape=(count, count)
        )
        return connected_components(graph, directed=False)[1]

    def there(self, case: Case) -> np.ndarray:
        there = np.zeros(len(self.structure.bodies), dtype=bool)
        there[case.parts] = True
        return there

    def props(self, case: Case) -> tuple[IntArray, IntArray]:
        """Pairs of parts (lower, upper): the lower may hold the upper up by pushing or rubbing alone."""
        plain = self.plain
        rise = plain.normal @ case.against
        rubs = (plain.friction > 0) & (np.abs(rise) < 0.99)
        first_up, second_up = plain.push & ((rise > 1e-6) | rubs), plain.push & ((rise < -1e-6) | rubs)
        lower = np.concatenate([plain.second[first_up], plain.first[second_up]])
        upper = np.concatenate([plain.first[first_up], plain.second[second_up]])
        there = self.there(case)
        inside = there[lower] & there[upper]
        pairs = np.unique(np.stack([lower[inside], upper[inside]], axis=1), axis=0)
        return pairs[:, 0], pairs[:, 1]

    def out_of_reach(self, holds: Holds, case: Case) -> np.ndarray:
        """Mask of the parts that must fall: no chain of pulls and props leads to them from what is held."""
        label = self.pieces(holds, case)
        lower, upper = self.props(case)
        graph = sparse.coo_matrix(
            (np.ones(len(lower)), (label[lower], label[upper])), shape=(len(label),) * 2
        )
        reached = breadth_first_order(graph.tocsr(), int(label[case.held[0]]), return_predecessors=False)
        return self.there(case) & ~np.isin(label, reached)

    def exact(self, glued: Iterable[int], case: Case) -> bool:
        found, _ = self.solved(glued, case)
        return found.use * case.safety <= 1 + USE_TOLERANCE * case.safety

    def solved(self, glued: Iterable[int], case: Case):  # type: ignore[no-untyped-def]
        self.work += len(case.parts)
        self.programmes += 1
        return solve(self.structure, self.contacts(glued), case)

    def failing(self, glued: Iterable[int], cases: Sequence[Case], first_only: bool = False) -> list[Case]:
        """The cases that fail with a set glued."""
        glued = sorted(glued)
        holds, centroid = self.holds(glued), self.structure.bodies.centroid
        held = [case for case in cases if len(case.held)]
        ok: dict[int, bool] = {}
        for lifts in _lifts_alike(held):
            ok.update(zip(map(id, lifts), proved_lifts(holds, lifts, centroid), strict=True))
        failed = []
        for case in cases:
            if ok.get(id(case), False) or (id(case) not in ok and proved(holds, case, centroid)):
                continue
            if first_only and self.work > self.limit:
                return [case]  # not known: as good as failing
            falls = len(case.held) > 0 and bool(self.out_of_reach(holds, case).any())
            if not falls and self.exact(glued, case):
                continue
            failed.append(case)
            if first_only:
                break
        return failed


def _lifts_alike(cases: Sequence[Case]) -> list[list[Case]]:
    """Lifts by one part, those of the same parts together."""
    found: dict[bytes, list[Case]] = {}
    for case in cases:
        if case.kind == "lift" and len(case.held) == 1:
            found.setdefault(case.parts.tobytes(), []).append(case)
    return list(found.values())


def least_glue(
    structure: Structure,
    cases: Sequence[Case],
    strength: Array,
    forced: Iterable[int] = (),
    work: int = WORK,
) -> LeastGlue:
    """The least set of joints to glue. ``strength`` (joints,) N when glued, 0 where glue is not allowed."""
    search = _Search(structure, np.asarray(strength, dtype=float), frozenset(forced))
    reachable, loose = _reachable(search, cases)
    open_cases = _unsettled(search, reachable)
    glued, fails = _quick_set(search, open_cases)
    hopeless = {id(case) for case, _ in fails}
    active = [case for case in open_cases if id(case) not in hopeless]
    bound = _bound(search, active)
    if len(structure.bodies) <= EXACT_PARTS and len(glued) > bound:
        search.work, search.limit = 0, work
        glued = _thinned(search, glued, active, work)
        if len(glued) > bound and len(search.may) <= EXACT_JOINTS:
            search.work, search.limit = 0, np.inf
            glued, bound = _least_cover(search, glued, active, bound, work)
    loads, needs = _loads(search, glued, reachable)
    return LeastGlue(
        tuple(sorted(glued)),
        max(bound, len(search.forced)),
        len(cases),
        len(cases) - len(open_cases),
        search.programmes,
        tuple(fails),
        loose,
        loads,
        needs,
        frozenset(case.step for case in open_cases if case.kind == "step"),
    )


# ------------------------------------------------------------------------------ settling cases


def _reachable(search: _Search, cases: Sequence[Case]) -> tuple[list[Case], tuple[int, ...]]:
    """The cases without the parts that nothing can hold, and those parts."""
    holds = search.strong_holds
    loose: set[int] = set()
    found = []
    for case in cases:
        if not len(case.held):
            found.append(case)
            continue
        label = search.pieces(holds, case)
        kept = case.parts[label[case.parts] == label[case.held[0]]]
        if len(kept) < len(case.parts):
            loose.update(set(case.parts.tolist()) - set(kept.tolist()))
            case = replace(case, parts=kept)
        found.append(case)
    return found, tuple(sorted(loose))


def _unsettled(search: _Search, cases: Sequence[Case]) -> list[Case]:
    """The cases that do not hold with only the forced joints glued."""
    names = [part.id for part in search.structure.model.parts]
    ids = [joint.id for joint in search.structure.joints.joints]
    glued = {ids[row]: float(search.strength[row]) for row in search.forced}
    stands: dict[tuple[float, ...], Stand] = {}
    found = []
    for case in cases:
        if len(case.held):
            continue
        key = tuple(case.up.tolist())
        if key not in stands:
            stands[key] = Stand.of(search.structure, case.up, glued)
        standing = stands[key].stands([names[row] for row in case.parts], wanted=case.safety)
        search.programmes += standing.programmes
        if not (standing.ok and standing.reserve >= case.safety * (1 - USE_TOLERANCE)):
            found.append(case)
    held = [case for case in cases if len(case.held)]
    return found + search.failing(search.forced, held)


def _first_to_give(search: _Search, case: Case) -> int:
    """With everything glued, the joint whose capacity is passed most; -1 when no forces balance at all."""
    balance, joint = search.solved(search.may.tolist(), case)
    return int(joint[int(np.argmax(balance.share))]) if np.isfinite(balance.use) and len(joint) else -1


def _bound(search: _Search, cases: Sequence[Case]) -> int:
    """Glued joints that any set needs at least.

    In a case with held parts every piece must be reached from what is held, by props that are free or by
    joints that must be glued: at least as many as in the cheapest such branching (Edmonds' arborescence).
    """
    least = int(bool(cases))
    holds = search.holds(search.forced)
    for case in cases:
        if len(case.held):
            least = max(least, _branching(search, holds, case))
    return least + len(search.forced)


def _branching(search: _Search, holds: Holds, case: Case) -> int:
    label = search.pieces(holds, case)
    pieces = np.unique(label[case.parts])
    if len(pieces) == 1:
        return 0
    lower, upper = (label[side] for side in search.props(case))
    strong, there = search.strong_holds, search.there(case)
    rows = [row for row in search.may if there[strong.first[row]] and there[strong.second[row]]]
    root = int(label[case.held[0]])
    if len(pieces) > MOST_PIECES:
        propped = {int(up) for low, up in zip(lower, upper, strict=True) if low != up} | {root}
        return sum(int(piece) not in propped for piece in pieces)
    number = {int(piece): at for at, piece in enumerate(pieces)}
    edges = [(number[int(low)], number[int(up)], 0) for low, up in zip(lower, upper, strict=True)]
    for row in rows:
        a, b = number[int(label[strong.first[row]])], number[int(label[strong.second[row]])]
        edges += [(a, b, 1), (b, a, 1)]
    return branching_cost(len(pieces), number[root], edges) or 0


# ------------------------------------------------------------------------------ a quick small set


def _quick_set(search: _Search, cases: Sequence[Case]) -> tuple[set[int], list[tuple[Case, int]]]:
    """A small set with which the cases hold, and the cases that fail even with everything glued."""
    glued, fails = set(search.forced), []
    large = len(search.structure.bodies) > EXACT_PARTS
    one_piece = large or sum(case.kind == "lift" for case in cases) > MANY_LIFTS
    for case in cases:
        if len(case.held):
            _connect(search, glued, case, one_piece)
    for case in cases if large else search.failing(glued, cases):
        for _ in range(ROUNDS):
            more = _weak_in_tree(search, glued, case) if large and len(case.held) else None
            if more is None and search.failing(glued, [case]):
                more = _most_wanted(search, glued, case)
                if more is None:
                    fails.append((case, _first_to_give(search, case)))
            if not more:
                break
            glued |= more
    return glued, fails


def _connect(search: _Search, glued: set[int], case: Case, all_pieces: bool) -> None:
    """Add the strongest joints that reach the parts that would fall, or that join all pieces to one."""
    strong = search.strong_holds
    best = sorted(
        search.may.tolist(), key=lambda row: (-round(float(strong.pull[row] * strong.arm[row]), 6), row)
    )
    if all_pieces:
        _join_pieces(search, glued, case, best)
        return
    while True:
        falls = search.out_of_reach(search.holds(glued), case)
        there = search.there(case)
        safe = there & ~falls
        across = [
            row
            for row in best
            if (safe[strong.first[row]] and falls[strong.second[row]])
            or (falls[strong.first[row]] and safe[strong.second[row]])
        ]
        if not across:
            return
        glued.add(across[0])


def _join_pieces(search: _Search, glued: set[int], case: Case, best: Sequence[int]) -> None:
    strong, there = search.strong_holds, search.there(case)
    label = search.pieces(search.holds(glued), case)
    parent: dict[int, int] = {}

    def find(one: int) -> int:
        while parent.get(one, one) != one:
            one = parent[one]
        return one

    for row in best:
        if there[strong.first[row]] and there[strong.second[row]]:
            a, b = find(int(label[strong.first[row]])), find(int(label[strong.second[row]]))
            if a != b:
                parent[a] = b
                glued.add(row)


def _weak_in_tree(search: _Search, glued: set[int], case: Case) -> set[int] | None:
    """Joints of the strongest tree that do not prove the case and could be glued; None when there is no
    such tree, or its weak joints cannot be glued."""
    holds, centroid = search.holds(glued), search.structure.bodies.centroid
    tree = strongest_tree(holds, case.parts, case.held, len(centroid))
    if tree is None:
        return None
    need = needs_of(tree, holds, case, centroid).need_below * case.safety
    weak = {int(row) for row in tree.joint[1:][need[1:] > holds.pull[tree.joint[1:]]]}
    more = {row for row in weak if search.strength[row] > 0 and row not in glued}
    return more if more or not weak else None


def _most_wanted(search: _Search, glued: set[int], case: Case) -> set[int] | None:
    """The joints that the relaxed programme strengthens most; None when even all joints do not do."""
    left = [row for row in search.may.tolist() if row not in glued]
    number = np.full(len(search.strength) + 1, -1)
    number[left] = np.arange(len(left))
    weak = pose(search.structure, search.contacts(glued), case)
    strong = pose(search.structure, search.strong, case)
    search.work += len(case.parts)
    search.programmes += 1
    shares = least_extra(
        weak.bodies, weak.contacts, weak.loads, number[weak.joint], strong.contacts, case.safety
    )
    if shares is None or shares.max(initial=0.0) <= 1e-9:
        return None
    wanted = np.round(shares, 9)
    return {
        left[at] for at in np.flatnonzero((wanted > 0) & (wanted >= WANTED_SHARE * wanted.max())).tolist()
    }


def _thinned(search: _Search, glued: set[int], cases: Sequence[Case], work: int) -> set[int]:
    """Leave out joints, the weakest first, several at once where that does, as long as every case holds."""
    kept = set(glued)
    spare = sorted(glued - search.forced, key=lambda row: (search.strength[row], row))
    pending = [spare[: len(spare) // 2], spare[len(spare) // 2 :]]
    while pending and search.work <= work:
        some = pending.pop(0)
        if not some:
            continue
        if not search.failing(kept - set(some), cases, first_only=True):
            kept -= set(some)
        elif len(some) > 1:
            pending[:0] = [some[: len(some) // 2], some[len(some) // 2 :]]
    return kept


# ------------------------------------------------------------------------------ the least set


def _least_cover(
    search: _Search, best: set[int], cases: Sequence[Case], bound: int, work: int
) -> tuple[set[int], int]:
    """Covers of the demands, the smallest first, until one holds in every case or meets the best known."""
    while search.work <= work:
        cover = _smallest_cover(search, bound)
        bound = max(bound, len(cover))
        if len(cover) >= len(best):
            return best, len(best)
        failed = search.failing(cover, cases, first_only=True)
        if not failed:
            return cover, len(cover)
        search.demands.append(_demand(search, cover, failed[0], work))
        # the case that fails most goes first next time
        cases = [failed[0], *(case for case in cases if case is not failed[0])]
    return best, bound


def _smallest_cover(search: _Search, bound: int) -> set[int]:
    may = search.may
    place = {int(row): at for at, row in enumerate(may)}
    demands = [[place[row] for row in demand] for demand in search.demands]
    rows = [at for at, demand in enumerate(demands) for _ in demand]
    matrix = sparse.coo_matrix(
        (np.ones(len(rows)), (rows, [column for demand in demands for column in demand])),
        shape=(len(demands), len(may)),
    )
    everything = np.ones((1, len(may)))
    limits = sparse.vstack([matrix, everything]).tocsc()
    least = np.append(np.ones(len(demands)), bound)
    strongest = search.strength.max()
    cost = 1.0 + PREFER_STRONG * (1.0 - search.strength[may] / strongest)
    low = np.array([1.0 if int(row) in search.forced else 0.0 for row in may])
    found = milp(
        cost, constraints=LinearConstraint(limits, least, np.inf), integrality=1, bounds=Bounds(low, 1.0)
    )
    return {int(row) for row, value in zip(may, found.x, strict=True) if value > 0.5}


def _demand(search: _Search, glued: set[int], case: Case, work: int) -> tuple[int, ...]:
    """Joints of which at least one must be glued, given that a case fails with a set."""
    if len(case.held):
        falls = search.out_of_reach(search.holds(glued), case)
        if falls.any():
            first, second = search.strong_holds.first, search.strong_holds.second
            # whatever else is glued among them, what would fall hangs on these
            return tuple(int(row) for row in search.may if falls[first[row]] != falls[second[row]])
    grown = set(glued)
    left = sorted(set(search.may.tolist()) - grown, key=lambda row: (search.strength[row], row))
    pending = [left[: len(left) // 2], left[len(left) // 2 :]]
    while pending:
        some = pending.pop(0)
        if not some or search.work > work:
            continue
        if search.failing(grown | set(some), [case]):
            grown |= set(some)
        elif len(some) > 1:
            pending[:0] = [some[: len(some) // 2], some[len(some) // 2 :]]
    return tuple(sorted(set(search.may.tolist()) - grown))


def _loads(
    search: _Search, glued: set[int], cases: Sequence[Case]
) -> tuple[dict[int, float], dict[int, float]]:
    """Greatest pull on each joint over the cases with held parts, along the tree of strongest joints: as it
    is, and times the case's safety factor."""
    holds, centroid = search.holds(glued), search.structure.bodies.centroid
    loads: dict[int, float] = {}
    needs: dict[int, float] = {}
    for case in cases:
        tree = strongest_tree(holds, case.parts, case.held, len(centroid)) if len(case.held) else None
        if tree is None:
            continue
        need = needs_of(tree, holds, case, centroid).need_below
        for row, newtons in zip(tree.joint[1:].tolist(), need[1:].tolist(), strict=True):
            if np.isfinite(newtons):
                loads[row] = max(loads.get(row, 0.0), newtons)
                needs[row] = max(needs.get(row, 0.0), newtons * case.safety)
    return loads, needs
