"""Editions (who reads) and paper: type sizes in points, sheet geometry in millimetres."""

from __future__ import annotations

from dataclasses import dataclass, replace

from steps.booklet.boxes import Rect
from steps.errors import WrongSettings
from steps.settings import Settings

#: Of the frame's width and height, what a drawing gets where so many share a page: strips, words and a
#: margin left out.
ROOM_SHARES = {2: (0.44, 0.4), 3: (0.28, 0.4), 4: (0.24, 0.34)}
# ISO 216 and ANSI/ASME Y14.1 sizes, landscape
PAPERS_MM = {"a4": (297.0, 210.0), "letter": (279.4, 215.9), "a5": (210.0, 148.0)}
PAPER_NAMES = {"a4": "A4", "letter": "Letter", "a5": "A5"}
HALF_NAMES = {"a4": "A5", "letter": "Half Letter"}  # a fold edition's page


@dataclass(frozen=True)
class Edition:
    """Type sizes (points) and the sizes that follow from them (mm)."""

    reader: str
    least: float
    body: float
    strong: float  #: counts and names that stand out
    head: float
    title: float  #: of a sheet; of a step its number, found at arm's length
    label: float  #: of the foot strip
    column: float
    thumb: tuple[float, float]  #: a part's picture is at most so wide and high
    balloon: float  #: diameter of a letter's circle
    gap: float  #: between blocks
    strip: float  #: height of the strip over a drawing
    foot: float  #: height of the strip at the foot of a page
    numbers: bool  #: print gaps, holds, loads


@dataclass(frozen=True)
class Paper:
    """A page: its size, its frame, and how the frame is divided."""

    name: str
    width: float
    height: float
    frame: Rect
    portrait: bool
    least_foot: float  #: least height for "Where you are"


#: Least type: large print 18, clear print 12 (UKAAF G003); 10 (ISO/IEC Guide 37), enough for the foot strip,
#: which is not read to build.
EDITIONS = {
    "child": Edition("child", 18, 18, 20, 20, 40, 14, 89, (33, 28), 11.5, 4.0, 17, 8, False),
    "helper": Edition("helper", 12, 12, 12, 12, 28, 10, 70, (36, 31), 8.5, 3.0, 13, 7, False),
    "adult": Edition("adult", 10, 10.5, 10.5, 10.5, 28, 10, 66, (38, 32), 8.0, 2.4, 13, 7, True),
}
#: Type of the pages that the adult reads, whoever the booklet is for: least size and body, the largest first.
#: A page to be cut out takes the first that lets it be one page.
ADULT_TYPE = ((12.0, 12.5), (11.0, 11.5), (10.0, 10.5), (10.0, 10.0))
SMALL_COLUMN = {"helper": 60.0, "adult": 56.0}  # of an A5 page, mm
SMALL_THUMB_MM = (30.0, 22.0)


def edition_of(settings: Settings) -> Edition:
    """The edition for the reader of the settings, its column fitted to the paper."""
    edition = EDITIONS[settings.reader]
    if settings.fold or settings.paper == "a5":
        column = SMALL_COLUMN.get(settings.reader, edition.column)
        return replace(edition, column=column, thumb=SMALL_THUMB_MM)
    return edition


def adult_steps(edition: Edition) -> Edition:
    """The edition that an adult's steps are set in: a helper's, no wider and no larger than the booklet's."""
    base = EDITIONS["helper"]
    return replace(base, label=min(base.label, edition.label), column=min(base.column, edition.column))


def adult_editions(edition: Edition) -> tuple[Edition, ...]:
    """The editions that an adult's page may be set in, the largest type first; never larger than the
    booklet's own."""
    base = EDITIONS["helper"]
    return tuple(
        replace(
            base,
            least=least,
            body=body,
            strong=body,
            head=body + 2.0,
            title=1.8 * body,
            label=min(base.label, edition.label),
            gap=base.gap * body / base.body,
            column=min(base.column, edition.column),
        )
        for least, body in ADULT_TYPE
        if body <= edition.body or edition.reader == "child"
    )


def paper_of(settings: Settings) -> Paper:
    """The page to lay out on. Raises WrongSettings where the type would not fit."""
    fold = settings.fold
    if settings.reader == "child" and (settings.paper == "a5" or fold):
        raise WrongSettings(
            "A child's booklet is set in 18 point and does not fit A5 pages: "
            "choose A4 or Letter without folding."
        )
    if fold and settings.paper == "a5":
        raise WrongSettings("A folded booklet on A5 paper would have A6 pages: choose A4 or Letter paper.")
    width, height = PAPERS_MM[settings.paper]
    if fold:
        width, height = height, width / 2
        width, height = min(width, height), max(width, height)
        return _paper(HALF_NAMES[settings.paper], width, height, left=10.0, other=10.0)
    small = settings.paper == "a5"
    # 20 mm filing margin at the left and 10 mm elsewhere (ISO 5457, from memory); less on A5
    left, other = (14.0, 8.0) if small else (20.0, 10.0)
    return _paper(PAPER_NAMES[settings.paper], width, height, left, other)


def _paper(name: str, width: float, height: float, left: float, other: float) -> Paper:
    frame = Rect(left, other, width - left - other, height - 2 * other)
    portrait = height > width
    return Paper(name, width, height, frame, portrait, 30.0 if width < 250 else 42.0)
