"""Trying other orders: the walk is run again in other variants, and the cheapest order kept.

There is a result after the first run. Later runs start at another corner or favour something else; then
they take, at one step, not the cheapest unit but the next, the costliest steps first (a limited-discrepancy
search, Harvey & Ginsberg, IJCAI 1995, from memory). The number of runs follows from the time budget and the
size of the site by a fixed rate, so that the same input gives the same order on every machine; the clock
only stops a machine that is far slower.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from steps.order.apart import Apart, from_below
from steps.order.build import Build, Draft, Variant
from steps.order.cost import Weights
from steps.order.site import Site
from steps.order.stability import Watch

#: Units placed per second of the budget when counting runs; a 2 GHz core places some 2,000 to 5,000.
RATE = 16.0
#: More runs than this are not made, whatever the budget.
MOST_RUNS = 400
#: A step's first so many alternatives are tried.
RANKS = (1, 2)
#: What a whole walk may favour: parts of the cost and factors for its choices.
FAVOURS = ((), (("kind", 3.0),), (("hop", 2.0),), (("stray", 0.3),))
#: Where something goes in from below: turn the build as soon as all of it can, not when the rest is done.
SOON = ((("turn", 0.6),), (("turn", 0.0),))
#: An order is cheaper by more than this, or rounding would decide.
LEAST_GAIN = 1e-9
#: Of sites of more units nobody reckons what is hidden: the table would grow with their square.
MOST_SEEN = 300
#: Sites of up to so many units are walked so often at least in a minute's budget: favouring each thing once.
MOST_WALKED = 3000
LEAST_WALKS = len(FAVOURS)
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
    watch: Watch | None = None
    over: Watch | None = None  #: the build turned over
    hidden: Mask = field(init=False)  #: (views, units, points, units) who hides which point of whom
    facing: Mask = field(init=False)  #: (views, points) which points face the viewer
    #: (turned over, units placed) -> whether any leans
    _leans: dict[tuple[bool, frozenset[int]], bool] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.sees = len(self.site.units) <= MOST_SEEN
        if self.sees:
            self.hidden, self.facing = _hidden(self.site)
        pitch = self.site.motion.length_mm
        self.level = (self.site.spans[:, 0] - self.site.spans[:, 0].min()) / pitch
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
        if sum(seen) >= below - LEAST_GAIN:
            return None
        found = [cost + leans for cost, leans in zip(seen, self._stability(drafts), strict=True)]
        return found if sum(found) < below - LEAST_GAIN else None

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
        if not self.sees:
            return 0.0
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
        for watch in (self.watch, self.over):
            if watch is not None:
                watch.clear()
        for draft in drafts:
            placed |= frozenset(draft.units)
            for parts in waiting.values():
                parts += [part for unit in draft.units for part in self.site.units[unit].parts]
            turned = from_below(self.site, self.apart, draft.units[0])
            watch = self.over if turned else self.watch
            if watch is not None and (turned, placed) not in self._leans:
                self._leans[turned, placed] = bool(watch.doubts(waiting[turned]))
                waiting[turned] = []
            found.append(self.weights.hold * self._leans.get((turned, placed), False))
        return found

    def _glue(self, before: Draft | None, draft: Draft) -> float:
        slack = any(self.slack[unit] for unit in draft.units)
        return self.weights.slack * (before is not None and slack != any(self.slack[u] for u in before.units))


def search(
    make: Callable[[Variant], Build],
    judge: Judge | None,
    runs: int,
    seconds: float,
    tell: Callable[[int], None] | None = None,
) -> tuple[list[Draft], int]:
    """The cheapest order found and how many were tried. ``make`` starts a walk of the given variant."""
    variant = Variant()
    best = make(variant).run(tell)
    if judge is None or runs < 2:
        return best, 1
    stop = time.monotonic() + seconds
    costs = judge.costs(best) or []
    tried = 1
    untried = _openings(judge.turns) + _detours(costs, variant)
    while untried and tried < runs and time.monotonic() < stop:
        other = untried.pop(0)
        drafts = make(other).run()
        tried += 1
        if any(draft.doubtful for draft in drafts):
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
    steps = sorted(range(len(costs)), key=lambda step: (-round(costs[step], 6), step))
    return [
        replace(variant, detours={**variant.detours, step: rank})
        for rank in RANKS
        for late in steps
        for step in dict.fromkeys((max(late - 1, 0), late))
        if variant.detours.get(step) != rank
    ]


def runs_for(units: int, seconds: float) -> int:
    """How many walks the budget allows for a site of so many units."""
    runs = RATE * seconds / max(units, 1)
    if MOST_SEEN < units <= MOST_WALKED:
        runs = max(runs, LEAST_WALKS * seconds / 60.0)
    return int(min(MOST_RUNS, max(1.0, runs)))


def _hidden(site: Site) -> tuple[Mask, Mask]:
    """Which boxes hide which sample points of which units, from each view."""
    index = site.motion.direction_index(site.up)
    boxes = site.motion.half(index).boxes
    flip = np.array([1.0, 1.0, -1.0 if index & 1 else 1.0])
    units = [boxes[list(unit.parts)] * flip for unit in site.units]
    low = np.array([each.min(axis=(0, 1)) for each in units]).reshape(-1, 3)
    high = np.array([each.max(axis=(0, 1)) for each in units]).reshape(-1, 3)
    samples = np.array([sample[:3] for sample in _TOP + _SIDES])
    normals = np.array([np.eye(3)[face] * np.sign(sample[face]) for *sample, face in _TOP + _SIDES])
    points = (low + high)[:, None] / 2 + samples * (high - low)[:, None] / 2 + normals * 1e-3
    facing = VIEWS @ normals.T > 0
    hidden = np.zeros((len(VIEWS), len(units), len(samples), len(units)), dtype=bool)
    with np.errstate(divide="ignore"):
        for row, view in enumerate(VIEWS):
            for unit in range(len(units)):
                near = (low[None] - points[unit][:, None]) / view
                far = (high[None] - points[unit][:, None]) / view
                enter = np.minimum(near, far).max(axis=-1)
                leave = np.maximum(near, far).min(axis=-1)
                hidden[row, unit] = (leave > np.maximum(enter, 0.0)) & (np.arange(len(units)) != unit)
    return hidden, facing
