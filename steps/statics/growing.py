"""The balance of a build that grows, kept from part to part.

What comes to a build that stands is borne by what is near it: the part, the firmest way from it to the
ground, and the neighbours of these. They are balanced anew by splitting, loaded by the forces of all that
lies round them, which stay as they are; where that does not do, wider and wider rings of neighbours are. All
bodies that were in balance stay so to the letter, so that only what was balanced anew has to be checked, and
a build of any size is asked about at the price of one column of it. The forces that come of it prove that the
build stands; that none are found says nothing.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence, Set
from dataclasses import dataclass, replace

import numpy as np

from steps.model import Array, IntArray
from steps.statics.equilibrium import Capacity, Case, Equilibrium
from steps.statics.findings import by_part, goes_on
from steps.statics.programme import elastic
from steps.statics.rigid import GROUND, Bodies, Contacts, crossed
from steps.statics.splitting import CLOSE, balancing, split
from steps.statics.structure import Structure

#: Rings of neighbours round what has changed that are tried in turn, each with so many rounds of splitting:
#: in a branching sculpture of 300 parts half of what stood took 4, all but a hundredth no more than 16.
TRIED = ((2, 16), (5, 16))
#: What is not kept is tried first on the ways to the ground alone, with so many rounds: cheaper by half, but
#: what is kept so, spread over so little, leaves the next no room.
ALONG_WAYS = (0, 16)
#: Rounds for all that is there.
WHOLE_ROUNDS = 100
#: Rounds for what may fall even with all else held: mostly it does not, and the programme would cost more.
ALONE_ROUNDS = 16
#: A region this large a share of what is there is not worth a balance of its own.
WHOLE_SHARE = 0.5
#: A part whose move is a smaller share of the greatest in a fall is at rest: what the programme rounds.
MOVES = 1e-6
NOBODY: frozenset[int] = frozenset()


@dataclass(frozen=True, eq=False)
class _Asked:
    """Loads by part (row) beyond its weight, parts kept still, and what the contacts are able to."""

    loads: Mapping[int, Array]
    held: frozenset[int]
    able: Capacity
    keeps: bool  #: whether the forces found are kept though ``able`` is less than the build's own


@dataclass(frozen=True)
class _Fall:
    """How parts (rows) fall even with all else held: a ``motion`` of theirs (moves, mm, and turns, rad) that
    shows it, the parts ``beside`` them then, and those of them that the least help holds, or held before more
    came to them; without any, they are not known."""

    motion: Mapping[int, Array]
    beside: frozenset[int]
    since: int  #: how many parts were there
    hands: tuple[int, ...] = ()


@dataclass(frozen=True, eq=False)
class _Alone:
    """A few bodies, the parts ``rows`` (m,), the case in which all beside some of them is held, and what
    their contacts are able to."""

    rows: IntArray
    equilibrium: Equilibrium
    case: Case
    able: Capacity


class Growing:
    """Forces that keep the parts of one build on the table, ``up`` pointing up, in balance under their own
    weight; ``members`` are the rows of all parts that may come to it."""

    def __init__(self, structure: Structure, up: Array, members: Sequence[int]) -> None:
        self.structure, self.up = structure, up
        self._members = np.array(sorted(members), dtype=np.int64)
        self._weight = structure.bodies.weight(up)
        self._scale = float(np.abs(self._weight[self._members, :3]).max(initial=0.0)) or 1.0
        self._low = structure.feet(up).low
        self._present: set[int] = set()
        self._open: set[int] = set()  #: parts not in balance yet
        self._vain = (NOBODY, NOBODY)  #: held and open when the whole was last balanced in vain
        self._open_before = NOBODY  #: parts that were open when nothing was proved
        self._falls: list[_Fall] = []  #: found of the build as it is

    def stands(
        self,
        present: Set[int],
        loads: Mapping[int, Array] | None = None,
        held: Collection[int] = (),
        weak: Capacity | None = None,
        keep: bool = False,
    ) -> bool | None:
        """Whether the parts ``present`` (rows: those of the last time and more) stand with ``loads`` (6,: N,
        N mm about the centroid) on some of them beyond their weight, ``held`` kept still, and the structure's
        contacts being as ``weak`` (k,) if that is given; None where neither is proved.

        The forces that prove it are kept where the build is asked about as it is, and with no ``loads`` where
        they are to be (``keep``): the next may need little else if it is asked about as weak again."""
        self._take_in(present)
        asked = _Asked(loads or {}, frozenset(held), self._able(weak), keep and not loads)
        changed = {*self._open, *asked.loads, *(self._overloaded(asked) if weak else ())} - asked.held
        if not changed:
            return True
        if not asked.loads and self._goes_on(asked.held) is not None:
            return False
        fresh = changed - self._open_before
        if len(fresh) < len(changed) and self._falls_alone(fresh, asked):
            return False
        for rings, rounds in TRIED if self._is_kept(asked) else (ALONG_WAYS, *TRIED):
            region = self._around(changed, rings, held)
            if region is None or len(region) > WHOLE_SHARE * len(present):
                break
            if self._balanced(region, asked, rounds):
                return True
        if len(changed) <= WHOLE_SHARE * len(present) and self._falls_alone(changed, asked):
            return False
        stands = self._whole(asked)
        if stands is None and self._as_is(asked):
            self._open_before = frozenset(changed)
        return stands

    def _falls_alone(self, parts: Set[int], asked: _Asked) -> bool:
        """Whether these fall even with all else held: to hold more never asks for more."""
        if not parts or self._stands_alone(parts, asked):
            return False
        fall = self._fall(parts, asked)
        if fall is None or not fall.hands:
            return False
        if self._as_is(asked):
            self._falls.append(self._fewest(fall, asked))
        return True

    def fell(self, motion: Mapping[int, Array]) -> None:
        """What is there fell by a motion (moves, mm, and turns, rad, by part), as others found: it is kept
        if what moves in it falls with all else held."""
        asked = self._with(NOBODY)
        if (fall := self._carried_on(motion, len(self._present), asked)) is not None:
            self._falls.append(fall)
        else:
            self._falls_alone(self._present.intersection(moving_in(motion)), asked)

    def help(self, free: Collection[int], weak: Capacity) -> tuple[int, ...] | None:
        """The parts to hold by the least help so that those ``free`` stand while all else is held, with
        contacts as ``weak``; None where nobody can tell."""
        fall = self._fall(free, _Asked({}, NOBODY, self._able(weak), False))
        return None if fall is None else fall.hands

    def hold(self, present: Set[int]) -> tuple[int, ...] | None:
        """The parts to hold so that those ``present`` stand: of each fall that goes on with all else held
        those of the least help; None where that does not do."""
        held: set[int] = set()
        while (stands := self.stands(present, held=held)) is False:
            fall = self._goes_on(held)
            if fall is not None and not fall.hands:
                fall = self._fall(fall.motion, self._with(held))
            if fall is None or not fall.hands:
                return None
            held.update(fall.hands)
        return tuple(sorted(held)) if stands else None

    def _goes_on(self, held: Set[int]) -> _Fall | None:
        """A fall found before, of the build as it is, that nothing held or come since stops."""
        asked = self._with(held)
        for fall in list(self._falls):
            if not held.isdisjoint(fall.motion):
                continue
            if fall.beside == self._present_beside(fall.motion):
                return fall
            self._falls.remove(fall)
            again = self._carried_on(fall.motion, fall.since, asked)
            if again is not None:
                again = replace(again, hands=fall.hands)  # mostly it is they still
            elif (worked_out := self._fall(fall.motion, asked)) and worked_out.hands:
                again = worked_out
            if again is not None:
                self._falls.append(again)
                return again
        return None

    def _carried_on(self, motion: Mapping[int, Array], since: int, asked: _Asked) -> _Fall | None:
        """How those that moved in a motion (by part) fall with all else held, what has come to them ``since``
        (how many were there) moving along or not; None where the motion does not show that they do."""
        moving = self._present.intersection(moving_in(motion)) - asked.held
        pending, region = list(moving), set(moving)
        while pending:
            come = {other for other in self._present_beside([pending.pop()]) if self._came[other] >= since}
            fresh = come - region - asked.held
            region |= fresh
            pending += fresh
        if not region:
            return None
        alone = self._alone(region, asked)
        still = {row: np.zeros(6) for row in alone.rows.tolist() if row not in region}
        known = {**still, **{row: motion[row] for row in moving}}
        shown = goes_on(known, alone.rows, alone.equilibrium, alone.case, alone.able)
        if shown is None:
            return None
        own = by_part(alone.rows, alone.equilibrium, shown)
        falls = {row: own[row] for row in moving_in(own)}
        return _Fall(falls, self._present_beside(falls), len(self._present))

    def _fewest(self, fall: _Fall, asked: _Asked) -> _Fall:
        """The same fall of the hands' parts alone, if those fall by themselves."""
        fewer = self._fall(fall.hands, asked) if len(fall.hands) < len(fall.motion) else None
        return fewer if fewer is not None and fewer.hands else fall

    def _present_beside(self, parts: Iterable[int]) -> frozenset[int]:
        return frozenset(other for row in parts for other in self._beside.get(row, ()) if self._there[other])

    def _able(self, weak: Capacity | None) -> Capacity:
        """What the contacts can do, those of the structure no more than ``weak`` if that is given."""
        if weak is None:
            return self._capacity
        full, inner = self._capacity, self._inner.sum()
        friction, pull, grip, push = (
            np.append(np.minimum(getattr(weak, name)[self._inner], own[:inner]), own[inner:])
            for name, own in vars(full).items()
        )
        return Capacity(friction, pull, grip, push.astype(bool))

    def _overloaded(self, asked: _Asked) -> set[int]:
        """The parts at contacts that cannot bear what they bear now."""
        at = np.flatnonzero(np.any(self._force != 0, axis=1))
        own, normal, force = asked.able.at(at), self._contacts.normal[at], self._force[at]
        along = np.einsum("ki,ki->k", normal, force)
        across = np.linalg.norm(force - along[:, None] * normal, axis=1)
        rubs = np.where(own.push, own.friction, 0.0)
        beyond = np.maximum(-own.pull - along, np.where(own.push, -np.inf, along))
        beyond = np.maximum(beyond, across - rubs * (along + own.pull) - own.grip)
        over = at[beyond > CLOSE * self._scale]
        ends = np.concatenate([self._contacts.first[over], self._contacts.second[over]])
        return {*ends[ends != GROUND].tolist()}

    def _whole(self, asked: _Asked) -> bool | None:
        """Whether all that is there stands, balanced anew, if that was not tried in vain before."""
        held, open_ = self._vain
        if open_ and open_ <= self._open and asked.held <= held:
            return None
        free = np.array(sorted(self._present.difference(asked.held)), dtype=np.int64)
        still = np.array(sorted(asked.held), dtype=np.int64)
        own, equilibrium, case = self._local(free, still, asked)
        found = split(equilibrium, case, asked.able.at(own), self._force[own], WHOLE_ROUNDS)
        if found.force is not None and self._proves(found.force, own, equilibrium, case, asked):
            return True
        if found.motion is not None:
            if self._as_is(asked):
                self.fell(by_part(np.concatenate([free, still]), equilibrium, found.motion))
            return False
        if self._as_is(asked):
            self._vain = (asked.held, frozenset(self._open))
        return None

    def _with(self, held: Set[int]) -> _Asked:
        """The build as it is with hands on it."""
        return _Asked({}, frozenset(held), self._capacity, False)

    def _as_is(self, asked: _Asked) -> bool:
        """Whether the build is asked about as it is, hands on it or none."""
        return not asked.loads and asked.able is self._capacity

    def _is_kept(self, asked: _Asked) -> bool:
        """Whether the forces that are found stay as the build's."""
        return asked.keeps or self._as_is(asked)

    # ------------------------------------------------------------------ what is there

    def _take_in(self, present: Set[int]) -> None:
        fresh = present - self._present
        if not fresh:
            return
        lowest = float(self._low[list(fresh)].min())
        if not self._present or lowest < self._floor:
            self._begin(present, min(lowest, self._floor if self._present else lowest))
            fresh = set(present)
        self._came[list(fresh)] = len(self._present)
        self._present |= fresh
        self._open |= fresh
        self._there[list(fresh)] = True
        self._find_ways(fresh)

    def _begin(self, present: Set[int], floor: float) -> None:
        """Nothing is in balance yet on a table at the height of ``floor``."""
        count, contacts = len(self._low), self.structure.contacts
        member = np.zeros(count + 1, dtype=bool)
        member[self._members] = True
        feet = self._members[self._low[self._members] >= floor]
        table, _ = self.structure.table_contacts(feet, self.up)
        self._inner = member[contacts.first] & member[contacts.second]
        self._floor, self._contacts = floor, Contacts.join([contacts.take(self._inner), table])
        self._capacity = Capacity.of(self._contacts)
        self._force = np.zeros((len(self._contacts), 3))
        self._present, self._open, self._vain = set(), set(), (NOBODY, NOBODY)
        self._open_before, self._falls = NOBODY, []
        self._came = np.full(count + 1, -1)  #: after how many others; the ground before all
        self._there = np.zeros(count + 1, dtype=bool)
        self._there[GROUND] = True
        self._number = np.full(count + 1, GROUND)
        ends = np.concatenate([self._contacts.first, self._contacts.second])
        order = np.argsort(ends, kind="stable")
        bounds = np.searchsorted(ends[order], np.arange(count + 1))
        self._of_body, self._bounds = order % len(self._contacts), bounds
        self._beside = self._neighbours()
        self._away = np.full(count + 1, np.inf)
        self._away[GROUND] = 0.0
        self._under = np.full(count + 1, GROUND)

    def _neighbours(self) -> dict[int, dict[int, float]]:
        """The parts, and the ground, that each part can lean on, and how weakly each holds it: nothing is as
        easy as the ground, and what only rests holds as little as a part weighs."""
        own = self._capacity
        bears = own.push | (own.pull > 0) | (own.grip > 0)
        ends = np.stack([self._contacts.first[bears], self._contacts.second[bears]])
        pairs, number = np.unique(ends, axis=1, return_inverse=True)
        pull = np.bincount(number.ravel(), own.pull[bears], pairs.shape[1])
        weakness = np.where(pairs[1] == GROUND, 0.0, 1.0 / (pull + self._scale))
        found: dict[int, dict[int, float]] = {}
        for one, other, weak in zip(*pairs.tolist(), weakness.tolist(), strict=True):
            found.setdefault(one, {})[other] = weak
            if other != GROUND:
                found.setdefault(other, {})[one] = weak
        return found

    def _find_ways(self, fresh: Iterable[int]) -> None:
        """The firmest way to the ground for all that is there: only what is fresh makes any firmer. What is
        changed is balanced along it, and where that is weak it does not do and all must be."""
        pending = sorted(fresh)
        for row in pending:
            ways = {other: self._away[other] + weak for other, weak in self._beside_now(row)}
            best = min(ways, key=ways.__getitem__, default=None)
            if best is not None and ways[best] < self._away[row]:
                self._away[row], self._under[row] = ways[best], best
        while pending:
            firmer = []
            for row in pending:
                for other, weak in self._beside_now(row):
                    if self._away[row] + weak < self._away[other]:
                        self._away[other], self._under[other] = self._away[row] + weak, row
                        firmer.append(other)
            pending = firmer

    def _beside_now(self, row: int) -> list[tuple[int, float]]:
        """What is there and beside a part, and how weakly it holds it."""
        return [(other, weak) for other, weak in self._beside.get(row, {}).items() if self._there[other]]

    # ------------------------------------------------------------------ what is balanced anew

    def _around(self, changed: Iterable[int], rings: int, held: Collection[int]) -> IntArray | None:
        """(m,) rows of what has changed, of its ways to the ground, and of so many rings of neighbours; None
        where something has no way."""
        region: set[int] = set()
        for row in changed:
            here = row
            while here != GROUND and here not in region and here not in held:
                if not np.isfinite(self._away[here]):
                    return None
                region.add(here)
                here = int(self._under[here])
        edge = region
        for _ in range(rings):
            edge = {other for row in edge for other in self._beside.get(row, ())}
            edge = {other for other in edge if self._there[other] and other != GROUND} - region
            region = region | edge.difference(held)
        return np.array(sorted(region), dtype=np.int64)

    def _balanced(self, region: IntArray, asked: _Asked, rounds: int) -> bool:
        """Whether forces are found that balance the region amid all else as it is; see :meth:`_proves`."""
        own, equilibrium, case = self._local(region, np.array(sorted(asked.held), dtype=np.int64), asked)
        capacity = asked.able.at(own)
        force = balancing(equilibrium, case, capacity, self._force[own], rounds)
        return force is not None and self._proves(force, own, equilibrium, case, asked)

    def _proves(
        self, force: Array, own: IntArray, equilibrium: Equilibrium, case: Case, asked: _Asked
    ) -> bool:
        """Whether forces (k, 3: N) at contacts (rows) balance a case of theirs; they are kept then where the
        build is asked about as it is."""
        capacity = asked.able.at(own)
        worst = max(equilibrium.residual(case, force), equilibrium.overload(case, capacity, force))
        if worst * case.scale > CLOSE * self._scale:
            return False
        if self._is_kept(asked):
            self._force[own] = force
            self._open, self._open_before = set(asked.held & self._present), NOBODY
        return True

    def _stands_alone(self, free: Collection[int], asked: _Asked) -> bool:
        """Whether forces are found that balance those ``free`` while all else is held."""
        alone = self._alone(free, asked)
        return balancing(alone.equilibrium, alone.case, alone.able, rounds=ALONE_ROUNDS) is not None

    def _fall(self, free: Collection[int], asked: _Asked) -> _Fall | None:
        """How those ``free`` fall while all else is held, no hand being needed where they do not; None where
        it is not known."""
        alone = self._alone(free, asked)
        found = elastic(alone.equilibrium, alone.case, alone.able)
        if found is None:
            return None
        hands = alone.rows[np.any(found.hand, axis=1)]
        motion = by_part(alone.rows, alone.equilibrium, found.motion)
        falls = {row: motion[row] for row in sorted(free)}
        return _Fall(falls, self._present_beside(falls), len(self._present), tuple(hands.tolist()))

    def _alone(self, free: Collection[int], asked: _Asked) -> _Alone:
        """Those ``free`` while all else is held."""
        region = np.array(sorted(free), dtype=np.int64)
        still = np.array(sorted({*self._present_beside(free), *asked.held} - {*free, GROUND}), dtype=np.int64)
        own, equilibrium, case = self._local(region, still, asked)
        return _Alone(np.concatenate([region, still]), equilibrium, case, asked.able.at(own))

    def _local(self, region: IntArray, still: IntArray, asked: _Asked) -> tuple[IntArray, Equilibrium, Case]:
        """The contacts (rows) of a region with itself, the ground and what is held still, their equilibrium,
        and its weight, what lies round it and what else bears on it as the case."""
        contacts, rows, number = self._contacts, np.concatenate([region, still]), self._number
        touching = np.unique(
            np.concatenate([self._of_body[self._bounds[row] : self._bounds[row + 1]] for row in region])
        )
        one, other = contacts.first[touching], contacts.second[touching]
        number[rows] = np.arange(len(rows))
        first, second = number[one], number[other]
        number[rows] = GROUND
        there = self._there[one] & self._there[other]
        own = there & (first != GROUND) & ((second != GROUND) | (other == GROUND))
        loads = self._weight[rows]
        for ends, sign in ((first, 1.0), (second, -1.0)):
            at = np.flatnonzero(there & ~own & (ends != GROUND))
            loads += self._borne(touching[at], ends[at], sign, rows)
        for row, load in asked.loads.items():
            loads[np.flatnonzero(rows == row)] += load
        near = contacts.take(touching[own], (first[own], second[own]))
        bodies = Bodies(np.zeros(len(rows)), self.structure.bodies.centroid[rows])
        case = Case.make(loads, held=len(region) + np.arange(len(still)))
        return touching[own], Equilibrium(bodies, near), case

    def _borne(self, contacts: IntArray, ends: IntArray, sign: float, rows: IntArray) -> Array:
        """(m, 6) what the forces at contacts (k,) do to the bodies ``rows``, their ``ends`` numbered so."""
        force, loads = sign * self._force[contacts], np.zeros((len(rows), 6))
        lever = crossed(self._contacts.point[contacts] - self.structure.bodies.centroid[rows][ends], force)
        np.add.at(loads, ends, np.concatenate([force, lever], axis=1))
        return loads


def moving_in(motion: Mapping[int, Array]) -> list[int]:
    """The parts that move in a motion (moves, mm, and turns, rad, by part): all but what rounding moves."""
    most = max((float(np.abs(each).max()) for each in motion.values()), default=0.0)
    return [row for row, each in motion.items() if float(np.abs(each).max()) > MOVES * most]
