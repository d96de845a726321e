"""The booklet: composed as values, laid out in millimetres, painted as PDF or written as HTML."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from steps.booklet.compose import compose
from steps.booklet.edition import edition_of, paper_of
from steps.booklet.fonts import typeface
from steps.booklet.layout import Composer
from steps.booklet.paint import paint
from steps.booklet.pictures import Pictures, StudioPictures
from steps.booklet.typeset import Typesetter
from steps.booklet.words import words_in
from steps.model import Plan
from steps.output import whole_file
from steps.settings import Settings

Progress = Callable[[str, int, int], None]


def write_booklet(
    plan: Plan,
    path: Path,
    settings: Settings,
    progress: Progress | None = None,
    pictures: Pictures | None = None,
) -> None:
    """The plan's booklet as PDF, whole or not at all; ``pictures`` replaces the plan's own studio.

    Raises WrongSettings for a language, reader or paper that does not go together; CannotWrite.
    """
    words = words_in(settings.language)
    face, edition, paper = typeface(words), edition_of(settings), paper_of(settings)
    booklet = compose(plan, settings, words)
    pages = Composer(Typesetter(edition, face), edition, paper, words).pages(booklet)
    drawn = pictures or StudioPictures(plan, settings, progress=progress)
    with whole_file(path) as draft:
        paint(pages, booklet, draft, face, words, drawn, settings, progress)


__all__ = ["write_booklet"]
