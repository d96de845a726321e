"""From groups and drafts to the plan's assemblies and steps."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np

from steps.errors import NoBuildableOrder
from steps.model import Array, Assembly, Attach, Joints, Measures, Model, Move, Order, Problem, Step
from steps.motion import Motion
from steps.order.apart import Apart, is_under, take_apart
from steps.order.build import Build, Draft, Limits
from steps.order.cost import Weights, weights_from
from steps.order.groups import Finder, find_groups, make_finder
from steps.order.names import group_name
from steps.order.site import Group, Site, make_site
from steps.settings import Settings

Progress = Callable[[str, int, int], None]


@dataclass(eq=False)
class Planner:
    """One run of the planner: what it was given, and what it has found so far."""

    model: Model
    measures: Measures
    joints: Joints
    settings: Settings
    progress: Progress | None = None
    problems: list[Problem] = field(default_factory=list)
    done: int = 0

    def __post_init__(self) -> None:
        self.motion = Motion(self.model, self.measures, self.joints)
        self.weights: Weights = weights_from(self.settings.order.weights)
        self.finder: Finder = make_finder(self.model, self.measures, self.joints, self.motion)
        self.total = len(self.model.parts)

    def run(self) -> Order:
        up = up_of(self.settings.order.down)
        root, sites = self._divide(up)
        drafts = {id(site.group): self._build(site, apart) for site, apart in sites}
        by_group = {id(site.group): (site, apart) for site, apart in sites}
        writer = Writer(self, root, by_group, drafts)
        writer.write(root)
        return writer.order()

    def _divide(self, up: Array) -> tuple[Group, list[tuple[Site, Apart]]]:
        """Groups that each come apart; a group that cannot leave its site whole is not built apart."""
        refused: set[frozenset[int]] = set()
        while True:
            root = find_groups(self.finder, up, frozenset(refused))
            sites = []
            again = False
            for group in walk_groups(root):
                site = make_site(self.model, self.measures, self.joints, self.motion, group)
                apart = take_apart(site)
                bad = [
                    unit
                    for unit, each in enumerate(site.units)
                    if each.group is not None and (unit in apart.stuck or is_under(site, apart.ways[unit]))
                ]
                if apart.stuck and not bad:
                    bad = [unit for unit in apart.stuck if site.units[unit].group is not None]
                    if not bad:
                        raise NoBuildableOrder([locked_problem(site, apart.stuck)])
                for unit in bad:
                    refused.add(frozenset(site.units[unit].parts))
                    again = True
                sites.append((site, apart))
            if not again:
                return root, sites

    def _build(self, site: Site, apart: Apart) -> list[Draft]:
        build = Build(site, apart.ways, self.weights, self._limits())
        start = self.done

        def tell(placed: int) -> None:
            if self.progress:
                self.progress("order", min(start + placed, self.total), self.total)

        drafts = build.run(tell)
        self.done += len(site.units)
        return drafts

    def _limits(self) -> Limits:
        asked = self.settings.order.parts_per_step
        if self.settings.reader == "child":
            return Limits(asked or 3, 1)
        return Limits(asked or 4, 2)


def up_of(down: str) -> Array:
    """(3,) the model direction that points up when the face ``down`` ("-z") lies on the table."""
    vector = np.zeros(3)
    vector["xyz".index(down[1])] = 1.0 if down[0] == "-" else -1.0
    return vector


def walk_groups(root: Group) -> list[Group]:
    """Every group, inner ones first."""
    found = [each for child in root.children for each in walk_groups(child)]
    return [*found, root]


def locked_problem(site: Site, stuck: Sequence[int]) -> Problem:
    """Which parts lock each other."""
    parts = sorted(part for unit in stuck for part in site.units[unit].parts)
    names = [site.model.parts[part].source for part in parts]
    return Problem(
        "locked",
        "error",
        tuple(site.model.parts[part].id for part in parts),
        f"These {len(parts)} parts lock each other: {', '.join(names)}. "
        "No straight move takes any of them off. "
        "Check that they do not run through one another, or split one of them.",
    )


class Writer:
    """Numbers assemblies and steps, sub-assemblies just before the step that needs them."""

    def __init__(
        self,
        planner: Planner,
        root: Group,
        sites: dict[int, tuple[Site, Apart]],
        drafts: dict[int, list[Draft]],
    ):
        self.planner = planner
        self.model = planner.model
        self.root = root
        self.sites = sites
        self.drafts = drafts
        self.ids: dict[int, str] = {}
        self.steps: list[Step] = []
        self.problems = list(planner.problems)
        self.begun: list[Group] = []

    def write(self, group: Group) -> None:
        """All steps of a group, and before each those of the sub-assemblies it attaches."""
        site, apart = self.sites[id(group)]
        placed: set[int] = set()
        for draft in self.drafts[id(group)]:
            for unit in draft.units:
                child = site.units[unit].group
                if child is not None and id(child) not in self.ids:
                    self.write(child)
            if id(group) not in self.ids:
                self.ids[id(group)] = f"A{len(self.ids) + 1}"
                self.begun.append(group)
            self.steps.append(self._step(site, apart, draft, placed))
            placed.update(draft.units)

    def _step(self, site: Site, apart: Apart, draft: Draft, placed: set[int]) -> Step:
        ids = [part.id for part in self.model.parts]
        moves: dict[str, Move] = {}
        attaches = []
        adds = []
        for unit in draft.units:
            each = site.units[unit]
            move = Move(-site.motion.vector(apart.ways[unit])[None] + 0.0)
            if each.group is None:
                adds.append(ids[each.parts[0]])
                moves[adds[-1]] = move
            else:
                attaches.append(Attach(self.ids[id(each.group)], each.copy, move))
        now = placed | set(draft.units)
        closing = [
            tie.joint
            for tie in site.ties
            if tie.a in now and tie.b in now and not (tie.a in placed and tie.b in placed)
        ]
        number = len(self.steps) + 1
        doubtful = "; ".join(draft.doubtful)
        if doubtful:
            parts = [part for unit in draft.units for part in site.units[unit].parts]
            names = ", ".join(self.model.parts[part].source for part in parts)
            self.problems.append(
                Problem(
                    "doubtful-step",
                    "warning",
                    tuple(ids[p] for p in parts),
                    f"Step {number}, {names}: {doubtful}.",
                )
            )
        return Step(
            number=number,
            assembly=self.ids[id(site.group)],
            adds=tuple(adds),
            moves=moves,
            attaches=tuple(attaches),
            closes=tuple(joint.id for joint in closing),
            up=site.up,
            doubtful=doubtful,
            needs_push_n=max((joint.push_n for joint in closing), default=0.0),
        )

    def order(self) -> Order:
        names = self.planner.settings.order.names
        ids = [part.id for part in self.model.parts]
        listed = [group for group in self.begun if group is not self.root] + [self.root]
        assemblies = tuple(
            Assembly(
                self.ids[id(group)],
                group_name(self.model, group, self.root, names),
                tuple(tuple(ids[part] for part in copy) for copy in group.copies),
            )
            for group in listed
        )
        return Order(assemblies, tuple(self.steps), tuple(self.problems), self._facts())

    def _facts(self) -> dict[str, float]:
        return {"steps": float(len(self.steps)), "assemblies": float(len(self.begun))}
