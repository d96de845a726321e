"""What a person wrote into a file's or part's name: how many, in which colour, and what it is called.

Only what is marked as a count is taken for one; a bare number may be a size or a name and becomes a question.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from steps.intake.colour_words import GERMAN, SHADES, WORDS
from steps.intake.colours import OWN_WORD_FAR, parse_colour, to_hex, to_lab
from steps.intake.scene import Colour
from steps.wording import Term

#: More copies of one print than this are no count of pieces but a year, an article number or a size.
MOST_COPIES = 999
#: Words of a colour's name: "medium spring green" has three.
LONGEST_COLOUR = 3

_APART = r"[\s_\-.,;+()\[\]]"
_BEFORE, _AFTER = rf"(?:(?<=^)|(?<={_APART}))", rf"(?=$|{_APART})"
_PIECES = r"(?:off|pcs?|pieces?|copies|copy|stück|stueck|stk|st|mal|x|×)"
#: Ways to mark a count, in English and German; each holds the number as its group.
_COUNTS = (
    rf"{_BEFORE}[x×](\d+){_AFTER}",
    rf"{_BEFORE}(\d+)[\s_\-]?{_PIECES}{_AFTER}(?![\s_\-]*\d)",  # "12 off", "12pcs", "12x", not "2 x 4"
    rf"{_BEFORE}(?:qty|quantity|count|anzahl|menge)[\s_\-.:=]*(\d+){_AFTER}",
)
#: A number that "x4" after it would make a size of.
_SIZE_BEGUN = re.compile(r"(?:^|(?<![x×])[\s_\-])\d+[\s_\-]$")
_BRACKET = r"[(\[](\d+)[)\]]"
_SIZE = re.compile(
    r"\d+(?:[.,]\d+)?(?:\s?[x×]\s?\d+(?:[.,]\d+)?)+|\d+(?:[.,]\d+)?\s?(?:mm|cm|m|in|°)\b", re.I
)


@dataclass(frozen=True)
class Said:
    """What one name says. ``name`` is what is left of it, never empty."""

    name: str
    count: int | None = None
    colour: Colour | None = None
    colour_word: str = ""  #: as written
    questions: tuple[str, ...] = ()


def said_by(written: str, beside: Sequence[str] = ()) -> Said:
    """Read a name. ``beside`` are the other names of its folder: "plate (2)" next to "plate" is a second
    file of that name, as file managers write it, and no count."""
    questions: list[str] = []
    count, spans = _count(written, beside, questions)
    rest = _without(written, spans)
    colour, word, span = _colour(rest, questions)
    name = _tidied(_without(rest, [span] if span else []))
    if count is None and not questions and not labelled(written):
        questions += _bare_numbers(name)
    return Said(name or _tidied(written) or written, count, colour, word, tuple(questions))


def labelled(name: str) -> bool:
    """Whether a name begins with a label that this program gives to prints: its numbers are ours."""
    return re.match(r"S\d\d+ ", name) is not None


def _count(written: str, beside: Sequence[str], questions: list[str]) -> tuple[int | None, list[slice]]:
    """The marked count, if there is one and only one, and where it stands."""
    found: list[tuple[int, slice]] = []
    for pattern in (*_COUNTS, _BRACKET):
        for match in re.finditer(pattern, written, re.IGNORECASE):
            if pattern is _BRACKET and _tidied(_without(written, [_span(match)])) in map(_tidied, beside):
                questions.append(f"'{match[0]}' may number files of one name: not taken as a count")
                continue
            if pattern is _COUNTS[0] and _SIZE_BEGUN.search(written[: match.start()]):
                continue
            found.append((int(match[1]), _span(match)))
    numbers = {number for number, _ in found}
    if len(numbers) > 1:
        told = " and ".join(str(number) for number in sorted(numbers))
        questions.append(f"{told} are both marked as counts: neither is taken")
    elif numbers and not 1 <= max(numbers) <= MOST_COPIES:
        questions.append(f"{max(numbers)} copies are not believed: 1 is taken")
    elif numbers:
        return max(numbers), [span for _, span in found]
    return None, []


def _colour(text: str, questions: list[str]) -> tuple[Colour | None, str, slice | None]:
    """The one colour that is named, the word for it, and where it stands."""
    found: list[tuple[Colour, str, slice]] = []
    end = 0
    for start, stop, colour in _colour_words(text):
        if start >= end:
            found.append((colour, text[start:stop], slice(start, stop)))
            end = stop
    if len({colour for colour, _, _ in found}) > 1:
        told = " and ".join(f"'{word}'" for _, word, _ in found)
        questions.append(f"{told} are both colours: neither is taken")
        return None, "", None
    return found[0] if found else (None, "", None)


def _colour_words(text: str) -> Iterator[tuple[int, int, Colour]]:
    """Where a colour is named, from the left, the longest name first."""
    words = list(re.finditer(r"#?[^\W_]+", text))
    for at, first in enumerate(words):
        for last in reversed(words[at : at + LONGEST_COLOUR]):
            colour = colour_said(text[first.start() : last.end()])
            if colour is not None:
                yield first.start(), last.end(), colour
                break


def colour_said(word: str) -> Colour | None:
    """The colour that everyday English or German words, a CSS name or a hex code name; None if none."""
    plain = re.sub(r"[\s_\-]+", " ", word.strip().lower())
    if re.fullmatch(r"[0-9a-f]{3}|[0-9a-f]{6}|[0-9a-f]{8}", plain) and not _is_hex_by_itself(plain):
        return None  # "facade" is a word, "100000" a number
    known = plain_word(plain)
    return parse_colour(WORDS[known]) if known else parse_colour(plain)


def colour_in_cell(cell: str) -> Colour | None:
    """The colour that a cell of a table or a value of a file names, which can hold nothing else: any hex
    digits too."""
    return colour_said(cell) or parse_colour(cell)


def _is_hex_by_itself(plain: str) -> bool:
    return len(plain) >= 6 and any(c.isdigit() for c in plain) and any(c.isalpha() for c in plain)


def plain_word(word: str) -> str | None:
    """Our own plain word for a colour that is written with it, run together or in German; None for others."""
    plain = re.sub(r"[\s_\-]+", "", word.strip().lower()).replace("gray", "grey")
    return _CLOSED.get(plain) or _GERMAN.get(_ENDING.sub(r"\1", plain))


def name_of(word: str, colour: Colour) -> Term | None:
    """What a colour is called that a file or person calls ``word``: our plain word for it, else the CSS name;
    None where the word names no colour, or quite another."""
    found = said_by(word)
    if found.colour is None or found.colour_word.startswith("#") or re.search(r"\d", found.colour_word):
        return None
    one, other = to_lab([to_hex(found.colour), to_hex(colour)])
    if np.linalg.norm(one - other) > OWN_WORD_FAR:
        return None
    return Term(plain_word(found.colour_word) or found.colour_word.lower())


_CLOSED = {re.sub(r"[\s\-]+", "", word): word for word in WORDS}
#: "rote Wand", "dunkelgrüner Stein".
_ENDING = re.compile(r"(rot|blau|gelb|grün|gruen|schwarz|weiß|weiss|grau|braun|violett)e[rsnm]?$")


def _every_german_word() -> dict[str, str]:
    """German words, with shades before them and umlauts written out, to our plain words."""
    shaded = {
        f"{german}{word}": f"{english} {plain}"
        for word, plain in GERMAN.items()
        for german, english in SHADES.items()
        if f"{english} {plain}" in WORDS
    }
    known = shaded | {word: plain for word, plain in GERMAN.items() if plain in WORDS}
    plain_letters = str.maketrans({"ä": "ae", "ö": "oe", "ü": "ue", "ß": "ss"})
    return {word.translate(plain_letters): plain for word, plain in known.items()} | known


_GERMAN = _every_german_word()


def _bare_numbers(name: str) -> Iterator[str]:
    for match in re.finditer(rf"{_BEFORE}(\d+){_AFTER}", _SIZE.sub(lambda size: "#" * len(size[0]), name)):
        if 2 <= int(match[1]) <= MOST_COPIES:
            yield f"is {match[1]} a count? Taken as part of the name; write x{match[1]} for a count"


def _span(match: re.Match[str]) -> slice:
    return slice(match.start(), match.end())


def _without(text: str, spans: Sequence[slice]) -> str:
    for span in sorted(spans, key=lambda each: -each.start):
        text = f"{text[: span.start]} {text[span.stop :]}"
    return text


def _tidied(text: str) -> str:
    """Words apart by single spaces; brackets that hold nothing and separators at the ends are gone."""
    text = re.sub(r"[(\[]\s*[)\]]", " ", text.replace("_", " "))
    text = re.sub(r"\s*([-+,;.])(?:\s*[-+,;])*\s*(?=[-+,;]|$)", " ", text)
    text = re.sub(r"\s+-+(?=\s|$)|(?:^|(?<=\s))-+\s+", " ", text)
    return re.sub(r"\s+", " ", text).strip(" -+,;._")
