"""A drawing with its words: on a sheet of its own, on half of one, on a quarter, or above them on a portrait
page."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import product
from operator import lt, mul, truediv

import numpy as np

from steps.booklet import content as c
from steps.booklet.boxes import THIN_MM, Cell, Image, Polyline, Rect, Text
from steps.booklet.edition import ROOM_SHARES, Edition, Paper
from steps.booklet.flow import TIGHT, TIGHTEST, Flow
from steps.booklet.strips import Strips
from steps.booklet.typeset import ELLIPSIS, Typesetter
from steps.booklet.words import Words
from steps.draw.frames import SERVES_SHARE, STEP_MARGIN_MM

PAD_MM = 3.0  # between rules and words
BARE_PAD_MM = 4.0  # round a drawing without marks
COVER_SHARES = (0.4, 0.46, 0.52, 0.58, 0.64)  # of a portrait cover, under its drawing; one column
BAND_SHARES = (
    0.26,
    0.3,
    0.34,
    0.38,
    0.42,
    0.46,
    0.5,
    0.54,
)  # of a panel, for the two columns of words under its drawing
NARROW_SHARES = (*BAND_SHARES, 0.58, 0.62)  # the same, for one column under it
FOOT_SIDE = 0.3  # of a portrait page's field, for the overview where the band is full
HALF_FOOT_MM, QUARTER_FOOT_MM = 20.0, 15.0  # least height of the overview in half a sheet, in a quarter
ASIDE_WORDS = 0.5  # at most, of a panel's width, for the words beside its drawing
LEAST_OF_ROOM = 0.6  # of the size that a drawing was to have: words may take so much more (by eye)
LEAST_COLUMN_MM = 55.0  # of a column of words: in a narrower one every other word is broken (by eye)
FOOT_STEP_MM = 5.0  # overviews come in few sizes: calmer to look at, and drawn once for many steps
FOOT_SHAPE = 0.9  # an overview is at most so much as high as its column is wide (by eye)


@dataclass(frozen=True)
class Panel:
    """A drawing and its words, set."""

    cells: tuple[Cell, ...]
    rules: tuple[Polyline, ...]
    rest: tuple[c.Block, ...] = ()  #: what did not fit
    band: float = 0.0  #: share of the height that the words under a drawing take
    crowded: bool = False  #: the overview had to stand beside the drawing
    to_spare: float = 0.0  #: share of the height that the drawing cannot use and the overview could
    scale: float = np.inf  #: of the drawing, as large as it fits: mm on paper per mm of the model


_Arranged = tuple[Sequence[Panel], Sequence[Polyline]]
_Arrangement = Callable[[Sequence[c.Sheet], Rect], _Arranged]


@dataclass(frozen=True)
class Panels:
    """Sets drawings with their words in one edition."""

    setter: Typesetter
    paper: Paper
    words: Words

    @property
    def edition(self) -> Edition:
        return self.setter.edition

    @property
    def _flows(self) -> tuple[Flow, ...]:
        flow = Flow(self.setter)
        return flow, flow.tight(TIGHT), flow.tight(TIGHTEST)

    # ------------------------------------------------------------------- arrangements

    def whole(self, sheet: c.Sheet, area: Rect) -> Panel:
        """Drawing at the left under its strip, words in a column at the right; what finds no room there goes
        on in a band under the drawing."""
        under = Rect(area.x, area.y, area.width, area.height - self.edition.strip)
        wide = max(self.edition.column, min(_spare_width(sheet, under), ASIDE_WORDS * area.width))
        column = Rect(area.right - wide, area.y, wide, area.height)
        left = Rect(area.x, area.y, area.width - wide, area.height)
        box = column.inset(PAD_MM)
        strip, field = self._under_strip(sheet, left)
        for share, flow in (*product((0.0,), self._flows), *product(BAND_SHARES, self._flows[:2])):
            band = Rect(left.x, left.y, left.width, share * left.height)
            columns = [box, *(_columns(band, 2) if share else ())]
            cells, rest = flow.into(sheet.words, columns)
            if not rest and self._has_foot(sheet, columns[-1], cells, 0.6 * self.paper.least_foot):
                break
        field = Rect(field.x, band.top, field.width, field.top - band.top)
        field, foot = self._foot(sheet, field, columns[-1], cells, 0.5 * self.paper.least_foot)
        rules = [*strip.rules, _upright(column.x, area)]
        if share:
            rules.append(_across(band))
        return Panel((*strip.cells, self._drawing(sheet, field), *cells, *foot), tuple(rules), tuple(rest))

    def stacked(
        self, sheet: c.Sheet, area: Rect, least_foot: float, least_band: float = 0.0, beside: bool = False
    ) -> Panel:
        """Strip, drawing, and below it the words in columns, at least ``least_band`` of the area high; the
        overview below the words, or ``beside`` the drawing in the width that it leaves."""
        strip, area = self._under_strip(sheet, area)
        cover = sheet.kind == "cover"
        count = 1 if cover or _columns(area, 2)[0].width < LEAST_COLUMN_MM else 2
        usual = COVER_SHARES if cover else BAND_SHARES if count > 1 else NARROW_SHARES
        shares = [share for share in usual if share > least_band]
        if least_band or not shares:
            shares.insert(0, least_band)
        if not sheet.words:
            shares = [0.0]  # the drawing has it all
        for share, flow in product(shares, self._flows[:2]):
            band = Rect(area.x, area.y, area.width, share * area.height)
            columns = _columns(band, count)
            try:
                cells, rest = flow.into(sheet.words, columns, whole=share < shares[-1])
            except ValueError:  # a block higher than the band
                continue
            if not rest and (beside or self._has_foot(sheet, columns[-1], cells, least_foot)):
                break
        field = Rect(area.x, band.top, area.width, area.top - band.top)
        if beside:
            field, foot = self._foot_beside(sheet, field, least_foot)
            crowded = not foot
        else:
            field, foot = self._foot(sheet, field, columns[-1], cells, least_foot)
            crowded = field.y > band.top or field.right < area.right
        drawing = self._drawing(sheet, field)
        rules = (*strip.rules, _across(band), *([_upright(field.right, field)] if beside else ()))
        to_spare = 0.0 if crowded else self._to_spare(sheet, field, columns[-1], foot) / area.height
        every = (*strip.cells, drawing, *cells, *foot)
        return Panel(every, rules, tuple(rest), share, crowded, to_spare, _scale(sheet, field))

    def _to_spare(self, sheet: c.Sheet, field: Rect, column: Rect, foot: Sequence[Cell]) -> float:
        """Height of the field that the drawing, which is as wide as it, cannot use, as far as the overview
        can, mm."""
        if sheet.extent is None or not foot:
            return 0.0
        wide, high = sheet.extent
        used = (field.width - 2 * STEP_MARGIN_MM) * high / wide + 2 * STEP_MARGIN_MM
        drawn = max(item.box.height for item in foot[0].items if isinstance(item, Image))
        return max(0.0, min(field.height - used, FOOT_SHAPE * column.width - drawn))

    def together(self, sheets: Sequence[c.Sheet], area: Rect) -> Panel | None:
        """Two to four on one page, in that arrangement of those that hold them whose smallest drawing is the
        largest; None where none does."""
        arrangements: tuple[tuple[_Arrangement, tuple[int, ...]], ...] = (
            (self._columns, (2, 2)),
            (self._beside, (2, 2)),
            (self._sides, (2, 2)),
            (self._rows, (2, 2)),
            (self._columns, (3, 3, 3)),
            (self._half_and_quarters, (2, 4, 4)),
            (self._quarters, (4, 4, 4, 4)),
        )  # with the most sheets that may share a page, for each place
        found = []
        for arranged, most in arrangements:
            if len(most) != len(sheets) or any(map(lt, (sheet.share for sheet in sheets), most)):
                continue
            panels, rules = arranged(sheets, area)
            if all(map(self._will_do, sheets, panels, most)):
                found.append(_joined(panels, rules))
        return max(found, key=lambda panel: panel.scale, default=None)

    def _will_do(self, sheet: c.Sheet, panel: Panel, most: int) -> bool:
        """Whether all found room, when to begin and to wait too, and the drawing about the size that made the
        sheet one of ``most``."""
        room = map(mul, ROOM_SHARES[most], (self.paper.frame.width, self.paper.frame.height))
        nominal = 0.0 if sheet.extent is None else min(map(truediv, room, sheet.extent))
        small = panel.scale < LEAST_OF_ROOM * nominal
        return not (panel.rest or panel.crowded or small or _is_cut(panel))

    def _beside(self, sheets: Sequence[c.Sheet], area: Rect) -> _Arranged:
        """Side by side, words under the drawings, overviews beside them: for what is high and says much."""
        return self._columns(sheets, area, beside=True)

    def _columns(self, sheets: Sequence[c.Sheet], area: Rect, beside: bool = False) -> _Arranged:
        """Side by side, words under the drawings, which are of one size and no higher than one of them can
        use."""
        areas = _side_by_side(area, len(sheets))
        band = 0.0
        for _ in range(2):  # once more with the band that all can have
            found = [
                self.stacked(sheet, place, HALF_FOOT_MM, band, beside)
                for sheet, place in zip(sheets, areas, strict=True)
            ]
            roomy = min(panel.band + panel.to_spare for panel in found)
            band = max(roomy, *(panel.band for panel in found))
        return found, [_upright(each.x, area) for each in areas[1:]]

    def _sides(self, sheets: Sequence[c.Sheet], area: Rect) -> _Arranged:
        """Side by side, words at the right of the drawings: for what is high and narrow."""
        areas = _side_by_side(area, len(sheets))
        panels = [self._aside(sheet, place) for sheet, place in zip(sheets, areas, strict=True)]
        return panels, [_upright(each.x, area) for each in areas[1:]]

    def _rows(self, sheets: Sequence[c.Sheet], area: Rect) -> _Arranged:
        """One under the other, words at the right of the drawings: for what is wide and low."""
        areas = _one_under_the_other(area)
        panels = [self._aside(_terse(sheet), place) for sheet, place in zip(sheets, areas, strict=True)]
        return panels, [_across(areas[1])]

    def _half_and_quarters(self, sheets: Sequence[c.Sheet], area: Rect) -> _Arranged:
        """One at the left, two at the right of it."""
        left, right = _side_by_side(area, 2)
        quarters = _one_under_the_other(right)
        first, *others = sheets
        panels = [self.stacked(first, left, HALF_FOOT_MM)]
        panels += [self._aside(_terse(sheet), place) for sheet, place in zip(others, quarters, strict=True)]
        return panels, [_upright(right.x, area), _across(quarters[1])]

    def _quarters(self, sheets: Sequence[c.Sheet], area: Rect) -> _Arranged:
        """Four, from left to right, then down, drawing at the left and words at the right of each."""
        rows = _one_under_the_other(area)
        places = [place for row in rows for place in _side_by_side(row, 2)]
        panels = [self._aside(_terse(sheet), place) for sheet, place in zip(sheets, places, strict=True)]
        return panels, [_upright(places[1].x, area), _across(rows[1])]

    def _aside(self, sheet: c.Sheet, area: Rect) -> Panel:
        """Words at the right of the drawing, in a column of their own; what finds no room is left."""
        strip, area = self._under_strip(sheet, area)
        wide = min(self.edition.column, ASIDE_WORDS * area.width)
        column = Rect(area.right - wide, area.y, wide, area.height)
        box = column.inset(PAD_MM)
        if any(take.size_mm[0] > self.setter.take_room(box.width) for take in sheet.take):
            return Panel((), (), sheet.blocks)  # all parts are shown at one scale
        for flow in self._flows:
            cells, rest = flow.into(sheet.words, [box])
            if not rest and self._has_foot(sheet, box, cells, QUARTER_FOOT_MM):
                break
        field = Rect(area.x, area.y, area.width - wide, area.height)
        _, foot = self._foot(sheet, field, box, cells, QUARTER_FOOT_MM)
        return Panel(
            (*strip.cells, self._drawing(sheet, field), *cells, *foot),
            (*strip.rules, _upright(column.x, area)),
            tuple(rest),
            crowded=not self._has_foot(sheet, box, cells, QUARTER_FOOT_MM),
            scale=_scale(sheet, field),
        )

    # ------------------------------------------------------------------------- pieces

    def _under_strip(self, sheet: c.Sheet, area: Rect) -> tuple[Panel, Rect]:
        """The strip at the top of an area, and what is left below it."""
        if sheet.strip is None:
            return Panel((), ()), area
        cells, rules = Strips(self.setter, self.words).over(sheet.strip, sheet.title, area)
        high = self.edition.strip
        return Panel(tuple(cells), tuple(rules)), Rect(area.x, area.y, area.width, area.height - high)

    def _drawing(self, sheet: c.Sheet, field: Rect) -> Cell:
        """A step's drawing fills its field, cut off at the rules; others stand clear of them."""
        assert sheet.figure is not None
        box = field if sheet.kind == "step" else field.inset(BARE_PAD_MM)
        return Cell(field, (Image(sheet.figure.wish, box, sheet.figure.alt),), "figure")

    def _has_foot(self, sheet: c.Sheet, column: Rect, cells: Sequence[Cell], least: float) -> bool:
        """Whether the small figure, if there is one, finds at least so much height below the cells."""
        room = self._below(column, cells)
        return sheet.foot is None or self._foot_cell(sheet.foot, room, least) is not None

    def _foot(
        self, sheet: c.Sheet, field: Rect, column: Rect, cells: Sequence[Cell], least: float
    ) -> tuple[Rect, list[Cell]]:
        """The small figure at the bottom of the column, or of the field where the column is full.

        Returns what is left of the field, and the figure's cell.
        """
        if sheet.foot is None:
            return field, []
        cell = self._foot_cell(sheet.foot, self._below(column, cells), least)
        if cell is not None:
            return field, [cell]
        low, side = self.paper.least_foot, FOOT_SIDE * field.width
        if field.height > field.width:
            room = Rect(field.right - side, field.y, side, field.height).inset(PAD_MM)
            field = Rect(field.x, field.y, field.width - side, field.height)
        else:
            room = Rect(field.right - self.edition.column, field.y, self.edition.column, low)
            room = room.inset(PAD_MM, 1.5)
            field = Rect(field.x, field.y + low, field.width, field.height - low)
        cell = self._foot_cell(sheet.foot, room, 0.0)
        return field, [cell] if cell is not None else []

    def _foot_beside(self, sheet: c.Sheet, field: Rect, least: float) -> tuple[Rect, list[Cell]]:
        """What is left of the field, and the small figure in the width that the drawing leaves; none where
        its caption would be broken there, or it would be lower than the least."""
        if sheet.foot is None:
            return field, []
        spare = min(_spare_width(sheet, field), field.width / 2)
        room = Rect(field.right - spare, field.y, spare, field.height).inset(PAD_MM)
        heights = [
            self.setter.galley(sheet.foot.caption, width, self.edition.body, True).height
            for width in (room.width, field.width)
        ]
        cell = self._foot_cell(sheet.foot, room, least) if heights[0] == heights[1] else None
        if cell is None:
            return field, []
        return Rect(field.x, field.y, field.width - spare, field.height), [cell]

    def _below(self, column: Rect, cells: Sequence[Cell]) -> Rect:
        room = _room_below(column, cells) - self.edition.gap
        return Rect(column.x, column.y, column.width, room)

    def _foot_cell(self, figure: c.Figure, room: Rect, least: float) -> Cell | None:
        """The figure with its caption at the bottom of ``room``; None if it would be too small."""
        caption = self.setter.galley(figure.caption, room.width, self.edition.body, True)
        height = min(room.height - caption.height, FOOT_SHAPE * room.width)
        if height < least:
            return None
        height -= height % FOOT_STEP_MM
        cell = self.setter.set(replace(figure, height_mm=height), room.width)
        return cell.moved(room.x, room.y + cell.rect.height)


def _is_cut(panel: Panel) -> bool:
    """Whether words of its strip are left out."""
    strip = (item for cell in panel.cells if cell.role == "title block" for item in cell.items)
    return any(isinstance(item, Text) and item.words.endswith(ELLIPSIS) for item in strip)


def _joined(panels: Sequence[Panel], rules: Sequence[Polyline]) -> Panel:
    """All together, divided by rules."""
    cells = tuple(cell for panel in panels for cell in panel.cells)
    every = (*rules, *(rule for panel in panels for rule in panel.rules))
    return Panel(cells, every, scale=min(panel.scale for panel in panels))


def _terse(sheet: c.Sheet) -> c.Sheet:
    """Half as high as a page there is no room for captions and rules, nor for a title over "Take" that says
    nothing new."""
    foot = None if sheet.foot is None else replace(sheet.foot, caption="")
    blocks = tuple(block for block in sheet.blocks if not isinstance(block, c.Rule))
    return replace(sheet, foot=foot, blocks=blocks, take_title=sheet.take_title if sheet.retakes else "")


def _scale(sheet: c.Sheet, field: Rect) -> float:
    """mm on paper per mm of the model at which a drawing of the whole build fills its field."""
    if sheet.extent is None:
        return np.inf
    wide, high = sheet.extent
    return min((field.width - 2 * STEP_MARGIN_MM) / wide, (field.height - 2 * STEP_MARGIN_MM) / high)


def _spare_width(sheet: c.Sheet, field: Rect) -> float:
    """Width of a field that a drawing of the whole build leaves when it is as high as the field, mm; it may
    be framed a little larger, as its neighbours are."""
    if sheet.extent is None:
        return 0.0
    wide, high = sheet.extent
    drawn = (field.height - 2 * STEP_MARGIN_MM) * wide / high
    return field.width - 2 * STEP_MARGIN_MM - drawn / SERVES_SHARE


def _side_by_side(area: Rect, count: int) -> list[Rect]:
    wide = area.width / count
    return [Rect(area.x + k * wide, area.y, wide, area.height) for k in range(count)]


def _one_under_the_other(area: Rect) -> list[Rect]:
    high = area.height / 2
    return [Rect(area.x, area.y + k * high, area.width, high) for k in (1, 0)]


def _upright(x: float, area: Rect) -> Polyline:
    return Polyline(((x, area.y), (x, area.top)), THIN_MM)


def _across(band: Rect) -> Polyline:
    return Polyline(((band.x, band.top), (band.right, band.top)), THIN_MM)


def _columns(band: Rect, count: int) -> list[Rect]:
    """Columns side by side in a band, with room round them."""
    wide = (band.width - (count + 1) * PAD_MM) / count
    lefts = [band.x + PAD_MM + k * (wide + PAD_MM) for k in range(count)]
    return [Rect(x, band.y, wide, band.height).inset(0, PAD_MM) for x in lefts]


def _room_below(column: Rect, cells: Sequence[Cell]) -> float:
    """Height left in the column under the cells that stand in it."""
    lowest = min((cell.rect.y for cell in cells if cell.rect.meets(column)), default=column.top)
    return lowest - column.y
