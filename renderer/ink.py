"""From a pixel table to a technical illustration: flat tints below, vector lines on top."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from renderer.edges import Crossings, find_crossings
from renderer.facing import Facing, Surfaces
from renderer.hatch import hatched
from renderer.picture import Stroke
from renderer.rays import Prober
from renderer.table import Cast, PixelTable
from renderer.tone import DARK_FILL, MIDDLE, luminance, palette, tones
from renderer.trace import Lines, trace

#: ISO 128-2, line group for A4: wide lines 0.5 mm, narrow lines half of that.
WIDE_MM = 0.5
NARROW_MM = 0.25
#: Grey of the lines (0 black): new parts, earlier parts, what is shown through, and on dark fills.
NEW_GREY, EARLIER_GREY, GHOST_GREY, LIGHT_GREY = 0.0, 0.34, 0.6, 0.85
#: Two depths nearer than this share of a pixel are level: neither part lies in front (blocks side by side).
LEVEL_SHARE = 0.5

#: Bits of a line's style.
WIDE, DARK_SIDE, FROM_EARLIER, FROM_GHOST = 1, 2, 4, 8


@dataclass(frozen=True, eq=False)
class Inked:
    """Pixels (rows, columns, 3) uint8 and strokes in paper millimetres from the lower left corner."""

    pixels: NDArray[np.uint8]
    strokes: tuple[Stroke, ...]


def ink(
    table: PixelTable, cast: Cast, mm_per_pixel: float, hatches: Mapping[str, int] | None = None
) -> Inked:
    """Draw a pixel table. ``mm_per_pixel``: paper millimetres per pixel; ``hatches``: draw in greys, each
    colour with its hatch (see :func:`renderer.hatch.choose_hatches`)."""
    cast = _visible(table, cast)
    facing = Facing(cast, table.camera)
    colours, colour_start = palette(cast.items, hatches is not None)
    shade = tones(facing.normal)
    surfaces = facing.surfaces(table)
    pixels = _fill(surfaces, colours, colour_start, shade)
    if hatches is not None:
        # earlier parts stay quiet
        numbers = [hatches.get(item.colour, 0) if item.role == "new" else 0 for item in cast.items]
        hatch = np.array([*numbers, 0], np.int8)
        pixels = hatched(pixels, hatch[surfaces.item], mm_per_pixel)
    prober = Prober(cast, table.camera)
    crossings = find_crossings(table, surfaces, facing, mm_per_pixel, prober)
    dark = luminance(colours[colour_start + MIDDLE] / 255.0) < DARK_FILL
    style = _styles(crossings, cast, table.camera.pixel, dark)
    lines = trace(crossings, style, *table.key.shape)
    return Inked(pixels, strokes_of(lines, table.camera.rows, mm_per_pixel))


def _visible(table: PixelTable, cast: Cast) -> Cast:
    """Only the items that show."""
    shown = np.bincount(table.key.ravel() + 1, minlength=len(cast.row_of_key))[1:] > 0
    return Cast(tuple(cast.items[row] for row in cast.row_of_key[:-1][shown]))


def _fill(surfaces: Surfaces, colours: NDArray, colour_start: NDArray, shade: NDArray) -> NDArray[np.uint8]:
    """Flat tints, white where nothing is."""
    number = np.zeros(surfaces.item.size, np.int32)
    some = surfaces.some
    number[some] = colour_start[surfaces.item.ravel()[some]] + shade[surfaces.index.ravel()[some]]
    return colours.take(number, axis=0).reshape(*surfaces.item.shape, 3)


def _styles(crossings: Crossings, cast: Cast, pixel: float, dark: NDArray) -> NDArray[np.int64]:
    """(n,) bits: wide or narrow, on dark fills, of an earlier part. ``dark``: (items,) bool."""
    item = crossings.pairs.item
    roles = np.array([{"new": 0, "earlier": 1, "ghost": 2}[item.role] for item in cast.items] + [3])
    groups = np.array([item.group if item.group >= 0 else -2 - row for row, item in enumerate(cast.items)])
    role = roles[item]  # 3: nothing there
    gap = crossings.depth[:, 1] - crossings.depth[:, 0]
    level = np.abs(gap) < LEVEL_SHARE * pixel
    front = np.where(gap < 0, role[:, 1], role[:, 0])
    front = np.where(level, role.min(axis=1), front)
    group = np.append(groups, -1)[item]
    style = np.where((group[:, 0] != group[:, 1]) & (front == 0), WIDE, 0)
    style |= np.where(np.append(dark, False)[item].all(axis=1), DARK_SIDE, 0)
    style |= np.where(front == 1, FROM_EARLIER, 0) | np.where(front == 2, FROM_GHOST, 0)
    return style


def strokes_of(lines: Lines, rows: int, mm_per_pixel: float) -> tuple[Stroke, ...]:
    """Lines in pixels as strokes in millimetres; narrow ones first, so that wide ones lie on top."""
    points = lines.points * mm_per_pixel
    points[:, 1] = rows * mm_per_pixel - points[:, 1]
    ends = np.cumsum(np.bincount(lines.line, minlength=len(lines.style)))
    pieces = np.split(points, ends[:-1]) if len(ends) else []
    order = np.lexsort([np.arange(len(lines.style)), -(lines.style >> 2), lines.style & WIDE])
    return tuple(Stroke(pieces[at], *_pen(int(lines.style[at]))) for at in order)


def _pen(style: int) -> tuple[float, tuple[float, ...], float]:
    """Width in mm, dashes and grey of a style."""
    width = WIDE_MM if style & WIDE else NARROW_MM
    if style & DARK_SIDE:
        return width, (), LIGHT_GREY
    grey = GHOST_GREY if style & FROM_GHOST else EARLIER_GREY if style & FROM_EARLIER else NEW_GREY
    return width, (), grey
