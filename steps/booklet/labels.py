"""Stickers for printed parts or their bags: label, count, name, colour and a small picture."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from steps.booklet import content as c
from steps.booklet.boxes import Cell, Image, Item, Page, Rect
from steps.booklet.compose.matter import Lot, Matter
from steps.booklet.edition import EDITIONS
from steps.booklet.typeset import Typesetter, line_height
from steps.booklet.words import NBSP
from steps.errors import WrongSettings

PAD_MM = 2.5  # printers and cutters are off by a millimetre or two (common practice, no source)
LABEL_PT, NAME_PT, LINE_PT = 17.0, 11.0, 10.0
PICTURE_SHARE = 0.38  # of the sticker's width


@dataclass(frozen=True)
class StickerSheet:
    """A sheet of stickers: paper, grid, sticker size, distance from the left and top edge and between, mm."""

    paper: tuple[float, float]
    columns: int
    rows: int
    sticker: tuple[float, float]
    left: float
    top: float
    pitch: tuple[float, float]

    def place(self, index: int) -> Rect:
        """Where sticker number ``index`` of a sheet stands, row by row from the top."""
        row, column = divmod(index, self.columns)
        x = self.left + column * self.pitch[0]
        y = self.paper[1] - self.top - row * self.pitch[1] - self.sticker[1]
        return Rect(x, y, *self.sticker)

    @property
    def count(self) -> int:
        return self.columns * self.rows


#: Common sticker sheets by number of stickers (common practice, sizes from memory).
STICKER_SHEETS = {
    "a4-24": StickerSheet((210.0, 297.0), 3, 8, (70.0, 37.0), 0.0, 0.5, (70.0, 37.0)),
    "a4-21": StickerSheet((210.0, 297.0), 3, 7, (63.5, 38.1), 7.2, 15.1, (66.0, 38.1)),
    "a4-14": StickerSheet((210.0, 297.0), 2, 7, (99.1, 38.1), 4.65, 15.1, (101.6, 38.1)),
    "letter-30": StickerSheet((215.9, 279.4), 3, 10, (66.675, 25.4), 4.76, 12.7, (69.85, 25.4)),
    "letter-14": StickerSheet((215.9, 279.4), 2, 7, (101.6, 33.87), 3.97, 21.17, (106.36, 33.87)),
}
USUAL = {"a4": "a4-24", "a5": "a4-24", "letter": "letter-30"}


def sticker_sheet(name: str | None, paper: str) -> StickerSheet:
    """The sheet of that name, else the usual one for the paper. Raises WrongSettings, listing the known."""
    chosen = name or USUAL[paper]
    if chosen not in STICKER_SHEETS:
        raise WrongSettings(f"No sticker sheet '{chosen}'. Known: {', '.join(STICKER_SHEETS)}.")
    return STICKER_SHEETS[chosen]


def label_pages(matter: Matter, setter: Typesetter, sheet: StickerSheet) -> tuple[Page, ...]:
    """Stickers for every lot, as many sheets as it takes."""
    lots = matter.lots
    starts = range(0, len(lots), sheet.count)
    return tuple(_page(matter, setter, sheet, lots[start : start + sheet.count]) for start in starts)


def label_setter(setter: Typesetter) -> Typesetter:
    """Stickers are small: set as in the adult edition, whoever reads the booklet."""
    return Typesetter(EDITIONS["adult"], setter.face)


def _page(matter: Matter, setter: Typesetter, sheet: StickerSheet, lots: Sequence[Lot]) -> Page:
    cells = [_sticker(matter, setter, lot, sheet.place(index)) for index, lot in enumerate(lots)]
    title = matter.words.say("Stickers")
    return Page(*sheet.paper, tuple(cells), bookmark=title, kind="labels")


def _sticker(matter: Matter, setter: Typesetter, lot: Lot, rect: Rect) -> Cell:
    """One sticker; nothing printed within the pad of its edge."""
    words, inner = matter.words, rect.inset(PAD_MM)
    name, colour = matter.shape_name(lot.shape), words.colour(lot.colour_name)
    picture = Rect(inner.x, inner.y, PICTURE_SHARE * inner.width, inner.height)
    x = picture.right + PAD_MM
    width = inner.right - x
    count = setter.fit(f"{words.number(lot.count)}{NBSP}×", 0.45 * width, LABEL_PT, True)
    label = setter.fit(matter.label(lot.shape), 0.55 * width, LABEL_PT, True)
    room = int((inner.height - line_height(LABEL_PT)) / line_height(NAME_PT))
    galleys = [setter.fit(name, width, NAME_PT, True, max(1, room - 1)), setter.fit(colour, width, LINE_PT)]
    wish = c.Wish("thumbnail", shape=lot.shape, colour=lot.colour, family="labels")
    items: list[Item] = [Image(wish, picture, f"{name}, {colour}")]
    items += setter.text(label, x, inner.top)
    items += setter.text(count, x, inner.top, right=inner.right)
    top = inner.top - line_height(LABEL_PT)
    for galley in galleys:
        items += setter.text(galley, x, top)
        top -= galley.height
    return Cell(rect, tuple(items), "list")
