"""From groups and drafts to the plan's assemblies and steps."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from steps.errors import NoBuildableOrder
from steps.model import Array, Assembly, Attach, Joints, Measures, Model, Move, Order, Problem, Step
from steps.motion import Motion
from steps.order.apart import UNDER, Apart, is_under, take_apart
from steps.order.build import Build, Draft, Limits
from steps.order.cost import Weights, weights_from
from steps.order.groups import Finder, find_groups, make_finder
from steps.order.locked import locked_problem, moves_as_one
from steps.order.names import group_name
from steps.order.site import Group, Site, make_site
from steps.order.stability import Watch
from steps.settings import Settings
from steps.statics import Structure

Progress = Callable[[str, int, int], None]


#: Rounds of dividing the model into groups before the planner gives up on finding better ones. Every
#: round refuses or asks for one more group, so a model seldom needs more than three.
MOST_ROUNDS = 60


@dataclass(eq=False)
class Planned:
    """One site with its ways and its steps."""

    site: Site
    apart: Apart
    drafts: list[Draft]


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
    turned: set[int] = field(default_factory=set)  #: part rows that go in with the build turned over

    def __post_init__(self) -> None:
        self.motion = Motion(self.model, self.measures, self.joints)
        self.weights: Weights = weights_from(self.settings.order.weights)
        self.structure = Structure.of(self.model, self.measures, self.joints, self.settings)
        self.finder: Finder = make_finder(self.model, self.measures, self.joints, self.motion)

    def run(self) -> Order:
        root, planned = self._divide(up_of(self.settings.order.down))
        writer = Writer(self, root, planned)
        writer.write(root)
        return writer.order()

    def _divide(self, up: Array) -> tuple[Group, dict[int, Planned]]:
        """Groups that each come apart and go together; what proves unfit is divided another way."""
        for _ in range(MOST_ROUNDS):
            root = find_groups(self.finder, up, frozenset(self.refused), self.asked)
            planned: dict[int, Planned] = {}
            for group in walk_groups(root):
                done = self._plan_site(group, sum(len(each.drafts) for each in planned.values()))
                if done is None:
                    break
                planned[id(group)] = done
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
        """One group's ways and steps; None when the division has to change first."""
        site = make_site(self.model, self.measures, self.joints, self.motion, group)
        apart = take_apart(site)
        if self._refuse(site, apart) or self._lift_together(site, apart) or self._hang(site, apart):
            return None
        self._turn(site, apart)

        def tell(placed: int) -> None:
            if self.progress:
                self.progress("order", placed, len(site.units))

        build = Build(site, apart, self.weights, self._limits())
        drafts = build.run(tell)
        hanging = [unit for draft in drafts if draft.hanging for unit in draft.units]
        if hanging and self._support(site, hanging):
            return None
        return Planned(site, apart, drafts)

    def _refuse(self, site: Site, apart: Apart) -> bool:
        """Groups that cannot leave the site whole, or only through the table, are not built apart."""
        bad = [
            unit
            for unit, each in enumerate(site.units)
            if each.group is not None and (unit in apart.stuck or is_under(site, apart.ways[unit]))
        ]
        for unit in bad:
            self.refused.add(frozenset(site.units[unit].parts))
        self.asked = [each for each in self.asked if frozenset(each.parts) not in self.refused]
        return bool(bad)

    def _lift_together(self, site: Site, apart: Apart) -> bool:
        """Where no unit moves singly, build apart what moves as one."""
        if not apart.stuck:
            return False
        members = moves_as_one(site, apart.stuck)
        parts = tuple(sorted(part for unit in members for part in site.units[unit].parts))
        if not members or not self._ask(site, parts, site.up, "moves as one"):
            raise NoBuildableOrder([locked_problem(site, apart.stuck)])
        return True

    def _hang(self, site: Site, apart: Apart) -> bool:
        """What would go in from below is hung on its neighbour first, apart from the rest."""
        under = [unit for unit, way in apart.ways.items() if is_under(site, way)]
        return self._support(site, sorted(under))

    def _support(self, site: Site, hanging: Sequence[int]) -> bool:
        """Ask for a group of one hanging unit, what it hangs on, and all else that hangs there."""
        changed = False
        for unit in hanging:
            found = hung_on(site, unit)
            if found is None or site.units[unit].parts[0] in self.turned:
                continue
            carrier, away = found
            others = [each for each in hanging if (hung_on(site, each) or (None,))[0] == carrier]
            units = sorted({unit, carrier, *others})
            parts = tuple(sorted(part for each in units for part in site.units[each].parts))
            if self._ask(site, parts, away, "hangs"):
                return True
            self.turned.add(site.units[unit].parts[0])
            changed = True
        return changed

    def _ask(self, site: Site, parts: tuple[int, ...], up: Array, why: str) -> bool:
        """Ask for a group unless it is the whole site, was refused, or has been asked for."""
        asked = {frozenset(each.parts) for each in self.asked}
        if len(parts) >= len(site.group.parts) or frozenset(parts) in self.refused | asked:
            return False
        self.asked.append(Group((parts,), up, why=why))
        return True

    def _turn(self, site: Site, apart: Apart) -> None:
        """Units that can only go in from below do so with the build turned over."""
        for unit, each in enumerate(site.units):
            found = hung_on(site, unit) if each.parts[0] in self.turned else None
            if found is not None and not is_under(site, apart.ways[unit]):
                apart.ways[unit] = site.motion.direction_index(found[1])

    def _limits(self) -> Limits:
        asked = self.settings.order.parts_per_step
        if self.settings.reader == "child":
            return Limits(asked or 3, 1)
        return Limits(asked or 4, 2)


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


def way_in(site: Site, apart: Apart, unit: int) -> Move:
    """How a unit goes in, model coordinates."""
    if unit in apart.legs:
        return Move(apart.legs[unit])
    return Move(-site.motion.vector(apart.ways[unit])[None] + 0.0)


def step_up(site: Site, apart: Apart, unit: int) -> Array:
    """The way up on the table while a unit goes in: the site's, or turned over for one from below."""
    if unit in apart.legs or not is_under(site, apart.ways[unit]):
        return site.up
    frame = site.motion.half(site.motion.direction_index(site.up)).frame
    away = site.motion.vector(apart.ways[unit])
    choices = [-site.up, *(sign * frame[:, k] for k in (0, 1) for sign in (1.0, -1.0))]
    return choices[int(np.argmax([round(float(choice @ away), 6) for choice in choices]))] + 0.0


def up_of(down: str) -> Array:
    """(3,) the model direction that points up when the face ``down`` ("-z") lies on the table."""
    vector = np.zeros(3)
    vector["xyz".index(down[1])] = 1.0 if down[0] == "-" else -1.0
    return vector


def walk_groups(root: Group) -> list[Group]:
    """Every group, inner ones first."""
    found = [each for child in root.children for each in walk_groups(child)]
    return [*found, root]


class Writer:
    """Numbers assemblies and steps, sub-assemblies just before the step that needs them."""

    def __init__(
        self,
        planner: Planner,
        root: Group,
        planned: dict[int, Planned],
    ):
        self.planner = planner
        self.model = planner.model
        self.root = root
        self.planned = planned
        self.ids: dict[int, str] = {}
        self.steps: list[Step] = []
        self.problems = list(planner.problems)
        self.begun: list[Group] = []

    def write(self, group: Group) -> None:
        """All steps of a group, and before each those of the sub-assemblies it attaches."""
        done = self.planned[id(group)]
        site, apart = done.site, done.apart
        placed: set[int] = set()
        ups = {up.tobytes(): up for up in (step_up(site, apart, draft.units[0]) for draft in done.drafts)}
        watches = {key: Watch(self.planner.structure, up, site.group.parts) for key, up in ups.items()}
        for draft in done.drafts:
            for unit in draft.units:
                child = site.units[unit].group
                if child is not None and id(child) not in self.ids:
                    self.write(child)
            if id(group) not in self.ids:
                self.ids[id(group)] = f"A{len(self.ids) + 1}"
                self.begun.append(group)
            step = self._step(site, apart, draft, placed)
            parts = [part for unit in draft.units for part in site.units[unit].parts]
            self.steps.append(replace(step, hold=self._hold(watches, site, step, parts)))
            placed.update(draft.units)

    def _hold(
        self, watches: dict[bytes, Watch], site: Site, step: Step, parts: Sequence[int]
    ) -> tuple[str, ...]:
        """Parts that a hand must hold when the step is done. One watch is kept per way up."""
        for key, watch in watches.items():
            if key != step.up.tobytes():
                watch.add(parts)
        return watches[step.up.tobytes()].add(parts)

    def _step(self, site: Site, apart: Apart, draft: Draft, placed: set[int]) -> Step:
        ids = [part.id for part in self.model.parts]
        moves: dict[str, Move] = {}
        attaches = []
        adds = []
        for unit in draft.units:
            each = site.units[unit]
            move = way_in(site, apart, unit)
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
            up=step_up(site, apart, draft.units[0]),
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
