"""A finished picture: flat pixels, with every line and mark kept as a vector on top of them.

Coordinates are millimetres on paper from the picture's lower left corner. Whoever lays the picture
on a sheet draws the pixels first, then strokes, signs and balloons in that order.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

SignKind = Literal[
    "press", "glue", "free", "rest", "arrow", "turn", "tip", "clockwise", "anticlockwise", "hold"
]


def _frozen(values: ArrayLike, kind: type) -> NDArray[Any]:
    """A copy that nobody can write to; an array of its own that is so already is taken as it is."""
    if (
        isinstance(values, np.ndarray)
        and values.dtype == kind
        and not values.flags.writeable
        and values.base is None
    ):
        return values
    array: NDArray[Any] = np.array(values, dtype=kind)
    array.setflags(write=False)
    return array


@dataclass(frozen=True, eq=False)
class Stroke:
    """A polyline. ``dash_mm`` alternates drawn and blank lengths; empty: continuous."""

    points: NDArray[np.float64]  #: (k, 2) mm
    width_mm: float
    dash_mm: tuple[float, ...] = ()
    grey: float = 0.0  #: 0 black, 1 white

    def __post_init__(self) -> None:
        points = _frozen(self.points, np.float64)
        if points.ndim != 2 or points.shape[1] != 2:
            raise ValueError(f"stroke points: expected (k, 2), got {points.shape}")
        object.__setattr__(self, "points", points)


#: A stroke's width (mm), dash (mm) and grey.
StrokeKind = tuple[float, tuple[float, ...], float]


def by_kind(strokes: Iterable[Stroke]) -> Iterator[tuple[StrokeKind, list[NDArray[np.float64]]]]:
    """The lines (k, 2) of strokes of one kind together, for short files; but what is white, and clears the
    ground for what follows, covers no line that is to be drawn after it."""
    layer: dict[StrokeKind, list[NDArray[np.float64]]] = {}
    dark = False
    for stroke in strokes:
        grey = round(min(1.0, max(0.0, stroke.grey)), 3)
        if grey == 1 and dark:
            yield from layer.items()
            layer, dark = {}, False
        dark = dark or grey < 1
        layer.setdefault((stroke.width_mm, stroke.dash_mm, grey), []).append(stroke.points)
    yield from layer.items()


@dataclass(frozen=True)
class Balloon:
    """A lettered circle with a leader line that ends in a dot on its part."""

    text: str
    centre: tuple[float, float]
    radius_mm: float
    target: tuple[float, float]


@dataclass(frozen=True)
class Sign:
    """A small mark on the drawing, at a joint or beside a move. ``angle`` in radians turns it."""

    kind: SignKind
    centre: tuple[float, float]
    size_mm: float
    angle: float = 0.0
    text: str = ""


@dataclass(frozen=True, eq=False)
class Picture:
    """``pixels`` (rows, columns, 3) uint8, row 0 at the top, fill width_mm x height_mm."""

    width_mm: float
    height_mm: float
    pixels: NDArray[np.uint8]
    strokes: tuple[Stroke, ...] = ()
    balloons: tuple[Balloon, ...] = ()
    signs: tuple[Sign, ...] = ()
    insets: tuple[tuple[float, float, Picture], ...] = ()  #: (x, y, picture) of each inset's lower left
    mm_per_model_mm: float = 1.0  #: paper millimetres per model millimetre: the drawing's scale

    def __post_init__(self) -> None:
        pixels = _frozen(self.pixels, np.uint8)
        if pixels.ndim != 3 or pixels.shape[2] != 3:
            raise ValueError(f"picture pixels: expected (rows, columns, 3), got {pixels.shape}")
        object.__setattr__(self, "pixels", pixels)
