"""Groups that repeat and stand on the rest: built several times, then attached one by one."""

from __future__ import annotations

import itertools
from collections.abc import Collection, Iterable, Sequence

import networkx as nx
import numpy as np

from steps.model import Array
from steps.order.finder import Finder, holding_graph
from steps.order.site import SAME_SHARE, Group, extents_along
from steps.progress import ticking
from steps.ties import nearest, ranks

#: A group of fewer parts, or on fewer different heights, is not worth building apart.
LEAST_PARTS = 3
LEAST_LEVELS = 3
#: A repeated group holds at most this share of the assembly it is part of.
MOST_SHARE = 0.5
#: Two poses are alike within this, as a share of the pitch (and as sines of angles).
ALIKE = 0.01
#: Ups agree within 2 degrees (cosine).
SAME_UP = float(np.cos(np.radians(2.0)))
#: Parts lie beside each other with less than this between them, in pitches.
BESIDE = 0.3


def repeated(
    finder: Finder, group: Group, taken: set[int], refused: Collection[frozenset[int]]
) -> list[Group]:
    """Groups that stand on the rest and occur more than once, largest first."""
    parts = [part for part in sorted(group.parts) if part not in taken]
    if len(parts) < 2 * LEAST_PARTS:
        return []
    levels = part_levels(finder, group)
    standing = _standing_groups(finder, group, levels, int(MOST_SHARE * len(group.parts)), taken)
    worth = [
        members
        for members in standing
        if len(members) >= LEAST_PARTS and len({levels[part] for part in members}) >= LEAST_LEVELS
    ]
    course = _LongCourse(finder, group, levels)
    found: list[Group] = []
    used: set[int] = set()
    for alike in sorted(_likely_alike(finder, worth), key=lambda each: (-len(each[0]), each[0])):
        apart = [members for members in alike if not used & set(members)]
        free = [members for members in ticking(apart) if not course.runs_on(members, apart)]
        while len(free) > 1:
            copies, free = _alike_copies(finder, free, group.up)
            copies = [copy for copy in copies if frozenset(copy) not in refused]
            if len(copies) > 1:
                found.append(Group(tuple(copies), group.up, why="repeats"))
                used |= {part for copy in copies for part in copy}
    return found


def part_levels(finder: Finder, group: Group) -> dict[int, int]:
    """Height of each part's underside over nothing in particular, in tenths of a pitch."""
    parts = list(group.parts)
    bottoms = extents_along(finder.motion, group.up)[parts, 0] / finder.motion.length_mm
    return dict(zip(parts, nearest(bottoms, 0.1, SAME_SHARE).tolist(), strict=True))


class _LongCourse:
    """Tells whether a group's foot is a piece of a longer course, which is better laid as a whole."""

    def __init__(self, finder: Finder, group: Group, levels: dict[int, int]):
        self.levels = levels
        boxes = finder.motion.half(finder.motion.direction_index(group.up)).boxes
        self.boxes = boxes[:, :, :2]
        self.gap = BESIDE * finder.motion.length_mm
        self.shape = finder.model.shape_index
        self.at: dict[tuple[int, int], list[int]] = {}
        for part in sorted(group.parts):
            self.at.setdefault((levels[part], int(self.shape[part])), []).append(part)

    def runs_on(self, members: Sequence[int], copies: Iterable[Sequence[int]]) -> bool:
        """Whether beside a foot part lies one of the same shape, at the same height, in no copy."""
        inside = {part for copy in copies for part in copy}
        lowest = min(self.levels[part] for part in members)
        for part in members:
            if self.levels[part] != lowest:
                continue
            others = np.array(self.at[lowest, int(self.shape[part])])
            box = self.boxes[part]
            near = np.all(
                (self.boxes[others, 0] < box[1] + self.gap) & (self.boxes[others, 1] > box[0] - self.gap),
                axis=1,
            )
            if any(int(other) not in inside for other in others[near]):
                return True
        return False


def _standing_groups(
    finder: Finder, group: Group, level: dict[int, int], most: int, taken: set[int]
) -> list[tuple[int, ...]]:
    """Every connected set, of at most ``most`` parts, of all parts above some height.

    Such a set rests on others only at its foot. Parts are added from the top down and joined to what
    they touch; at each height the sets that start there are complete. Sets that hold a part of
    ``taken`` do not count.
    """
    graph = holding_graph(finder, group.parts, group.up)
    sets = nx.utils.UnionFind()
    members: dict[int, list[int]] = {}
    found: list[tuple[int, ...]] = []
    order = sorted(group.parts, key=lambda part: (-level[part], part))
    heights = itertools.groupby(order, key=lambda part: level[part])
    for height, added in ticking(heights):
        fresh = list(added)
        for part in fresh:
            members[sets[part]] = [part]
        for part in fresh:
            for other in sorted(graph[part]):
                if level[other] >= height and sets[other] != sets[part]:
                    pieces = sorted((members.pop(sets[part]), members.pop(sets[other])), key=len)
                    sets.union(part, other)
                    members[sets[part]] = pieces[1] + pieces[0]
        if height > level[order[-1]]:
            roots = sorted({sets[part] for part in fresh})
            found += [tuple(sorted(members[root])) for root in roots if len(members[root]) <= most]
    return [each for each in found if not taken & set(each)]


def _likely_alike(finder: Finder, groups: Sequence[tuple[int, ...]]) -> list[list[tuple[int, ...]]]:
    """Groups by what alike ones share whatever way they are turned: their parts, and how far from their
    middle these lie."""
    by_kinds: dict[tuple[object, ...], list[tuple[int, ...]]] = {}
    for members in groups:
        parts = (finder.model.parts[part] for part in members)
        by_kinds.setdefault(tuple(sorted((part.shape, part.colour) for part in parts)), []).append(members)
    found = []
    for several in by_kinds.values():
        at = [finder.model.poses[list(members), :3, 3] for members in several]
        spread = [float(np.linalg.norm(each - each.mean(axis=0), axis=1).mean()) for each in at]
        rank = ranks(np.array(spread), ALIKE * finder.motion.length_mm)
        found += [[several[row] for row in np.flatnonzero(rank == own)] for own in np.unique(rank)]
    return found


def _alike_copies(
    finder: Finder, groups: Sequence[tuple[int, ...]], up: Array
) -> tuple[list[tuple[int, ...]], list[tuple[int, ...]]]:
    """The first group with every other that is the same one moved; and the rest."""
    first = groups[0]
    copies, rest = [first], []
    for other in ticking(groups[1:]):
        match = matching(finder, first, other, up)
        if match is None:
            rest.append(other)
        else:
            copies.append(match)
    return copies, rest


def matching(finder: Finder, first: Sequence[int], other: Sequence[int], up: Array) -> tuple[int, ...] | None:
    """The parts of ``other`` in the order of ``first``, when one upright rigid motion takes it there."""
    model = finder.model
    key = [(model.parts[part].shape, model.parts[part].colour) for part in first]
    rarest = min(range(len(first)), key=lambda k: (key.count(key[k]), k))
    anchor = model.poses[first[rarest]]
    for start in other:
        if (model.parts[start].shape, model.parts[start].colour) != key[rarest]:
            continue
        motion = model.poses[start] @ np.linalg.inv(anchor)
        if motion[:3, :3] @ up @ up < SAME_UP:
            continue
        found = _correspondence(finder, first, other, motion)
        if found is not None:
            return found
    return None


def _correspondence(
    finder: Finder, first: Sequence[int], other: Sequence[int], motion: Array
) -> tuple[int, ...] | None:
    model = finder.model
    left = dict.fromkeys(other)
    found = []
    for part in first:
        moved = motion @ model.poses[part]
        for candidate in left:
            if model.parts[candidate].shape != model.parts[part].shape:
                continue
            if model.parts[candidate].colour != model.parts[part].colour:
                continue
            off = model.poses[candidate] - moved
            if (
                np.abs(off[:3, 3]).max() > ALIKE * finder.motion.length_mm
                or np.abs(off[:3, :3]).max() > ALIKE
            ):
                continue
            found.append(candidate)
            del left[candidate]
            break
        else:
            return None
    return tuple(found)
