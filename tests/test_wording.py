"""Words that are values: plain English as ``str``, and the same said in any language by one renderer."""

from __future__ import annotations

import re
from collections.abc import Iterator

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from demo_model.beacon import beacon
from demo_model.solids import Module
from demo_model.tug import tug
from steps.booklet.terms import TERMS
from steps.booklet.words import NBSP, words_in
from steps.features import measure
from steps.intake.colour_words import WORDS as COLOURS
from steps.intake.colours import name_colours
from steps.model import Model
from steps.order.names import group_name
from steps.order.site import Group
from steps.settings import Settings
from steps.wording import Joined, Phrase, Sayable, Size, Term, Wording, joined, phrase, phrase_n, size_mm
from tests.models import FAMILIES, family, model_of

ENGLISH, GERMAN = words_in("en"), words_in("de")
UP = np.array([0.0, 0.0, 1.0])

terms = st.sampled_from([*TERMS, *COLOURS]).map(Term)
numbers = st.integers(0, 10**6)
lengths = st.floats(0.01, 1e5, allow_nan=False)
leaves = st.one_of(
    terms,
    st.lists(st.integers(1, 99), min_size=2, max_size=2).map(lambda cells: Size(tuple(cells))),
    st.lists(lengths, min_size=2, max_size=3).map(lambda sides: size_mm(*sides)),
    numbers.map(lambda n: phrase_n("{n} part", "{n} parts", n)),
    numbers.map(lambda n: phrase("{n} mm high", n=n)),
    st.floats(-1e6, 1e6).map(lambda x: phrase("{n} mm high", n=x)),
    terms.map(lambda word: phrase("darker {colour}", colour=word)),
)
wordings = st.recursive(
    leaves,
    lambda inner: st.one_of(
        st.tuples(inner, inner).map(lambda two: phrase("{a} and {b}", a=two[0], b=two[1])),
        st.tuples(inner, inner, st.sampled_from([", ", " ", "; "])).map(lambda x: joined(*x[:2], by=x[2])),
    ),
    max_leaves=6,
)


def shown(text: str) -> str:
    """What is printed, without what only print has: signs for x, spaces that hold, marks of thousands."""
    return re.sub(r"(?<=\d),(?=\d{3})", "", text.replace(NBSP, " ").replace("×", "x"))


@given(wordings)
def test_english_is_the_same_in_the_plan_and_in_print(value: Wording) -> None:
    assert shown(ENGLISH.said(value)) == str(value)
    assert "{" not in str(value)


@pytest.mark.parametrize(
    ("value", "english", "german"),
    [
        (joined(Term("block"), Size((2, 4)), by=" "), "block 2 x 4", "Block 2_×_4"),
        (joined(Term("slab"), phrase("{n}nd kind", n=2)), "slab, 2nd kind", "Platte, Art 2"),
        (joined(Term("part"), size_mm(1203.4, 9.94), by=" "), "part 1203 x 9.9 mm", "Teil 1.203 ×_9,9_mm"),
        (size_mm(9.96, 9.0, 0.04), "10 x 9.0 x 0.0 mm", "10 ×_9,0 ×_0,0_mm"),
        (phrase_n("{n} side stud", "{n} side studs", 1), "1 side stud", "1 Noppe seitlich"),
        (phrase_n("{n} side stud", "{n} side studs", 4), "4 side studs", "4 Noppen seitlich"),
        (
            joined(Term("tower"), Term("front left"), phrase_n("{n} part", "{n} parts", 1200)),
            "tower, front left, 1200 parts",
            "Turm, vorn links, 1.200 Teile",
        ),
        (phrase("{a} and {b}", a=Term("left"), b=Term("right")), "left and right", "links und rechts"),
        (
            joined(phrase("darker {colour}", colour=Term("red")), 2, by=" "),
            "darker red 2",
            "dunkleres Rot 2",
        ),
        (phrase("{a} and {b}", a="{b}", b="{a}"), "{b} and {a}", "{b} und {a}"),
        (
            Term("a word that no catalogue has"),
            "a word that no catalogue has",
            "a word that no catalogue has",
        ),
        ("tower, 12 parts", "tower, 12 parts", "tower, 12 parts"),  # a person's own words are not translated
    ],
)
def test_said_in_english_and_german(value: Sayable, english: str, german: str) -> None:
    assert str(value) == english
    assert GERMAN.said(value) == german.replace("_", NBSP)


def test_a_message_takes_values_as_they_are() -> None:
    name = joined(Term("tower"), Term("front left"))
    assert GERMAN.say("Turn over first: {name}", name=name) == "Zuerst umdrehen: Turm, vorn links"


def test_values_that_read_alike_are_equal() -> None:
    assert size_mm(40.04, 9.51) == size_mm(39.96, 9.49) != size_mm(40.0, 9.6)
    assert len({phrase("{n} mm high", n=12), phrase("{n} mm high", n=12), phrase("{n} mm high", n=13)}) == 2


def pieces_of(value: Sayable) -> Iterator[Sayable]:
    yield value
    if isinstance(value, Joined):
        for part in value.parts:
            yield from pieces_of(part)
    if isinstance(value, Phrase):
        for _, each in value.values:
            yield from pieces_of(each)


def untold(value: Sayable) -> list[Sayable]:
    """Pieces of a value that the German catalogue has no words for; numbers need none."""
    assert GERMAN.catalogue is not None
    missing: list[Sayable] = []
    for piece in pieces_of(value):
        if isinstance(piece, Term) and GERMAN.catalogue.get(piece.text, "term") is None:
            missing.append(piece)
        if isinstance(piece, Phrase) and GERMAN.catalogue.get(piece.message) is None:
            missing.append(piece)
        if isinstance(piece, str):
            missing.append(piece)
    return missing


MODELS = ["tug", "beacon", *FAMILIES]


def made_model(name: str) -> Model:
    if name in ("tug", "beacon"):
        return model_of({"tug": tug, "beacon": beacon}[name](Module()))
    return model_of(family(name, 7, most=30))


#: English names as they have always stood in plan files; other programs read them.
SHAPE_NAME = re.compile(
    r"((smooth )?((round|tapered) )?(block|slab)|wedge) \d+ x \d+"
    r"(, (with (ball|cup)|\d+ (side )?studs|1 (side )?stud|\d+ pegs|1 peg|arched))?"
    r"(, (\d+ mm high|(\d*1st|\d*2nd|\d*3rd|\d*(0|1|[4-9])th) kind))?"
    r"|((round|tapered) )?(part|wedge) [\d.]+ x [\d.]+( x [\d.]+)? mm(, \d+(nd|rd|th|st) kind)?"
)
COLOUR = f"((darker|lighter|\\d+\\w\\w) )?({'|'.join(map(re.escape, COLOURS))})"
PLACE = r"((front|back)( (left|right))?|left|right|middle)"
GROUP_NAME = re.compile(
    rf"whole model, \d+ parts?|body, \d+ parts?"
    rf"|(tower|deck|arm|section)(, {COLOUR})?"
    rf"(, {PLACE}( and {PLACE})?)?(, built \d+ times)?, \d+ parts?"
)


@pytest.mark.parametrize("name", MODELS)
def test_every_name_reads_as_ever_in_english_and_wholly_in_german(name: str) -> None:
    """Names of shapes, colours and sub-assemblies of a made model."""
    model = made_model(name)
    names = [each.name for each in measure(model, Settings()).by_shape.values()]
    assert [str(each) for each in names if not SHAPE_NAME.fullmatch(str(each))] == []
    assert len(set(map(str, names))) == len(names)
    names += name_colours(part.colour for part in model.parts).values()
    for short, whole in group_names(model):
        assert GROUP_NAME.fullmatch(str(whole))
        assert str(whole) == f"{short}, {whole.parts[-1]}"  # type: ignore[attr-defined]
        names += [short, whole]
    assert [(str(each), missing) for each in names if (missing := untold(each))] == []


def group_names(model: Model) -> Iterator[tuple[Wording, Wording]]:
    """Names of the whole, of single parts, and of pairs and triples built as copies of one another."""
    rows = tuple(range(len(model.parts)))
    root = Group((rows,), UP)
    yield group_name(model, root, root)
    for copies in range(1, 4):
        for first in range(0, len(rows) - copies + 1, copies):
            yield group_name(model, Group(tuple((row,) for row in rows[first : first + copies]), UP), root)
