"""Message catalogues: complete, consistent, and no word of the booklet goes round them."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from dataclasses import fields, is_dataclass, replace
from pathlib import Path

import pytest
from babel.messages.catalog import Catalog
from babel.messages.extract import extract_from_dir
from babel.messages.pofile import read_po, write_po

import steps
import steps.booklet
from steps.booklet import words as words_module
from steps.booklet.compose import compose
from steps.booklet.compose.adult import hazard_terms
from steps.booklet.compose.matter import Matter
from steps.booklet.compose.sources import data_rows, source_terms
from steps.booklet.content import Wish
from steps.booklet.fonts import SUBSTITUTE, typeface
from steps.booklet.terms import TERMS
from steps.booklet.words import Words, languages, words_in
from steps.cites import sources
from steps.errors import WrongSettings
from steps.glue.families import glue_book
from steps.glue.hazards import hazard_book
from steps.intake.colour_words import WORDS as COLOUR_WORDS
from steps.settings import Settings
from tests.booklet_sample import sample_plan

SOURCES = Path(steps.booklet.__file__).resolve().parent
HOUSE = Path(steps.__file__).resolve().parent
KEYWORDS = {"say": None, "say_n": (1, 2), "later": None, "phrase": None, "phrase_n": (1, 2)}
OPEN, CLOSE = "⟦", "⟧"


def messages() -> set[tuple[str | None, str]]:
    """(context, message) of every string that the code looks up; of plurals the singular."""
    found = extract_from_dir(str(HOUSE), method_map=[("**.py", "python")], keywords=KEYWORDS)
    texts = [text if isinstance(text, str) else text[0] for _, _, text, _, _ in found]
    terms = [*TERMS, *COLOUR_WORDS, *hazard_terms(), *source_terms()]
    return {(None, text) for text in texts} | {("term", text) for text in terms}


def catalogue_of(path: Path) -> Catalog:
    with path.open("rb") as stream:
        return read_po(stream)


@pytest.mark.parametrize("language", [each for each in languages() if each != "en"])
def test_catalogues_hold_every_message_and_keep_its_places(language):
    catalogue = words_in(language).catalogue
    for context, text in sorted(messages(), key=str):
        message = catalogue.get(text, context)
        assert message is not None and message.string, f"{language}: {text!r} is not translated"
        assert not message.fuzzy
        strings = message.string if isinstance(message.string, (tuple, list)) else [message.string]
        for string in strings:
            assert string
            assert set(re.findall(r"\{\w+\}", string)) == set(re.findall(r"\{\w+\}", text)), text


def test_no_message_hides_inside_a_formatted_string():
    """What stands in an f-string is not extracted, so would be missing from every template."""
    for path in sorted(HOUSE.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.JoinedStr):
                calls = [each for each in ast.walk(node) if isinstance(each, ast.Call)]
                names = {getattr(call.func, "attr", getattr(call.func, "id", "")) for call in calls}
                assert not names & set(KEYWORDS), f"{path.name}:{node.lineno}"


def test_the_template_lists_exactly_the_messages_of_the_code():
    template = catalogue_of(SOURCES / "catalogues" / "booklet.pot")
    listed = {(m.context, m.id if isinstance(m.id, str) else m.id[0]) for m in template if m.id}
    assert listed == messages()


@pytest.mark.parametrize("language", languages())
def test_the_typeface_has_every_character_of_the_catalogue(language):
    words = words_in(language)
    face = typeface(words)
    strings = [text for _, text in messages()]
    if words.catalogue is not None:
        strings += [
            s
            for m in words.catalogue
            if m.id
            for s in ([m.string] if isinstance(m.string, str) else m.string)
        ]
    for string in strings:
        assert SUBSTITUTE not in face.printable(string.replace(SUBSTITUTE, "")), string


def strings_of(value: object) -> Iterator[str]:
    """Every string that is printed from a content value: not marks, signs, kinds or wishes."""
    if isinstance(value, str):
        yield value
    elif isinstance(value, tuple):
        for each in value:
            yield from strings_of(each)
    elif is_dataclass(value) and not isinstance(value, Wish):
        for field in fields(value):
            if field.name not in (
                "kind",
                "mark",
                "sign",
                "signs",
                "signal",
                "by_mark",
                "language",
                "view",
                "run",
            ):
                yield from strings_of(getattr(value, field.name))


def outside(text: str) -> str:
    """What of ``text`` did not come from a catalogue."""
    kept, depth = [], 0
    for character in text:
        depth += {OPEN: 1, CLOSE: -1}.get(character, 0)
        kept.append(character if depth == 0 and character not in (OPEN, CLOSE) else " ")
    return "".join(kept)


def publications() -> set[str]:
    """Names of publications and of bodies that set limits: they are the same in every language."""
    named = {source.name for source in sources().values() if not source.said}
    return named | {limit.body for one in hazard_book().components.values() for limit in one.limits}


@pytest.mark.parametrize("family", sorted(glue_book().families))
def test_every_value_of_the_adhesive_has_a_source_in_the_booklets_language(family):
    """No "from memory" stays English, and no value stands without a source."""
    plan = sample_plan()
    glue = replace(plan.gluing.adhesive, family=family)
    plan = replace(plan, gluing=replace(plan.gluing, adhesive=glue))
    rows = list(data_rows(Matter(plan, Settings(language="de"), words_in("de"))))
    assert len(rows) >= 3
    for value, what, source in rows:
        assert value and what and source
        assert not re.search(r"memory|proposal|practice|unchecked|abstract|data sheets", source), source


@pytest.mark.parametrize("reader", ["child", "helper", "adult"])
def test_no_word_goes_round_the_catalogue(reader):
    """Everything looked up is bracketed, values left out; only data may stand outside the brackets."""

    def bracketed(text: str) -> str:
        return OPEN + re.sub(r"(\{\w+\})", rf"{CLOSE}\1{OPEN}", text) + CLOSE

    plan = sample_plan()
    booklet = compose(plan, Settings(reader=reader), Words("en", wrap=bracketed))
    matter = Matter(plan, Settings(), words_in("en"))
    data = {plan.model.name, *(step.note for step in plan.order.steps)}
    data |= {matter.file_stem(lot) for lot in matter.lots} | publications()
    allowed = re.compile(r"mm|g|kg|N|S\d+|J\d+|(EU)?H\d+|[a-z]\d?|PLA|A4|°|C")
    for text in strings_of(booklet):
        rest = outside(text)
        for known in sorted(filter(None, data), key=len, reverse=True):
            rest = rest.replace(known, " ")
        for word in re.findall(r"[^\W\d_][\w]*", rest):
            assert allowed.fullmatch(word), f"{word!r} in {text!r} is in no catalogue"


def test_placeholders_are_all_filled():
    for reader in ("child", "helper", "adult"):
        for language in languages():
            booklet = compose(sample_plan(), Settings(reader=reader, language=language), words_in(language))
            for text in strings_of(booklet):
                assert not re.search(r"\{\w+\}", text), text


def test_numbers_in_german():
    german = words_in("de")
    assert german.number(1234.5, 1) == "1.234,5"


@pytest.mark.parametrize(
    ("minutes", "text"),
    [(0.2, "1 min"), (30, "30 min"), (59.5, "1 h"), (90, "1 h 30 min"), (121, "2 h 30 min"), (1440, "24 h")],
)
def test_times_are_rounded_up(minutes, text):
    assert words_in("en").minutes(minutes).replace("\u00a0", " ") == text


@pytest.mark.parametrize(
    ("value", "text"), [(0.0, "0"), (0.0123, "0.012"), (0.5, "0.50"), (9.96, "10"), (1234.0, "1,200")]
)
def test_two_significant_figures(value, text):
    assert words_in("en").figures(value) == text


def test_a_further_language_needs_only_a_folder(tmp_path, monkeypatch):
    catalogue = Catalog(locale="pl")
    catalogue.add("Take", "Weź")
    catalogue.add(("{n} part", "{n} parts"), ("{n} część", "{n} części", "{n} części"))
    (tmp_path / "pl").mkdir()
    with (tmp_path / "pl" / "booklet.po").open("wb") as stream:
        write_po(stream, catalogue)
    monkeypatch.setattr(words_module, "CATALOGUES", tmp_path)
    words_module.read_catalogue.cache_clear()
    polish = words_in("pl")
    assert "pl" in languages()
    assert polish.say("Take") == "Weź"
    assert [polish.say_n("{n} part", "{n} parts", n) for n in (1, 2, 5)] == [
        "1 część",
        "2 części",
        "5 części",
    ]
    assert polish.say("Joints") == "Joints"
    words_module.read_catalogue.cache_clear()


def test_an_unknown_language_lists_the_known_ones():
    with pytest.raises(WrongSettings, match="de, en"):
        words_in("tlh")


def test_words_of_a_user_are_left_alone():
    plan = sample_plan()
    order = replace(
        plan.order, steps=(replace(plan.order.steps[0], note="Mind {n} the cable"), *plan.order.steps[1:])
    )
    booklet = compose(replace(plan, order=order), Settings(), words_in("en"))
    assert any("Mind {n} the cable" in text for text in strings_of(booklet))
