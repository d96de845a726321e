"""The planner: the model's things divided, each group's cheapest steps found, and all of it written down."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from functools import cache

import networkx as nx

from steps.bonding import bonding_of, needs_glue
from steps.errors import NoBuildableOrder, WrongSettings
from steps.model import Array, Joints, Measures, Model, Order, Problem
from steps.motion import Motion
from steps.order.apart import take_apart
from steps.order.build import Draft, SiteMeasures, StepLimits, Stuck, Variant, Walk, hangs_together
from steps.order.columns import Columns
from steps.order.cost import Weights, weights_from
from steps.order.divide import ATTEMPTS, ATTEMPTS_EACH, Divider, NoWay, Solved, falls_out
from steps.order.finder import Finder, make_finder
from steps.order.groups import WISHED, connected, main_up
from steps.order.hanging import begun_over
from steps.order.locked import dragging, locked_problem
from steps.order.search import Judge, search
from steps.order.site import Group, Site, repeats_of
from steps.order.wishes import unit_sets, unit_wishes
from steps.order.writer import Writer
from steps.settings import Settings
from steps.statics import Structure
from steps.wishes import circle_text, read_wishes, unmet_text
from steps.wording import phrase

#: Said of a part that no move brings in, where the plan is made anyway.
LOCKED = phrase(
    "it is locked by its neighbours: no straight move brings it in, so it has to be bent, split or left out"
)
#: Said of a step that needs help, where the search for another way was given up.
STOPPED = phrase("another way was not looked for any longer")
#: Said of a step that lays a sub-assembly another way, where some of it is held by nothing then.
DROPS = phrase("what is loose in it falls out as it is turned: keep it in by hand")
#: So many parts are named in a message.
MOST_NAMED = 6


@dataclass(eq=False)
class Planner:
    """One run of the planner: what it was given, and what it has found so far."""

    model: Model
    measures: Measures
    joints: Joints
    settings: Settings
    problems: list[Problem] = field(default_factory=list)
    orders_tried: int = 0

    def __post_init__(self) -> None:
        self.motion = Motion(self.model, self.measures, self.joints)
        self.weights: Weights = weights_from(self.settings.order.weights)
        self.structure = Structure.of(self.model, self.measures, self.joints, self.settings)
        self.wishes = read_wishes(self.model, self.measures, self.joints, self.settings)
        self.glued, self.bondable = self._tied_by_glue()
        self.finder: Finder = make_finder(self.model, self.measures, self.joints, self.motion)

    def run(self) -> Order:
        """Raises NoBuildableOrder with the parts that lock each other, and WrongSettings for wishes that
        cannot be met."""
        up = self.measures.up
        done = [self._divided(parts, up) for parts in things_of(self.finder, up)]
        writer = Writer(self.model, self.joints, self.wishes, up)
        writer.problems = self.problems
        for thing in done:
            ordered = {id(each): self._ordered(each) for each in thing.walk()}
            if self.wishes.bind and not self.settings.anyway:
                self._blame_wishes(ordered.values())
            writer.write(thing, ordered)
            self._tell_stopped(thing)
        writer.facts["orders_tried"] = float(self.orders_tried)
        return writer.order()

    def _tied_by_glue(self) -> tuple[frozenset[str], frozenset[str]]:
        """The joints that cannot do without glue, by the first rule of steps.glue, and those wished; and all
        that may be glued."""
        if self.settings.adhesive == "none":
            return frozenset(), frozenset()
        bonding = bonding_of(self.model, self.measures, self.joints, self.settings)
        needed = {joint.id for joint in self.joints.joints if needs_glue(joint, bonding)}
        return frozenset(needed | bonding.forced), bonding.may

    def _divided(self, parts: Sequence[int], up: Array) -> Solved:
        """One thing that stands on the table, divided into groups."""
        wished = [
            Group((each,), main_up(self.finder, each), why=WISHED)
            for each in self.wishes.together
            if len(each) > 1 and set(each) < set(parts) and connected(self.finder, each)
        ]
        divider = Divider(
            self.finder,
            self.structure,
            self.glued,
            self.bondable,
            self.weights,
            self._limits(),
            self.wishes,
            wished,
        )
        group = Group((tuple(parts),), up, why="whole")
        try:
            return divider.solve_whole(group)
        except NoWay as no_way:
            self._give_up(no_way.site, no_way.stuck)
            divider.forced = True
            return divider.solve(group)

    def _tell_stopped(self, thing: Solved) -> None:
        """An error for each group that was given up before it was sound, with the wish that would help."""
        for done in thing.walk():
            if done.stopped:
                aided = [unit for draft in done.drafts for unit in draft.aloft or draft.units if draft.aided]
                parts = [self.model.parts[done.site.units[unit].parts[0]] for unit in aided]
                names = ", ".join(part.source for part in parts[:MOST_NAMED])
                text = (
                    f"No sound way to build {names or 'the model'} was found in {ATTEMPTS} attempts and "
                    f"{ATTEMPTS_EACH} for each part; what was found has doubtful steps (--anyway writes it). "
                    'A wish helps: which parts are built apart, together = [["A", "B"]], or which goes in '
                    'first, before = [["A", "B"]], both under [order].'
                )
                ids = tuple(part.id for part in parts)
                self.problems.append(Problem("search-stopped", "error", ids, text))

    def _ordered(self, done: Solved) -> tuple[Solved, list[Draft]]:
        """The cheapest steps found for one group."""
        site, wished = done.site, unit_wishes(done.site, done.wishes)
        drafts = self._steps(done, wished)
        apart = begun_over(site, done.apart, drafts)
        lying = [
            inner
            for inner in done.inner
            if falls_out(self.structure, self.motion, inner, site.up, self.bondable)
        ]
        dropped = [inner.group.parts for inner in lying]
        for draft in drafts:
            draft.doubtful += [LOCKED] if set(draft.units) & set(apart.stuck) else []
            draft.doubtful += [STOPPED] if done.stopped and draft.aided else []
            groups = [site.units[unit].group for unit in draft.units]
            draft.doubtful += [DROPS] if any(each and each.parts in dropped for each in groups) else []
        return replace(done, apart=apart), drafts

    def _steps(self, done: Solved, wished: tuple[tuple[int, int], ...]) -> list[Draft]:
        """The site's steps; where wishes bind, as near as can be to those without them."""
        site, apart = done.site, done.apart
        if done.lax:
            return list(done.drafts)
        if wished and (unbound := self._unbound(done)) is not None:
            build = Walk(site, apart, self.weights, self._limits(), wished, unit_sets(site, done.wishes))
            drafts = build.run_like(unbound)
            if hangs_together(site, drafts):
                return drafts
        return self._search(done, wished)

    def _unbound(self, done: Solved) -> list[Draft] | None:
        """The steps of a site as they would be without wishes; None where it does not go together so."""
        free, together = take_apart(done.site), (*unit_sets(done.site, done.wishes), *repeats_of(done.site))
        if free.stuck:
            return None
        try:
            drafts = Walk(done.site, free, self.weights, self._limits(), (), together).run()
        except Stuck:
            return None
        return self._search(replace(done, apart=free, drafts=tuple(drafts)), ())

    def _search(self, done: Solved, before: tuple[tuple[int, int], ...]) -> list[Draft]:
        """The cheapest steps found with the work that the site is worth."""
        site, apart = done.site, done.apart
        together = (*unit_sets(site, done.wishes), *repeats_of(site))

        @cache
        def ground() -> SiteMeasures:
            return SiteMeasures.of(site, apart)

        def make(variant: Variant) -> Walk:
            return Walk(site, apart, self.weights, self._limits(), before, together, variant, ground())

        def judge() -> Judge:
            return Judge(site, apart, self.weights, self.structure)

        drafts, tried = search(make, judge, list(done.drafts))
        self.orders_tried += tried
        return drafts

    def _limits(self) -> StepLimits:
        asked = self.settings.order.parts_per_step
        if self.settings.reader == "child":
            return StepLimits(asked or 3, 1)
        return StepLimits(asked or 4, 2)

    # ------------------------------------------------------------------ what cannot be

    def _give_up(self, site: Site, stuck: Sequence[int]) -> None:
        """Raise NoBuildableOrder, or WrongSettings when it is the wishes that keep the site together.

        With ``anyway`` locked parts are noted.
        """
        wished = unit_wishes(site, self.wishes)
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

    def _blame_wishes(self, found: Iterable[tuple[Solved, list[Draft]]]) -> None:
        """Raise WrongSettings when it is wishes about before and last that leave parts hanging on nothing."""
        hanging = [
            part
            for done, drafts in found
            for draft in drafts
            if draft.hanging
            for unit in draft.units
            for part in done.site.units[unit].parts
        ]
        if not hanging:
            return
        free = self.settings.order.model_copy(update={"before": (), "last": ()})
        without = Planner(
            self.model, self.measures, self.joints, self.settings.model_copy(update={"order": free})
        )
        if any(problem.code == "hangs-on-nothing" for problem in without.run().problems):
            return
        names = [self.model.parts[part].source for part in hanging]
        raise WrongSettings(unmet_text(self.model, names, self.wishes))


def things_of(finder: Finder, up: Array) -> list[tuple[int, ...]]:
    """Part rows of each thing that stands on the table by itself, the largest last.

    What hangs together is one thing, and so is what stands under or over another: the one has to be there
    before the other.
    """
    model = finder.model
    graph = nx.Graph()
    graph.add_nodes_from(range(len(model.parts)))
    rows = model.index_of
    graph.add_edges_from((rows[joint.a], rows[joint.b]) for joint in finder.joints.joints)
    bodies = list(nx.connected_components(graph))
    if len(bodies) > 1:
        columns = Columns(finder.motion, finder.motion.direction_index(up), range(len(model.parts)))
        for body in sorted(bodies, key=len)[:-1]:  # of two bodies one is not the largest
            friends = frozenset(body)
            for part in sorted(body):
                met = (*columns.all_ahead(part, friends), *columns.all_behind(part, friends))
                graph.add_edges_from((part, other) for other in met)
        bodies = list(nx.connected_components(graph))
    return sorted((tuple(sorted(body)) for body in bodies), key=lambda body: (len(body), -body[0]))
