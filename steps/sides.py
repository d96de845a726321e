"""Front, back, left and right of what stands with a given side up: front is least along y, left least along
x, as the model lies in its file."""

from __future__ import annotations

import numpy as np

from steps.model import Array


def level_axes(up: Array) -> tuple[Array, Array]:
    """What is right and what is back when ``up`` points up; x and y for the usual z."""
    axes = np.eye(3)
    right = axes[0] if abs(up[0]) < 0.9 else axes[1]
    right = right - (right @ up) * up
    right = right / np.linalg.norm(right)
    return right, np.cross(up, right)
