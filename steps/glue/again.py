"""What has to be printed again where a part was glued in wrongly and the glue is hard.

The wrong joints are broken to the harm of one side. What is glued to that side cannot be parted from it and
is lost with it; what is pressed, moves or is not glued yet comes off whole. The lighter side is given up.
"""

from __future__ import annotations

from collections.abc import Collection, Container, Iterable, Mapping

from steps.model import Joints, Measures, Model
from steps.sequence import BuildSequence

#: For each step, by number, of each arrival that is glued in (its first part): the parts to print again.
Again = Mapping[int, Mapping[str, tuple[str, ...]]]


def printed_again(
    model: Model, measures: Measures, joints: Joints, sequence: BuildSequence, glued: Collection[str]
) -> Again:
    """The parts to print again, for each thing that a step of a first copy glues in."""
    lumps = _Lumps(model, measures)
    alike = sequence.alike(joints)
    found: dict[int, dict[str, tuple[str, ...]]] = {}
    for moment in sequence.moments:
        closed = [joints.by_id[name] for name in moment.step.closes if name in glued]
        left = {joint.id: joint for joint in closed}
        for turn, arrival in enumerate(moment.arrivals):
            own, there = set(arrival.parts), moment.standing(turn)
            new = [each for each in left.values() if _meets(own, there, (each.a, each.b))]
            if new:
                inner = [each.a if each.a in own else each.b for each in new]
                outer = [each.b if each.a in own else each.a for each in new]
                found.setdefault(moment.step.number, {})[arrival.parts[0]] = lumps.lighter(inner, outer)
            for each in new:
                del left[each.id]
                for name in alike[each.id]:
                    lumps.tie(joints.by_id[name].a, joints.by_id[name].b)
    return found


def _meets(own: Container[str], there: Container[str], ends: tuple[str, str]) -> bool:
    one, two = ends
    return (one in own and two in there) or (two in own and one in there)


class _Lumps:
    """Parts that are glued to each other."""

    def __init__(self, model: Model, measures: Measures) -> None:
        self.row = model.index_of
        self.grams = {part.id: measures.by_shape[part.shape].printed_g for part in model.parts}
        self.lump: dict[str, list[str]] = {part.id: [part.id] for part in model.parts}

    def tie(self, one: str, two: str) -> None:
        less, more = sorted((self.lump[one], self.lump[two]), key=len)
        if less is not more:
            more.extend(less)
            self.lump.update(dict.fromkeys(less, more))

    def lighter(self, inner: Iterable[str], outer: Iterable[str]) -> tuple[str, ...]:
        """All that is glued to the one side or to the other, whichever is lighter; of equals the inner."""
        sides = [{part for end in ends for part in self.lump[end]} for ends in (inner, outer)]
        least = min(sides, key=lambda side: round(sum(self.grams[part] for part in side), 6))
        return tuple(sorted(least, key=self.row.__getitem__))
