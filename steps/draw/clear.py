"""Room for signs: black marks read on white, whatever they stand on."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
import shapely
from numpy.typing import NDArray

from renderer.picture import Picture, Sign, Stroke

#: White round a sign, in shares of its size from its middle.
HALO = 0.62


def cleared(picture: Picture) -> Picture:
    """The picture with a white disc under each sign: no tint and no line runs there."""
    if not picture.signs:
        return picture
    strokes = tuple(piece for stroke in picture.strokes for piece in _cut(stroke, picture.signs))
    return replace(picture, pixels=_whitened(picture), strokes=strokes)


def _whitened(picture: Picture) -> NDArray[np.uint8]:
    pixels = picture.pixels.copy()
    rows, columns, _ = pixels.shape
    across, down = columns / picture.width_mm, rows / picture.height_mm
    for sign in picture.signs:
        radius = HALO * sign.size_mm
        x, y = sign.centre[0], picture.height_mm - sign.centre[1]
        left, right = max(0, int((x - radius) * across)), min(columns, int((x + radius) * across) + 2)
        top, low = max(0, int((y - radius) * down)), min(rows, int((y + radius) * down) + 2)
        at_x = (np.arange(left, right) + 0.5) / across - x
        at_y = (np.arange(top, low) + 0.5) / down - y
        # the rim covers pixels in part
        share = np.clip((radius - np.hypot(at_x[None, :], at_y[:, None])) * across + 0.5, 0.0, 1.0)[..., None]
        part = pixels[top:low, left:right]
        pixels[top:low, left:right] = np.round(part + (255.0 - part) * share)
    return pixels


def _cut(stroke: Stroke, signs: Sequence[Sign]) -> Iterator[Stroke]:
    """What is left of a stroke outside the discs of all signs."""
    low, high = stroke.points.min(axis=0), stroke.points.max(axis=0)
    near = [
        sign
        for sign in signs
        if (low <= np.add(sign.centre, HALO * sign.size_mm)).all()
        and (high >= np.subtract(sign.centre, HALO * sign.size_mm)).all()
    ]
    if not near:
        yield stroke
        return
    discs = shapely.union_all([shapely.Point(sign.centre).buffer(HALO * sign.size_mm) for sign in near])
    left = shapely.LineString(stroke.points).difference(discs)
    for piece in getattr(left, "geoms", [left]):
        points = shapely.get_coordinates(piece)
        if len(points) > 1:
            yield replace(stroke, points=points)
