"""What nothing ties to what is held when a model is lifted: where it comes off, or that others keep it in.

What grips tie together, or glue does or could, is a thing. Of those that touch, one through another, the
heaviest is the body; each other stays with it only because whatever way it goes, with all that it pushes, the
body stands there.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from renderer.topology import connected
from steps.bonding import Bonding
from steps.joints.loose import Shut
from steps.model import Array, IntArray, Joint, Joints, Measures, Model, Problem, Severity
from steps.motion import distinct_directions
from steps.sides import STEEP, side_of

#: So many parts are named in a message before it says how many more there are.
NAMED = 6
#: By code, of one part and of several; where it comes off sideways the message ends with the sides.
SAID = {
    "comes-off": (
        "would come off when the model is lifted: nothing holds it and nothing there may be glued. "
        "Take it off first.",
        "would come off when the model is lifted: nothing holds them and nothing there may be glued. "
        "Take them off first.",
    ),
    "slides-off": (
        "may not be glued, and nothing stops it at its end: keep the model level, or give it a stop. It "
        "comes off there:",
        "may not be glued, and nothing stops them at their end: keep the model level, or give them a stop. "
        "They come off there:",
    ),
    "kept-in": (
        "lies loose within others, which keep it in by form alone: it shifts when the model moves.",
        "lie loose within others, which keep them in by form alone: they shift when the model moves.",
    ),
    "left-behind": (
        "hangs on nothing else that is lifted: take hold of it too.",
        "hang on nothing else that is lifted: take hold of them too.",
    ),
}


def listed(names: Sequence[str]) -> str:
    """The first of some names, and how many more there are."""
    more = f" and {len(names) - NAMED} more" if len(names) > NAMED else ""
    return ", ".join(names[:NAMED]) + more


def coming_off(
    model: Model,
    measures: Measures,
    joints: Joints,
    bonding: Bonding,
    loose: Sequence[int],
    aim: str,
) -> list[Problem]:
    """What is told of the parts (rows) that nothing ties to what is held, together of all that fare alike.
    Where the model is for more than display, what slides off it is warned of."""
    if not loose:
        return []
    things = _Things(model, measures, joints.joints, bonding)
    told: dict[tuple[str, tuple[str, ...]], list[str]] = {}
    for row in loose:
        told.setdefault(things.fate(row), []).append(model.parts[row].id)
    problems = []
    for (code, sides), parts in sorted(told.items()):
        text = f"{listed(parts)} {SAID[code][len(parts) > 1]}"
        warned: Severity = "warning" if code == "slides-off" and aim != "display" else "note"
        said = f"{text} {', '.join(sides)}." if code == "slides-off" else text
        problems.append(Problem(code, warned, tuple(parts), said, sides=sides))
    return problems


class _Things:
    """What is tied together, by the rows of its parts, and how each thing fares."""

    def __init__(self, model: Model, measures: Measures, joints: Sequence[Joint], bonding: Bonding):
        self.model, self.joints, self.up = model, joints, measures.up
        self.shut = Shut(model, measures)
        rows, count = model.index_of, len(model.parts)
        ends = np.array([(rows[joint.a], rows[joint.b]) for joint in joints], dtype=np.int64).reshape(-1, 2)
        ties = [
            (joint.hold_n if joint.moves else joint.hold_low_n) > 0
            or (joint.glue_area_mm2 > 0 and joint.id not in bonding.free)
            for joint in joints
        ]
        self.thing = connected(count, ends[np.array(ties, dtype=bool)])
        grams = np.array([measures.by_shape[part.shape].printed_g for part in model.parts])
        weight, self.lot = np.bincount(self.thing, grams).round(6)[self.thing], connected(count, ends)
        lots = [np.flatnonzero(self.lot == one) for one in np.unique(self.lot)]
        heaviest = [int(lot[np.argmax(weight[lot])]) for lot in lots]
        #: (n,) whether a part is of the body of its lot
        self.body = np.isin(self.thing, self.thing[heaviest])
        self._fates: dict[int, tuple[str, tuple[str, ...]]] = {}
        self._ahead: dict[tuple[int, int], IntArray] = {}

    def fate(self, row: int) -> tuple[str, tuple[str, ...]]:
        """The code of what is told of the thing that a part (row) is of, and the sides where it comes off."""
        if self.body[row]:
            return "left-behind", ()
        number = int(self.thing[row])
        if number not in self._fates:
            ways = [
                way for way in self._ways(np.flatnonzero(self.thing == number)) if self._goes(number, way)
            ]
            steep = any(abs(way @ self.up) > STEEP for way in ways)
            sides = () if steep else tuple(sorted({side_of(self.model, way, self.up) for way in ways}))
            self._fates[number] = "comes-off" if steep else "slides-off" if ways else "kept-in", sides
        return self._fates[number]

    def _ways(self, own: IntArray) -> list[Array]:
        """(3,) unit: up, down, along the axes of its own parts and of the joints at which they move."""
        names = {self.model.parts[row].id for row in own.tolist()}
        moving = [each for each in self.joints if each.moves and not names.isdisjoint((each.a, each.b))]
        axes = [touch.axis for joint in moving for touch in joint.touches]
        turned = self.model.poses[own, :3, :3].swapaxes(1, 2).reshape(-1, 3)
        return [
            sign * line for line in distinct_directions([self.up, *axes, *turned]) for sign in (1.0, -1.0)
        ]

    def _goes(self, number: int, way: Array) -> bool:
        """Whether a thing, pushing others of its lot before it, gets past the body."""
        direction, pushed, todo = self.shut.motion.direction_index(way), {number}, [number]
        while todo:
            key = todo.pop(), direction
            if key not in self._ahead:
                own = np.flatnonzero(self.thing == key[0])
                ahead = self.shut.ahead(own, direction)
                self._ahead[key] = ahead[self.lot[ahead] == self.lot[own[0]]]
            if self.body[self._ahead[key]].any():
                return False
            new = set(self.thing[self._ahead[key]].tolist()) - pushed
            pushed |= new
            todo += sorted(new)
        return True
