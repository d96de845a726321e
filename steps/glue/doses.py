"""How much glue each joint can be given in time, and how much of its faces that wets.

All joints that one push closes are glued at once: their drops are set one after the other, then the part is
pressed home, all within the open time. Where not every face can be covered in that time, the drops are dealt
so that each joint has about the same share of its faces wetted; a joint that gets none cannot be glued.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from steps.glue.families import Family, glue_book
from steps.model import GlueFace, Joint, Joints, Touch
from steps.progress import ticking
from steps.sequence import BuildSequence, Moment

#: Ids of the joints that each push closes.
Pushes = Sequence[tuple[str, ...]]
#: Diameter of a bead from a usual nozzle, mm (common practice, no source).
BEAD_MM = 2.0


@dataclass(frozen=True)
class Dose:
    """Glue for one joint: ``share`` of the faces that the family bonds is wetted."""

    drops: int
    ml: float
    share: float


def bonded(joint: Joint, chosen: Family) -> tuple[Touch, ...]:
    """The contacts whose faces the family can bond: those whose own gap it bridges."""
    if joint.moves:
        return ()
    return tuple(
        touch for touch in joint.touches if touch.bond_gap_mm <= chosen.greatest_gap_mm and touch.area_mm2 > 0
    )


def glue_faces(joint: Joint, chosen: Family) -> tuple[GlueFace, ...]:
    """The faces of a joint to put glue on."""
    return tuple(
        GlueFace(touch.kind, touch.carrier, touch.area_mm2, touch.bond_gap_mm, touch.points)
        for touch in bonded(joint, chosen)
    )


def bond_area(joint: Joint, chosen: Family) -> float:
    """Area of the joint's faces that the family can bond, mm2."""
    return sum(touch.area_mm2 for touch in bonded(joint, chosen))


def bond_volume(joint: Joint, chosen: Family) -> float:
    """Volume for all faces of a joint, mL: V = A t (1 + waste), t the film or the gap, if wider."""
    cubic_mm = sum(touch.area_mm2 * max(chosen.film_mm, touch.bond_gap_mm) for touch in bonded(joint, chosen))
    return float(cubic_mm * (1.0 + glue_book().process["waste"]) / 1000.0)


def drops_for(volume_ml: float, chosen: Family) -> int:
    """Drops of the family's usual nozzle for a volume, one at least."""
    return max(1, math.ceil(volume_ml / chosen.drop_ml - 1e-9))


def bead_mm(volume_ml: float, diameter_mm: float = BEAD_MM) -> float:
    """Length of a round bead of that volume, mm."""
    return volume_ml * 1000.0 / (math.pi / 4.0 * diameter_mm**2)


def open_s(chosen: Family, celsius: float) -> float:
    """Seconds from the first drop in which the faces may be closed: heat shortens them, cold is no excuse."""
    return chosen.open_s * min(1.0, chosen.slower(celsius) or 1.0)


def most_drops(chosen: Family, celsius: float) -> int:
    """Drops that can be set before the part must be pressed home."""
    process = glue_book().process
    return max(0, math.floor((open_s(chosen, celsius) - process["press_s"]) / process["drop_s"] + 1e-9))


def pushes_of(sequence: BuildSequence, joints: Joints) -> Pushes:
    """The joints that each push closes, in every copy of its assembly, in the order of the build."""
    alike = sequence.alike(joints)
    found = []
    for moment in sequence.moments:
        for closed in _closed(moment, joints):
            several = [alike[joint] for joint in closed]
            for copy in range(len(moment.copies)):
                found.append(tuple(same[copy] for same in several if copy < len(same)))
    return tuple(found)


def _closed(moment: Moment, joints: Joints) -> Iterable[tuple[str, ...]]:
    """The joints that each arrival of a step closes: those whose second part it brings."""
    comes = {part: turn for turn, arrival in enumerate(moment.arrivals) for part in arrival.parts}
    closed: list[list[str]] = [[] for _ in moment.arrivals]
    for name in moment.step.closes:
        joint = joints.by_id[name]
        turns = [comes[part] for part in (joint.a, joint.b) if part in comes]
        if turns:
            closed[max(turns)].append(name)
    return [tuple(names) for names in closed if names]


def doses(joints: Sequence[Joint], pushes: Pushes, chosen: Family, celsius: float) -> Mapping[str, Dose]:
    """What each of the joints to glue gets, by id; those that no face of is bonded, or no drop is left for,
    are missing. Of equals in one push the first of the ``joints`` gets the odd drop."""
    wanted = {joint.id: joint for joint in ticking(joints) if bond_area(joint, chosen) > 0}
    rank = {name: place for place, name in enumerate(wanted)}
    together = [sorted((name for name in push if name in wanted), key=rank.__getitem__) for push in pushes]
    alone = set(wanted) - {name for push in together for name in push}
    most = most_drops(chosen, celsius)
    found: dict[str, Dose] = {}
    for push in ticking([*together, *((name,) for name in sorted(alone))]):
        volumes = [bond_volume(wanted[name], chosen) for name in push]
        given = dealt([drops_for(volume, chosen) for volume in volumes], most)
        for name, volume, drops in zip(push, volumes, given, strict=True):
            if drops:
                found[name] = Dose(drops, drops * chosen.drop_ml, min(1.0, drops * per_drop(volume, chosen)))
    return found


def per_drop(volume_ml: float, chosen: Family) -> float:
    """The share of its faces that each drop wets of a joint that all of them take so much: what is too
    little to cover them does not run out beside them, so that nothing is wasted."""
    return chosen.drop_ml * (1.0 + glue_book().process["waste"]) / volume_ml


def dealt(wanted: Sequence[int], most: int) -> list[int]:
    """How many drops each gets of ``most``: all that are wanted, else in turn to the one with the least share
    of its own, the largest first among equals."""
    if sum(wanted) <= most:
        return list(wanted)
    given = [0] * len(wanted)
    waiting = [(0.0, -want, place) for place, want in enumerate(wanted)]
    heapq.heapify(waiting)
    for _ in range(most):
        _, rank, place = heapq.heappop(waiting)
        given[place] += 1
        if given[place] < wanted[place]:
            heapq.heappush(waiting, (given[place] / wanted[place], rank, place))
    return given


def glued_strength(joint: Joint, chosen: Family, dose: Dose | None) -> float:
    """Design strength of the joint when glued with a dose of the family, N; nothing without one."""
    return 0.0 if dose is None else dose.share * bond_area(joint, chosen) * chosen.design_mpa
