"""What it costs an adult to glue a joint: the weights of the least effort, in one place."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from steps.model import Array, Joint, frozen_array

#: Finding the faces, spreading, closing and holding: one joint, whatever its size.
JOINT = 1.0
#: A millilitre of glue, in joints: what drips, dries and costs (proposal).
PER_ML = 0.2
#: A joint closed sideways or from below, whose faces are hard to see and to reach, in joints (proposal).
HARD_ACCESS = 0.5
#: A joint's stud points up when its axis is within 45 deg of the way up.
UPWARD_COSINE = 0.7


def efforts(joints: Sequence[Joint], volumes_ml: Array, up: Array) -> Array:
    """(joints,) the effort of gluing each, in joints; ``volumes_ml`` (joints,) what each takes."""
    hard = np.array([abs(float(joint.axis @ up)) < UPWARD_COSINE for joint in joints], dtype=float)
    return frozen_array(JOINT + PER_ML * volumes_ml + HARD_ACCESS * hard, (len(joints),))
