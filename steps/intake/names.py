"""Names as they stand in a file, made safe to print and unique."""

from __future__ import annotations

from collections.abc import Iterable

from steps.letters import shows
from steps.limits import LIMITS

#: Names shown in one sentence.
SHOWN = 6


def printable(name: str, letters: int = LIMITS.name_letters) -> str:
    """The name without what could steer a terminal, turn the line round or hide: controls, lone surrogates,
    format marks, a run of them one space; cut after so many letters."""
    spaced = " ".join("".join(letter if shows(letter) else " " for letter in name[: 4 * letters]).split())
    return (spaced if len(spaced) <= letters else f"{spaced[: letters - 1].rstrip()}…") or "unnamed"


def first_of(names: Iterable[str]) -> str:
    """Names to show in a sentence: each once, and how many more there are than are shown."""
    listed = list(dict.fromkeys(printable(name) for name in names))
    more = f" and {len(listed) - SHOWN:,} more" if len(listed) > SHOWN else ""
    return ", ".join(listed[:SHOWN]) + more


def unique_names(names: Iterable[str], letters: int = LIMITS.name_letters) -> list[str]:
    """Printable names in order, repeats marked "#2", "#3"; a mark never clashes with a name in the file."""
    given = [printable(name, letters) for name in names]
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
