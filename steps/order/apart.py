"""Taking a finished assembly apart, to learn along which direction each unit comes off.

Whatever is taken off frees others and never binds them, so greed is complete: if any order of
single straight moves takes the assembly apart, this finds one. Directions nearest to up are taken
whenever they serve; from below (which would be through the table) only when nothing else does.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import groupby

import networkx as nx
import numpy as np

from steps.model import Array, IntArray, Move, Rotation
from steps.order.columns import Columns
from steps.order.site import SAME_SHARE, Site
from steps.progress import ticking
from steps.ties import merged, ranks

#: A way off that points further down than this (cosine with up; rounding only) would put the part in
#: through the table.
UNDER = -1e-6


#: Undersides within this share of the pitch are at one height: rounding and mending, not a clearance.
LEVEL_SHARE = 0.004
#: Bent moves are looked for among so many stuck units at most: each is tried against all its neighbours.
MOST_BENT = 300
#: Lengths tried for the short leg of a bent move, as shares of the pitch.
SHORT_SHARES = (0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 3.0)
#: Where those do not help, so many lengths are tried for one site: a few seconds of work.
MOST_LENGTHS = 800
#: A part is turned by less than half a turn: further round it comes back the other way.
MOST_DEGREES = 180.0
#: Once turned, a part leaves along the line it was turned about (cosine).
ALONG_AXIS = 0.999
#: Points followed in search of one turned way: some seconds of work.
MOST_TURNED = 30_000_000
#: Looks at a turn that is known to be free, at what was not there when it was found.
TURN_LOOKS = 25


@dataclass
class Apart:
    """Which way each unit leaves, and in what order they left. ``stuck`` could not leave at all.

    Units with ``legs`` or ``turns`` do not just come along their way: who must not be there before them is
    told by ``before``.
    """

    ways: dict[int, int] = field(default_factory=dict)  #: unit -> direction index of the first leg out
    legs: dict[int, Array] = field(default_factory=dict)  #: unit -> (k, 3) ways in of several legs, mm
    turns: dict[int, Rotation] = field(default_factory=dict)  #: unit -> the turn that brings it home at last
    before: list[tuple[int, int]] = field(default_factory=list)  #: (unit, other): unit goes in first
    sequence: list[int] = field(default_factory=list)
    stuck: tuple[int, ...] = ()

    @property
    def odd(self) -> frozenset[int]:
        """Units that go in otherwise than straight."""
        return frozenset((*self.legs, *self.turns))


def directions_by_preference(site: Site) -> list[int]:
    """Direction indices that this site may use, nearest to up first; ties by index."""
    motion = site.motion
    wanted = [motion.direction_index(site.up)]
    wanted += [motion.direction_index(axis) for axis in ticking(_site_axes(site))]
    both = sorted({index ^ flip for index in wanted for flip in (0, 1)})
    return sorted(both, key=lambda index: (-_steepness(site, index), index))


def _steepness(site: Site, direction: int) -> float:
    """How far a direction points up (cosine)."""
    return round(float(site.motion.vector(direction) @ site.up), 6)


def _site_axes(site: Site) -> list[Array]:
    """The axes along which the site's joints come apart, and the site's own level axes."""
    frame = site.motion.half(site.motion.direction_index(site.up)).frame
    axes = [frame[:, 0], frame[:, 1]]
    return [*axes, *(tie.joint.axis for tie in site.ties if tie.joint.kind != "rest")]


def from_below(site: Site, apart: Apart, unit: int) -> bool:
    """Whether the unit goes in from below, through the table, unless the build is turned."""
    return unit not in apart.odd and is_under(site, apart.ways[unit])


def way_in(site: Site, apart: Apart, unit: int) -> Move:
    """How a unit goes in, model coordinates."""
    if unit in apart.legs:
        return Move(apart.legs[unit])
    return Move(-site.motion.vector(apart.ways[unit])[None] + 0.0, apart.turns.get(unit))


def step_up(site: Site, apart: Apart, unit: int) -> Array:
    """The way up on the table while a unit goes in: the site's, or turned over for one from below."""
    if not from_below(site, apart, unit):
        return site.up
    frame = site.motion.half(site.motion.direction_index(site.up)).frame
    away = site.motion.vector(apart.ways[unit])
    choices = [-site.up, *(sign * frame[:, k] for k in (0, 1) for sign in (1.0, -1.0))]
    return choices[int(np.argmax([round(float(choice @ away), 6) for choice in choices]))] + 0.0


def is_under(site: Site, direction: int) -> bool:
    """Whether a unit that leaves this way would go in from below."""
    return float(site.motion.vector(direction) @ site.up) < UNDER


class TakeApart:
    """The search itself; :func:`take_apart` is the door to it."""

    def __init__(
        self,
        site: Site,
        within: Iterable[int],
        wishes: Iterable[tuple[int, int]] = (),
        below: bool = True,
        straight: bool = False,
        likely: bool = False,
    ):
        self.site = site
        self.straight = straight
        self.likely = likely
        self.directions = directions_by_preference(site)
        self.steepness = {way: _steepness(site, way) for way in self.directions}
        self.depth = (-ranks(site.spans[:, 0], LEVEL_SHARE * site.motion.length_mm)).tolist()
        self.above = [each for each in self.directions if not is_under(site, each)]
        self.below = [each for each in self.directions if is_under(site, each)] if below else []
        self.left = dict.fromkeys(within, True)
        self.friends = [frozenset(unit.parts) for unit in site.units]
        self.later: dict[int, list[int]] = {}  # unit -> units wished to go in later: they come off first
        for first, then in wishes:
            self.later.setdefault(first, []).append(then)
        self.columns: dict[int, Columns] = {}
        self.unseen: dict[int, list[int]] = {}  # direction -> units to look at
        self.free: dict[int, list[int]] = {}  # direction -> heap of units that can leave, and some gone ones
        self.watching: dict[int, list[tuple[int, int]]] = {}  # blocking part -> (direction, unit)
        self.lengths_tried = 0
        self.lengths_found: set[float] = set()  # of short legs that brought a unit out

    def run(self) -> Apart:
        result = Apart()
        while self.left:
            found = self._next(self.above)
            odd = found is None and not self.straight
            bent = self._bent_way() if odd else None
            turned = self._turned_way() if odd and bent is None and not self.likely else None
            if bent is not None:
                unit, direction, legs = bent
                self.lengths_tried = 0
                self.lengths_found.add(float(np.linalg.norm(legs[-1])))
                result.legs[unit] = legs
                result.before += [(unit, other) for other in self._in_the_way(unit, legs, result.sequence)]
            elif turned is not None:
                unit, direction, turn = turned
                result.turns[unit] = turn
                result.before += [
                    (unit, other) for other in self._swept(unit, direction, turn, result.sequence)
                ]
            else:
                found = found or self._next(self.below)
                if found is None:
                    break
                direction, unit = found
            result.ways[unit] = direction
            result.sequence.append(unit)
            self._take(unit)
        result.stuck = tuple(sorted(self.left))
        return result

    def blocker(self, unit: int, direction: int) -> int:
        """A part that has to come off before the unit can leave this way, or -1."""
        for then in self.later.get(unit, ()):
            if then in self.left:
                return self.site.units[then].parts[0]
        columns = self._columns(direction)
        for part in self.site.units[unit].parts:
            hit = columns.ahead(part, self.friends[unit])
            if hit >= 0:
                return hit
        return -1

    def _next(self, directions: Sequence[int]) -> tuple[int, int] | None:
        """A unit that can leave by one of the steepest ways that serve.

        Straight up any order will do. By other ways goes first what leaves nothing hanging, and of that the
        highest: what stands on the table, and carries the rest, is left standing.
        """
        for steep, alike in groupby(directions, key=self.steepness.__getitem__):
            ways = [way for way in alike if self._leaving(way)]
            if ways and steep == 1.0:
                return ways[0], -heapq.heappop(self.free[ways[0]])
            if ways:
                free = [(-unit, way) for way in ways for unit in self.free[way] if -unit in self.left]
                needed = self._needed()
                unit, way = min(free, key=lambda each: (each[0] in needed, self.depth[each[0]], -each[0]))
                return way, unit
        return None

    def _leaving(self, direction: int) -> bool:
        """Whether a unit can leave this way; then it is the first of the heap."""
        self._look(direction)
        heap = self.free[direction]
        while heap and -heap[0] not in self.left:
            heapq.heappop(heap)
        return bool(heap)

    def _needed(self) -> set[int]:
        """Units without which others would not hang together, nor with the table, any longer."""
        graph = nx.Graph()
        graph.add_edges_from((-1, unit) for unit in self.left if self.site.grounded[unit])
        for unit in self.left:
            graph.add_edges_from((unit, other) for other in self.site.neighbours[unit] if other in self.left)
        return set(nx.articulation_points(graph))

    def _look(self, direction: int) -> None:
        """Look again at every unit whose known blocker along the direction has gone."""
        self._columns(direction)
        heap = self.free[direction]
        pending, self.unseen[direction] = self.unseen[direction], []
        for unit in ticking(pending):
            if unit not in self.left:
                continue
            hit = self.blocker(unit, direction)
            if hit < 0:
                heapq.heappush(heap, -unit)
            else:
                self.watching.setdefault(hit, []).append((direction, unit))

    # -- down a little, then sideways

    def _bent_way(self) -> tuple[int, int, Array] | None:
        """A unit that leaves by a short move and then a long one: (unit, first direction out, legs in).

        Likely lengths of the short move first; where none of them helps, every length to a head's play."""
        if len(self.left) > MOST_BENT:
            return None
        found = self._bent_by(self._short_lengths)
        return found if found or self.likely else self._bent_by(self._every_length)

    def _bent_by(self, lengths: Callable[[int, int], Iterable[float]]) -> tuple[int, int, Array] | None:
        everyone = np.array(sorted(part for unit in self.left for part in self.site.units[unit].parts))
        table = self.site.spans[:, 0].min() - self.site.motion.along_mm
        for unit in ticking(self._easiest_first()):
            if any(then in self.left for then in self.later.get(unit, ())):
                continue
            others = everyone[~np.isin(everyone, self.site.units[unit].parts)]
            for short in self.directions:
                way = self.site.motion.vector(short)
                for length in lengths(unit, short):
                    dips = self.site.spans[unit, 0] + length * min(0.0, float(way @ self.site.up)) < table
                    if dips or self._hits_within(unit, short, length, others):
                        break
                    long = self._long_leg(unit, short, way * length, others)
                    if long is not None:
                        out = self.site.motion.vector(long) * self.site.motion.length_mm
                        return unit, short, np.array([-out, -way * length])
        return None

    def _long_leg(self, unit: int, short: int, offset: Array, others: IntArray) -> int | None:
        """The first direction in which the unit is free once it has moved by ``offset``."""
        for long in self.directions:
            across = long >> 1 != short >> 1 and not is_under(self.site, long)
            if across and not self._hits_from(unit, long, offset, others):
                return long
        return None

    def _short_lengths(self, unit: int, short: int) -> list[float]:
        """How far the first leg may go, shortest first: out of its joints, by shares of a pitch, or as far as
        others went."""
        pitch = self.site.motion.length_mm
        depths = [tie.joint.depth_mm for tie in self.site.joints_of[unit]]
        lengths = [depth + self.site.motion.along_mm for depth in depths if depth > 0]
        lengths += [*(share * pitch for share in SHORT_SHARES), *sorted(self.lengths_found)]
        return np.unique(merged(np.array(lengths), SAME_SHARE * pitch)).tolist()  # type: ignore[no-any-return]

    def _every_length(self, unit: int, short: int) -> Iterator[float]:
        """Lengths of the first leg so close together that no way as wide as a sliding fit's play is missed,
        up to the unit's own size; as many as the work allows."""
        motion = self.site.motion
        boxes = motion.half(short).boxes[list(self.site.units[unit].parts)]
        most = float(boxes[:, 1, 2].max() - boxes[:, 0, 2].min())
        for number in range(1, int(most / motion.along_mm) + 1):
            if self.lengths_tried >= MOST_LENGTHS:
                return
            self.lengths_tried += 1
            yield number * motion.along_mm

    def _hits_within(self, unit: int, direction: int, length: float, others: IntArray) -> bool:
        motion = self.site.motion
        return any(
            motion.hits_within(part, other, direction, length)
            for part in self.site.units[unit].parts
            for other in motion.on_the_way(part, direction, others, length)
        )

    def _hits_from(self, unit: int, direction: int, offset: Array, others: IntArray) -> bool:
        motion = self.site.motion
        return any(
            motion.blocks_from(part, other, direction, offset)
            for part in self.site.units[unit].parts
            for other in motion.on_the_way(part, direction, others, offset=offset)
        )

    def _in_the_way(self, unit: int, legs: Array, gone: Sequence[int]) -> list[int]:
        """Units taken off earlier that would stand in the way of a bent move: they go in after it."""
        motion = self.site.motion
        short, length = motion.direction_index(-legs[1]), float(np.linalg.norm(legs[1]))
        long = motion.direction_index(-legs[0])
        found = []
        for other in gone:
            parts = np.array(self.site.units[other].parts)
            if self._hits_within(unit, short, length, parts) or self._hits_from(unit, long, -legs[1], parts):
                found.append(other)
        return found

    # -- turned about a line, then straight

    def _turned_way(self) -> tuple[int, int, Rotation] | None:
        """A unit that is turned out of what holds it and then leaves straight: (unit, direction, the turn
        that brings it home). What was found to have none is not looked at again."""
        turning = self.site.motion.turning
        among = (*self.above, *sorted(self.site.units[unit].parts for unit in self.left))
        if among in turning.stuck:
            return None
        most = turning.looked_at + MOST_TURNED
        for unit in ticking(self._easiest_first()):
            if any(then in self.left for then in self.later.get(unit, ())):
                continue
            others = [other for other in self.left if other != unit]
            for axis, point in self._lines(unit):
                found = self._turned_about(unit, others, axis, point, most)
                if found is not None:
                    return unit, *found
            if turning.looked_at > most:
                break
        if not self.later:
            turning.stuck.add(among)
        return None

    def _easiest_first(self) -> list[int]:
        """Units that are left: without which nothing hangs, then what fewest hold, then the highest."""
        needed, around = self._needed(), self.site.neighbours
        held = {unit: sum(other in self.left for other in around[unit]) for unit in self.left}
        return sorted(self.left, key=lambda unit: (unit in needed, held[unit], self.depth[unit], unit))

    def _turned_about(
        self, unit: int, others: Sequence[int], axis: Array, point: Array, most: int
    ) -> tuple[int, Rotation] | None:
        """The least turn about a line after which the unit leaves along it, and that way; of several together
        the one in their middle. Amid the same parts it was looked for before, and is counted again."""
        motion, turning = self.site.motion, self.site.motion.turning
        ways = [way for way in self.above if abs(float(motion.vector(way) @ axis)) > ALONG_AXIS]
        if not ways:
            return None
        own, close = self.site.units[unit].parts, self._passed(unit, others)
        ahead = {way: self._passed(unit, others, way) for way in ways}
        asked = (tuple(own), tuple(close), *((way, *ahead[way]) for way in ways), *axis, *point)
        before = turning.looked_at
        if asked in turning.found and before + turning.found[asked][1] <= most:
            found, work = turning.found[asked]
            turning.looked_at += work
            return found
        found = self._turned_amid(own, close, ahead, axis, point, most)
        if turning.looked_at <= most:
            turning.found[asked] = found, turning.looked_at - before
        return found

    def _turned_amid(
        self,
        own: Sequence[int],
        close: Sequence[int],
        ahead: Mapping[int, Sequence[int]],
        axis: Array,
        point: Array,
        most: int,
    ) -> tuple[int, Rotation] | None:
        """The turn of parts (rows) amid those ``close``, and a way on which those ``ahead`` let them out."""
        motion, ways = self.site.motion, list(ahead)
        out: list[Rotation] = []
        for turn in motion.turning.free_turns(own, close, axis, point, MOST_DEGREES):
            if out and turn.degrees * out[0].degrees < 0:
                break
            asked = ways[:1] if out else ways
            free = [
                way
                for way in asked
                if motion.turning.slides_out(own, ahead[way], turn.begin, motion.vector(way))
            ]
            if free:
                ways, out = free, [*out, turn]
            elif out or motion.turning.looked_at > most:
                break
        return (ways[0], out[len(out) // 2]) if out else None

    def _passed(self, unit: int, others: Iterable[int], way: int | None = None) -> list[int]:
        """Part rows of the units that a unit could meet while it is turned on the spot, or then leaves."""
        motion = self.site.motion
        rows = np.array([part for other in others for part in self.site.units[other].parts], dtype=np.int64)
        boxes = motion.half(0 if way is None else way).boxes
        own = boxes[list(self.site.units[unit].parts)]
        low, high = own[:, 0].min(axis=0), own[:, 1].max(axis=0)
        reach = float(np.linalg.norm(high - low))
        low, high = low - reach, high + reach
        if way is not None:
            (low if way & 1 else high)[2] = -np.inf if way & 1 else np.inf
        return [int(row) for row in rows[((boxes[rows, 0] < high) & (boxes[rows, 1] > low)).all(axis=1)]]

    def _lines(self, unit: int) -> list[tuple[Array, Array]]:
        """Lines (axis, point) about which a unit could be turned: those of its joints and of its own
        features, and the uprights through its middle."""
        found = [
            (touch.axis, touch.point)
            for tie in self.site.joints_of[unit]
            for touch in tie.joint.touches
            if touch.kind != "rest"
        ]
        model = self.site.model
        boxes = model.part_bounds[list(self.site.units[unit].parts)]
        middle = (boxes[:, 0].min(axis=0) + boxes[:, 1].max(axis=0)) / 2
        found += [(self.site.motion.vector(direction), middle) for direction in self.directions[::2]]
        kept: list[tuple[Array, Array]] = []
        for axis, point in found:
            if not any(_same_line(axis, point, *other, self.site.motion.along_mm) for other in kept):
                kept.append((axis, point))
        return kept

    def _swept(self, unit: int, way: int, turn: Rotation, gone: Sequence[int]) -> list[int]:
        """Units taken off earlier that would stand in the way of a turned move: they go in after it."""
        turning, own = self.site.motion.turning, self.site.units[unit].parts
        poses = [turn.pose(-share * turn.degrees) for share in np.linspace(0.0, 1.0, TURN_LOOKS)]
        found = []
        for other in gone:
            near, ahead = self._passed(unit, [other]), self._passed(unit, [other], way)
            if any(turning.overlaps(own, near, pose) for pose in poses if near) or not turning.slides_out(
                own, ahead, turn.begin, self.site.motion.vector(way)
            ):
                found.append(other)
        return found

    def _take(self, unit: int) -> None:
        del self.left[unit]
        for part in self.site.units[unit].parts:
            for columns in self.columns.values():
                columns.remove(part)
            for direction, watcher in self.watching.pop(part, ()):
                self.unseen[direction].append(watcher)

    def _columns(self, direction: int) -> Columns:
        if direction not in self.columns:
            present = [part for unit in self.left for part in self.site.units[unit].parts]
            self.columns[direction] = Columns(self.site.motion, direction, sorted(present))
            self.unseen[direction] = list(self.left)
            self.free[direction] = []
        return self.columns[direction]


def take_apart(
    site: Site,
    within: Iterable[int] | None = None,
    wishes: Iterable[tuple[int, int]] = (),
    below: bool = True,
    straight: bool = False,
) -> Apart:
    """Take the site (or the units ``within`` of it alone) apart by moves of single units.

    ``wishes`` are pairs (earlier, later) of units in building order, so the later one comes off first.
    Straight moves come first, those nearest to up before others; bent and turned ones only when nothing
    else moves, and not at all when all are to be ``straight``; straight ones through the table last, and only
    when ``below`` allows it. What wishes alone keep in is looked for by bends of likely lengths only: a wish
    that asks for more is served by a sub-assembly, or not at all.
    """
    units = range(len(site.units)) if within is None else list(within)
    asked = list(wishes)
    likely = bool(asked) and not straight and not TakeApart(site, units, (), below, straight=True).run().stuck
    return TakeApart(site, units, asked, below, straight, likely).run()


def _same_line(axis: Array, point: Array, other: Array, through: Array, within: float) -> bool:
    off = point - through
    return bool(abs(axis @ other) > ALONG_AXIS and np.linalg.norm(off - (off @ other) * other) < within)
