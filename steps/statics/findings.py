"""Answers already found about one set of joints, kept for whoever asks next.

Order, glue and their settling ask much the same of the same parts, with joints bare, glued, or set halfway.
What balances is a matter of the forces alone: forces found with some joints hold whatever the joints can do,
as long as they can do that. A motion in which something fell, likewise, shows that it falls again wherever
the loads do more work in it than the contacts take up, whatever has been built on since. So both are tried,
each by one product, before anything is solved; of a build that has only grown or changed a little, only what
is near that is balanced anew (:mod:`steps.statics.nearby`); then splitting, which is quick where something is
to spare; then the programme.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from hashlib import blake2b
from weakref import WeakKeyDictionary

import numpy as np

from steps.model import Array, IntArray, Joints, Mask
from steps.statics.equilibrium import Capacity, Case, Equilibrium
from steps.statics.nearby import Nearby
from steps.statics.programme import USE_TOLERANCE, Help, elastic
from steps.statics.rigid import GROUND, Contacts
from steps.statics.splitting import split

#: Of the falls found so many are tried again, the latest first: mostly it is the very last that goes on.
FALLS = 2
#: Of the forces found so many are tried again: a build is asked about by turns with its glue set, with it
#: still wet, bare, and pressed on.
FORCES = 4
#: Contacts are known again by their bodies, points (mm) and normals, rounded to a thousandth and mixed by
#: large odd numbers.
MARKED = 1e3
MIXED = np.array(
    [73856093, 19349663, 83492791, 49979687, 86028121, 15485863, 32452843, 67867967, 49999991], dtype=np.int64
)


@dataclass(frozen=True, eq=False)
class Finding:
    """Whether a case ``falls``; the least ``help`` of hands, and a ``motion`` (6 n,) in which it falls, as
    :meth:`Equilibrium.excess` takes it: None where they are not known."""

    falls: bool
    help: Help | None = None
    motion: Array | None = None

    @staticmethod
    def of(found: Help | None) -> Finding:
        """What the programme says; where it says nothing the case counts as falling."""
        if found is None:
            return Finding(True)
        return Finding(found.needed, found, found.motion if found.needed else None)


@dataclass(eq=False)
class Findings:
    """Answers by question: bodies, contact points and loads. What it keeps never makes an answer wrong.

    ``contacts`` are those of all joints and the joint (row) of each, by friction and whether they are coarse;
    ``carried`` says of a part (row), on the table or not, whether it is carried straight down by others
    (rows) alone; by a digest of the way up and of what supports and weighs where.
    """

    contacts: dict[tuple[float, bool], tuple[Contacts, IntArray]] = field(default_factory=dict)
    carried: dict[bytes, dict[tuple[int, bool, tuple[int, ...]], bool]] = field(default_factory=dict)
    _found: dict[bytes, list[tuple[Capacity, Finding]]] = field(default_factory=dict)
    _falls: deque[dict[int, Array]] = field(default_factory=lambda: deque(maxlen=FALLS))
    _forces: deque[_Forces] = field(default_factory=lambda: deque(maxlen=FORCES))

    def answer(
        self, rows: IntArray, equilibrium: Equilibrium, case: Case, names: bool = True
    ) -> tuple[Finding, bool]:
        """What is known, or can be found, of a case whose bodies are the parts ``rows`` (n,); and whether a
        programme was solved. Without ``names`` the help of hands may stay unknown where some is needed."""
        capacity = Capacity.of(equilibrium.contacts)
        earlier = self._found.setdefault(_question(equilibrium, case), [])
        for own, found in earlier:
            if _same(own, capacity) and not (names and found.falls and found.help is None):
                return found, False
            if _bears(equilibrium, case, capacity, found):
                return found, False
        quick = self._quick(rows, equilibrium, case, capacity, names)
        if quick is not None:
            earlier.append((capacity, quick))
            return quick, False
        help_ = elastic(equilibrium, case, capacity)
        if help_ is not None and help_.needed:
            alone = Nearby(equilibrium, case, capacity, help_.force, np.any(help_.hand, axis=1)).help()
            self._falls.append(by_part(rows, equilibrium, (alone or help_).motion))
        earlier.append((capacity, Finding.of(help_)))
        return earlier[-1][1], True

    def _quick(
        self, rows: IntArray, equilibrium: Equilibrium, case: Case, capacity: Capacity, names: bool
    ) -> Finding | None:
        """What is found without a programme, if anything."""
        marks = _marks(rows, equilibrium)
        near = Nearby.of(equilibrium, case, capacity, [forces.at(marks) for forces in self._forces])
        force = None if near is None else near.rebalanced()
        if force is None:
            if not names and near is not None and (help_ := near.help()) is not None:
                return Finding.of(help_)
            if (motion := self._falls_again(rows, equilibrium, case, capacity)) is not None:
                return None if names else Finding(True, motion=motion)
            found = split(equilibrium, case, capacity, None if near is None else near.earlier)
            if found.motion is not None and not names:
                return Finding(True, motion=found.motion)
            force = found.force
        if force is None:
            return None
        if len(marks):
            self._forces.append(_Forces.of(marks, force))
        nothing = np.zeros_like(case.loads)
        return Finding.of(Help(nothing, force, nothing.ravel()))

    def _falls_again(
        self, rows: IntArray, equilibrium: Equilibrium, case: Case, capacity: Capacity
    ) -> Array | None:
        """(6 n,) a motion in which the parts fall as others, or fewer of them, did before, if they do."""
        for fall in reversed(self._falls):
            if (motion := goes_on(fall, rows, equilibrium, case, capacity)) is not None:
                return motion
        return None


@dataclass(frozen=True, eq=False)
class _Forces:
    """Forces (k, 3: N) by the marks (k,), rising, of their contacts."""

    marks: IntArray
    force: Array

    @staticmethod
    def of(marks: IntArray, force: Array) -> _Forces:
        order = np.argsort(marks, kind="stable")
        return _Forces(marks[order], force[order])

    def at(self, marks: IntArray) -> Array:
        """(m, 3) those at contacts of such marks, 0 at others."""
        place = np.minimum(np.searchsorted(self.marks, marks), len(self.marks) - 1)
        return np.where((self.marks[place] == marks)[:, None], self.force[place], 0.0)


def _marks(rows: IntArray, equilibrium: Equilibrium) -> IntArray:
    """(k,) a number for each contact by which it is known again among others: of several at one place, that
    is a press and a bond say, by which comes first. No harm where two have one."""
    contacts = equilibrium.contacts
    ends = np.append(rows, GROUND)[[contacts.first, contacts.second]]
    where = np.rint(np.concatenate([contacts.point, contacts.normal], axis=1) * MARKED).astype(np.int64)
    places = np.concatenate([ends.T, where], axis=1) @ MIXED[:-1]
    order = np.argsort(places, kind="stable")
    ranked = places[order]
    new = np.append(True, ranked[1:] != ranked[:-1])[: len(ranked)]
    number = np.empty(len(ranked), dtype=np.int64)
    number[order] = np.arange(len(ranked)) - np.maximum.accumulate(np.where(new, np.arange(len(ranked)), 0))
    return np.asarray(places + number * MIXED[-1])


def by_part(rows: IntArray, equilibrium: Equilibrium, motion: Array) -> dict[int, Array]:
    """Moves (mm) and turns (rad) by part (row), of a motion (6 n,: moves, and turns times the arm)."""
    each = motion.reshape(-1, 6) / np.repeat([1.0, equilibrium.arm], 3)
    return dict(zip(rows.tolist(), each, strict=True))


def goes_on(
    fall: Mapping[int, Array], rows: IntArray, equilibrium: Equilibrium, case: Case, capacity: Capacity
) -> Array | None:
    """(6 n,) a motion of the bodies, which are the parts ``rows`` (n,), in which they fall as those of an
    earlier ``fall`` (moves, mm, and turns, rad, by part) did; None where they do not."""
    arms = np.repeat([1.0, equilibrium.arm], 3)
    for motion in _extended(fall, rows, equilibrium):
        if equilibrium.excess(case, capacity, each := (motion * arms).ravel()) > 0:
            return each
    return None


def _extended(fall: Mapping[int, Array], rows: IntArray, equilibrium: Equilibrium) -> Iterator[Array]:
    """(n, 6) moves (mm) and turns (rad) of the parts ``rows`` that go on from a fall: what was not there then
    moves with the first neighbour that did move, or stays at rest."""
    nothing, known = np.zeros(6), np.array([row in fall for row in rows.tolist()])
    rest = np.array([fall.get(row, nothing) for row in rows.tolist()])
    if known.any():
        if not known.all():
            yield _followed(rest, known, equilibrium)
        yield rest


def _followed(motion: Array, known: Mask, equilibrium: Equilibrium) -> Array:
    """The motion with each body that is not known moving as one with a neighbour that moves."""
    motion, moves = motion.copy(), np.any(motion != 0, axis=1)
    contacts, centroid = equilibrium.contacts, equilibrium.bodies.centroid
    real = contacts.second != GROUND
    first, second = contacts.first[real], contacts.second[real]
    one, other = np.concatenate([first, second]), np.concatenate([second, first])
    open_ = ~known
    while True:
        at = np.flatnonzero(open_[one] & moves[other])
        if not len(at):
            return motion
        new, which = np.unique(one[at], return_index=True)
        with_ = other[at[which]]
        turn = motion[with_, 3:]
        motion[new, 3:] = turn
        motion[new, :3] = motion[with_, :3] + np.cross(turn, centroid[new] - centroid[with_])
        moves[new], open_[new] = True, False


_of_joints: WeakKeyDictionary[Joints, Findings] = WeakKeyDictionary()


def findings_of(joints: Joints) -> Findings:
    """What is known so far of structures of these very joints."""
    return _of_joints.setdefault(joints, Findings())


def _question(equilibrium: Equilibrium, case: Case) -> bytes:
    """The case without what the contacts can do, as a digest."""
    bodies, contacts = equilibrium.bodies, equilibrium.contacts
    who = np.array([case.safety, case.ground], dtype=float)
    what = (bodies.centroid, case.loads, case.held, case.present, contacts.point, contacts.normal)
    return digest_of((*what, contacts.first, contacts.second, who))


def digest_of(arrays: Iterable[Array | IntArray | Mask]) -> bytes:
    """One for all arrays of these shapes and values."""
    digest = blake2b(digest_size=16)
    for each in arrays:
        digest.update(repr(each.shape).encode())
        digest.update(np.ascontiguousarray(each).tobytes())
    return digest.digest()


def _same(one: Capacity, other: Capacity) -> bool:
    names = ("friction", "pull", "grip", "push")
    return all(np.array_equal(getattr(one, name), getattr(other, name)) for name in names)


def _bears(equilibrium: Equilibrium, case: Case, capacity: Capacity, found: Finding) -> bool:
    """Whether forces that were found to balance the case are within what the contacts can do."""
    return (
        found.help is not None
        and not found.falls
        and equilibrium.overload(case, capacity, found.help.force) <= USE_TOLERANCE
    )
