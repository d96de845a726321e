"""The least effort of gluing that reaches the aim and survives its load cases.

What does not move is to be one piece: a set of joints that hold surely, or are glued, that ties it together.
That part is exact (:mod:`steps.glue.master`). Where a load case falls with the set, the set grows by what the
case asks for, until it holds in all of them: more glue makes a case fail only where joints share the time of
a push. What the falls demanded then makes a cheaper set to try, and a bound that is told.

To wait until glue is hard costs more than to glue: a turn amid the build is to be borne by glue that only
holds by itself, with as many joints as that takes. Where none suffice, the step waits until it is hard.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import sparse
from scipy.optimize import nnls
from scipy.sparse.csgraph import connected_components, shortest_path

from steps.glue.cases import LoadCase
from steps.glue.instead import next_best
from steps.glue.master import NEAR_BOUND, CoveringSet, Cut, Ties, exactly, least_effort
from steps.glue.proofs import Failure, Known, Proofs
from steps.glue.supply import Supply
from steps.model import Array, IntArray, Joint, Mask
from steps.statics import Structure

#: Passes after the first, in which a cheaper set is tried.
ROUNDS = 60
#: Of joints of one effort those nearer to the table come first, by this much a joint on the way: short ways
#: make short levers. Less than any effort differs in earnest.
NEARER = 1e-6

#: A face that leans more than this (sine) from across a load bears some of it: rounding of a normal.
ACROSS = 0.02
#: How much more it weighs that the whole of a load is borne than that it is in balance, and than that it is
#: borne evenly: the last is asked only where balance leaves it open.
ALL, EVENLY = 100.0, 0.01


@dataclass(frozen=True, eq=False)
class Asked:
    """What the search is asked: the ``supply`` of glue; ``effort`` (joints,); ``sure`` (joints,) whether each
    ties its parts without glue; ``rigid`` (joints,) whether its parts are one piece in the end (it neither
    moves nor must open); ``forced`` rows that are glued at any rate; ``one_piece`` whether that is the
    aim; ``early`` the share of its strength that a joint has before it is hard."""

    supply: Supply
    effort: Array
    sure: Mask
    rigid: Mask
    forced: frozenset[int]
    one_piece: bool
    early: float = 1.0


@dataclass(frozen=True)
class LeastGlue:
    """The joints to glue (rows), their ``effort`` and the ``bound`` below which no set's lies; how many
    ``lumps`` are left, and ``untied`` parts (rows), one of each lump but the largest. ``fails`` are cases
    that fail whatever is glued; ``unsettled`` are cases of which nothing was found out; ``loose``
    are parts (rows) that no joint that holds or may be glued connects to what is held; ``waits`` are cases
    that were to hold before the glue is hard, and do not."""

    glued: tuple[int, ...]
    effort: float
    bound: float
    lumps: int
    untied: tuple[int, ...]
    cases: int
    kinds: frozenset[str]  #: of the cases
    programmes: int
    fails: tuple[Failure, ...]
    unsettled: tuple[LoadCase, ...]
    loose: tuple[int, ...]
    loads_n: Mapping[int, float]  #: joint (row) -> greatest load over the cases, N
    asks: Mapping[int, LoadCase]  #: joint (row) -> the case that loads it most
    by_kind: Mapping[str, Mapping[int, float]]  #: kind of case -> joint (row) -> greatest load, N
    instead: Mapping[int, int]  #: glued joint (row) -> the next best one that would tie in its place (row)
    waits: tuple[LoadCase, ...]


def least_glue(
    structure: Structure,
    cases: Sequence[LoadCase],
    asked: Asked,
    up: Array,
    known: Known | None = None,
    start: Iterable[int] = (),
) -> LeastGlue:
    """The least set of joints to glue, see :class:`LeastGlue`.

    ``known`` is what an earlier search over the same structure and cases has found out; this one adds to it.
    ``start`` is the set that it found: the first one tried.
    """
    proofs = Proofs(structure, asked.supply, up, known or Known())
    early = proofs
    if asked.early < 1.0 and any(load.early for load in cases):
        early = Proofs(structure, asked.supply.early(asked.early), up, proofs.known)
    reachable, loose = _reachable(proofs, asked, cases)
    ties = _ties(structure, asked, up)
    found = _SetSearch(proofs, early, ties, list(reachable))
    choice = found.run(row for row in start if asked.supply.strength[row] > 0)
    fails = found.failures(proofs.mask(choice.joints))
    lumps, untied = _lumps(structure, asked, choice.joints)
    loads, asks = found.loads()
    return LeastGlue(
        tuple(sorted(choice.joints)),
        choice.effort,
        choice.bound,
        lumps,
        untied,
        len(cases),
        frozenset(load.kind for load in cases),
        proofs.known.programmes,
        fails,
        tuple(found.unsettled),
        loose,
        loads,
        asks,
        found.by_kind(),
        next_best(ties, choice.joints) if asked.one_piece else {},
        tuple(found.waits),
    )


class _SetSearch:
    """Passes through the cases. In each the set grows where a case asks for more, so that it ends with a set
    that holds; what the falls demanded makes the next set to try, and bounds all."""

    def __init__(self, proofs: Proofs, early: Proofs, ties: Ties, cases: Sequence[LoadCase]) -> None:
        self.proofs, self.early, self.ties, self.open = proofs, early, ties, list(cases)
        self.waits: list[LoadCase] = []
        self.hopeless: list[tuple[LoadCase, Array]] = []
        self.unsettled: list[LoadCase] = []
        self._need: dict[int, tuple[LoadCase, Array]] = {}
        self._demands: dict[int, list[Cut]] = {id(load): [] for load in cases}
        for load, motion in proofs.known.falls:
            if id(load) in self._demands:
                self._demands[id(load)] += self._of(load).cuts(load, motion)

    def run(self, start: Iterable[int] = ()) -> CoveringSet:
        """The best set with which all open cases hold; what cannot be helped or told is set aside. The first
        one holds ``start`` and what it lacks to one piece."""
        begun = self.ties.free.copy()
        begun[list(start)] = True
        choice = least_effort(replace(self.ties, free=begun), self._cuts)
        best, needs = self._holding(choice.joints), self._need
        self.proofs.spare = self.early.spare = True
        seen: set[frozenset[int]] = set()
        for _ in range(ROUNDS):
            choice = least_effort(self.ties, self._cuts)
            if choice.joints in seen:
                choice = exactly(self.ties, self._cuts, choice)
                self.proofs.known.spend(choice.work, True)
            beaten = choice.bound < self._effort(best) - NEAR_BOUND
            if not beaten or choice.joints in seen or self.proofs.known.left(True) <= 0:
                break
            seen.add(choice.joints)
            known = len(self.unsettled)
            self._need = {}
            tried = self._holding(choice.joints)
            if len(self.unsettled) > known:  # the work ran out amid the pass
                self.open += self.unsettled[known:]
                del self.unsettled[known:]
                break
            if self._effort(tried) < self._effort(best) - NEAR_BOUND:
                best, needs = tried, self._need
        self._need, self.proofs.spare, self.early.spare = needs, False, False
        return CoveringSet(best, self._effort(best), min(choice.bound, self._effort(best)))

    def _of(self, load: LoadCase) -> Proofs:
        """The proofs with the strength that the glue has in a case."""
        return self.early if load.early else self.proofs

    @property
    def _cuts(self) -> list[Cut]:
        return [cut for own in self._demands.values() for cut in own]

    def _effort(self, joints: Iterable[int]) -> float:
        return float(self.ties.cost[list(joints)].sum())

    def _holding(self, joints: frozenset[int]) -> frozenset[int]:
        """The set with what all open cases ask for beyond it: what one adds shares the time of others."""
        while (more := self._grown(joints)) != joints:
            joints = more
        return joints

    def _grown(self, joints: frozenset[int]) -> frozenset[int]:
        """The set with what the open cases ask for beyond it."""
        glued = self.proofs.mask(joints)
        looked_at = list(self.open)
        for load in looked_at:
            answer = self._of(load).quick(load, glued)
            if answer.ok and answer.need is not None:
                self._need[id(load)] = (load, answer.need)
                continue
            more = self._of(load).strengthened(load, glued, self.ties.cost, answer.motion)
            if more is None or not more.holds:
                looked_at += self._give_up(load, None if more is None else more.motion)
                if more is None and self.proofs.spare:
                    break  # what is not seen to hold is no better than what does
                continue
            self._demands[id(load)] += more.cuts
            glued = glued | more.added
            if more.need is not None:
                self._need[id(load)] = (load, more.need)
        return frozenset(np.flatnonzero(glued).tolist())

    def _give_up(self, load: LoadCase, motion: Array | None) -> list[LoadCase]:
        """Ask no more of a case of which nothing was found out, or only a ``motion`` that no glue stops; of
        glue that is not hard yet the same is asked once it is: that is to be looked at instead."""
        self.open.remove(load)
        if load.early and not (motion is None and self.proofs.spare):
            return [self._when_hard(load)]
        if motion is None:
            self.unsettled.append(load)
            return []
        self.hopeless.append((load, motion))
        self.proofs.known.forget(load)
        self._demands[id(load)].clear()
        return []

    def _when_hard(self, load: LoadCase) -> LoadCase:
        """The same case with glue that was waited for."""
        hard = replace(load, early=False)
        self._demands[id(load)].clear()
        self._demands[id(hard)] = []
        self.open.append(hard)
        self.waits.append(hard)
        return hard

    def failures(self, glued: Mask) -> tuple[Failure, ...]:
        """How the cases that nothing saves fail with the set found; of what no other set was found for, and
        was not seen to fall, it is looked whether it holds."""
        found = []
        for load in list(self.unsettled):
            told = self._of(load).worked_out(load, glued)
            if told is None:
                continue
            self.unsettled.remove(load)
            if isinstance(told, Failure):
                found.append(told)
            elif told.need is not None:
                self._need[id(load)] = (load, told.need)
        found += [self._of(load).first_to_give(load, motion, glued) for load, motion in self.hopeless]
        return tuple(found)

    def by_kind(self) -> dict[str, dict[int, float]]:
        """Greatest load of each joint over the cases of each kind that hold."""
        found: dict[str, dict[int, float]] = {}
        for load, need in self._need.values():
            own = found.setdefault(load.kind, {})
            for row in np.flatnonzero(need > 0).tolist():
                own[row] = max(own.get(row, 0.0), float(need[row]))
        return found

    def loads(self) -> tuple[dict[int, float], dict[int, LoadCase]]:
        """Greatest load of each joint over the cases that hold, and the case that asks most, safety in."""
        loads: dict[int, float] = {}
        needs: dict[int, float] = {}
        asks: dict[int, LoadCase] = {}
        for load, need in self._need.values():
            for row in np.flatnonzero(need > 0).tolist():
                loads[row] = max(loads.get(row, 0.0), float(need[row]))
                if float(need[row]) * load.case.safety > needs.get(row, 0.0):
                    needs[row], asks[row] = float(need[row]) * load.case.safety, load
        return loads, asks


# ------------------------------------------------------------------------------ one piece


def _ends(structure: Structure) -> tuple[IntArray, IntArray]:
    index = structure.model.index_of
    joints = structure.joints.joints
    ends = np.array([(index[joint.a], index[joint.b]) for joint in joints], dtype=np.int64).reshape(-1, 2)
    return ends[:, 0], ends[:, 1]


def _components(first: IntArray, second: IntArray, used: Mask, count: int) -> tuple[int, IntArray]:
    graph = sparse.coo_matrix((np.ones(used.sum()), (first[used], second[used])), shape=(count, count))
    return connected_components(graph, directed=False)


def _ties(structure: Structure, asked: Asked, up: Array) -> Ties:
    """What glue must tie: parts that hold surely are one piece already. Joints that do not tie rigidly are
    left to the load cases."""
    count = len(structure.bodies)
    first, second = _ends(structure)
    pieces, label = _components(first, second, asked.sure & asked.rigid, count)
    low, high = label[first], label[second]
    high = np.where(asked.rigid, high, low)
    cost = np.where(
        asked.supply.strength > 0, asked.effort + NEARER * _depth(structure, first, second, up), np.inf
    )
    free = np.zeros(len(cost), dtype=bool)
    free[list(asked.forced)] = True
    return Ties(low, high, pieces, cost, free, asked.one_piece)


def _depth(structure: Structure, first: IntArray, second: IntArray, up: Array) -> Array:
    """(joints,) how many joints lie between each and the table, at the most of its two ends; 0 cut off."""
    count = len(structure.bodies)
    low = structure.feet(up).low
    roots = np.flatnonzero(low <= low.min() + 1e-6 * max(1.0, abs(float(low.min()))) + 0.05)
    if not len(first):
        return np.zeros(0)
    graph = sparse.coo_matrix((np.ones(len(first)), (first, second)), shape=(count + 1, count + 1)).tolil()
    graph[count, roots] = 1.0
    away = shortest_path(graph.tocsr(), directed=False, unweighted=True, indices=count)[:count]
    away = np.where(np.isfinite(away), away, 0.0)
    return np.maximum(away[first], away[second])


def _lumps(structure: Structure, asked: Asked, glued: Iterable[int]) -> tuple[int, tuple[int, ...]]:
    """How many pieces there are, and a part of each beyond the largest of what should be one."""
    count = len(structure.bodies)
    first, second = _ends(structure)
    tied = asked.sure & asked.rigid
    tied[list(glued)] = True
    whole, group = _components(first, second, asked.rigid, count)
    _, lump = _components(first, second, tied, count)
    size = np.bincount(lump)
    untied = []
    for number in range(whole):
        own = np.unique(lump[group == number])
        largest = own[np.argmax(size[own])]
        untied += [int(np.flatnonzero(lump == one)[0]) for one in own if one != largest]
    return whole + len(untied), tuple(sorted(untied))


def _reachable(
    proofs: Proofs, asked: Asked, cases: Sequence[LoadCase]
) -> tuple[list[LoadCase], tuple[int, ...]]:
    """The cases without the parts that nothing can hold to what is held, and those parts. What lies loose
    within others weighs on what it lies on, whichever way up: a wall over a clearance is a wall."""
    holds, count = proofs.bare_holds, len(proofs.structure.bodies)
    ends = np.stack(_ends(proofs.structure), axis=1)
    moves = np.array([joint.moves for joint in proofs.structure.joints.joints], dtype=bool)
    ties = (holds.pull > 0) | (proofs.strength > 0)
    loose: set[int] = set()
    found = []
    known: dict[bytes, IntArray] = {}
    for load in cases:
        if load.case.ground or load.kind == "turn":  # what hangs on nothing falls when it is turned
            found.append(load)
            continue
        key = load.case.present.tobytes()
        if key not in known:
            there = ties & load.case.present[holds.first] & load.case.present[holds.second]
            known[key] = _components(holds.first, holds.second, there, count)[1]
        label = known[key]
        kept = load.case.present & np.isin(label, label[load.case.held])
        if kept.sum() < load.case.present.sum():
            loose.update(np.flatnonzero(load.case.present & ~kept).tolist())
            passes = _passing(ends, moves, label, load.case.present, kept)
            # which things lie on what hangs on the joints that this glue can tie
            passed = tuple(each.tobytes() for one in passes for each in one)
            same = id(load.case), kept.tobytes(), passed
            if same not in proofs.known.lighter:
                left = replace(
                    load.case, present=kept, loads=_passed_on(load, kept, passes, proofs.structure)
                )
                proofs.known.lighter[same] = load, replace(load, case=left)
            load = proofs.known.lighter[same][1]
        found.append(load)
    return found, tuple(sorted(loose))


def _passing(
    ends: IntArray, moves: Mask, label: IntArray, present: Mask, kept: Mask
) -> list[tuple[IntArray, IntArray, IntArray]]:
    """Rows of each thing (parts of one ``label``) that is there and not kept, and, once a joint, of the parts
    that it lies on or within, and the joint: kept, or themselves lying on such; what lies farthest from what
    is kept first. What a joint that is not meant to move should hold, and nothing does, lies on nothing."""
    row = np.flatnonzero(label[ends[:, 0]] != label[ends[:, 1]])
    across = ends[row]
    fixed = label[ends[~moves & (label[ends[:, 0]] != label[ends[:, 1]])]]
    both = np.column_stack([np.concatenate([across, across[:, ::-1]]), np.tile(row, 2)])
    waiting, reached, found = present & ~kept & ~np.isin(label, fixed), kept, []
    while len(met := both[waiting[both[:, 0]] & reached[both[:, 1]]]):
        things = label[met[:, 0]]
        found += [(np.flatnonzero(label == one), *met[things == one, 1:].T) for one in np.unique(things)]
        reached = reached | np.isin(label, things)
        waiting = waiting & ~reached
    return found[::-1]


def _passed_on(
    load: LoadCase, kept: Mask, passes: Iterable[tuple[IntArray, IntArray, IntArray]], structure: Structure
) -> Array:
    """(n, 6) the loads on what is ``kept`` (n,), with those on what lies on or within it."""
    loads = np.where(load.case.present[:, None], load.case.loads, 0.0)
    joints, centroid = structure.joints.joints, structure.bodies.centroid
    for own, bearing, by in passes:
        force = loads[own, :3].sum(axis=0)
        moment = loads[own, 3:].sum(axis=0) + np.cross(centroid[own], loads[own, :3]).sum(axis=0)
        under = [(structure.model.parts[end].id, joints[row]) for end, row in zip(bearing, by, strict=True)]
        each = np.stack([np.concatenate([force, moment - np.cross(centroid[row], force)]) for row in bearing])
        np.add.at(loads, bearing, _shares(under, force, moment)[:, None] * each)
    return np.where((kept & ~load.case.held)[:, None], loads, 0.0)


def _shares(under: Sequence[tuple[str, Joint]], force: Array, moment: Array) -> Array:
    """(k,) of a load, its ``moment`` about the origin, the share that each part bears on or within which it
    lies, by one joint each: such that it is in balance about the places where it is borne. A face bears only
    what pushes at it; of several ways the most even."""
    size = float(np.linalg.norm(force))
    even = np.full(len(under), 1 / len(under))
    if len(under) == 1 or size == 0.0:
        return even
    places = [
        (row, touch.point)
        for row, (end, joint) in enumerate(under)
        for touch in joint.touches
        if touch.kind != "rest"
        or (1 if touch.carrier == end else -1) * float(touch.axis @ force) < -ACROSS * size
    ]
    if not places:
        return even
    owner, points = np.array([row for row, _ in places]), np.stack([point for _, point in places])
    middle = points.mean(axis=0)
    lever, asked = np.cross(points - middle, force / size), (moment - np.cross(middle, force)) / size
    reach = max(float(np.abs(lever).max()), float(np.abs(asked).max()), 1e-9)
    system = np.vstack([lever.T / reach, np.full(len(points), ALL), EVENLY * np.eye(len(points))])
    found, _ = nnls(system, np.concatenate([asked / reach, [ALL], np.zeros(len(points))]))
    share: Array = np.bincount(owner, found / found.sum(), len(under)).astype(float)
    return share
