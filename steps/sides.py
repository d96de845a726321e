"""Front, back, left and right of what stands with a given side up: front is least along y, left least along
x, as the model lies in its file."""

from __future__ import annotations

import numpy as np

from steps.model import Array, Model

#: Steeper than 45 degrees (sine) a way is up or down.
STEEP = 0.707
#: A level way goes to two sides within 22.5 degrees of the middle between them (sine).
ASIDE = 0.3827


def level_axes(up: Array) -> tuple[Array, Array]:
    """What is right and what is back when ``up`` points up; x and y for the usual z."""
    axes = np.eye(3)
    right = axes[0] if abs(up[0]) < 0.9 else axes[1]
    right = right - (right @ up) * up
    right = right / np.linalg.norm(right)
    return right, np.cross(up, right)


def level_sides(model: Model, up: Array) -> tuple[Array, Array]:
    """(3,) each: what is right and what is back of a model as it lies in its file."""
    right, back = (model.from_file(axis) for axis in level_axes(model.to_file(up)))
    return right, back


def side_of(model: Model, way: Array, up: Array) -> str:
    """ "front", "back right", "top": the side of a model towards which a way (3,) goes."""
    rise = float(way @ up)
    if abs(rise) > STEEP:
        return "top" if rise > 0 else "bottom"
    right, back = level_sides(model, up)
    level = (way - rise * up) / np.linalg.norm(way - rise * up)
    named = ((back, "back", "front"), (right, "right", "left"))
    words = [one if level @ axis > 0 else other for axis, one, other in named if abs(level @ axis) > ASIDE]
    return " ".join(words)
