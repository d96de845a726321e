"""Trying other orders: the walk is run again in other variants, and the cheapest order kept.

There is a result after the first run. Later runs start at another corner or favour something else; then
they take, at one step, not the cheapest unit but the next, the costliest steps first (a limited-discrepancy
search, Harvey & Ginsberg, IJCAI 1995, from memory). Work is counted in units placed, so that the same input
gives the same order on every machine.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from itertools import product

import numpy as np
from numpy.typing import NDArray

from steps.order.apart import Apart, from_below
from steps.order.build import LEAST_GAIN, Draft, Stuck, Variant, Walk, levels_of
from steps.order.cost import Weights
from steps.order.site import SAME_SHARE, Site
from steps.order.stability import Watch
from steps.progress import ticking
from steps.statics import Structure
from steps.ties import ranks

#: Units placed in walks after the first, all walks over a site together: some seconds of work.
WORK = 1000
#: An order is better than another when it costs less by so much: the sum of many steps is known no better.
LEAST_BETTER = 0.1
#: A step's first so many alternatives are tried.
RANKS = (1, 2)
#: What a whole walk may favour: parts of the cost and factors for its choices.
FAVOURS = ((), (("kind", 3.0),), (("hop", 2.0),), (("stray", 0.3),))
#: Where something goes in from below: turn the build as soon as all of it can, not when the rest is done.
SOON = ((("turn", 0.6),), (("turn", 0.0),))
#: Sample points of a box: five on the top, one amid each side; shares of the half size, and which face.
_CORNERS = [(a, b, 1.0, 2) for a in (0.7, -0.7) for b in (0.7, -0.7)]
_TOP = [(0.0, 0.0, 1.0, 2), *_CORNERS]
_SIDES = [(1.0, 0.0, 0.0, 0), (-1.0, 0.0, 0.0, 0), (0.0, 1.0, 0.0, 1), (0.0, -1.0, 0.0, 1)]
#: Isometric views from the four corners, towards the viewer (ISO 5456-3: elevation 35.26 degrees).
VIEWS = np.array([(a, b, 1.0) for a in (1.0, -1.0) for b in (1.0, -1.0)]) / np.sqrt(3.0)

Mask = NDArray[np.bool_]


@dataclass(eq=False)
class Judge:
    """Costs finished orders of one site."""

    site: Site
    apart: Apart
    weights: Weights
    structure: Structure | None = None  #: without it nobody asks what leans
    hidden: Mask = field(init=False)  #: (views, units, points, units) who hides which point of whom
    facing: Mask = field(init=False)  #: (views, points) which points face the viewer
    #: (turned over, units placed) -> whether any leans
    _leans: dict[tuple[bool, frozenset[int]], bool] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.hidden, self.facing = _hidden(self.site)
        self.watches: dict[bool, Watch] = {}  # by whether the build is turned over
        if self.structure is not None:
            parts = self.site.group.parts
            self.watches[False] = Watch(self.structure, self.site.up, parts)
            if self.turns:
                self.watches[True] = Watch(self.structure, -self.site.up, parts)
        pitch = self.site.motion.length_mm
        self.level = levels_of(self.site)
        self.centre = self.site.centres / pitch
        self.slack = [
            any(tie.joint.fit in ("slide", "loose") for tie in ties) for ties in self.site.joints_of
        ]

    @property
    def turns(self) -> bool:
        """Whether something goes in with the build turned over."""
        return any(from_below(self.site, self.apart, unit) for unit in range(len(self.site.units)))

    def costs(self, drafts: Sequence[Draft], below: float = np.inf) -> list[float] | None:
        """The cost of each step; an order costs their sum. None when that is not ``below`` the given sum.

        Whether anything leans costs most to find out, so it is asked last and never of an order that is
        too dear without it.
        """
        seen = self._without_stability(drafts)
        if sum(seen) >= below - LEAST_BETTER:
            return None
        found = [cost + leans for cost, leans in zip(seen, self._stability(drafts), strict=True)]
        return found if sum(found) < below - LEAST_BETTER else None

    def _without_stability(self, drafts: Sequence[Draft]) -> list[float]:
        placed = np.zeros(len(self.site.units), dtype=bool)
        found = []
        for before, draft, down in zip([None, *drafts], drafts, self._fall(drafts), strict=False):
            placed[draft.units] = True
            found.append(
                self._hands(before, draft)
                + self.weights.eyes * self._unseen(draft.units, placed)
                + self._sense(before, draft)
                + self.weights.up * down
                + self._glue(before, draft)
            )
        if drafts and from_below(self.site, self.apart, drafts[-1].units[-1]):
            found[-1] += self.weights.turn  # it is set upright again
        return found

    def _hands(self, before: Draft | None, draft: Draft) -> float:
        if before is None:
            return 0.0
        one, two = before.units[-1], draft.units[0]
        turned = from_below(self.site, self.apart, one) != from_below(self.site, self.apart, two)
        moved = self.apart.ways[one] != self.apart.ways[two]
        return self.weights.turn * turned + self.weights.direction * moved

    def _unseen(self, units: Sequence[int], placed: Mask) -> float:
        """Share of the new units' facing points that is hidden, in the view that hides least."""
        hidden = (self.hidden[:, units] & placed).any(axis=-1)  # (views, units, points)
        facing = self.facing[:, None, :]
        shares = (hidden & facing).sum(axis=(1, 2)) / np.maximum((facing.sum(axis=(1, 2)) * len(units)), 1)
        return float(shares.min())

    def _sense(self, before: Draft | None, draft: Draft) -> float:
        w, kinds = self.weights, self.site.kinds
        cost = w.step + w.kind * (len({kinds[unit] for unit in draft.units}) - 1)
        if before is not None:
            hop = self.centre[draft.units].mean(axis=0) - self.centre[before.units].mean(axis=0)
            cost += w.hop * float(np.linalg.norm(hop))
            cost += w.kind * (kinds[draft.units[0]] != kinds[before.units[-1]])
        return cost

    def _fall(self, drafts: Sequence[Draft]) -> list[float]:
        """How far each step starts below the floor that was reached before, in pitches.

        What stands by itself on the rest does not raise the floor: its foot stays where it is.
        """
        floor, found = 0.0, []
        for draft in drafts:
            level = float(self.level[draft.units].min())
            found.append(max(0.0, floor - level))
            floor = max(floor, level if draft.foot is None else min(level, draft.foot))
        return found

    def _stability(self, drafts: Sequence[Draft]) -> list[float]:
        """What each step costs because something leans when it is done."""
        placed: frozenset[int] = frozenset()
        waiting: dict[bool, list[int]] = {False: [], True: []}  # parts that each watch has not been told of
        found = []
        for each in self.watches.values():
            each.clear()
        for draft in drafts:
            placed |= frozenset(draft.units)
            for parts in waiting.values():
                parts += [part for unit in draft.units for part in self.site.units[unit].parts]
            turned = from_below(self.site, self.apart, draft.units[0])
            watch = self.watches.get(turned)
            if watch is not None and (turned, placed) not in self._leans:
                self._leans[turned, placed] = bool(watch.doubts(waiting[turned]))
                waiting[turned] = []
            found.append(self.weights.hold * self._leans.get((turned, placed), False))
        return found

    def _glue(self, before: Draft | None, draft: Draft) -> float:
        slack = any(self.slack[unit] for unit in draft.units)
        return self.weights.slack * (before is not None and slack != any(self.slack[u] for u in before.units))


def search(
    make: Callable[[Variant], Walk],
    judge_of: Callable[[], Judge],
    first: list[Draft],
    work: int = WORK,
) -> tuple[list[Draft], int]:
    """The cheapest order found and how many were tried, ``first`` that of the plain walk. ``make`` starts a
    walk of the given variant; ``judge_of`` is asked only where ``work`` (units placed) allows another."""
    variant, best = Variant(), first
    runs = 1 + work // max(sum(len(draft.units) for draft in best), 1)
    if runs < 2:
        return best, 1
    judge = judge_of()
    costs = judge.costs(best) or []
    tried = 1
    untried = _openings(judge.turns) + _detours(costs, variant)
    while untried and tried < runs:
        other = untried.pop(0)
        tried += 1
        try:
            drafts = make(other).run()
        except Stuck:  # it begins where the rest cannot be joined
            continue
        found = judge.costs(drafts, below=sum(costs))
        if found is not None:
            untried = [each for each in untried if not (each.detours or other.detours)]
            best, costs, variant = drafts, found, other
            untried += _detours(costs, variant)
    return best, tried


def _openings(turns: bool) -> list[Variant]:
    """Walks that turn soon, where anything turns; that start at another corner or favour something else."""
    corners = [(a, b) for a in (1.0, -1.0) for b in (1.0, -1.0)]
    variants = [Variant(corner, favour) for corner in corners for favour in FAVOURS]
    soon = [Variant(corner, favour) for favour in SOON for corner in corners] if turns else []
    return soon + variants[1:]  # the first is the plain walk, from the first corner


def _detours(costs: Sequence[float], variant: Variant) -> list[Variant]:
    """The walk with one more detour: at costly steps first, and at the step before each of them."""
    steps = np.argsort(-ranks(np.array(costs), LEAST_GAIN), kind="stable").tolist()
    return [
        replace(variant, detours={**variant.detours, step: rank})
        for rank in RANKS
        for late in steps
        for step in dict.fromkeys((max(late - 1, 0), late))
        if variant.detours.get(step) != rank
    ]


def _hidden(site: Site) -> tuple[Mask, Mask]:
    """Which boxes hide which sample points of which units, from each view; what only grazes hides nothing."""
    same = SAME_SHARE * site.motion.length_mm
    index = site.motion.direction_index(site.up)
    boxes = site.motion.half(index).boxes
    flip = np.array([1.0, 1.0, -1.0 if index & 1 else 1.0])
    units = [boxes[list(unit.parts)] * flip for unit in site.units]
    low = np.array([each.min(axis=(0, 1)) for each in units]).reshape(-1, 3)
    high = np.array([each.max(axis=(0, 1)) for each in units]).reshape(-1, 3)
    samples = np.array([sample[:3] for sample in _TOP + _SIDES])
    normals = np.array([np.eye(3)[face] * np.sign(sample[face]) for *sample, face in _TOP + _SIDES])
    points = (low + high)[:, None] / 2 + samples * (high - low)[:, None] / 2 + normals * same
    facing = VIEWS @ normals.T > 0
    hidden = np.zeros((len(VIEWS), len(units), len(samples), len(units)), dtype=bool)
    corners = np.where(np.array(list(product((0, 1), repeat=3)))[None], high[:, None], low[:, None])
    for row, view in enumerate(VIEWS):
        across = np.linalg.svd(view[None])[2][1:]  # what lies before a point does so in the picture too
        spread, at = corners @ across.T, points @ across.T
        least, most = spread.min(axis=1), spread.max(axis=1)
        for unit in ticking(range(len(units))):
            inside = (at[unit][:, None] > least + same) & (at[unit][:, None] < most - same)
            point, other = np.nonzero(inside.all(axis=-1))
            near, far = ((side[other] - points[unit, point]) / view for side in (low, high))
            enter, leave = np.minimum(near, far).max(axis=-1), np.maximum(near, far).min(axis=-1)
            hidden[row, unit, point, other] = (leave > np.maximum(enter, 0.0) + 3 * same) & (other != unit)
    return hidden, facing
