"""What hangs on what, and builds that are turned over so that it need not hang."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import replace

import numpy as np

from steps.model import Array
from steps.order.apart import UNDER, Apart, from_below, step_up
from steps.order.build import Draft
from steps.order.site import Site, holding_way, holds_together
from steps.order.turns import SAME_WAY, loose_parts
from steps.statics import Structure


def carriers_of(site: Site, unit: int) -> list[tuple[int, Array]]:
    """What can hold a unit and the way (3,) off it, the strongest grip first."""
    found: dict[int, tuple[tuple[bool, int, int], Array]] = {}
    for tie in site.joints_of[unit]:
        if not holds_together(tie.joint, site.up):
            continue
        carries = site.unit_of[site.model.index_of[tie.joint.a]] == unit
        other = tie.b if tie.a == unit else tie.a
        rank = (tie.joint.kind == "rest", -tie.joint.contacts, other)
        if other not in found or rank < found[other][0]:
            way = holding_way(tie.joint, site.up)
            found[other] = (rank, -way if carries else way)
    return [(other, away) for other, (_, away) in sorted(found.items(), key=lambda item: item[1][0])]


def hung_on(site: Site, unit: int) -> tuple[int, Array] | None:
    """What a unit hangs on by its strongest grip, and the way off it, which points down; else None."""
    for other, away in carriers_of(site, unit):
        if away @ site.up < UNDER and _gripped(site, unit, other):
            return other, away
    return None


def _gripped(site: Site, unit: int, other: int) -> bool:
    return any(tie.joint.kind != "rest" and other in (tie.a, tie.b) for tie in site.joints_of[unit])


def hung_together(site: Site, unit: int, carrier: int, hanging: Collection[int]) -> tuple[int, ...]:
    """A hanging unit, what it hangs on, and all else that hangs there."""
    others = [
        each
        for each in site.neighbours[carrier]
        if (hung_on(site, each) or (None,))[0] == carrier
        and (each in hanging or (site.neighbours[each] == (carrier,) and not site.grounded[each]))
    ]
    return tuple(sorted({unit, carrier, *others}))


def hangs_only(site: Site, unit: int) -> bool:
    """Whether all that holds a unit is above it."""
    carriers = carriers_of(site, unit)
    return bool(carriers) and all(away @ site.up < UNDER for _, away in carriers)


def turned_over(site: Site, apart: Apart, turned: Collection[int]) -> Apart:
    """The ways with units that hang on others (by their first part rows) going in from below, while the
    build is turned over."""
    ways = dict(apart.ways)
    for unit, each in enumerate(site.units):
        found = hung_on(site, unit) if each.parts[0] in turned else None
        if found is not None and unit not in apart.odd:
            ways[unit] = site.motion.direction_index(found[1])
    if ways == apart.ways:
        return apart
    over = replace(apart, ways=ways)
    under = [unit for unit in sorted(ways) if from_below(site, over, unit)]
    loose = [unit for unit in sorted(ways) if not grips(site, unit)]  # they would fall off
    return replace(over, before=[*over.before, *((one, two) for one in under for two in loose)])


def grips(site: Site, unit: int) -> bool:
    """Whether the unit is held by more than its weight."""
    return any(tie.joint.kind != "rest" for tie in site.joints_of[unit])


def begun_over(site: Site, apart: Apart, drafts: Sequence[Draft]) -> Apart:
    """Where the first part lies alone and the build is then turned over, it is laid that way at once."""
    if len(drafts) < 2 or len(drafts[0].units) > 1 or not from_below(site, apart, drafts[1].units[0]):
        return apart
    first, opposite = drafts[0].units[0], apart.ways[drafts[0].units[0]] ^ 1
    over = replace(apart, ways={**apart.ways, first: opposite})
    same = np.allclose(step_up(site, over, first), step_up(site, apart, drafts[1].units[0]))
    return over if first not in apart.odd and same else apart


def loose_at_turns(
    site: Site, apart: Apart, drafts: Iterable[Draft], structure: Structure, glued: frozenset[str]
) -> list[int]:
    """Part rows that lie loose on a build, by grip and set glue, at the moment when it is turned."""
    placed: list[int] = []
    found: list[int] = []
    before: Array | None = None
    for draft in drafts:
        now = step_up(site, apart, draft.units[0])
        if before is not None and float(before @ now) < SAME_WAY:
            found += loose_parts(structure, placed, glued)
        placed += [part for unit in draft.units for part in site.units[unit].parts]
        before = now
    if before is not None and float(before @ site.up) < SAME_WAY:
        found += loose_parts(structure, placed, glued)
    return found
