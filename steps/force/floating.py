"""A part that floats between one-sided springs: which of its contact lines press, and how hard.

Every line pushes the stud away from its wall by what it is squeezed, and none can pull. The part with the
studs shifts and turns across its axis until the forces balance. That is a small convex problem, least
energy of the springs, whose forces are unique and continuous in every squeeze; where nothing opposes, as
with a stud touched from one side, nothing presses.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.linalg
from numpy.typing import ArrayLike
from scipy.optimize import nnls

from steps.model import Array, Mask

#: How much softer than the springs a part is held in place while it floats: what is left unbalanced.
FLOATS = 1e7
#: A squeeze of less (mm) is rounding of coordinates: nothing presses.
ROUNDING_MM = 1e-9


def settle(give: ArrayLike, squeeze: ArrayLike, ways: ArrayLike) -> Array:
    """(n,) forces across the lines, N, none below 0.

    ``give`` (n, n) mm of give of each line per newton on each, symmetric and positive definite; ``squeeze``
    (n,) mm by which each is pressed where the file puts the part, below 0 a gap; ``ways`` (n, 2) or (n, 3)
    the part's freedoms: unit direction of each line from stud to wall across the axis, and its arm about the
    axis.

    With forces f: least f.C.f / 2 - f.i over f >= 0 in balance (the dual of the springs' least energy).
    """
    squeezes = np.asarray(squeeze, dtype=np.float64)[None]
    return _Floating.of(give, squeezes, ways).forces(0)


def settle_along(give: ArrayLike, squeezes: Array, ways: ArrayLike) -> Array:
    """(k, n) forces for (k, n) squeezes that lie on a straight line from the first to the last.

    Between two squeezes at which the same lines press, the forces run straight: only where the lines change
    is it asked again.
    """
    found = np.zeros(squeezes.shape)
    rising = np.flatnonzero(squeezes.max(axis=1) > 0)
    if not len(rising):
        return found
    first, last = max(int(rising[0]) - 1, 0), len(squeezes) - 1
    floating = _Floating.of(give, squeezes, ways)
    known = {row: floating.forces(row) for row in (first, last)}
    asked = [(first, last)]
    while asked:
        low, high = asked.pop()
        same = bool(np.array_equal(known[low] > 0, known[high] > 0))
        if high - low < 2 or same:
            share = np.linspace(0, 1, high - low + 1)[:, None]
            found[low : high + 1] = (1 - share) * known[low] + share * known[high]
            continue
        middle = (low + high) // 2
        known[middle] = floating.forces(middle)
        asked += [(low, middle), (middle, high)]
    return found


@dataclass(frozen=True, eq=False)
class _Floating:
    """The least squares that all squeezes of the same lines share: |root^T f - root^-1 squeeze| and, so much
    heavier, what is out of balance, for f >= 0. The two stay apart: added up, the softest line or the
    stiffest would drown the others in rounding."""

    presses: Mask  #: (k,) whether any spring is pressed as it stands
    root: Array  #: (n, n) lower triangle
    rows: Array  #: (n + m, n) its transpose, and the m freedoms
    squeezes: Array  #: (k, n)

    @staticmethod
    def of(give: ArrayLike, squeezes: Array, ways: ArrayLike) -> _Floating:
        give_, ways_ = np.asarray(give, dtype=np.float64), np.asarray(ways, dtype=np.float64)
        size = float(np.sqrt((ways_**2).sum(axis=0)).max())
        typical = float(np.trace(give_)) / squeezes.shape[1]
        held = np.sqrt(FLOATS * typical) / max(size, 1e-300) * ways_
        root = scipy.linalg.cholesky(give_, lower=True)
        return _Floating(squeezes.max(axis=1) > ROUNDING_MM, root, np.vstack([root.T, held.T]), squeezes)

    def forces(self, row: int) -> Array:
        """(n,) N on each line at one of the squeezes."""
        count = len(self.root)
        if not self.presses[row]:
            return np.zeros(count)
        target = np.zeros(len(self.rows))
        target[:count] = scipy.linalg.solve_triangular(
            self.root, self.squeezes[row], lower=True, check_finite=False
        )
        forces, _ = nnls(self.rows, target, maxiter=30 * count + 100)
        return np.asarray(forces)
