"""From sheets to pages: which sheets share one, frame and foot strip; blocks flow into what is left."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from steps.booklet import content as c
from steps.booklet.boxes import THICK_MM, THIN_MM, Cell, Image, Page, Polyline, Rect, rectangle
from steps.booklet.edition import Edition, Paper, adult_editions
from steps.booklet.flow import TIGHT, TIGHTEST, Flow, set_block
from steps.booklet.fonts import MM_PER_POINT
from steps.booklet.panels import Panel, Panels
from steps.booklet.strips import StripField, Strips
from steps.booklet.typeset import Typesetter
from steps.booklet.words import Words

WIDE_MM = 250.0  # a page wider than this has room for three columns
LEAST_ABOVE = 0.5  # of a column's height, above a band over all columns; else the band's blocks flow
GUTTER_MM, LIST_GUTTER_MM = 9.0, 6.0  # between columns of a flow sheet, of the parts list
LIST_EM = 7.5  # least width of a column of the parts list, in type sizes
CENTRING_MM = 5.0  # length of a centring mark outside the frame (ISO 5457, from memory)
CUT_DASH_MM, CUT_GAP_MM = 6.0, 3.0  # of the line along which a leaf is cut out
#: How many sheets may stand on a page beside each other.
SHARED = (2, 3, 4)


@dataclass(frozen=True)
class PageBody:
    """A page before its frame and foot strip."""

    sheet: c.Sheet
    cells: tuple[Cell, ...]
    rules: tuple[Polyline, ...] = ()
    first: bool = True  #: of its sheet; carries the bookmark
    more: tuple[c.Sheet, ...] = ()  #: the other sheets on the page, in reading order
    by: Composer | None = None  #: who set it, where another edition than the booklet's


@dataclass(frozen=True)
class Composer:
    """Lays out sheets on one paper in one edition."""

    setter: Typesetter
    edition: Edition
    paper: Paper
    words: Words

    # --------------------------------------------------------------------------- pages

    def pages(self, booklet: c.Booklet) -> tuple[Page, ...]:
        """Every page, numbered."""
        bodies = list(self._all_bodies(booklet.sheets))
        return tuple(
            (body.by or self)._page(booklet, body, n, len(bodies)) for n, body in enumerate(bodies, start=1)
        )

    def _all_bodies(self, sheets: Sequence[c.Sheet]) -> Iterator[PageBody]:
        """The pages of all sheets; some in a row share one where all fit, and a leaf begins on a
        right-hand page: at a left-hand one the next sheet goes before it."""
        waiting, pages, in_leaf = deque(self._grouped(sheets)), 0, False
        while waiting:
            group = waiting.popleft()
            if group[0].leaf and not in_leaf and pages % 2:
                leaf = [group]
                while waiting and waiting[0][0].leaf:
                    leaf.append(waiting.popleft())
                if waiting:
                    group = waiting.popleft()
                    waiting.extendleft(reversed(leaf))
                else:
                    waiting.extend(leaf[1:])
            in_leaf = group[0].leaf
            shared = self._shared(group)
            for body in self.bodies(group[0]) if shared is None else (shared,):
                pages += 1
                yield body

    def _grouped(self, sheets: Sequence[c.Sheet]) -> list[tuple[c.Sheet, ...]]:
        """The sheets of each page: as few pages as can be, and of equal numbers those most alike in how
        much stands on them."""
        best: list[tuple[int, int, int]] = [(0, 0, 0)]  # pages, sum of squares, sheets on the last page
        for end in range(1, len(sheets) + 1):
            choices = []
            for count in (1, *SHARED):
                group = tuple(sheets[max(0, end - count) : end])
                if len(group) == count and (count == 1 or self._shared(group) is not None):
                    pages, squares, _ = best[end - count]
                    choices.append((pages + 1, squares + count**2, count))
            best.append(min(choices))
        groups, end = [], len(sheets)
        while end:
            groups.append(tuple(sheets[end - best[end][2] : end]))
            end -= best[end][2]
        return groups[::-1]

    def _shared(self, group: tuple[c.Sheet, ...]) -> PageBody | None:
        """A page that several sheets share; None where they may not, or do not fit."""
        if self.paper.portrait or not _go_together(group):
            return None
        panels = Panels(self.setter, self.paper, self.words)
        arrange = {2: panels.halves, 3: panels.half_and_quarters, 4: panels.quarters}[len(group)]
        panel = arrange(group, self.inner)
        return None if panel is None else PageBody(group[0], panel.cells, panel.rules, more=group[1:])

    def bodies(self, sheet: c.Sheet) -> Iterator[PageBody]:
        """The pages of one sheet: one, and more where its blocks need them."""
        yield from self._adult_bodies(sheet) if sheet.for_adult else self._own_bodies(sheet)

    def _own_bodies(self, sheet: c.Sheet) -> Iterator[PageBody]:
        """The pages of one sheet in this edition's type."""
        if sheet.figure is None:
            yield from self._flow_bodies(sheet, self._titled(sheet), first=True)
            return
        panel = self._panel(sheet)
        yield PageBody(sheet, panel.cells, panel.rules)
        if panel.rest:
            heading = c.Heading(self.words.say("{title}, continued", title=sheet.title))
            yield from self._flow_bodies(sheet, [heading, *panel.rest], first=False)

    def _panel(self, sheet: c.Sheet) -> Panel:
        """A drawing on a page of its own."""
        panels = Panels(self.setter, self.paper, self.words)
        if self.paper.portrait:
            return panels.stacked(sheet, self.inner, 0.5 * self.paper.least_foot)
        return panels.whole(sheet, self.inner)

    def _adult_bodies(self, sheet: c.Sheet) -> list[PageBody]:
        """The pages of a sheet for the adult: as few as the adult's type allows, in the largest that does."""
        best: list[PageBody] = []
        for edition in adult_editions(self.edition):
            composer = replace(self, edition=edition, setter=Typesetter(edition, self.setter.face))
            found = [replace(body, by=composer) for body in composer._own_bodies(sheet)]
            if not best or len(found) < len(best):
                best = found
            if len(best) == 1:
                break
        return best

    def _titled(self, sheet: c.Sheet) -> list[c.Block]:
        return [c.Heading(sheet.title, 1), *sheet.words]

    @property
    def inner(self) -> Rect:
        """The frame without the foot strip."""
        frame, foot = self.paper.frame, self.edition.foot
        return Rect(frame.x, frame.y + foot, frame.width, frame.height - foot)

    # ------------------------------------------------------------------------ flow sheets

    def _columns(self, sheet: c.Sheet) -> list[Rect]:
        box, gutter = self.inner.inset(6.0, 5.0), GUTTER_MM
        wide = self.paper.width > WIDE_MM
        count = 1 if self.paper.portrait else 2
        if sheet.kind == "parts":
            gutter = LIST_GUTTER_MM
            least = max(self.edition.thumb[0], LIST_EM * self.edition.body * MM_PER_POINT)
            count = max(1, int((box.width + gutter) // (least + gutter)))
        elif wide and (sheet.leaf or (sheet.kind == "reading" and self.edition.reader != "child")):
            count = 3
        width = (box.width - (count - 1) * gutter) / count
        return [Rect(box.x + k * (width + gutter), box.y, width, box.height) for k in range(count)]

    def _flow_bodies(self, sheet: c.Sheet, blocks: Sequence[c.Block], first: bool) -> list[PageBody]:
        """The pages that the blocks flow over; set tighter where that saves one, so that no page is
        left with a line or two."""
        usual = list(self._flowed(sheet, blocks, first))
        for share in (TIGHT, TIGHTEST):
            if len(usual) == 1:
                break
            tight = list(self._flowed(sheet, blocks, first, share))
            if len(tight) < len(usual):
                return tight
        return usual

    def _flowed(
        self, sheet: c.Sheet, blocks: Sequence[c.Block], first: bool, tight: float = 1.0
    ) -> Iterator[PageBody]:
        rest, flow = list(blocks), Flow(self.setter).tight(tight)
        while rest:
            columns = self._columns(sheet)
            cells: list[Cell] = []
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
            last, (flowed, rest) = rest, flow.into(rest, columns)
            if not rest and len(columns) > 1:
                flowed = flow.balanced(last, columns, flowed)
            yield PageBody(sheet, (*cells, *flowed), first=first)
            first = False

    # --------------------------------------------------------------- frame and foot strip

    def _page(self, booklet: c.Booklet, body: PageBody, n: int, total: int) -> Page:
        sheet = body.sheet
        strips = Strips(self.setter, self.words)
        foot, rules = strips.foot(self._fields(booklet, body, n, total), self.paper.frame)
        cut = self._cut_line() if sheet.leaf and n % 2 else []
        titles = [each.bookmark or each.title for each in (sheet, *body.more)] if body.first else [""]
        return Page(
            self.paper.width,
            self.paper.height,
            (*body.cells, *foot),
            (*self._frame(), *cut, *body.rules, *rules),
            titles[0],
            sheet.level,
            sheet.kind,
            tuple(titles[1:]),
            tuple(each.level for each in body.more),
            sheet.for_adult,
        )

    def _frame(self) -> list[Polyline]:
        """Border and centring marks."""
        frame, paper = self.paper.frame, self.paper
        x, y = paper.width / 2, paper.height / 2
        reach = min(CENTRING_MM, frame.y - 2.0)
        ends = (
            ((x, frame.top), (x, frame.top + reach)),
            ((x, frame.y), (x, frame.y - reach)),
            ((frame.x, y), (frame.x - reach, y)),
            ((frame.right, y), (frame.right + reach, y)),
        )
        return [rectangle(frame, THICK_MM), *(Polyline(each, THICK_MM) for each in ends)]

    def _cut_line(self) -> list[Polyline]:
        """A dashed line in the binding margin, along which a leaf is cut out."""
        frame, x = self.paper.frame, self.paper.frame.x / 2
        count = int((frame.height + CUT_GAP_MM) // (CUT_DASH_MM + CUT_GAP_MM))
        starts = [frame.y + k * (CUT_DASH_MM + CUT_GAP_MM) for k in range(count)]
        return [Polyline(((x, y), (x, y + CUT_DASH_MM)), THIN_MM) for y in starts]

    def _fields(self, booklet: c.Booklet, body: PageBody, n: int, total: int) -> list[StripField]:
        """Label and value, after ISO 7200: model, part, scale of the drawings, sheet."""
        say, sheet = self.words.say, body.sheet
        places = [each.part or each.title for each in (sheet, *body.more)]
        number = say("{n} of {total}", n=self.words.number(n), total=self.words.number(total))
        fields = [
            StripField(say("Model"), booklet.model, 2.6, is_name=True),
            StripField(say("Part"), " | ".join(dict.fromkeys(places)), 2.6, is_name=True),
        ]
        drawn = tuple(item.wish for cell in body.cells for item in cell.items if isinstance(item, Image))
        scaled = tuple(wish for wish in drawn if wish.kind == "step")
        if scaled and self.edition.reader != "child":
            fields.append(StripField(say("Scale"), "{scale}", 1.6, scaled))
        return [*fields, StripField(say("Sheet"), number, 1.5)]


def _go_together(group: Sequence[c.Sheet]) -> bool:
    """Whether sheets may share a page: small enough; more than two of one part of the model, four seen from
    one side."""
    if len(group) == 1 or (len(group) > 2 and any(sheet.part != group[0].part for sheet in group)):
        return False
    on_halves = {2: 2, 3: 1, 4: 0}[len(group)]
    if len(group) == 4 and any(sheet.view != group[0].view for sheet in group):
        return False
    return all(sheet.share >= (2 if at < on_halves else 4) for at, sheet in enumerate(group))


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


__all__ = ["Composer", "PageBody"]
