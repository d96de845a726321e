"""How wide a table's columns are: so that the table is as low as its width allows."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING

from steps.booklet.breaking import lines_of
from steps.booklet.content import Table
from steps.booklet.fonts import SOFT_HYPHEN, Typeface
from steps.progress import ticking

if TYPE_CHECKING:
    from steps.booklet.typeset import Typesetter

CELL_MM = 2.5  # between columns
ROUNDING_MM = 0.01  # more than a sum of widths is rounded by
FINE_MM = 0.25  # a column is found no finer: less is not seen


@dataclass(frozen=True)
class _Choice:
    """One width of a column, and the lines that each row then has there, the header first."""

    wide: float
    lines: tuple[int, ...]


def table_needs(setter: Typesetter, table: Table) -> float:
    """mm without which words of a table are broken inside."""
    return sum(_least(_type_of(setter), column) for column in _columns(table))


@lru_cache(maxsize=4096)
def set_out(setter: Typesetter, table: Table, width: float) -> Table:
    """The table with its columns' widths found for so many mm, to be kept where it is divided."""
    shares = tuple(wide / width for wide in column_widths(setter, table, width))
    return replace(table, widths=shares, found=True)


def column_widths(setter: Typesetter, table: Table, width: float) -> list[float]:
    """mm for each column. At first every cell has one line; while that is too wide, the column is made
    narrower, and by so much, that adds the fewest lines to the table for the room won: as low a table as
    there is, or a line or two higher. What is left goes by the table's shares; all of it, where there is not
    room for the words."""
    ways = [] if table.found else [_ways(_type_of(setter), column) for column in _columns(table)]
    if not ways or sum(column[-1].wide for column in ways) > width:
        return [share * width for share in table.widths]
    chosen = [column[0] for column in ways]
    while (over := sum(way.wide for way in chosen) - width) > 0:
        chosen = min(ticking(_narrower(ways, chosen)), key=_price(chosen, over))
    left = width - sum(way.wide for way in chosen)
    return [way.wide + left * share for way, share in zip(chosen, table.widths, strict=True)]


def told_once(table: Table) -> Iterator[tuple[str, ...]]:
    """The rows of a table, without the words that stand above already."""
    above = ""
    for row in table.rows:
        if table.once is None:
            yield row
            continue
        said, above = above, row[table.once]
        yield (*row[: table.once], "" if said == above else above, *row[table.once + 1 :])


def _columns(table: Table) -> list[tuple[str, ...]]:
    """The words of each column, its header first."""
    return list(zip(table.header, *told_once(table), strict=True))


def _narrower(ways: Sequence[Sequence[_Choice]], chosen: Sequence[_Choice]) -> Iterator[list[_Choice]]:
    """The table with one column at each width below the chosen one."""
    for column, (each, now) in enumerate(zip(ways, chosen, strict=True)):
        for way in each:
            if way.wide < now.wide:
                yield [*chosen[:column], way, *chosen[column + 1 :]]


def _price(chosen: Sequence[_Choice], over: float) -> Callable[[Sequence[_Choice]], float]:
    """Lines that the table gains for each mm that it loses, of those that it must."""
    high, wide = _height(chosen), sum(way.wide for way in chosen)

    def price(tried: Sequence[_Choice]) -> float:
        return (_height(tried) - high) / min(wide - sum(way.wide for way in tried), over)

    return price


def _height(chosen: Sequence[_Choice]) -> int:
    """Lines of all rows, each as high as its highest cell."""
    return sum(map(max, zip(*(way.lines for way in chosen), strict=True)))


@dataclass(frozen=True)
class _Type:
    """What a table is set in: all that its columns' widths hang on."""

    face: Typeface
    size: float

    def count(self, words: str, wide: float, bold: bool) -> int:
        """Lines of a cell in a column so wide, mm."""
        return len(lines_of(self.face, words, wide - CELL_MM, self.size, bold))

    def long(self, words: str, bold: bool) -> float:
        """mm of a column in which the words stand on one line."""
        plain = self.face.printable(words).replace(SOFT_HYPHEN, "")
        return self.face.width_mm(plain, self.size, bold) + CELL_MM + ROUNDING_MM


def _type_of(setter: Typesetter) -> _Type:
    return _Type(setter.face, setter.edition.least)


@lru_cache(maxsize=4096)
def _ways(type_: _Type, column: tuple[str, ...]) -> tuple[_Choice, ...]:
    """The widths at which some cell has a line less, widest first, down to where words would be broken
    inside."""
    least = _least(type_, column)
    found = {wide for n, words in enumerate(column) for wide in _steps(type_, words, n == 0)}
    widths = sorted({least, *(wide for wide in found if wide > least)}, reverse=True)
    counts = ([type_.count(words, wide, n == 0) for n, words in enumerate(column)] for wide in widths)
    return tuple(_Choice(wide, tuple(lines)) for wide, lines in zip(widths, counts, strict=True))


@lru_cache(maxsize=4096)
def _steps(type_: _Type, words: str, bold: bool) -> tuple[float, ...]:
    """The narrowest columns, mm, in which words have one line, two, and so on."""
    least = max(type_.long(piece, bold) for piece in _undivided(words))
    wide = type_.long(words, bold)

    def count(width: float) -> int:
        return type_.count(words, width, bold)

    found = [wide]
    while wide > least + FINE_MM and count(least) > count(wide):
        most = count(wide - FINE_MM)
        low, high = least, wide - FINE_MM
        while high - low > FINE_MM:
            middle = (low + high) / 2
            low, high = (low, middle) if count(middle) <= most else (middle, high)
        wide = least if count(least) <= most else high
        found.append(wide)
    return tuple(found)


def _least(type_: _Type, column: Sequence[str]) -> float:
    """mm without which words of a column are broken inside."""
    pieces = {(piece, n == 0) for n, words in enumerate(column) for piece in _undivided(words)}
    return max(type_.long(piece, bold) for piece, bold in pieces)


def _undivided(words: str) -> list[str]:
    """What of words stays on one line."""
    return words.replace(" ", "\0").replace(SOFT_HYPHEN, "-\0").split("\0")


__all__ = ["CELL_MM", "column_widths", "set_out", "table_needs", "told_once"]
