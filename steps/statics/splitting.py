"""Forces that balance a case, found by splitting: the quickest proof that it holds.

The forces that balance the loads are a plane, what the contacts can do is a product of small cones. Reflected
between the two in turn (Douglas and Rachford 1956; Lions and Mercier 1979), a guess comes to lie in both. The
step to the plane is one product with a factor of A A^T and spreads what is unbalanced over all ways to the
ground; the step to the cones is one formula for all contacts. It aims a little inside the cones, so that it
ends after a few rounds where anything is to spare. Where the two sets do not meet, what is left between them
settles, and its price in balance is a motion in which the bodies fall (Banjac et al. 2019, infeasibility
detection in ADMM). What it finds is checked; that it finds nothing says nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np
from scipy import sparse
from scipy.sparse.linalg import splu

from steps.model import Array, Mask, frozen_array
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
#: Rounds after which it is looked whether what is left is a motion in which the bodies fall: of a tower of
#: 1,000 parts it was one after 90, and to look costs about as much as two rounds.
LOOK = 30
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
    """The force of :func:`split`."""
    return split(equilibrium, case, capacity, guess, rounds).force


def split(
    equilibrium: Equilibrium,
    case: Case,
    capacity: Capacity,
    guess: Array | None = None,
    rounds: int = ROUNDS,
) -> Split:
    """Forces that balance a case, or a motion in which it falls; neither where none was found in so many
    ``rounds``, which proves nothing. A good ``guess`` (k, 3: N) spares rounds."""
    free = np.repeat(case.present & ~case.held, 6)
    if not free.any():
        return Split(frozen_array(np.zeros((len(equilibrium.contacts), 3)), (None, 3)))
    cones = _Within.of(equilibrium, case, capacity)
    find = partial(_found, equilibrium, case, capacity, cones, free, guess, rounds)
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
) -> Split:
    """What so many rounds find, for the bodies whose rows are ``free``."""
    matrix, across = _bearing(equilibrium, cones.bears, free)
    firm = matrix @ across + FIRM * sparse.identity(matrix.shape[0])
    factor = splu(  # in one go: of 20,000 bodies in a wall 1.2 s; by blocks and their borders 90
        firm.tocsc(), permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0, options={"SymmetricMode": True}
    )
    loads = equilibrium.scaled_loads(case)[free]
    at = np.zeros(cones.bears.shape)
    if guess is not None:
        at = np.where(cones.bears, np.einsum("kij,kj->ki", equilibrium.frames, guess) / case.scale, 0.0)
    inside = cones.nearest(at)
    for done in range(1, rounds + 1):
        beyond = 2 * inside - at
        prices = factor.solve(matrix @ beyond.ravel() + loads)
        balanced = beyond - (across @ prices).reshape(-1, 3)
        if cones.overload(balanced) <= CLOSE:
            force = np.einsum("kij,ki->kj", equilibrium.frames, balanced * case.scale)
            good = equilibrium.residual(case, force) <= CLOSE
            return Split(frozen_array(force, (None, 3)) if good else None, rounds=done)
        if done % LOOK == 0:
            motion = np.zeros(len(free))
            motion[free] = prices / np.abs(prices).max()
            if equilibrium.excess(case, capacity, motion) > 0:
                return Split(motion=frozen_array(motion, (None,)), rounds=done)
        at += FARTHER * (balanced - inside)
        inside = cones.nearest(at)
    return Split(rounds=rounds)


def _bearing(
    equilibrium: Equilibrium, bears: Mask, free: Mask
) -> tuple[sparse.csr_matrix, sparse.csr_matrix]:
    """The rows of the matrix that are ``free``, nothing in the columns of what cannot bear; its transpose."""
    across = equilibrium.across
    dead = np.repeat(~bears.ravel(), np.diff(across.indptr))
    if dead.any():
        across = across.copy()
        across.data[dead] = 0.0
    if not free.all():
        across = across[:, np.flatnonzero(free)]
    return across.T.tocsr(), across


@dataclass(frozen=True, eq=False)
class _Within:
    """K of each contact in a case (see :class:`Capacity`), in units of its scale and axes of the contact, and
    what lies a little inside of it; ``bears`` (k, 3) says along which axes it can do anything."""

    full: Capacity
    bears: Mask
    pinned: Mask
    least: Array  #: (k,) least normal force a little inside

    @staticmethod
    def of(equilibrium: Equilibrium, case: Case, capacity: Capacity) -> _Within:
        own = equilibrium.capacity(case, capacity)
        pinned = np.isinf(own.grip)
        rubs = np.where(own.push & ~pinned, own.friction, 0.0)
        full = Capacity(rubs, own.pull, np.where(pinned, 0.0, own.grip), own.push)
        along = own.push | (own.pull > 0)
        across = pinned | (rubs > 0) | (full.grip > 0)
        each = float(np.abs(equilibrium.scaled_loads(case)).sum()) / max(len(own.pull), 1)
        least = np.where(own.push, PRESSED * each, 0.0) - (1 - SPARED) * own.pull
        return _Within(full, np.stack([along, across, across], axis=1), pinned, least)

    def nearest(self, forces: Array) -> Array:
        """(k, 3) the nearest forces a little inside the cones."""
        slope, push = (1 - SPARED) * self.full.friction, self.full.push
        grip = (1 - SPARED) * self.full.grip
        along, across = forces[:, 0] - self.least, np.hypot(forces[:, 1], forces[:, 2])
        over = np.maximum((across - slope * along - grip) / (1 + slope**2), 0.0)  # beyond the slanted side
        pressed, beside = along + slope * over, across - over
        low = pressed < 0
        pressed = np.where(low, 0.0, pressed)
        beside = np.where(low, np.minimum(across, grip), beside)
        pressed = np.where(push, pressed, np.minimum(pressed, -self.least))
        pressed = np.where(self.pinned, np.maximum(along, 0.0), pressed)
        share = np.where(self.pinned, 1.0, beside / np.maximum(across, 1e-300))
        near = np.stack([pressed + self.least, forces[:, 1] * share, forces[:, 2] * share], axis=1)
        return np.where(self.bears, near, 0.0)

    def overload(self, forces: Array) -> float:
        """How far forces go beyond the full cones, at worst."""
        along, across = forces[:, 0], np.hypot(forces[:, 1], forces[:, 2])
        full = self.full
        beyond = np.maximum(-full.pull - along, np.where(full.push, -np.inf, along))
        slid = across - full.friction * (along + full.pull) - full.grip
        return float(np.maximum(beyond, np.where(self.pinned, -np.inf, slid)).max(initial=0.0))
