"""A contact shadow on the table, so that what stands there is seen to stand."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from renderer.camera import Camera, upright
from renderer.spatial import hull
from renderer.tone import LIGHT
from steps.draw.studio import Studio
from steps.model import Array

#: Points this near the lowest one stand on the table (share of the pitch, or mm without one).
STANDING = 0.05
#: The shadow reaches this far from the foot of a part, away from the light (pitches, or shares of 10 mm).
REACH = 0.7
#: Grey of the shadow: paper 1.0.
SHADOW = 0.90
#: What stands covers at least this share of the whole seen from above.
LEAST_FOOT = 0.2
#: Samples per pixel and axis along the shadow's edge.
FINE = 2
#: More standing parts than this are a floor of their own; their shadow is not worth its time.
MOST_STANDING = 400


@dataclass(frozen=True, eq=False)
class Shadow:
    """How much of each pixel of a part of a picture lies in the shadow."""

    row: int  #: first row and column of the part
    column: int
    amount: NDArray[np.float32]  #: (rows, columns) 0 to 1


def shadow(studio: Studio, rows: NDArray[np.int64], up: Array, camera: Camera) -> Shadow | None:
    """The shadow that parts in place, in the given model rows, cast on the table close to their feet; None
    for none."""
    unit = studio.plan.measures.pitch_mm or 10.0
    frame = upright(up)
    bounds = studio.bounds_along(frame)[rows]
    if not len(rows) or camera.toward @ (frame[2]) <= 0:  # nothing there, or seen from below the table
        return None
    ground = bounds[:, 0, 2].min()
    standing = rows[bounds[:, 0, 2] < ground + STANDING * unit]
    if len(standing) > MOST_STANDING or _balances(studio.bounds_along(frame), standing, rows):
        return None
    away = _away_from_light(camera, frame) * REACH * unit
    standing = standing[studio.in_picture(standing, camera, REACH * unit)]
    outlines = []
    for row in standing.tolist():
        points = studio.item_of_key(row, "earlier").outer
        foot = points[points @ frame[2] < ground + STANDING * unit]
        outlines.append(_hull(camera.project(np.concatenate([foot, foot + away]))[:, :2]))
    return _filled([outline for outline in outlines if len(outline) > 2], camera)


def _filled(outlines: Sequence[Array], camera: Camera) -> Shadow | None:
    """What polygons (k, 2) in pixels cover of the picture."""
    if not outlines:
        return None
    points = np.concatenate(outlines)
    size = np.array([camera.columns, camera.rows])
    first = np.clip(np.floor(points.min(axis=0)).astype(int), 0, size)
    last = np.clip(np.ceil(points.max(axis=0)).astype(int), first, size)
    if (first == last).any():
        return None
    columns, rows = (last - first).tolist()
    canvas = Image.new("L", (columns * FINE, rows * FINE))
    draw = ImageDraw.Draw(canvas)
    for outline in outlines:
        draw.polygon(((outline - first) * FINE).ravel().tolist(), fill=255)
    small = canvas.resize((columns, rows), Image.Resampling.BOX)
    return Shadow(int(first[1]), int(first[0]), np.asarray(small, dtype=np.float32) / 255.0)


def _balances(bounds: NDArray, standing: NDArray, rows: NDArray) -> bool:
    """Whether what stands is a mere tip of the whole: it is held, or lies some other way."""

    def area(of: NDArray) -> float:
        low, high = bounds[of, 0, :2].min(axis=0), bounds[of, 1, :2].max(axis=0)
        return float(np.prod(high - low))

    return area(standing) < LEAST_FOOT * area(rows)


def shaded(pixels: NDArray[np.uint8], empty: NDArray[np.bool_], cast: Shadow) -> NDArray[np.uint8]:
    """The pixels with the shadow on the empty ones."""
    rows, columns = cast.amount.shape
    window = np.s_[cast.row : cast.row + rows, cast.column : cast.column + columns]
    dark = pixels.copy()
    at = empty[window] & (cast.amount > 0)
    dark[window][at] = np.round(255 * (1 - (1 - SHADOW) * cast.amount[at]))[:, None]
    return dark


def _away_from_light(camera: Camera, frame: Array) -> Array:
    """(3,) unit vector on the table that points away from the light."""
    light = LIGHT @ camera.axes
    flat = -(light - (light @ frame[2]) * frame[2])
    return np.asarray(flat / max(float(np.linalg.norm(flat)), 1e-9))


def _hull(points: Array) -> Array:
    around = hull(points)
    return np.zeros((0, 2)) if around is None else np.asarray(points[around.vertices])
