"""That what nothing grips is kept in by form, where a plan leaves it in: by sweeps of the meshes.

What only lies in others, free to move, is no part of the piece that glue and grips make. It stays because
others stand in its way: up, and both ways along some level axis at least, so that it can go back and forth at
most. Where it could be taken out the plan must say that it comes off.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from collections.abc import Set as AbstractSet

import networkx as nx
import numpy as np

from steps.model import Array
from steps.planfile import PlanFile
from steps.statics.flat import axes_across
from steps.verify.motion import Mover
from steps.verify.report import Check

#: Name of the check, and what it looks at.
KEPT_IN = ("kept in by form", "things")
#: Level axes along which a thing is tried, spread evenly: every quarter of a right angle.
AXES = 8


def check_kept_in(plan: PlanFile, mover: Mover) -> Check:
    """Whether each thing that only lies in others can get out, beside what the plan says."""
    check = Check(*KEPT_IN)
    off, kept = (
        {part for problem in plan.problems if problem.code == code for part in problem.parts}
        for code in ("comes-off", "kept-in")
    )
    everyone = [part.id for part in plan.parts]
    for thing, apart, loose in _lying(plan):
        if not (loose or thing & (off | kept)):
            continue
        check.looked_at += 1
        open_ = _way_out(thing, [part for part in everyone if part not in thing], plan, mover)
        parts = sorted(thing)
        if not apart and thing & kept:
            check.fault(f"{parts[0]} is told to lie loose, and is held", parts=parts)
        elif open_ is not None and not thing & off:
            check.fault(f"nothing grips {parts[0]}, and it can be taken out {open_}", parts=parts)
        elif open_ is None and thing & off:
            check.fault(f"{parts[0]} is told to come off, and cannot get out", parts=parts)
    if not check.looked_at:
        check.remark = "nothing lies loose"
    return check


def things(plan: PlanFile) -> Iterator[tuple[frozenset[str], list[frozenset[str]]]]:
    """What moves as one and nothing grips, and the other things that it is together with."""
    for own, gripped in _together(plan):
        yield from (
            (thing, [other for other in own if other != thing]) for thing in own if thing not in gripped
        )


def _lying(plan: PlanFile) -> Iterator[tuple[frozenset[str], bool, bool]]:
    """What moves as one; whether anything is apart from it; and whether it only rests there, and is not the
    largest of what is together."""
    for own, gripped in _together(plan):
        for number, thing in enumerate(own):
            yield thing, len(thing) < len(plan.parts), number > 0 and thing not in gripped


def _together(plan: PlanFile) -> Iterator[tuple[list[frozenset[str]], AbstractSet[frozenset[str]]]]:
    """The things, each what moves as one, of each lot that is together, the largest first; and those that a
    joint grips that moves."""
    rigid, whole = nx.Graph(), nx.Graph()
    for graph in (rigid, whole):
        graph.add_nodes_from(part.id for part in plan.parts)
    whole.add_edges_from((joint.a, joint.b) for joint in plan.joints)
    rigid.add_edges_from((joint.a, joint.b) for joint in plan.joints if not joint.moves)
    things = [frozenset(some) for some in nx.connected_components(rigid)]
    thing_of = {part: thing for thing in things for part in thing}
    gripped = {
        thing_of[end]
        for joint in plan.joints
        if joint.moves and joint.kind != "rest"
        for end in (joint.a, joint.b)
    }
    for together in nx.connected_components(whole):
        own = sorted({thing_of[part] for part in together}, key=lambda thing: (-len(thing), sorted(thing)))
        yield own, gripped


def _way_out(thing: frozenset[str], others: Sequence[str], plan: PlanFile, mover: Mover) -> str | None:
    """In words, a way on which a thing can get out; None where others keep it in."""
    up = np.array(plan.shelf_up, dtype=float)

    def stopped(way: Array) -> bool:
        enters = (-float(way[0]), -float(way[1]), -float(way[2]))
        return bool(mover.blockers(sorted(thing), others, enters))

    if not stopped(up):
        return "upwards"
    one, two = axes_across(up).T
    level = (np.cos(angle) * one + np.sin(angle) * two for angle in np.pi * np.arange(AXES) / AXES)
    return None if any(stopped(way) and stopped(-way) for way in level) else "sideways"
