"""Joints to try for loose parts: every shape with studs set on a copy of itself."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from steps.model import Array, Measure, Measures, Model, Part, Shape


def trial_model(model: Model, measures: Measures) -> Model:
    """Two parts of each shape that has studs, one pressed onto the other, the pairs well apart.

    Where a shape's underside takes its own studs, as a block's does, its joints can then be found as in
    any placed model; where it does not, nothing grips and nothing is found.
    """
    colours = {part.shape: part for part in reversed(model.parts)}
    parts: list[Part] = []
    beside = 0.0
    for shape in model.shapes:
        measure = measures.by_shape[shape.id]
        if not measure.studs or shape.id not in colours:
            continue
        like = colours[shape.id]
        spread = float(np.linalg.norm(shape.size_mm))
        beside += spread
        for copy, pose in enumerate(_stacked(shape, measure, beside)):
            number = len(parts) + 1
            name = f"{like.source}, {'on top' if copy else 'below'}"
            parts.append(replace(like, id=f"P{number}", source=name, pose=pose))
        beside += spread
    return replace(model, parts=tuple(parts), placed=True, problems=())


def _stacked(shape: Shape, measure: Measure, beside: float) -> tuple[Array, Array]:
    """Poses of the lower and the upper copy: moved along the studs by the height without them."""
    heights = shape.vertices @ measure.up
    tops = max(stud.point @ measure.up for stud in measure.studs)
    lower, upper = np.eye(4), np.eye(4)
    lower[0, 3] = upper[0, 3] = beside
    upper[:3, 3] += measure.up * float(tops - heights.min())
    return lower, upper
