"""Bands: a force as its 10th, 50th and 90th percentile, without random numbers.

A joint's force is F(e) times a factor: e is the error of the print, normal, that shifts every interference
alike; the factor gathers friction, modulus, wall and model, log-normal with median 1. The percentiles of the
product come from one sum over fixed quantiles of e.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtr, ndtri

from steps.model import Array

PERCENTILES = (0.10, 0.50, 0.90)
#: Quantiles of the error that are summed over, and where F is asked: between them it is drawn straight.
QUANTILES = 400
ASKED = np.linspace(-3.25, 3.25, 27)
#: Halvings of the search for a percentile: to a millionth of its logarithm's range.
HALVINGS = 24
#: A force so small (N) stands for none where its logarithm is asked.
TINY_N = 1e-9


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
def _quantiles() -> Array:
    """Standard normal quantiles at the middles of equal shares."""
    return np.asarray(ndtri((np.arange(QUANTILES) + 0.5) / QUANTILES))


def band_of(forces: ArrayLike, sigma: float) -> Band:
    """The band of F(e) times a log-normal factor.

    ``forces`` (len(ASKED),) are F where e stands :data:`ASKED` standard deviations from its mean, N, none
    below 0; ``sigma`` the standard deviation of the factor's logarithm.
    """
    return bands_of(np.asarray(forces, dtype=np.float64)[None], sigma)[0]


def bands_of(forces: Array, sigma: float) -> list[Band]:
    """The same for each row of (k, len(ASKED)) forces."""
    at = np.stack([np.interp(_quantiles(), ASKED, row) for row in forces])
    nothing = (at <= 0).mean(axis=1)
    logs = np.log(np.maximum(at, TINY_N))
    found = np.stack([_percentile(logs, nothing, max(sigma, 1e-9), share) for share in PERCENTILES], axis=1)
    return [Band(*row) for row in found.tolist()]


def _percentile(logs: Array, nothing: Array, sigma: float, share: float) -> Array:
    """(k,) where the product of each row's forces and the factor exceeds all but ``share`` of its cases;
    ``nothing`` (k,) are the shares in which the force is 0."""
    low, high = logs.min(axis=1) - 4 * sigma, logs.max(axis=1) + 4 * sigma
    low = np.maximum(low, np.log(TINY_N))
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        below = ndtr((middle[:, None] - logs) / sigma).mean(axis=1)
        low, high = np.where(below < share, middle, low), np.where(below < share, high, middle)
    return np.where(share <= nothing, 0.0, np.exp((low + high) / 2))


def cut_mean(mean: float, deviation: float) -> float:
    """Mean of a normal interference of which only what is above 0 counts: m Phi(m/s) + s phi(m/s)."""
    at = mean / deviation
    return float(mean * ndtr(at) + deviation * np.exp(-(at**2) / 2) / np.sqrt(2 * np.pi))


def shared_deviation(shared: float, own: float, contacts: int) -> float:
    """Standard deviation of the mean error of so many contacts: sqrt(shared^2 + own^2 / n).

    What the whole print shares does not average out; what differs from face to face does.
    """
    return float(np.sqrt(shared**2 + own**2 / max(contacts, 1)))
