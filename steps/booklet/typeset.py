"""From one block to one cell: words wrapped by real font metrics, shrunk only to the edition's least size.

A cell made here has its upper left corner at (0, 0); the layout moves it to its place.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import singledispatchmethod

from steps.booklet import content as c
from steps.booklet.boxes import (
    BLACK,
    GREY,
    THICK_MM,
    THIN_MM,
    WHITE,
    Cell,
    Image,
    Item,
    Mark,
    Polyline,
    Rect,
    Role,
    Text,
    rectangle,
)
from steps.booklet.breaking import LineRoom, lines_of
from steps.booklet.edition import Edition
from steps.booklet.fonts import ASCENT, LEADING, MM_PER_POINT, Typeface
from steps.booklet.marks import BLUE, ORANGE, RED, YELLOW
from steps.booklet.tables import CELL_MM, column_widths, told_once

ELLIPSIS = "…"
SHRINK_PT = 0.5  # size step when words are made smaller to fit
HEADING_LINES = 3  # a heading longer than this is made smaller, then shortened
LIST_LINES = 4  # of a name in the parts list
LETTER_GAP_MM = 1.0  # between letters of alike things
TAKE_LINES = 3  # of a name under "Take"
LANE_MM, BAR_MM, LEAST_BAR_MM = 6.0, 3.4, 0.5  # of the timeline: a lane, its bars, the shortest bar
UNDER_RULE_MM = 0.8  # air above and below the line that ends a table's row
DIVISIBLE = 40  # characters; a shorter paragraph is never too high for a column
SIGN_MM = 10.0  # height of a safety sign: h = z / 40 (ISO 3864-1, from memory) reads at 0.4 m
NOTICE_WHITE_PT = 12.0  # least size of white on dark (ISO/IEC Guide 37)
SIGNAL_COLOURS = {  # ground, words: ANSI Z535.4, ISO 3864-2
    "DANGER": (RED, WHITE),
    "WARNING": (ORANGE, BLACK),
    "CAUTION": (YELLOW, BLACK),
    "NOTICE": (BLUE, WHITE),
}


@dataclass(frozen=True)
class Galley:
    """Lines of text at one size."""

    lines: tuple[str, ...]
    size: float
    bold: bool

    @property
    def height(self) -> float:
        return len(self.lines) * line_height(self.size)


def line_height(size_pt: float) -> float:
    return size_pt * MM_PER_POINT * LEADING


@dataclass(frozen=True)
class Typesetter:
    """Sets blocks for one edition in one typeface."""

    edition: Edition
    face: Typeface

    # -------------------------------------------------------------------------- words

    def wrap(self, words: str, width: float, size: float, bold: bool = False) -> list[str]:
        """Lines no wider than ``width``: broken at spaces, at soft hyphens, else inside the word."""
        return list(lines_of(self.face, words, width, size, bold))

    def fit(self, words: str, width: float, size: float, bold: bool = False, most: int = 1) -> Galley:
        """At most ``most`` lines: made smaller down to the edition's least size, then shortened."""
        trial = size
        while True:
            lines = self.wrap(words, width, trial, bold)
            room = LineRoom(self.face, width, trial, bold)
            whole = all(room.fits(word) for word in self.face.printable(words).split())
            if len(lines) <= most and (whole or trial <= self.edition.least):
                return Galley(tuple(lines), trial, bold)
            if trial <= self.edition.least:
                return Galley((*lines[: most - 1], _shortened(lines[most - 1], room)), trial, bold)
            trial = max(self.edition.least, trial - SHRINK_PT)

    def text(
        self, galley: Galley, x: float, top: float, colour: str = BLACK, right: float | None = None
    ) -> list[Text]:
        """The galley's lines from ``top`` down, left aligned at ``x`` or ending at ``right``."""
        placed = []
        for row, words in enumerate(galley.lines):
            width = self.face.width_mm(words, galley.size, galley.bold)
            baseline = top - row * line_height(galley.size) - ASCENT * galley.size * MM_PER_POINT
            left = x if right is None else right - width
            placed.append(Text(left, baseline, words, galley.size, width, galley.bold, colour))
        return placed

    def galley(self, words: str, width: float, size: float, bold: bool = False) -> Galley:
        return Galley(tuple(self.wrap(words, width, size, bold)), size, bold)

    # ------------------------------------------------------------------------- blocks

    @singledispatchmethod
    def set(self, block: c.Block, width: float) -> Cell:
        """One block, ``width`` mm wide, as a cell whose upper left corner is (0, 0)."""
        raise TypeError(f"no way to set a {type(block).__name__}")

    @set.register
    def _(self, block: c.Heading, width: float) -> Cell:
        size = self.edition.title if block.level == 1 else self.edition.head
        galley = self.fit(block.words, width, size, True, HEADING_LINES)
        return _cell(width, galley.height, self.text(galley, 0, 0), "heading", block.level)

    @set.register
    def _(self, block: c.Para, width: float) -> Cell:
        size = self.edition.least if block.quiet else self.edition.body
        galley = self.galley(block.words, width, size, block.strong)
        return _cell(width, galley.height, self.text(galley, 0, 0))

    @set.register
    def _(self, block: c.Rule, width: float) -> Cell:
        return _cell(width, 1.0, [Polyline(((0, -0.5), (width, -0.5)), THIN_MM)], "decoration")

    @set.register
    def _(self, block: c.Marked, width: float) -> Cell:
        size = 1.35 * line_height(self.edition.body)
        indent = size + 2.0
        words = self.galley(block.words, width - indent, self.edition.body, block.strong)
        detail = self.galley(block.detail, width - indent, self.edition.least)
        drop = max(0.0, (size - line_height(words.size)) / 2)
        height = max(size, drop + words.height + detail.height)
        items: list[Item] = [Mark(block.mark, size / 2, -size / 2, size)]
        items += self.text(words, indent, -drop)
        items += self.text(detail, indent, -drop - words.height, GREY)
        return _cell(width, height, items, "list")

    @set.register
    def _(self, block: c.SignNote, width: float) -> Cell:
        indent = SIGN_MM + 3.0
        words = self.galley(block.words, width - indent, self.edition.body)
        height = max(SIGN_MM, words.height)
        items: list[Item] = [Mark(block.sign, SIGN_MM / 2, -SIGN_MM / 2, SIGN_MM, alt=block.alt)]
        items += self.text(words, indent, -max(0.0, (SIGN_MM - words.height) / 2))
        return _cell(width, height, items, "list")

    @set.register
    def _(self, block: c.Titled, width: float) -> Cell:
        title = self.galley(block.title, width, self.edition.body, True)
        words = self.galley(block.words, width, self.edition.body)
        items = [*self.text(title, 0, 0), *self.text(words, 0, -title.height)]
        return _cell(width, title.height + words.height, items)

    @set.register
    def _(self, block: c.Take, width: float) -> Cell:
        """Count and letter, one below the other, the picture beside them; below, name and label."""
        e = self.edition
        counts = [self.fit(count, 0.25 * width, e.strong, True) for count, _ in block.letters]
        count_width = max(self.face.width_mm("4 ×", e.strong, True), *map(self._widest, counts))
        letter_x = count_width + 2.0
        wide, high = self._within(block.size_mm, self.take_room(width))
        line = e.balloon + LETTER_GAP_MM
        row = max(high, line * len(counts) - LETTER_GAP_MM)
        label = Galley((block.label,) if block.label else (), e.least, False)
        words = ", ".join(filter(None, (block.name, block.remark)))
        name = self.fit(words, width - self._widest(label) - 2.0, e.body, True, TAKE_LINES)
        items: list[Item] = []
        middle = (line * (len(counts) - 1) - row) / 2
        for count, (_, letter) in zip(counts, block.letters, strict=True):
            items += self.text(count, 0, middle + count.height / 2, right=count_width)
            items.append(self.balloon(letter, letter_x + e.balloon / 2, middle))
            middle -= line
        x = (letter_x + e.balloon + 2.0 + width - wide) / 2  # amid what is left of the row
        items.append(Image(block.wish, Rect(x, -(row + high) / 2, wide, high), block.alt))
        items += self._stack([name], 0, -row - 0.5)
        items += self.text(label, 0, -row - 0.5, GREY, right=width)
        return _cell(width, row + 0.5 + max(name.height, label.height), items, "list")

    @set.register
    def _(self, block: c.PartLine, width: float) -> Cell:
        """The picture; below it a box to tick, the count and the name, and then the lines."""
        e = self.edition
        wide, high = self._within(block.size_mm, width)
        tick = line_height(e.body)
        count = self.fit(block.count, 0.5 * width, e.strong, True)
        name_x = tick + 1.5 + self._widest(count) + 2.0
        name = self.fit(block.name, width - name_x, e.body, True, LIST_LINES)
        items: list[Item] = [Image(block.wish, Rect(0, -high, wide, high), block.alt)]
        top = -high - 0.5
        items.append(Mark("tick", tick / 2, top - tick / 2, tick))
        items += self.text(count, tick + 1.5, top)
        items += self._stack([name], name_x, top)
        top -= max(tick, name.height)
        lines = [self.fit(line, width - tick - 1.5, e.least, most=3) for line in block.lines if line]
        items += self._stack(lines, tick + 1.5, top)
        return _cell(width, -top + sum(line.height for line in lines), items, "list")

    @set.register
    def _(self, block: c.Facts, width: float) -> Cell:
        e = self.edition
        items: list[Item] = []
        top, left = 0.0, 0.44 * width
        for row, (name, value) in enumerate(block.rows):
            a = self.galley(name, left - 2.5, e.body)
            b = self.galley(value, width - left, e.body, True)
            items += _slotted(self.text(a, 0, top), row, 0) + _slotted(self.text(b, left, top), row, 1)
            top -= max(a.height, b.height) + 0.4 * e.gap
        cell = _cell(width, -top - 0.4 * e.gap if block.rows else 0.0, items, "table")
        return replace(cell, headed="rows")

    @set.register
    def _(self, block: c.Table, width: float) -> Cell:
        e = self.edition
        items: list[Item] = []
        top = 0.0
        widths = column_widths(self, block, width)
        lefts = [sum(widths[:k]) for k in range(len(widths))]
        for index, row in enumerate((block.header, *told_once(block))):
            galleys = [
                self.galley(words, wide - CELL_MM, e.least, index == 0)
                for words, wide in zip(row, widths, strict=True)
            ]
            for column, (galley, left) in enumerate(zip(galleys, lefts, strict=True)):
                items += _slotted(self.text(galley, left, top), index, column)
            top -= max(galley.height for galley in galleys) + UNDER_RULE_MM
            items.append(Polyline(((0, top), (width, top)), THIN_MM, BLACK if index == 0 else GREY))
            top -= UNDER_RULE_MM
        return _cell(width, -top, items, "table")

    @set.register
    def _(self, block: c.Figure, width: float) -> Cell:
        height = block.height_mm or width
        caption = self.galley(block.caption, width, self.edition.body, True)
        items: list[Item] = [*self.text(caption, 0, 0)]
        box = Rect(0, -caption.height - height, width, height)
        items.append(Image(block.wish, box, block.alt))
        return _cell(width, caption.height + height, items, "figure")

    @set.register
    def _(self, block: c.Notice, width: float) -> Cell:
        e = self.edition
        pad = 2.5
        ground, ink = SIGNAL_COLOURS[block.signal]
        head_size = max(e.head, NOTICE_WHITE_PT)
        alert = 0.0 if block.signal == "NOTICE" else line_height(head_size)
        head = self.galley(block.word, width - 2 * pad - alert - 1.5, head_size, True)
        band = head.height + 1.6
        items: list[Item] = [rectangle(Rect(0, -band, width, band), 0, None, ground)]
        if alert:
            items.append(Mark("W001", pad + alert / 2, -band / 2, alert))
        items += self.text(head, pad + (alert + 1.5 if alert else 0), -0.8, ink)
        top = -band - pad * 0.6
        for galley, indent in self._notice_lines(block, width - 2 * pad):
            items += self.text(galley, pad + indent, top)
            if indent:
                items.append(Mark("dot", pad + indent / 2, top - line_height(galley.size) / 2, indent * 0.8))
            top -= galley.height + 0.6
        top = self._signs(block, items, width, pad, top)
        items.append(rectangle(Rect(0, top, width, -top), THICK_MM))
        return _cell(width, -top, items, "notice")

    def _notice_lines(self, block: c.Notice, width: float) -> Iterator[tuple[Galley, float]]:
        if block.title:
            yield self.galley(block.title, width, self.edition.body, True), 0.0
        for line in block.lines:
            yield self.galley(line, width - 4.0, self.edition.body), 4.0

    def _signs(self, block: c.Notice, items: list[Item], width: float, pad: float, top: float) -> float:
        """Safety signs in rows below the words; returns the new top."""
        size = SIGN_MM
        per_row = max(1, int((width - 2 * pad + 2) // (size + 2)))
        for index, sign in enumerate(block.signs):
            if index % per_row == 0:
                top -= size + 1.0
            alt = block.sign_alts[index] if index < len(block.sign_alts) else ""
            x = pad + (index % per_row) * (size + 2) + size / 2
            items.append(Mark(sign, x, top + size / 2, size, alt=alt))
        return top - pad * 0.8

    @set.register
    def _(self, block: c.Timeline, width: float) -> Cell:
        """Lanes of bars, the steps' numbers above and the hours below; ticks too close to the last are left
        out."""
        e = self.edition
        names = [self.fit(name, 0.34 * width, e.least) for name in block.lanes]
        left = max(self._widest(name) for name in names) + 2.5
        line = line_height(e.least)
        scale = (width - left) / max(block.total_min, 1e-9)
        items: list[Item] = []
        top, low = -line - 1.0, -line - 1.0 - len(names) * LANE_MM
        for row, name in enumerate(names):
            middle = top - (row + 0.5) * LANE_MM
            items += self.text(name, 0, middle + line / 2)
            items.append(Polyline(((left, middle), (width, middle)), THIN_MM, GREY))
        for bar in block.bars:
            x = left + bar.start_min * scale
            long = min(max(bar.length_min * scale, LEAST_BAR_MM), width - x)
            y, waiting = top - (bar.lane + 0.5) * LANE_MM, bar.lane == len(names) - 1
            rect = Rect(x, y - BAR_MM / 2, long, BAR_MM)
            items.append(rectangle(rect, THIN_MM, BLACK, WHITE if waiting else BLACK))
        for ticks, y in ((block.steps, 0.0), (block.hours, low - 1.0)):
            items += self._ticks(ticks, left, scale, width, y)
        for each in block.hours:
            x = left + each.at_min * scale
            items.append(Polyline(((x, low), (x, low - 1.2)), THIN_MM))
        return replace(_cell(width, line + 1.0 - low, items, "figure"), alt=block.alt)

    def _ticks(
        self, ticks: Sequence[c.Tick], left: float, scale: float, width: float, top: float
    ) -> Iterator[Text]:
        """The words of ticks, each beginning at its place, none running into the next."""
        free = left
        for each in ticks:
            x = left + each.at_min * scale
            galley = Galley((each.words,), self.edition.least, False)
            if x >= free and x + self._widest(galley) <= width:
                yield from self.text(galley, x, top)
                free = x + self._widest(galley) + 2.0

    # ------------------------------------------------------------------------ helpers

    def balloon(self, letter: str, x: float, y: float) -> Mark:
        """A lettered circle; long letters are set smaller inside it, never below the least size."""
        size = self.fit(letter, 0.8 * self.edition.balloon, self.edition.strong, True).size
        return Mark("balloon", x, y, self.edition.balloon, letter, size)

    def take_room(self, width: float) -> float:
        """Width left for a part's picture under "Take"."""
        e = self.edition
        return width - self.face.width_mm("4 ×", e.strong, True) - 2.0 - e.balloon - 2.0

    def _within(self, size_mm: tuple[float, float], width: float) -> tuple[float, float]:
        """A picture's size, reduced where it is wider than its place."""
        share = min(1.0, width / size_mm[0])
        return share * size_mm[0], share * size_mm[1]

    def _stack(self, galleys: Sequence[Galley], x: float, top: float) -> list[Text]:
        placed: list[Text] = []
        for galley in galleys:
            placed += self.text(galley, x, top)
            top -= galley.height
        return placed

    def _widest(self, galley: Galley) -> float:
        return max((self.face.width_mm(line, galley.size, galley.bold) for line in galley.lines), default=0.0)


def row_ends(table: Cell) -> list[float]:
    """mm to the end of a table's header and of each row, from its top: as high as it is with so many."""
    return [UNDER_RULE_MM - item.points[0][1] for item in table.items if isinstance(item, Polyline)]


def _shortened(line: str, room: LineRoom) -> str:
    """As much of a line as there is room for, and the sign that something was left out."""
    last = line.rstrip(" ,-")
    return last[: room.longest(last, ELLIPSIS)].rstrip(" ,") + ELLIPSIS


def _slotted(texts: Sequence[Text], row: int, column: int) -> list[Text]:
    """Words that stand in a table's cell."""
    return [replace(text, slot=(row, column)) for text in texts]


def _cell(width: float, height: float, items: Sequence[Item], role: Role = "text", level: int = 0) -> Cell:
    return Cell(Rect(0, -height, width, height), tuple(items), role, level)


def halves(block: c.Block) -> tuple[c.Block, c.Block] | None:
    """A block too high for a whole column, as two; None if it cannot be divided."""
    if isinstance(block, c.Para):
        words = block.words.split(" ")
        if len(block.words) < DIVISIBLE:
            return None
        if len(words) < 2:
            words = [block.words[: len(block.words) // 2], block.words[len(block.words) // 2 :]]
        middle = len(words) // 2
        a, b = " ".join(words[:middle]), " ".join(words[middle:])
        return (
            (c.Para(a, block.strong, block.quiet), c.Para(b, block.strong, block.quiet)) if a and b else None
        )
    if isinstance(block, c.Marked):
        return halves(c.Para(" ".join(filter(None, (block.words, block.detail))), block.strong))
    if isinstance(block, c.Titled):
        parts = halves(c.Para(block.words))
        return None if parts is None else (c.Titled(block.title, parts[0].words), parts[1])  # type: ignore[union-attr]
    if isinstance(block, c.SignNote):
        parts = halves(c.Para(block.words))
        return None if parts is None else (replace(block, words=parts[0].words), parts[1])  # type: ignore[union-attr]
    if isinstance(block, c.Notice) and len(block.lines) > 1:
        middle = len(block.lines) // 2
        first = c.Notice(block.signal, block.word, block.title, block.lines[:middle])
        rest = c.Notice(
            block.signal, block.word, block.title, block.lines[middle:], block.signs, block.sign_alts
        )
        return first, rest
    if isinstance(block, c.Facts) and len(block.rows) > 1:
        middle = len(block.rows) // 2
        return c.Facts(block.rows[:middle]), c.Facts(block.rows[middle:])
    return None
