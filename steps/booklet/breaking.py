"""Words broken into lines by the typeface's own metrics."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

from steps.booklet.fonts import SOFT_HYPHEN, Typeface
from steps.progress import tick


def lines_of(face: Typeface, words: str, width: float, size: float, bold: bool = False) -> tuple[str, ...]:
    """Lines no wider than ``width`` mm, in type of ``size`` points: broken at spaces, at soft hyphens, else
    inside the word."""
    tick()
    return _lines(face, words, width, size, bold)


@lru_cache(maxsize=1 << 15)  # a table is set as often as its columns are tried
def _lines(face: Typeface, words: str, width: float, size: float, bold: bool) -> tuple[str, ...]:
    room = LineRoom(face, width, size, bold)
    lines: list[str] = []
    current = ""
    for word in face.printable(words).split(" "):
        if not word:
            continue
        joined = f"{current} {word}" if current else word
        if room.fits(joined):
            current = joined
            continue
        *full, current = room.broken(current, word)
        lines.extend(full)
    if current:
        lines.append(current)
    return tuple(line.replace(SOFT_HYPHEN, "") for line in lines)


@dataclass(frozen=True)
class LineRoom:
    """The room of one line: ``width`` mm, for type of ``size`` points."""

    face: Typeface
    width: float
    size: float
    bold: bool = False

    def fits(self, words: str) -> bool:
        """Whether printable words stand on the line."""
        return self.face.width_mm(words.replace(SOFT_HYPHEN, ""), self.size, self.bold) <= self.width

    def longest(self, word: str, tail: str = "") -> int:
        """Length of the longest start of ``word`` that fits with ``tail`` behind it."""
        low, high = 0, len(word)
        while low < high:
            middle = (low + high + 1) // 2
            if self.fits(word[:middle] + tail):
                low = middle
            else:
                high = middle - 1
        return low

    def broken(self, current: str, word: str) -> Iterator[str]:
        """The line so far and a word that does not fit on it, as full lines and a rest."""
        pieces = word.split(SOFT_HYPHEN)
        for count in range(len(pieces) - 1, 0, -1):
            start = "".join(pieces[:count]) + "-"
            joined = f"{current} {start}" if current else start
            if self.fits(joined):
                yield joined
                yield from self.broken("", SOFT_HYPHEN.join(pieces[count:]))
                return
        if current:
            yield current
        if self.fits(word):
            yield word
            return
        hyphen = word[: self.longest(word)].rfind("-") + 1
        if hyphen > 1:
            yield word[:hyphen]
            yield from self.broken("", word[hyphen:])
            return
        if len(pieces) > 1:
            yield from self.broken("", word.replace(SOFT_HYPHEN, ""))
            return
        cut = max(1, self.longest(word, "-"))
        start = word[:cut]
        divided = cut < len(word) and start[-1].isalnum() and self.fits(start + "-")
        yield start + "-" if divided else start
        if cut < len(word):
            yield from self.broken("", word[cut:])


__all__ = ["LineRoom", "lines_of"]
