"""From a pixel table to a technical illustration: flat tints below, vector lines on top."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray

from renderer.camera import SAMPLE
from renderer.changes import Window, windows_of
from renderer.edges import Crossings, find_crossings
from renderer.facing import Facing, Surfaces
from renderer.hatch import hatched
from renderer.picture import Stroke
from renderer.rays import Prober
from renderer.table import Cast, Item, PixelTable
from renderer.tone import DARK, DARK_FILL, luminance, palette, tones
from renderer.trace import Lines, trace

#: ISO 128-2, line group for A4: wide lines 0.5 mm, narrow lines half of that.
WIDE_MM = 0.5
NARROW_MM = 0.25
#: Light lines on dark look wider than they are: one step down the same series (ISO 128-2) each.
LIGHT_WIDE_MM, LIGHT_NARROW_MM = 0.35, 0.18
#: Grey of the lines (0 black): new parts, earlier parts, what is shown through, and on dark fills. Each has
#: 3 : 1 (WCAG 2.2) to every tone it is drawn on, what is shown through to the paper.
NEW_GREY, EARLIER_GREY, GHOST_GREY, LIGHT_GREY = 0.0, 0.27, 0.5, 0.95
#: Two depths nearer than this share of a pixel are level: neither part lies in front (blocks side by side).
LEVEL_SHARE = 0.5

#: Bits of a line's style.
WIDE, DARK_SIDE, FROM_EARLIER, FROM_GHOST = 1, 2, 4, 8


@dataclass(frozen=True, eq=False)
class Inked:
    """Pixels (rows, columns, 3) uint8 and strokes in paper millimetres from the lower left corner.

    ``styles`` (n,) and ``bounds`` (n, 4: least x, y, greatest x, y) of the strokes, to draw on.
    """

    pixels: NDArray[np.uint8]
    strokes: tuple[Stroke, ...]
    styles: NDArray[np.int64]
    bounds: NDArray[np.float64]

    @classmethod
    def blank(cls, rows: int, columns: int) -> Inked:
        """White paper."""
        pixels = np.full((rows, columns, 3), 255, np.uint8)
        return cls(pixels, (), np.zeros(0, np.int64), np.zeros((0, 4)))


@dataclass(frozen=True)
class Pen:
    """How a table is drawn. ``mm_per_pixel``: paper millimetres per pixel; ``hatches``: draw in greys, each
    colour with its hatch (see :func:`renderer.hatch.choose_hatches`)."""

    mm_per_pixel: float
    hatches: Mapping[str, int] | None = None


def ink(
    table: PixelTable, cast: Cast, mm_per_pixel: float, hatches: Mapping[str, int] | None = None
) -> Inked:
    """Draw a pixel table whose items are all in the cast; see :class:`Pen`."""
    blank = Inked.blank(*table.key.shape)
    windows = windows_of(table.key >= 0, parts=False)
    return ink_windows(blank, table, windows, cast.of_keys, Pen(mm_per_pixel, hatches))


def ink_windows(
    before: Inked,
    table: PixelTable,
    windows: Sequence[Window],
    items: Callable[[NDArray[np.intp]], Sequence[Item]],
    pen: Pen,
) -> Inked:
    """The picture drawn anew within the windows, where the table has changed. ``items``: those of keys."""
    rows = len(before.pixels)
    pixels, lines = before.pixels.copy(), _Lines.of(before)
    for window in windows:
        part = table.window(*window)
        cast = Cast(tuple(items(part.keys)))
        row, column, height, width = window
        drawn, traced = _drawn(part, cast, pen, (row, column))
        pixels[row : row + height, column : column + width] = drawn
        lines = lines.without(_rectangle(window, rows, pen.mm_per_pixel))
        lines = lines.joined(_lines_of(traced, window, rows, pen.mm_per_pixel))
    return lines.sorted(pixels)


def _drawn(
    part: PixelTable, cast: Cast, pen: Pen, origin: tuple[int, int]
) -> tuple[NDArray[np.uint8], Lines]:
    """Pixels and lines of a table, drawn from nothing."""
    facing = Facing(cast, part.camera)
    colours, colour_start = palette(cast.items, pen.hatches is not None)
    surfaces = facing.surfaces(part)
    pixels = _fill(surfaces, colours, colour_start, tones(facing.normal))
    if pen.hatches is not None:
        # earlier parts stay quiet
        numbers = [pen.hatches.get(item.colour, 0) if item.role == "new" else 0 for item in cast.items]
        hatch = np.array([*numbers, 0], np.int8)
        pixels = hatched(pixels, hatch[surfaces.item], pen.mm_per_pixel, origin)
    crossings = find_crossings(part, surfaces, facing, pen.mm_per_pixel, Prober(cast, part.camera))
    new = np.array([item.role == "new" for item in cast.items], dtype=bool)
    dark = new & (luminance(colours[colour_start + DARK] / 255.0) < DARK_FILL)
    style = _styles(crossings, cast, part.camera.pixel, dark)
    return pixels, trace(crossings, style, *part.key.shape)


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


@dataclass(frozen=True, eq=False)
class _Lines:
    """Strokes on the way, with their styles (n,) and bounds (n, 4)."""

    strokes: list[Stroke]
    styles: NDArray[np.int64]
    bounds: NDArray[np.float64]

    @classmethod
    def of(cls, inked: Inked) -> _Lines:
        return cls(list(inked.strokes), inked.styles, inked.bounds)

    def joined(self, other: _Lines) -> _Lines:
        bounds = np.concatenate([self.bounds, other.bounds])
        return _Lines([*self.strokes, *other.strokes], np.append(self.styles, other.styles), bounds)

    def only(self, kept: NDArray) -> _Lines:
        return _Lines([self.strokes[at] for at in kept.tolist()], self.styles[kept], self.bounds[kept])

    def without(self, rectangle: NDArray) -> _Lines:
        """What lies outside a rectangle (4,): lines that leave it are cut at its rim."""
        low, high = rectangle[:2], rectangle[2:]
        apart = (self.bounds[:, 2:] < low).any(axis=1) | (self.bounds[:, :2] > high).any(axis=1)
        within = (self.bounds[:, :2] >= low).all(axis=1) & (self.bounds[:, 2:] <= high).all(axis=1)
        cut = np.flatnonzero(~apart & ~within)
        kept = self.only(np.flatnonzero(apart))
        if not len(cut):
            return kept
        strings = [shapely.LineString(self.strokes[at].points) for at in cut.tolist()]
        left = shapely.difference(strings, shapely.box(*rectangle))
        pieces, of = shapely.get_parts(left, return_index=True)
        real = ~shapely.is_empty(pieces)
        pieces, of = pieces[real], cut[of[real]]
        strokes = [
            replace(self.strokes[at], points=shapely.get_coordinates(piece))
            for at, piece in zip(of.tolist(), pieces, strict=True)
        ]
        return kept.joined(_Lines(strokes, self.styles[of], shapely.bounds(pieces).reshape(-1, 4)))

    def sorted(self, pixels: NDArray[np.uint8]) -> Inked:
        """Narrow lines first, so that wide ones lie on top."""
        order = np.lexsort([np.arange(len(self.styles)), -(self.styles >> 2), self.styles & WIDE])
        done = self.only(order)
        return Inked(pixels, tuple(done.strokes), done.styles, done.bounds)


def _rectangle(window: Window, rows: int, mm_per_pixel: float) -> NDArray[np.float64]:
    """(4,) mm: between the samples of a window's outermost pixels, where its lines end."""
    row, column, height, width = window
    left, right = column + SAMPLE[0], column + width - 1 + SAMPLE[0]
    top, low = row + SAMPLE[1], row + height - 1 + SAMPLE[1]
    return np.array([left, rows - low, right, rows - top]) * mm_per_pixel


def _lines_of(lines: Lines, window: Window, rows: int, mm_per_pixel: float) -> _Lines:
    """Lines in a window's pixels as strokes in millimetres."""
    count = len(lines.style)
    if not count:
        return _Lines([], np.zeros(0, np.int64), np.zeros((0, 4)))
    points = (lines.points + np.array([window[1], window[0]])) * mm_per_pixel
    points[:, 1] = rows * mm_per_pixel - points[:, 1]
    starts = np.searchsorted(lines.line, np.arange(count))
    low, high = (of.reduceat(points, starts, axis=0) for of in (np.minimum, np.maximum))
    pieces = np.split(points, starts[1:])
    strokes = [Stroke(pieces[at], *_pen(style)) for at, style in enumerate(lines.style.tolist())]
    return _Lines(strokes, lines.style, np.concatenate([low, high], axis=1))


def _pen(style: int) -> tuple[float, tuple[float, ...], float]:
    """Width in mm, dashes and grey of a style."""
    if style & DARK_SIDE:
        return LIGHT_WIDE_MM if style & WIDE else LIGHT_NARROW_MM, (), LIGHT_GREY
    width = WIDE_MM if style & WIDE else NARROW_MM
    grey = GHOST_GREY if style & FROM_GHOST else EARLIER_GREY if style & FROM_EARLIER else NEW_GREY
    return width, (), grey
