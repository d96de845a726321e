"""Stickers for printed parts or their bags: label, count, name, colour and a small picture."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from steps.booklet import content as c
from steps.booklet.boxes import Cell, Image, Item, Page, Rect
from steps.booklet.compose.matter import Lot, Matter
from steps.booklet.edition import EDITIONS, PAPER_NAMES, PAPERS_MM
from steps.booklet.typeset import Typesetter, line_height
from steps.booklet.words import NBSP
from steps.draw.thumbs import Thumb, thumbs_of
from steps.errors import WrongSettings
from steps.settings import Settings, StickerSettings

PAD_MM = 2.5  # printers and cutters are off by a millimetre or two (common practice, no source)
LABEL_PT, NAME_PT, LINE_PT = 17.0, 11.0, 10.0
PICTURE_SHARE = 0.38  # of the sticker's width
LEAST_STICKER_MM = (50.0, 22.0)  # smaller ones do not hold a picture, two lines and the pad (tried)
SLACK_MM = 0.05  # rounding of measures in a sheet's own description
PORTRAIT_MM = {name: (min(size), max(size)) for name, size in PAPERS_MM.items()}


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

    @property
    def words(self) -> str:
        """ "70 x 37 mm, 24 on A4"."""
        name = next((PAPER_NAMES[key] for key, size in PORTRAIT_MM.items() if size == self.paper), "a sheet")
        wide, high = (f"{each:.1f}".removesuffix(".0") for each in self.sticker)
        return f"{wide} x {high} mm, {self.count} on {name}"


#: Common sticker sheets, named by what a sticker measures (common practice, from memory).
STICKER_SHEETS = {
    "105x57": StickerSheet((210.0, 297.0), 2, 5, (105.0, 57.0), 0.0, 6.0, (105.0, 57.0)),
    "99x38": StickerSheet((210.0, 297.0), 2, 7, (99.1, 38.1), 4.65, 15.1, (101.6, 38.1)),
    "70x37": StickerSheet((210.0, 297.0), 3, 8, (70.0, 37.0), 0.0, 0.5, (70.0, 37.0)),
    "70x36": StickerSheet((210.0, 297.0), 3, 8, (70.0, 36.0), 0.0, 4.5, (70.0, 36.0)),
    "64x38": StickerSheet((210.0, 297.0), 3, 7, (63.5, 38.1), 7.2, 15.1, (66.0, 38.1)),
    "102x51": StickerSheet((215.9, 279.4), 2, 5, (101.6, 50.8), 3.97, 12.7, (106.36, 50.8)),
    "102x34": StickerSheet((215.9, 279.4), 2, 7, (101.6, 33.87), 3.97, 21.17, (106.36, 33.87)),
    "67x25": StickerSheet((215.9, 279.4), 3, 10, (66.675, 25.4), 4.76, 12.7, (69.85, 25.4)),
}
USUAL = {"a4": "70x37", "a5": "70x37", "letter": "67x25"}
USUAL_NAME = "usual"  #: in the settings: the usual one for the paper


def sticker_sheet(settings: Settings) -> StickerSheet:
    """The sheet that the settings name or measure, else the usual one for the paper.

    Raises WrongSettings, listing the known, or saying what does not fit the paper.
    """
    chosen = settings.stickers
    if settings.sticker_sheet is not None and chosen is None:
        return _own_sheet(settings.sticker_sheet, settings.paper)
    if chosen in (None, USUAL_NAME):
        return STICKER_SHEETS[USUAL[settings.paper]]
    name = re.sub(r"\s|mm", "", chosen.lower().replace("×", "x"))
    if name not in STICKER_SHEETS:
        known = "; ".join(f"{name} ({sheet.words})" for name, sheet in STICKER_SHEETS.items())
        raise WrongSettings(
            f"No sticker sheet '{chosen}'. Known: {USUAL_NAME}; {known}. For another one, give its measures "
            "in stepleaf.toml under [sticker_sheet]: sticker_mm, columns, rows, left_mm, top_mm, pitch_mm."
        )
    return STICKER_SHEETS[name]


def _own_sheet(given: StickerSettings, paper: str) -> StickerSheet:
    """A sheet by its measures; what is not given is spread evenly. Raises WrongSettings."""
    size = PORTRAIT_MM["a4" if paper == "a5" else paper]
    wide, high = given.sticker_mm
    pitch = given.pitch_mm or given.sticker_mm
    across, down = (given.columns - 1) * pitch[0] + wide, (given.rows - 1) * pitch[1] + high
    left = (size[0] - across) / 2 if given.left_mm is None else given.left_mm
    top = (size[1] - down) / 2 if given.top_mm is None else given.top_mm
    if pitch[0] < wide or pitch[1] < high:
        raise WrongSettings(
            f"sticker_sheet: they overlap: pitch_mm {pitch[0]:g} x {pitch[1]:g} is less than the sticker's "
            f"{wide:g} x {high:g} mm."
        )
    if min(left, top) < -SLACK_MM or left + across > size[0] + SLACK_MM or top + down > size[1] + SLACK_MM:
        raise WrongSettings(
            f"sticker_sheet: {given.columns} x {given.rows} of them take {across:g} x {down:g} mm from "
            f"{left:g} mm at the left and {top:g} mm at the top: more than the paper's "
            f"{size[0]:g} x {size[1]:g} mm."
        )
    if wide < LEAST_STICKER_MM[0] or high < LEAST_STICKER_MM[1]:
        raise WrongSettings(
            f"sticker_sheet: {wide:g} x {high:g} mm is too small for words that can be read; "
            f"the least is {LEAST_STICKER_MM[0]:g} x {LEAST_STICKER_MM[1]:g} mm."
        )
    return StickerSheet(size, given.columns, given.rows, given.sticker_mm, left, top, pitch)


def label_pages(matter: Matter, setter: Typesetter, sheet: StickerSheet) -> tuple[Page, ...]:
    """Stickers for every lot, as many sheets as it takes."""
    lots = matter.lots
    starts = range(0, len(lots), sheet.count)
    return tuple(_page(matter, setter, sheet, lots[start : start + sheet.count]) for start in starts)


def label_setter(setter: Typesetter) -> Typesetter:
    """Stickers are small: set as in the adult edition, whoever reads the booklet."""
    return Typesetter(EDITIONS["adult"], setter.face)


def _page(matter: Matter, setter: Typesetter, sheet: StickerSheet, lots: Sequence[Lot]) -> Page:
    inner = sheet.place(0).inset(PAD_MM)
    thumbs = thumbs_of(matter.plan, (PICTURE_SHARE * inner.width, inner.height))
    cells = [_sticker(matter, setter, lot, sheet.place(index), thumbs) for index, lot in enumerate(lots)]
    title = matter.words.say("Stickers")
    return Page(*sheet.paper, tuple(cells), bookmark=title, kind="labels")


def _sticker(matter: Matter, setter: Typesetter, lot: Lot, rect: Rect, thumbs: Mapping[str, Thumb]) -> Cell:
    """One sticker; nothing printed within the pad of its edge."""
    words, inner = matter.words, rect.inset(PAD_MM)
    name, colour = matter.shape_name(lot.shape), words.said(lot.colour_name)
    picture = Rect(inner.x, inner.y, PICTURE_SHARE * inner.width, inner.height)
    x = picture.right + PAD_MM
    width = inner.right - x
    count = setter.fit(f"{words.number(lot.count)}{NBSP}×", 0.45 * width, LABEL_PT, True)
    label = setter.fit(matter.label(lot.shape), 0.55 * width, LABEL_PT, True)
    room = int((inner.height - line_height(LABEL_PT)) / line_height(NAME_PT))
    galleys = [setter.fit(name, width, NAME_PT, True, max(1, room - 1)), setter.fit(colour, width, LINE_PT)]
    wish = c.Wish("thumbnail", shape=lot.shape, colour=lot.colour, scale=thumbs[lot.shape].scale)
    items: list[Item] = [Image(wish, picture, f"{name}, {colour}")]
    items += setter.text(label, x, inner.top)
    items += setter.text(count, x, inner.top, right=inner.right)
    top = inner.top - line_height(LABEL_PT)
    for galley in galleys:
        items += setter.text(galley, x, top)
        top -= galley.height
    return Cell(rect, tuple(items), "list")
