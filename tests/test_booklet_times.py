"""The timeline: one pair of hands, waits where glue must be hard."""

from __future__ import annotations

import re
from dataclasses import replace
from itertools import pairwise

import pypdf
import pytest

from steps.booklet import write_booklet
from steps.booklet.compose.matter import Matter
from steps.booklet.compose.times import MOST_TICKS, stretches, timeline
from steps.booklet.words import words_in
from steps.model import Work
from steps.settings import Settings
from tests.booklet_sample import PlainPictures, sample_plan


def matter_of(plan=None) -> Matter:
    return Matter(plan or sample_plan(), Settings(), words_in("en"))


def test_step_5_waits_until_the_glue_of_step_2_is_hard() -> None:
    """Fixture 30 min after the end of step 2; steps 3 and 4 fill part of it."""
    by = {each.step.number: each for each in stretches(matter_of())}
    assert by[5].begin == pytest.approx(max(by[4].end, by[2].end + 30.0))
    assert by[5].begin > by[5].since
    assert all(later.since == sooner.end for sooner, later in pairwise(by.values()))
    assert all(each.begin == each.since for number, each in by.items() if number != 5)


def test_every_minute_is_somebodys_or_waiting() -> None:
    found = timeline(matter_of())
    assert found is not None
    bars = sorted(found.bars, key=lambda bar: bar.start_min)
    assert bars[0].start_min == 0
    assert all(a.start_min + a.length_min == pytest.approx(b.start_min) for a, b in pairwise(bars))
    assert bars[-1].start_min + bars[-1].length_min == pytest.approx(found.total_min)
    assert found.lanes == ("Child", "Helper", "Adult", "Waiting")
    assert {bar.lane for bar in bars} == {0, 1, 2, 3}


def test_a_plan_without_waits_has_no_timeline() -> None:
    plan = sample_plan()
    steps = tuple(replace(step, wait_min=0.0, needs_cured=(), lags_min=()) for step in plan.work.steps)
    work = Work(steps, facts={"waiting_min": 0.0})
    assert timeline(matter_of(replace(plan, work=work))) is None


def test_ticks_are_few_and_in_order() -> None:
    found = timeline(matter_of())
    assert found is not None
    for ticks in (found.steps, found.hours):
        assert 1 < len(ticks) <= MOST_TICKS + 1
        assert [tick.at_min for tick in ticks] == sorted(tick.at_min for tick in ticks)
        assert ticks[-1].at_min <= found.total_min


@pytest.mark.parametrize(
    ("language", "said"),
    [
        ("en", "about 20 min; 55 min if nothing were built meanwhile"),
        ("de", "etwa 20 min; 55 min, würde inzwischen nichts gebaut"),
    ],
)
@pytest.mark.parametrize("reader", ["child", "helper", "adult"])
def test_the_cover_says_how_much_waiting_is_saved_by_building_meanwhile(tmp_path, reader, language, said):
    """Read back from the page; where nothing is saved the wait stands alone."""
    plan = sample_plan()
    for waits, wanted in (((20.0, 55.0), said), ((20.0, 20.0), said.partition(";")[0])):
        facts = {"waiting_min": waits[0], "waiting_each_min": waits[1]}
        told = replace(plan, work=replace(plan.work, facts=facts))
        path = tmp_path / "a.pdf"
        write_booklet(told, path, Settings(reader=reader, language=language), pictures=PlainPictures())
        text = " ".join(pypdf.PdfReader(path).pages[0].extract_text().replace("\u00a0", " ").split())
        assert wanted in text and ("; 55 min" in text) == (waits[1] > waits[0])


@pytest.mark.parametrize(("language", "said"), [("en", "24 h after step 2"), ("de", "24 h nach Schritt 2")])
@pytest.mark.parametrize("reader", ["child", "helper", "adult"])
def test_a_step_that_waits_for_full_strength_says_how_long(tmp_path, reader, language, said):
    """It is not enough there that the glue holds by itself."""
    plan = sample_plan()
    for lag in (30.0, 1440.0):
        steps = [replace(one, lags_min=(lag,) * len(one.needs_cured)) for one in plan.work.steps]
        path = tmp_path / "a.pdf"
        told = replace(plan, work=replace(plan.work, steps=tuple(steps)))
        write_booklet(told, path, Settings(reader=reader, language=language), pictures=PlainPictures())
        pages = [page.extract_text().replace("\u00a0", " ") for page in pypdf.PdfReader(path).pages]
        told_on = [text for text in pages if said in " ".join(text.split())]
        assert len(told_on) == (lag == 1440.0)
        assert all(re.search(r"^5\b", text, re.M) for text in told_on)


@pytest.mark.parametrize(
    ("reader", "language", "said"),
    [
        ("helper", "en", "When step 2 holds"),
        ("adult", "de", "Wenn Schritt 2 hält"),
        ("child", "en", "When step 2 is hard"),
    ],
)
def test_a_step_that_needs_glue_to_hold_does_not_wait_until_it_is_hard(tmp_path, reader, language, said):
    """Nothing that the clock counts as ready is told to be waited for longer; a child waits for all of it."""
    path = tmp_path / "a.pdf"
    write_booklet(sample_plan(), path, Settings(reader=reader, language=language), pictures=PlainPictures())
    pages = [page.extract_text().replace("\u00a0", " ") for page in pypdf.PdfReader(path).pages]
    (told_on,) = (text for text in pages if said in " ".join(text.split()))
    assert re.search(r"^5\b", told_on, re.M)
