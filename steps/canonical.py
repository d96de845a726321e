"""A model as it is computed with, so that nothing hangs on how it stands in its file.

Ties are decided by row, and rows follow from the geometry alone: from below, by shape and colour, then by
place as seen from the corner that gives the least list, whichever way the model is turned about the vertical.
Lengths are taken about the model's own middle and rounded to what no maker means, so that a model that was
moved in its file gives the same numbers. What was computed is carried back to the file's coordinates.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from steps.model import Array, Gluing, IntArray, Joints, Model, Move, Order, Rotation, Shape

#: Places that agree to this are one place to a row's key, mm: files keep more, and printers less.
KEY_MM, KEY_TURN = 1e-3, 1e-4
#: A step off zero, so that the usual round numbers do not fall between two (as in joints/situations.py).
OFF = 0.37
#: Decimals of a place (mm) and of an entry of a rotation: rounding in a file's numbers is finer.
PLACE_DIGITS, TURN_DIGITS = 6, 12
QUARTERS = np.array([[[c, -s], [s, c]] for c, s in ((1, 0), (0, 1), (-1, 0), (0, -1))], dtype=np.float64)


@dataclass(frozen=True, eq=False)
class Canonical:
    """A model as given and as computed with: the same ids, in other rows and about ``middle`` (3,)."""

    given: Model
    middle: Array

    @staticmethod
    def of(given: Model) -> Canonical:
        if not given.placed or not given.parts:
            return Canonical(given, np.zeros(3))
        low, high = given.bounds
        return Canonical(given, np.append((low + high)[:2] / 2, low[2]))

    @cached_property
    def model(self) -> Model:
        """The model as computed with; loose parts as they are."""
        if not self.given.placed:
            return self.given
        shapes = sorted(self.given.shapes, key=_shape_key)
        ranks = {shape.id: rank for rank, shape in enumerate(shapes)}
        parts = []
        for row in _rows(self.given, ranks, self.middle).tolist():
            part = self.given.parts[row]
            pose = np.round(part.pose, TURN_DIGITS)
            pose[:3, 3] = self._here(part.pose[:3, 3])
            parts.append(replace(part, pose=pose + 0.0))
        return replace(self.given, shapes=tuple(shapes), parts=tuple(parts))

    def here(self, joints: Joints) -> Joints:
        """Joints in the file's coordinates as they are computed with."""
        rows = self.model.index_of
        found = sorted(joints.joints, key=lambda joint: sorted((rows[joint.a], rows[joint.b])))
        moved = (
            tuple(replace(t, point=self._here(t.point), points=self._here(t.points)) for t in joint.touches)
            for joint in found
        )
        pairs = zip(found, moved, strict=True)
        return replace(joints, joints=tuple(replace(joint, touches=touches) for joint, touches in pairs))

    def back(self, joints: Joints) -> Joints:
        """Joints as computed, in the file's coordinates."""
        moved = (
            replace(
                joint,
                touches=tuple(
                    replace(t, point=t.point + self.middle, points=t.points + self.middle)
                    for t in joint.touches
                ),
            )
            for joint in joints.joints
        )
        return replace(joints, joints=tuple(moved))

    def order_back(self, order: Order) -> Order:
        """An order as computed: its turns' lines in the file's coordinates."""
        steps = tuple(
            replace(
                step,
                moves={part: self._moved(move) for part, move in step.moves.items()},
                attaches=tuple(replace(each, move=self._moved(each.move)) for each in step.attaches),
            )
            for step in order.steps
        )
        return replace(order, steps=steps)

    def gluing_back(self, gluing: Gluing) -> Gluing:
        """A gluing as computed: its faces in the file's coordinates."""
        faces = {
            joint: tuple(replace(face, outline=face.outline + self.middle) for face in own)
            for joint, own in gluing.faces.items()
        }
        return replace(gluing, faces=faces)

    def with_shapes(self, made: Model) -> Model:
        """The model as given, of the shapes and with the problems of ``made``, which was computed of it."""
        shapes = tuple(made.shape_by_id[shape.id] for shape in self.given.shapes)
        return replace(self.given, shapes=shapes, problems=made.problems)

    def _here(self, points: Array) -> Array:
        return np.asarray(np.round(points - self.middle, PLACE_DIGITS) + 0.0)

    def _moved(self, move: Move) -> Move:
        turn = move.turn
        if turn is None:
            return move
        return replace(move, turn=Rotation(turn.axis, turn.point + self.middle, turn.degrees))


def _shape_key(shape: Shape) -> tuple[object, ...]:
    """What tells shapes apart whatever their names are."""
    return (
        len(shape.vertices),
        len(shape.faces),
        _whole(np.sort(shape.size_mm), KEY_MM).tolist(),
        _whole(shape.vertices, KEY_MM).tolist(),
    )


def _rows(model: Model, ranks: Mapping[str, int], middle: Array) -> IntArray:
    """Rows of the parts, from below; of four ways to see the model the one that gives the least list."""
    boxes = model.part_bounds - middle
    rank = np.array([ranks[part.shape] for part in model.parts])
    colour = np.array([int(part.colour[1:], 16) for part in model.parts])
    fixed = np.column_stack([_whole(boxes[:, 0, 2], KEY_MM), rank, colour])
    turns = model.poses[:, :3, :3]
    best: tuple[list[list[int]], IntArray] | None = None
    for quarter in QUARTERS:
        seen = np.concatenate([quarter @ turns[:, :2], turns[:, 2:]], axis=1).reshape(-1, 9)
        place = _whole(boxes.mean(axis=1)[:, :2] @ quarter.T, KEY_MM)
        key = np.column_stack([fixed, place, _whole(seen, KEY_TURN)])
        order = np.lexsort(key.T[::-1])
        found = key[order].tolist()
        if best is None or found < best[0]:
            best = found, order
    assert best is not None
    return best[1]


def _whole(values: Array, step: float) -> IntArray:
    return np.floor(values / step + OFF).astype(np.int64)
