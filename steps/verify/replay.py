"""Builds the model step by step as the plan says, and watches."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import networkx as nx
import numpy as np

from steps.model import Array, Model
from steps.planfile import AssemblyEntry, JointEntry, MoveEntry, PlanFile, StepEntry, TurnEntry
from steps.progress import over
from steps.verify.footing import ENOUGH, UPWARDS, Footing, Ground, let_down
from steps.verify.motion import TOUCH_SHARE, Mover, Toucher, motion_tolerance, room_below_mm
from steps.verify.report import Check
from steps.verify.standing import Stander

#: A move leads upwards when its direction rises by more than this (sine of the angle); rounding only.
RISES = 1e-6
#: A stud has its gap to both sides, and this much more, mm, may be rounding of the file or of facets.
ROOMS, ROOM_MM = 2.0, 0.1
#: A pin has this share of its part's least side as play at most: a quarter of its own radius.
PLAY_SHARE = 0.125
#: Parts this near lie on each other, as a share of the distance within which they touch (0.05 mm in 10): the
#: sides of a leaning course stand off each other by twice their clearance.
LYING_SHARE = 0.125
#: Gaps and distances that differ by less are one: rounding of the plan.
ROUNDED_MM = 0.01
#: Less than this is no turn (cosine of 1 degree).
SAME_WAY = float(np.cos(np.radians(1.0)))
#: A stud keeps its part, however loose, while its build leans no further than this (cosine of 45 degrees).
KEPT_BY_STUDS = float(np.cos(np.radians(45.0)))
#: A way in within 1 degree of straight down presses only downwards (cosine, negative).
STRAIGHT_DOWN = -float(np.cos(np.radians(1.0)))
#: Names of the checks that a replay makes, and what each looks at.
CHECKS = (
    ("parts once", "parts"),
    ("joints once", "joints"),
    ("glued once", "joints"),
    ("joints touch", "joints"),
    ("moves free", "moves"),
    ("above the table", "moves"),
    ("touches the build", "additions"),
    ("connected", "steps"),
    ("pressing", "presses"),
    ("stands", "steps"),
    ("stays together", "models"),
    ("turns", "turns"),
    ("complete", "parts"),
)


@dataclass(frozen=True)
class TurnedBuild:
    """What is built, or the sub-assembly that goes in, when a step turns it: the parts that are there, which
    way was up ``before`` and is now, and how long after it was glued each joint was waited for, minutes,
    where anybody has waited."""

    step: int
    parts: tuple[str, ...]
    before: tuple[float, ...]
    up: tuple[float, ...]
    waited_min: Mapping[str, float]
    assembly: str = ""  #: the sub-assembly


@dataclass
class Build:
    """One sub-assembly while it grows (its first copy)."""

    entry: AssemblyEntry
    steps_left: int
    parts: list[str] = field(default_factory=list)
    earlier: frozenset[str] = frozenset()  #: what was built when the step before ended
    up: tuple[float, ...] = ()  #: how it lay in the step before
    ground: Ground | None = None  #: how it stands, while it lies one way
    level: float = 0.0  #: height of the table under it, mm along up


class Replay:
    """Replays one plan; ``checks`` holds what was found."""

    def __init__(self, plan: PlanFile, model: Model):
        self.plan = plan
        self.model = model
        self.mover = Mover.of(model, plan.joints, motion_tolerance(plan, model))
        tolerance = TOUCH_SHARE * self.mover.solids.tolerance_mm
        self.tolerance_mm = tolerance
        self.toucher = Toucher(model, self.mover.solids, tolerance)
        self.stander = Stander(model, plan, tolerance)
        self.footing = Footing(model, plan, self.stander, self.mover.solids, tolerance)
        self.checks = {name: Check(name, what) for name, what in CHECKS}
        self.assemblies = {entry.id: entry for entry in plan.assemblies}
        counts = {entry.id: 0 for entry in plan.assemblies}
        for step in plan.steps:
            counts[step.assembly] += 1
        self.builds = {entry.id: Build(entry, counts[entry.id]) for entry in plan.assemblies}
        self.ends = {joint.id: (joint.a, joint.b) for joint in plan.joints}
        self.joint_of = {frozenset((joint.a, joint.b)): joint.id for joint in plan.joints}
        self.studs = [(joint.a, joint.b) for joint in plan.joints if joint.kind != "rest"]
        self.grips = [
            (joint.a, joint.b)
            for joint in plan.joints
            if joint.mark == "glue" or (joint.kind != "rest" and joint.fit != "loose")
        ]
        self.touching = nx.Graph()
        self.added: dict[str, int] = {}
        self.attached: dict[tuple[str, int], int] = {}
        self.closed: dict[str, int] = {}
        self.glued: dict[str, int] = {}
        self.cured: set[str] = set()  # joints glued in steps before this one
        self.waited: dict[str, float] = {}  # joints that some step has waited for, and how long, minutes
        self.turned: list[TurnedBuild] = []
        self.doubtful: set[str] = set()  # parts that came in a step the plan calls doubtful
        #: steps of which the plan says itself that a turn before them is too much for the joints
        self.told = {problem.step for problem in plan.problems if problem.code == "cannot-hold"}
        left = [problem.parts for problem in plan.problems if problem.code == "falls-off"]
        self.left = {part for parts in left for part in parts}  #: the plan says that they are not held
        self.held = 0

    def run(self) -> tuple[Check, ...]:
        """Replay all steps and return the checks."""
        self._joints_touch()
        for step in over(self.plan.steps):
            self._step(step)
        self._turned_home()
        self._stays_together()
        self._all_once()
        self._complete()
        self.checks["moves free"].remark = (
            f"{self.mover.situations} distinct situations of {self.mover.pairs} pairs swept, "
            f"overlaps to {self.mover.solids.tolerance_mm:.2f} mm ignored"
        )
        held = f"{self.held} steps held by hand, " if self.held else ""
        self.checks["stands"].remark = f"{held}{self.footing.programmes} balances solved"
        return tuple(self.checks.values())

    # ------------------------------------------------------------------- single steps

    def _step(self, step: StepEntry) -> None:
        build = self.builds[step.assembly]
        if step.doubtful:
            self.doubtful.update(step.adds)
        lags = [*step.lags_min, *[0.0] * len(step.needs_cured)]
        for name, lag in zip(step.needs_cured, lags, strict=False):
            for there in self._alike(step, build, name):
                self.waited[there] = max(self.waited.get(there, 0.0), lag)
        self._turns(step, build)
        self._lie(step, build, self._coming(step))
        before = list(build.parts)
        arrivals: list[list[str]] = []
        for name in step.adds:
            self._arrive(step, build, [name], name, step.move[name], step.turn.get(name))
            arrivals.append([name])
            self._count_part(step, build.entry, name)
        for attach in step.attaches:
            group = list(self.assemblies[attach.assembly].copies[attach.copy_number])
            title = f"{attach.assembly} copy {attach.copy_number}"
            self._arrive(step, build, group, title, attach.move, attach.turn)
            arrivals.append(group)
            self._count_attach(step, build.entry, attach.assembly, attach.copy_number)
        build.steps_left -= 1
        self._close(step, build, before, arrivals)
        groups = self._groups(build.parts)
        self._connected(step, build, groups)
        self._stands(step, build, groups)
        self.cured.update(self.glued)

    def _coming(self, step: StepEntry) -> list[str]:
        """All parts that the step brings."""
        whole = [self.assemblies[each.assembly].copies[each.copy_number] for each in step.attaches]
        return [*step.adds, *(part for copy in whole for part in copy)]

    def _lie(self, step: StepEntry, build: Build, coming: Sequence[str]) -> None:
        """Where the build lies in this step; laid anew when it is turned or the table comes lower."""
        up = np.array(step.up)
        level = self.stander.lowest([*build.parts, *coming], up)
        ground = build.ground
        if ground is None or not np.allclose(ground.up, up) or level < build.level - self.tolerance_mm:
            ground = Ground(self.footing, up)
            ground.sound = ground.put(build.parts, level)
        build.ground, build.level = ground, level

    def _fault(self, name: str, text: str, step: StepEntry, parts: Sequence[str]) -> None:
        """A fault, or a doubt where the plan says itself that the step or a part of it is doubtful."""
        honest = bool(step.doubtful) or not self.doubtful.isdisjoint(parts)
        (self.checks[name].doubt if honest else self.checks[name].fault)(text, step.number, parts)

    def _arrive(
        self,
        step: StepEntry,
        build: Build,
        group: Sequence[str],
        title: str,
        move: MoveEntry,
        turn: TurnEntry | None,
    ) -> None:
        """Bring one part or sub-assembly in, past what stands."""
        self.checks["moves free"].looked_at += 1
        blockers = list(self.mover.blockers(group, build.parts, move, turn))
        for blocker in blockers:
            text = f"{self._name(title)} hits {self._name(blocker)} on its way in"
            self._fault("moves free", text, step, [*group, blocker])
        self._above_table(step, build, group, title, move, turn)
        self.checks["touches the build"].looked_at += 1
        held = not set(step.hold).isdisjoint(group)
        carried = held or self._touches(group, build.parts) or self._on_table(step, build, group)
        if build.parts and not carried:
            text = f"{self._name(title)} touches nothing built and does not lie on the table"
            self._fault("touches the build", text, step, group)
        self._pressed_home(step, build, group, title, move)
        if turn is None and not blockers:
            self._along_studs(step, build, group, title, move)
        build.parts.extend(part for part in group if part not in build.parts)
        if build.ground is not None:
            build.ground.sound &= build.ground.put(group, build.level)

    def _along_studs(
        self, step: StepEntry, build: Build, group: Sequence[str], title: str, move: MoveEntry
    ) -> None:
        """It goes on along the studs that it closes, within the room that they have."""
        way = np.atleast_2d(np.array(move, dtype=float))[-1]
        standing, inner = set(build.parts), set(group)
        for name in group:
            for joint in self.footing.joints_of.get(name, ()):
                other = joint.b if joint.a == name else joint.a
                if joint.kind != "stud" or other not in standing or other in inner:
                    continue
                along = abs(float(way @ np.array(joint.axis)))
                across = float(np.linalg.norm(np.cross(way, np.array(joint.axis))))
                room = ROOMS * max(joint.gap_mm, 0.0) + ROOM_MM
                if joint.depth_mm * across > room * max(along, RISES):
                    text = f"{self._name(title)} goes in askew to the studs of {joint.id}"
                    self._fault("moves free", text, step, [name, other])

    def _pressed_home(
        self, step: StepEntry, build: Build, group: Sequence[str], title: str, move: MoveEntry
    ) -> None:
        """Pressing it home neither topples nor slides what stands, with what the step says to hold."""
        way = np.atleast_2d(np.array(move, dtype=float))[-1]
        way = way / np.linalg.norm(way)
        load, spots = self.footing.press_of(group, set(build.parts), way)
        if not spots or build.ground is None:
            return
        up = np.array(step.up)
        self.checks["pressing"].looked_at += 1
        if way @ up < STRAIGHT_DOWN and all(build.ground.bears(*each) for each in spots.items()):
            return
        found = self.footing.carries(build.parts, up, build.level, self.cured, step.hold, load)
        if found.share < ENOUGH:
            held = "though it is held" if step.hold else "and nobody is told to hold it"
            text = f"pressing {self._name(title)} home would topple or slide what stands, {held}"
            text += "" if found.settled else f": {found.said('that')}"
            self._fault("pressing", text, step, group)

    def _above_table(
        self,
        step: StepEntry,
        build: Build,
        group: Sequence[str],
        title: str,
        move: MoveEntry,
        turn: TurnEntry | None,
    ) -> None:
        """The way in never dips below the table the build stands on."""
        self.checks["above the table"].looked_at += 1
        up = np.array(step.up)
        own = self.stander.lowest(group, up)
        table = min([own, *([self.stander.lowest(build.parts, up)] if build.parts else [])])
        legs = np.atleast_2d(np.array(move, dtype=float))
        offsets = [np.zeros(3), *(-np.cumsum(legs[::-1], axis=0))]
        from_below = float(legs[0] @ up) / float(np.linalg.norm(legs[0])) > RISES
        lowest = [own + float(offset @ up) for offset in offsets[:-1]]
        lowest += [] if turn is None else self.mover.lowest_while_turned(group, turn, up)
        dips = min(lowest) < table - self.tolerance_mm
        if from_below or dips:
            text = f"{self._name(title)} comes up through the table"
            self._fault("above the table", text, step, group)

    def _touches(self, group: Sequence[str], built: Sequence[str]) -> bool:
        standing = set(built)
        return any(
            other in standing for part in group if part in self.touching for other in self.touching[part]
        )

    def _on_table(self, step: StepEntry, build: Build, group: Sequence[str]) -> bool:
        up = np.array(step.up)
        level = self.stander.lowest([*build.parts, *group], up)
        return bool(self.stander.on_table(group, up, level))

    def _connected(self, step: StepEntry, build: Build, groups: Sequence[Sequence[str]]) -> None:
        """All built parts hang together; what lies side by side on the table may wait one step."""
        self.checks["connected"].looked_at += 1
        if len(groups) > 1:
            up = np.array(step.up)
            level = self.stander.lowest(build.parts, up)
            for group in groups:
                if not self.stander.on_table(group, up, level):
                    self._fault("connected", f"{self._names(group)} hang on nothing", step, group)
        waiting = [group for group in groups if not build.earlier.isdisjoint(group)]
        for group in sorted(waiting, key=len)[:-1]:
            if self._never_joined(build, group):
                continue
            text = f"{self._names(group)} waited longer than one step for what joins them"
            self._fault("connected", text, step, group)
        build.earlier = frozenset(build.parts)

    def _never_joined(self, build: Build, group: Sequence[str]) -> bool:
        """Whether nothing of the finished assembly joins the group to the rest."""
        finished = self._groups(build.entry.copies[0])
        return len(finished) > 1 and not any(set(group) < set(body) for body in finished)

    def _groups(self, parts: Sequence[str]) -> list[list[str]]:
        """Of parts those that touch each other, directly or through others."""
        left = dict.fromkeys(parts)
        groups = []
        while left:
            group = [next(iter(left))]
            del left[group[0]]
            for part in group:
                for other in self.touching[part]:
                    if other in left:
                        del left[other]
                        group.append(other)
            groups.append(sorted(group, key=self.model.index_of.__getitem__))
        return groups

    def _stands(self, step: StepEntry, build: Build, groups: Sequence[Sequence[str]]) -> None:
        """Every group that is built stands on the table by itself, or with what the step says to hold."""
        self.checks["stands"].looked_at += 1
        up, ground = np.array(step.up), build.ground
        if step.hold:
            self.held += 1
        else:
            toppling = [group for group in groups if not self.stander.stands(group, up, build.level)]
            for group in toppling:
                text = f"{self._names(group)} would topple, and nobody is told to hold it"
                self._fault("stands", text, step, group)
            if toppling or ground is None or ground.sound:
                return
        waited = self.cured & set(self.waited)
        found = self.footing.carries(build.parts, up, build.level, waited, step.hold)
        if found.share < ENOUGH and waited != self.cured:
            found = self.footing.carries(build.parts, up, build.level, self.cured, step.hold)
            if found.share >= ENOUGH:
                text = "what is built stands only by glue of earlier steps, and nobody waits until it is hard"
                self._fault("stands", text, step, self._coming(step))
        if ground is not None:
            ground.sound = found.share >= ENOUGH and not step.hold
        if found.share < ENOUGH:
            held = "though it is held" if step.hold else "and nobody is told to hold it"
            text = f"what is built would fall over or apart: {found.said('its weight')}, {held}"
            self._fault("stands", text, step, self._coming(step))

    def _stays_together(self) -> None:
        """What is finished carries itself by its glue and by what each joint may be relied on to hold."""
        if not self.plan.steps:
            return
        step, check = self.plan.steps[-1], self.checks["stays together"]
        build = self.builds[step.assembly]
        check.looked_at = 1
        shelf = next((case for case in self.plan.cases if case.case == "shelf"), None)
        if shelf is not None and not (shelf.fails or shelf.unknown):
            check.remark = "tried with the load cases"
            return
        fallen = [*self.checks["stands"].faults, *self.checks["stands"].doubts]
        if step.hold or any(fault.step == step.number for fault in fallen):  # it does not even stand
            return
        up = np.array(step.up)
        found = self.footing.carries(build.parts, up, build.level, self.cured, relied=True)
        if found.share < ENOUGH:
            text = f"of the finished model, by what surely holds: {found.said('its weight')}"
            if self.plan.cases or any(problem.code == "falls-off" for problem in self.plan.problems):
                check.doubt(text, step.number)
            else:
                self._fault("stays together", text, step, self._coming(step))

    def _turns(self, step: StepEntry, build: Build) -> None:
        """Nothing lies loose on a build, or on a sub-assembly, that is turned."""
        if build.up and float(np.dot(build.up, step.up)) < SAME_WAY:
            event = TurnedBuild(step.number, tuple(build.parts), build.up, tuple(step.up), dict(self.waited))
            self.turned.append(event)
        moved = [(build, build.parts), *((self.builds[each.assembly], []) for each in step.attaches)]
        for turned, built in moved:
            lean = float(np.dot(turned.up, step.up)) if turned.up else 1.0
            if lean < SAME_WAY:
                if turned is not build:
                    self._turned_into_place(step, turned)
                self.checks["turns"].looked_at += 1
                kept = self.studs if lean > KEPT_BY_STUDS else self.grips
                self._nothing_loose(step, built or list(turned.entry.copies[0]), kept)
        build.up = tuple(step.up)

    def _turned_home(self) -> None:
        """What is built lying another way than it stands on its shelf is turned when all is in; what others
        keep in by form, which is checked by itself, falls out of nothing."""
        up, inner = self.plan.shelf_up, {each.assembly for step in self.plan.steps for each in step.attaches}
        kept_in = {part for each in self.plan.problems if each.code == "kept-in" for part in each.parts}
        for name, build in self.builds.items():
            lean = float(np.dot(build.up, up)) if build.up else 1.0
            if name not in inner and lean < SAME_WAY:
                self.checks["turns"].looked_at += 1
                last = next(step for step in reversed(self.plan.steps) if step.assembly == name)
                kept = self.studs if lean > KEPT_BY_STUDS else self.grips
                self._nothing_loose(last, [part for part in build.parts if part not in kept_in], kept)

    def _turned_into_place(self, step: StepEntry, build: Build) -> None:
        """The first copy of a sub-assembly is to be turned as it goes in."""
        name, copy = build.entry.id, build.entry.copies[0]
        if any(each.assembly == name and each.copy_number == 0 for each in step.attaches):
            way = tuple(step.up)
            self.turned.append(TurnedBuild(step.number, copy, build.up, way, dict(self.waited), name))

    def _nothing_loose(self, step: StepEntry, parts: Sequence[str], kept: Sequence[tuple[str, str]]) -> None:
        graph = nx.Graph()
        graph.add_nodes_from(parts)
        graph.add_edges_from((one, two) for one, two in kept if one in graph and two in graph)
        bodies = sorted(nx.connected_components(graph), key=len)
        for body in bodies[:-1]:
            names = sorted(body, key=self.model.index_of.__getitem__)
            text = f"{self._names(names)} would fall off: nothing grips them when it is turned"
            if step.number in self.told or self.left.issuperset(names):
                self.checks["turns"].doubt(text, step.number, names)
            else:
                self._fault("turns", text, step, names)

    # ------------------------------------------------------------------------- counting

    def _count_part(self, step: StepEntry, assembly: AssemblyEntry, name: str) -> None:
        """One part of the first copy stands for the corresponding part of each copy."""
        if name not in assembly.copies[0]:
            self.checks["parts once"].fault(
                f"{self._name(name)} is no part of {assembly.id}'s first copy", step.number, [name]
            )
            return
        at = assembly.copies[0].index(name)
        for copy in assembly.copies:
            self.added[copy[at]] = self.added.get(copy[at], 0) + 1

    def _count_attach(self, step: StepEntry, assembly: AssemblyEntry, inner: str, number: int) -> None:
        check = self.checks["parts once"]
        if self.builds[inner].steps_left > 0:
            check.fault(f"{inner} is attached before it is finished", step.number)
        copies = [frozenset(copy) for copy in self.assemblies[inner].copies]
        for copy in assembly.copies:
            across = dict(zip(assembly.copies[0], copy, strict=True))
            there = frozenset(across.get(part, part) for part in copies[number])
            if not there <= set(copy) or there not in copies:
                check.fault(f"{inner} copy {number} is no part of every copy of {assembly.id}", step.number)
                return
            key = (inner, copies.index(there))
            self.attached[key] = self.attached.get(key, 0) + 1

    def _close(
        self, step: StepEntry, build: Build, before: Sequence[str], arrivals: Sequence[Sequence[str]]
    ) -> None:
        """The step closes the joints between what it brings and the rest, in each copy."""
        check = self.checks["joints once"]
        group_of = dict.fromkeys(before, 0)
        for number, group in enumerate(arrivals, start=1):
            group_of.update(dict.fromkeys(group, number))
        ends = self.ends
        for name in step.closes:
            one, two = ends[name]
            if one not in group_of or two not in group_of:
                check.fault(f"{name} is closed before both its parts are there", step.number, ends[name])
            elif group_of[one] == group_of[two]:
                check.fault(f"{name} is closed, but its parts were together before", step.number, ends[name])
            for there in self._counterparts(step, build.entry, one, two, name):
                self.closed[there] = self.closed.get(there, 0) + 1
                if name in step.glues:
                    self.glued[there] = self.glued.get(there, 0) + 1
        for name in sorted(set(step.glues) - set(step.closes)):  # closed dry before
            for there in self._counterparts(step, build.entry, *ends[name], name):
                self.glued[there] = self.glued.get(there, 0) + 1

    def _counterparts(
        self, step: StepEntry, entry: AssemblyEntry, one: str, two: str, name: str
    ) -> Iterator[str]:
        """The joint that corresponds to the one between two parts, in each copy."""
        for copy in entry.copies:
            across = dict(zip(entry.copies[0], copy, strict=True))
            there = self.joint_of.get(frozenset((across.get(one, one), across.get(two, two))))
            if there is not None:
                yield there
            else:
                self.checks["joints once"].fault(
                    f"{name} has no counterpart in a copy of {entry.id}", step.number
                )

    def _alike(self, step: StepEntry, build: Build, name: str) -> set[str]:
        """The joint and those that correspond to it in other copies of the step's assembly."""
        one, two = self.ends[name]
        found = {name}
        for copy in build.entry.copies:
            across = dict(zip(build.entry.copies[0], copy, strict=True))
            there = self.joint_of.get(frozenset((across.get(one, one), across.get(two, two))))
            found |= {there} if there else set()
        return found

    def _all_once(self) -> None:
        parts, joints, glue = (self.checks[name] for name in ("parts once", "joints once", "glued once"))
        parts.looked_at, joints.looked_at = len(self.model.parts), len(self.plan.joints)
        for part in self.model.parts:
            if (times := self.added.get(part.id, 0)) != 1:
                parts.fault(f"{self._name(part.id)} is added {_times(times)}", parts=[part.id])
        for joint in self.plan.joints:
            if (times := self.closed.get(joint.id, 0)) != 1:
                joints.fault(f"{joint.id} is closed {_times(times)}", parts=[joint.a, joint.b])
            if joint.mark == "glue":
                glue.looked_at += 1
            if (times := self.glued.get(joint.id, 0)) != (joint.mark == "glue"):
                glue.fault(
                    f"{joint.id} is marked {joint.mark} and glued {_times(times)}", parts=[joint.a, joint.b]
                )
        things = {entry.id for entry in self._things()}
        for entry in self.plan.assemblies:
            for number in range(len(entry.copies) if entry.id not in things else 0):
                if (times := self.attached.get((entry.id, number), 0)) != 1:
                    parts.fault(f"{entry.id} copy {number} is attached {_times(times)}")

    def _things(self) -> list[AssemblyEntry]:
        """The assemblies that stand on the table in the end: attached to nothing, and tied to no others by
        anything in the model."""
        bodies = self._groups([part.id for part in self.model.parts])
        attached = {name for name, _ in self.attached}

        def untied(entry: AssemblyEntry) -> bool:
            own = set(entry.copies[0])
            return all(own.issuperset(body) or own.isdisjoint(body) for body in bodies)

        return [entry for entry in self.plan.assemblies if entry.id not in attached and untied(entry)]

    def _complete(self) -> None:
        """What stands at the end is the model, and each sub-assembly is what it lists."""
        check = self.checks["complete"]
        check.looked_at = len(self.model.parts)
        if not self.plan.steps:
            check.fault("there are no steps")
            return
        for entry in self.plan.assemblies:
            built = self.builds[entry.id].parts
            for part in sorted(set(entry.copies[0]) ^ set(built), key=self.model.index_of.__getitem__):
                what = "lists but does not build" if part not in built else "builds but does not list"
                check.fault(f"{entry.id} {what} {self._name(part)}", parts=[part])
        things = self._things()
        if self.plan.steps[-1].assembly not in {entry.id for entry in things}:
            check.fault("the last step finishes nothing that stands on the table in the end")
        there = {part for entry in things for part in self.builds[entry.id].parts}
        missing = [part.id for part in self.model.parts if part.id not in there]
        if missing:
            check.fault(f"{self._names(missing)} missing from the finished model", parts=missing)

    def _joints_touch(self) -> None:
        """The parts that a joint names do touch; these contacts carry the connection checks."""
        check = self.checks["joints touch"]
        self.touching.add_nodes_from(part.id for part in self.model.parts)
        for joint in self.plan.joints:
            check.looked_at += 1
            apart = self.toucher.distance(joint.a, joint.b)
            if apart <= max(self.toucher.within_mm, self._play(joint)):
                self.touching.add_edge(joint.a, joint.b)
            else:
                check.fault(f"{joint.id}: the parts are {apart:.2f} mm apart", parts=[joint.a, joint.b])
        if self.plan.steps:
            self._none_left_out(np.array(self.plan.shelf_up), check)

    def _play(self, joint: JointEntry) -> float:
        """How far a pin may stand off its hole all round, mm: as the plan says, and no more than the thinner
        of the two has room for; and what lies loose off what it lies on."""
        if let_down(joint):
            return room_below_mm(self.plan, self.model, joint) + ROUNDED_MM
        sides = [self.model.shape_by_id[self.model.part_by_id[each].shape] for each in (joint.a, joint.b)]
        most = PLAY_SHARE * min(float(shape.size_mm.min()) for shape in sides)
        return 0.0 if joint.kind == "rest" else min(joint.gap_mm, most) + ROUNDED_MM

    def _none_left_out(self, up: Array, check: Check) -> None:
        """What lies on another part in the finished model has a joint with it."""
        names = [part.id for part in self.model.parts]
        for rows, shared in self.footing.faces_of.items():
            ends = [names[row] for row in sorted(rows)]
            if frozenset(ends) in self.joint_of or not np.any(np.abs(shared.normals @ up) > UPWARDS):
                continue
            if self.toucher.distance(*ends) <= LYING_SHARE * self.tolerance_mm:
                text = f"{self._names(ends)} lie on each other, and no joint says so"
                check.fault(text, parts=ends)

    def _name(self, name: str) -> str:
        part = self.model.part_by_id.get(name)
        return name if part is None else f"{name} ({part.source})"

    def _names(self, parts: Sequence[str]) -> str:
        shown = ", ".join(self._name(part) for part in parts[:4])
        return shown if len(parts) <= 4 else f"{shown} and {len(parts) - 4} more"


def _times(count: int) -> str:
    return {0: "never", 1: "once", 2: "twice"}.get(count, f"{count} times")
