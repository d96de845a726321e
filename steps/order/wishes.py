"""The builder's wishes from stepleaf.toml, by part rows, and what contradicts itself in them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import networkx as nx

from steps.errors import WrongSettings
from steps.model import Model
from steps.order.site import Site
from steps.settings import OrderSettings

#: Unknown part names shown in one message.
MOST_NAMED = 6


@dataclass(frozen=True)
class Wishes:
    """What is asked of the order, by part rows."""

    before: tuple[tuple[int, int], ...] = ()  #: (earlier, later)
    last: frozenset[int] = frozenset()  #: not touched until the end
    together: tuple[tuple[int, ...], ...] = ()

    @property
    def bind(self) -> bool:
        """Whether they forbid any order."""
        return bool(self.before or self.last)


def read_wishes(model: Model, settings: OrderSettings) -> Wishes:
    """The wishes with names looked up.

    Raises WrongSettings with every name that no part has, and with the cycle when "before" (and "last")
    go round in a circle.
    """
    rows = {part.source: row for row, part in enumerate(model.parts)}
    _check_names(settings, rows)
    wishes = Wishes(
        tuple((rows[first], rows[then]) for first, then in settings.before),
        frozenset(rows[name] for name in settings.last),
        tuple(tuple(sorted({rows[name] for name in names})) for names in settings.together),
    )
    _check_circles(model, wishes)
    return wishes


def _check_names(settings: OrderSettings, rows: Mapping[str, int]) -> None:
    asked = {
        "together": [name for names in settings.together for name in names],
        "before": [name for pair in settings.before for name in pair],
        "last": list(settings.last),
        "names": list(settings.names),
        "notes": list(settings.notes),
    }
    faults = []
    for key, names in asked.items():
        unknown = [name for name in dict.fromkeys(names) if name not in rows]
        if unknown:
            shown = ", ".join(repr(name) for name in unknown[:MOST_NAMED])
            more = f" and {len(unknown) - MOST_NAMED} more" if len(unknown) > MOST_NAMED else ""
            faults.append(f"order.{key}: no part is called {shown}{more}")
    if faults:
        raise WrongSettings("; ".join(faults) + ". Use the names that 'stepleaf inspect' lists.")


def _check_circles(model: Model, wishes: Wishes) -> None:
    graph = nx.DiGraph()
    graph.add_edges_from(wishes.before)
    for late in sorted(wishes.last):
        graph.add_edges_from((other, late) for other in list(graph) if other not in wishes.last)
    try:
        circle = [edge[0] for edge in nx.find_cycle(graph)]
    except nx.NetworkXNoCycle:
        return
    raise WrongSettings(circle_text(model, circle, wishes))


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


def unit_wishes(site: Site, wishes: Wishes) -> tuple[tuple[int, int], ...]:
    """The wishes as pairs (earlier, later) of a site's units.

    A part of a later copy stands for its counterpart in the first copy, which is what the site holds.
    """
    unit_of = _unit_of_any_copy(site)
    pairs = [(unit_of[a], unit_of[b]) for a, b in wishes.before if a in unit_of and b in unit_of]
    late = sorted({unit_of[part] for part in wishes.last if part in unit_of})
    others = [unit for unit in range(len(site.units)) if unit not in set(late)]
    pairs += [(other, unit) for unit in late for other in others]
    return tuple(dict.fromkeys(pair for pair in pairs if pair[0] != pair[1]))


def unit_sets(site: Site, wishes: Wishes) -> tuple[frozenset[int], ...]:
    """Units of the site that are to be kept together."""
    unit_of = _unit_of_any_copy(site)
    sets = [frozenset(unit_of[part] for part in parts if part in unit_of) for parts in wishes.together]
    return tuple(each for each in sets if len(each) > 1)


def _unit_of_any_copy(site: Site) -> dict[int, int]:
    unit_of = dict(site.unit_of)
    for copy in site.group.copies[1:]:
        unit_of.update(
            {part: site.unit_of[first] for first, part in zip(site.group.parts, copy, strict=True)}
        )
    return unit_of
