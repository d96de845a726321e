"""At what scale parts are shown in lists: one in the whole booklet, at which the smallest can be told."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from renderer.camera import ISOMETRIC_ELEVATION, axes_of
from renderer.solid import Solid
from steps.draw.studio import USUAL_VIEW
from steps.model import Array, Plan

#: No part is shown smaller than this, mm on paper, across or high.
LEAST_THUMB_MM = 10.0
#: Air round a part within its picture (mm on paper): half a wide line, and what rounding to pixels takes.
AIR_MM = 1.0


@dataclass(frozen=True)
class Thumb:
    """How a shape is shown in a list."""

    scale: float  #: mm on paper per mm of the model
    size_mm: tuple[float, float]  #: of its picture


def thumbs_of(plan: Plan, most_mm: tuple[float, float]) -> Mapping[str, Thumb]:
    """The picture of each shape, at one common scale: the largest at which all are at most ``most_mm``, or
    the larger one that the smallest needs; what then is too large is shown at its own scale."""
    extents = {shape.id: _extent(plan, shape.id) for shape in plan.model.shapes}
    room = np.array(most_mm) - 2 * AIR_MM
    fits = {shape: float((room / extent).min()) for shape, extent in extents.items()}
    needs = (LEAST_THUMB_MM / float(extent.max()) for extent in extents.values())
    common = max([min(fits.values(), default=1.0), *needs])
    return {shape: _thumb(min(common, fits[shape]), extent) for shape, extent in extents.items()}


def _thumb(scale: float, extent: Array) -> Thumb:
    wide, high = scale * extent + 2 * AIR_MM
    return Thumb(scale, (float(wide), float(high)))


def _extent(plan: Plan, shape_id: str) -> Array:
    """(2,) extents, model mm, of a shape as it is shown."""
    shape = plan.model.shape_by_id[shape_id]
    outer = Solid(shape.vertices, shape.faces).outer
    axes = telling_axes(plan.measures.by_shape[shape_id].up, outer)
    return np.maximum(np.ptp(outer @ axes[:2].T, axis=0), 1e-6)


def telling_axes(up: ArrayLike, outer: Array) -> Array:
    """(3, 3) camera axes, isometric from above as the studs point (``up``), the longest side of the points
    (n, 3) running down to the right."""
    views = [USUAL_VIEW.azimuth + turn * np.pi / 2 for turn in range(2)]
    axes = [axes_of(view, ISOMETRIC_ELEVATION, up) for view in views]
    # of equal ones the first
    lean = [float(np.cov((outer @ one.T)[:, :2].T)[0, 1]) for one in axes]
    return axes[int(np.argmin(np.round(lean, 6)))]
