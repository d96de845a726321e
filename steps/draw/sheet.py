"""The grid of one picture: between world, pixels and millimetres on paper, and what has been put where."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from renderer.camera import Camera, framed
from renderer.table import PixelTable
from steps.model import Array

MM_PER_INCH = 25.4
#: Pixels per inch of the flat tints; lines are vectors and have no grid.
DPI = 200.0
#: Free margin round pictures without marks (mm on paper): half a wide line and some air.
PLAIN_MARGIN_MM = 0.8


@dataclass(frozen=True, eq=False)
class Field:
    """A picture's size on paper and its pixel grid."""

    width_mm: float
    height_mm: float
    dpi: float = DPI

    @property
    def columns(self) -> int:
        return max(1, round(self.width_mm * self.dpi / MM_PER_INCH))

    @property
    def rows(self) -> int:
        return max(1, round(self.height_mm / self.mm_per_pixel))

    @property
    def mm_per_pixel(self) -> float:
        return self.width_mm / max(1, round(self.width_mm * self.dpi / MM_PER_INCH))

    def camera(self, axes: ArrayLike, points: ArrayLike, margin_mm: float) -> Camera:
        """The closest camera that shows all points (n, 3) with a margin."""
        margin = min(margin_mm, 0.4 * self.width_mm, 0.4 * self.height_mm) / self.mm_per_pixel
        return framed(axes, points, self.columns, self.rows, margin)

    def at_scale(self, axes: Array, points: Array, mm_per_mm: float) -> Camera:
        """A camera centred on the points at a given scale (paper mm per model mm)."""
        camera = framed(axes, points, self.columns, self.rows)
        return replace(camera, pixel=self.mm_per_pixel / mm_per_mm)

    def paper(self, camera: Camera, points: ArrayLike) -> NDArray[np.float64]:
        """(n, 2) millimetres from the lower left corner of world points (n, 3)."""
        seen = camera.project(points)
        return np.stack(
            [seen[..., 0] * self.mm_per_pixel, self.height_mm - seen[..., 1] * self.mm_per_pixel], axis=-1
        )

    def pixel(self, paper: ArrayLike) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Rows and columns of paper points (n, 2), inside the grid."""
        points = np.asarray(paper, dtype=np.float64)
        column = np.floor(points[..., 0] / self.mm_per_pixel).astype(np.int64)
        row = np.floor((self.height_mm - points[..., 1]) / self.mm_per_pixel).astype(np.int64)
        return np.clip(row, 0, self.rows - 1), np.clip(column, 0, self.columns - 1)


def shown(field: Field, table: PixelTable, points: Array) -> NDArray[np.bool_]:
    """(n,) whether world points (n, 3) are in the picture and nothing lies before them."""
    seen = table.camera.project(points)
    inside = (seen[:, 0] >= 0) & (seen[:, 0] < field.columns) & (seen[:, 1] >= 0) & (seen[:, 1] < field.rows)
    column = np.clip(seen[:, 0].astype(int), 0, field.columns - 1)
    row = np.clip(seen[:, 1].astype(int), 0, field.rows - 1)
    # half a pixel of slack: the pixel's own sample may lie that much nearer on a slanted face
    return inside & (seen[:, 2] <= table.depth[row, column] + table.camera.pixel)
