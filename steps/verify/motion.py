"""Whether a part or sub-assembly can go in as the plan says, past everything that stands already."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import fcl
import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from steps.model import Array, Model
from steps.planfile import JointEntry, MoveEntry, PlanFile, TurnEntry
from steps.verify.solids import MOVING_SHARE, STANDING_SHARE, Solids, placed

#: Overlap that a move may have and still be possible, as a share of the measured stud spacing. Seated parts
#: of a sound model stand in each other by up to 0.03 (deeper is a fault of the model), a noisy file adds
#: 0.01 and facets as much again. The planner's rays, 32 a spacing, see for certain what is two of their
#: distances wide: the same width is used here, so that no plan fails for a sliver that the planner could
#: not see. The thinnest printed wall is some 0.12 of the spacing, and thinning makes none vanish.
TOLERANCE_PITCHES = 2 / 32
#: The same for models without studs, as a share of the middle one of the parts' smallest sides.
TOLERANCE_SIDES = TOLERANCE_PITCHES / 2
#: Parts touch, lie on each other or lie on the table within this share of the overlap that a move may have:
#: 0.04 of the spacing, 0.4 mm in 10.
TOUCH_SHARE = 0.64
#: What lies loose is drawn with some room below it: at most this share of the stud spacing, 0.6 mm in 10 (0.1
#: to 0.5 mm a side are drawn round sliding prints: common practice, no source); without studs this share of
#: the middle one of the parts' longest sides, or of the shorter of the two parts where that is longer.
ROOM_PITCHES, ROOM_SIDES = 0.06, 0.015
#: Rounding of relative poses that count as the same situation, mm and direction cosines.
SAME_DIGITS = 4
#: Angles at which what is turned is looked at for dipping below the table.
TURN_LOOKS = 25
#: A snap gives by its own measure and a little more: lips are faceted.
SNAP_SHARE = 1.2


def motion_tolerance(plan: PlanFile, model: Model) -> float:
    """Overlap in mm that moves may have."""
    if plan.pitch_mm is not None:
        return TOLERANCE_PITCHES * plan.pitch_mm
    least = {shape.id: float(shape.size_mm.min()) for shape in model.shapes}
    return TOLERANCE_SIDES * float(np.median([least[part.shape] for part in model.parts]))


def room_below_mm(plan: PlanFile, model: Model, joint: JointEntry) -> float:
    """How far above what it would come to lie on, by a joint, a thing that lies loose may be drawn."""
    if plan.pitch_mm is not None:
        return ROOM_PITCHES * plan.pitch_mm
    longest = {shape.id: float(shape.size_mm.max()) for shape in model.shapes}
    middle = float(np.median([longest[part.shape] for part in model.parts]))
    own = min(longest[model.part_by_id[end].shape] for end in (joint.a, joint.b))
    return ROOM_SIDES * max(middle, own)


@dataclass(frozen=True)
class Leg:
    """A straight piece of the way out, as offsets from the final place, mm."""

    start: Array
    end: Array


def way_out(move: MoveEntry, far_mm: float) -> tuple[Leg, ...]:
    """The move backwards: from its place, leg by leg, then straight on until ``far_mm`` away."""
    legs = np.array(move, dtype=float)
    if legs.ndim == 1:
        return (Leg(np.zeros(3), -far_mm * legs / np.linalg.norm(legs)),)
    at, found = np.zeros(3), []
    for leg in legs[:0:-1]:
        found.append(Leg(at, at - leg))
        at = at - leg
    return (*found, Leg(at, at - far_mm * legs[0] / np.linalg.norm(legs[0])))


def turned(turn: TurnEntry, degrees: float) -> Array:
    """(4, 4) right-handed turn by so many degrees about the entry's line."""
    pose = np.eye(4)
    pose[:3, :3] = Rotation.from_rotvec(np.radians(degrees) * np.array(turn.axis)).as_matrix()
    pose[:3, 3] = np.array(turn.point) - pose[:3, :3] @ np.array(turn.point)
    return pose


@dataclass(eq=False)
class Mover:
    """Tests moves in one model. Situations that repeat are decided once."""

    model: Model
    solids: Solids
    snaps: Mapping[frozenset[str], float]  #: pair of parts -> snap in mm
    situations: int = 0  #: pairs that were tested by FCL
    pairs: int = 0  #: pairs whose boxes met along the way
    _known: dict[tuple[object, ...], bool] = field(default_factory=dict)
    _boxes: dict[tuple[float, ...], tuple[Array, Array]] = field(default_factory=dict)

    @classmethod
    def of(cls, model: Model, joints: Sequence[JointEntry], tolerance_mm: float) -> Mover:
        snaps = {frozenset((joint.a, joint.b)): joint.snap_mm for joint in joints if joint.snap_mm > 0}
        return cls(model, Solids(model, tolerance_mm), snaps)

    @property
    def far_mm(self) -> float:
        """Further than this nothing can meet."""
        low, high = self.model.bounds
        return 1.01 * float(np.linalg.norm(high - low)) + 1.0

    def blockers(
        self, moving: Sequence[str], standing: Sequence[str], move: MoveEntry, turn: TurnEntry | None = None
    ) -> tuple[str, ...]:
        """Parts of ``standing`` that some part of ``moving`` hits on its way, in the order given."""
        rows = np.array([self.model.index_of[name] for name in standing], dtype=np.int64)
        hit = np.zeros(len(rows), dtype=bool)
        begin = np.eye(4) if turn is None else turned(turn, -turn.degrees)
        for name in moving:
            mover = self.model.index_of[name]
            if turn is not None:
                hit |= self._hit_while_turned(mover, rows, turn)
            for leg in way_out(move, self.far_mm):
                for at in np.flatnonzero(~hit & self._near(mover, rows, leg, begin)):
                    hit[at] = self._meets(mover, int(rows[at]), leg, begin)
        return tuple(name for name, is_hit in zip(standing, hit, strict=True) if is_hit)

    def _hit_while_turned(self, mover: int, rows: NDArray[np.int64], turn: TurnEntry) -> NDArray[np.bool_]:
        """Which rows' parts a part stands in at some angle on its way out, looked at so often that no point
        of it moves further than half the tolerance in between."""
        part = self.model.parts[mover]
        corners = self.model.shape_by_id[part.shape].vertices @ part.pose[:3, :3].T + part.pose[:3, 3]
        off = corners - np.array(turn.point)
        reach = np.linalg.norm(off - np.outer(off @ np.array(turn.axis), turn.axis), axis=1).max()
        looks = int(np.radians(abs(turn.degrees)) * reach / (self.solids.tolerance_mm / 2)) + 2
        hit = np.zeros(len(rows), dtype=bool)
        near = np.linalg.norm(corners - corners.mean(axis=0), axis=1).max() + reach
        boxes, middle = self.model.part_bounds[rows], corners.mean(axis=0)
        close = ((boxes[:, 0] < middle + near) & (boxes[:, 1] > middle - near)).all(axis=1)
        for angle in np.linspace(0.0, -turn.degrees, looks)[1:]:
            pose = turned(turn, float(angle)) @ part.pose
            for at in np.flatnonzero(close & ~hit):
                hit[at] = self._stands_in(mover, int(rows[at]), pose)
        return hit

    def lowest_while_turned(self, group: Sequence[str], turn: TurnEntry, up: Array) -> list[float]:
        """Least height of the parts along ``up`` at angles between their last place and where they begin."""
        parts = [self.model.part_by_id[name] for name in group]
        poses = [turned(turn, float(angle)) for angle in np.linspace(0.0, -turn.degrees, TURN_LOOKS)]
        return [
            float(((self.model.shape_by_id[part.shape].vertices @ there[:3, :3].T + there[:3, 3]) @ up).min())
            for part in parts
            for there in (pose @ part.pose for pose in poses)
        ]

    def _stands_in(self, mover: int, stander: int, pose: Array) -> bool:
        """Whether a part placed by ``pose`` stands in another by more than the tolerance."""
        one, two = self.model.parts[mover], self.model.parts[stander]
        self.pairs += 1
        snap = SNAP_SHARE * self.snaps.get(frozenset((one.id, two.id)), 0.0)
        moved = placed(self.solids.thin(one.shape, MOVING_SHARE, snap), pose)
        return _cross(moved, placed(self.solids.thin(two.shape, STANDING_SHARE, snap), two.pose))

    def _near(self, mover: int, rows: NDArray[np.int64], leg: Leg, begin: Array) -> NDArray[np.bool_]:
        """Which rows' boxes the mover's box, first moved by ``begin``, meets along the leg, in a frame along
        the leg."""
        frame, boxes = self._boxes_along(leg.end - leg.start)
        part = self.model.parts[mover]
        corners = np.array(np.meshgrid(*self.model.shape_by_id[part.shape].bounds.T)).reshape(3, 8).T
        pose = begin @ part.pose
        there = (corners @ pose[:3, :3].T + pose[:3, 3] + leg.start) @ frame
        low, high = there.min(axis=0), there.max(axis=0)
        reach = high + np.array([0.0, 0.0, np.linalg.norm(leg.end - leg.start)])
        slack = self.solids.tolerance_mm
        return np.asarray(
            np.all((boxes[rows, 0] < reach - slack) & (boxes[rows, 1] > low + slack), axis=1), dtype=bool
        )

    def _boxes_along(self, direction: Array) -> tuple[Array, Array]:
        """A frame whose third axis is the direction, and each part's box in it, (n, 2, 3)."""
        unit = direction / np.linalg.norm(direction)
        key = tuple(np.round(unit, 9) + 0.0)
        if key not in self._boxes:
            frame = np.linalg.svd(unit[None])[2][[1, 2, 0]].T
            frame[:, 2] = unit
            corners = np.array(
                [np.array(np.meshgrid(*shape.bounds.T)).reshape(3, 8).T for shape in self.model.shapes]
            )[self.model.shape_index]
            poses = self.model.poses
            there = np.einsum("pij,pcj->pci", poses[:, :3, :3], corners) + poses[:, None, :3, 3]
            there = there @ frame
            self._boxes[key] = (frame, np.stack([there.min(axis=1), there.max(axis=1)], axis=1))
        return self._boxes[key]

    def _meets(self, mover: int, stander: int, leg: Leg, begin: Array) -> bool:
        """Whether one part, first moved by ``begin``, hits another on one leg by more than the tolerance."""
        self.pairs += 1
        one, two = self.model.parts[mover], self.model.parts[stander]
        pose = begin @ one.pose
        snap = SNAP_SHARE * self.snaps.get(frozenset((one.id, two.id)), 0.0)
        turn = two.pose[:3, :3].T
        relative = np.hstack([turn @ pose[:3, :3], (turn @ (pose[:3, 3] - two.pose[:3, 3]))[:, None]])
        key = (
            one.shape,
            two.shape,
            snap,
            *(np.round([*relative.ravel(), *(turn @ leg.start), *(turn @ leg.end)], SAME_DIGITS) + 0.0),
        )
        if key not in self._known:
            self.situations += 1
            self._known[key] = self._sweeps_meet(mover, stander, leg, snap, pose)
        return self._known[key]

    def _sweeps_meet(self, mover: int, stander: int, leg: Leg, snap: float, pose: Array) -> bool:
        one, two = self.model.parts[mover], self.model.parts[stander]
        thin_one = self.solids.thin(one.shape, MOVING_SHARE, snap)
        thin_two = self.solids.thin(two.shape, STANDING_SHARE, snap)
        back_one, back_two = pose[:3, :3].T, two.pose[:3, :3].T
        strips = self.solids.sweep(one.shape, MOVING_SHARE, snap, back_one @ leg.start, back_one @ leg.end)
        if _cross(placed(strips, pose), placed(thin_two, two.pose)):
            return True
        strips = self.solids.sweep(
            two.shape, STANDING_SHARE, snap, back_two @ -leg.start, back_two @ -leg.end
        )
        return _cross(placed(strips, two.pose), placed(thin_one, pose))


def _cross(one: fcl.CollisionObject, two: fcl.CollisionObject) -> bool:
    return bool(fcl.collide(one, two, fcl.CollisionRequest(), fcl.CollisionResult()))


@dataclass(eq=False)
class Toucher:
    """Whether two parts touch, by FCL's distance between their whole meshes."""

    model: Model
    solids: Solids
    within_mm: float
    _known: dict[tuple[object, ...], float] = field(default_factory=dict)

    def distance(self, one_id: str, two_id: str) -> float:
        """Distance in mm, 0 when they touch or overlap."""
        one, two = self.model.part_by_id[one_id], self.model.part_by_id[two_id]
        relative = np.linalg.inv(two.pose) @ one.pose
        key = (one.shape, two.shape, *(np.round(relative[:3].ravel(), SAME_DIGITS) + 0.0))
        if key not in self._known:
            objects = [placed(self.solids.whole(part.shape), part.pose) for part in (one, two)]
            if _cross(*objects):
                self._known[key] = 0.0
            else:
                result = fcl.DistanceResult()
                found = fcl.distance(*objects, fcl.DistanceRequest(), result)
                self._known[key] = max(float(found), 0.0)
        return self._known[key]

    def touch(self, one: str, two: str) -> bool:
        return self.distance(one, two) <= self.within_mm
