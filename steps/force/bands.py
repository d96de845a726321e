"""Bands: a force as its 10th, 50th and 90th percentile, without random numbers.

A joint's force is F(e) times a factor: e is the error of the print, normal, that shifts every interference
alike; the factor gathers friction, modulus, wall and model, log-normal with median 1. The percentiles of the
product come from one quadrature over e.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike

from steps.model import Array

PERCENTILES = (0.10, 0.50, 0.90)
#: Where F is asked, in standard deviations of e: between them it is drawn straight.
ASKED = np.linspace(-3.25, 3.25, 27)
#: Gauss's points between two of them: where the factor's deviation is 0.2 or more, a percentile is exact to
#: a ten-thousandth, save one of a force that is nearly nothing.
GAUSS = 6
#: A percentile is found when a round moves its logarithm by no more than this: the next would by its square.
CLOSE = 1e-3
#: Rounds in which even halving alone gets so close.
MOST_ROUNDS = 40
#: A force so small (N) stands for none where its logarithm is asked.
TINY_N = 1e-9
#: A share of all cases so small, or of so nearly all, tells nothing of where it lies.
TINY_SHARE = 1e-12


@dataclass(frozen=True)
class Band:
    """Newtons: 10th, 50th and 90th percentile."""

    low: float
    likely: float
    high: float

    def __add__(self, other: Band) -> Band:
        """Of two that rise and fall together: percentile by percentile."""
        return Band(self.low + other.low, self.likely + other.likely, self.high + other.high)

    def times(self, low: float, likely: float | None = None, high: float | None = None) -> Band:
        """Each percentile times its own factor; one factor for all when only one is given."""
        likely, high = (low if factor is None else factor for factor in (likely, high))
        return Band(self.low * low, self.likely * likely, self.high * high)

    def at_least(self, least: float) -> Band:
        """No percentile below ``least``."""
        return Band(max(self.low, least), max(self.likely, least), max(self.high, least))

    def at_most(self, most: float) -> Band:
        """No percentile above ``most``."""
        return Band(min(self.low, most), min(self.likely, most), min(self.high, most))

    def above(self, other: Band) -> Band:
        """Percentile by percentile the greater."""
        return Band(max(self.low, other.low), max(self.likely, other.likely), max(self.high, other.high))


NO_FORCE = Band(0.0, 0.0, 0.0)


@lru_cache(maxsize=1)
def _nodes() -> tuple[Array, Array]:
    """(q, len(ASKED)) what F at each of :data:`ASKED` counts for at each node of the quadrature, and (q,) the
    nodes' probabilities."""
    from scipy.special import ndtr  # loaded when forces are asked for

    own, weight = np.polynomial.legendre.leggauss(GAUSS)
    share = (own + 1) / 2
    between = np.arange(len(ASKED) - 1)
    shares = np.zeros((len(between), GAUSS, len(ASKED)))
    shares[between, :, between] = 1 - share
    shares[between, :, between + 1] = share
    taken = shares.reshape(-1, len(ASKED))
    odds = np.tile(weight, len(between)) * np.exp(-((taken @ ASKED) ** 2) / 2)
    tail = ndtr(ASKED[0])  # beyond the ends F stays what it is there
    odds = np.concatenate([[tail], odds / odds.sum() * (1 - 2 * tail), [tail]])
    ends = np.eye(len(ASKED))[[0, -1]]
    return np.concatenate([ends[:1], taken, ends[1:]]), odds


def band_of(forces: ArrayLike, sigma: float) -> Band:
    """The band of F(e) times a log-normal factor.

    ``forces`` (len(ASKED),) are F where e stands :data:`ASKED` standard deviations from its mean, N, none
    below 0; ``sigma`` the standard deviation of the factor's logarithm.
    """
    return bands_of(np.asarray(forces, dtype=np.float64)[None], sigma)[0]


def bands_of(forces: Array, sigma: float) -> list[Band]:
    """The same for each row of (k, len(ASKED)) forces."""
    taken, odds = _nodes()
    at = forces @ taken.T
    nothing = (at <= 0) @ odds
    row, share = np.nonzero(nothing[:, None] < PERCENTILES)  # elsewhere the force is 0
    found = np.zeros((len(forces), len(PERCENTILES)))
    if len(row):
        logs = np.log(np.maximum(at, TINY_N))
        found[row, share] = np.exp(_percentiles(logs[row], odds, sigma, np.array(PERCENTILES)[share]))
    return [Band(*row) for row in found.tolist()]


def _percentiles(logs: Array, odds: Array, sigma: float, shares: Array) -> Array:
    """(k,) what exceeds a share (k,) of the cases of each row: of ``logs`` (k, q), of probabilities ``odds``,
    plus a normal error of deviation ``sigma``.

    Newton's steps on the normal quantile of the share below, which runs nearly straight, within brackets.
    """
    from scipy.special import ndtr, ndtri  # loaded when forces are asked for

    low, high = logs.min(axis=1) - 4 * sigma, logs.max(axis=1) + 4 * sigma
    at, wanted = logs @ odds, ndtri(shares)
    for _ in range(MOST_ROUNDS):
        off = (at[:, None] - logs) / sigma
        below = ndtr(off) @ odds
        low, high = np.where(below < shares, at, low), np.where(below < shares, high, at)
        reached = ndtri(np.clip(below, TINY_SHARE, 1 - TINY_SHARE))
        slope = np.exp((reached[:, None] ** 2 - off**2) / 2) @ odds / sigma
        then = at + (wanted - reached) / np.maximum(slope, TINY_SHARE)
        then = np.where((then >= low) & (then <= high), then, (low + high) / 2)
        moved, at = np.abs(then - at).max(), then
        if moved < CLOSE:
            break
    return at


def cut_mean(mean: float, deviation: float) -> float:
    """Mean of a normal interference of which only what is above 0 counts: m Phi(m/s) + s phi(m/s)."""
    from scipy.special import ndtr  # loaded when forces are asked for

    at = mean / deviation
    return float(mean * ndtr(at) + deviation * np.exp(-(at**2) / 2) / np.sqrt(2 * np.pi))


def shared_deviation(shared: float, own: float, contacts: int) -> float:
    """Standard deviation of the mean error of so many contacts: sqrt(shared^2 + own^2 / n).

    What the whole print shares does not average out; what differs from face to face does.
    """
    return float(np.sqrt(shared**2 + own**2 / max(contacts, 1)))
