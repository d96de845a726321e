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
        low, high = 0, 1
        while high < len(word) and self.fits(word[:high] + tail):  # a word may be of any length
            low, high = high, 2 * high
        high = min(high, len(word))
        while low < high:
            middle = (low + high + 1) // 2
            if self.fits(word[:middle] + tail):
                low = middle
            else:
                high = middle - 1
        return low

    def broken(self, current: str, word: str) -> Iterator[str]:
        """The line so far and a word that does not fit on it, as full lines and a rest."""
        while word:
            if not current and self.fits(word):
                yield word
                return
            if start := self._hyphened(current, word):
                full, word = start
                yield full
            elif current:
                yield current
            else:
                full, word = self._cut(word)
                if full:
                    yield full
            current = ""

    def _hyphened(self, current: str, word: str) -> tuple[str, str] | None:
        """The line so far with as much of a word as fits on it up to a soft hyphen, and the rest."""
        pieces = word.split(SOFT_HYPHEN)
        for count in range(len(pieces) - 1, 0, -1):
            start = "".join(pieces[:count]) + "-"
            joined = f"{current} {start}" if current else start
            if self.fits(joined):
                return joined, SOFT_HYPHEN.join(pieces[count:])
        return None

    def _cut(self, word: str) -> tuple[str, str]:
        """What of a word that is wider than a line stands on it, and the rest: cut at a hyphen, else, soft
        hyphens forgotten, anywhere."""
        longest = self.longest(word)
        hyphen = word[:longest].rfind("-") + 1
        if hyphen > 1:
            return word[:hyphen], word[hyphen:]
        if SOFT_HYPHEN in word:
            return "", word.replace(SOFT_HYPHEN, "")
        cut = max(1, self.longest(word, "-"))
        divided = cut < len(word) and word[cut - 1].isalnum() and self.fits(word[:cut] + "-")
        return word[:cut] + "-" * divided, word[cut:]


__all__ = ["LineRoom", "lines_of"]
