"""Whether a load case holds with a set of joints glued, and if not, what that asks for.

A ladder: what is carried straight down, a tree of joints (:mod:`steps.statics.tree`), the forces that
balanced the case when it was last looked at, motions in which earlier sets fell, each tried by one product;
forces found by splitting; then the conic programme. A motion in which a set falls is worth more than a no:
the work of the loads in it less what all bare joints take up must be taken up by glue, which is a linear
demand on the joints that it parts (Benders 1962). What moves by itself makes a demand of its own.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from scipy import sparse
from scipy.sparse.csgraph import connected_components

from steps.glue.cases import LoadCase
from steps.glue.master import Cut
from steps.glue.supply import Supply
from steps.model import Array, IntArray, Mask
from steps.statics import Capacity, Case, Contacts, Equilibrium, Stand, Structure
from steps.statics.equilibrium import support
from steps.statics.programme import UNLIMITED, Growth, least_growth, least_use
from steps.statics.splitting import ROUNDS as FEW_ROUNDS
from steps.statics.splitting import Split, split
from steps.statics.tree import Holds, shallow_tree, tree_needs

#: Contacts in all programmes solved for one model, and in splitting by its share: about twelve seconds on one
#: core. A count and not a clock, so that the same model gives the same set.
WORK = 160_000.0
#: A programme of more contacts than this counts for more than them, by their power of 1.5: of 17,000 it took
#: 1.6 s, of 82,000 up to 18.8. So none of more than 75,000 is solved.
TYPICAL = 17_000.0
#: Beyond these, what may be spent on trying cheaper sets than the first that holds: about two seconds, in
#: which each case of a thousand parts is split once.
SPARE = 30_000.0
#: Rounds of splitting before a programme is asked: in towers, houses and cubes of 1,000 parts what held took
#: up to 160, what fell mostly as many, at a third of the programme's time.
SPLITS = 180
#: What a round of splitting counts for, of a programme of the same contacts.
ROUND = 1 / (3 * SPLITS)
#: Motions kept and tried in every case before a programme is asked.
MOTIONS = 24
#: A body moves, or two part, where they do so by more than this share of the greatest motion.
STILL = 1e-4
#: Where no joint is wanted by more than this share of its bond, the forces may prove that the case holds;
#: below the second, where they do not, no joint can be told that would help.
WANTED, UNWANTED = 1e-4, 1e-9
#: Of the joints wanted, those are taken at once that are wanted by this share of the most wanted: in towers
#: and houses of 1,000 parts one or two joints in thirty more than with 0.6, for a third of the programmes.
MUCH = 0.25
#: Like joints are told apart by so much of their effort, spread evenly by the golden ratio, so that few of
#: them are wanted in part.
UNLIKE, GOLDEN = 0.5, 0.6180339887
#: How near it is told how many times too much is asked, of itself.
AS_NEAR = 1e-3
#: A joint that takes up less than this share of what is asked is no help; what is asked is never divided by
#: less than the second.
NO_HELP, TINY = 1e-6, 1e-300


#: Forces prove that a case holds when they leave no more unbalanced, and go no further beyond a capacity,
#: than this share of the heaviest part's load: printed parts differ by more in their own weight.
PROVED = 1e-3


@dataclass(frozen=True, eq=False)
class Answer:
    """``ok`` None where it is not known; ``need`` (joints,) N, without safety, that each joint bears in the
    proof that it holds; ``motion`` (6 n,) in which it falls."""

    ok: bool | None
    need: Array | None = None
    motion: Array | None = None


@dataclass(frozen=True, eq=False)
class Strengthened:
    """The joints ``added`` (mask) for one case, the cuts found on the way, whether it ``holds`` then, and
    what each joint bears in the proof of it (joints,) N; where it does not, nothing glued would help, and
    ``motion`` (6 n,) is one in which it falls all the same."""

    added: Mask
    cuts: tuple[Cut, ...]
    holds: bool
    need: Array | None
    motion: Array | None = None


@dataclass(frozen=True, eq=False)
class Failure:
    """A case that fails whatever is glued: the ``joint`` (row, or -1) that gives way first as it is glued,
    and how many ``times`` what it can hold then is asked of it, infinity where no strength would do. Not
    ``exact`` where the work did not suffice for more than a joint that gives way and a number that is too
    low."""

    load: LoadCase
    joint: int
    times: float
    exact: bool


@dataclass(eq=False)
class Known:
    """What was found out about the cases of one structure, whatever glue it was asked for: forces (k, 3: N)
    that balance a case, and motions (6 n,) in which one fell, each with its case; ``hopeless`` are those in
    which one fell whatever was glued, and ``undecided`` the cases, with glue that is hard and not, of which
    nothing was found out in all the rounds there are; ``lighter`` are cases without the parts that nothing
    holds in them, each with what it was made of. ``work`` is what may still be spent on finding out
    more, ``spare`` what on cheaper sets than the first that holds: contacts in programmes, of which
    ``programmes`` have been solved."""

    work: float = WORK
    spare: float = SPARE
    programmes: int = 0
    forces: dict[int, tuple[LoadCase, Array]] = field(default_factory=dict)
    falls: list[tuple[LoadCase, Array]] = field(default_factory=list)
    hopeless: list[Array] = field(default_factory=list)
    undecided: dict[tuple[int, bool], LoadCase] = field(default_factory=dict)
    lighter: dict[tuple[int, bytes, tuple[bytes, ...]], tuple[LoadCase, LoadCase]] = field(
        default_factory=dict
    )

    def left(self, spare: bool) -> float:
        """What may still be spent, for what has to be known or for cheaper sets (``spare``)."""
        return self.spare if spare else self.work

    def spend(self, work: float, spare: bool) -> None:
        if spare:
            self.spare -= work
        else:
            self.work -= work

    def stood(self, load: LoadCase, force: Array) -> None:
        """Keep the forces of the last proof of a case."""
        self.forces[id(load.case)] = (load, force)

    def fell(self, load: LoadCase, motion: Array) -> None:
        self.falls.append((load, motion))

    def motions(self) -> list[Array]:
        """The last ones, latest first, then those that nothing stops."""
        return [motion for _, motion in self.falls[: -MOTIONS - 1 : -1]] + self.hopeless[: -MOTIONS - 1 : -1]

    def forget(self, load: LoadCase) -> None:
        """What a case that nothing can save asked for is no demand on any set."""
        self.falls = [fall for fall in self.falls if fall[0] is not load]


@dataclass(eq=False)
class Proofs:
    """Of one structure whose joints can be given what the ``supply`` has of glue."""

    structure: Structure
    supply: Supply
    up: Array
    known: Known
    spare: bool = False  #: a cheaper set than one that holds is being tried

    def __post_init__(self) -> None:
        joints = self.structure.joints.joints
        self.strength = self.supply.strength
        self.may: IntArray = np.flatnonzero(self.strength > 0)
        glued = {joints[row].id: float(self.strength[row]) for row in self.may}
        self.table, _ = self.structure.table_contacts(np.arange(len(self.structure.bodies)), self.up)
        self.joint = np.append(self.structure.joint, np.full(len(self.table), -1))
        self.plain = Contacts.join([self.structure.contacts, self.table])
        self.strong = Contacts.join([self.structure.glued(glued), self.table])
        self.equilibrium = Equilibrium(self.structure.bodies, self.plain)
        self.bare_holds = self.structure.holds(self.structure.contacts)
        self._given: dict[bytes, tuple[Capacity, Holds]] = {}

    def mask(self, glued: Iterable[int]) -> Mask:
        """(joints,) true at the rows."""
        mask = np.zeros(len(self.strength), dtype=bool)
        mask[list(glued)] = True
        return mask

    def capacity(self, glued: Mask) -> Capacity:
        """What the contacts can do with the joints of a mask glued, with what each is given then."""
        return self._with(glued)[0]

    def _with(self, glued: Mask) -> tuple[Capacity, Holds]:
        """The same, and what the joints hold by it."""
        key = glued.tobytes()
        if key not in self._given:
            given = self.supply.given(glued)
            names = self.structure.joints.joints
            strong = self.structure.glued({names[row].id: given[row] for row in np.flatnonzero(given > 0)})
            capacity = Capacity.of(Contacts.join([strong, self.table]))
            self._given = {key: (capacity, self.structure.holds(strong))}  # the last one asked for
        return self._given[key]

    @cached_property
    def _stand(self) -> Stand:
        return Stand.of(self.structure, self.up)

    # ------------------------------------------------------------------ one case

    def quick(self, load: LoadCase, glued: Mask) -> Answer:
        """Whether a case holds with the joints of a mask (joints,) glued, if that takes no programme."""
        if load.case.ground and self._stand.carried(np.flatnonzero(load.case.present)):
            return Answer(True, np.zeros(len(self.strength)))
        capacity, holds = self._with(glued)
        need = self._along_tree(load, holds)
        if need is not None:
            return Answer(True, need)
        _, force = self.known.forces.get(id(load.case), (load, None))
        if force is not None and self._proves(load.case, capacity, force):
            return Answer(True, self._borne(force))
        for motion in self.known.motions():
            if self.equilibrium.excess(load.case, capacity, motion) > 0:
                return Answer(False, motion=motion)
        asked = id(load.case), load.early
        if self.known.left(self.spare) <= 0 and (self.spare or asked in self.known.undecided):
            return Answer(None)  # each case is looked at once whatever it costs, and then no more
        found = self._split(load, capacity, force, SPLITS)
        if found.force is None and found.motion is None and not self.spare:
            self.known.undecided[asked] = load
        if found.force is not None:
            self.known.stood(load, found.force)
            return Answer(True, self._borne(found.force))
        return Answer(None if found.motion is None else False, motion=found.motion)

    def _along_tree(self, load: LoadCase, holds: Holds) -> Array | None:
        if load.case.ground:
            return None
        tree = shallow_tree(holds, load.case)
        if tree is None:
            return None
        need = tree_needs(tree, holds, load.case, self.structure.bodies)
        return need if bool(np.all(need * load.case.safety <= holds.pull + 1e-9)) else None

    def _afford(self, load: LoadCase) -> bool:
        """Whether the work suffices for one more programme of a case, which is counted then."""
        size = self._size(load)
        size *= max(1.0, size / TYPICAL) ** 0.5
        if size > self.known.left(self.spare):
            return False
        self.known.spend(size, self.spare)
        self.known.programmes += 1
        return True

    def _split(self, load: LoadCase, capacity: Capacity, guess: Array | None, rounds: int) -> Split:
        """What splitting finds of a case; its rounds are counted."""
        found = split(self.equilibrium, load.case, capacity, guess, rounds)
        self.known.spend(self._size(load) * found.rounds * ROUND, self.spare)
        return found

    def _size(self, load: LoadCase) -> float:
        """How many contacts do anything in a case."""
        return float(self.equilibrium.live(load.case).sum())

    def _proves(self, case: Case, capacity: Capacity, force: Array) -> bool:
        """Whether the forces, where contacts do anything in the case, show that it holds."""
        equilibrium = self.equilibrium
        force = np.where(equilibrium.live(case)[:, None], force, 0.0)
        return (
            equilibrium.overload(case, capacity, force) <= PROVED
            and equilibrium.residual(case, force) <= PROVED
        )

    def strengthened(
        self, load: LoadCase, glued: Mask, effort: Array, motion: Array | None = None
    ) -> Strengthened | None:
        """The joints that a case asks for beyond those glued (mask), the cheapest by a programme in which
        each may be glued in part: those by far the most wanted, again and again. ``motion`` (6 n,) is one in
        which it falls, where that is known. None where the work ran out or the solver cannot tell."""
        added = np.zeros(len(glued), dtype=bool)
        cuts: list[Cut] = []
        fallen = self._nothing_stops(load, motion)
        if fallen is not None:
            return Strengthened(added, (), False, None, fallen)
        while True:
            if not self._afford(load):
                return None
            found = self._least_growth(load, glued | added, effort)
            if found is None:
                return None
            if found.share is None:
                self.known.hopeless.append(found.motion)
                return Strengthened(added, tuple(cuts), False, None, found.motion)
            now, open_ = self.capacity(glued | added), (self.strength > 0) & ~glued & ~added
            share = np.zeros(len(glued))
            share[self._growing(glued | added)] = found.share
            wanted = float(share[open_].max(initial=0.0))
            if wanted <= WANTED and self._proves(load.case, now, found.force):
                self.known.stood(load, found.force)
                return Strengthened(added, tuple(cuts), True, self._borne(found.force))
            if wanted <= UNWANTED:
                return None
            self.known.fell(load, found.motion)
            cuts += self.cuts(load, found.motion)
            more = open_ & (share >= MUCH * wanted)
            shared = not np.any(more & ~self.supply.crowded)
            for some in (more, open_ & (share > WANTED)) if shared else (more,):
                added |= some
                force = self._split(load, self.capacity(glued | added), found.force, FEW_ROUNDS).force
                if force is not None:
                    self.known.stood(load, force)
                    return Strengthened(added, tuple(cuts), True, self._borne(force))
            if shared:  # the same glue, at other places: no more to be had
                return None

    def _growing(self, glued: Mask) -> IntArray:
        """The joints (rows) of which it is open how much glue they are given, those of a mask being glued:
        all others, and those that share the time of their push with others."""
        return np.flatnonzero((self.strength > 0) & (~glued | self.supply.crowded))

    def _least_growth(self, load: LoadCase, glued: Mask, effort: Array) -> Growth | None:
        """The cheapest shares of their glue, those glued (mask) for nothing, with which a case holds."""
        open_ = self._growing(glued)
        number = np.full(len(glued) + 1, -1)
        number[open_] = np.arange(len(open_))
        base = self.capacity(glued & ~self.supply.crowded)
        cost = effort[open_] * (1.0 + UNLIKE * np.modf(open_ * GOLDEN)[0])
        cost[glued[open_]] = 0.0
        limits = self.supply.limits(open_)
        return least_growth(
            self.equilibrium, load.case, base, Capacity.of(self.strong), number[self.joint], cost, limits
        )

    def _nothing_stops(self, load: LoadCase, motion: Array | None) -> Array | None:
        """A motion (6 n,) in which a case falls whatever is glued, if one is known: one in which another case
        fell, the ``motion`` in which it falls as it is, or that in which it falls with all glue there is."""
        for each in self.known.hopeless[: -MOTIONS - 1 : -1]:
            if self._beyond_all(load, each):
                return each
        if motion is None or not self._beyond_all(load, motion):
            if self.known.left(self.spare) <= 0:
                return None
            motion = self._split(load, Capacity.of(self.strong), None, FEW_ROUNDS).motion
        if motion is not None:
            self.known.hopeless.append(motion)
        return motion

    def _beyond_all(self, load: LoadCase, motion: Array) -> bool:
        """Whether a case falls in a motion whatever is glued in the time there is."""
        equilibrium, strong = self.equilibrium, Capacity.of(self.strong)
        bare = replace(strong, pull=self.plain.pull, grip=self.plain.grip)  # any glue makes faces press
        moving = equilibrium.moving(load.case, motion)
        short = float(equilibrium.scaled_loads(load.case) @ moving)
        taken = equilibrium.taken(load.case, bare, motion)
        more = equilibrium.taken(load.case, strong, motion) - taken
        own = self.joint >= 0
        gain: Array = np.bincount(self.joint[own], more[own], len(self.strength)).astype(float)
        return short - float(taken.sum()) - self.supply.at_most(gain) > 0

    def _borne(self, force: Array) -> Array:
        """(joints,) N of its strength that each joint's contacts use: at each the pull, or what it bears
        across beyond its rubbing, whichever is more, as the capacity counts them."""
        plain = self.plain
        along = np.einsum("ki,ki->k", force, plain.normal)
        across = np.linalg.norm(force - along[:, None] * plain.normal, axis=1)
        rubs = np.where(plain.push, plain.friction, 0.0)
        slips = np.where(np.isinf(plain.grip), 0.0, (across - rubs * along) / (1.0 + rubs))
        each = np.maximum(np.maximum(-along, slips), 0.0)
        own = self.joint >= 0
        return np.bincount(self.joint[own], each[own], len(self.strength)).astype(float)

    # ------------------------------------------------------------------ what a fall asks for

    def cuts(self, load: LoadCase, motion: Array) -> tuple[Cut, ...]:
        """The demands that a motion of a case makes, each of what moves by itself; none where glue cannot
        meet the whole of it."""
        moving = self.equilibrium.moving(load.case, motion)
        whole = self._cuts(load, sparse.csc_matrix(moving[:, None]))
        if whole == [None]:
            return ()
        pieces = [cut for cut in self._cuts(load, self._movers(load, moving)) if cut is not None]
        return tuple(pieces or whole)  # type: ignore[arg-type]

    def _cuts(self, load: LoadCase, motions: sparse.csc_matrix) -> list[Cut | None]:
        """Of each motion (6 n, m: one a column); None where it does not show that a bare model falls, or all
        glue cannot stop it."""
        equilibrium, joints, count = self.equilibrium, len(self.strength), motions.shape[1]
        both = Capacity.of(self.plain), Capacity.of(self.strong)
        contact, motion, (bare, most) = equilibrium.taken_in_each(load.case, both, motions)
        short = motions.T @ equilibrium.scaled_loads(load.case) - np.bincount(motion, bare, count)
        joint = self.joint[contact]
        own = (joint >= 0) & (most - bare > 0)
        pairs, place = np.unique(motion[own] * joints + joint[own], return_inverse=True)
        more = np.bincount(place, (most - bare)[own], len(pairs))
        number, row = np.divmod(pairs, max(joints, 1))
        first = np.searchsorted(number, np.arange(count + 1))
        found: list[Cut | None] = []
        for one in range(count):
            rows, gain = row[first[one] : first[one + 1]], more[first[one] : first[one + 1]]
            helps = (self.strength[rows] > 0) & (gain > NO_HELP * short[one])
            share = np.minimum(gain[helps] / max(short[one], TINY), 1.0)
            stops = short[one] > 0 and share.sum() >= 1.0
            found.append(Cut(rows[helps], share) if stops else None)
        return found

    def _movers(self, load: LoadCase, motion: Array) -> sparse.csc_matrix:
        """(6 n, m) the motion of each lot of bodies that move together, the others at rest; none where all
        that moves is one lot."""
        each = motion.reshape(-1, 6)
        size = np.linalg.norm(each, axis=1)
        moving = (size > STILL * size.max(initial=0.0)) & load.case.present & ~load.case.held
        parting = np.abs(self.equilibrium.opening(motion)).max(axis=1)
        contacts = self.plain
        count = len(moving)
        real = (contacts.second >= 0) & (parting <= STILL * size.max(initial=0.0))
        first, second = contacts.first[real], contacts.second[real]
        both = moving[first] & moving[second]
        graph = sparse.coo_matrix((np.ones(both.sum()), (first[both], second[both])), shape=(count, count))
        lots, lot = np.unique(connected_components(graph, directed=False)[1][moving], return_inverse=True)
        if len(lots) < 2:
            return sparse.csc_matrix((motion.size, 0))
        rows = (6 * np.flatnonzero(moving)[:, None] + np.arange(6)).ravel()
        entries = (each[moving].ravel(), (rows, np.repeat(lot, 6)))
        return sparse.coo_matrix(entries, shape=(motion.size, len(lots))).tocsc()

    # ------------------------------------------------------------------ what cannot be helped

    def first_to_give(self, load: LoadCase, motion: Array, glued: Mask) -> Failure:
        """How a case fails with the joints of a mask glued; ``motion`` (6 n,) is one in which it does."""
        known = self._in_motion(load, motion, self.capacity(glued))
        return known if np.isinf(known.times) else self._used(load, glued) or known

    def worked_out(self, load: LoadCase, glued: Mask) -> Answer | Failure | None:
        """That a case holds with the joints of a mask glued, or how it fails; None where that takes too
        much."""
        found = self._used(load, glued)
        if found is None or found.times > 1.0:
            return found
        _, force = self.known.forces[id(load.case)]
        return Answer(True, self._borne(force))

    def _used(self, load: LoadCase, glued: Mask) -> Failure | None:
        """How many times what the joints hold a case asks for, by a programme, if the work suffices."""
        if not self._afford(load):
            return None
        capacity = self.capacity(glued)
        found = least_use(self.equilibrium, load.case, capacity)
        if np.isnan(found.use):
            return None
        if found.use <= 1.0:
            if not self._proves(load.case, capacity, found.force):
                return None
            self.known.stood(load, found.force)
        return Failure(load, self._most(found.blame), found.use, True)

    def _in_motion(self, load: LoadCase, motion: Array, capacity: Capacity) -> Failure:
        """How many times what the joints hold is needed, at least, to stop a motion."""

        equilibrium, crush = self.equilibrium, self.equilibrium.crush(load.case)
        moving, own = equilibrium.moving(load.case, motion), equilibrium.capacity(load.case, capacity)
        work, against = equilibrium.scaled_loads(load.case) @ moving, -equilibrium.opening(moving).ravel()

        def short(times: float) -> float:
            more = replace(own, pull=times * own.pull, grip=times * own.grip)
            return float(work - support(more, against, crush).sum())

        low, high = 1.0, 2.0
        while short(high) > 0:
            low, high = high, 2 * high
            if high > UNLIMITED:
                return Failure(load, -1, float("inf"), True)
        while high - low > AS_NEAR * low:
            middle = (low + high) / 2
            low, high = (middle, high) if short(middle) > 0 else (low, middle)
        return Failure(load, self._most(self.equilibrium.taken(load.case, capacity, motion)), low, False)

    def _most(self, shares: Array) -> int:
        """The joint (row) with the most of what is told of each contact (k,); -1 where none has any."""
        own = self.joint >= 0
        each = np.bincount(self.joint[own], shares[own], len(self.strength))
        return int(np.argmax(each.round(6))) if each.max(initial=0.0) > 0 else -1
