"""Dividing a model into groups that each come apart and go together.

What is taken off frees others and never binds them; what is put in holds others and never drops them. So a
site whose units each have a way out (:mod:`steps.order.apart`) and are each held when they go in can be
built by any walk that shuts nobody out, and where a walk is stuck, no other walk gets further. What is
stuck then says itself which units have to be one: units that drag each other along whichever way they
move; a body that stands on the table by itself until something joins it to the rest; a unit that hangs on
what it would shut out. Each becomes a group of its own, built apart the way it goes together, and the site
is walked again with one unit where there were several.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace

import networkx as nx
import numpy as np

from steps.model import Array
from steps.motion.blocking import Motion, distinct_directions
from steps.order.apart import Apart, from_below, take_apart
from steps.order.build import Deadlock, Draft, StepLimits, Stuck, Walk
from steps.order.cost import Weights
from steps.order.finder import Finder
from steps.order.groups import connected, find_children, main_up
from steps.order.hanging import (
    carriers_of,
    hangs_only,
    hung_on,
    hung_together,
    loose_at_turns,
    turned_over,
)
from steps.order.locked import moves_as_one
from steps.order.repeats import matching
from steps.order.site import Group, Site, make_site, repeats_of
from steps.order.turns import OVER, SAME_WAY, loose_parts
from steps.order.wishes import in_first_copy, unit_sets, unit_wishes
from steps.statics import Structure
from steps.wishes import Wishes

#: Why a group is built apart: its parts drag each other along, hang on one of them, or stand by themselves.
AS_ONE, HANGS, STANDS = "moves as one", "hangs", "stands by itself"
#: Attempts at one site for each of its units, and a few more: each attempt joins two units or more, or
#: gives up a group, so that few sites need more than three.
ATTEMPTS_EACH, ATTEMPTS = 2, 20


class NoWay(Exception):
    """A group does not go together: ``site`` as it was last tried, and which of its units are locked."""

    def __init__(self, site: Site, stuck: tuple[int, ...]):
        super().__init__()
        self.site = site
        self.stuck = stuck


@dataclass(frozen=True, eq=False)
class Solved:
    """A group that goes together: its units, their ways in, a first walk, and the groups within it."""

    site: Site
    apart: Apart
    drafts: tuple[Draft, ...]
    inner: tuple[Solved, ...]  #: one for each of the site's groups, in their order
    wishes: Wishes  #: as they bind the group's first copy
    lax: bool = False  #: something is held in the air or lies loose for longer than a step
    stopped: bool = False  #: the division was given up before it was sound

    @property
    def group(self) -> Group:
        return self.site.group

    def walk(self) -> Iterator[Solved]:
        """Every group, inner ones first."""
        for each in self.inner:
            yield from each.walk()
        yield self

    def cost(self, w: Weights) -> float:
        """What the division costs hands: steps, sub-assemblies, turns of either, and what is held."""
        total = 0.0
        for done in self.walk():
            under = [from_below(done.site, done.apart, draft.units[0]) for draft in done.drafts]
            turns = sum(one != two for one, two in zip([False, *under], [*under, False], strict=True))
            groups = [child.group for child in done.inner]
            over = sum(len(each.copies) for each in groups if float(each.up @ done.site.up) < OVER)
            total += w.step * len(done.drafts) + w.turn * (turns + over) + w.apart * len(done.inner)
            total += w.hold * sum(bool(draft.doubtful or draft.aloft) for draft in done.drafts)
        return total


@dataclass(eq=False)
class _Trial:
    """How one group is being divided: what was asked for and what was refused so far."""

    group: Group
    turning: bool  #: what hangs goes in with the whole turned over
    asked: list[Group] = field(default_factory=list)
    refused: set[frozenset[int]] = field(default_factory=set)
    turned: set[int] = field(default_factory=set)  #: first part rows of units that go in from below
    upright: bool = False  #: with the build turned over, ways do not go together
    attempts: int = 0

    def ask(self, parts: Iterable[int], up: Array, why: str) -> bool:
        """Ask for a group, which takes the place of groups within it; False where it is no use."""
        wanted = tuple(sorted(parts))
        known = {frozenset(each.parts) for each in self.asked} | self.refused
        if len(wanted) >= len(self.group.parts) or len(wanted) < 2 or frozenset(wanted) in known:
            return False
        self.asked = [each for each in self.asked if not set(each.parts) < set(wanted)]
        self.asked.append(Group((wanted,), up, why=why))
        return True

    def refuse(self, parts: Iterable[int]) -> None:
        bad = frozenset(parts)
        self.refused.add(bad)
        self.asked = [each for each in self.asked if frozenset(each.parts) != bad]


@dataclass(eq=False)
class Divider:
    """Divides groups; keeps what it has found out about each."""

    finder: Finder
    structure: Structure
    glued: frozenset[str]  #: joints that cannot do without glue, and those wished
    bondable: frozenset[str]  #: joints that may be glued
    weights: Weights
    limits: StepLimits
    wishes: Wishes
    wished: Sequence[Group] = ()  #: groups that the builder asked for
    forced: bool = False  #: locked units of the whole go straight down, and are told of
    _known: dict[tuple[object, ...], Solved | NoWay] = field(default_factory=dict)

    def solve(self, group: Group, wishes: Wishes | None = None) -> Solved:
        """The group divided until it goes together; where parts hang, with groups on their heads or with
        the whole turned over, whichever is less work. Raises NoWay."""
        wishes = wishes or self.wishes
        key = (group.copies, group.up.tobytes(), self.forced)
        if key not in self._known:
            try:
                self._known[key] = self._solve(group, wishes)
            except NoWay as no_way:
                self._known[key] = no_way
        found = self._known[key]
        if isinstance(found, NoWay):
            raise found
        return found

    def solve_whole(self, group: Group) -> Solved:
        """The whole, as it stands when it is finished; where things would fall out of a group as it is turned
        to go in, rather as that group lies, and turned when all is in. Raises NoWay."""
        upright = self.solve(group)
        if not self._drops(upright) or not kept_together(
            self.structure, self.finder.motion, group.parts, self.bondable
        ):
            return upright
        ups = distinct_directions([group.up, *(done.site.up for done in upright.walk())])[1:]
        for up in (sign * way for way in ups for sign in (1.0, -1.0)):
            with suppress(NoWay):
                done = self.solve(replace(group, up=up))
                if not done.lax and not self._drops(done):
                    return done
        return upright

    def _drops(self, solved: Solved) -> bool:
        """Whether anything falls out of a group within as it is turned to go in."""
        return any(self._falls_out(inner, done.site.up) for done in solved.walk() for inner in done.inner)

    def _falls_out(self, inner: Solved, above: Array) -> bool:
        return falls_out(self.structure, self.finder.motion, inner, above, self.bondable)

    def _solve(self, group: Group, wishes: Wishes) -> Solved:
        plain = self._divide(_Trial(group, False), wishes)
        if not any(each.group.why == HANGS for each in plain.inner):
            return plain
        try:
            over = self._divide(_Trial(group, True), wishes)
        except NoWay:
            return plain
        sound = not over.lax and not any(
            loose_at_turns(done.site, done.apart, done.drafts, self.structure, self.glued)
            for done in over.walk()
        )
        return over if sound and over.cost(self.weights) < plain.cost(self.weights) else plain

    def _divide(self, trial: _Trial, wishes: Wishes) -> Solved:
        inside = set(trial.group.parts)
        trial.asked += [each for each in self.wished if set(each.parts) < inside]
        while True:
            children = find_children(self.finder, trial.group, trial.refused, trial.asked)
            group = replace(trial.group, children=children)
            finder = self.finder
            site = make_site(finder.model, finder.measures, finder.joints, finder.motion, group)
            trial.attempts += 1
            tired = trial.attempts > ATTEMPTS + ATTEMPTS_EACH * len(group.parts)
            apart = self._ways(trial, site, unit_wishes(site, wishes), tired)
            if apart is None:
                continue
            together = (*unit_sets(site, wishes), *repeats_of(site))
            build = Walk(site, apart, self.weights, self.limits, unit_wishes(site, wishes), together)
            drafts = self._walk(trial, site, build, tired)
            if drafts is None:
                continue
            inner = self._inner(trial, site, wishes)
            if inner is None:
                continue
            return Solved(site, apart, tuple(drafts), inner, wishes, build.lax, tired)

    def _walk(self, trial: _Trial, site: Site, build: Walk, tired: bool) -> list[Draft] | None:
        """The steps of a walk over the site; None when the division has changed.

        A walk that is stuck goes on as if what has to be one were in already, so that it finds all such
        places in one go. Where nothing more can be divided, units are held in the air or lie loose.
        """
        changed = False
        try:
            while True:
                try:
                    drafts = build.run()
                    return None if changed else drafts
                except Stuck:
                    turned = len(trial.turned)
                    found = [] if tired else self._resolve(trial, site, build)
                    if not found:
                        return None if changed else build.run(lax=True)
                    changed = True
                    if len(trial.turned) > turned:
                        return None  # what lies on the table is another question then
                    for unit in found:
                        build.place(unit)
        except Deadlock:
            if not trial.turned:
                raise
            trial.turned, trial.upright = set(), True
            return None

    def _inner(self, trial: _Trial, site: Site, wishes: Wishes) -> tuple[Solved, ...] | None:
        """The groups within, each lying the way it goes together best; None where one is refused."""
        found = []
        for child in site.group.children:
            best = self._best_lying(child, site.up, wishes)
            if best is None:
                trial.refuse(child.parts)
                return None
            found.append(best)
        return tuple(found)

    def _best_lying(self, child: Group, above: Array, wishes: Wishes) -> Solved | None:
        """A group solved the first way up that asks for nothing special, or else with the least work; where
        anything would fall out of it while it is turned to go in, rather the way it goes in."""
        ups = [child.up, main_up(self.finder, child.parts), above, -above]
        tried: list[tuple[tuple[bool, bool, bool, float], Solved]] = []
        for row, up in enumerate(ups):
            if any(np.allclose(up, other) for other in ups[:row]):
                continue
            try:
                done = self.solve(replace(child, up=up), in_first_copy(wishes, child))
            except NoWay:
                continue
            lost = self._falls_out(done, above)
            special = done.lax or any(from_below(done.site, done.apart, unit) for unit in done.apart.ways)
            if not (lost or special):
                return done
            work = done.cost(self.weights) if special else float(row)
            tried.append(((done.lax, lost, special, work), done))
        found = min(tried, key=lambda each: each[0], default=None)
        return None if found is None else found[1]

    # ------------------------------------------------------------------ which way each unit goes

    def _ways(
        self, trial: _Trial, site: Site, wished: Sequence[tuple[int, int]], tired: bool
    ) -> Apart | None:
        """The way of every unit; None when the division has changed. Raises NoWay where units are locked."""
        apart = take_apart(site, wishes=wished, below=False)
        if apart.stuck and not tired and self._loosen(trial, site, apart.stuck, wished):
            return None
        if apart.stuck:
            apart = take_apart(site, wishes=wished)
        if apart.stuck and not (self.forced and trial.group.why == "whole"):
            raise NoWay(site, apart.stuck)
        if apart.stuck:
            down = dict.fromkeys(apart.stuck, site.motion.direction_index(site.up))
            apart = replace(apart, ways={**down, **apart.ways})
        bad = [u for u, each in enumerate(site.units) if each.group and from_below(site, apart, u)]
        for unit in bad:
            trial.refuse(site.units[unit].parts)
        under = [unit for unit in sorted(apart.ways) if from_below(site, apart, unit)]
        if bad or (not tired and self._support(trial, site, under)):
            return None
        return turned_over(site, apart, trial.turned)

    def _loosen(
        self, trial: _Trial, site: Site, stuck: Sequence[int], wished: Sequence[tuple[int, int]]
    ) -> bool:
        """Where no unit moves singly: give up groups that nobody needs, or make one of what moves as one."""
        kept = {frozenset(each.parts) for each in trial.asked}
        whole = [site.units[unit].parts for unit in stuck if site.units[unit].group is not None]
        for parts in whole:
            if frozenset(parts) not in kept:
                trial.refuse(parts)
                return True
        together = moves_as_one(site, stuck)
        if together and trial.ask(_parts(site, together), site.up, AS_ONE):
            return True
        together = moves_as_one(site, stuck, wished) if wished else ()
        joined = bool(together) and connected(self.finder, _parts(site, together))
        if joined and trial.ask(_parts(site, together), site.up, AS_ONE):
            return True
        for parts in whole:
            trial.refuse(parts)
        return bool(whole)

    # ------------------------------------------------------------------ what is held when it goes in

    def _resolve(self, trial: _Trial, site: Site, build: Walk) -> list[int]:
        """Where a walk is stuck: ask for groups of what has to be one. Their units that are not in yet; none
        where nothing more can be done."""
        waiting = [unit for unit in range(len(site.units)) if not build.placed[unit]]
        free = [unit for unit in waiting if build.readiness.waits_for(unit) < 0]
        if trial.turning and (found := self._turn_for(trial, site, free)):
            return [unit for unit in found if not build.placed[unit]]
        hanging = [unit for unit in free if not build.grounded[unit]]
        found = self._stand_bodies(trial, site, build) or self._support(trial, site, hanging)
        return [unit for unit in dict.fromkeys(found) if not build.placed[unit]]

    def _stand_bodies(self, trial: _Trial, site: Site, build: Walk) -> list[int]:
        """Bodies that stand on the table until something joins them to the rest: each is built apart.

        Where only single parts wait, too many to be laid out in one step, they go onto what joins them.
        """
        options = []
        for joiner in np.flatnonzero(build.near & ~build.placed).tolist():
            waiting = build.readiness.all_before(joiner)
            if waiting:
                options.append((len(waiting), joiner, waiting))
        found: list[int] = []
        for _, joiner, waiting in sorted(options):
            bodies = _bodies(site, waiting)
            if not set(found).isdisjoint((joiner, *waiting)) or not all(
                any(build.grounded[unit] for unit in body) for body in bodies
            ):
                continue
            several = [body for body in bodies if len(body) > 1]
            several += self._standing_alike(site, build, several)
            asked = [trial.ask(_parts(site, body), site.up, STANDS) for body in several]
            if any(asked):
                found += waiting
                continue
            own = [
                unit
                for unit in site.neighbours[joiner]
                if build.grounded[unit] and site.neighbours[unit] == (joiner,)
            ]
            if trial.ask(_parts(site, {joiner, *waiting, *own}), -site.up, HANGS):
                found += [*waiting, joiner]
            else:
                found += self._turn_for(trial, site, [*waiting, *own])
        return found

    def _standing_alike(self, site: Site, build: Walk, bodies: Sequence[Sequence[int]]) -> list[list[int]]:
        """What is built already, where it is just such a body: then all of them are copies."""
        built = np.flatnonzero(build.placed).tolist()
        parts = sorted(_parts(site, built))
        alike = any(
            len(parts) == len(other := sorted(_parts(site, body)))
            and matching(self.finder, other, parts, site.up)
            for body in bodies
        )
        return [built] if alike else []

    def _support(self, trial: _Trial, site: Site, hanging: Sequence[int]) -> list[int]:
        """Ask for groups of hanging units, what they hang on, and all else that hangs there; where that is
        no use or not wanted, let them go in with the build turned over. The units that this is about."""
        found: list[int] = []
        if not trial.turning:
            for unit in hanging:
                if unit not in found and site.units[unit].parts[0] not in trial.turned:
                    found += self._hang(trial, site, unit, hanging, found)
        return found or self._turn_for(trial, site, hanging)

    def _hang(
        self, trial: _Trial, site: Site, unit: int, hanging: Sequence[int], taken: Collection[int]
    ) -> tuple[int, ...]:
        """Ask for a group of a hanging unit, the first carrier that serves, and what else hangs there."""
        for carrier, away in carriers_of(site, unit):
            together = hung_together(site, unit, carrier, hanging)
            if not set(taken).isdisjoint(together):
                return ()
            if trial.ask(_parts(site, together), away if away @ site.up < 0 else -site.up, HANGS):
                return together
        return ()

    def _turn_for(self, trial: _Trial, site: Site, hanging: Sequence[int]) -> list[int]:
        """Units that hang, and others of their kinds, go in with the build turned over; which ones newly do.

        Those that hang only, first: with them out of the way the others may lie on the table.
        """
        if trial.upright:
            return []
        hung = [unit for unit in hanging if hung_on(site, unit)]
        kinds = {site.kinds[unit] for unit in hung if hangs_only(site, unit)}
        alike = [unit for unit, kind in enumerate(site.kinds) if kind in kinds and hangs_only(site, unit)]
        fresh = [unit for unit in alike or hung if site.units[unit].parts[0] not in trial.turned]
        trial.turned |= {site.units[unit].parts[0] for unit in fresh}
        return fresh


def falls_out(
    structure: Structure, motion: Motion, inner: Solved, above: Array, bondable: Collection[str]
) -> bool:
    """Whether anything falls out of a group as it is turned, ``above`` (3,) up, to go in."""
    lies = float(inner.site.up @ above) < SAME_WAY
    return lies and not kept_together(structure, motion, inner.group.parts, bondable)


def kept_together(
    structure: Structure, motion: Motion, parts: Sequence[int], bondable: Collection[str]
) -> bool:
    """Whether nothing falls off the parts as they are turned: grips, glue or others' form keep each."""
    loose = loose_parts(structure, parts, bondable)
    firm = np.array([part for part in parts if part not in set(loose)], dtype=np.int64)
    return all(
        any(motion.blocks(part, other, way) for other in motion.on_the_way(part, way, firm))
        for part in loose
        for way in range(len(motion.directions))
    )


def _parts(site: Site, units: Iterable[int]) -> list[int]:
    return [part for unit in units for part in site.units[unit].parts]


def _bodies(site: Site, units: Iterable[int]) -> list[list[int]]:
    """Units that hang together among these, body by body."""
    inside = set(units)
    graph = nx.Graph()
    graph.add_nodes_from(sorted(inside))
    graph.add_edges_from(
        (unit, other) for unit in inside for other in site.neighbours[unit] if other in inside
    )
    return sorted(map(sorted, nx.connected_components(graph)))
