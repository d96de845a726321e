"""What to do with units that no move takes off singly: find groups that move as one, or say what locks.

Along one direction, unit A drags B along when A would hit B; what is strongly connected in that
relation moves as one. A group that drags nothing else along can leave, and is built apart. Only when
in every direction all that is left hangs together is the assembly locked.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import combinations
from math import comb

import networkx as nx

from steps.model import Problem
from steps.order.apart import directions_by_preference, is_under, take_apart
from steps.order.columns import Columns
from steps.order.site import Site

#: The smallest locked set is sought by leaving parts out one at a time among at most so many.
MOST_TO_SHRINK = 80
#: Smaller sets are looked for one by one, the smallest first, as long as there are no more than so many:
#: all pairs of 30 stuck units, each a few milliseconds.
MOST_SETS = 500


def moves_as_one(
    site: Site, stuck: Sequence[int], wishes: Iterable[tuple[int, int]] = (), below: bool = False
) -> tuple[int, ...]:
    """The smallest set of the stuck units that leaves as one; empty when there is none.

    Ties go to the direction nearest to up, then to the lowest unit numbers. ``wishes`` (earlier, later)
    bind too: the earlier one drags the later one along. Ways through the table only if ``below``.
    """
    best: tuple[int, int, tuple[int, ...]] | None = None
    left = set(stuck)
    for rank, direction in enumerate(directions_by_preference(site)):
        if is_under(site, direction) and not below:
            continue
        graph = dragging(site, stuck, direction)
        graph.add_edges_from(pair for pair in wishes if set(pair) <= left)
        condensed = nx.condensation(graph)
        for node in condensed.nodes:
            members = tuple(sorted(condensed.nodes[node]["members"]))
            if condensed.out_degree(node) == 0 and 1 < len(members) < len(stuck):
                found = (len(members), rank, members)
                best = found if best is None else min(best, found)
    return best[2] if best else ()


def dragging(site: Site, units: Sequence[int], direction: int) -> nx.DiGraph:
    """A -> B where A, moved along the direction, hits B."""
    members = sorted(part for unit in units for part in site.units[unit].parts)
    columns = Columns(site.motion, direction, members)
    graph = nx.DiGraph()
    graph.add_nodes_from(units)
    for unit in units:
        friends = frozenset(site.units[unit].parts)
        for part in site.units[unit].parts:
            for other in columns.all_ahead(part, friends):
                graph.add_edge(unit, site.unit_of[other])
    return graph


def smallest_locked(site: Site, stuck: Sequence[int]) -> tuple[int, ...]:
    """The fewest of the stuck units that lock each other: none can be left out without freeing the others,
    and among few units no smaller set is locked at all."""
    locked = tuple(stuck)
    if len(locked) > MOST_TO_SHRINK:
        return locked
    for unit in stuck:
        if unit in locked:
            rest = tuple(other for other in locked if other != unit)
            locked = still_locked(site, rest) or locked
    tried = 0
    for size in range(2, len(locked)):
        tried += comb(len(stuck), size)
        if tried > MOST_SETS:
            break
        for few in combinations(stuck, size):
            if found := still_locked(site, few):
                return found
    return locked


def still_locked(site: Site, units: Sequence[int]) -> tuple[int, ...]:
    """What of these units alone no moves take apart; empty where they all come apart."""
    still = take_apart(site, within=list(units)).stuck if units else ()
    while still:
        group = moves_as_one(site, still, below=True)
        if not group:
            break
        still = tuple(other for other in still if other not in group)
    return tuple(still)


def locked_problem(site: Site, stuck: Sequence[int]) -> Problem:
    """Which parts lock each other, as few as can be named."""
    units = smallest_locked(site, stuck)
    parts = sorted(part for unit in units for part in site.units[unit].parts)
    names = [site.model.parts[part].source for part in parts]
    return Problem(
        "locked",
        "error",
        tuple(site.model.parts[part].id for part in parts),
        f"These {len(parts)} parts lock each other: {', '.join(names)}. "
        "No straight move, nor a short one and then a long one, takes any of them off, alone or together. "
        "Check that they do not run through one another, or split one of them.",
    )
