"""Parts that nothing holds up and that cannot get out: let down onto what is below them, and free to move.

A car in a rail, a block in a cage, a boat in a bottle are drawn with a little room round them, so they touch
nothing; yet they do not hang in the air. Let go, each would come to rest within that room, as a wheel goes
down a loose peg. What it would then lie on is its joint, or a touch more of the loose one. What is held by
form alone is never glued; nor is what runs in a groove with its whole length, as a sliding lid does.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
import shapely
from numpy.typing import NDArray

from renderer.topology import connected
from steps.features.anatomy import Anatomy
from steps.features.mesh import Mesh
from steps.joints.contact import Contact
from steps.joints.flats import rest_contacts
from steps.joints.leaning import distance, leaning_contacts
from steps.joints.placing import DRAWN_MM, Judge, Placed, place
from steps.joints.problems import LEVEL_SHARE, lowest_along
from steps.joints.situations import relative_pose
from steps.joints.swept import WHY as SLIDES
from steps.joints.swept import swept
from steps.model import Array, IntArray, Joint, Measures, Model, Touch
from steps.motion import Motion

#: A part comes to rest within this share of the unit length (0.6 mm at a pitch of 10): the room that sliding
#: prints are drawn with is 0.1 to 0.5 mm a side (common practice, no source).
PLAY_SHARE = 0.06
#: Where no stud gives a unit length, two parts have one of their own too: this share of the shorter one's
#: longest side.
OWN_SHARE = 0.25
#: What carries a part points up within 60 degrees (cosine).
CARRIES = 0.5
#: What stands on a face leans on it, be it ever so steep, as stones of an arch do: up within 84 degrees
#: (cosine), over the noise of scans.
BEARS = 0.1
#: What engages over this share of its own length is a runner, made to slide, and no tenon (a proposal).
RUNS = 0.8
#: A way is level within 6 degrees (sine), and ways are one within as much (cosine).
LEVEL, ONE_WAY = 0.1, 0.995
#: What comes as near as this share of the unit length touches (0.01 mm at a pitch of 10); it is reached in a
#: few moves where the way leads straight there, and past a face that is nearly along the way nobody goes on.
TOUCH_SHARE, MOST_MOVES = 0.001, 64
#: Groups of parts that float are let down one by one; in a print layout of many nobody asks.
MOST_GROUPS = 200


def let_down(
    model: Model,
    measures: Measures,
    joints: Sequence[Placed],
    bodies: Sequence[Anatomy],
    unit: float,
    judge: Judge,
) -> list[Placed]:
    """The joints with what groups of parts would come to rest on that no joint holds up: they touch nothing
    and cannot get out, or a loose joint alone keeps them where they are."""
    up = measures.up
    pairs = np.array([pair[:2] for pair in joints], dtype=np.int64).reshape(-1, 2)
    upheld = np.array([_bears(joint, up) for *_, joint in joints], dtype=bool)
    group = connected(len(model.parts), pairs[upheld])
    boxes, low = model.part_bounds, lowest_along(model, up)
    standing = group[low < low.min() + LEVEL_SHARE * unit]
    floating = np.setdiff1d(group, standing).tolist()
    if not floating or len(floating) > MOST_GROUPS:
        return list(joints)
    shut = Shut(model, measures)
    kept, own_unit = group[pairs[~upheld]], _own_units(model, measures)
    found = {(one, two): joint for one, two, joint in joints}
    for number in floating:
        own = np.flatnonzero(group == number)
        near = _within(boxes, own, PLAY_SHARE * max(unit, own_unit[own].max())) & (group != number)
        if not near.any() or not (number in kept or shut.holds(own)):
            continue
        for row in own.tolist():
            for other in np.flatnonzero(near).tolist():
                play = PLAY_SHARE * max(unit, min(own_unit[row], own_unit[other]))
                for one, two, rest in _come_to_rest(model, row, other, bodies, up, play, unit, judge):
                    known = found.get((one, two))
                    found[one, two] = rest if known is None else _with(known, rest.touches)
    return [(*pair, joint) for pair, joint in found.items()]


def _own_units(model: Model, measures: Measures) -> Array:
    """(parts,) mm: the unit length of each part by itself; none where studs give one to all."""
    share = 0.0 if measures.pitch_mm is not None else OWN_SHARE
    return share * np.array([measures.by_shape[part.shape].size_mm.max() for part in model.parts])


def _bears(joint: Joint, up: Array) -> bool:
    """Whether a joint holds up what is above it: it grips, a face carries, or a peg lies in its hole."""
    if joint.fit not in ("slide", "loose"):
        return True
    resting = [touch for touch in joint.touches if touch.kind == "rest"]
    steep = [abs(float(touch.axis @ up)) for touch in joint.touches if touch.kind != "rest"]
    return any(abs(float(touch.axis @ up)) >= BEARS for touch in resting) or max(steep) < CARRIES


def _with(joint: Joint, touches: Sequence[Touch]) -> Joint:
    return replace(joint, touches=(*joint.touches, *touches))


def _within(boxes: Array, own: IntArray, play: float) -> NDArray[np.bool_]:
    """(parts,) whether a part's box comes within ``play`` mm of one of the parts ``own``."""
    found = np.zeros(len(boxes), dtype=bool)
    for low, high in boxes[own]:
        found |= ((boxes[:, 0] <= high + play) & (boxes[:, 1] >= low - play)).all(axis=1)
    return found


def _come_to_rest(
    model: Model,
    row: int,
    other: int,
    bodies: Sequence[Anatomy],
    up: Array,
    play: float,
    unit: float,
    judge: Judge,
) -> Iterator[Placed]:
    """The joint of a part with one below it that it would come to lie on, both by row."""
    pair = np.array([[other, row]]) if other < row else np.array([[row, other]])
    first, second = (bodies[int(model.shape_index[each])] for each in pair[0])
    pose = relative_pose(model, pair[0])
    turn = model.poses[pair[0, 0], :3, :3]
    above = 1.0 if pair[0, 1] == row else -1.0
    found = rest_contacts(first, second, pose, unit, play)
    found += _come_to_lean(first.mesh, second.mesh, pose, -above * (turn.T @ up), play, unit)
    held = [each for each in found if above * float(turn @ each.axis @ up) >= CARRIES]
    yield from (
        (
            (one, two, _free(joint, WHY))
            for one, two, joint in place(model, pair, [_bare(each) for each in held], 0.0, judge)
        )
        if held
        else ()
    )


def _come_to_lean(
    first: Mesh, second: Mesh, pose: Array, way: Array, play: float, unit: float
) -> list[Contact]:
    """What touches at points or lines once the second, whose coordinates ``pose`` takes to the first's, has
    gone along ``way`` (3,) as far as it goes: an axle with edges in a round bore. Nothing beyond ``play``.

    It goes as far at a time as it surely can, which is its distance.
    """
    pose, gone = pose.copy(), 0.0
    for _ in range(MOST_MOVES):
        apart = distance(first, second, (np.eye(4), pose))
        if apart <= TOUCH_SHARE * unit:
            return leaning_contacts(first, second, pose, unit)
        gone += apart
        if gone > play:
            return []
        pose[:3, 3] += apart * way
    return []


#: Said of a joint of what is held by form alone.
WHY = "it lies loose in there; nothing grips, and it is to stay free"
RUNS_IN = "it slides in and out there with its whole length, and is to stay free"


def _bare(contact: Contact) -> Contact:
    """A contact that nobody could bond."""
    return replace(contact, area=0.0)


def held_by_form(model: Model, measures: Measures, joints: Sequence[Joint]) -> frozenset[str]:
    """Ids of the joints at which things only lie on or within others, and cannot get out: a thing is all that
    grips each other. What others stand on is a course of masonry and no thing in a cage, unless one part
    alone fences it all round: then it lies in a box, and they are its lid."""
    thing = _things(model, joints)
    outside = {joint.id: (thing[joint.a], thing[joint.b]) for joint in joints if joint.kind == "rest"}
    outside = {name: ends for name, ends in outside.items() if ends[0] != ends[1]}
    if not outside:
        return frozenset()
    shut, number = Shut(model, measures), np.array([thing[part.id] for part in model.parts])
    order = np.argsort(number, kind="stable")
    rows = dict(enumerate(np.split(order, np.cumsum(np.bincount(number))[:-1])))
    own = {each: rows[each] for each in sorted(set().union(*outside.values()))}
    held = {each for each, rows in own.items() if shut.holds(rows)}
    boxed = {each for each in held if shut.fenced(own[each])}
    standing = [(thing[under], thing[above]) for under, above in _standing_on(joints, measures.up)]
    while bearing := {under for under, above in standing if above not in held} & (held - boxed):
        held -= bearing
    return frozenset(name for name, ends in outside.items() if not held.isdisjoint(ends))


def runners(model: Model, measures: Measures, joints: Sequence[Joint]) -> frozenset[str]:
    """Ids of the joints at which a thing is within another with its whole length and room round it, which
    alone keeps it from rising, sinking and going one level way or the other: it slides in and out, be it
    stopped in the end. A thing is all that other joints hold together."""
    roomy = {joint.id for joint in joints if _has_room(joint, model.scale)}
    if not roomy:
        return frozenset()
    thing = _things(model, [joint for joint in joints if joint.id not in roomy])
    number, shut = np.array([thing[part.id] for part in model.parts]), Shut(model, measures)
    found = set()
    for joint in (each for each in joints if each.id in roomy):
        ends = [np.flatnonzero(number == thing[part]) for part in (joint.a, joint.b)]
        if thing[joint.a] != thing[joint.b] and any(
            shut.runs(own, within, _level_ways(joint, measures.up)) for own, within in (ends, ends[::-1])
        ):
            found.add(joint.id)
    return frozenset(found)


def _has_room(joint: Joint, scale: float) -> bool:
    """Whether a peg is not drawn to be squeezed, and is not read as moving already; it may lie on a side."""
    return joint.kind == "peg" and not joint.moves and joint.gap_mm > -DRAWN_MM * scale


def _level_ways(joint: Joint, up: Array) -> list[Array]:
    """(3,) unit: the level lines along and across which the faces of a joint lie."""
    ways: list[Array] = []
    for touch in joint.touches:
        for way in (touch.axis, *touch.normals):
            if abs(float(way @ up)) < LEVEL and all(abs(float(way @ other)) < ONE_WAY for other in ways):
                ways.append(way)
    return ways


def _things(model: Model, joints: Sequence[Joint]) -> dict[str, int]:
    """Part id -> number of the thing that it is part of."""
    rows = model.index_of
    grips = [(rows[joint.a], rows[joint.b]) for joint in joints if joint.kind != "rest"]
    label = connected(len(model.parts), np.array(grips, dtype=np.int64).reshape(-1, 2))
    return {part.id: int(each) for part, each in zip(model.parts, label, strict=True)}


def _standing_on(joints: Sequence[Joint], up: Array) -> Iterator[tuple[str, str]]:
    """Ids of two parts each, of which the second rests on the first."""
    for joint in joints:
        for touch in joint.touches:
            other = joint.other(touch.carrier)
            rise = float(touch.axis @ up)
            if touch.kind == "rest" and abs(rise) >= BEARS:
                yield (touch.carrier, other) if rise > 0 else (other, touch.carrier)


class Shut:
    """Tells what others keep from getting out: up, and along all level axes but one at most."""

    def __init__(self, model: Model, measures: Measures):
        self.model, self.motion = model, Motion(model, measures)
        self.up = self.motion.direction_index(measures.up)
        frame = self.motion.half(self.up).frame
        self.level = [self.motion.direction_index(frame[:, k]) for k in (0, 1)]
        self._trees: dict[int, shapely.STRtree] = {}

    def holds(self, own: IntArray) -> bool:
        """Whether the parts (rows), moving as one, are held by form."""
        return self._stopped(own, self.up) and any(
            all(self._stopped(own, axis ^ flip) for flip in (0, 1)) for axis in self.level
        )

    def runs(self, own: IntArray, within: IntArray, ways: Sequence[Array]) -> bool:
        """Whether others (rows) alone hold parts (rows), moving as one, by form but for some of these level
        ways, and have them within their length along all that are open."""
        stopped = [
            [self._stopped(own, self.motion.direction_index(sign * way), within) for sign in (1.0, -1.0)]
            for way in ways
        ]
        between = all(self._stopped(own, self.up ^ flip, within) for flip in (0, 1))
        if not between or not any(map(all, stopped)):
            return False
        open_ = [way for way, each in zip(ways, stopped, strict=True) if not all(each)]
        return bool(open_) and all(self._inside(own, within, way) >= RUNS for way in open_)

    def _inside(self, own: IntArray, within: IntArray, way: Array) -> float:
        """The share of the length of parts (rows) along a way that lies between the ends of others."""
        (low, high), (least, most) = (self._ends(rows, way) for rows in (own, within))
        return (min(high, most) - max(low, least)) / max(high - low, 1e-12)

    def _ends(self, rows: IntArray, way: Array) -> tuple[float, float]:
        parts = [self.model.parts[row] for row in rows.tolist()]
        along = [
            self.model.shape_by_id[part.shape].outermost @ (part.pose[:3, :3].T @ way)
            + part.pose[:3, 3] @ way
            for part in parts
        ]
        return min(float(each.min()) for each in along), max(float(each.max()) for each in along)

    def fenced(self, own: IntArray) -> bool:
        """Whether one other part alone keeps the parts (rows), moving as one, from moving any level way."""
        ways = [axis ^ flip for axis in self.level for flip in (0, 1)]
        near = {other for row in own.tolist() for other in self._on_the_way(row, ways[0], own)}
        return any(all(self._stopped(own, way, np.array([other])) for way in ways) for other in sorted(near))

    def _stopped(self, own: IntArray, direction: int, others: IntArray | None = None) -> bool:
        """Whether the others, all by default, stop the parts (rows), moving as one."""
        return any(True for _ in self._blocking(own, direction, others))

    def ahead(self, own: IntArray, direction: int) -> IntArray:
        """Rows of the others that the parts (rows), moving as one, would push before them."""
        return np.array(sorted(set(self._blocking(own, direction))), dtype=np.int64)

    def _blocking(self, own: IntArray, direction: int, others: IntArray | None = None) -> Iterator[int]:
        for row in own.tolist():
            for other in self._on_the_way(row, direction, own, others):
                if self.motion.blocks(row, other, direction):
                    yield other

    def _on_the_way(
        self, row: int, direction: int, own: IntArray, others: IntArray | None = None
    ) -> list[int]:
        """Those of the others, all but its ``own`` by default, that a part might meet along a way."""
        if others is None:
            others = np.setdiff1d(self._beside(row, direction), own)
        return self.motion.on_the_way(row, direction, others)

    def _beside(self, row: int, direction: int) -> IntArray:
        """Rows of the parts whose boxes meet a part's, seen along a way: of many parts few are."""
        boxes, line = self.motion.half(direction).boxes, direction >> 1
        low, high = boxes[:, 0, :2], boxes[:, 1, :2]
        if line not in self._trees:
            self._trees[line] = shapely.STRtree(shapely.box(*low.T, *high.T))
        return np.sort(self._trees[line].query(shapely.box(*low[row], *high[row])))


def freed(joints: Sequence[Joint], loose: frozenset[str], why: str = WHY) -> tuple[Joint, ...]:
    """The joints with those (ids) of what is held by form alone free to move, and those that then slide."""
    held = tuple(_free(joint, why) if joint.id in loose else joint for joint in joints)
    sliding = swept(held)
    return tuple(_free(joint, SLIDES) if joint.id in sliding else joint for joint in held)


def _free(joint: Joint, why: str) -> Joint:
    return replace(joint, moves=True, glue_area_mm2=0.0, why=why)
