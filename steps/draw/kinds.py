"""Which kinds of thing a step takes, and their letters: one answer for balloons and "Take" column."""

from __future__ import annotations

from dataclasses import dataclass

from steps.model import Plan, Step
from steps.wording import Wording

LETTERS = "abcdefghijklmnopqrstuvwxyz"


@dataclass(frozen=True)
class Kind:
    """Alike things that a step takes: parts of one shape in one colour, or copies of a sub-assembly.

    A sub-assembly has ``assembly`` set, ``shape``, ``colour`` and ``colour_name`` empty, and lists one
    group of parts per copy; of single parts each group is one part.
    """

    letter: str  #: "a", "b", ... "z", "aa", ...
    shape: str
    colour: str  #: "#rrggbb"
    colour_name: Wording | str
    groups: tuple[tuple[str, ...], ...]  #: part ids of each thing taken
    assembly: str = ""

    @property
    def count(self) -> int:
        """How many to take."""
        return len(self.groups)

    @property
    def parts(self) -> tuple[str, ...]:
        """Every part id of this kind, in the order they go in."""
        return tuple(part for group in self.groups for part in group)


def letter_of(index: int) -> str:
    """0 -> a, 25 -> z, 26 -> aa, 27 -> ab: never runs out."""
    letters = ""
    index += 1
    while index > 0:
        index, rest = divmod(index - 1, len(LETTERS))
        letters = LETTERS[rest] + letters
    return letters


def kinds_in_step(plan: Plan, step: Step) -> tuple[Kind, ...]:
    """The kinds of a step in order of first use: single parts first, then attached sub-assemblies."""
    groups: dict[tuple[str, str, str], list[tuple[str, ...]]] = {}
    names: dict[str, Wording | str] = {}
    for arrival in plan.sequence.by_number[step.number].arrivals:
        if arrival.assembly:
            key = ("", "", arrival.assembly)
        else:
            part = plan.model.part_by_id[arrival.name]
            key = (part.shape, part.colour, "")
            names[part.colour] = part.colour_name
        groups.setdefault(key, []).append(arrival.parts)
    return tuple(
        Kind(letter_of(index), shape, colour, names.get(colour, ""), tuple(things), assembly)
        for index, ((shape, colour, assembly), things) in enumerate(groups.items())
    )
