"""What to do with units that no move takes off singly: find groups that move as one, or say what locks.

Along one direction, unit A drags B along when A would hit B; what is strongly connected in that
relation moves as one. A group that drags nothing else along can leave, and is built apart. Only when
in every direction all that is left hangs together is the assembly locked.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

import networkx as nx

from steps.model import Problem
from steps.order.apart import directions_by_preference, is_under, take_apart
from steps.order.columns import Columns
from steps.order.site import Site


def moves_as_one(
    site: Site, stuck: Sequence[int], wishes: Iterable[tuple[int, int]] = (), below: bool = False
) -> tuple[int, ...]:
    """The smallest set of the stuck units that leaves as one; empty when there is none.

    One that leaves what stands on the table standing comes before others. Ties go to the direction nearest
    to up, then to the lowest unit numbers. ``wishes`` (earlier, later) bind too: the earlier one drags the
    later one along. Ways through the table only if ``below``.
    """
    best: tuple[bool, int, int, tuple[int, ...]] | None = None
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
                standing = bool(site.grounded[list(members)].any())
                found = (standing, len(members), rank, members)
                best = found if best is None else min(best, found)
    return best[3] if best else ()


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


def minimal_locked(site: Site, units: Sequence[int]) -> tuple[int, ...]:
    """Units that lock each other, of which none can be left out without freeing all others.

    Straight moves alone are looked at first, since they are quick: what they leave locked and no other move
    frees is locked for good, and what comes apart without one of its parts by straight moves does so anyhow.
    """
    few = _shrunk(units, lambda some: still_locked(site, some, straight=True))
    if still_locked(site, few):
        return few
    return _shrunk(units, lambda some: still_locked(site, some))


def _shrunk(units: Sequence[int], locked: Callable[[Sequence[int]], tuple[int, ...]]) -> tuple[int, ...]:
    """What is locked of the units, less and less of it, left out by halves, quarters and so on to single
    ones.

    What comes apart does so without any of its parts too; so one pass over single ones is enough.
    """
    kept = locked(units)
    size = max(len(kept) // 2, 1)
    while kept:
        at = 0
        while at < len(kept):
            smaller = locked(kept[:at] + kept[at + size :])
            if smaller:
                kept = smaller
            else:
                at += size
        if size == 1:
            break
        size //= 2
    return kept


def still_locked(site: Site, units: Sequence[int], straight: bool = False) -> tuple[int, ...]:
    """What of these units alone no moves take apart; empty where they all come apart."""
    still = take_apart(site, within=list(units), straight=straight).stuck if units else ()
    group = moves_as_one(site, still, below=True) if still else ()
    if not group:
        return still
    rest = [other for other in still if other not in group]  # once apart, the two are no matter to each other
    return tuple(sorted((*still_locked(site, group, straight), *still_locked(site, rest, straight))))


def locked_problem(site: Site, stuck: Sequence[int]) -> Problem:
    """Which parts lock each other, as few as can be named: none of them can be left out."""
    units = minimal_locked(site, stuck) or tuple(stuck)
    parts = sorted(part for unit in units for part in site.units[unit].parts)
    names = [site.model.parts[part].source for part in parts]
    return Problem(
        "locked",
        "error",
        tuple(site.model.parts[part].id for part in parts),
        f"These {len(parts)} parts lock each other: {', '.join(names)}. No straight move, nor a short one "
        "and then a long one, nor a turn, takes any of them off, alone or together; without any one of them "
        "the others come apart. Check that they do not run through one another, or split one of them.",
    )
