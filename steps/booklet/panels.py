"""A drawing with its words: on a sheet of its own, on half of one, on a quarter, or above them on a portrait
page."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import product

from steps.booklet import content as c
from steps.booklet.boxes import THIN_MM, Cell, Image, Polyline, Rect
from steps.booklet.edition import Edition, Paper
from steps.booklet.flow import TIGHT, TIGHTEST, Flow
from steps.booklet.strips import Strips
from steps.booklet.typeset import Typesetter
from steps.booklet.words import Words
from steps.draw.frames import STEP_MARGIN_MM

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
FOOT_SIDE = 0.3  # of a portrait page's field, for the overview where the band is full
HALF_FOOT_MM, QUARTER_FOOT_MM = 20.0, 15.0  # least height of the overview in half a sheet, in a quarter
QUARTER_WORDS = 0.5  # of a quarter's width, for its words
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
        column = Rect(area.right - self.edition.column, area.y, self.edition.column, area.height)
        left = Rect(area.x, area.y, area.width - column.width, area.height)
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

    def stacked(self, sheet: c.Sheet, area: Rect, least_foot: float, least_band: float = 0.0) -> Panel:
        """Strip, drawing, and below it the words in two columns, at least ``least_band`` of the area high."""
        strip, area = self._under_strip(sheet, area)
        cover = sheet.kind == "cover"
        shares = [share for share in (COVER_SHARES if cover else BAND_SHARES) if share > least_band]
        if least_band or not shares:
            shares.insert(0, least_band)
        if not sheet.words:
            shares = [0.0]  # the drawing has it all
        for share, flow in product(shares, self._flows[:2]):
            band = Rect(area.x, area.y, area.width, share * area.height)
            columns = _columns(band, 1 if cover else 2)
            try:
                cells, rest = flow.into(sheet.words, columns, whole=share < shares[-1])
            except ValueError:  # a block higher than the band
                continue
            if not rest and self._has_foot(sheet, columns[-1], cells, least_foot):
                break
        field = Rect(area.x, band.top, area.width, area.top - band.top)
        field, foot = self._foot(sheet, field, columns[-1], cells, least_foot)
        drawing = self._drawing(sheet, field)
        rules = (*strip.rules, _across(band))
        crowded = field.y > band.top or field.right < area.right
        to_spare = 0.0 if crowded else self._to_spare(sheet, field, columns[-1], foot) / area.height
        every = (*strip.cells, drawing, *cells, *foot)
        return Panel(every, rules, tuple(rest), share, crowded, to_spare)

    def _to_spare(self, sheet: c.Sheet, field: Rect, column: Rect, foot: Sequence[Cell]) -> float:
        """Height of the field that the drawing, which is as wide as it, cannot use, as far as the overview
        can, mm."""
        if sheet.extent is None or not foot:
            return 0.0
        wide, high = sheet.extent
        used = (field.width - 2 * STEP_MARGIN_MM) * high / wide + 2 * STEP_MARGIN_MM
        drawn = max(item.box.height for item in foot[0].items if isinstance(item, Image))
        return max(0.0, min(field.height - used, FOOT_SHAPE * column.width - drawn))

    def halves(self, sheets: Sequence[c.Sheet], area: Rect) -> Panel | None:
        """Two side by side, their drawings of one size, no higher than one of them can use; None where
        they do not fit."""
        areas = [Rect(area.x + k * area.width / 2, area.y, area.width / 2, area.height) for k in range(2)]
        band = 0.0
        for _ in range(2):  # once more with the band that both can have
            found = [
                self.stacked(sheet, place, HALF_FOOT_MM, band)
                for sheet, place in zip(sheets, areas, strict=True)
            ]
            roomy = min(panel.band + panel.to_spare for panel in found)
            band = max(roomy, *(panel.band for panel in found))
        if any(panel.rest or panel.crowded for panel in found):
            return None
        return _joined(found, [_upright(areas[1].x, area)])

    def half_and_quarters(self, sheets: Sequence[c.Sheet], area: Rect) -> Panel | None:
        """One at the left, two at the right of it; None where they do not fit."""
        right = self._quarter_areas(area)[1::2]
        half = Rect(area.x, area.y, area.width / 2, area.height)
        first = self.stacked(sheets[0], half, HALF_FOOT_MM)
        panels = [self._quarter(sheet, place) for sheet, place in zip(sheets[1:], right, strict=True)]
        if first.rest or first.crowded:
            return None
        return self._with_quarters([first], panels, half.right, area)

    def quarters(self, sheets: Sequence[c.Sheet], area: Rect) -> Panel | None:
        """Four, drawing at the left and words at the right of each; None where they do not fit."""
        places = self._quarter_areas(area)
        panels = [self._quarter(sheet, place) for sheet, place in zip(sheets, places, strict=True)]
        return self._with_quarters([], panels, area.x, area)

    def _quarter_areas(self, area: Rect) -> list[Rect]:
        """Left to right, then down."""
        wide, high = area.width / 2, area.height / 2
        return [Rect(area.x + x * wide, area.y + y * high, wide, high) for y in (1, 0) for x in (0, 1)]

    def _with_quarters(
        self, others: Sequence[Panel], quarters: Sequence[Panel | None], left: float, area: Rect
    ) -> Panel | None:
        """All together, if all fit; the quarters' rule begins at ``left``."""
        found = [panel for panel in quarters if panel is not None]
        if len(found) < len(quarters):
            return None
        middle = area.y + area.height / 2
        across = Polyline(((left, middle), (area.right, middle)), THIN_MM)
        return _joined([*others, *found], [_upright(area.x + area.width / 2, area), across])

    def _quarter(self, sheet: c.Sheet, area: Rect) -> Panel | None:
        """A quarter of a page has no room for captions and rules."""
        if sheet.foot is not None:
            sheet = replace(sheet, foot=replace(sheet.foot, caption=""))
        strip, area = self._under_strip(sheet, area)
        wide = QUARTER_WORDS * area.width
        column = Rect(area.right - wide, area.y, wide, area.height)
        box = column.inset(PAD_MM)
        if any(take.size_mm[0] > self.setter.take_room(box.width) for take in sheet.take):
            return None  # all parts are shown at one scale
        blocks = [block for block in sheet.blocks if not isinstance(block, c.Rule)]
        for flow in self._flows:
            title = (c.Heading(sheet.take_title),) if sheet.retakes else ()
            cells, rest = flow.into((*title, *sheet.take, *blocks), [box])
            if not rest and self._has_foot(sheet, box, cells, QUARTER_FOOT_MM):
                field = Rect(area.x, area.y, area.width - wide, area.height)
                _, foot = self._foot(sheet, field, box, cells, QUARTER_FOOT_MM)
                rules = (*strip.rules, _upright(column.x, area))
                return Panel((*strip.cells, self._drawing(sheet, field), *cells, *foot), rules)
        return None

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

    def _below(self, column: Rect, cells: Sequence[Cell]) -> Rect:
        room = _room_below(column, cells) - self.edition.gap
        return Rect(column.x, column.y, column.width, room)

    def _foot_cell(self, figure: c.Figure, room: Rect, least: float) -> Cell | None:
        """The figure with its caption at the bottom of ``room``; None if it would be too small."""
        caption = self.setter.galley(figure.caption, room.width, self.edition.body, True)
        height = min(room.height - caption.height, FOOT_SHAPE * room.width)
        if height < least:
            return None
        cell = self.setter.set(replace(figure, height_mm=height), room.width)
        return cell.moved(room.x, room.y + cell.rect.height)


def _joined(panels: Sequence[Panel], rules: Sequence[Polyline]) -> Panel:
    cells = tuple(cell for panel in panels for cell in panel.cells)
    return Panel(cells, (*rules, *(rule for panel in panels for rule in panel.rules)))


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
