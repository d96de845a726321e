"""What glue gives each joint when all that one push closes share its time.

A set of joints has each as strong as the drops make it that it is dealt. No set does better than one in which
the joints of a push were given any shares of what each takes alone, together no more than the time allows:
that is linear, so that a programme, and the work of a motion, tell what no set can hold.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import sparse

from steps.glue.doses import (
    Pushes,
    bond_volume,
    dealt,
    doses,
    drops_for,
    glued_strength,
    most_drops,
    per_drop,
)
from steps.glue.families import Family
from steps.model import Array, IntArray, Joint, Mask

#: Rounding, in drops.
NOTHING = 1e-9


@dataclass(frozen=True, eq=False)
class Supply:
    """``strength`` (j,) N of each joint that has a push for itself, 0 where it may not be glued, for which it
    ``takes`` (j,) drops, wants ``drops`` (j,) of them and has ``share`` (j,) of its faces wetted by each;
    ``push`` (j,) numbers what is closed at once, by ``most`` drops."""

    strength: Array
    takes: Array
    drops: IntArray
    share: Array
    push: IntArray
    most: float

    @staticmethod
    def ample(strength: Array) -> Supply:
        """There is time enough for every joint."""
        count = len(strength)
        nothing = np.zeros(count, dtype=np.int64)
        return Supply(strength, np.zeros(count), nothing, np.ones(count), np.arange(count), np.inf)

    @staticmethod
    def of(
        joints: Sequence[Joint], may: Sequence[Joint], pushes: Pushes, used: Family, celsius: float
    ) -> Supply:
        """Of all the ``joints``, of which some ``may`` be glued with a family."""
        row = {joint.id: number for number, joint in enumerate(joints)}
        own = Supply.ample(np.zeros(len(joints)))
        push = own.push.copy()
        for number, names in enumerate(pushes):
            push[[row[name] for name in names]] = len(joints) + number
        alone = doses(may, (), used, celsius)
        for joint in (each for each in may if each.id in alone):
            at, dose, volume = row[joint.id], alone[joint.id], bond_volume(joint, used)
            own.strength[at] = glued_strength(joint, used, dose)
            own.drops[at], own.share[at] = drops_for(volume, used), per_drop(volume, used)
            own.takes[at] = dose.share / own.share[at]
        return replace(own, push=push, most=float(most_drops(used, celsius)))

    def early(self, share: float) -> Supply:
        """The same while all joints have no more than a share of their strength."""
        return replace(self, strength=share * self.strength)

    def given(self, glued: Mask) -> Array:
        """(j,) N that each joint holds by its glue when those of a mask (j,) are glued."""
        strength = np.where(glued, self.strength, 0.0)
        wanted = np.where(strength > 0, np.minimum(self.drops, self.most), 0.0)
        for number in np.flatnonzero(np.bincount(self.push, wanted) > self.most):
            rows = np.flatnonzero((self.push == number) & (strength > 0))
            dealt_to = np.array(dealt(self.drops[rows].tolist(), int(self.most)))
            wetted = np.minimum(self.share[rows] * np.minimum(self.drops[rows], self.most), 1.0)
            strength[rows] *= np.minimum(self.share[rows] * dealt_to, 1.0) / wetted
        return strength

    @property
    def crowded(self) -> Mask:
        """(j,) the joints whose push has not time enough for all that may be glued by it."""
        return (np.bincount(self.push, self.takes) > self.most + NOTHING)[self.push]

    def limits(self, rows: IntArray) -> sparse.csc_matrix:
        """(l, k) what each of the joints ``rows`` (k,) takes of the time, which is one, of a crowded push."""
        at = np.flatnonzero(self.crowded[rows])
        number, line = np.unique(self.push[rows[at]], return_inverse=True)
        share = self.takes[rows[at]] / self.most
        return sparse.coo_matrix((share, (line, at)), shape=(len(number), len(rows))).tocsc()

    def at_most(self, gain: Array) -> float:
        """The most that shares of the joints can come to together, each worth so much of its ``gain`` (j,):
        of each push first those that gain most for their drops."""
        rows = np.flatnonzero(gain > 0)
        takes, own = np.maximum(self.takes[rows], NOTHING), gain[rows]
        order = np.lexsort((rows, -own / takes, self.push[rows]))
        push, takes, own = self.push[rows][order], takes[order], own[order]
        before = np.cumsum(takes) - takes
        first = np.searchsorted(push, push)
        room = self.most - (before - before[first] if len(rows) else before)
        return float((own * np.clip(room / takes, 0.0, 1.0)).sum())
