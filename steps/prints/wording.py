"""Messages that are made where something is found out and said in the reader's language later."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Union

from steps.booklet.words import SOURCE_LANGUAGE, Words, words_in

Value = Union[str, int, float, "Phrase"]


@dataclass(frozen=True)
class Phrase:
    """A message of the catalogue and what fills it; :func:`phrase` and :func:`phrase_n` make one."""

    message: str
    values: Mapping[str, Value] = field(default_factory=dict)
    many: str | None = None  #: the message for any other number than one
    n: int = 1

    def said(self, words: Words) -> str:
        """In the language of ``words``; whole numbers are written as the language does."""
        filled = {name: _filled(value, words) for name, value in self.values.items()}
        if self.many is None:
            return words.say(self.message, **filled)
        return words.say_n(self.message, self.many, self.n, **filled)

    def __str__(self) -> str:
        return self.said(words_in(SOURCE_LANGUAGE))


def phrase(message: str, **values: Value) -> Phrase:
    """A message, ``{names}`` to be filled; a float is rounded to a whole number when it is said."""
    return Phrase(message, values)


def phrase_n(one: str, many: str, n: int, **values: Value) -> Phrase:
    """A message with a form for one and a form for many; ``{n}`` is filled with the number."""
    return Phrase(one, values, many, n)


def _filled(value: Value, words: Words) -> str:
    if isinstance(value, Phrase):
        return value.said(words)
    return value if isinstance(value, str) else words.number(value)
