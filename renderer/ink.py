"""From a pixel table to a technical illustration: flat tints below, vector lines on top."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from renderer.camera import SAMPLE
from renderer.edges import Crossings, find_crossings
from renderer.facing import Facing
from renderer.hatch import hatched
from renderer.lines import Lines
from renderer.picture import Stroke
from renderer.rays import Prober
from renderer.redraw import Anew, anew
from renderer.table import Cast, Item, PixelTable
from renderer.tone import DARK, DARK_FILL, luminance, palette
from renderer.trace import trace

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
    """Pixels (rows, columns, 3) uint8, and lines on top of them, in pixels of the picture."""

    pixels: NDArray[np.uint8]
    lines: Lines
    mm_per_pixel: float

    @classmethod
    def blank(cls, rows: int, columns: int, mm_per_pixel: float) -> Inked:
        """White paper."""
        return cls(np.full((rows, columns, 3), 255, np.uint8), Lines.none(), mm_per_pixel)

    @cached_property
    def strokes(self) -> tuple[Stroke, ...]:
        """The lines in paper millimetres from the lower left corner; narrow ones first, so that wide ones lie
        on top."""
        order = np.lexsort([-(self.lines.style >> 2), self.lines.style & WIDE])
        lines = self.lines.only(order)
        points = lines.points * self.mm_per_pixel
        points[:, 1] = len(self.pixels) * self.mm_per_pixel - points[:, 1]
        pens = {style: _pen(style) for style in np.unique(lines.style).tolist()}
        pieces = np.split(points, lines.starts[1:]) if len(lines) else []
        styles = lines.style.tolist()
        return tuple(Stroke(piece, *pens[style]) for piece, style in zip(pieces, styles, strict=True))


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
    blank = Inked.blank(table.camera.rows, table.camera.columns, mm_per_pixel)
    return ink_on(blank, table, cast.items, cast.of_keys, Pen(mm_per_pixel, hatches))


def ink_on(
    before: Inked,
    table: PixelTable,
    added: Sequence[Item],
    items: Callable[[NDArray[np.intp]], Sequence[Item]],
    pen: Pen,
) -> Inked:
    """The picture with items added that the table shows, drawn where they touch it. ``items``: those of
    keys, the added ones included."""
    part = anew(table, added)
    if part is None:
        return before
    cast = Cast(tuple(items(part.keys)))
    facing = Facing(cast, part.table.camera)
    colours, colour_start = palette(cast.items, pen.hatches is not None)
    pixels = before.pixels.copy()
    rows, columns = part.shown.shape
    window = pixels[part.row : part.row + rows, part.column : part.column + columns]
    window[part.shown] = _tints(part, facing, pen, colours, colour_start)
    crossings = find_crossings(part, facing, pen.mm_per_pixel, Prober(cast, part.table.camera))
    new = np.array([item.role == "new" for item in cast.items], dtype=bool)
    dark = new & (luminance(colours[colour_start + DARK] / 255.0) < DARK_FILL)
    traced = trace(crossings, _styles(crossings, cast, part.table.camera.pixel, dark), part.cells)
    off = part.column + SAMPLE[0], part.row + SAMPLE[1]
    left = before.lines.moved(-off[0], -off[1]).outside(part.cells).moved(*off)
    return Inked(pixels, left.joined(traced.moved(part.column, part.row)), before.mm_per_pixel)


def _tints(
    part: Anew, facing: Facing, pen: Pen, colours: NDArray, colour_start: NDArray
) -> NDArray[np.uint8]:
    """(k, 3) flat tints of the pixels drawn anew: one look-up for each run of them that shows one face."""
    at = np.flatnonzero(part.shown)
    key, face = part.table.key.ravel()[at], part.table.face.ravel()[at]
    begins = np.ones(len(at), dtype=bool)
    begins[1:] = (key[1:] != key[:-1]) | (face[1:] != face[:-1])
    first = np.flatnonzero(begins)
    shown = facing.shown(part.table, at[first])
    number = colour_start[shown.item] + facing.tone[shown.index]
    lengths = np.diff(np.append(first, len(at)))
    tints = np.repeat(colours[number], lengths, axis=0)
    if pen.hatches is None:
        return tints
    # earlier parts stay quiet
    hatches = [pen.hatches.get(item.colour, 0) if item.role == "new" else 0 for item in facing.cast.items]
    hatch = np.repeat(np.array(hatches, np.int8)[shown.item], lengths)
    row, column = np.divmod(at, part.shown.shape[1])
    return hatched(tints, hatch, row + part.row, column + part.column, pen.mm_per_pixel)


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


def _pen(style: int) -> tuple[float, tuple[float, ...], float]:
    """Width in mm, dashes and grey of a style."""
    if style & DARK_SIDE:
        return LIGHT_WIDE_MM if style & WIDE else LIGHT_NARROW_MM, (), LIGHT_GREY
    width = WIDE_MM if style & WIDE else NARROW_MM
    grey = GHOST_GREY if style & FROM_GHOST else EARLIER_GREY if style & FROM_EARLIER else NEW_GREY
    return width, (), grey
