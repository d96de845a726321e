"""Room for signs: black marks read on white, whatever they stand on."""

from __future__ import annotations

from collections.abc import Sequence
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
    return replace(picture, pixels=_whitened(picture), strokes=_cut(picture.strokes, picture.signs))


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


def _cut(strokes: Sequence[Stroke], signs: Sequence[Sign]) -> tuple[Stroke, ...]:
    """What is left of strokes outside the discs of all signs, in the same order."""
    if not strokes:
        return ()
    discs = shapely.union_all([shapely.Point(sign.centre).buffer(HALO * sign.size_mm) for sign in signs])
    sizes = [len(stroke.points) for stroke in strokes]
    points = np.concatenate([stroke.points for stroke in strokes])
    lines = shapely.linestrings(points, indices=np.repeat(np.arange(len(sizes)), sizes))
    shapely.prepare(discs)
    pieces: dict[int, list[Stroke]] = {}
    for at in np.flatnonzero(shapely.intersects(discs, lines)).tolist():
        parts = shapely.get_parts(shapely.difference(lines[at], discs))
        coordinates = [shapely.get_coordinates(part) for part in parts]
        pieces[at] = [replace(strokes[at], points=run) for run in coordinates if len(run) > 1]
    return tuple(piece for at, stroke in enumerate(strokes) for piece in pieces.get(at, [stroke]))
