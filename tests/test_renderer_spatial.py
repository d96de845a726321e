"""How deep a pixel lies in a mask, beside scipy's transform of the whole picture."""

import numpy as np
import pytest
from scipy.ndimage import distance_transform_edt

from renderer.spatial import depth_within


@pytest.mark.parametrize("seed", range(20))
def test_only_what_lies_round_a_mask_has_to_be_looked_at(seed):
    """Blots anywhere, also at the rim of the picture, with holes in them."""
    generator = np.random.default_rng(seed)
    mask = np.zeros((30, 40), dtype=bool)
    for _ in range(generator.integers(0, 3)):
        row, column = generator.integers(0, 30), generator.integers(0, 40)
        mask[row : row + generator.integers(1, 20), column : column + generator.integers(1, 20)] = True
    mask &= generator.random(mask.shape) < 0.95
    expected = distance_transform_edt(mask) if mask.any() else np.zeros(mask.shape)
    np.testing.assert_array_equal(depth_within(mask), expected)
