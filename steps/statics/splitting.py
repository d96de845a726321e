"""Forces that balance a case, found by splitting: the quickest proof that it holds.

The forces that balance the loads are a plane, what the contacts can do is a product of small cones. Reflected
between the two in turn (Douglas and Rachford 1956; Lions and Mercier 1979), a guess comes to lie in both. The
step to the plane is one product with a factor of A A^T and spreads what is unbalanced over all ways to the
ground; the step to the cones is one formula for all contacts. It aims a little inside the cones, so that it
ends after a few rounds where anything is to spare. Where the two sets do not meet, what is left between them
settles to a motion in which the bodies fall (Banjac et al. 2019, infeasibility detection in ADMM). Long
before that it tells which contacts yield in it: with all others kept still the motion is read off at once.
What it finds is checked; that it finds nothing says nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np
from scipy import sparse
from scipy.sparse.linalg import SuperLU, splu

from steps.model import Array, IntArray, Mask, frozen_array
from steps.progress import patiently, tick
from steps.statics.equilibrium import Capacity, Case, Equilibrium

#: Rounds after which a programme is asked instead, which costs about as much again. Of 311 standing sets of a
#: branching sculpture of 300 parts half took 8, and all no more than 50.
ROUNDS = 60
#: Share of every capacity that is left to spare, and with how much of the mean load of a contact each face
#: is pressed at least.
SPARED, PRESSED = 0.02, 0.01
#: How far each round goes of the way (1 plain, below 2): a little farther took fewer
#: rounds there.
FARTHER = 1.6
#: Rounds after which it is looked whether what is left tells how the bodies fall, and again when they have
#: doubled: of 20 falls of walls, towers, houses, cubes and sculptures of 1,000 and 2,000 parts all were told
#: after 10. To look costs about as much as ten rounds there, and of 8,000 parts more. It is worth it where
#: what contacts lack still grows along itself, by the cosine: after 15 rounds of those falls 0.44 and more,
#: of what held 0.3 and less, mostly below 0.
LOOK, ALONG = 10, 0.35
#: How often it is looked again with what closed kept still: those falls took up to six, none more with ten.
LOOKS = 6
#: A contact that lacks less than this share of what the most lacking one does is kept still; the others
#: follow what they lack so much less firmly, and bodies their place where no contact says anything; a contact
#: closes by more than the fourth, of the greatest motion.
YIELDS, FOLLOWS, STAYS, CLOSES = 1e-6, 1e-8, 1e-12, 1e-9
#: What is kept still moves by no more than this share of what yields where something falls: 4e-7 in those
#: falls, but for one told a look later, and mostly 2e-3 and more in what held.
STRAINED = 1e-5
#: What opens too little is to open by so many times more than it lacks, since it only follows: of 54 heaps
#: that fall 48 were told with 2 and with 4, 17 without.
MORE = 2.0
#: What A A^T is made firmer by, of a unit force on each body, so that it has a factor where bodies hang free.
FIRM = 1e-9
#: So many bodies are balanced in some tenths of a second: another thread would only cost a share of it.
QUICK_BODIES = 1_000
#: How far forces may go beyond a capacity, or leave a body out of balance, in units of the greatest load:
#: rounding.
CLOSE = 1e-6


@dataclass(frozen=True, eq=False)
class Split:
    """What splitting found: ``force`` (k, 3: N, model axes) on each contact's first body that balances the
    case within what the contacts can do, or a ``motion`` (6 n,) in which it falls (see
    :meth:`Equilibrium.excess`), or neither; after so many ``rounds``."""

    force: Array | None = None
    motion: Array | None = None
    rounds: int = 0


def balancing(
    equilibrium: Equilibrium,
    case: Case,
    capacity: Capacity,
    guess: Array | None = None,
    rounds: int = ROUNDS,
) -> Array | None:
    """The force of :func:`split`, without a look at how the case falls."""
    return split(equilibrium, case, capacity, guess, rounds, 0).force


def split(
    equilibrium: Equilibrium,
    case: Case,
    capacity: Capacity,
    guess: Array | None = None,
    rounds: int = ROUNDS,
    look: int = LOOK,
) -> Split:
    """Forces that balance a case, or a motion in which it falls; neither where none was found in so many
    ``rounds``, which proves nothing. A good ``guess`` (k, 3: N) spares rounds. How it falls is looked for
    after so many rounds first (``look``), 0 for never."""
    free = case.present & ~case.held
    if not free.any():
        return Split(frozen_array(np.zeros((len(equilibrium.contacts), 3)), (None, 3)))
    cones = _Within.of(equilibrium, case, capacity)
    find = partial(_found, equilibrium, case, capacity, cones, free, guess, rounds, look)
    if len(equilibrium.bodies) <= QUICK_BODIES:
        tick()
        return find()
    # all of it in one thread: of the memory that SuperLU took in another nothing would be given back
    return patiently(find)


def _found(
    equilibrium: Equilibrium,
    case: Case,
    capacity: Capacity,
    cones: _Within,
    free: Mask,
    guess: Array | None,
    rounds: int,
    look: int,
) -> Split:
    """What so many rounds find, for the bodies that are ``free`` (n,)."""
    bears, rows = np.flatnonzero(cones.bears), np.repeat(free, 6)
    across = equilibrium.acting(cones.bears, free)
    matrix = across.T.tocsr()
    factor = _factor(across)
    loads = equilibrium.scaled_loads(case)[rows]
    at = np.zeros(cones.bears.shape)
    if guess is not None:
        at[:] = np.where(cones.bears, np.einsum("kij,kj->ik", equilibrium.frames, guess) / case.scale, 0.0)
    inside = cones.nearest(at)
    for done in range(1, rounds + 1):
        balanced = 2 * inside - at
        prices = factor.solve(matrix @ balanced.ravel()[bears] + loads)
        balanced.ravel()[bears] -= across @ prices
        if cones.overload(balanced) <= CLOSE:
            # what the factor's firmness left: of a wall of 5,000 parts more than rounding
            balanced.ravel()[bears] -= across @ factor.solve(matrix @ balanced.ravel()[bears] + loads)
            force = np.einsum("kij,ik->kj", equilibrium.frames, balanced * case.scale)
            if equilibrium.residual(case, force) > CLOSE:  # something hangs on nothing
                return Split(rounds=done)
            if cones.overload(balanced) <= CLOSE:
                return Split(frozen_array(force, (None, 3)), rounds=done)
        if done == look:
            look *= 2
            lacking, grows = at - inside, balanced - inside
            along, sizes = (lacking * grows).sum(), (lacking**2).sum() * (grows**2).sum()
            if along > ALONG * np.sqrt(sizes):
                motion = _fall(equilibrium, case, capacity, across, cones, free, lacking)
                if motion is not None:
                    return Split(motion=frozen_array(motion, (None,)), rounds=done)
        at += FARTHER * (balanced - inside)
        inside = cones.nearest(at)
    return Split(rounds=rounds)


def _fall(
    equilibrium: Equilibrium,
    case: Case,
    capacity: Capacity,
    across: sparse.csr_matrix,
    cones: _Within,
    free: Mask,
    lacking: Array,
) -> Array | None:
    """(6 n,) a motion of the bodies that are ``free`` (n,) in which they fall, if it is told by what contacts
    are asked for beyond what they can do, ``lacking`` (3, k): those that lack anything part along it, as
    nearly as may be, while all others keep still. What would close keeps still then, too, and what would rub
    is to open by more."""
    size, bears, wanted = np.sqrt((lacking**2).sum(axis=0)), cones.bears, -lacking
    yields = size > YIELDS * size.max(initial=0.0)
    for _ in range(LOOKS):
        firmness = np.broadcast_to(np.where(yields, np.sqrt(FOLLOWS), 1.0), bears.shape)[bears]
        factor = _factor(sparse.diags_array(firmness) @ across, STAYS)
        moves = factor.solve(FOLLOWS * (across.T @ (wanted * yields)[bears]))
        far = max(float(np.abs(moves).max()), 1e-300)
        motion = np.zeros(6 * len(free))
        motion[np.repeat(free, 6)] = moves / far
        if equilibrium.excess(case, capacity, motion) > 0:
            return motion
        opening = equilibrium.opening(motion)
        strain = np.abs(opening * bears.T).max(axis=1)
        if strain[~yields].max(initial=0.0) > STRAINED * strain[yields].max(initial=0.0):
            return None  # what should keep still cannot: it holds, or too little is known of what yields
        closes, short = yields & (opening[:, 0] < -CLOSES), np.where(yields, cones.short(opening), 0.0)
        if not closes.any() and short.max() <= CLOSES:
            return None
        yields &= ~closes
        wanted[0] += MORE * far * short
    return None


def _factor(across: sparse.csr_matrix, firm: float = FIRM) -> SuperLU:
    """A factor of A A^T, made a little firmer; in one go: of 20,000 bodies in a wall 1.2 s, by blocks and
    their borders 90."""
    return splu(
        _firm(across, firm),
        permc_spec="MMD_AT_PLUS_A",
        diag_pivot_thresh=0.0,
        options={"SymmetricMode": True},
    )


def _firm(across: sparse.csr_matrix, firm: float) -> sparse.csc_matrix:
    """A A^T of the transposed ``across``, so much firmer: each body held so by forces of its own."""
    count = across.shape[1]
    own = np.full(count, np.sqrt(firm))
    entries = (
        np.append(across.data, own),
        np.append(across.indices, np.arange(count)),
        np.append(across.indptr, across.indptr[-1] + np.arange(1, count + 1)),
    )
    held = sparse.csr_matrix(entries, shape=(across.shape[0] + count, count))
    return (held.T @ held).tocsc()


@dataclass(frozen=True, eq=False)
class _Within:
    """K of each contact in a case (see :class:`Capacity`), in units of its scale and axes of the contact, and
    what lies a little inside of it; ``bears`` (3, k) says along which axes it can do anything."""

    full: Capacity
    inner: Capacity
    bears: Mask
    pins: IntArray
    least: Array  #: (k,) least normal force a little inside
    flatter: Array  #: (k,) how much shorter the way to a slanted side is than straight down to it

    @staticmethod
    def of(equilibrium: Equilibrium, case: Case, capacity: Capacity) -> _Within:
        own = equilibrium.capacity(case, capacity)
        pinned, share = np.isinf(own.grip), 1 - SPARED
        rubs = np.where(own.push & ~pinned, own.friction, 0.0)
        full = Capacity(rubs, own.pull, own.grip, own.push)
        inner = Capacity(share * rubs, share * own.pull, np.where(pinned, 0.0, share * own.grip), own.push)
        along, across = own.push | (own.pull > 0), (rubs > 0) | (own.grip > 0)
        each = float(np.abs(equilibrium.scaled_loads(case)).sum()) / max(len(own.pull), 1)
        least = np.where(own.push, PRESSED * each, 0.0) - inner.pull
        bears = np.stack([along, across, across])
        return _Within(full, inner, bears, np.flatnonzero(pinned), least, 1 / (1 + inner.friction**2))

    def nearest(self, forces: Array) -> Array:
        """(3, k) the nearest forces a little inside the cones."""
        inner, pins = self.inner, self.pins
        along, across = forces[0] - self.least, np.hypot(forces[1], forces[2])
        # beyond the slanted side
        over = np.maximum((across - inner.friction * along - inner.grip) * self.flatter, 0.0)
        pressed = along + inner.friction * over
        beside = np.where(pressed < 0, np.minimum(across, inner.grip), across - over)
        pressed = np.maximum(pressed, 0.0)
        np.minimum(pressed, -self.least, out=pressed, where=~inner.push)
        pressed[pins], beside[pins] = np.maximum(along[pins], 0.0), across[pins]
        share = beside / np.maximum(across, 1e-300)
        return self.bears * np.stack([pressed + self.least, forces[1] * share, forces[2] * share])

    def short(self, opening: Array) -> Array:
        """(k,) by how much more contacts that part (k, 3) would have to open so as not to press or rub."""
        slip = np.hypot(opening[:, 1], opening[:, 2])
        rubs = np.where(np.isinf(self.full.grip), 1.0, self.full.friction)
        return np.where(self.full.push, np.maximum(rubs * slip - opening[:, 0], 0.0), 0.0)

    def overload(self, forces: Array) -> float:
        """How far forces (3, k) go beyond the full cones, at worst."""
        full, along, across = self.full, forces[0], np.hypot(forces[1], forces[2])
        beyond = np.maximum(-full.pull - along, across - full.friction * (along + full.pull) - full.grip)
        np.maximum(beyond, along, out=beyond, where=~full.push)
        return float(beyond.max(initial=0.0))
