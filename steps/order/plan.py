"""From groups and drafts to the plan's assemblies and steps."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace

import networkx as nx
import numpy as np

from steps.bonding import bonding_of
from steps.errors import NoBuildableOrder, WrongSettings
from steps.model import Array, Joints, Measures, Model, Order, Problem
from steps.motion import Motion
from steps.order.apart import UNDER, Apart, from_below, take_apart
from steps.order.build import Build, Deadlock, Draft, Ground, Limits, Variant, hangs_together
from steps.order.cost import Weights, weights_from
from steps.order.cured import cured
from steps.order.finder import Finder, make_finder
from steps.order.groups import WISHED, connected, find_groups, main_up
from steps.order.locked import dragging, locked_problem, moves_as_one
from steps.order.search import Judge, runs_for, search
from steps.order.site import Group, Site, make_site, repeats_of
from steps.order.stability import Watch
from steps.order.turns import OVER, SAME_WAY, loose_parts
from steps.order.wishes import unit_sets, unit_wishes
from steps.order.writer import Planned, Writer, draft_parts, step_up
from steps.settings import Settings
from steps.statics import Structure
from steps.wishes import circle_text, read_wishes, unmet_text

Progress = Callable[[str, int, int], None]
Plans = dict[tuple[int, ...], Planned]  #: by the parts of a group's first copy


#: Said of a part that no move brings in, where the plan is made anyway.
LOCKED = (
    "it is locked by its neighbours: no straight move brings it in, so it has to be bent, split or left out"
)
#: Why a group is built apart whose parts hang under one of them.
HANGS = "hangs"
#: Rounds of dividing the model into groups before the planner gives up on finding better ones. Every
#: round refuses or asks for one more group, so a model seldom needs more than three.
MOST_ROUNDS = 60


@dataclass(eq=False)
class Planner:
    """One run of the planner: what it was given, and what it has found so far."""

    model: Model
    measures: Measures
    joints: Joints
    settings: Settings
    progress: Progress | None = None
    problems: list[Problem] = field(default_factory=list)
    refused: set[frozenset[int]] = field(default_factory=set)  #: must not be built apart
    asked: list[Group] = field(default_factory=list)  #: must be built apart
    orders_tried: int = 0
    turned: set[int] = field(default_factory=set)  #: part rows that go in with the build turned over
    turning: set[frozenset[int]] = field(default_factory=set)  #: sites that are turned over as a whole
    hung_in: dict[frozenset[int], None] = field(default_factory=dict)  #: sites with groups that hang
    _done: dict[tuple[object, ...], Planned] = field(default_factory=dict)  #: by group and what is turned

    def __post_init__(self) -> None:
        self.motion = Motion(self.model, self.measures, self.joints)
        self.weights: Weights = weights_from(self.settings.order.weights)
        self.structure = Structure.of(self.model, self.measures, self.joints, self.settings)
        self.wishes = read_wishes(self.model, self.measures, self.joints, self.settings)
        bonding = bonding_of(self.model, self.measures, self.joints, self.settings)
        self.cured = cured(self.structure, bonding, self.settings)
        pairs = zip(self.structure.joints.joints, self.cured.joints.joints, strict=True)
        self.glued = frozenset(bare.id for bare, set_ in pairs if bare is not set_)
        self.finder: Finder = make_finder(self.model, self.measures, self.joints, self.motion)

    def run(self) -> Order:
        for parts in self.wishes.together:
            if len(parts) > 1 and connected(self.finder, parts):
                self.asked.append(Group((parts,), main_up(self.finder, parts), why=WISHED))
        up = up_of(self.settings.order.down)
        root, planned = self._turn_where_it_pays(up, *self._divide(up))
        if self.wishes.bind and not self.settings.anyway and hang_on_nothing(planned):
            self._blame_wishes(hang_on_nothing(planned))
        writer = Writer(self.model, self.structure, self.cured, self.wishes, root, planned)
        writer.problems = self.problems
        writer.facts["orders_tried"] = float(self.orders_tried)
        writer.write(root)
        return writer.order()

    def _turn_where_it_pays(self, up: Array, root: Group, planned: Plans) -> tuple[Group, Plans]:
        """Where parts hang, groups are built apart on their heads; see whether it is less work to build on
        and turn the whole once."""
        for site in _outermost(self.hung_in):
            kept = list(self.asked), set(self.refused), set(self.turned), len(self.problems)
            self.turning.add(site)
            self.asked = [each for each in self.asked if each.why != HANGS or not set(each.parts) < site]
            try:
                other, within = self._divide(up, site)
                less = self._work(other, within, site) < self._work(root, planned, site)
                pays = less and self._sound(within)
                if pays:
                    root, planned = self._divide(up)
            except (Deadlock, NoBuildableOrder, WrongSettings):
                pays = False
            if not pays:
                self.asked, self.refused, self.turned = kept[:3]
                self.turning.discard(site)
                del self.problems[kept[3] :]
        return root, planned

    def _work(self, root: Group, planned: Plans, within: frozenset[int] | None = None) -> float:
        """What a division costs hands: steps, sub-assemblies, and turns of either."""
        w, cost = self.weights, 0.0
        for group in walk_groups(root, within):
            done = planned[group.parts]
            under = [from_below(done.site, done.apart, draft.units[0]) for draft in done.drafts]
            turns = sum(one != two for one, two in zip([False, *under], [*under, False], strict=True))
            over = sum(float(child.up @ done.site.up) < OVER for child in group.children)
            cost += w.step * len(done.drafts) + w.turn * (turns + over) + w.apart * len(group.children)
            cost += w.hold * sum(bool(draft.doubtful) for draft in done.drafts)
        return cost

    def _sound(self, planned: Plans) -> bool:
        """Whether nothing lies loose on any build while it is turned."""
        return not any(loose_at_turns(done, self.structure, self.glued) for done in planned.values())

    def _divide(self, up: Array, within: frozenset[int] | None = None) -> tuple[Group, Plans]:
        """Groups that each come apart and go together; what proves unfit is divided another way.

        Only the groups ``within`` the given parts are planned, if any are given.
        """
        for _ in range(MOST_ROUNDS):
            root = find_groups(self.finder, up, frozenset(self.refused), self.asked)
            planned: Plans = {}
            for group in walk_groups(root, within):
                key = (_group_key(group), frozenset(self.turned & set(group.parts)))
                done = self._done.get(key) or self._plan_site(
                    group, sum(len(each.site.units) for each in planned.values())
                )
                if done is None:
                    break
                self._done[key] = planned[group.parts] = done
            else:
                return root, planned
        raise NoBuildableOrder(
            [
                Problem(
                    "no-division",
                    "error",
                    (),
                    "No way was found to divide the model into groups that go together.",
                )
            ]
        )

    def _plan_site(self, group: Group, before: int) -> Planned | None:
        """One group's ways and steps; None when the division has to change first.

        ``before`` is the number of units placed in earlier groups, for the progress bar.
        """
        site = make_site(self.model, self.measures, self.joints, self.motion, group)
        wished = unit_wishes(site, self.wishes)
        apart = take_apart(site, wishes=wished, below=False)
        if apart.stuck and group.why != "whole":  # a sub-assembly may as well lie on its head
            over = replace(site, group=replace(group, up=-group.up))
            if not (turned := take_apart(over, wishes=wished, below=False)).stuck:
                site, apart = over, turned
        if apart.stuck and (self._refuse(site, apart) or self._lift_together(site, apart, wished)):
            return None
        if apart.stuck:
            apart = take_apart(site, wishes=wished)
        if apart.stuck:
            self._give_up(site, apart, wished)
            apart = replace(
                apart, ways={**dict.fromkeys(apart.stuck, self.motion.direction_index(site.up)), **apart.ways}
            )
        if self._refuse(site, apart) or self._hang(site, apart):
            return None

        total = len(self.model.parts)

        def tell(placed: int) -> None:
            if self.progress:
                self.progress("order", min(before + placed, total), total)

        turned = self._turned_over(site, apart)
        try:
            drafts = self._steps(site, turned, wished, tell)
        except Deadlock:
            if turned is apart:
                raise
            turned, drafts = apart, self._steps(site, apart, wished, tell)
        turned = begun_over(site, turned, drafts)
        hanging = [unit for draft in drafts if draft.hanging for unit in draft.units]
        waiting = [unit for draft in drafts if draft.waiting for unit in draft.units]
        if frozenset(group.parts) in self.turning:
            if self._turn_for(site, sorted({*hanging, *waiting})):
                return None
        elif self._support(site, hanging) or self._support(site, waiting, turn=False):
            return None
        for draft in drafts:
            draft.doubtful += [LOCKED] if set(draft.units) & set(apart.stuck) else []
        return Planned(site, turned, drafts)

    def _steps(
        self, site: Site, apart: Apart, wished: tuple[tuple[int, int], ...], tell: Callable[[int], None]
    ) -> list[Draft]:
        """The site's steps; where wishes bind, as near as can be to those without them."""
        if not wished:
            return self._search(site, apart, (), tell)
        free = take_apart(site)
        if not free.stuck:
            build = Build(site, apart, self.weights, self._limits(), wished, unit_sets(site, self.wishes))
            drafts = build.run_like(self._search(site, free, (), tell))
            if hangs_together(site, drafts):
                return drafts
        return self._search(site, apart, wished, tell)

    def _search(
        self, site: Site, apart: Apart, before: tuple[tuple[int, int], ...], tell: Callable[[int], None]
    ) -> list[Draft]:
        """The cheapest steps found within the site's share of the time budget."""
        together = (*unit_sets(site, self.wishes), *repeats_of(site))

        budget = self.settings.order.seconds * len(site.units) / len(self.model.parts)
        runs = runs_for(len(site.units), budget)
        ground = Ground.of(site, apart if runs > 1 else None)

        def make(variant: Variant) -> Build:
            return Build(site, apart, self.weights, self._limits(), before, together, variant, ground)

        judge = None
        if runs > 1:
            watch = Watch(self.structure, site.up, site.group.parts)
            judge = Judge(site, apart, self.weights, watch)
            if judge.turns:
                judge.over = Watch(self.structure, -site.up, site.group.parts)
        drafts, tried = search(make, judge, runs, budget, tell)
        self.orders_tried += tried
        return drafts

    def _give_up(self, site: Site, apart: Apart, wished: tuple[tuple[int, int], ...]) -> None:
        """Raise NoBuildableOrder, or WrongSettings when it is the wishes that keep the site together.

        With ``anyway`` locked parts are noted, and stay in ``apart.stuck``.
        """
        stuck = apart.stuck
        free = take_apart(site)
        if free.stuck:
            problem = locked_problem(site, free.stuck)
            if not self.settings.anyway:
                raise NoBuildableOrder([problem])
            self.problems.append(problem)
            return
        graph = nx.DiGraph()
        graph.add_edges_from(pair for pair in wished if set(pair) <= set(stuck))
        for unit in stuck:
            columns = dragging(site, stuck, free.ways[unit])
            graph.add_edges_from((unit, other) for other in columns[unit])
        circle = [edge[0] for edge in nx.find_cycle(graph)]
        raise WrongSettings(
            circle_text(self.model, [site.units[unit].parts[0] for unit in circle], self.wishes)
        )

    def _blame_wishes(self, hanging: Sequence[int]) -> None:
        """Raise WrongSettings when it is wishes about before and last that leave parts hanging on nothing."""
        free = self.settings.order.model_copy(update={"before": (), "last": ()})
        without = Planner(
            self.model, self.measures, self.joints, self.settings.model_copy(update={"order": free})
        )
        if any(problem.code == "hangs-on-nothing" for problem in without.run().problems):
            return
        names = [self.model.parts[part].source for part in hanging]
        raise WrongSettings(unmet_text(self.model, names, self.wishes))

    def _refuse(self, site: Site, apart: Apart) -> bool:
        """Groups that cannot leave the site whole, or only through the table, are not built apart."""
        bad = [
            unit
            for unit, each in enumerate(site.units)
            if each.group is not None and (unit not in apart.ways or from_below(site, apart, unit))
        ]
        for unit in bad:
            self.refused.add(frozenset(site.units[unit].parts))
        self.asked = [each for each in self.asked if frozenset(each.parts) not in self.refused]
        return bool(bad)

    def _lift_together(self, site: Site, apart: Apart, wished: Iterable[tuple[int, int]]) -> bool:
        """Where no unit moves singly, build apart what moves as one."""
        members = moves_as_one(site, apart.stuck, wished)
        parts = tuple(sorted(part for unit in members for part in site.units[unit].parts))
        if not members or not connected(self.finder, parts):
            return False
        return self._ask(site, parts, site.up, "moves as one")

    def _hang(self, site: Site, apart: Apart) -> bool:
        """What would go in from below is hung on its neighbour first, apart from the rest."""
        under = [unit for unit in sorted(apart.ways) if from_below(site, apart, unit)]
        if frozenset(site.group.parts) in self.turning:
            return self._turn_for(site, under)
        return self._support(site, under)

    def _support(self, site: Site, hanging: Sequence[int], turn: bool = True) -> bool:
        """Ask for a group of one hanging unit, what it hangs on, and all else that hangs there.

        Where that does not serve, and if ``turn`` allows it, the unit goes in with the build turned over.
        """
        parts_of = frozenset(site.group.parts)
        changed = False
        for unit in hanging:
            found = hung_on(site, unit)
            if found is None or site.units[unit].parts[0] in self.turned:
                continue
            if self._ask(site, hung_together(site, unit, hanging, turn), found[1], HANGS):
                self.hung_in.setdefault(parts_of)
                return True
            if turn:
                self.turned.add(site.units[unit].parts[0])
                changed = True
        return changed

    def _turn_for(self, site: Site, hanging: Sequence[int]) -> bool:
        """Units that hang, and others of their kinds, go in with the build turned over.

        Those that hang only, first: with them out of the way the others may lie on the table.
        """
        hung = [unit for unit in hanging if hung_on(site, unit)]
        kinds = {site.kinds[unit] for unit in hung if only_hangs(site, unit)}
        alike = [unit for unit, kind in enumerate(site.kinds) if kind in kinds and only_hangs(site, unit)]
        fresh = {site.units[unit].parts[0] for unit in alike or hung} - self.turned
        self.turned |= fresh
        return bool(fresh)

    def _ask(self, site: Site, parts: tuple[int, ...], up: Array, why: str) -> bool:
        """Ask for a group unless it is the whole site, was refused, or has been asked for."""
        asked = {frozenset(each.parts) for each in self.asked}
        if len(parts) >= len(site.group.parts) or frozenset(parts) in self.refused | asked:
            return False
        self.asked.append(Group((parts,), up, why=why))
        return True

    def _turned_over(self, site: Site, apart: Apart) -> Apart:
        """The ways with units that hang on others going in from below, while the build is turned over."""
        ways = dict(apart.ways)
        for unit, each in enumerate(site.units):
            found = hung_on(site, unit) if each.parts[0] in self.turned else None
            if found is not None and unit not in apart.legs:
                ways[unit] = site.motion.direction_index(found[1])
        if ways == apart.ways:
            return apart
        over = replace(apart, ways=ways)
        under = [unit for unit in sorted(ways) if from_below(site, over, unit)]
        loose = [unit for unit in sorted(ways) if not grips(site, unit)]  # they would fall off
        return replace(over, before=[*over.before, *((one, two) for one in under for two in loose)])

    def _limits(self) -> Limits:
        asked = self.settings.order.parts_per_step
        if self.settings.reader == "child":
            return Limits(asked or 3, 1)
        return Limits(asked or 4, 2)


def hung_together(site: Site, unit: int, hanging: Sequence[int], turn: bool) -> tuple[int, ...]:
    """Part rows of a hanging unit, what it hangs on, and all else that hangs there."""
    carrier = (hung_on(site, unit) or (unit,))[0]
    others = [
        each
        for each in range(len(site.units))
        if (hung_on(site, each) or (None,))[0] == carrier
        and (each in hanging or site.neighbours[each] == (carrier,))
        and (each in hanging or not (turn and site.grounded[each]))
    ]
    return tuple(sorted(part for each in {unit, carrier, *others} for part in site.units[each].parts))


def only_hangs(site: Site, unit: int) -> bool:
    """Whether all that grips a unit is above it."""
    down = []
    for tie in site.joints_of[unit]:
        carries = site.unit_of[site.model.index_of[tie.joint.a]] == unit
        down.append(float((-tie.joint.axis if carries else tie.joint.axis) @ site.up) < UNDER)
    return bool(down) and all(down)


def grips(site: Site, unit: int) -> bool:
    """Whether the unit is held by more than its weight."""
    return any(tie.joint.kind != "rest" for tie in site.joints_of[unit])


def hung_on(site: Site, unit: int) -> tuple[int, Array] | None:
    """What a unit hangs on by its strongest grip, and the way off it, which points down; else None."""
    best: tuple[tuple[int, int], int, Array] | None = None
    for tie in site.joints_of[unit]:
        if tie.joint.kind == "rest":
            continue
        carries = site.unit_of[site.model.index_of[tie.joint.a]] == unit
        away = -tie.joint.axis if carries else tie.joint.axis
        other = tie.b if tie.a == unit else tie.a
        rank = (-tie.joint.contacts, other)
        if away @ site.up < UNDER and (best is None or rank < best[0]):
            best = (rank, other, away)
    return None if best is None else (best[1], best[2])


def up_of(down: str) -> Array:
    """(3,) the model direction that points up when the face ``down`` ("-z") lies on the table."""
    vector = np.zeros(3)
    vector["xyz".index(down[1])] = 1.0 if down[0] == "-" else -1.0
    return vector


def hang_on_nothing(planned: Plans) -> list[int]:
    """Part rows that are held by nothing when they go in."""
    return [
        part
        for done in planned.values()
        for draft in done.drafts
        if draft.hanging
        for part in draft_parts(done.site, draft)
    ]


def begun_over(site: Site, apart: Apart, drafts: Sequence[Draft]) -> Apart:
    """Where the first part lies alone and the build is then turned over, it is laid that way at once."""
    if len(drafts) < 2 or len(drafts[0].units) > 1 or not from_below(site, apart, drafts[1].units[0]):
        return apart
    first, opposite = drafts[0].units[0], apart.ways[drafts[0].units[0]] ^ 1
    over = replace(apart, ways={**apart.ways, first: opposite})
    same = np.allclose(step_up(site, over, first), step_up(site, apart, drafts[1].units[0]))
    return over if first not in apart.legs and same else apart


def loose_at_turns(done: Planned, structure: Structure, glued: frozenset[str]) -> list[int]:
    """Part rows that lie loose on a build, by grip and set glue, at the moment when it is turned."""
    site, placed = done.site, list[int]()
    found: list[int] = []
    before: Array | None = None
    for draft in done.drafts:
        now = step_up(site, done.apart, draft.units[0])
        if before is not None and float(before @ now) < SAME_WAY:
            found += loose_parts(structure, placed, glued)
        placed += draft_parts(site, draft)
        before = now
    if before is not None and float(before @ site.up) < SAME_WAY:
        found += loose_parts(structure, placed, glued)
    return found


def _outermost(sites: Iterable[frozenset[int]]) -> list[frozenset[int]]:
    """Sites that lie in no other."""
    found = list(sites)
    return [each for each in found if not any(each < other for other in found)]


def _group_key(group: Group) -> tuple[object, ...]:
    """What the plan of a group depends on, but for what is turned."""
    return (group.copies, group.up.tobytes(), group.why, *(_group_key(child) for child in group.children))


def walk_groups(root: Group, within: frozenset[int] | None = None) -> list[Group]:
    """Every group, inner ones first; only those that lie ``within`` the given parts, if any are given."""
    found = [each for child in root.children for each in walk_groups(child, within)]
    return [*found, root] if within is None or within.issuperset(root.parts) else found
