"""Words as values: made where something is found out or named, said in the reader's language later.

``str`` of each is plain English, as plan.json, file names and the terminal have it; in any language it is
said by :meth:`steps.booklet.words.Words.said`. A plain ``str`` beside them is a person's own words, which
no language changes. All are frozen and compare and hash by what they say.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from numbers import Real
from typing import Literal, TypeAlias

#: Lengths from here on are told in whole mm, lesser ones to a tenth: three figures at most below a metre.
WHOLE_FROM_MM = 9.95


class Wording:
    """What all words that are values have in common: ``str`` is their English."""


Sayable: TypeAlias = str | int | float | Wording  #: a float is rounded to a whole number when said


@dataclass(frozen=True)
class Term(Wording):
    """A word or short phrase of the catalogue's context "term"; said as it is where that has none."""

    text: str

    def __str__(self) -> str:
        return self.text


@dataclass(frozen=True)
class Size(Wording):
    """Lengths by one another, "2 x 4" pitches or "120 x 9.5 mm"; :func:`size_mm` rounds them."""

    lengths: tuple[int | float, ...]  #: ints are said whole, floats to one decimal
    unit: Literal["pitch", "mm"] = "pitch"

    def __str__(self) -> str:
        told = " x ".join(f"{each:.{decimals(each)}f}" for each in self.lengths)
        return f"{told} mm" if self.unit == "mm" else told


@dataclass(frozen=True)
class Phrase(Wording):
    """A message of the catalogue and what fills it; :func:`phrase` and :func:`phrase_n` make one."""

    message: str
    values: tuple[tuple[str, Sayable], ...] = ()
    many: str | None = None  #: the message for any other number than one
    n: int = 1

    def __str__(self) -> str:
        text = self.message if self.many is None or self.n == 1 else self.many
        return filled(text, {"n": str(self.n), **{name: _plain(value) for name, value in self.values}})


@dataclass(frozen=True)
class Joined(Wording):
    """Several in a row, with the same between them in every language; :func:`joined` makes one."""

    parts: tuple[Sayable, ...]
    by: str

    def __str__(self) -> str:
        return self.by.join(_plain(part) for part in self.parts)


def size_mm(*lengths: float) -> Size:
    """Lengths in mm, rounded as they are told: two that read alike are equal."""
    told = (round(float(each)) if each >= WHOLE_FROM_MM else round(float(each), 1) for each in lengths)
    return Size(tuple(told), "mm")


def phrase(message: str, **values: Sayable) -> Phrase:
    """A message, ``{names}`` to be filled."""
    return Phrase(message, tuple(values.items()))


def phrase_n(one: str, many: str, n: int, **values: Sayable) -> Phrase:
    """A message with a form for one and a form for many; ``{n}`` is filled with the number."""
    return Phrase(one, tuple(values.items()), many, int(n))


def joined(*parts: Sayable, by: str = ", ") -> Joined:
    """The parts one after the other."""
    return Joined(parts, by)


def filled(text: str, values: Mapping[str, str]) -> str:
    """The text with each ``{name}`` of the values put in its place; what is put in is not read again."""
    return re.sub(r"\{(\w+)\}", lambda found: values.get(found[1], found[0]), text)


def decimals(length: int | float) -> int:
    """How many a length of a :class:`Size` is said with."""
    return 0 if isinstance(length, int) else 1


def _plain(value: Sayable) -> str:
    return str(round(value)) if isinstance(value, Real) else str(value)
