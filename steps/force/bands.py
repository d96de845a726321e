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
QUANTILES = 1000
ASKED = np.linspace(-3.25, 3.25, 27)
#: Halvings of the search for a percentile: to a millionth of its logarithm's range.
HALVINGS = 40


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
    at = np.interp(_quantiles(), ASKED, np.asarray(forces, dtype=np.float64))
    some = at[at > 0]
    if not len(some):
        return NO_FORCE
    return Band(*(_percentile(some, 1 - len(some) / len(at), sigma, share) for share in PERCENTILES))


def _percentile(some: Array, nothing: float, sigma: float, share: float) -> float:
    """Where the product of the forces ``some`` and the factor exceeds all but ``share``; ``nothing`` is the
    share of quantiles at which the force is 0."""
    if share <= nothing:
        return 0.0
    logs = np.log(some)
    if sigma <= 0:
        sigma = 1e-9
    low, high = float(logs.min()) - 6 * sigma, float(logs.max()) + 6 * sigma
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        below = nothing + (1 - nothing) * float(ndtr((middle - logs) / sigma).mean())
        low, high = (middle, high) if below < share else (low, middle)
    return float(np.exp((low + high) / 2))


def cut_mean(mean: float, deviation: float) -> float:
    """Mean of a normal interference of which only what is above 0 counts: m Phi(m/s) + s phi(m/s)."""
    at = mean / deviation
    return float(mean * ndtr(at) + deviation * np.exp(-(at**2) / 2) / np.sqrt(2 * np.pi))


def shared_deviation(shared: float, own: float, contacts: int) -> float:
    """Standard deviation of the mean error of so many contacts: sqrt(shared^2 + own^2 / n).

    What the whole print shares does not average out; what differs from face to face does.
    """
    return float(np.sqrt(shared**2 + own**2 / max(contacts, 1)))
