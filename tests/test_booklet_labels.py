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
from steps.booklet.labels import LEAST_STICKER_MM, PAD_MM, STICKER_SHEETS, label_pages, sticker_sheet
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


def test_an_unknown_sheet_lists_the_known_ones_by_their_measures():
    with pytest.raises(WrongSettings) as caught:
        sticker_sheet(Settings(stickers="b7"))
    for name, sheet in STICKER_SHEETS.items():
        assert f"{name} ({sheet.words})" in str(caught.value)
    assert STICKER_SHEETS["70x37"].words == "70 x 37 mm, 24 on A4"


@pytest.mark.parametrize("name", sorted(STICKER_SHEETS))
def test_a_sheets_name_is_what_its_sticker_measures(name):
    wide, high = STICKER_SHEETS[name].sticker
    assert name == f"{wide:.0f}x{high:.0f}"
    assert sticker_sheet(Settings(stickers=f"{wide:.0f} × {high:.0f} mm")) is STICKER_SHEETS[name]


@pytest.mark.parametrize(("paper", "name"), [("a4", "70x37"), ("a5", "70x37"), ("letter", "67x25")])
def test_the_usual_sheet_follows_the_paper(paper, name):
    assert sticker_sheet(Settings(paper=paper, stickers="usual")) is STICKER_SHEETS[name]


def own(**measures: object) -> Settings:
    return Settings(sticker_sheet={"sticker_mm": (60, 40), "columns": 3, "rows": 6, **measures})


def test_a_sheet_of_ones_own_is_spread_evenly_unless_it_says_where():
    sheet = sticker_sheet(own())
    assert (sheet.left, sheet.top, sheet.pitch) == (15.0, 28.5, (60.0, 40.0))  # (210 - 180)/2, (297 - 240)/2
    placed = sticker_sheet(own(left_mm=5, top_mm=12, pitch_mm=(65, 44)))
    assert placed.place(4) == Rect(5 + 65, 297 - 12 - 44 - 40, 60, 40)


@pytest.mark.parametrize(
    ("measures", "said"),
    [
        ({"columns": 4}, "more than the paper's 210 x 297 mm"),
        ({"rows": 8}, "more than the paper's"),
        ({"left_mm": 40}, "more than the paper's"),
        ({"pitch_mm": (59, 44)}, "they overlap"),
        ({"sticker_mm": (30, 12)}, "too small"),
    ],
)
def test_a_sheet_of_ones_own_that_cannot_be_is_refused(measures, said):
    with pytest.raises(WrongSettings, match=said):
        sticker_sheet(own(**measures))


def test_words_stay_inside_the_least_sticker_of_ones_own():
    words = words_in("de")
    setter = Typesetter(EDITIONS["adult"], typeface(words))
    matter = Matter(sample_plan(), Settings(language="de"), words)
    for page in label_pages(matter, setter, sticker_sheet(own(sticker_mm=LEAST_STICKER_MM))):
        for cell in page.cells:
            assert all(cell.rect.inset(PAD_MM).holds(item.rect(), 0.1) for item in cell.items)
