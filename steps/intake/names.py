"""Names as they stand in a file, made safe to print and unique."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable


def printable(name: str) -> str:
    """The name without control characters, which could steer a terminal; a run of them is one space."""
    spaced = "".join(" " if unicodedata.category(letter) in ("Cc", "Cs") else letter for letter in name)
    return " ".join(spaced.split()) or "unnamed"


def unique_names(names: Iterable[str]) -> list[str]:
    """Printable names in order, repeats marked "#2", "#3"; a mark never clashes with a name in the file."""
    given = [printable(name) for name in names]
    taken, counts = set(given), dict.fromkeys(given, 0)
    made = []
    for name in given:
        counts[name] += 1
        shown = name
        if counts[name] > 1:
            while (shown := f"{name}#{counts[name]}") in taken:
                counts[name] += 1
            taken.add(shown)
        made.append(shown)
    return made
