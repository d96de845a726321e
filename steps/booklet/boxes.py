"""Laid-out pages: where every word, line, mark and picture goes, in millimetres from the lower left.

Nothing here knows about PDF or HTML. A page is a set of cells that do not overlap; whatever a cell
holds lies inside it. Tests check both on these values.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

from steps.booklet.content import Wish

Role = Literal["heading", "text", "figure", "list", "table", "notice", "title block", "decoration"]
Headed = Literal["columns", "rows"]
Colour = str  #: "#rrggbb"

BLACK, WHITE, GREY = "#000000", "#ffffff", "#595959"  # grey: 7.0:1 on white (WCAG 2.2 formula)
THICK_MM, THIN_MM = 0.5, 0.25  # ISO 128-20 line group for A4 (from memory)


@dataclass(frozen=True)
class Rect:
    """Lower left corner and extents, mm."""

    x: float
    y: float
    width: float
    height: float

    @property
    def right(self) -> float:
        return self.x + self.width

    @property
    def top(self) -> float:
        return self.y + self.height

    def inset(self, by: float, vertical: float | None = None) -> Rect:
        v = by if vertical is None else vertical
        return Rect(self.x + by, self.y + v, self.width - 2 * by, self.height - 2 * v)

    def holds(self, other: Rect, slack: float = 0.01) -> bool:
        return (
            other.x >= self.x - slack
            and other.y >= self.y - slack
            and other.right <= self.right + slack
            and other.top <= self.top + slack
        )

    def meets(self, other: Rect, slack: float = 0.01) -> bool:
        return (
            self.x < other.right - slack
            and other.x < self.right - slack
            and self.y < other.top - slack
            and other.y < self.top - slack
        )


@dataclass(frozen=True)
class Text:
    """One line of words. (x, y) is the left end of its baseline; ``width`` its set width, mm.

    ``scale_of``: the words hold ``{scale}``, known once those pictures are drawn; ``width`` then allows
    for the longest scales.
    """

    x: float
    y: float
    words: str
    size_pt: float
    width: float
    bold: bool = False
    colour: Colour = BLACK
    scale_of: tuple[Wish, ...] = ()
    slot: tuple[int, int] | None = None  #: row and column of the table it stands in

    def rect(self) -> Rect:
        """From descender to ascender."""
        size = self.size_pt * 25.4 / 72
        return Rect(self.x, self.y - 0.25 * size, self.width, size)

    def moved(self, dx: float, dy: float) -> Text:
        return replace(self, x=self.x + dx, y=self.y + dy)


@dataclass(frozen=True)
class Polyline:
    """A polyline, closed and filled when ``fill`` is given."""

    points: tuple[tuple[float, float], ...]
    width_mm: float = THIN_MM
    colour: Colour | None = BLACK
    fill: Colour | None = None
    dash_mm: tuple[float, ...] = ()

    def rect(self) -> Rect:
        xs, ys = [p[0] for p in self.points], [p[1] for p in self.points]
        return Rect(min(xs), min(ys), max(xs) - min(xs), max(ys) - min(ys))

    def moved(self, dx: float, dy: float) -> Polyline:
        return replace(self, points=tuple((x + dx, y + dy) for x, y in self.points))


@dataclass(frozen=True)
class Mark:
    """One of the drawn marks of :mod:`steps.booklet.marks`, centred, ``size`` mm high and wide."""

    kind: str
    x: float
    y: float
    size: float
    text: str = ""
    text_pt: float = 0.0
    alt: str = ""  #: of a sign that no words beside it explain

    def rect(self) -> Rect:
        return Rect(self.x - self.size / 2, self.y - self.size / 2, self.size, self.size)

    def moved(self, dx: float, dy: float) -> Mark:
        return replace(self, x=self.x + dx, y=self.y + dy)


@dataclass(frozen=True)
class Image:
    """A picture that is wished for; it is drawn to fit ``box``, centred."""

    wish: Wish
    box: Rect
    alt: str

    def rect(self) -> Rect:
        return self.box

    def moved(self, dx: float, dy: float) -> Image:
        return replace(self, box=Rect(self.box.x + dx, self.box.y + dy, self.box.width, self.box.height))


Item = Text | Polyline | Mark | Image


@dataclass(frozen=True)
class Cell:
    """A rectangle of the page and what it holds."""

    rect: Rect
    items: tuple[Item, ...]
    role: Role = "text"
    level: int = 0  #: of a heading, 1 the sheet's own
    headed: Headed = "columns"  #: of a table: what its headers head
    alt: str = ""  #: of a cell that is one picture, in words

    def moved(self, dx: float, dy: float) -> Cell:
        rect = Rect(self.rect.x + dx, self.rect.y + dy, self.rect.width, self.rect.height)
        return replace(self, rect=rect, items=tuple(item.moved(dx, dy) for item in self.items))


@dataclass(frozen=True)
class Page:
    """One page. ``frame`` lines lie under and between the cells."""

    width: float
    height: float
    cells: tuple[Cell, ...]
    frame: tuple[Polyline, ...] = ()
    bookmark: str = ""  #: empty: no bookmark
    bookmark_level: int = 0
    kind: str = ""
    also: tuple[str, ...] = ()  #: bookmarks of the other steps on the page
    also_levels: tuple[int, ...] = ()  #: of these
    for_adult: bool = False  #: read by the adult, whoever the booklet is for


def rectangle(
    rect: Rect, width_mm: float = THIN_MM, colour: Colour | None = BLACK, fill: Colour | None = None
) -> Polyline:
    """The outline of a rectangle, filled if asked."""
    corners = ((rect.x, rect.y), (rect.right, rect.y), (rect.right, rect.top), (rect.x, rect.top))
    return Polyline((*corners, corners[0]), width_mm, colour, fill)
