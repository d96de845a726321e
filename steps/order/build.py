"""Building a site up again: which units go into each step, from the table up.

Any order in which nobody is shut out (:mod:`steps.order.readiness`) can be built; among those this
walk takes, each time, what costs a person least (:mod:`steps.order.cost`). What is placed hangs
together after every step; parts laid loose on the table wait one step for the part that joins them,
and that part is chosen before they are laid.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import networkx as nx
import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from steps.model import Array, IntArray
from steps.order.apart import Apart, from_below
from steps.order.cost import Weights
from steps.order.mates import mates_of
from steps.order.readiness import Readiness
from steps.order.site import SAME_SHARE, TABLE_SHARE, Site, repeats_of
from steps.progress import tick, ticking
from steps.ties import merged, nearest, ranks
from steps.wording import Wording, phrase

#: Parts of one step lie within so many pitches of each other: one look finds them all.
STEP_REACH = 8.0
#: Parts of two kinds within so many: what is not alike belongs together only side by side.
UNLIKE_REACH = 5.0
#: Parts of one step start at the same height, within so many pitches.
STEP_LEVEL = 0.3
#: Units at one height are peers within so many pitches, and so many of them count.
PEER_REACH = 6.0
MOST_PEERS = 4
#: What stands by itself on the rest: so many units at least and at most, on so many heights,
MODULE_UNITS = (3, 40)
MODULE_LEVELS = 3
#: and at most this share of the assembly.
MODULE_SHARE = 1 / 3
#: Of the parts that could be laid on the table next, so many nearest ones are looked at.
LOOSE_LOOKS = 12
#: Costs that differ by less are alike: a hundredth of the effort of one pitch's distance, which nobody feels,
#: and several times what a file's rounding makes of heights and distances.
LEAST_GAIN = 1e-2
#: Why a step is doubtful: nothing carries its part; its part lies loose for longer than a step.
UNHELD = phrase("it is held by nothing that is placed before it")
WAITS = phrase("it waits on the table, joined to nothing, for more than one step")


@dataclass(frozen=True)
class StepLimits:
    """How much a step may hold."""

    parts: int = 4
    kinds: int = 2


@dataclass(frozen=True)
class Variant:
    """What makes one walk differ from another: where it starts, what it favours, where it turns aside."""

    corner: tuple[float, float] = (1.0, 1.0)  #: signs: from the left or right, from the front or back
    favour: tuple[tuple[str, float], ...] = ()  #: weights multiplied for this walk's choices
    detours: Mapping[int, int] = field(default_factory=dict)  #: step -> rank of the unit to take there

    def applied_to(self, weights: Weights) -> Weights:
        return replace(weights, **{name: factor * getattr(weights, name) for name, factor in self.favour})


@dataclass
class Draft:
    """One step: units in the order they go in, and what is doubtful about it."""

    units: list[int]
    doubtful: list[Wording] = field(default_factory=list)
    aloft: tuple[int, ...] = ()  #: units that a hand holds until those after them in the step are in
    hanging: bool = False  #: nothing of the step, nor before it, holds it
    aided: bool = False  #: held in the air or laid loose, since nothing else was found
    foot: float | None = None  #: level at which what it belongs to stands by itself on the rest, pitches


@dataclass(frozen=True, eq=False)
class SiteMeasures:
    """What every walk over one site starts from, worked out once."""

    level: Array  #: (units,) height of the underside over the lowest, pitches
    centre: Array  #: (units, 3) pitches
    kind: IntArray  #: (units,) a number for each kind
    whole: NDArray[np.bool_]  #: (units,) sub-assemblies
    slack: Array  #: (units,) 1 where the joints that hold a unit slide
    peers: tuple[tuple[int, ...], ...]  #: for each unit the others near it that start at the same height
    mate: IntArray  #: for each unit the one that faces it across the middle, or -1
    body: IntArray  #: (units,) a number for each body that the finished build hangs together in
    first: tuple[tuple[int, int], ...] | None = None  #: every (earlier, later); None: not worked out

    @staticmethod
    def of(site: Site, apart: Apart | None = None) -> SiteMeasures:
        """With who shuts out whom when ``apart`` tells the ways: worth it for more than one walk."""
        count = len(site.units)
        centre = site.centres / site.motion.length_mm
        level = levels_of(site)
        peers = _peers(centre, level)
        for copies in map(sorted, repeats_of(site)):
            _pair_up(peers, copies, centre)
        first = None
        if apart is not None:
            readiness = Readiness(site, apart.ways, apart.before, {*apart.odd, *apart.stuck})
            waited = ((unit, readiness.all_waited_for(unit)) for unit in range(count))
            first = tuple((other, unit) for unit, others in waited for other in others)
        return SiteMeasures(
            level,
            centre,
            _codes(site.kinds),
            np.array([unit.group is not None for unit in site.units]),
            np.array([_is_slack(site, unit) for unit in range(count)], dtype=float),
            tuple(map(tuple, peers)),
            mates_of(site),
            _bodies(site),
            first,
        )


def levels_of(site: Site) -> Array:
    """(units,) height of each unit's underside over the lowest, pitches; what is one height is one number."""
    return merged((site.spans[:, 0] - site.spans[:, 0].min()) / site.motion.length_mm, SAME_SHARE)


class Stuck(Exception):
    """Nothing more can go in that is both free and held."""


class Deadlock(Exception):
    """Every unplaced unit would shut another out: the ways in do not go together."""


class Walk:
    """The state of a half-built site, and the choice of the next step."""

    def __init__(
        self,
        site: Site,
        apart: Apart,
        weights: Weights,
        limits: StepLimits,
        before: Iterable[tuple[int, int]] = (),
        together: Sequence[frozenset[int]] = (),
        variant: Variant | None = None,
        ground: SiteMeasures | None = None,
    ):
        self.site = site
        ways = apart.ways
        self.variant = variant or Variant()
        self.weights = self.variant.applied_to(weights)
        self.limits = limits
        ground = ground or SiteMeasures.of(site)
        if ground.first is None:
            self.readiness = Readiness(site, ways, [*apart.before, *before], {*apart.odd, *apart.stuck})
        else:  # who shuts out whom is known: no need to look again
            self.readiness = Readiness(site, ways, [*ground.first, *before], range(len(site.units)))
        count = len(site.units)
        vectors = {way: site.motion.vector(way) for way in sorted(set(ways.values()))}
        self.level, self.centre, self.kind = ground.level, ground.centre, ground.kind
        self.whole, self.slack = ground.whole, ground.slack
        self.way = np.array([ways[unit] for unit in range(count)], dtype=int)
        self.side = np.array([vectors[ways[unit]] @ site.up < 0.99 for unit in range(count)], dtype=float)
        self.under = np.array([from_below(site, apart, unit) for unit in range(count)], dtype=float)
        self.locked = frozenset(apart.stuck)
        self.together = together
        self.steps_made = 0
        self.peers, self.mate, self.body = ground.peers, ground.mate, ground.body
        self.repeats = [sorted(copies) for copies in repeats_of(site)]
        self.module: frozenset[int] = frozenset()  # what stands by itself and is being built
        self.foot: float | None = None  # where that stands
        self.open_peers = np.array([len(peers) for peers in self.peers], dtype=float)
        self.placed = np.zeros(count, dtype=bool)
        self.near = np.zeros(count, dtype=bool)  # unplaced, held by something in the main body
        self.ready = np.zeros(count, dtype=bool)  # near, and shuts nobody out
        self.loose_ready = np.zeros(count, dtype=bool)  # on the table, and shuts nobody out
        self.grounded = _grounded(site, self.under)
        self.main = np.zeros(count, dtype=bool)
        self._watchers: dict[int, list[int]] = {}
        self.drafts: list[Draft] = []
        self.lax = False  # something may be held in the air, or lie loose
        self.last: int | None = None
        self.step: list[int] = []  # units of the step that is being made
        self.owed: list[list[int]] = []  # units of the steps that must follow
        for unit in np.flatnonzero(self.grounded):
            self._review(int(unit))

    # -- state

    def place(self, unit: int) -> None:
        """Put a unit in and update what may follow."""
        self.readiness.place(unit)
        self.placed[unit] = True
        self.ready[unit] = self.near[unit] = self.loose_ready[unit] = False
        if not self.main.any() or any(self.main[other] for other in self.site.neighbours[unit]):
            self._join(unit)
        for watcher in self._watchers.pop(unit, ()):
            self._review(watcher)
        self.open_peers[list(self.peers[unit])] -= 1
        self.last = unit

    def _join(self, unit: int) -> None:
        """The unit, and every placed one it holds, belong to the main body."""
        pending = [unit]
        while pending:
            joined = pending.pop()
            if self.main[joined]:
                continue
            self.main[joined] = True
            for other in self.site.neighbours[joined]:
                if self.placed[other]:
                    pending.append(other)
                elif not self.near[other]:
                    self.near[other] = True
                    self._review(other)

    def _review(self, unit: int) -> None:
        """See whether an unplaced unit may go in now; if not, look again when what it waits for is in."""
        if self.placed[unit]:
            return
        first = self.readiness.waits_for(unit)
        if first >= 0:
            watchers = self._watchers.setdefault(first, [])
            if unit not in watchers:
                watchers.append(unit)
            return
        self.ready[unit] = self.near[unit]
        self.loose_ready[unit] = self.grounded[unit]

    def _may(self, unit: int) -> bool:
        """Whether the unit shuts nobody out and is held, by the build or by the table."""
        held = bool(self.near[unit] or self.grounded[unit])
        return not self.placed[unit] and held and self.readiness.waits_for(unit) < 0

    # -- cost of a choice

    def costs(self, units: Sequence[int] | IntArray) -> Array:
        """(n,) cost of placing each of ``units`` next."""
        w = self.weights
        cost = w.up * self.level[units] + w.side * self.side[units]
        turned = 0.0 if self.last is None else self.under[self.last]
        cost = cost + w.turn * np.abs(self.under[units] - turned)
        if self.last is None:
            corner = self.centre[units] @ self._from_corner()
            return cost + np.asarray(w.hop * (corner - corner.min()))
        hop = np.linalg.norm(self.centre[units] - self.centre[self.last], axis=1)
        cost = cost + w.hop * np.minimum(hop, w.far) + 1e-3 * hop
        cost = cost + w.stray * np.minimum(self.open_peers[units], MOST_PEERS)
        cost = cost + w.kind * (self.kind[units] != self.kind[self.last])
        cost = cost + w.direction * (self.way[units] != self.way[self.last])
        for copies in self.repeats:  # none is put on before all can be
            if any(not self.placed[copy] and not self.ready[copy] for copy in copies):
                cost = cost + w.together * np.isin(units, copies)
        if mates := self._open_mates():
            cost = cost + w.pair * ~np.isin(units, mates)
        if self.module:
            cost = cost + w.module * np.array([unit not in self.module for unit in units])
        for members in self.together:
            if self.last in members and not all(self.placed[list(members)]):
                cost = cost + w.together * np.array([unit not in members for unit in units])
        return np.asarray(cost + w.slack * (self.slack[units] != self.slack[self.last]))

    def _open_mates(self) -> list[int]:
        """What faces the units of the step that is being made, and may go in now."""
        mates = [int(self.mate[unit]) for unit in self.step]
        return [mate for mate in mates if mate >= 0 and self.ready[mate]]

    def _standing_with(self, unit: int) -> frozenset[int]:
        """The unit and all that is yet to be built on it, when that stands by itself on what is built.

        A floor on which several things stand is no such foot: without it they hang together no more.
        """
        most = min(MODULE_UNITS[1], int(MODULE_SHARE * len(self.placed)))
        found = self._hanging_together(unit, -1, most)
        levels = nearest(self.level[list(found)], STEP_LEVEL, SAME_SHARE)
        if not MODULE_UNITS[0] <= len(found) <= most or len(set(levels.tolist())) < MODULE_LEVELS:
            return frozenset()
        rest = min(found - {unit})
        return found if len(self._hanging_together(rest, unit, most)) == len(found) - 1 else frozenset()

    def _hanging_together(self, unit: int, without: int, most: int) -> frozenset[int]:
        """Unplaced units joined to ``unit`` by unplaced ones, ``without`` one; a few more than ``most``."""
        found, pending = {unit}, [unit]
        while pending and len(found) <= most:
            for other in self.site.neighbours[pending.pop()]:
                if not self.placed[other] and other != without and other not in found:
                    found.add(other)
                    pending.append(other)
        return frozenset(found)

    def _from_corner(self) -> Array:
        frame = self.site.motion.half(self.site.motion.direction_index(self.site.up)).frame
        right, back = self.variant.corner
        return np.asarray(right * frame[:, 0] + back * frame[:, 1])

    def _ranked(self, mask: NDArray[np.bool_]) -> tuple[list[int], list[float]]:
        units = np.flatnonzero(mask)
        if not len(units):
            return [], []
        cost = merged(self.costs(units), LEAST_GAIN)
        order = np.lexsort((units, cost))
        return units[order].tolist(), cost[order].tolist()

    # -- steps

    def run(self, lax: bool = False) -> list[Draft]:
        """All steps until every unit is placed. Raises Stuck where no unit is both free and held, unless
        ``lax``: then units are held in the air or lie loose; and Deadlock where none is free."""
        self.lax = self.lax or lax
        while not self.placed.all():
            self.drafts.append(self.next_step())
            tick()
        return self.drafts

    def run_like(self, earlier: Sequence[Draft]) -> list[Draft]:
        """As few changes to an earlier order as serve: what may not go in yet waits, as a step of its own."""
        drafts: list[Draft] = []
        waiting: list[list[int]] = []
        for step in [*earlier, None]:
            for late in list(waiting):
                if all(self._may(unit) for unit in late):
                    waiting.remove(late)
                    drafts.append(self._put(late))
            if step is None:
                break
            now = [unit for unit in step.units if self._may(unit) and self._put([unit])]
            later = [unit for unit in step.units if unit not in now]
            drafts += [replace(step, units=now, doubtful=list(step.doubtful))] if now else []
            waiting += [later] if later else []
        return drafts + self.run(lax=True)

    def _put(self, units: Sequence[int]) -> Draft:
        for unit in units:
            self.place(unit)
        return Draft(list(units))

    def next_step(self) -> Draft:
        """Choose and place the next step; raises Stuck and Deadlock as :meth:`run` does."""
        self.step = []
        self.module = frozenset(unit for unit in self.module if not self.placed[unit])
        if self.owed:
            self.steps_made += 1
            return self._joining_step()
        ready, cost = self._ranked(self.ready & ~self._too_early())
        loose, loose_cost = self._ranked(self.loose_ready & ~self.near)
        rank = self.variant.detours.get(self.steps_made, 0)
        self.steps_made += 1
        if loose and (not ready or loose_cost[0] < cost[0] - LEAST_GAIN):
            draft = self._loose_step(loose[rank:] + loose[:rank])
            if draft is not None:
                return draft
        if ready:
            first = ready[min(rank, len(ready) - 1)]
            if not self.module:
                self.module = self._standing_with(first)
                self.foot = min((float(self.level[unit]) for unit in self.module), default=None)
            return self._extend(Draft([], foot=self.foot if first in self.module else None), [first])
        if apart := [unit for unit in loose if not self._joins_main(unit)]:
            return self._laid(self._side_by_side(apart) or apart)
        if not self.lax:
            raise Stuck
        return self._aided_step(loose)

    def _too_early(self) -> NDArray[np.bool_]:
        """Units that go in from below, while it is not yet time to turn the build over.

        It is turned once, when all that goes in from below can go in; and never with loose parts on it.
        """
        under = self.under > 0
        waiting = under & ~self.placed
        turned = self.last is not None and bool(under[self.last])
        if turned or not waiting.any() or not (self.ready & ~under).any():
            return np.zeros(len(under), dtype=bool)
        whole = bool((self.main | ~self.placed).all())
        if whole and bool(self.ready[waiting].all()):
            return np.zeros(len(under), dtype=bool)
        return under

    def _joining_step(self) -> Draft:
        """Place what was promised to what lies loose or is held, then go on as usual."""
        promised, *self.owed = self.owed
        return self._extend(Draft([]), promised)

    def _extend(self, draft: Draft, seeds: Sequence[int]) -> Draft:
        self.step = draft.units
        for unit in seeds:
            draft.units.append(unit)
            self.place(unit)
        if any(unit in self.locked for unit in draft.units):
            return draft
        while len(draft.units) < self.limits.parts:
            ready, _ = self._ranked(self.ready)
            free = (unit for unit in ready if unit not in self.locked)
            fitting = next((unit for unit in free if self._fits(draft.units, unit)), None)
            if fitting is None:
                break
            draft.units.append(fitting)
            self.place(fitting)
        return draft

    def _fits(self, step: Sequence[int], unit: int) -> bool:
        """Whether a unit may share a step with those already in it."""
        first = step[0]
        kinds = {int(self.kind[other]) for other in step} | {int(self.kind[unit])}
        if len(kinds) > self.limits.kinds or self.way[unit] != self.way[first]:
            return False
        if (self.whole[unit] or self.whole[first]) and len(kinds) > 1:
            return False
        mate = int(self.mate[unit])
        alike = mate in step or any(self.kind[unit] == self.kind[other] for other in step)
        if self._away(unit, step[-1]) > (STEP_REACH if alike else UNLIKE_REACH) + SAME_SHARE:
            return False
        if (unit in self.module) != (first in self.module):
            return False
        if unit not in self.module and len(kinds) > 1 and self._standing_with(unit):
            return False  # what stands by itself is begun in a step of its own
        pairs = mate >= 0 and mate not in step and self.ready[mate]
        if pairs and len(step) + 1 >= self.limits.parts:
            return False  # no room for the mate: both wait
        touching = [other for other in step if other in self.site.neighbours[unit]]
        if touching:  # a pile of alike parts may go up in one step
            return touching == [step[-1]] and len(kinds) == 1 and not self.whole[unit]
        return abs(self.level[unit] - self.level[first]) <= STEP_LEVEL + SAME_SHARE

    def _away(self, unit: int, other: int) -> float:
        """Pitches from the middle of one unit to that of another."""
        return float(np.linalg.norm(self.centre[unit] - self.centre[other]))

    def _loose_step(self, loose: Sequence[int]) -> Draft | None:
        """Lay parts on the table whose joining part is known and fits in the step after."""
        laid: list[int] = []
        joiners: list[int] = []
        looked = 0
        remaining = list(loose)
        while remaining and looked < LOOSE_LOOKS and len(laid) < self.limits.parts:
            unit = remaining.pop(0)
            looked += 1
            if unit in laid:
                continue
            if not self.main.any() and not laid:
                laid.append(unit)  # the first part of all needs nobody
            else:
                found = self._joiner(unit, laid, joiners)
                if found is None:
                    continue
                needs, joiner = found
                laid += needs
                if joiner is not None:
                    joiners.append(joiner)
            cost = np.linalg.norm(self.centre[remaining] - self.centre[laid[-1]], axis=1)
            remaining = [remaining[k] for k in np.lexsort((np.array(remaining), ranks(cost, SAME_SHARE)))]
        if not laid:
            return None
        draft = Draft(list(laid))
        for unit in laid:
            self.place(unit)
        self.owed = [joiners] if joiners else []
        return draft

    def _joiner(
        self, unit: int, laid: Sequence[int], joiners: Sequence[int]
    ) -> tuple[list[int], int | None] | None:
        """What has to be laid with ``unit``, and the part that then joins it to the rest."""
        if any(other in self.site.neighbours[unit] for other in joiners):
            return ([unit], None) if self._step_allows([*laid, unit], joiners) else None
        options = []
        for joiner in self.site.neighbours[unit]:
            if self.placed[joiner] or joiner in joiners or (self.whole[joiner] and joiners):
                continue
            if self.under[joiner]:  # loose parts would fall while the build is turned
                continue
            around = [other for other in self.site.neighbours[joiner] if self.main[other] or other in laid]
            needs = self._loose_before(joiner, laid) if around else None
            if needs is None or not self.loose_ready[unit]:
                continue
            if unit not in needs:
                needs.append(unit)
            if self._step_allows([*laid, *needs], [*joiners, joiner]):
                options.append((len(needs), float(self.level[joiner]), joiner, needs))
        if not options:
            return None
        _, _, joiner, needs = min(options)
        return needs, joiner

    def _loose_before(self, joiner: int, laid: Sequence[int]) -> list[int] | None:
        """What has to be laid before a part beyond what is ``laid``; None where not all of it can be, in one
        step."""
        needs: set[int] = set()
        for other in self.readiness.waited_for(joiner):
            if other in laid:
                continue
            needs.add(other)
            if not self.loose_ready[other] or len(needs) > self.limits.parts:
                return None
        return sorted(needs)

    def _step_allows(self, laid: Sequence[int], joiners: Sequence[int]) -> bool:
        """Whether both steps, the loose parts and their joining parts, stay within the limits."""
        for step in (laid, joiners):
            kinds = {int(self.kind[unit]) for unit in step}
            if len(step) > self.limits.parts or len(kinds) > self.limits.kinds:
                return False
        near = self.centre[list(laid)]
        return bool(np.linalg.norm(near - near[0], axis=1).max() <= STEP_REACH + SAME_SHARE)

    def _aided_step(self, loose: Sequence[int]) -> Draft:
        """Nothing is both free and held: hold what is free until the part that carries it is in, else lay it
        on the table."""
        if (found := self._held_up()) is not None:
            aloft, carrier = found
            first, *self.owed = _runs([*aloft, carrier], self.whole)
            draft = self._put(first)
            draft.aloft, draft.aided = tuple(unit for unit in first if unit != carrier), True
            return draft
        if loose:
            return self._laid(loose)
        waiting = np.flatnonzero(~self.placed)
        free = [int(unit) for unit in waiting if self.readiness.waits_for(int(unit)) < 0]
        if not free:
            raise Deadlock
        unit = min(free, key=lambda each: (float(self.level[each]), each))
        self.place(unit)
        return Draft([unit], [UNHELD], hanging=True, aided=True)

    def _held_up(self) -> tuple[list[int], int] | None:
        """The fewest units that one part carries once it is in, in the order they go in, and that part."""
        best: tuple[int, int, list[int]] | None = None
        for carrier in np.flatnonzero(self.near & ~self.placed).tolist():
            before = self.readiness.all_before(carrier, None if best is None else best[0])
            if not before or (best is not None and best[0] <= len(before)):
                continue
            if (ranked := self._in_turn(before)) is not None:
                best = (len(before), carrier, ranked)
        return None if best is None else (best[2], best[1])

    def _in_turn(self, units: Sequence[int]) -> list[int] | None:
        """Units so that none shuts out a later one; None where they wait for one another, or for others."""
        waits = {unit: set(self.readiness.all_waited_for(unit)) for unit in units}
        graph = nx.DiGraph()
        graph.add_nodes_from(units)
        graph.add_edges_from((first, unit) for unit, found in waits.items() for first in found)
        if set(graph) != set(units) or not nx.is_directed_acyclic_graph(graph):
            return None
        return list(nx.lexicographical_topological_sort(graph))

    def _laid(self, loose: Sequence[int]) -> Draft:
        """Lay on the table what the rest does not join yet; what it never joins is a body of its own."""
        laid: list[int] = []
        for unit in loose:
            if self._step_allows([*laid, unit], ()):
                laid.append(unit)
        draft = self._put(laid)
        apart = [unit for unit in laid if not self._joins_main(unit)]
        for unit in apart:
            self._join(unit)
        if len(apart) < len(laid):
            draft.aided = True
            draft.doubtful = [WAITS]
        return draft

    def _side_by_side(self, loose: Sequence[int]) -> list[int]:
        """Units for one step of which each touches what stands or one before it: the next is glued to it."""
        chosen: list[int] = []
        left = dict.fromkeys(loose)
        while len(chosen) < self.limits.parts:
            beside = (unit for unit in left if self._is_beside(unit, chosen))
            unit = next((unit for unit in beside if self._step_allows([*chosen, unit], ())), None)
            if unit is None:
                break
            del left[unit]
            chosen.append(unit)
        return chosen

    def _is_beside(self, unit: int, chosen: Sequence[int]) -> bool:
        """Whether the unit touches what stands, or one of those chosen."""
        ends = {end for tie in self.site.joints_of[unit] for end in (tie.a, tie.b)} - {unit}
        return any(self.main[end] for end in ends) or not ends.isdisjoint(chosen)

    def _joins_main(self, unit: int) -> bool:
        """Whether the finished build ties the unit to the main body."""
        tied = bool(self.site.neighbours[unit])
        return tied and bool(self.main[self.body == self.body[unit]].any())


def _bodies(site: Site) -> IntArray:
    """(units,) a number for each body of units that hang together."""
    count = len(site.units)
    first = np.repeat(np.arange(count), [len(others) for others in site.neighbours])
    other = np.array([other for others in site.neighbours for other in others], dtype=np.int64)
    graph = sparse.coo_matrix((np.ones(len(first)), (first, other)), shape=(count, count))
    return np.asarray(connected_components(graph, directed=False)[1], dtype=np.int64)


def _runs(units: Sequence[int], whole: NDArray[np.bool_]) -> list[list[int]]:
    """Units in the order they go in, one run a step: in a step single parts go in before sub-assemblies."""
    runs: list[list[int]] = [[]]
    for unit in units:
        if runs[-1] and whole[runs[-1][-1]] and not whole[unit]:
            runs.append([])
        runs[-1].append(unit)
    return runs


def _peers(centre: Array, level: Array) -> list[list[int]]:
    """For each unit the others near it that start at the same height."""
    if not len(centre):
        return []
    tree = cKDTree(centre)
    near, most = tree.query_ball_point(centre, PEER_REACH + SAME_SHARE), STEP_LEVEL + SAME_SHARE
    return [
        [other for other in sorted(others) if other != unit and abs(level[other] - level[unit]) <= most]
        for unit, others in enumerate(ticking(near))
    ]


def _grounded(site: Site, under: Array) -> NDArray[np.bool_]:
    """(units,) whether the unit lies on the table as long as nothing that goes in from below is there."""
    above = under == 0
    if above.all() or not above.any():
        return np.asarray(site.grounded)
    lowest = site.spans[above, 0].min()
    return np.asarray(above & (site.spans[:, 0] <= lowest + TABLE_SHARE * site.motion.length_mm))


def _codes(kinds: Sequence[str]) -> IntArray:
    """(units,) a number for each kind, in order of first appearance."""
    codes = {kind: code for code, kind in enumerate(dict.fromkeys(kinds))}
    return np.array([codes[kind] for kind in kinds], dtype=int)


def _pair_up(peers: list[list[int]], copies: list[int], centre: Array) -> None:
    """Copies of one sub-assembly have their nearest copies for peers, however far: ends come first."""
    centres = centre[copies]
    apart = np.linalg.norm(centres[:, None] - centres, axis=2)
    least = apart[apart > 0].min(initial=np.inf)
    for row, copy in enumerate(copies):
        near = np.flatnonzero((apart[row] > 0) & (apart[row] <= 1.5 * least + SAME_SHARE))
        peers[copy] = [copies[other] for other in near]


def _is_slack(site: Site, unit: int) -> bool:
    """Whether the joints that hold a unit slide: such joints are likely to be glued."""
    return any(tie.joint.fit in ("slide", "loose") for tie in site.joints_of[unit])


def hangs_together(site: Site, drafts: Sequence[Draft]) -> bool:
    """Whether what is placed is one body after every step, parts laid in the last step left out."""
    placed: set[int] = set()
    for draft in drafts:
        before = set(placed)
        placed.update(draft.units)
        if not before:
            continue
        start = min(before)
        reached, pending = {start}, [start]
        while pending:
            for other in site.neighbours[pending.pop()]:
                if other in placed and other not in reached:
                    reached.add(other)
                    pending.append(other)
        if before - reached:
            return False
    return True
