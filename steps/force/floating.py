"""A part that floats between one-sided springs: which of its contact lines press, and how hard.

Every line pushes the stud away from its wall by what it is squeezed, and none can pull. The part with the
studs shifts and turns across its axis until the forces balance. That is a small convex problem, least
energy of the springs, whose forces are unique and continuous in every squeeze; where nothing opposes, as
with a stud touched from one side, nothing presses.
"""

from __future__ import annotations

import numpy as np
import scipy.linalg
from numpy.typing import ArrayLike
from scipy.optimize import nnls

from steps.model import Array

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
    give_, squeeze_, ways_ = (np.asarray(x, dtype=np.float64) for x in (give, squeeze, ways))
    forces = np.zeros(len(squeeze_))
    if squeeze_.max(initial=0.0) <= ROUNDING_MM:  # as it stands no spring is pressed
        return forces
    size = float(np.sqrt((ways_**2).sum(axis=0)).max())
    held = ways_ / max(size, 1e-300)
    typical = float(np.trace(give_)) / len(squeeze_)
    root = scipy.linalg.cholesky(give_ + FLOATS * typical * held @ held.T, lower=True)
    target = scipy.linalg.solve_triangular(root, squeeze_, lower=True)
    forces, _ = nnls(root.T, target, maxiter=30 * len(squeeze_) + 100)
    return np.asarray(forces)


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
    known = {row: settle(give, squeezes[row], ways) for row in (first, last)}
    asked = [(first, last)]
    while asked:
        low, high = asked.pop()
        same = bool(np.array_equal(known[low] > 0, known[high] > 0))
        if high - low < 2 or same:
            share = np.linspace(0, 1, high - low + 1)[:, None]
            found[low : high + 1] = (1 - share) * known[low] + share * known[high]
            continue
        middle = (low + high) // 2
        known[middle] = settle(give, squeezes[middle], ways)
        asked += [(low, middle), (middle, high)]
    return found
