"""The builder's wishes in terms of one site's units."""

from __future__ import annotations

from dataclasses import replace

from steps.order.site import Group, Site
from steps.wishes import Wishes


def in_first_copy(wishes: Wishes, group: Group) -> Wishes:
    """With parts of a group's later copies standing for their counterparts in the first."""
    across = {part: first for copy in group.copies[1:] for first, part in zip(group.parts, copy, strict=True)}
    if not across:
        return wishes
    return replace(
        wishes,
        before=tuple((across.get(one, one), across.get(two, two)) for one, two in wishes.before),
        last=frozenset(across.get(part, part) for part in wishes.last),
        together=tuple(
            tuple(dict.fromkeys(across.get(part, part) for part in parts)) for parts in wishes.together
        ),
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
