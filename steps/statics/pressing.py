"""What pressing a part home does to what stands already.

The hand that presses carries the new part and pushes it along its way in. What stands feels the same push
through the joints that close, each in proportion to the force that it takes to close it, at the place where
it grips. Two tests tell without a programme that what stands gives way (:func:`slides`, :func:`tips`);
whether it holds is for :class:`steps.statics.Stand` to say, with :attr:`Press.on_parts` as its loads.
"""

from __future__ import annotations

from collections.abc import Container, Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.spatial import ConvexHull, QhullError

from steps.model import Array, IntArray, Joint, frozen_array, frozen_indices
from steps.statics.flat import flat, unit
from steps.statics.structure import Structure

#: A way in within 1 deg of straight down has nothing to speak of across it: cos 1 deg, less than 2 % across.
DOWN_COSINE = 0.9998
#: A force below this is rounding, N.
NOTHING_N = 1e-6


@dataclass(frozen=True, eq=False)
class Press:
    """The load of pressing some parts home: ``push_n`` newtons along the unit vector ``way``.

    ``on`` (k,) are the rows of the standing parts that are pressed on, the most loaded first; ``wrench``
    (k, 6) is what each of them feels: force (N) and moment (N mm) about its centroid, weight not included.
    """

    way: Array
    push_n: float
    on: IntArray
    wrench: Array
    names: tuple[str, ...]

    def loads(self, count: int) -> Array:
        """(count, 6) as loads on all ``count`` bodies of the structure."""
        loads = np.zeros((count, 6))
        loads[self.on] = self.wrench
        return loads

    @property
    def on_parts(self) -> dict[str, Array]:
        """Part id -> (6,) what it feels, as :meth:`steps.statics.Stand.stands` takes them."""
        return dict(zip(self.names, self.wrench, strict=True))

    @property
    def forces(self) -> Array:
        """(k, 3) N on each part pressed on."""
        return self.wrench[:, :3]

    def is_down(self, up: ArrayLike) -> bool:
        """Whether what stands is pressed straight onto its table."""
        return bool(self.way @ unit(up) <= -DOWN_COSINE)


def pressing(
    structure: Structure,
    standing: Container[str],
    parts: Iterable[str],
    way: ArrayLike,
    push_n: float | None = None,
) -> Press:
    """The load on ``standing`` (part ids) of pressing ``parts`` home together along ``way`` (3,).

    ``parts`` is one part, or all parts of a sub-assembly that goes in as one; ``way`` is the last leg of
    their move, of any length. By default the push is the sum of ``push_n`` of the joints that close;
    another total (an adult's blow, a measured force) is shared out in the same proportion, or evenly where
    no joint resists. With nothing to press on, or no push at all, the load is empty.
    """
    direction = unit(way)
    closing = _closing(structure, standing, set(parts))
    own = np.array([joint.push_n for joint, _ in closing])
    total = float(own.sum()) if push_n is None else push_n
    if not closing or total <= NOTHING_N:
        return _nothing(direction)
    shares = own / own.sum() if own.sum() > 0 else np.full(len(own), 1.0 / len(own))
    felt: dict[int, Array] = {}
    for (joint, name), share in zip(closing, shares, strict=True):
        row = structure.model.index_of[name]
        force = share * total * direction
        arm = _where(joint) - structure.bodies.centroid[row]
        felt[row] = felt.get(row, np.zeros(6)) + np.concatenate([force, np.cross(arm, force)])
    felt = {row: wrench for row, wrench in felt.items() if np.linalg.norm(wrench[:3]) > NOTHING_N}
    on = sorted(felt, key=lambda row: (-round(float(np.linalg.norm(felt[row][:3])), 6), row))
    names = tuple(structure.model.parts[row].id for row in on)
    wrench = np.array([felt[row] for row in on])
    return Press(direction, total, frozen_indices(on, (None,)), frozen_array(wrench, (None, 6)), names)


def slides(press: Press, up: ArrayLike, weight_n: float, friction: float) -> bool:
    """Whether what stands, of weight ``weight_n``, certainly slides on the table or is lifted off it."""
    height = float(press.way @ unit(up))
    across = press.push_n * float(np.linalg.norm(press.way - height * unit(up)))
    onto = weight_n - press.push_n * height
    return onto < 0 or across > friction * onto


def tips(press: Press, up: ArrayLike, weight_n: float, centre: Array, support: Array, bodies: Array) -> bool:
    """Whether what stands, taken as one rigid body, certainly tips over the edge of its support.

    ``centre`` (3,) is its centre of mass, ``support`` (m, 3) where it stands on the table, ``bodies`` (k, 3)
    the centroids of the parts pressed on. Standing on nothing counts as tipping.
    """
    vertical = unit(up)
    try:
        edges = ConvexHull(flat(support, vertical)).equations
    except (QhullError, ValueError, IndexError):
        return True
    middle = support.mean(axis=0)
    force = -weight_n * vertical + press.wrench[:, :3].sum(axis=0)
    moment = np.cross(centre - middle, -weight_n * vertical) + press.wrench[:, 3:].sum(axis=0)
    moment += np.cross(bodies - middle, press.wrench[:, :3]).sum(axis=0)
    down = -float(force @ vertical)
    if down <= 0:
        return True
    # where a single force through the table's plane would balance: its moment about the middle is the same
    at = middle + np.cross(moment, vertical) / down
    return bool(np.any(edges[:, :2] @ flat(at[None], vertical)[0] + edges[:, 2] > 1e-6))


def _closing(structure: Structure, standing: Container[str], parts: set[str]) -> list[tuple[Joint, str]]:
    """Joints from the new parts to the standing ones, each with its standing part, in joint order."""
    joints = structure.joints
    found = {
        joint.id: (joint, joint.other(part))
        for part in parts
        for joint in joints.of_part.get(part, ())
        if joint.other(part) not in parts and joint.other(part) in standing
    }
    return [found[name] for name in sorted(found, key=structure.joint_row.__getitem__)]


def _where(joint: Joint) -> Array:
    """(3,) where a joint resists: amid what grips, or amid all its contacts where nothing does."""
    gripping = [touch for touch in joint.touches if touch.kind != "rest"] or list(joint.touches)
    return np.mean([touch.point for touch in gripping], axis=0)


def _nothing(direction: Array) -> Press:
    empty = frozen_indices([], (None,))
    return Press(direction, 0.0, empty, frozen_array(np.empty((0, 6)), (None, 6)), ())
