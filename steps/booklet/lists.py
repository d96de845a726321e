"""Sheets of words alone over pages: one list runs on where another ends, and all pages end at about one
height."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from steps.booklet import content as c
from steps.booklet.boxes import Cell, Polyline, Rect
from steps.booklet.edition import Edition, Paper
from steps.booklet.flow import TIGHT, TIGHTEST, Flow, set_block
from steps.booklet.fonts import MM_PER_POINT
from steps.booklet.tables import table_needs
from steps.booklet.typeset import Typesetter

if TYPE_CHECKING:
    from steps.booklet.layout import Composer

WIDE_MM = 250.0  # a page wider than this has room for three columns
LEAST_ABOVE = 0.5  # of a column's height, above a band over all columns; else the band's blocks flow
LEAST_ON = 0.3  # of a page's height: with less left, the next list begins on a page of its own
LEVEL_SHARE = 0.03  # pages of a run are made equally high to this share of a page
GUTTER_MM, LIST_GUTTER_MM = 9.0, 6.0  # between columns of a flow sheet, of the parts list
ZOOMS = (1.25, 1.5, 2.0, 2.5)  # of the pictures in a short parts list
LIST_EM = 7.5  # least width of a column of the parts list, in type sizes

#: A sheet, and those of its blocks that are to be set.
Run = tuple[c.Sheet, Sequence[c.Block]]


@dataclass(frozen=True)
class PageBody:
    """A page before its frame and foot strip."""

    sheets: tuple[c.Sheet, ...]  #: in reading order
    cells: tuple[Cell, ...] = ()
    rules: tuple[Polyline, ...] = ()
    begins: tuple[c.Sheet, ...] = ()  #: sheets that begin here; they carry the bookmarks
    by: Composer | None = None  #: who set it, where another edition than the booklet's

    def onward(self, sheet: c.Sheet, cells: Sequence[Cell], begins: bool) -> PageBody:
        """With more of a sheet on it."""
        sheets = self.sheets if sheet in self.sheets else (*self.sheets, sheet)
        first = (*self.begins, sheet) if begins else self.begins
        return replace(self, sheets=sheets, cells=(*self.cells, *cells), begins=first)


def run_on(one: c.Sheet, two: c.Sheet) -> bool:
    """Whether a sheet of words may begin on the page where another, for the same reader, ends."""
    plain = all(sheet.figure is None and not sheet.leaf and not sheet.band for sheet in (one, two))
    return plain and one.for_adult == two.for_adult


@dataclass(frozen=True)
class Lists:
    """Sets sheets of words in one edition, on pages with so much room."""

    setter: Typesetter
    paper: Paper
    inner: Rect
    level: bool = True  #: pages of a run are made equally high

    @property
    def edition(self) -> Edition:
        return self.setter.edition

    def bodies(self, runs: Sequence[Run], begins: bool = True) -> list[PageBody]:
        """The pages of the runs, set tighter where that saves one, so that no page is left with a line or
        two; all as low as so many pages allow, the parts pictured as large as they do."""
        best = self._set(runs, begins)
        for zoom in ZOOMS if self.level and any(sheet.kind == "parts" for sheet, _ in runs) else ():
            larger = [
                (replace(sheet, blocks=_zoomed(sheet.blocks, zoom)), _zoomed(blocks, zoom))
                for sheet, blocks in runs
            ]
            try:
                found = self._set(larger, begins)
            except ValueError:  # no room for one of them
                break
            if len(found) > len(best):
                break
            best = found
        return best

    def _set(self, runs: Sequence[Run], begins: bool) -> list[PageBody]:
        """The pages with pictures of this size."""
        best, air = list(self.flowed(runs, begins)), 1.0
        for share in (TIGHT, TIGHTEST):
            tight = list(self.flowed(runs, begins, share)) if len(best) > 1 else best
            if len(tight) < len(best):
                best, air = tight, share
                break
        if not self.level or len(best) == 1 or any(sheet.band for sheet, _ in runs):
            return best
        return self._levelled(runs, begins, air, best)

    def _levelled(
        self, runs: Sequence[Run], begins: bool, air: float, best: list[PageBody]
    ) -> list[PageBody]:
        """The same pages, as low as will do: all but the last were full."""
        low, high = 1 - 1 / len(best), 1.0
        while high - low > LEVEL_SHARE:
            middle = (low + high) / 2
            try:
                found = list(self.flowed(runs, begins, air, middle))
            except ValueError:  # a block higher than the lowered columns
                found = []
            if 0 < len(found) <= len(best):
                best, high = found, middle
            else:
                low = middle
        return best

    def flowed(
        self, runs: Sequence[Run], begins: bool, air: float = 1.0, high: float = 1.0
    ) -> Iterator[PageBody]:
        """Page by page, with this share of the usual air between blocks and of the pages' height."""
        flow = Flow(self.setter).tight(air)
        full = self.inner.inset(6.0, 5.0)
        full = Rect(full.x, full.top - high * full.height, full.width, high * full.height)
        page, room = None, full
        for sheet, blocks in runs:
            rest, first = list(blocks), begins
            while rest:
                try:
                    cells, left = self._filled(flow, sheet, rest, room, first, high < 1 or page is not None)
                except ValueError:  # a block higher than what is left of the page
                    if page is None:
                        raise
                    cells = []
                if not any(cell.level != 1 for cell in cells):
                    if page is None:
                        raise ValueError("no room for a block on a page of its own")
                    yield page  # there was room for the title at most
                    page, room = None, full
                    continue
                page = (page or PageBody((sheet,))).onward(sheet, cells, first)
                rest, first = left, False
                room = _under(room, cells, 2 * flow.edition.gap)
                if rest or room.height < LEAST_ON * full.height:
                    yield page
                    page, room = None, full
        if page is not None:
            yield page

    def _filled(
        self, flow: Flow, sheet: c.Sheet, blocks: Sequence[c.Block], room: Rect, first: bool, whole: bool
    ) -> tuple[list[Cell], list[c.Block]]:
        """As many blocks as find room, and what is left. ``whole``: none is divided for want of height."""
        rest, cells, columns = list(blocks), [], self._columns(sheet, room)
        if isinstance(rest[0], c.Heading) and rest[0].level == 1:
            columns, title = _under_title(flow, rest.pop(0), columns)
            cells.append(title)
        if sheet.band and first:
            above, band = _over_band(flow, sheet.band, columns)
            if above[0].height < LEAST_ABOVE * columns[0].height:
                rest += sheet.band
            else:
                columns = above
                cells += band
        last, (flowed, rest) = rest, flow.into(rest, columns, whole)
        if not rest and len(columns) > 1:
            flowed = flow.balanced(last, columns, flowed)
        return [*cells, *flowed], rest

    def _columns(self, sheet: c.Sheet, room: Rect) -> list[Rect]:
        gutter, wide = GUTTER_MM, self.paper.width > WIDE_MM
        count = 1 if self.paper.portrait else 2
        if sheet.kind == "parts":
            gutter = LIST_GUTTER_MM
            pictured = [block.size_mm[0] for block in sheet.blocks if isinstance(block, c.PartLine)]
            least = max(*pictured, LIST_EM * self.edition.body * MM_PER_POINT)
            count = max(1, int((room.width + gutter) // (least + gutter)))
        elif wide and (sheet.leaf or (sheet.kind == "reading" and self.edition.reader != "child")):
            count = 3
        while count > 1 and self._breaks_words(sheet, (room.width - (count - 1) * gutter) / count):
            count -= 1
        width = (room.width - (count - 1) * gutter) / count
        return [Rect(room.x + k * (width + gutter), room.y, width, room.height) for k in range(count)]

    def _breaks_words(self, sheet: c.Sheet, width: float) -> bool:
        """Whether a table of the sheet would have words broken inside in so wide a column."""
        tables = [block for block in sheet.blocks if isinstance(block, c.Table)]
        return any(table_needs(self.setter, table) > width for table in tables)


def _zoomed(blocks: Sequence[c.Block], by: float) -> tuple[c.Block, ...]:
    """The blocks, with larger pictures of parts."""
    return tuple(
        replace(
            block,
            wish=replace(block.wish, scale=by * block.wish.scale),
            size_mm=(by * block.size_mm[0], by * block.size_mm[1]),
        )
        if isinstance(block, c.PartLine)
        else block
        for block in blocks
    )


def _under(room: Rect, cells: Sequence[Cell], gap: float) -> Rect:
    """What is left below the cells."""
    lowest = min((cell.rect.y for cell in cells), default=room.top)
    return Rect(room.x, room.y, room.width, max(0.0, lowest - gap - room.y))


def _under_title(flow: Flow, heading: c.Block, columns: list[Rect]) -> tuple[list[Rect], Cell]:
    """The sheet's heading over all columns, and what is left of them."""
    cell = flow.setter.set(heading, columns[-1].right - columns[0].x)
    cell = cell.moved(columns[0].x, columns[0].top)
    taken = cell.rect.height + 2 * flow.edition.gap
    return [Rect(each.x, each.y, each.width, each.height - taken) for each in columns], cell


def _over_band(flow: Flow, blocks: Sequence[c.Block], columns: list[Rect]) -> tuple[list[Rect], list[Cell]]:
    """Blocks over all columns at their bottom, and what is left of the columns above."""
    gap, width = flow.edition.gap, columns[-1].right - columns[0].x
    cells = [set_block(flow.setter, block, width) for block in blocks]
    height = sum(cell.rect.height + gap for cell in cells)
    top, placed = columns[0].y + height - gap, []
    for cell in cells:
        placed.append(cell.moved(columns[0].x, top))
        top -= cell.rect.height + gap
    return [Rect(each.x, each.y + height, each.width, each.height - height) for each in columns], placed


__all__ = ["Lists", "PageBody", "run_on"]
