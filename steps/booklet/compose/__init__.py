"""From a plan to what the booklet says: sheets of blocks, every word through the catalogue."""

from __future__ import annotations

from collections.abc import Sequence

from steps.booklet.compose.adult import adult_sheets
from steps.booklet.compose.back import finished_sheet, sources_sheet
from steps.booklet.compose.front import cover_sheet, parts_sheet, reading_sheet
from steps.booklet.compose.gluing import glue_sheet
from steps.booklet.compose.matter import Matter
from steps.booklet.compose.work import work_sheets
from steps.booklet.content import Booklet, Marked, Sheet
from steps.booklet.words import Words
from steps.model import Plan
from steps.one_set import run_of
from steps.settings import Settings


def compose(plan: Plan, settings: Settings, words: Words) -> Booklet:
    """Every sheet of the booklet, in order."""
    matter = Matter(plan, settings, words)
    work = tuple(work_sheets(matter))
    glue = glue_sheet(matter)
    sheets: tuple[Sheet, ...] = (
        cover_sheet(matter),
        reading_sheet(matter, _marks(work)),
        parts_sheet(matter),
        *((glue,) if glue is not None else ()),
        *adult_sheets(matter),
        *work,
        finished_sheet(matter),
        sources_sheet(matter),
    )
    subject, run = words.say("Building booklet"), run_of(plan.model, settings)
    return Booklet(matter.title, matter.model_line, words.language, subject, sheets, run)


def _marks(sheets: Sequence[Sheet]) -> frozenset[str]:
    """Every mark that the sheets carry."""
    beside = {block.mark for sheet in sheets for block in sheet.blocks if isinstance(block, Marked)}
    strips = [sheet.strip for sheet in sheets if sheet.strip is not None]
    waits = {"wait" for strip in strips if strip.begin or strip.then}
    return frozenset(beside | waits | {strip.by_mark for strip in strips})


__all__ = ["compose"]
