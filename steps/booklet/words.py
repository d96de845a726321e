"""All words of the booklet pass through here: message catalogues, plural forms, numbers.

The source strings are English. A language is a folder under ``catalogues`` with a ``booklet.po``;
adding one needs no change of code. If the catalogue's header has ``X-Font-Regular`` and
``X-Font-Bold``, those TrueType files (relative to the catalogue) replace the usual typeface.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property, lru_cache
from gettext import c2py
from numbers import Real
from pathlib import Path

from babel import Locale, UnknownLocaleError
from babel.messages.catalog import Catalog
from babel.messages.pofile import read_po
from babel.numbers import format_decimal

from steps.errors import WrongSettings
from steps.wording import Joined, Phrase, Sayable, Size, Term, Wording, decimals, filled

CATALOGUES = Path(__file__).resolve().parent / "catalogues"
SOURCE_LANGUAGE = "en"
MM_PER_INCH = 25.4  # by definition, international yard and pound agreement 1959
NBSP = "\u00a0"


def later(msgid: str) -> str:
    """Mark a string of a table for the catalogue; it is translated where it is used."""
    return msgid


def languages() -> tuple[str, ...]:
    """Codes of every language that has a catalogue, English among them."""
    found = {path.parent.name for path in CATALOGUES.glob("*/booklet.po")}
    return tuple(sorted(found | {SOURCE_LANGUAGE}))


@lru_cache(maxsize=8)
def read_catalogue(language: str) -> Catalog | None:
    """The catalogue of a language, None for the source language. Raises WrongSettings if there is none."""
    if language not in languages():
        raise WrongSettings(f"No booklet in language '{language}'. Known: {', '.join(languages())}.")
    path = CATALOGUES / language / "booklet.po"
    if not path.exists():
        return None
    with path.open("rb") as stream:
        return read_po(stream, locale=language)


@dataclass(frozen=True)
class Words:
    """The words of one language."""

    language: str
    catalogue: Catalog | None = None
    wrap: Callable[[str], str] | None = field(
        default=None, repr=False
    )  #: for tests: marks what was looked up

    @cached_property
    def locale(self) -> Locale:
        try:
            return Locale.parse(self.language, sep="-")
        except (ValueError, UnknownLocaleError):
            return Locale.parse(SOURCE_LANGUAGE)

    def _found(self, msgid: str, form: int | None = None, context: str | None = None) -> str | None:
        message = self.catalogue.get(msgid, context) if self.catalogue is not None else None
        string = message.string if message is not None else None
        if isinstance(string, (tuple, list)):
            string = string[form or 0] if string else None
        return string or None

    def say(self, msgid: str, **values: object) -> str:
        """The message in this language, ``{names}`` filled in."""
        text = self._found(msgid) or msgid
        return self._finish(text, values)

    def say_n(self, one: str, many: str, n: int, **values: object) -> str:
        """The message in the plural form for ``n``, which fills ``{n}``."""
        fallback = one if n == 1 else many
        form = c2py(self.catalogue.plural_expr)(n) if self.catalogue is not None else 0
        text = self._found(one, form) or fallback
        return self._finish(text, {"n": self.number(n), **values})

    def _finish(self, text: str, values: dict[str, object]) -> str:
        marked = self.wrap(text) if self.wrap else text
        told = {
            name: self.said(value) if isinstance(value, Wording) else str(value)
            for name, value in values.items()
        }
        return filled(marked, told)

    def term(self, text: str) -> str:
        """A word or short phrase from an earlier stage (context "term"), as it is where unknown."""
        found = self._found(text, context="term")
        if found is None and self.wrap is None:
            return text
        return self.wrap(found or text) if self.wrap else (found or text)

    def number(self, value: float, digits: int = 0) -> str:
        """A number with a fixed count of decimals, written as the language does."""
        pattern = "#,##0" + ("." + "0" * digits if digits else "")
        return format_decimal(round(float(value), digits) + 0.0, format=pattern, locale=self.locale)

    def figures(self, value: float) -> str:
        """A number to two significant figures, never as a power of ten."""
        if value <= 0:
            return self.number(0)
        rounded = float(f"{value:.1e}")
        decimals = 1 - math.floor(math.log10(rounded) + 1e-9)
        return self.number(rounded, max(0, decimals))

    def said(self, value: Sayable) -> str:
        """A value of words in this language; a plain string, a person's own words, as it is."""
        match value:
            case str():
                return value
            case Term():
                return self.term(value.text)
            case Size():
                return self._lengths(value)
            case Joined():
                return value.by.join(self.said(part) for part in value.parts)
            case Phrase(many=None):
                return self.say(value.message, **{name: self.said(each) for name, each in value.values})
            case Phrase():
                filling = {name: self.said(each) for name, each in value.values}
                return self.say_n(value.message, str(value.many), value.n, **filling)
            case Real():
                return self.number(float(value))
        raise TypeError(f"no words for {value!r}")

    def _lengths(self, size: Size) -> str:
        """ "2 × 4" or "120 × 9.5 mm", not to be torn apart but after a × of mm."""
        told = [self.number(each, decimals(each)) for each in size.lengths]
        if size.unit == "mm":
            return f" ×{NBSP}".join(told) + f"{NBSP}mm"
        return f"{NBSP}×{NBSP}".join(told)

    def minutes(self, value: float) -> str:
        """ "30 min", "2 h", "1 h 30 min"; from two hours on rounded up to whole half hours."""
        whole = int(-(-value // 1))
        if whole < 60:
            return self.say("{n} min", n=self.number(whole)).replace(" ", NBSP)
        if whole > 120:
            whole = -(-whole // 30) * 30
        hours, rest = divmod(whole, 60)
        text = self.say("{n} h", n=self.number(hours))
        if rest:
            text += " " + self.say("{n} min", n=self.number(rest))
        return text.replace(" ", NBSP)

    def within(self, minutes: float) -> str:
        """A time to act within, rounded down: "12 s", "1 min 30 s", from ten minutes on "12 min"."""
        seconds = math.floor(60.0 * minutes + 1e-9)
        whole, rest = divmod(seconds, 60)
        if whole >= 10:
            rest = 0
        text = [self.say("{n} min", n=self.number(whole))] if whole else []
        if rest or not whole:
            text.append(self.say("{n} s", n=self.number(rest)))
        return " ".join(text).replace(" ", NBSP)

    def grams(self, value: float) -> str:
        """A mass in grams, from one kilogram on in kilograms."""
        if value < 999.5:
            return f"{self.number(value)}{NBSP}g"
        return f"{self.number(value / 1000, 2)}{NBSP}kg"

    def size(self, size_mm: tuple[float, ...]) -> str:
        """ "320 × 160 × 240 mm"."""
        return " × ".join(self.number(each) for each in size_mm) + f"{NBSP}mm"

    def inches(self, size_mm: tuple[float, ...]) -> str:
        """ "12.6 × 6.3 × 9.4 in"."""
        unit = self.say("in")
        return " × ".join(self.number(each / MM_PER_INCH, 1) for each in size_mm) + NBSP + unit

    def scale(self, factor: float) -> str:
        """ "4 : 1" or "1 : 2.5"."""
        big, small = (factor, 1.0) if factor >= 1 else (1.0, 1 / factor)
        return NBSP.join((self._short(big), ":", self._short(small)))

    def _short(self, value: float) -> str:
        return self.number(value, 0 if abs(value - round(value)) < 0.05 or value >= 20 else 1)


def words_in(language: str) -> Words:
    """The words of a language. Raises WrongSettings for a language without a catalogue."""
    return Words(language, read_catalogue(language))
