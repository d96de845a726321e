"""What nothing ties: where a plan says that it comes off, or that others keep it in, by sweeps of the meshes.

Of what belongs together the heaviest thing is the body. What nothing ties stays with it only where the body
stands in the way of it, and of all that it pushes, on every way that it could go.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from collections.abc import Set as AbstractSet

import networkx as nx
import numpy as np

from steps.model import Array
from steps.planfile import PlanFile
from steps.sides import STEEP, side_of
from steps.statics.flat import axes_across
from steps.verify.motion import Mover
from steps.verify.report import Check

#: Name of the check, and what it looks at.
KEPT_IN = ("kept in by form", "things")
#: Level axes along which a thing is tried beside its own, spread evenly: every quarter of a right angle.
AXES = 8
#: Axes are one when closer than a tenth of a degree (cosine).
SAME_AXIS = 1 - 1.5e-6
#: What a plan tells of what nothing ties to what is held when the model is lifted.
UNTIED = ("comes-off", "slides-off", "kept-in", "left-behind")


def check_kept_in(plan: PlanFile, mover: Mover) -> Check:
    """Whether each thing that nothing ties can get out, and where, beside what the plan says."""
    check = Check(*KEPT_IN)
    told = {part: each for each in plan.problems if each.code in UNTIED for part in each.parts}
    holds = [frozenset(case.held) for case in plan.cases if case.case not in ("shelf", "turn")]
    for body, *loose in lots(plan, tied(plan, could=True)):
        if held := sorted(part for part in body if part in told and told[part].code != "left-behind"):
            check.fault(f"{held[0]} is told to be loose, and is held", parts=held)
        of_part = {part: thing for thing in loose for part in thing}
        for thing in loose:
            said = {(told[part].code, told[part].sides) for part in thing if part in told}
            if not said and not any(map(thing.isdisjoint, holds)):
                continue  # hands hold it whatever is done
            check.looked_at += 1
            ways = [way for way in _tried(thing, plan, mover) if _passes(thing, body, of_part, way, mover)]
            if not _as_found(said, ways, plan, mover):
                sides = sorted({_side(way, plan, mover) for way in ways})
                where = f"comes off at the {', the '.join(sides)}" if sides else "cannot get out"
                check.fault(f"nothing ties {min(thing)}: it {where}", parts=sorted(thing))
    if not check.looked_at:
        check.remark = "nothing lies loose"
    return check


def _as_found(
    said: AbstractSet[tuple[str, tuple[str, ...]]], ways: Sequence[Array], plan: PlanFile, mover: Mover
) -> bool:
    """Whether the plan tells of a thing what was found: that it is kept in, or where it comes off.
    Between two sides that are told nothing need be."""
    if not ways:
        return said <= {("kept-in", ())}
    steep = any(abs(float(way @ np.array(plan.shelf_up))) > STEEP for way in ways)
    if steep:
        return {code for code, _ in said} == {"comes-off"}
    found = {_side(way, plan, mover) for way in ways}
    sides = {side for _, each in said for side in each}
    known = {word for side in sides for word in side.split()}
    between = all(known.issuperset(side.split()) for side in found)
    return {code for code, _ in said} == {"slides-off"} and sides <= found and between


def _side(way: Array, plan: PlanFile, mover: Mover) -> str:
    return side_of(mover.model, way, np.array(plan.shelf_up))


def tied(plan: PlanFile, could: bool = False) -> nx.Graph:
    """The parts, those tied that glue, or a hold that may be relied on, keeps together; or glue ``could``."""
    graph = nx.Graph()
    graph.add_nodes_from(part.id for part in plan.parts)
    for joint in plan.joints:
        holds = joint.hold_n if joint.moves or joint.hold_low_n is None else joint.hold_low_n
        may = could and not joint.moves and joint.mark != "free" and joint.glue_area_mm2 > 0
        if joint.mark == "glue" or holds > 0 or may:
            graph.add_edge(joint.a, joint.b)
    return graph


def rigid(plan: PlanFile) -> nx.Graph:
    """The parts, those tied that do not move by themselves, or cannot slip out where they do."""
    graph = nx.Graph()
    graph.add_nodes_from(part.id for part in plan.parts)
    for joint in plan.joints:
        if not joint.moves or joint.snap_mm > 0 or joint.hold_n > 0 or joint.kind == "hinge":
            graph.add_edge(joint.a, joint.b)
    return graph


def lots(plan: PlanFile, together: nx.Graph) -> Iterator[list[frozenset[str]]]:
    """The things, parts that are ``together``, of each lot that touches, one through another: the heaviest
    first, of some as heavy what the plan takes for the body or does not tell to be loose."""
    told = {part: each.code for each in plan.problems if each.code in UNTIED for part in each.parts}
    grams = {shape.id: shape.printed_g for shape in plan.shapes}
    weight = {part.id: grams[part.shape] for part in plan.parts}
    touching = together.copy()
    touching.add_edges_from((joint.a, joint.b) for joint in plan.joints)
    of_lot: dict[int, list[frozenset[str]]] = {}
    lot_of = {part: lot for lot, own in enumerate(nx.connected_components(touching)) for part in own}
    for thing in nx.connected_components(together):
        of_lot.setdefault(lot_of[next(iter(thing))], []).append(frozenset(thing))
    for _, things in sorted(of_lot.items()):
        heavy = {thing: -round(sum(weight[part] for part in sorted(thing)), 6) for thing in things}
        loose = {
            thing: any(told.get(part, "left-behind") != "left-behind" for part in thing) for thing in things
        }
        body = {thing: any(told.get(part) == "left-behind" for part in thing) for thing in things}
        yield sorted(things, key=lambda thing: (heavy[thing], not body[thing], loose[thing]))


def _tried(thing: frozenset[str], plan: PlanFile, mover: Mover) -> Iterator[Array]:
    """(3,) unit: up, down, level all round, along the axes of its parts and of joints at which they move."""
    up = np.array(plan.shelf_up)
    one, two = axes_across(up).T
    lines = [up, *(np.cos(angle) * one + np.sin(angle) * two for angle in np.pi * np.arange(AXES) / AXES)]
    moving = [joint for joint in plan.joints if joint.moves and not thing.isdisjoint((joint.a, joint.b))]
    own = [np.array(touch.axis) for joint in moving for touch in joint.touches]
    own += [axis for part in sorted(thing) for axis in mover.model.part_by_id[part].pose[:3, :3].T]
    for line in own:
        if all(abs(float(line @ other)) < SAME_AXIS for other in lines):
            lines.append(line)
    yield from (sign * line for line in lines for sign in (1.0, -1.0))


def _passes(
    thing: frozenset[str],
    body: frozenset[str],
    things: Mapping[str, frozenset[str]],
    way: Array,
    mover: Mover,
) -> bool:
    """Whether a thing, pushing others (by part) before it, gets past the body on a way."""
    enters = (-float(way[0]), -float(way[1]), -float(way[2]))
    pushed, todo = {thing}, [thing]
    while todo:
        own = todo.pop()
        if mover.blockers(sorted(own), sorted(body), enters):
            return False
        others = [part for part in things if things[part] not in pushed]
        new = {things[part] for part in mover.blockers(sorted(own), others, enters)}
        pushed |= new
        todo += sorted(new, key=min)
    return True
