"""A picture as plain pixels: for screens, for tests, and wherever vectors cannot go."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from renderer.picture import Picture, Stroke

MM_PER_INCH = 25.4
#: Samples per pixel and axis for the lines.
FINE = 3
#: A stroke of so many samples or fewer has no gaps to be filled where it bends.
THIN = 4


def flatten(picture: Picture, dpi: float = 200.0) -> NDArray[np.uint8]:
    """(rows, columns, 3) uint8 of the picture's pixels, strokes, balloons' circles and leaders, and insets.

    Letters and the signs' drawings are the layout's affair: of these only the circles.
    """
    scale = dpi / MM_PER_INCH
    size = max(1, round(picture.width_mm * scale)), max(1, round(picture.height_mm * scale))
    fine = size[0] * FINE, size[1] * FINE
    tints = Image.fromarray(picture.pixels).resize(size, Image.Resampling.BICUBIC)
    canvas = tints.resize(fine, Image.Resampling.NEAREST)  # what no line covers comes back as it was
    draw = ImageDraw.Draw(canvas)
    for stroke in picture.strokes:
        _stroke(draw, stroke, picture.height_mm, scale * FINE)
    for balloon in picture.balloons:
        _balloon(draw, balloon.centre, balloon.radius_mm, balloon.target, picture.height_mm, scale * FINE)
    for sign in picture.signs:
        _ring(draw, sign.centre, sign.size_mm / 2, picture.height_mm, scale * FINE)
    flat = canvas.reduce(FINE)
    for x, y, inset in picture.insets:
        small = Image.fromarray(flatten(inset, dpi))
        flat.paste(small, (round(x * scale), round((picture.height_mm - y - inset.height_mm) * scale)))
    return np.asarray(flat)


def _stroke(draw: ImageDraw.ImageDraw, stroke: Stroke, height_mm: float, scale: float) -> None:
    width = stroke.width_mm * scale
    pen, reach, ink = max(1, round(width)), width / 2, (round(stroke.grey * 255),) * 3
    for run in _dashes(stroke.points, stroke.dash_mm):
        points = [(x, y) for x, y in (([0.0, height_mm] + run * [1.0, -1.0]) * scale).tolist()]
        draw.line(points, fill=ink, width=pen)
        for x, y in points if pen > THIN else (points[0], points[-1]):
            draw.ellipse((x - reach, y - reach, x + reach, y + reach), fill=ink)


def _ring(
    draw: ImageDraw.ImageDraw, centre: tuple[float, float], radius: float, height_mm: float, scale: float
) -> None:
    x, y, reach = centre[0] * scale, (height_mm - centre[1]) * scale, radius * scale
    pen = max(1, round(0.25 * scale))
    draw.ellipse(
        [x - reach, y - reach, x + reach, y + reach], fill=(255, 255, 255), outline=(0, 0, 0), width=pen
    )


def _balloon(
    draw: ImageDraw.ImageDraw,
    centre: tuple[float, float],
    radius: float,
    target: tuple[float, float],
    height_mm: float,
    scale: float,
) -> None:
    x, y = centre[0] * scale, (height_mm - centre[1]) * scale
    end = target[0] * scale, (height_mm - target[1]) * scale
    pen = max(1, round(0.25 * scale))
    draw.line([(x, y), end], fill=(0, 0, 0), width=pen)
    dot, reach = 0.6 * scale, radius * scale
    draw.ellipse([end[0] - dot, end[1] - dot, end[0] + dot, end[1] + dot], fill=(0, 0, 0))
    draw.ellipse(
        [x - reach, y - reach, x + reach, y + reach], fill=(255, 255, 255), outline=(0, 0, 0), width=pen
    )


def _dashes(points: NDArray, pattern: tuple[float, ...]) -> list[NDArray]:
    """The drawn runs of a polyline."""
    if not pattern or sum(pattern) <= 0:
        return [points]
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    runs, at, drawn = [], 0.0, True
    index = 0
    while at < along[-1]:
        end = min(at + pattern[index % len(pattern)], along[-1])
        if drawn:
            inside = (along > at) & (along < end)
            ends = [_point_at(points, along, at), *points[inside], _point_at(points, along, end)]
            runs.append(np.array(ends))
        at, drawn, index = end, not drawn, index + 1
    return runs


def _point_at(points: NDArray, along: NDArray, distance: float) -> NDArray:
    return np.array([np.interp(distance, along, points[:, axis]) for axis in (0, 1)])
