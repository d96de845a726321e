"""What turns on a lone peg lies on its axis, where only rounding keeps it off.

A loose peg bears no moment about its axis, so that a wheel hangs in balance only with its middle right below
or on it. Real ones rub by a hundred times what a file rounds; that is neither measured nor needed: axes that
are one line but for rounding are laid in one, and middles that lie on it but for rounding on it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from steps.model import Array, Joint, Touch, frozen_array
from steps.progress import ticking
from steps.statics.contacts import lone_peg
from steps.statics.rigid import Bodies

#: What lies no further off an axis lies on it, mm: four times the 0.005 mm by which shapes may differ and be
#: read as one.
ON_AXIS_MM = 0.02
#: Axes this near in direction are one (sine): rounding.
SAME_AXIS = 1e-4


@dataclass(frozen=True, eq=False)
class Line:
    """A line through ``point`` (3,) along ``way`` (3,), unit."""

    point: Array
    way: Array

    def foot(self, place: Array) -> Array:
        """(3,) the point of it that is nearest."""
        return np.asarray(self.point + float((place - self.point) @ self.way) * self.way)

    def same(self, other: Line) -> bool:
        off = float(np.linalg.norm(other.point - self.foot(other.point)))
        return off <= ON_AXIS_MM and float(np.linalg.norm(np.cross(self.way, other.way))) <= SAME_AXIS


def on_axes(
    joints: Sequence[Joint], rows: Mapping[str, int], bodies: Bodies
) -> tuple[tuple[Joint, ...], Bodies]:
    """The joints with the axes of lone pegs, and the bodies with their middles, laid in line; ``rows``: of
    each part's body."""
    centroid, laid = bodies.centroid.copy(), {}
    for joint, touch, line in _lines(joints):
        laid[joint.id] = _moved(joint, touch, line)
        for row in (rows[joint.a], rows[joint.b]):
            foot = line.foot(centroid[row])
            if np.linalg.norm(centroid[row] - foot) <= ON_AXIS_MM:
                centroid[row] = foot
    if not laid:
        return tuple(joints), bodies
    return tuple(laid.get(joint.id, joint) for joint in joints), Bodies(bodies.mass_g, centroid)


def _lines(joints: Sequence[Joint]) -> Iterator[tuple[Joint, Touch, Line]]:
    """Each lone peg, and the line that it shares with those of the same parts."""
    known: dict[str, list[Line]] = {}
    for joint in ticking(joints):
        touch = lone_peg(joint)
        if touch is None:
            continue
        own, beside = Line(touch.point, touch.axis), [known.setdefault(end, []) for end in (joint.a, joint.b)]
        line = next((each for lines in beside for each in lines if each.same(own)), own)
        for lines in beside:
            lines.append(line)
        yield joint, touch, line


def _moved(joint: Joint, touch: Touch, line: Line) -> Joint:
    shift = line.foot(touch.point) - touch.point
    way = line.way if float(line.way @ touch.axis) > 0 else -line.way
    there = replace(
        touch, point=touch.point + shift, points=touch.points + shift, axis=frozen_array(way, (3,), "axis")
    )
    return replace(joint, touches=tuple(there if each is touch else each for each in joint.touches))
