"""Which kinds of thing a step takes, and their letters: one answer for balloons and "Take" column.

Alike things that are glued otherwise, one glued and one pressed, are kinds of their own: a1 and a2.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from steps.model import Plan, Step
from steps.wording import Wording

LETTERS = "abcdefghijklmnopqrstuvwxyz"


@dataclass(frozen=True)
class Kind:
    """Alike things that a step takes: parts of one shape in one colour, or copies of a sub-assembly, that
    have as many contacts glued.

    A sub-assembly has ``assembly`` set, ``shape``, ``colour`` and ``colour_name`` empty, and lists one
    group of parts per copy; of single parts each group is one part.
    """

    letter: str  #: "a", "b", ... "z", "aa", ...; "a1", "a2" where alike things are glued otherwise
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
    class_of = _glued_alike(plan, step, list(groups.values()))
    found = []
    for index, ((shape, colour, assembly), things) in enumerate(groups.items()):
        alike: dict[int, list[tuple[str, ...]]] = {}
        for thing in things:
            alike.setdefault(class_of[thing], []).append(thing)
        for number, some in enumerate(alike.values(), start=1):
            letter = letter_of(index) + (str(number) if len(alike) > 1 else "")
            found.append(Kind(letter, shape, colour, names.get(colour, ""), tuple(some), assembly))
    return tuple(found)


def _glued_alike(
    plan: Plan, step: Step, alike: Sequence[Sequence[tuple[str, ...]]]
) -> dict[tuple[str, ...], int]:
    """A class for each thing: alike things of one class have as many contacts glued to things of each class.

    The classes are refined until no two things of one differ.
    """
    class_of = {thing: number for number, things in enumerate(alike) for thing in things}
    thing_of = {part: thing for thing in class_of for part in thing}
    glued: dict[tuple[str, ...], list[tuple[str, int, tuple[str, ...] | None]]] = {}
    for joint in (plan.joints.by_id[name] for name in step.closes if plan.gluing.marks.get(name) == "glue"):
        ends = thing_of.get(joint.a), thing_of.get(joint.b)
        for own, other in (ends, ends[::-1]):
            if own is not None:
                glued.setdefault(own, []).append((joint.kind, joint.contacts, other))
    while True:
        told = {
            thing: (
                number,
                *sorted((kind, n, class_of.get(to or (), -1)) for kind, n, to in glued.get(thing, ())),
            )
            for thing, number in class_of.items()
        }
        names = {key: number for number, key in enumerate(dict.fromkeys(told.values()))}
        if len(names) == len(set(class_of.values())):
            return class_of
        class_of = {thing: names[key] for thing, key in told.items()}
