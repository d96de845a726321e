"""From sheets to pages: frame, field, column and title block; blocks flow into what is left."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import pairwise, product

from steps.booklet import content as c
from steps.booklet.boxes import (
    GREY,
    THICK_MM,
    THIN_MM,
    Cell,
    Image,
    Item,
    Mark,
    Page,
    Polyline,
    Rect,
    rectangle,
)
from steps.booklet.edition import (
    FOLD_COLUMN_MM,
    FOLD_THUMB_MM,
    Edition,
    Paper,
    adult_editions,
    title_row_mm,
)
from steps.booklet.fonts import MM_PER_POINT
from steps.booklet.typeset import Typesetter, halves, line_height
from steps.booklet.words import NBSP, Words

COLUMN_PAD_MM = 4.0
WIDE_MM = 250.0  # a page wider than this has room for three columns
LEAST_ABOVE = 0.5  # of a column's height, above a band over all columns; else the band's blocks flow
GUTTER_MM = 9.0  # between columns of a flow sheet
CENTRING_MM = 5.0  # length of a centring mark outside the frame (ISO 5457, from memory)
BALANCE_MM = 2.0  # columns of a last page are made equal to this
LEAST_ROWS = 2  # of a table, on either side of a column's end
TIGHT, TIGHTEST = 0.5, 0.2  # shares of the usual gap in a crowded column
COVER_SHARES = (0.4, 0.46, 0.52, 0.58, 0.64)  # the same of a cover, whose strip is not divided
STRIP_SHARES = (0.3, 0.34, 0.38, 0.42, 0.46, 0.5)  # of a portrait page, under the drawing
LEAST_NAME_MM = 26.0  # width of a title block's cell for a name
FIELD_PAD_MM = 2.2  # at both sides of a title block's words
ICON_SHARE = 0.3  # of a title block cell's width, at most, for the mark beside the words
FOOT_SIDE = 0.3  # of a portrait page's field, for the overview where the strip is full
HALF_FOOT_MM = 30.0  # least height for "Where you are" in half a sheet
LEAST_HALF_FIELD = 0.5  # of half a sheet, for its drawing: where the blocks take more, the step stands alone
CUT_DASH_MM, CUT_GAP_MM = 6.0, 3.0  # of the line along which a leaf is cut out
LONGEST_SCALE = f"1{NBSP}:{NBSP}88.8"  # room kept for the drawing's scale


@dataclass(frozen=True)
class Body:
    """A page before its frame and title block."""

    sheet: c.Sheet
    cells: tuple[Cell, ...]
    rules: tuple[Polyline, ...] = ()
    first: bool = True  #: of its sheet; carries the bookmark
    scale_of: c.Wish | None = None
    second: c.Sheet | None = None  #: the step in the other half, if two share the page
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

    def _all_bodies(self, sheets: Sequence[c.Sheet]) -> Iterator[Body]:
        """The pages of all sheets; two small steps in a row share one where both fit, and a leaf begins on a
        right-hand page: at a left-hand one the next sheet goes before it."""
        waiting, pages, in_leaf = deque(sheets), 0, False
        while waiting:
            sheet = waiting.popleft()
            if sheet.leaf and not in_leaf and pages % 2:
                leaf = [sheet]
                while waiting and waiting[0].leaf:
                    leaf.append(waiting.popleft())
                if waiting:
                    sheet = waiting.popleft()
                    waiting.extendleft(reversed(leaf))
                else:
                    waiting.extend(leaf[1:])
            in_leaf = sheet.leaf
            both = self._pair(sheet, waiting[0]) if waiting else None
            if both is not None:
                waiting.popleft()
            for body in self.bodies(sheet) if both is None else (both,):
                pages += 1
                yield body

    def bodies(self, sheet: c.Sheet) -> Iterator[Body]:
        """The pages of one sheet: one, and more where its blocks need them."""
        yield from self._adult_bodies(sheet) if sheet.for_adult else self._own_bodies(sheet)

    def _own_bodies(self, sheet: c.Sheet) -> Iterator[Body]:
        """The pages of one sheet in this edition's type."""
        if sheet.figure is None:
            yield from self._flow_bodies(sheet, self._titled(sheet), first=True)
            return
        body, rest = self._figure_body(sheet)
        yield body
        if rest:
            heading = c.Heading(self.words.say("{title}, continued", title=sheet.title))
            yield from self._flow_bodies(sheet, [heading, *rest], first=False)

    def _adult_bodies(self, sheet: c.Sheet) -> list[Body]:
        """The pages of a sheet for the adult: in the adult's type, a leaf in the largest that lets it be one
        page."""
        found: list[Body] = []
        for edition in adult_editions(self.edition):
            setter = Typesetter(edition, self.setter.face)
            paper = replace(self.paper, title_row=title_row_mm(edition))
            composer = replace(self, edition=edition, setter=setter, paper=paper)
            found = [replace(body, by=composer) for body in composer._own_bodies(sheet)]
            if len(found) == 1 or not sheet.leaf:
                break
        return found

    def _titled(self, sheet: c.Sheet) -> list[c.Block]:
        return [c.Heading(sheet.title, 1), *sheet.blocks]

    # -------------------------------------------------------------------- figure sheets

    def block_height(self, sheet: c.Sheet) -> float:
        """Height of the title block: a step on a portrait page needs two rows."""
        return (2 if self.paper.portrait and sheet.kind == "step" else 1) * self.paper.title_row

    def inner(self, sheet: c.Sheet) -> Rect:
        """The frame without the title block."""
        frame, block = self.paper.frame, self.block_height(sheet)
        return Rect(frame.x, frame.y + block, frame.width, frame.height - block)

    def _figure_body(self, sheet: c.Sheet) -> tuple[Body, list[c.Block]]:
        if self.paper.portrait:
            return self._portrait_body(sheet)
        inner = self.inner(sheet)
        column = Rect(inner.right - self.edition.column, inner.y, self.edition.column, inner.height)
        field = Rect(inner.x, inner.y, inner.width - column.width, inner.height)
        box = column.inset(COLUMN_PAD_MM)
        least = self.paper.least_foot if sheet.foot else 0.0
        for tighter in (self, self.tight(), self.tight(TIGHTEST)):
            cells, rest = tighter.flow(sheet.blocks, [box])
            if not rest and _room_below(box, cells) >= least:
                break
        field, foot = self._foot(sheet, field, box, cells)
        cells += foot
        rule = Polyline(((column.x, column.y), (column.x, column.top)), THIN_MM)
        return self._with_figure(sheet, field, cells, [rule]), rest

    def tight(self, share: float = TIGHT) -> Composer:
        """The same with less air between blocks, for a crowded column."""
        edition = replace(self.edition, gap=share * self.edition.gap)
        return replace(self, edition=edition, setter=Typesetter(edition, self.setter.face))

    def _portrait_body(self, sheet: c.Sheet) -> tuple[Body, list[c.Block]]:
        """Drawing above, a strip of two columns below it, as low as its blocks allow."""
        field, cells, rule, rest = self._stacked(sheet, self.inner(sheet), self.paper.least_foot)
        return self._with_figure(sheet, field, cells, [rule]), rest

    def _stacked(
        self, sheet: c.Sheet, area: Rect, least_foot: float, least_share: float = 0.0
    ) -> tuple[Rect, list[Cell], Polyline, list[c.Block]]:
        """The blocks of a sheet in a strip of two columns at the bottom of an area, at least
        ``least_share`` of it high: the field above, the cells, the rule between, and what did not fit."""
        least = least_foot if sheet.foot else 0.0
        cover = sheet.kind == "cover"
        shares = [share for share in (COVER_SHARES if cover else STRIP_SHARES) if share >= least_share]
        for share, tighter in product(shares, (self, self.tight())):
            strip = Rect(area.x, area.y, area.width, share * area.height)
            columns = _strip_columns(strip, 1 if cover else 2)
            cells, rest = tighter.flow(sheet.blocks, columns)
            if not rest and _room_below(columns[-1], cells) >= least:
                break
        field = Rect(area.x, strip.top, area.width, area.top - strip.top)
        field, foot = self._foot(sheet, field, columns[-1], cells, portrait=True)
        return field, cells + foot, _across(strip, strip.top), rest

    # ------------------------------------------------------------------ two steps a sheet

    def _pair(self, left: c.Sheet, right: c.Sheet) -> Body | None:
        """Two small steps of one sub-assembly side by side; None where they do not fit."""
        if not (left.small and right.small and left.part == right.part) or self.paper.portrait:
            return None
        inner, edition = self.inner(left), replace(self.edition, column=FOLD_COLUMN_MM, thumb=FOLD_THUMB_MM)
        narrow = replace(self, edition=edition, setter=Typesetter(edition, self.setter.face))
        middle, height = inner.x + inner.width / 2, inner.height - self.paper.title_row
        areas = [Rect(x, inner.y, inner.width / 2, height) for x in (inner.x, middle)]
        share = 0.0
        for _ in range(2):  # once more with the higher strip, so that both drawings are of one size
            stacked = [
                narrow._stacked(sheet, area, HALF_FOOT_MM, share)
                for sheet, area in zip((left, right), areas, strict=True)
            ]
            share = max(rule.points[0][1] - inner.y for _, _, rule, _ in stacked) / height - 1e-6
        if share > 1 - LEAST_HALF_FIELD or any(rest for _, _, _, rest in stacked):
            return None
        cells: list[Cell] = []
        rules = [Polyline(((middle, inner.y), (middle, inner.top)), THIN_MM), _across(inner, areas[0].top)]
        for sheet, area, (field, blocks, rule, _) in zip((left, right), areas, stacked, strict=True):
            body = narrow._with_figure(sheet, field, blocks, [rule])
            by, wait, step, *scale = self._work_fields(sheet, body)
            facts = [step, by, wait, *scale]  # the step first: it is this half's title
            cells += [*body.cells, *self._row_of(facts, area.x, area.width, inner.top)]
            rules += body.rules
        return Body(left, tuple(cells), tuple(rules), second=right)

    def _with_figure(self, sheet: c.Sheet, field: Rect, cells: list[Cell], rules: list[Polyline]) -> Body:
        assert sheet.figure is not None
        box = field.inset(COLUMN_PAD_MM)
        drawing = Cell(field.inset(1.0), (Image(sheet.figure.wish, box, sheet.figure.alt),), "figure")
        scale_of = sheet.figure.wish if sheet.kind == "step" else None
        return Body(sheet, (drawing, *cells), tuple(rules), scale_of=scale_of)

    def _foot(
        self, sheet: c.Sheet, field: Rect, column: Rect, cells: Sequence[Cell], portrait: bool = False
    ) -> tuple[Rect, list[Cell]]:
        """The small figure at the bottom of the column, or of the field where the column is full.

        Returns what is left of the field, and the figure's cell.
        """
        if sheet.foot is None:
            return field, []
        room = Rect(column.x, column.y, column.width, _room_below(column, cells) - self.edition.gap)
        cell = self._foot_cell(sheet.foot, room)
        if cell is not None:
            return field, [cell]
        low, side = self.paper.least_foot, FOOT_SIDE * field.width
        if portrait:
            room = Rect(field.right - side, field.y, side, field.height).inset(COLUMN_PAD_MM)
            field = Rect(field.x, field.y, field.width - side, field.height)
        else:
            room = Rect(field.right - self.edition.column, field.y, self.edition.column, low)
            room = room.inset(COLUMN_PAD_MM, 1.5)
            field = Rect(field.x, field.y + low, field.width, field.height - low)
        cell = self._foot_cell(sheet.foot, room)
        return field, [cell] if cell is not None else []

    def _foot_cell(self, figure: c.Figure, room: Rect) -> Cell | None:
        """The figure with its caption at the bottom of ``room``; None if it would be too small."""
        caption = self.setter.galley(figure.caption, room.width, self.edition.body, True)
        height = min(room.height - caption.height, 0.9 * room.width)
        if height < 0.5 * self.paper.least_foot:
            return None
        cell = self.setter.set(replace(figure, height_mm=height), room.width)
        return cell.moved(room.x, room.y + cell.rect.height)

    # ------------------------------------------------------------------------ flow sheets

    def _columns(self, sheet: c.Sheet) -> list[Rect]:
        box = self.inner(sheet).inset(6.0, 5.0)
        count = 1 if self.paper.portrait else 3 if sheet.leaf and self.paper.width > WIDE_MM else 2
        if sheet.kind == "parts" and not self.paper.portrait:
            count = 3 if self.edition.reader == "helper" and self.paper.width > WIDE_MM else 2
        width = (box.width - (count - 1) * GUTTER_MM) / count
        return [Rect(box.x + k * (width + GUTTER_MM), box.y, width, box.height) for k in range(count)]

    def _flow_bodies(self, sheet: c.Sheet, blocks: Sequence[c.Block], first: bool) -> list[Body]:
        """The pages that the blocks flow over; set tighter where that saves one, so that no page is
        left with a line or two."""
        usual = list(self._flowed(sheet, blocks, first))
        for share in (TIGHT, TIGHTEST):
            if len(usual) == 1:
                break
            tight = list(self.tight(share)._flowed(sheet, blocks, first))
            if len(tight) < len(usual):
                return tight
        return usual

    def _flowed(self, sheet: c.Sheet, blocks: Sequence[c.Block], first: bool) -> Iterator[Body]:
        rest: list[c.Block] = list(blocks)
        while rest:
            columns = self._columns(sheet)
            cells: list[Cell] = []
            if isinstance(rest[0], c.Heading) and rest[0].level == 1:
                columns, title = self._under_title(rest.pop(0), columns)
                cells.append(title)
            if sheet.band and first:
                above, band = self._over_band(sheet.band, columns)
                if above[0].height < LEAST_ABOVE * columns[0].height:
                    rest += sheet.band
                else:
                    columns = above
                    cells += band
            last, (flowed, rest) = rest, self.flow(rest, columns)
            if not rest and len(columns) > 1:
                flowed = self._balanced(last, columns, flowed)
            yield Body(sheet, (*cells, *flowed), first=first)
            first = False

    def _balanced(self, blocks: Sequence[c.Block], columns: Sequence[Rect], usual: list[Cell]) -> list[Cell]:
        """The same blocks in columns as low as will do, so that they end at about one height."""
        low, high = 0.0, columns[0].height
        best = usual
        while high - low > BALANCE_MM:
            height = (low + high) / 2
            shorter = [Rect(each.x, each.top - height, each.width, height) for each in columns]
            try:
                cells, rest = self.flow(blocks, shorter, whole=True)
            except ValueError:  # a block higher than the shortened column
                rest = list(blocks)
            if rest:
                low = height
            else:
                best, high = cells, height
        return best

    def _under_title(self, heading: c.Block, columns: list[Rect]) -> tuple[list[Rect], Cell]:
        """The sheet's heading over all columns, and what is left of them."""
        cell = self.setter.set(heading, columns[-1].right - columns[0].x)
        cell = cell.moved(columns[0].x, columns[0].top)
        taken = cell.rect.height + 2 * self.edition.gap
        return [Rect(each.x, each.y, each.width, each.height - taken) for each in columns], cell

    def _over_band(self, blocks: Sequence[c.Block], columns: list[Rect]) -> tuple[list[Rect], list[Cell]]:
        """Blocks over all columns at their bottom, and what is left of the columns above."""
        gap, width = self.edition.gap, columns[-1].right - columns[0].x
        cells = [_set(self.setter, block, width) for block in blocks]
        height = sum(cell.rect.height + gap for cell in cells)
        top, placed = columns[0].y + height - gap, []
        for cell in cells:
            placed.append(cell.moved(columns[0].x, top))
            top -= cell.rect.height + gap
        return [Rect(each.x, each.y + height, each.width, each.height - height) for each in columns], placed

    # ------------------------------------------------------------------------------- flow

    def flow(
        self, blocks: Sequence[c.Block], columns: Sequence[Rect], whole: bool = False
    ) -> tuple[list[Cell], list[c.Block]]:
        """Blocks into columns from the top, a heading kept with what follows: cells and what is left.

        A table is divided between rows where the column ends; other blocks only where they are higher than
        a column, and with ``whole`` none: ValueError.
        """
        rest = list(blocks)
        cells: list[Cell] = []
        for column in columns:
            top = column.top
            while rest:
                cell = _set(self.setter, rest[0], column.width)
                if cell.rect.height > column.height and not isinstance(rest[0], c.Table):
                    if whole:
                        raise ValueError("higher than the column")
                    rest[0:1] = self._smaller(rest[0], cell.rect.height - column.height)
                    continue
                empty = top == column.top
                needed = cell.rect.height if empty else self._needed(rest, column.width, cell)
                if top - needed < column.y - 0.01:
                    parts = self._divided(rest[0], column.width, top - column.y, empty)
                    if parts is None:
                        break
                    rest[0:1] = parts
                    continue
                cells.append(cell.moved(column.x, top))
                top -= cell.rect.height + self.edition.gap
                rest.pop(0)
            while rest and isinstance(rest[0], c.Rule):
                rest.pop(0)
        return cells, rest

    def _divided(self, block: c.Block, width: float, height: float, empty: bool) -> list[c.Block] | None:
        """A table's rows that fit into the height, and the rest; None where too few do."""
        if not isinstance(block, c.Table):
            return None
        least = 1 if empty else LEAST_ROWS
        for count in range(len(block.rows) - 1, least - 1, -1):
            first = replace(block, rows=block.rows[:count])
            if _set(self.setter, first, width).rect.height <= height + 0.005:
                return [first, replace(block, rows=block.rows[count:])]
        if not empty:
            return None
        rows = _shorter_row(block.rows[0])
        if rows is None:
            raise ValueError("a row of a table is higher than a column")
        return [replace(block, rows=(*rows, *block.rows[1:]))]

    def _needed(self, rest: Sequence[c.Block], width: float, cell: Cell) -> float:
        """Height that must be free to begin with this block: headings and rules keep the next one."""
        needed = cell.rect.height
        for here, following in pairwise(rest):
            if not isinstance(here, (c.Heading, c.Rule)):
                break
            needed += self.edition.gap + _set(self.setter, following, width).rect.height
        return needed

    def _smaller(self, block: c.Block, excess: float) -> list[c.Block]:
        """A block that is higher than a whole column by ``excess`` mm: a figure reduced, words divided."""
        if isinstance(block, c.Figure) and block.height_mm > 2 * excess:
            return [replace(block, height_mm=block.height_mm - excess - 0.1)]
        parts = halves(block)
        if parts is None:
            raise ValueError(f"a {type(block).__name__} is {excess:.1f} mm too high for a column")
        return list(parts)

    # --------------------------------------------------------------- frame and title block

    def _page(self, booklet: c.Booklet, body: Body, n: int, total: int) -> Page:
        sheet = body.sheet
        block = self._title_block(booklet, body, n, total)
        bookmark = (sheet.bookmark or sheet.title) if body.first else ""
        boxed = [*block, *(cell for cell in body.cells if cell.role == "title block")]
        cut = self._cut_line() if sheet.leaf and n % 2 else []
        frame = (*self._frame(sheet), *cut, *body.rules, *(rectangle(cell.rect, THIN_MM) for cell in boxed))
        return Page(
            self.paper.width,
            self.paper.height,
            (*body.cells, *block),
            frame,
            bookmark,
            sheet.level,
            sheet.kind,
            (body.second.bookmark or body.second.title) if body.second is not None else "",
            sheet.for_adult,
        )

    def _frame(self, sheet: c.Sheet) -> list[Polyline]:
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
        level = frame.y + self.block_height(sheet)
        above = Polyline(((frame.x, level), (frame.right, level)), THICK_MM)
        return [rectangle(frame, 2 * THICK_MM * 0.7), *(Polyline(each, THICK_MM) for each in ends), above]

    def _cut_line(self) -> list[Polyline]:
        """A dashed line in the binding margin, along which a leaf is cut out."""
        frame, x = self.paper.frame, self.paper.frame.x / 2
        count = int((frame.height + CUT_GAP_MM) // (CUT_DASH_MM + CUT_GAP_MM))
        starts = [frame.y + k * (CUT_DASH_MM + CUT_GAP_MM) for k in range(count)]
        return [Polyline(((x, y), (x, y + CUT_DASH_MM)), THIN_MM) for y in starts]

    def _title_block(self, booklet: c.Booklet, body: Body, n: int, total: int) -> list[Cell]:
        """Cells of label and value, after ISO 7200: model, part, who, wait, step, scale, sheet."""
        say, sheet = self.words.say, body.sheet
        number = say("{n} of {total}", n=self.words.number(n), total=self.words.number(total))
        model = _Field(say("Model"), booklet.model, 2.6, is_name=True)
        place = _Field(say("Part of the model"), sheet.part or sheet.title, 3.4, is_name=True)
        count = _Field(say("Sheet"), number, 1.5)
        if sheet.kind != "step" or body.second is not None:
            rows = [[model, place, count]]
        elif self.paper.portrait:
            rows = [[model, place, count], self._work_fields(sheet, body)]
        else:
            rows = [[model, place, *self._work_fields(sheet, body), count]]
        frame, height = self.paper.frame, self.paper.title_row
        top = frame.y + self.block_height(sheet)
        return [
            cell
            for row, fields in enumerate(rows)
            for cell in self._row_of(fields, frame.x, frame.width, top - row * height)
        ]

    def _work_fields(self, sheet: c.Sheet, body: Body) -> list[_Field]:
        """Who, wait, step, and for others than a child the scale."""
        say, child = self.words.say, self.edition.reader == "child"
        fields = [
            _Field(say("Done by"), sheet.by, 2.4 if child else 1.9, mark=sheet.by_mark),
            _Field(say("Wait"), sheet.wait, 1.45),
            _Field(say("Step"), sheet.step, 0.95),
        ]
        if not child:
            fields.append(_Field(say("Scale"), self._scale_words(body), 1.6, scale_of=body.scale_of))
        return fields

    def _row_of(self, fields: Sequence[_Field], x: float, width: float, top: float) -> list[Cell]:
        """Fields side by side under ``top``."""
        height = self.paper.title_row
        cells = []
        for field, wide in zip(fields, self._widths(fields, width), strict=True):
            cells.append(self._field_cell(field, Rect(x, top - height, wide, height)))
            x += wide
        return cells

    def _widths(self, fields: Sequence[_Field], width: float) -> list[float]:
        """Widths by share, but what a field's words need taken from those that have more than they need."""
        shares = sum(field.share for field in fields)
        usual = [width * field.share / shares for field in fields]
        whole = [self._need(field) for field in fields]
        names_cut = [min(n, LEAST_NAME_MM) if f.is_name else n for f, n in zip(fields, whole, strict=True)]
        for needs in (whole, names_cut):
            wanted = [max(pair) for pair in zip(usual, needs, strict=True)]
            excess, spare = sum(wanted) - width, [w - n for w, n in zip(wanted, needs, strict=True)]
            if excess <= 0:
                return usual
            if sum(spare) >= excess:
                return [w - excess * each / sum(spare) for w, each in zip(wanted, spare, strict=True)]
        return usual

    def _need(self, field: _Field) -> float:
        """Least width at which a field's label and value stand whole, mm."""
        e, face = self.edition, self.setter.face
        value = field.value.replace("{scale}", LONGEST_SCALE)
        words = max(
            face.width_mm(face.printable(field.label), e.least),
            face.width_mm(face.printable(value), e.least, True),
        )
        icon = self.paper.title_row - 2.0 if field.mark else 0.0
        return words + 2 * FIELD_PAD_MM + icon + 0.1

    def _scale_words(self, body: Body) -> str:
        """Scale of the drawing and the paper; a page without a drawing has no scale."""
        return ("{scale}, " if body.scale_of else "") + self.paper.name

    def _field_cell(self, field: _Field, rect: Rect) -> Cell:
        pad, e = FIELD_PAD_MM, self.edition
        icon = min(rect.height - 2.0, ICON_SHARE * rect.width) if field.mark else 0.0
        width = rect.width - 2 * pad - icon
        label = self.setter.fit(field.label, width, e.least)
        items: list[Item] = list(self.setter.text(label, rect.x + pad, rect.top - 1.0, GREY))
        value = self.setter.fit(field.value.replace("{scale}", LONGEST_SCALE), width, e.strong, True)
        top = rect.y + 0.9 + line_height(value.size)
        for text in self.setter.text(value, rect.x + pad, top):
            words = text.words.replace(LONGEST_SCALE, "{scale}")
            items.append(replace(text, words=words, scale_of=field.scale_of))
        if icon:
            items.append(Mark(field.mark, rect.right - pad - icon / 2, rect.y + rect.height / 2, icon))
        return Cell(rect, tuple(items), "title block")


@dataclass(frozen=True)
class _Field:
    label: str
    value: str
    share: float
    mark: str = ""
    scale_of: c.Wish | None = None
    is_name: bool = False  #: may be shortened where there is no room: the parts list has it in full


@lru_cache(maxsize=4096)
def _set(setter: Typesetter, block: c.Block, width: float) -> Cell:
    """A block as a cell, set once for each width: columns are tried in several heights."""
    return setter.set(block, width)


def _shorter_row(row: tuple[str, ...]) -> tuple[tuple[str, ...], ...] | None:
    """A table's row as two, each with half of the words of every cell; None for short ones."""
    pairs = [halves(c.Para(cell)) for cell in row]
    if not any(pairs):
        return None
    first = (pair[0].words if pair else cell for pair, cell in zip(pairs, row, strict=True))  # type: ignore[union-attr]
    return tuple(first), tuple(pair[1].words if pair else "" for pair in pairs)  # type: ignore[union-attr]


def _strip_columns(strip: Rect, count: int) -> list[Rect]:
    """Columns side by side in a strip, with room round them."""
    wide = (strip.width - (count + 1) * COLUMN_PAD_MM) / count
    lefts = [strip.x + COLUMN_PAD_MM + k * (wide + COLUMN_PAD_MM) for k in range(count)]
    return [Rect(x, strip.y, wide, strip.height).inset(0, COLUMN_PAD_MM) for x in lefts]


def _across(area: Rect, y: float) -> Polyline:
    """A thin line over the width of an area."""
    return Polyline(((area.x, y), (area.right, y)), THIN_MM)


def _room_below(column: Rect, cells: Sequence[Cell]) -> float:
    """Height left in the column under the cells that stand in it."""
    lowest = min((cell.rect.y for cell in cells if cell.rect.meets(column)), default=column.top)
    return lowest - column.y


__all__ = ["MM_PER_POINT", "Body", "Composer"]
