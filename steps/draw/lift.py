"""How far new parts are lifted off their place, so that the action shows and not just its result."""

from __future__ import annotations

from collections.abc import Container, Sequence
from dataclasses import dataclass, replace

import numpy as np

from renderer.table import Item
from steps.draw.studio import Studio
from steps.model import Array, Joint, Step
from steps.sequence import Arrival

#: Clear gap between a lifted part and what it goes onto, in pitches. By eye: a stud's height and as much
#: again of air stay visible in an isometric view.
GAP_PITCHES = 0.9
#: The same where no pitch was measured, in shares of the part's largest extent.
GAP_SHARE = 0.25
#: A sub-assembly is lifted further by this share of its largest extent: a long hull would hide the pegs it
#: goes onto. Measured on the demo's tug: none of the four isometric views from above shows the pegs at 0,
#: two do at 0.1, all at 0.2.
WHOLE_SHARE = 0.2


@dataclass(frozen=True, eq=False)
class Lifted:
    """One thing with its shift (3,) mm from its place, and where each leg of its way bends."""

    thing: Arrival
    shift: Array
    way: Array  #: (k, 3) shifts from the lifted place (first) to its seat on what it goes onto (last)
    joints: tuple[Joint, ...]  #: with what is in place before it
    seats: tuple[Array, ...]  #: shift (3,) of the part at the other end of each joint

    @property
    def is_lifted(self) -> bool:
        return len(self.way) > 1


def lifted_things(studio: Studio, step: Step, lift: float | None = None) -> tuple[Lifted, ...]:
    """Each thing of the step, lifted against its move off what carries it; what goes onto a new part
    goes up with it and once more. The first things on the table are not lifted. ``lift``: in usual clear
    gaps, else as the step is drawn."""
    moment = studio.moment(step)
    lift = studio.lift(step) if lift is None else lift
    found: list[Lifted] = []
    for arrived, thing in enumerate(moment.arrivals):
        own = set(thing.parts)
        done = {part: lifted for lifted in found for part in lifted.thing.parts}
        joints = _joints_to(studio, own, moment.standing(arrived))
        partners = [joint.b if joint.a in own else joint.a for joint in joints]
        seats = tuple(done[part].shift if part in done else np.zeros(3) for part in partners)
        base = max(seats, key=lambda shift: float(shift @ shift), default=np.zeros(3))
        way = _way(thing, _distance(studio, thing, joints, lift)) if joints else np.zeros((1, 3))
        found.append(Lifted(thing, base + way[0], base + way, joints, seats))
    return tuple(found)


def _joints_to(studio: Studio, own: set[str], placed: Container[str]) -> tuple[Joint, ...]:
    """Joints between the thing's parts and parts in place, each once, in the plan's order."""
    found = {
        joint.id: joint
        for part in sorted(own)
        for joint in studio.joints_of.get(part, ())
        if (joint.a in own) != (joint.b in own) and (joint.b if joint.a in own else joint.a) in placed
    }
    return tuple(sorted(found.values(), key=lambda joint: _joint_order(joint.id)))


def _joint_order(joint_id: str) -> tuple[int, str]:
    digits = "".join(letter for letter in joint_id if letter.isdigit())
    return int(digits or 0), joint_id


def _distance(studio: Studio, thing: Arrival, joints: Sequence[Joint], lift: float) -> float:
    """How far to lift: out of the deepest joint, and a clear gap; a sub-assembly further."""
    depth = max((joint.depth_mm for joint in joints), default=0.0)
    if thing.assembly:
        points = np.concatenate([studio.item(part, "new").outer for part in thing.parts])
        depth += WHOLE_SHARE * float(np.ptp(points, axis=0).max())
    pitch = studio.plan.measures.pitch_mm
    if pitch:
        return depth + lift * GAP_PITCHES * pitch
    shapes = [studio.plan.model.part_by_id[part].shape for part in thing.parts]
    return depth + lift * GAP_SHARE * max(studio.solids[shape].extent for shape in shapes)


def _way(thing: Arrival, distance: float) -> Array:
    """(k, 3) shifts from the lifted place to the seat, along the legs of the move backwards."""
    legs = thing.move.legs
    if thing.move.straight:
        unit = legs[0] / max(float(np.linalg.norm(legs[0])), 1e-12)
        return np.array([-unit * distance, np.zeros(3)])
    shifts = [np.zeros(3)]
    for leg in legs[::-1]:
        shifts.append(shifts[-1] - leg)
    first = legs[0] / max(float(np.linalg.norm(legs[0])), 1e-12)
    if float(np.linalg.norm(legs[0])) < distance:
        shifts[-1] = shifts[-2] - first * distance
    return np.array(shifts[::-1])


def in_hand(item: Item, one: Lifted) -> Item:
    """An item of a thing as it is held before its move: lifted, and not yet turned home."""
    turn = one.thing.move.turn
    if turn is not None and one.is_lifted:
        item = replace(item, pose=turn.begin @ item.pose)
    return item.moved(one.shift)
