"""Messages that are said later: filled, in the form for their number, in the reader's language."""

from __future__ import annotations

from steps.booklet.words import words_in
from steps.prints.wording import phrase, phrase_n

GERMAN = words_in("de")


def test_a_phrase_is_said_in_each_language_with_its_numbers_written_so() -> None:
    told = phrase("{area} mm² to support, bridges up to {span} mm", area=12345, span=30.4)
    assert str(told) == "12,345 mm² to support, bridges up to 30 mm"
    assert told.said(GERMAN) == "12.345 mm² zu stützen, Brücken bis 30 mm"


def test_a_phrase_within_a_phrase_is_said_in_the_same_language() -> None:
    told = phrase("{face}: {cost}", face=phrase("studs up"), cost=phrase("no support, no bridge"))
    assert str(told) == "studs up: no support, no bridge"
    assert told.said(GERMAN) == "Noppen oben: keine Stütze, keine Brücke"


def test_one_and_many_have_forms_of_their_own() -> None:
    one, many = (phrase_n("{n} face turned outwards", "{n} faces turned outwards", n) for n in (1, 2000))
    assert [str(one), str(many)] == ["1 face turned outwards", "2,000 faces turned outwards"]
    assert [one.said(GERMAN), many.said(GERMAN)] == [
        "1 Fläche nach außen gedreht",
        "2.000 Flächen nach außen gedreht",
    ]


def test_what_fills_a_phrase_is_not_read_as_one() -> None:
    assert str(phrase("{face}: {cost}", face="{cost}", cost="{face}")) == "{cost}: {face}"
