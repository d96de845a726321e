"""Bands: percentiles of a normal squeeze times a log-normal factor.

[n]: row n of the 29 expected values of fit and force.
"""

from __future__ import annotations

import numpy as np
import pytest

from steps.force.bands import ASKED, NO_FORCE, Band, band_of, cut_mean, shared_deviation

SIGMA = 0.57  # friction 0.35, modulus 0.15, wall 0.15, model 0.40


def percentiles(mean: float, deviation: float = 0.05, factor: float = 1.0) -> tuple[float, float, float]:
    band = band_of(factor * np.maximum(0, mean + deviation * ASKED), SIGMA)
    return band.low, band.likely, band.high


@pytest.mark.parametrize(
    ("mean", "want"),
    [
        (0.20, (0.0855, 0.1946, 0.433)),
        (0.10, (0.0266, 0.0931, 0.238)),
        (0.05, (0.0, 0.0444, 0.150)),
        (0.0, (0.0, 0.0, 0.0724)),
    ],
)
def test_percentiles_of_the_product(mean: float, want: tuple[float, ...]) -> None:
    """Computed apart from this code (a numerical integral); 0.35^2 + 0.15^2 + 0.15^2 + 0.40^2 = 0.57^2."""
    assert np.sqrt(0.35**2 + 0.15**2 + 0.15**2 + 0.40**2) == pytest.approx(SIGMA, abs=0.003)
    assert percentiles(mean) == pytest.approx(want, rel=0.01, abs=2e-3)


def test_a_pair_of_sides_as_a_band() -> None:
    """[27] 2 mu k, k 28.2, mu 0.21, squeezed by 0.20 with 0.05: 1.01, 2.30, 5.13 N."""
    assert percentiles(0.20, factor=2 * 0.21 * 28.2) == pytest.approx((1.01, 2.30, 5.13), rel=0.01)


def test_the_percentiles_are_those_of_many_draws() -> None:
    """Against 2,000,000 seeded draws, an independent way to the same numbers."""
    random = np.random.default_rng(3)
    e, z = random.normal(size=(2, 2_000_000))
    drawn = np.maximum(0, 0.08 + 0.05 * e) * np.exp(0.5 * z)
    band = band_of(np.maximum(0, 0.08 + 0.05 * ASKED), 0.5)
    assert (band.low, band.likely, band.high) == pytest.approx(np.quantile(drawn, [0.1, 0.5, 0.9]), rel=0.015)


def test_mean_of_a_cut_squeeze() -> None:
    """m Phi(m/s) + s phi(m/s), s 0.05: 0.1004, 0.0542, 0.0199, 0.0042."""
    found = [cut_mean(m, 0.05) for m in (0.10, 0.05, 0.0, -0.05)]
    assert found == pytest.approx([0.1004, 0.0542, 0.0199, 0.0042], abs=5e-5)


def test_what_the_print_shares_does_not_average_out() -> None:
    assert [shared_deviation(0.04, 0.03, n) for n in (1, 8)] == pytest.approx([0.050, 0.041], abs=5e-4)


def test_bands_add_percentile_by_percentile_and_nothing_is_nothing() -> None:
    assert Band(1, 2, 4) + Band(0, 1, 2) == Band(1, 3, 6)
    assert Band(1, 2, 4).times(0.5) == Band(0.5, 1, 2)
    assert Band(1, 2, 4).times(0.34, 0.5, 0.73) == Band(0.34, 1.0, 2.92)
    assert band_of(np.zeros(len(ASKED)), SIGMA) == NO_FORCE
