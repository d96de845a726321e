"""A model as it is computed with, so that nothing hangs on how it stands in its file.

It is turned by the quarters about the vertical, and its rows are sorted, that give the least list of what
stands where: from below, by shape and colour, by place, then by how the surface spreads (its moments, since
how a file writes the pose of something symmetric means nothing). A model that falls on itself has several
such turns, and any of them is right. Ties are decided by row or by axis from then on. Lengths are taken about
the model's own middle and rounded to what no maker means, so that a model that was moved in its file gives
the same numbers. What was computed is carried back to the file's coordinates.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from renderer.camera import upright
from steps.model import (
    Array,
    Gluing,
    IntArray,
    Joint,
    Joints,
    Measures,
    Model,
    Move,
    Order,
    Rotation,
    Shape,
    Sight,
    Touch,
    View,
    quarter_turn,
)
from steps.moments import SEEN, Moments
from steps.progress import ticking
from steps.ties import comes_first, ranks, rows_in_order

#: Places nearer than this are one place, mm: files of six digits tell those of less than a metre to 0.0005 mm
#: (0.002 mm at four times their size), and what differs by less than 0.005 mm is read as one shape.
KEY_MM = 5e-3
#: Decimals of a place (mm) and of an entry of a rotation: rounding in a file's numbers is finer.
PLACE_DIGITS, TURN_DIGITS = 6, 12


@dataclass(frozen=True, eq=False)
class Canonical:
    """A model as given and as computed with: the same ids, in other rows, about ``middle`` (3,) and turned by
    ``quarters``."""

    given: Model
    middle: Array
    quarters: int
    shapes: tuple[Shape, ...]
    rows: IntArray  #: of the parts as given, in the order in which they are computed with

    @staticmethod
    def of(given: Model) -> Canonical:
        if not given.placed or not given.parts:
            return Canonical(given, np.zeros(3), 0, given.shapes, np.arange(len(given.parts)))
        low, high = given.bounds
        middle = np.append((low + high)[:2] / 2, low[2])
        moments = [Moments.of(shape.vertices, shape.faces) for shape in ticking(given.shapes)]
        kinds = _kinds(given.shapes, moments)
        quarters, rows = _seen(given, kinds, moments, middle)
        first = {given.parts[row].shape: place for place, row in reversed(list(enumerate(rows.tolist())))}
        ranks = {shape.id: rank for shape, rank in zip(given.shapes, kinds.tolist(), strict=True)}
        shapes = sorted(given.shapes, key=lambda shape: (ranks[shape.id], first.get(shape.id, len(rows))))
        return Canonical(given, middle, quarters, tuple(shapes), rows)

    @cached_property
    def model(self) -> Model:
        """The model as computed with; loose parts as they are."""
        if not self.given.placed:
            return self.given
        parts = []
        for row in ticking(self.rows.tolist()):
            part = self.given.parts[row]
            pose = np.eye(4)
            pose[:3, :3] = np.round(self._turn @ part.pose[:3, :3], TURN_DIGITS)
            pose[:3, 3] = self._here(part.pose[:3, 3])
            parts.append(replace(part, pose=pose + 0.0))
        return replace(self.given, shapes=self.shapes, parts=tuple(parts), quarters=self.quarters)

    @cached_property
    def _turn(self) -> Array:
        return quarter_turn(self.quarters)

    # ------------------------------------------------------------------- to what is computed with

    def measures_here(self, measures: Measures) -> Measures:
        """Measures in the file's coordinates as they are computed with."""
        return replace(measures, up=self._turn @ measures.up)

    def here(self, joints: Joints) -> Joints:
        """Joints in the file's coordinates as they are computed with."""
        rows = self.model.index_of
        found = sorted(joints.joints, key=lambda joint: sorted((rows[joint.a], rows[joint.b])))
        turned = (
            replace(
                joint,
                axis=self._turn @ joint.axis,
                touches=tuple(
                    _turned(touch, self._turn, self._here(touch.point), self._here(touch.points))
                    for touch in joint.touches
                ),
            )
            for joint in ticking(found)
        )
        return replace(joints, joints=tuple(turned))

    # ------------------------------------------------------------------------------- and back

    def measures_back(self, measures: Measures) -> Measures:
        """Measures as computed: the way up in the file's coordinates."""
        return replace(measures, up=self._way_back(measures.up))

    def back(self, joints: Joints) -> Joints:
        """Joints as computed, in the file's coordinates."""
        return replace(joints, joints=tuple(map(self._joint_back, ticking(joints.joints))))

    def order_back(self, order: Order) -> Order:
        """An order as computed: its moves and ways up in the file's coordinates."""
        steps = tuple(
            replace(
                step,
                moves={part: self._move_back(move) for part, move in step.moves.items()},
                attaches=tuple(replace(each, move=self._move_back(each.move)) for each in step.attaches),
                up=self._way_back(step.up),
            )
            for step in ticking(order.steps)
        )
        return replace(order, steps=steps, up=self._way_back(order.up))

    def gluing_back(self, gluing: Gluing) -> Gluing:
        """A gluing as computed: its faces in the file's coordinates."""
        faces = {
            joint: tuple(replace(face, outline=self._points_back(face.outline)) for face in own)
            for joint, own in ticking(gluing.faces.items())
        }
        return replace(gluing, faces=faces)

    def sights_back(self, sights: Sequence[Sight], order: Order) -> tuple[Sight, ...]:
        """Sights as chosen for an order as computed: views and lifts in the file's coordinates."""
        ups = {step.number: step.up for step in order.steps}
        return tuple(self._sight_back(sight, ups[sight.number]) for sight in ticking(sights))

    def with_shapes(self, made: Model) -> Model:
        """The model as given, of the shapes and with the problems of ``made``, which was computed of it."""
        shapes = tuple(made.shape_by_id[shape.id] for shape in self.given.shapes)
        return replace(self.given, shapes=shapes, problems=made.problems)

    def _here(self, points: Array) -> Array:
        return np.asarray(np.round((points - self.middle) @ self._turn.T, PLACE_DIGITS) + 0.0)

    def _points_back(self, points: Array) -> Array:
        return np.asarray(points @ self._turn + self.middle)

    def _way_back(self, way: Array) -> Array:
        return np.asarray(way @ self._turn + 0.0)

    def _joint_back(self, joint: Joint) -> Joint:
        touches = tuple(
            _turned(touch, self._turn.T, self._points_back(touch.point), self._points_back(touch.points))
            for touch in joint.touches
        )
        return replace(joint, axis=self._way_back(joint.axis), touches=touches)

    def _move_back(self, move: Move) -> Move:
        turn = move.turn
        if turn is not None:
            turn = Rotation(self._way_back(turn.axis), self._points_back(turn.point), turn.degrees)
        return Move(self._way_back(move.legs), turn)

    def _sight_back(self, sight: Sight, up: Array) -> Sight:
        """Azimuths are told on the table, to which each frame turns the way up by the shortest way."""
        across = upright(self._way_back(up)) @ self._turn.T @ upright(up).T
        angle = float(np.arctan2(across[1, 0], across[0, 0]))
        lifts = {
            part: (float(x), float(y), float(z))
            for part, (x, y, z) in ((p, self._way_back(np.array(lift))) for p, lift in sight.lifts.items())
        }
        closer = tuple(replace(look, view=_swung(look.view, angle)) for look in sight.closer)
        return replace(sight, view=_swung(sight.view, angle), lifts=lifts, closer=closer)


def _turned(touch: Touch, turn: Array, point: Array, points: Array) -> Touch:
    return replace(touch, point=point, points=points, axis=turn @ touch.axis, normals=touch.normals @ turn.T)


def _swung(view: View, angle: float) -> View:
    """A view from an angle further round, within half a turn of +x."""
    azimuth = view.azimuth + angle
    return View(azimuth - 2 * np.pi * round(azimuth / (2 * np.pi)), view.elevation)


# ------------------------------------------------------------------------------- what stands where


def _kinds(shapes: Sequence[Shape], moments: Sequence[Moments]) -> IntArray:
    """(shapes,) rank of what tells each apart whatever its name is and however its own axes lie; mirror
    images are of one rank."""
    keys = []
    for shape, found in zip(shapes, moments, strict=True):
        radii = np.sqrt(np.maximum(np.linalg.eigvalsh(found.second), 0.0))
        skew = float(np.cbrt(np.linalg.norm(found.third)))
        keys.append([len(shape.vertices), len(shape.faces), found.root_area, *radii, skew])
    columns = [ranks(column, KEY_MM) for column in np.array(keys).T]
    return np.unique(np.column_stack(columns), axis=0, return_inverse=True)[1].reshape(-1)


def _seen(model: Model, kinds: IntArray, moments: Sequence[Moments], middle: Array) -> tuple[int, IntArray]:
    """The quarters to turn by, and the rows of the parts from below, that give the least list."""
    boxes = model.part_bounds - middle
    colour = np.array([int(part.colour[1:], 16) for part in model.parts])
    fixed = np.column_stack([boxes[:, 0, 2], kinds[model.shape_index], colour])
    best: tuple[Array, int, IntArray] | None = None
    for quarters in range(4):
        turn = quarter_turn(quarters)
        turns = turn @ model.poses[:, :3, :3]
        spread = np.zeros((len(model.parts), SEEN))
        for row, found in enumerate(ticking(moments)):
            own = model.shape_index == row
            spread[own] = found.seen(turns[own])
        table = np.column_stack([fixed, (boxes.mean(axis=1) @ turn.T)[:, :2], spread])
        rows = rows_in_order(table, KEY_MM)
        if best is None or comes_first(table[rows], best[0], KEY_MM):
            best = table[rows], quarters, rows
    assert best is not None
    return best[1], best[2]
