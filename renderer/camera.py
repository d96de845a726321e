"""A parallel camera: right-handed, millimetres, pixel rows from the top."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

#: ISO 5456-3: isometric elevation atan(1 / sqrt 2), all three axes equally foreshortened.
ISOMETRIC_ELEVATION = float(np.arctan(1.0 / np.sqrt(2.0)))
#: Where in a pixel (column, row; 0 to 1) its sample is taken: a hair off the middle, so that no sample
#: falls on an edge that lies on the pixel grid, as edges of blocks on a pitch often do.
SAMPLE = (0.5137, 0.5071)
#: A direction whose sideways part, squared, is below this is straight up or down: squares of smaller numbers
#: have no digits left.
STRAIGHT = 1e-30


@dataclass(frozen=True, eq=False)
class Camera:
    """Looks along -``toward``; ``right``, ``up``, ``toward`` are orthonormal and right-handed.

    ``centre`` (3,) is the world point shown in the middle; ``pixel`` is the side of a pixel in world
    millimetres. Pixel (row 0, column 0) is at the top left and its middle is at (0.5, 0.5).
    """

    right: Array
    up: Array
    toward: Array
    centre: Array
    pixel: float
    columns: int
    rows: int

    def __post_init__(self) -> None:
        for name in ("right", "up", "toward", "centre"):
            value = np.array(getattr(self, name), dtype=np.float64)
            value.setflags(write=False)
            object.__setattr__(self, name, value)
        if not self.pixel > 0 or self.columns < 1 or self.rows < 1:
            raise ValueError(f"camera of {self.columns} x {self.rows} pixels of {self.pixel} mm")

    @property
    def axes(self) -> Array:
        """(3, 3) rows right, up, toward: takes world vectors to camera vectors."""
        return np.array([self.right, self.up, self.toward])

    def project(self, points: ArrayLike) -> Array:
        """(n, 3) column, row (pixels, real) and depth (mm away from the plane through the centre)."""
        seen = (np.asarray(points, dtype=np.float64) - self.centre) @ self.axes.T
        return np.stack(
            [
                self.columns / 2 + seen[..., 0] / self.pixel,
                self.rows / 2 - seen[..., 1] / self.pixel,
                -seen[..., 2],
            ],
            axis=-1,
        )

    def unproject(self, columns: ArrayLike, rows: ArrayLike, depth: ArrayLike = 0.0) -> Array:
        """(n, 3) world points of picture positions in pixels at a depth: undoes :meth:`project`."""
        along = (np.asarray(columns, dtype=np.float64) - self.columns / 2) * self.pixel
        above = (self.rows / 2 - np.asarray(rows, dtype=np.float64)) * self.pixel
        away = np.broadcast_to(np.asarray(depth, dtype=np.float64), along.shape)
        return (
            self.centre
            + along[..., None] * self.right
            + above[..., None] * self.up
            - away[..., None] * self.toward
        )

    def window(self, row: int, column: int, rows: int, columns: int) -> Camera:
        """The camera of a part of the picture, ``row`` and ``column`` its first pixel; the same pixels and
        depths."""
        aside = (column + (columns - self.columns) / 2) * self.pixel
        above = ((self.rows - rows) / 2 - row) * self.pixel
        return replace(
            self, centre=self.centre + aside * self.right + above * self.up, columns=columns, rows=rows
        )


def upright(up: ArrayLike) -> Array:
    """(3, 3) the smallest turn that takes ``up`` to +z; half a turn about x where ``up`` is -z."""
    unit = np.asarray(up, dtype=np.float64)
    unit = unit / np.linalg.norm(unit)
    x, y, cosine = (float(value) for value in unit)
    aside = x * x + y * y
    if aside < STRAIGHT:
        return np.diag([1.0, -1.0, -1.0]) if cosine < 0 else np.eye(3)
    skew = np.array([[0, 0, -x], [0, 0, -y], [x, y, 0]])  # of up x z = (y, -x, 0)
    one_more = aside / (1 - cosine) if cosine < 0 else 1 + cosine  # 1 + cosine without cancellation
    return np.eye(3) + skew + skew @ skew / one_more


def axes_of(azimuth: float, elevation: float, up: ArrayLike = (0, 0, 1)) -> Array:
    """(3, 3) rows right, up, toward of a view, radians: azimuth from +x towards +y and elevation above
    the table, both in the frame in which ``up`` has been turned to +z by :func:`upright`."""
    ca, sa, ce, se = np.cos(azimuth), np.sin(azimuth), np.cos(elevation), np.sin(elevation)
    axes = np.array([[-sa, ca, 0.0], [-se * ca, -se * sa, ce], [ce * ca, ce * sa, se]])
    return axes @ upright(up)


def framed(
    axes: ArrayLike,
    points: ArrayLike,
    columns: int,
    rows: int,
    margin: float = 0.0,
    least_pixel: float = 1e-9,
) -> Camera:
    """The closest camera along ``axes`` that shows all ``points`` (n, 3), centred, with ``margin``
    pixels left free on every side."""
    axes = np.asarray(axes, dtype=np.float64)
    seen = np.asarray(points, dtype=np.float64) @ axes.T
    low, high = seen.min(axis=0), seen.max(axis=0)
    room = max(columns - 2 * margin, 1.0), max(rows - 2 * margin, 1.0)
    pixel = max((high[0] - low[0]) / room[0], (high[1] - low[1]) / room[1], least_pixel)
    return Camera(axes[0], axes[1], axes[2], (low + high) / 2 @ axes, float(pixel), columns, rows)
