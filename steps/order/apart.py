"""Taking a finished assembly apart, to learn along which direction each unit comes off.

Whatever is taken off frees others and never binds them, so greed is complete: if any order of
single straight moves takes the assembly apart, this finds one. Directions nearest to up are taken
whenever they serve; from below (which would be through the table) only when nothing else does.
"""

from __future__ import annotations

import heapq
from collections.abc import Sequence
from dataclasses import dataclass, field

from steps.model import Array
from steps.order.columns import Columns
from steps.order.site import Site

#: A way off that points further down than this (cosine with up: 6 degrees below level) would put the
#: part in through the table.
UNDER = -0.1


@dataclass
class Apart:
    """Which way each unit leaves, and in what order they left. ``stuck`` could not leave at all."""

    ways: dict[int, int] = field(default_factory=dict)  #: unit -> direction index
    sequence: list[int] = field(default_factory=list)
    stuck: tuple[int, ...] = ()


def directions_by_preference(site: Site) -> list[int]:
    """Direction indices that this site may use, nearest to up first; ties by index."""
    motion = site.motion
    wanted = [motion.direction_index(site.up)]
    wanted += [motion.direction_index(axis) for axis in _site_axes(site)]
    both = sorted({index ^ flip for index in wanted for flip in (0, 1)})
    steepness = {index: round(float(motion.vector(index) @ site.up), 6) for index in both}
    return sorted(both, key=lambda index: (-steepness[index], index))


def _site_axes(site: Site) -> list[Array]:
    """The axes along which the site's joints come apart, and the site's own level axes."""
    frame = site.motion.half(site.motion.direction_index(site.up)).frame
    axes = [frame[:, 0], frame[:, 1]]
    return [*axes, *(tie.joint.axis for tie in site.ties if tie.joint.kind != "rest")]


def is_under(site: Site, direction: int) -> bool:
    """Whether a unit that leaves this way would go in from below."""
    return float(site.motion.vector(direction) @ site.up) < UNDER


class TakeApart:
    """The search itself; :func:`take_apart` is the door to it."""

    def __init__(self, site: Site, directions: Sequence[int]):
        self.site = site
        self.directions = directions
        self.members = sorted(site.unit_of)
        self.left = dict.fromkeys(range(len(site.units)), True)
        self.friends = [frozenset(unit.parts) for unit in site.units]
        self.columns: dict[int, Columns] = {}
        self.unseen: dict[int, list[int]] = {}  # direction -> units to look at
        self.free: dict[int, list[int]] = {}  # direction -> heap of units that can leave
        self.watching: dict[int, list[tuple[int, int]]] = {}  # blocking part -> (direction, unit)

    def run(self) -> Apart:
        result = Apart()
        while self.left:
            found = self._next()
            if found is None:
                break
            direction, unit = found
            result.ways[unit] = direction
            result.sequence.append(unit)
            self._take(unit)
        result.stuck = tuple(sorted(self.left))
        return result

    def blocker(self, unit: int, direction: int) -> int:
        """The part that the unit hits on its way, or -1."""
        columns = self._columns(direction)
        for part in self.site.units[unit].parts:
            hit = columns.ahead(part, self.friends[unit])
            if hit >= 0:
                return hit
        return -1

    def _next(self) -> tuple[int, int] | None:
        for direction in self.directions:
            self._look(direction)
            heap = self.free[direction]
            while heap:
                unit = -heapq.heappop(heap)
                if unit in self.left:
                    return direction, unit
        return None

    def _look(self, direction: int) -> None:
        """Look again at every unit whose known blocker along the direction has gone."""
        self._columns(direction)
        heap = self.free[direction]
        pending, self.unseen[direction] = self.unseen[direction], []
        for unit in pending:
            if unit not in self.left:
                continue
            hit = self.blocker(unit, direction)
            if hit < 0:
                heapq.heappush(heap, -unit)
            else:
                self.watching.setdefault(hit, []).append((direction, unit))

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


def take_apart(site: Site, directions: Sequence[int] | None = None) -> Apart:
    """Take the site apart by single straight moves of its units, preferred directions first."""
    return TakeApart(site, directions or directions_by_preference(site)).run()
