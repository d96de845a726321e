"""Values that differ by rounding alone are one value."""

from __future__ import annotations

import numpy as np
import pytest

from steps.ties import comes_first, merged, nearest, ranks, rows_in_order


@pytest.mark.parametrize("seed", range(20))
def test_noise_changes_no_rank_wherever_the_values_lie(seed: int) -> None:
    random = np.random.default_rng(seed)
    values = random.permutation(np.repeat(random.uniform(0, 1) + 0.01 * np.arange(8), 5))
    noisy = values + random.uniform(-1e-6, 1e-6, len(values))
    assert np.array_equal(ranks(noisy, 1e-4), np.unique(values, return_inverse=True)[1])
    assert np.array_equal(merged(noisy, 1e-4), [noisy[np.abs(noisy - v) < 1e-4].min() for v in noisy])


def test_what_rounding_parts_is_one_and_what_lies_apart_is_not() -> None:
    about_half_a_step = np.array([0.00015 + 1e-9, 0.00015 - 1e-9])
    assert len(set(np.round(about_half_a_step, 4))) == 2
    assert ranks(about_half_a_step, 1e-4).tolist() == [0, 0]
    assert ranks(np.array([2.0, 1.0, 1.001]), 1e-4).tolist() == [2, 0, 1]
    assert not len(ranks(np.zeros(0), 1e-4)) and not len(merged(np.zeros(0), 1e-4))


@pytest.mark.parametrize("seed", range(20))
def test_noise_changes_no_order_of_rows_and_no_list(seed: int) -> None:
    random = np.random.default_rng(seed)
    table = random.uniform(0, 1) + 0.01 * random.permutation(np.indices((4, 4, 4)).reshape(3, -1).T)
    noisy = table + random.uniform(-1e-6, 1e-6, table.shape)
    assert np.array_equal(rows_in_order(noisy, 1e-4), np.lexsort(table.T[::-1]))
    assert not comes_first(noisy, table, 1e-4) and not comes_first(table, noisy, 1e-4)
    lower = table - np.where(np.arange(len(table)) == 40, 1e-3, 0.0)[:, None]
    assert comes_first(lower, noisy, 1e-4) and not comes_first(noisy, lower, 1e-4)


@pytest.mark.parametrize("seed", range(20))
def test_noise_moves_no_value_of_a_grid_to_another_step(seed: int) -> None:
    random = np.random.default_rng(seed)
    values = 0.05 * random.integers(-40, 40, 50)  # whole and half steps of a tenth
    noisy = values + random.uniform(-1e-4, 1e-4, len(values))
    assert np.array_equal(nearest(noisy, 0.1, 1e-3), np.floor(np.round(values / 0.1, 6) + 0.5))
