"""The booklet: composed as values, laid out in millimetres, painted as PDF or written as HTML."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

from steps.booklet.compose import compose
from steps.booklet.compose.matter import Matter
from steps.booklet.content import Booklet
from steps.booklet.crew import crew_for
from steps.booklet.edition import edition_of, paper_of
from steps.booklet.fonts import typeface
from steps.booklet.html import html_of
from steps.booklet.labels import label_pages, label_setter, sticker_sheet
from steps.booklet.layout import Composer
from steps.booklet.paint import paint
from steps.booklet.pictures import Pictures, StudioPictures
from steps.booklet.typeset import Typesetter
from steps.booklet.words import words_in
from steps.model import Plan
from steps.one_set import run_of
from steps.output import may_write, write_whole
from steps.pipeline import made_with
from steps.progress import Tell, within
from steps.settings import USUAL, Settings


def write_booklet(
    plan: Plan,
    path: str | Path,
    settings: Settings = USUAL,
    progress: Tell | None = None,
    pictures: Pictures | None = None,
    workers: int = 1,
) -> None:
    """The plan's booklet as PDF, whole or not at all, on the settings' paper (sizes in mm there and then).

    ``settings``: those that the plan was made with; language, paper, ``mono`` and ``fold`` may differ.
    ``workers``: processes that draw, each about 150 MB; with 1 this process draws, with rays (OpenGL, asked
    for by ``settings.pictures``, has a process of its own). They end with this process, however it ends.
    ``pictures`` replaces the plan's own studio. Raises WrongSettings for a language, reader or paper that
    does not go together, or another scale than the plan's; CannotDraw where all that draws crashes;
    CannotWrite, and then what stood at ``path`` still stands there.
    """
    _write(booklet_pdf, plan, Path(path), settings, progress, pictures, workers)


def booklet_pdf(plan: Plan, settings: Settings, progress: Tell | None, pictures: Pictures) -> bytes:
    """What :func:`write_booklet` writes."""
    words = words_in(settings.language)
    face, edition, paper = typeface(words), edition_of(settings), paper_of(settings)
    with within(progress, "pages"):
        booklet = compose(plan, settings, words)
        pages = Composer(Typesetter(edition, face), edition, paper, words).pages(booklet)
    return paint(pages, booklet, face, words, pictures, settings, progress)


def write_html(
    plan: Plan,
    path: str | Path,
    settings: Settings = USUAL,
    progress: Tell | None = None,
    pictures: Pictures | None = None,
    workers: int = 1,
) -> None:
    """The same sheets as one accessible, self-contained HTML file, whole or not at all; as
    :func:`write_booklet`, but for the paper, which a screen has not.

    Raises WrongSettings for an unknown language or another scale than the plan's; CannotWrite.
    """
    _write(booklet_html, plan, Path(path), settings, progress, pictures, workers)


def booklet_html(plan: Plan, settings: Settings, progress: Tell | None, pictures: Pictures) -> bytes:
    """What :func:`write_html` writes."""
    words = words_in(settings.language)
    screen = settings.model_copy(update={"fold": False, "paper": "a4"})  # a screen has no paper
    with within(progress, "pages"):
        booklet = replace(compose(plan, screen, words), run=run_of(plan.model, settings))
    return html_of(booklet, words, typeface(words), edition_of(screen), pictures, settings.mono).encode()


def write_labels(
    plan: Plan,
    path: str | Path,
    settings: Settings = USUAL,
    progress: Tell | None = None,
    pictures: Pictures | None = None,
    workers: int = 1,
) -> None:
    """Stickers for the printed parts or their bags as PDF, on the settings' sticker sheet; as
    :func:`write_booklet`.

    Raises WrongSettings for a sticker sheet that is not known; CannotWrite.
    """
    _write(labels_pdf, plan, Path(path), settings, progress, pictures, workers)


def labels_pdf(plan: Plan, settings: Settings, progress: Tell | None, pictures: Pictures) -> bytes:
    """What :func:`write_labels` writes."""
    words = words_in(settings.language)
    face = typeface(words)
    setter = label_setter(Typesetter(edition_of(settings), face))
    matter = Matter(plan, settings, words)
    pages = label_pages(matter, setter, sticker_sheet(settings))
    title, run = words.say("Stickers"), run_of(plan.model, settings)
    booklet = Booklet(f"{matter.title}: {title}", matter.model_line, words.language, title, (), run)
    flat = settings.model_copy(update={"fold": False})
    return paint(pages, booklet, face, words, pictures, flat, progress)


def _write(
    make: Callable[[Plan, Settings, Tell | None, Pictures], bytes],
    plan: Plan,
    path: Path,
    settings: Settings,
    progress: Tell | None,
    pictures: Pictures | None,
    workers: int,
) -> None:
    may_write(path)
    with _studio(plan, settings, progress, workers, pictures) as drawn:
        content = make(plan, settings, progress, drawn)
    write_whole(path, content)


@contextmanager
def _studio(
    plan: Plan, settings: Settings, progress: Tell | None, workers: int, pictures: Pictures | None
) -> Iterator[Pictures]:
    """Whoever draws: ``pictures``, or the plan's studio."""
    if pictures is not None:
        yield pictures
        return
    made_with(plan.model, settings)
    with crew_for(settings, workers) as crew:
        yield StudioPictures(plan, settings, crew, progress)


__all__ = [
    "StudioPictures",
    "booklet_html",
    "booklet_pdf",
    "labels_pdf",
    "write_booklet",
    "write_html",
    "write_labels",
]
