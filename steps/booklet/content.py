"""What a booklet says, sheet by sheet, before anything has a place: blocks of words and wished-for pictures.

Both the PDF and the HTML edition are made from these values.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

WishKind = Literal["step", "overview", "thumbnail", "assembly", "turn", "cover", "finished"]
SheetKind = Literal["cover", "reading", "adult", "parts", "opening", "step", "glue", "finished", "last"]
SignalWord = Literal["DANGER", "WARNING", "CAUTION", "NOTICE"]


@dataclass(frozen=True)
class Wish:
    """A picture to be asked for once its size is known."""

    kind: WishKind
    step: int = 0
    shape: str = ""
    colour: str = ""
    assembly: str = ""
    index: int = 0
    scale: float = 0.0  #: of a thumbnail, mm on paper per mm of the model; 0: as large as fits


@dataclass(frozen=True)
class Heading:
    words: str
    level: int = 2


@dataclass(frozen=True)
class Para:
    words: str
    strong: bool = False
    quiet: bool = False  #: set in the small size


@dataclass(frozen=True)
class Marked:
    """A mark and what it says: joints, hold, wait, turn, tick boxes."""

    mark: str
    words: str
    detail: str = ""  #: numbers, in the small size
    strong: bool = False


@dataclass(frozen=True)
class SignNote:
    """A safety sign and what it asks for."""

    sign: str
    words: str
    alt: str


@dataclass(frozen=True)
class Titled:
    """A case and what to do in it."""

    title: str
    words: str


@dataclass(frozen=True)
class Take:
    """Alike things to take for a step: how many of each letter."""

    letters: tuple[tuple[str, str], ...]  #: count and letter; several where they are joined otherwise
    name: str
    remark: str  #: its colour, or that it was built before
    label: str  #: of the printed part
    wish: Wish
    size_mm: tuple[float, float]  #: of its picture
    alt: str

    @property
    def lines(self) -> tuple[str, str]:
        return self.remark, self.label


@dataclass(frozen=True)
class PartLine:
    """One row of the parts list."""

    wish: Wish
    size_mm: tuple[float, float]  #: of its picture
    count: str
    name: str
    lines: tuple[str, ...]
    alt: str
    again: str = ""  #: heading to repeat where a column begins with it


@dataclass(frozen=True)
class Notice:
    """A caution: signal word, what it is about, what to do."""

    signal: SignalWord
    word: str  #: the signal word in the booklet's language
    title: str
    lines: tuple[str, ...]
    signs: tuple[str, ...] = ()
    sign_alts: tuple[str, ...] = ()


@dataclass(frozen=True)
class Facts:
    """Names and values in two columns."""

    rows: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Figure:
    wish: Wish
    alt: str
    caption: str = ""
    height_mm: float = 0.0  #: 0: as high as wide


@dataclass(frozen=True)
class Table:
    """Rows of short texts under a header."""

    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    widths: tuple[float, ...]  #: shares of the width
    found: bool = False  #: whether these are the columns' widths already, or what is left is given by them
    once: int | None = (
        None  #: a column whose words are printed only where they are not those of the row above
    )


@dataclass(frozen=True)
class Bar:
    """A stretch of the timeline, minutes."""

    lane: int  #: row of :attr:`Timeline.lanes`
    start_min: float
    length_min: float


@dataclass(frozen=True)
class Tick:
    """A place on the timeline that is named, minutes."""

    at_min: float
    words: str


@dataclass(frozen=True)
class Timeline:
    """Who is busy when, one lane above the other; the last lane is waiting."""

    lanes: tuple[str, ...]
    bars: tuple[Bar, ...]
    steps: tuple[Tick, ...]  #: where steps begin, above the lanes
    hours: tuple[Tick, ...]  #: below them
    total_min: float
    alt: str


@dataclass(frozen=True)
class Rule:
    """A thin line across the column."""


@dataclass(frozen=True)
class Strip:
    """What stands over a drawing: a number found while leafing (or a name), who does it, when to begin,
    what to wait for then."""

    number: str = ""
    name: str = ""
    by: str = ""
    by_mark: str = ""
    begin: str = ""
    then: str = ""


Block = (
    Heading
    | Para
    | Marked
    | SignNote
    | Titled
    | Take
    | PartLine
    | Notice
    | Facts
    | Figure
    | Table
    | Timeline
    | Rule
)


@dataclass(frozen=True)
class Sheet:
    """One sheet (or a run of them, if its blocks need more room).

    With ``figure`` the drawing fills the field and the blocks stand beside or below it; without, the blocks
    run in columns over the whole field. ``foot`` takes what is left of the words' room, ``band`` the full
    width at the bottom of the first page.
    """

    kind: SheetKind
    title: str
    blocks: tuple[Block, ...] = ()
    figure: Figure | None = None
    foot: Figure | None = None
    strip: Strip | None = None
    take: tuple[Take, ...] = ()  #: before the blocks
    take_title: str = ""
    retakes: bool = False  #: what it takes is in the build already: its title is never left out
    part: str = ""
    step: int = 0
    level: int = 0  #: of the bookmark
    bookmark: str = ""  #: the title, if empty
    for_adult: bool = False  #: read by the adult whoever the booklet is for: set in the adult's type
    leaf: bool = False  #: to be cut out: it begins on a right-hand page, one page if type of 10 points allows
    band: tuple[Block, ...] = ()
    share: int = 1  #: most sheets of one part of the model that may share a page with it, itself counted
    view: str = ""  #: four share a page only where this is the same
    extent: tuple[float, float] | None = None  #: of what the drawing shows, mm of the model across and up

    @property
    def words(self) -> tuple[Block, ...]:
        """All that stands beside or below the drawing, or in the columns."""
        if not (self.take and self.take_title):
            return (*self.take, *self.blocks)
        below = (Rule(), *self.blocks) if self.blocks else ()
        return (Heading(self.take_title), *self.take, *below)


@dataclass(frozen=True)
class Booklet:
    """All sheets in order, and what the title block and the file say about the whole."""

    title: str
    model: str  #: title with scale, for the title block
    language: str
    subject: str
    sheets: tuple[Sheet, ...]
    run: str  #: id of the run, see steps/one_set.py
