"""Stickers: one for each print file, each inside its own sticker."""

from __future__ import annotations

import re

import pypdf
import pytest

from steps.booklet import write_labels
from steps.booklet.boxes import Rect, Text
from steps.booklet.compose.matter import Matter
from steps.booklet.edition import EDITIONS
from steps.booklet.fonts import typeface
from steps.booklet.labels import PAD_MM, STICKER_SHEETS, label_pages, sticker_sheet
from steps.booklet.typeset import Typesetter
from steps.booklet.words import words_in
from steps.errors import WrongSettings
from steps.settings import Settings
from tests.booklet_sample import PlainPictures, sample_plan


@pytest.mark.parametrize("name", sorted(STICKER_SHEETS))
def test_stickers_lie_on_the_paper_and_apart(name):
    sheet = STICKER_SHEETS[name]
    paper = Rect(0, 0, *sheet.paper)
    places = [sheet.place(index) for index in range(sheet.count)]
    assert all(paper.holds(place) for place in places)
    assert not any(a.meets(b) for i, a in enumerate(places) for b in places[:i])
    assert places[0].y > places[-1].y


@pytest.mark.parametrize("name", sorted(STICKER_SHEETS))
@pytest.mark.parametrize("language", ["en", "de"])
def test_every_word_stays_clear_of_its_stickers_edge(name, language):
    words = words_in(language)
    setter = Typesetter(EDITIONS["adult"], typeface(words))
    matter = Matter(sample_plan(), Settings(language=language), words)
    for page in label_pages(matter, setter, STICKER_SHEETS[name]):
        for cell in page.cells:
            inner = cell.rect.inset(PAD_MM)
            assert all(inner.holds(item.rect(), 0.1) for item in cell.items)
            texts = [item.rect() for item in cell.items if isinstance(item, Text)]
            assert not any(a.meets(b, 0.05) for i, a in enumerate(texts) for b in texts[:i])


def test_one_sticker_for_each_print_file_with_its_count(tmp_path):
    plan = sample_plan()
    write_labels(plan, tmp_path / "labels.pdf", Settings(), pictures=PlainPictures())
    text = " ".join(page.extract_text() for page in pypdf.PdfReader(tmp_path / "labels.pdf").pages)
    counts = [int(n) for n in re.findall(r"S\d\d\s+(\d+)\s×", text)]
    lots = {(part.shape, part.colour) for part in plan.model.parts}
    assert len(counts) == len(lots)
    assert sum(counts) == len(plan.model.parts)
    assert len(re.findall(r"S\d\d", text)) == len(lots)


def test_an_unknown_sheet_lists_the_known_ones():
    with pytest.raises(WrongSettings, match="a4-24"):
        sticker_sheet("b7", "a4")
