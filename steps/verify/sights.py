"""Whether a step's drawing shows where its parts go: rays of this module's own from those places to the eye.

Nothing of how pictures are made is used here. From the plan come the view, how far each new part is drawn
from its place, and where joints touch. Each shape's triangles are hit in its own coordinates, by the rays to
the eye from all those places that a part of it may stand before.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from embreex.mesh_construction import TriangleMesh
from embreex.rtcore_scene import EmbreeScene
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from renderer.scenes import ray_scene
from steps.model import Array, Model
from steps.planfile import JointEntry, MoveEntry, PlanFile, StepEntry, TouchEntry, TurnEntry, ViewEntry
from steps.verify.dry import as_dry, as_glued
from steps.verify.report import Check

#: Places are looked at so far off the surface, mm: more than the plan's rounding, less than a line is wide.
OFF_MM = 0.1
#: What lies no deeper under a place than this carries it, mm.
LIES_MM = 3 * OFF_MM
#: Round the middle of each contact stand so many places, so far away in pitches (within every stud's end),
#: else in shares of the way from its axis to its nearest side; on a face in shares of the side of a square as
#: large.
ROUND, ROUND_PITCHES, ROUND_WAYS, ROUND_SIDES = 7, 0.15, 0.6, 0.25
#: The nearest side is looked for in so many ways round the axis.
SIDEWAYS = 24
#: A plan may say that so much more is seen than is found here: it looks at other places, and a single stud is
#: looked at in some five.
TOLD_MORE = 0.3
#: Shares below this are told.
LEAST = 0.35


@dataclass(frozen=True, eq=False)
class Drawn:
    """One thing as a step draws it."""

    parts: tuple[str, ...]
    shift: Array  #: (3,) mm from its place
    move: MoveEntry
    turn: TurnEntry | None


def check_sights(plan: PlanFile, model: Model) -> Check:
    """Every thing that joins what stands is drawn off its place, against its move, and as much is seen of
    where it goes as the plan says, in the drawing or in a closer look."""
    check = Check("sites seen", "things")
    seen = shares_seen(as_glued(plan), model, check)
    if opened := frozenset(number for step in plan.steps for number in step.reopens):
        seen += shares_seen(as_dry(plan), model, check, opened)
    check.looked_at = len(seen)
    if seen:
        hidden = sum(share < LEAST for share in seen)
        check.remark = (
            f"of where they go {np.median(seen):.2f} seen in the median, {min(seen):.2f} at least; "
            f"{hidden} less than {LEAST}"
        )
    return check


def shares_seen(
    plan: PlanFile, model: Model, check: Check, only: frozenset[int] = frozenset()
) -> list[float]:
    """Of each thing that joins what stands, how much is seen of where it goes; what the plan says otherwise
    is a fault of ``check``. ``only``: the numbers of the steps that are looked at; none for all."""
    seen: list[float] = []
    heaps: dict[str, EmbreeScene] = {}  # of each shape, made once
    for step, before, things in _drawings(plan):
        if not step.lifts or (only and step.number not in only):
            continue  # of an earlier program, or not asked
        scene = _Scene(plan, model, step, before, things, heaps)
        places = {at: found for at in range(len(things)) if len(found := scene.places(at))}
        shown = scene.shown(list(places.values()), step.view, (), range(len(things)))
        for at, share in zip(places, shown, strict=True):
            _lifted(scene, at, check)
            seen.append(_seen(scene, at, places[at], share, check))
    return seen


def _lifted(scene: _Scene, at: int, check: Check) -> None:
    thing = scene.things[at]
    legs = np.atleast_2d(np.array(thing.move, dtype=float))
    way = legs[0] / np.linalg.norm(legs[0])
    if float(thing.shift @ way) > -OFF_MM:
        off = np.round(thing.shift, 1).tolist()
        text = f"{thing.parts[0]} is drawn {off} mm from its place, not back along its move"
        check.fault(text, scene.step.number, thing.parts)


def _seen(scene: _Scene, at: int, places: Array, shown: float, check: Check) -> float:
    """The greatest share of a thing's places that the drawing (``shown``) or a closer look shows; that of
    closer looks also for things alike."""
    thing, step = scene.things[at], scene.step
    one = 1 / len(places)
    _as_told(check, step, thing.parts, step.sites.get(thing.parts[0]), shown + one, "the drawing")
    for look in step.closer:
        if scene.kind(look.parts) != scene.kind(thing.parts):
            continue
        if look.parts != thing.parts:
            shown = max(shown, look.sites)  # measured where its own turn comes
            continue
        (found,) = scene.shown([places], look.view, look.away, scene.beside(at))
        _as_told(check, step, thing.parts, look.sites, found + one, "the closer look")
        shown = max(shown, found)
    return shown


def _as_told(
    check: Check, step: StepEntry, parts: tuple[str, ...], told: float | None, most: float, where: str
) -> None:
    """Whether the plan tells no more than is found, one place more or less."""
    if told is None:
        check.fault(f"it does not say how much is seen of where {parts[0]} goes", step.number, parts)
    elif most < told - TOLD_MORE:
        shows = f"{where} shows {min(most, 1.0):.2f} at most of where {parts[0]} goes"
        check.fault(f"{shows}, and the plan says {told:.2f}", step.number, parts)


def _drawings(plan: PlanFile) -> Iterator[tuple[StepEntry, list[str], list[Drawn]]]:
    """Each step, the parts that stand before it, and the things that it draws off their places."""
    assemblies = {entry.id: entry for entry in plan.assemblies}
    standing: dict[str, list[str]] = {entry.id: [] for entry in plan.assemblies}
    for step in plan.steps:
        things: list[tuple[tuple[str, ...], MoveEntry, TurnEntry | None]]
        things = [((part,), step.move[part], step.turn.get(part)) for part in step.adds]
        things += [
            (assemblies[each.assembly].copies[each.copy_number], each.move, each.turn)
            for each in step.attaches
        ]
        drawn = [
            Drawn(parts, np.array(step.lifts.get(parts[0], (0.0, 0.0, 0.0))), move, turn)
            for parts, move, turn in things
        ]
        yield step, list(standing[step.assembly]), drawn
        standing[step.assembly] += [part for parts, _, _ in things for part in parts]


class _Scene:
    """What one step draws."""

    def __init__(
        self,
        plan: PlanFile,
        model: Model,
        step: StepEntry,
        before: Sequence[str],
        things: Sequence[Drawn],
        heaps: dict[str, EmbreeScene],
    ) -> None:
        self.plan, self.model, self.step, self.heaps = plan, model, step, heaps
        self.before, self.things = before, things
        self.thing_of = {part: at for at, thing in enumerate(things) for part in thing.parts}
        self.standing = set(before)
        self.joints: dict[str, list[JointEntry]] = {}
        closed = set(step.closes)
        for joint in plan.joints:
            if joint.id in closed:
                self.joints.setdefault(joint.a, []).append(joint)
                self.joints.setdefault(joint.b, []).append(joint)

    def kind(self, parts: Sequence[str]) -> tuple[int, str, str]:
        """What alike things share."""
        part = self.model.part_by_id[parts[0]]
        return len(parts), part.shape, part.colour

    def _joined(self, at: int) -> Iterator[tuple[JointEntry, str]]:
        """The joints of a thing with what went in before it, and the part there."""
        for part in self.things[at].parts:
            for joint in self.joints.get(part, ()):
                other = joint.b if joint.a == part else joint.a
                if other in self.standing or self.thing_of.get(other, at) < at:
                    yield joint, other

    def beside(self, at: int) -> list[int]:
        """The things that a closer look at one shows."""
        others = {self.thing_of[other] for _, other in self._joined(at) if other in self.thing_of}
        return sorted({at} | others)

    def places(self, at: int) -> Array:
        """(n, 3) places on what receives a thing, where the drawing has it."""
        found = [np.zeros((0, 3))]
        for joint, other in self._joined(at):
            telling = [touch for touch in joint.touches if touch.kind == joint.kind] or joint.touches
            shift = self.things[self.thing_of[other]].shift if other in self.thing_of else np.zeros(3)
            found += [self._there(touch, other) + shift for touch in telling]
        return np.concatenate(found)

    def _there(self, touch: TouchEntry, receiver: str) -> Array:
        """(k, 3) those of a contact's places that lie on the receiver's surface: none within an axle that
        goes on, or in the bore of a ring. The mouth of a hole lies on nothing."""
        places = self._round(touch, receiver)
        if touch.kind == "ball" or (touch.kind != "rest" and touch.carrier != receiver):
            return places
        out = np.array(touch.axis) * (1 if touch.carrier == receiver else -1)
        part = self.model.part_by_id[receiver]
        own, down = (places - part.pose[:3, 3]) @ part.pose[:3, :3], -out @ part.pose[:3, :3]
        below = _run(self._heap_of(part.shape), own, np.tile(down, (len(own), 1)))
        return places[below <= LIES_MM]

    def _heap_of(self, shape: str) -> EmbreeScene:
        if shape not in self.heaps:
            solid = self.model.shape_by_id[shape]
            self.heaps[shape] = _heap(solid.vertices[solid.faces])
        return self.heaps[shape]

    def _round(self, touch: TouchEntry, receiver: str) -> Array:
        """(k, 3) the middle of a contact's end and places round it."""
        axis, point = np.array(touch.axis), np.array(touch.point)
        out = axis if touch.carrier == receiver else -axis
        if touch.kind == "ball":  # the middle alone: what is round has its places in no plane
            pose = self.model.part_by_id[receiver].pose
            own = self.model.shape_by_id[self.model.part_by_id[receiver].shape].vertices
            away = np.linalg.norm(own - (point - pose[:3, 3]) @ pose[:3, :3], axis=1).min()
            return (
                np.asarray(point + (away if touch.carrier == receiver else away / 2) * out)[None]
                + OFF_MM * out
            )
        if touch.kind == "rest":
            end, radius = point, ROUND_SIDES * np.sqrt(touch.area_mm2)
        else:
            pitch = self.plan.pitch_mm
            radius = ROUND_PITCHES * pitch if pitch else ROUND_WAYS * self._nearest_side_mm(touch)
            end = point + touch.depth_mm / 2 * out
        return np.asarray(end + OFF_MM * out + np.concatenate([np.zeros((1, 3)), radius * _ring(out, ROUND)]))

    def _nearest_side_mm(self, touch: TouchEntry) -> float:
        """How far it is from the axis of a stud or peg, amid what is engaged, to its surface."""
        part = self.model.part_by_id[touch.carrier]
        turn, shift = part.pose[:3, :3], part.pose[:3, 3]
        ways = _ring(np.array(touch.axis), SIDEWAYS) @ turn
        middle = np.tile((np.array(touch.point) - shift) @ turn, (SIDEWAYS, 1))
        found = float(_run(self._heap_of(part.shape), middle, ways).min())
        return found if np.isfinite(found) else touch.depth_mm / 2

    def shown(
        self, groups: Sequence[Array], view: ViewEntry, away: Iterable[str], things: Iterable[int]
    ) -> list[float]:
        """Of each group of places, the share from which nothing stands before the eye."""
        if not groups:
            return []
        toward, kept, places = _toward(view, np.array(self.step.up)), set(away), np.concatenate(groups)
        parts = [part for part in self.before if part not in kept]
        parts += [part for at in things for part in self.things[at].parts]
        free = np.ones(len(places), dtype=bool)
        for part in self._between(parts, places, toward):
            left = np.flatnonzero(free)
            free[left[self._stands_before(part, places[left], toward)]] = False
        return [float(each.mean()) for each in np.split(free, np.cumsum([len(each) for each in groups])[:-1])]

    def _stands_before(self, part: str, places: Array, toward: Array) -> NDArray[np.bool_]:
        """(n,) whether a part, as it is drawn, stands between each place and the eye."""
        turn, shift = self._pose(part)
        heap = self._heap_of(self.model.part_by_id[part].shape)
        return np.isfinite(_run(heap, (places - shift) @ turn, np.tile(toward @ turn, (len(places), 1))))

    def _between(self, parts: Sequence[str], places: Array, toward: Array) -> list[str]:
        """Those parts whose boxes stand between places and the eye."""
        rows = [self.model.index_of[part] for part in parts]
        shifts = np.array(
            [
                self.things[self.thing_of[part]].shift if part in self.thing_of else np.zeros(3)
                for part in parts
            ]
        ).reshape(-1, 3)
        turned = {part for part in parts if part in self.thing_of and self.things[self.thing_of[part]].turn}
        bounds = self.model.part_bounds[rows] + shifts[:, None]
        middles, halves = bounds.mean(axis=1), np.ptp(bounds, axis=1) / 2
        axes = np.vstack([np.linalg.svd(toward[None])[2][1:], toward])
        at, reach = middles @ axes.T, halves @ np.abs(axes).T
        seen = places @ axes.T
        low, high = seen.min(axis=0), seen.max(axis=0)
        near = (at[:, :2] + reach[:, :2] >= low[:2]).all(axis=1) & (at[:, :2] - reach[:, :2] <= high[:2]).all(
            axis=1
        )
        near &= at[:, 2] + reach[:, 2] >= low[2]
        return [part for part, is_near in zip(parts, near, strict=True) if is_near or part in turned]

    def _pose(self, part: str) -> tuple[Array, Array]:
        """(3, 3) turn and (3,) shift of a part as it is drawn: in place, or as its thing is before it goes
        in."""
        pose = self.model.part_by_id[part].pose
        turn, shift = pose[:3, :3], pose[:3, 3]
        if part in self.thing_of:
            thing = self.things[self.thing_of[part]]
            if thing.turn is not None:
                back = Rotation.from_rotvec(
                    -np.radians(thing.turn.degrees) * np.array(thing.turn.axis)
                ).as_matrix()
                point = np.array(thing.turn.point)
                turn, shift = back @ turn, back @ (shift - point) + point
            shift = shift + thing.shift
        return turn, shift


def _toward(view: ViewEntry, up: Array) -> Array:
    """(3,) unit model direction to the eye: by azimuth and elevation where ``up`` is turned to z by the
    smallest turn."""
    azimuth, elevation = np.radians([view.azimuth, view.elevation])
    level = np.cos(elevation)
    seen = np.array([level * np.cos(azimuth), level * np.sin(azimuth), np.sin(elevation)])
    axis = np.cross(up, (0.0, 0.0, 1.0))
    length = np.linalg.norm(axis)
    if length < 1e-12:
        return seen if up[2] > 0 else seen * (1, -1, -1)
    turn = Rotation.from_rotvec(axis / length * np.arctan2(length, up[2]))
    return np.asarray(turn.inv().apply(seen))


def _ring(axis: Array, count: int) -> Array:
    """(count, 3) unit vectors evenly round an axis."""
    angle = 2 * np.pi * np.arange(count) / count
    return np.asarray(
        np.stack([np.cos(angle), np.sin(angle)], axis=1) @ np.linalg.svd(np.asarray(axis)[None])[2][1:]
    )


def _heap(corners: Array) -> EmbreeScene:
    scene = ray_scene()
    TriangleMesh(scene, np.ascontiguousarray(corners, dtype=np.float32))
    return scene


def _run(scene: EmbreeScene, origins: Array, ways: Array) -> Array:
    """How far each ray goes before it meets something; infinite where it meets nothing."""
    far = scene.run(
        np.ascontiguousarray(origins, dtype=np.float32),
        np.ascontiguousarray(ways, dtype=np.float32),
        query="DISTANCE",
    )
    return np.where(far < 1e30, far, np.inf).astype(np.float64)
