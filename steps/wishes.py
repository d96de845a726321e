"""What stepleaf.toml wishes of parts and joints: the one place where its names are looked up.

A wish names a part as the model file or ``inspect`` does, or a shape, by its name or id, which stands for
all its parts. One policy for every wish: a name that nothing bears, a pair that does not touch, and wishes
that contradict each other are refused, all in one message, before any stage acts on one of them. A wish
that only the model is against is told as a problem by the stage that cannot follow it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches
from types import MappingProxyType

import networkx as nx

from steps.errors import WrongSettings
from steps.model import Joints, Measures, Model
from steps.settings import Settings

#: Unknown names shown in one message.
MOST_NAMED = 6
#: A known name at least this like an unknown one is offered in its stead (difflib's ratio, 0 to 1).
ALIKE = 0.75


@dataclass(frozen=True)
class Wishes:
    """What is asked, by part rows and joint ids."""

    before: tuple[tuple[int, int], ...] = ()  #: (earlier, later)
    last: frozenset[int] = frozenset()  #: not touched until the end
    together: tuple[tuple[int, ...], ...] = ()
    names: Mapping[int, str] = field(default_factory=dict)  #: of the sub-assembly that holds the part
    notes: Mapping[int, str] = field(default_factory=dict)  #: on the step that adds the part
    removable: frozenset[int] = frozenset()  #: must come off again
    glue: frozenset[str] = frozenset()  #: joints glued whatever the loads say
    never: frozenset[str] = frozenset()  #: joints not to be glued

    @property
    def bind(self) -> bool:
        """Whether they forbid any order."""
        return bool(self.before or self.last)


def read_wishes(model: Model, measures: Measures, joints: Joints, settings: Settings) -> Wishes:
    """The wishes with names looked up.

    Raises WrongSettings with every name that nothing bears and every pair that does not touch; then with
    every contradiction: "before" and "last" that go round in a circle, joints to be glued that are never to
    be or whose part must come off again.
    """
    look = _LookUp(model, measures, joints)
    order, glue = settings.order, settings.glue
    wishes = Wishes(
        tuple(dict.fromkeys(look.each_with_each("order.before", order.before))),
        frozenset(look.parts("order.last", order.last)),
        tuple(tuple(sorted(look.parts("order.together", names))) for names in order.together),
        look.told("order.names", order.names),
        look.told("order.notes", order.notes),
        frozenset(look.parts("glue.removable", glue.removable)),
        frozenset(look.joints_between("glue.glue", glue.glue)),
        frozenset(look.joints_between("glue.never", glue.never)),
    )
    look.refuse()
    faults = [*_circles(model, wishes), *_torn(model, joints, wishes)]
    if faults:
        raise WrongSettings(" ".join(faults))
    return wishes


@dataclass
class _LookUp:
    """Names to rows; what is not found is gathered by the setting that asked."""

    model: Model
    measures: Measures
    joints: Joints
    unknown: dict[str, dict[str, None]] = field(default_factory=dict)  #: setting -> names, in order
    apart: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        """The more particular wins: the file's name of a part, then its id, then a shape's name or id."""
        known: dict[str, list[int]] = {}
        for row, part in enumerate(self.model.parts):
            measure = self.measures.by_shape.get(part.shape)
            for name in (part.shape, str(measure.name) if measure is not None else part.shape):
                known.setdefault(name, []).append(row)
        one_by_one = {part.id: [row] for row, part in enumerate(self.model.parts)}
        by_source = {part.source: [row] for row, part in enumerate(self.model.parts)}
        self.rows: Mapping[str, Sequence[int]] = known | one_by_one | by_source

    def parts(self, setting: str, names: Iterable[str]) -> list[int]:
        """Rows of all the names, each once."""
        rows: dict[int, None] = {}
        for name in names:
            if name not in self.rows:
                self.unknown.setdefault(setting, {})[name] = None
            rows.update(dict.fromkeys(self.rows.get(name, ())))
        return list(rows)

    def told(self, setting: str, words: Mapping[str, str]) -> Mapping[int, str]:
        """Words by part row."""
        found = {row: word for name, word in words.items() for row in self.parts(setting, [name])}
        return MappingProxyType(found)

    def each_with_each(self, setting: str, pairs: Iterable[tuple[str, str]]) -> Iterable[tuple[int, int]]:
        """Every part of the first name with every other part of the second."""
        for first, second in pairs:
            rows, others = self.parts(setting, [first]), self.parts(setting, [second])
            yield from ((row, other) for row in rows for other in others if row != other or first == second)

    def joints_between(self, setting: str, pairs: Iterable[tuple[str, str]]) -> Iterable[str]:
        """Ids of the joints between parts of the first name and parts of the second."""
        between: dict[frozenset[str], list[str]] = {}
        for joint in self.joints.joints:
            between.setdefault(frozenset((joint.a, joint.b)), []).append(joint.id)
        for first, second in pairs:
            rows = list(self.each_with_each(setting, [(first, second)]))
            ids = [frozenset(self.model.parts[row].id for row in pair) for pair in rows]
            found = [joint for pair in ids for joint in between.get(pair, ())]
            if rows and not found:
                self.apart.append(f"{setting}: {first} and {second} do not touch, so no joint is meant")
            yield from found

    def refuse(self) -> None:
        """Raise WrongSettings for all that was not found."""
        faults = [
            f"{setting}: nothing is called {self._shown(names)}" for setting, names in self.unknown.items()
        ]
        if faults or self.apart:
            text = "; ".join([*faults, *self.apart])
            raise WrongSettings(f"{text}. Use the names that 'stepleaf inspect' lists.")

    def _shown(self, names: Iterable[str]) -> str:
        listed = list(names)
        shown = []
        for name in listed[:MOST_NAMED]:
            near = get_close_matches(name, self.rows, 1, ALIKE)
            shown.append(f"{name!r}" + (f" (is it {near[0]!r}?)" if near else ""))
        more = f" and {len(listed) - MOST_NAMED} more" if len(listed) > MOST_NAMED else ""
        return ", ".join(shown) + more


def _circles(model: Model, wishes: Wishes) -> list[str]:
    graph = nx.DiGraph()
    graph.add_edges_from(wishes.before)
    for late in sorted(wishes.last):
        graph.add_edges_from((other, late) for other in list(graph) if other not in wishes.last)
    try:
        circle = [edge[0] for edge in nx.find_cycle(graph)]
    except nx.NetworkXNoCycle:
        return []
    return [circle_text(model, circle, wishes)]


def _torn(model: Model, joints: Joints, wishes: Wishes) -> list[str]:
    """Joints of which two settings ask opposite things."""
    faults = []
    for joint in joints.joints:
        ends = [model.index_of[joint.a], model.index_of[joint.b]]
        between = " and ".join(model.parts[row].source for row in ends)
        if joint.id in wishes.glue & wishes.never:
            faults.append(f"{between} stand in glue.glue and in glue.never: take them out of one.")
        for row in ends:
            if joint.id in wishes.glue and row in wishes.removable:
                faults.append(
                    f"{between} are to be glued (glue.glue), but {model.parts[row].source} must come off "
                    "again (glue.removable): take it out of one."
                )
    return faults


def circle_text(model: Model, circle: Sequence[int], wishes: Wishes) -> str:
    """The circle in words: who is to go in before whom, and which of it is a wish."""
    names = [model.parts[part].source for part in circle]
    links = []
    for k, part in enumerate(circle):
        then = circle[(k + 1) % len(circle)]
        if (part, then) in wishes.before:
            why = "wished"
        elif then in wishes.last and part not in wishes.last:
            why = "wished last"
        else:
            why = "it would be shut out"
        links.append(f"{names[k]} before {names[(k + 1) % len(circle)]} ({why})")
    return "The wishes contradict each other: " + ", ".join(links) + ". Take one of them out of [order]."


def unmet_text(model: Model, hanging: Sequence[str], wishes: Wishes) -> str:
    """What cannot be met without parts that hang on nothing, and which parts those are."""
    name = [part.source for part in model.parts]
    asked = [f"{name[first]} before {name[then]}" for first, then in wishes.before]
    asked += [f"{name[part]} last" for part in sorted(wishes.last)]
    shown = ", ".join(hanging[:MOST_NAMED])
    more = f" and {len(hanging) - MOST_NAMED} more" if len(hanging) > MOST_NAMED else ""
    return (
        f"The wishes cannot all be met: with {', '.join(asked)}, nothing placed before would hold "
        f"{shown}{more}. Without them the model can be built. Take one of them out of [order]."
    )
