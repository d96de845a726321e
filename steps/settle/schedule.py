"""When the steps are done: sittings, what must have cured before which step, waits, and who.

The order of the steps is given. One pair of hands works through it; while a joint cures, the steps that
do not load it go on.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from graphlib import CycleError, TopologicalSorter
from types import MappingProxyType

import numpy as np

from steps.glue.cases import newtons
from steps.glue.hazards import hazard_book
from steps.model import Joints, Measures, Model, Order, Reader, Step, StepWork
from steps.settings import Settings
from steps.strength import who_pushes

#: Time to find, place and press one part, minutes (proposal).
PART_MIN = 0.75
#: Time to spread glue on one joint and clean up round it, minutes (proposal).
GLUE_MIN = 1.0
#: Glue steps with at most this many steps without glue between them are one sitting: the adult stays and
#: the adhesive is still at hand (proposal).
SITTING_GAP = 2
#: A wait this short ends no sitting, minutes: the adult stays at the bench (proposal).
SHORT_WAIT_MIN = 15.0
#: Kinds of load case that say what a joint bears while what it is part of is lifted from below, or is turned.
LIFTED, TURNED = "base", "turn"
#: Two up directions within 5 deg are the same: cos 5 deg.
SAME_UP = 0.996


@dataclass(frozen=True)
class Schedule:
    """The glue steps in step order, and figures in minutes: ``waiting_min`` while other steps go on, and
    ``waiting_each_min`` if after each glue step nothing were built until all that it glued may be loaded as
    it ever is."""

    steps: tuple[StepWork, ...]
    sittings: int
    bench_min: float
    waiting_min: float
    waiting_each_min: float
    shortest_min: float

    @property
    def facts(self) -> dict[str, float]:
        """The figures by name."""
        return {
            "sittings": float(self.sittings),
            "bench_min": self.bench_min,
            "waiting_min": self.waiting_min,
            "waiting_each_min": self.waiting_each_min,
            "critical_path_min": self.shortest_min,
        }


@dataclass(frozen=True)
class Activity:
    """Work that takes ``minutes`` once all of ``after`` are done, each followed by its lag in minutes."""

    name: str
    minutes: float
    after: Mapping[str, float]


def critical_path(activities: Sequence[Activity]) -> tuple[float, tuple[str, ...]]:
    """Length of the longest chain of activities and lags, and the activities on it, first to last.

    Raises ValueError when the activities wait for each other in a circle.
    """
    by_name = {one.name: one for one in activities}
    ends: dict[str, float] = {}
    before: dict[str, str | None] = {}
    turns = TopologicalSorter({one.name: one.after for one in activities})
    try:
        for name in turns.static_order():
            one = by_name[name]
            last = max(one.after, key=lambda name: (ends[name] + one.after[name], name), default=None)
            before[one.name] = last
            ends[one.name] = one.minutes + (0.0 if last is None else ends[last] + one.after[last])
    except CycleError as error:
        circle = ", ".join(sorted(set(error.args[1])))
        raise ValueError(f"activities wait for each other: {circle}") from error
    if not ends:
        return 0.0, ()
    latest: str | None = max(ends, key=lambda each: (ends[each], each))
    length, chain = ends[str(latest)], []
    while latest is not None:
        chain.append(latest)
        latest = before[latest]
    return length, tuple(reversed(chain))


@dataclass(frozen=True)
class Curing:
    """What glued joints bear, N: nothing until they hold by themselves, then ``early_n`` by joint, until they
    have their full strength; ``loads_n`` is the greatest load of each in the finished model, by the kind of
    load case; ``turns_early`` the turns (step, sub-assembly that is put in or "") that need no hard glue."""

    early_n: Mapping[str, float]
    loads_n: Mapping[str, Mapping[str, float]]
    holds_min: float
    full_min: float
    turns_early: frozenset[tuple[int, str]] = frozenset()


class Scheduler:
    """Works out the schedule of one order. A joint must have cured where a step turns, carries or pushes
    sideways what it joins, and where the build stands only by its glue (``on_glue``, step numbers): until it
    holds by itself where what it bears then is enough, else until it has its full strength (``on_hard``: the
    steps after which the build stands only by glue that is hard)."""

    def __init__(
        self,
        model: Model,
        measures: Measures,
        joints: Joints,
        order: Order,
        settings: Settings,
        curing: Curing,
        on_glue: Iterable[int] = (),
        on_hard: Iterable[int] = (),
        hold: Mapping[int, tuple[str, ...]] = MappingProxyType({}),
    ) -> None:
        self.order, self.joints, self.settings = order, joints, settings
        self.curing, self.on_glue, self.on_hard = curing, frozenset(on_glue), frozenset(on_hard)
        self.hold = hold  # step number -> parts that a hand holds
        self.things = {step.number: len(step.adds) + len(step.attaches) for step in order.steps}
        self.total = sum(measures.by_shape[part.shape].printed_g for part in model.parts)
        self.mass = {part.id: measures.by_shape[part.shape].printed_g for part in model.parts}

    def run(self) -> Schedule:
        needs = self._needs()
        sitting = self._sittings(needs)
        first: dict[str, float] = {}
        for lags in needs.values():
            for name, lag in lags.items():
                first.setdefault(name, lag)
        steps = tuple(self._glue_step(step, needs[step.number], sitting, first) for step in self.order.steps)
        bench = sum(self.minutes(step) for step in self.order.steps)
        longest: dict[str, float] = {}
        for lags in needs.values():
            for name, lag in lags.items():
                longest[name] = max(longest.get(name, 0.0), lag)
        each = sum(max((longest.get(name, 0.0) for name in step.glues), default=0.0) for step in steps)
        return Schedule(
            steps,
            len(set(sitting.values())),
            bench,
            self._idle(needs),
            each,
            critical_path(self._activities(needs))[0],
        )

    def glues(self, step: Step) -> tuple[str, ...]:
        """Joints of the first copy that the step glues."""
        return tuple(joint for joint in step.closes if joint in self.curing.early_n)

    def minutes(self, step: Step) -> float:
        """Bench time of a step, all copies of its assembly together."""
        copies = len(self.order.assembly_by_id[step.assembly].copies)
        again = (self.things[number] for number in step.reopens)
        things = self.things[step.number] + sum(again)
        return (PART_MIN * things + GLUE_MIN * len(self.glues(step))) * copies

    # ------------------------------------------------------------------ what must have cured

    def _needs(self) -> dict[int, dict[str, float]]:
        """For each step number the earlier glued joints that it loads, and how long after they were glued it
        may, minutes."""
        fresh: dict[str, list[str]] = {}
        up: dict[str, np.ndarray] = {}
        holding: set[str] = set()  # joints that were waited for until they held by themselves
        needs: dict[int, dict[str, float]] = {}
        for step in self.order.steps:
            own = fresh.setdefault(step.assembly, [])
            loaded = [
                (joint, self._asked_n(joint, mass, LIFTED))
                for each, mass in zip(step.attaches, self._lifted(step), strict=True)
                for joint in fresh.get(each.assembly, [])
            ]
            turned = step.assembly in up and float(up[step.assembly] @ step.up) < SAME_UP
            if step.number in self.on_glue:
                loaded += [(joint, np.inf if step.number in self.on_hard else 0.0) for joint in own]
            if turned:
                loaded += [(joint, self._turned_n(joint, step.number)) for joint in own]
            loaded += [
                (joint, self._turned_n(joint, step.number, each.assembly))
                for each in step.attaches
                if float(up.get(each.assembly, step.up) @ step.up) < SAME_UP
                for joint in fresh.get(each.assembly, [])
            ]
            asked: dict[str, float] = {}
            for joint, load in loaded:
                asked[joint] = max(asked.get(joint, 0.0), load)
            for joint, load in self._pushed_sideways(step, own).items():
                asked[joint] = max(asked.get(joint, 0.0), load)
            lags = {joint: self._lag(joint, load) for joint, load in asked.items()}
            needs[step.number] = {
                joint: lag
                for joint, lag in lags.items()
                if lag > self.curing.holds_min or joint not in holding
            }
            hard = {joint for joint, lag in lags.items() if lag > self.curing.holds_min}
            holding |= set(lags)
            for each in step.attaches:
                own.extend(fresh.pop(each.assembly, []))
            if hard:
                own[:] = [joint for joint in own if joint not in hard]
            own.extend(self.glues(step))
            up[step.assembly] = step.up
        return needs

    def _lifted(self, step: Step) -> list[float]:
        """The mass of each sub-assembly that the step attaches, g."""
        return [
            sum(self.mass[part] for part in self.order.assembly_by_id[each.assembly].copies[each.copy])
            for each in step.attaches
        ]

    def _asked_n(self, joint: str, grams: float, kind: str) -> float:
        """What a joint bears when so much is lifted, turned or left to stand, N: its load in the finished
        model by the load cases of that kind, in proportion to the mass; what hangs on it at the least is the
        lighter of its two parts."""
        share = grams / self.total if self.total > 0 else 1.0
        most = self.curing.loads_n.get(kind, {}).get(joint, 0.0)
        return max(share * most, newtons(min(self.mass[end] for end in self._ends(joint))))

    def _turned_n(self, joint: str, step: int, thing: str = "") -> float:
        """What a joint bears when what is built is turned before a step, or a ``thing`` into its place, N;
        nothing to speak of where the whole was seen to hold as soon as its glue holds by itself."""
        early = (step, thing) in self.curing.turns_early
        return 0.0 if early else self._asked_n(joint, self.total, TURNED)

    def _lag(self, joint: str, load_n: float) -> float:
        """Minutes from gluing until the joint may bear a load."""
        enough = self.curing.early_n[joint] >= self.settings.glue.safety * load_n
        return self.curing.holds_min if enough else self.curing.full_min

    def _ends(self, joint: str) -> tuple[str, str]:
        found = self.joints.by_id[joint]
        return found.a, found.b

    def _pushed_sideways(self, step: Step, own: Sequence[str]) -> dict[str, float]:
        """What glued joints of parts already there bear when this step presses on those across its up
        direction, N: each the more, the more it can."""
        pressed: dict[str, float] = {}
        for name in (*step.closes, *step.dry):
            joint = self.joints.by_id[name]
            if joint.push_n > 0 and abs(float(joint.axis @ step.up)) < SAME_UP:
                for end in {joint.a, joint.b} - set(step.adds):
                    pressed[end] = pressed.get(end, 0.0) + joint.push_n
        asked: dict[str, float] = {}
        for part, push in pressed.items():
            there = [name for name in own if part in self._ends(name)]
            together = sum(self.curing.early_n[name] for name in there)
            for name in there:
                share = self.curing.early_n[name] / together if together > 0 else 1.0
                asked[name] = asked.get(name, 0.0) + push * share
        return asked

    # ------------------------------------------------------------------ sittings and waits

    def _sittings(self, needs: Mapping[int, Mapping[str, float]]) -> dict[int, int]:
        """Sitting of each glue step: a new one after a pause, or a long wait for a joint of this one."""
        found: dict[int, int] = {}
        sitting, since = 0, SITTING_GAP + 1
        wet: set[str] = set()
        for step in self.order.steps:
            loads_wet = max((lag for joint, lag in needs[step.number].items() if joint in wet), default=0.0)
            if loads_wet > SHORT_WAIT_MIN:
                since, wet = SITTING_GAP + 1, set()
            if not self.glues(step):
                since += 1
                continue
            if since > SITTING_GAP:
                sitting, wet = sitting + 1, set()
            found[step.number] = sitting
            since = 0
            wet |= set(self.glues(step))
        return found

    def _idle(self, needs: Mapping[int, Mapping[str, float]]) -> float:
        """Minutes of waiting when the steps are done one after another as soon as their joints hold."""
        now, idle = 0.0, 0.0
        ended: dict[str, float] = {}
        for step in self.order.steps:
            ready = max([now, *(ended[joint] + lag for joint, lag in needs[step.number].items())])
            idle += ready - now
            now = ready + self.minutes(step)
            ended.update(dict.fromkeys(self.glues(step), now))
        return idle

    def _activities(self, needs: Mapping[int, Mapping[str, float]]) -> list[Activity]:
        """The steps with what each must come after: the step before it in its assembly, the last step of
        each assembly it attaches, and the steps whose joints must have cured."""
        last: dict[str, str] = {}
        glued_in: dict[str, str] = {}
        found = []
        for step in self.order.steps:
            name = f"step {step.number}"
            earlier = [step.assembly, *(each.assembly for each in step.attaches)]
            after = {last[each]: 0.0 for each in earlier if each in last}
            for joint, lag in needs[step.number].items():
                before = glued_in[joint]
                after[before] = max(after.get(before, 0.0), lag)
            found.append(Activity(name, self.minutes(step), after))
            last[step.assembly] = name
            glued_in.update((joint, name) for joint in self.glues(step))
        return found

    # ------------------------------------------------------------------ one step

    def _glue_step(
        self, step: Step, lags: Mapping[str, float], sitting: Mapping[int, int], first: Mapping[str, float]
    ) -> StepWork:
        glues = self.glues(step)
        return StepWork(
            number=step.number,
            glues=glues,
            sitting=sitting.get(step.number),
            needs_cured=tuple(lags),
            lags_min=tuple(lags.values()),
            by=self._by(step, bool(glues)),
            people=self._people(step, bool(glues)),
            wait_min=max((first[joint] for joint in glues if joint in first), default=0.0),
            hold=self.hold.get(step.number, ()),
        )

    def _by(self, step: Step, glues: bool) -> Reader:
        if glues or step.doubtful:
            return "adult"
        return who_pushes(step.needs_push_n, child_years=self.settings.child_years)

    def _people(self, step: Step, glues: bool) -> int:
        """Two where glued parts must be held while they cure, or where what is lifted is heavy."""
        heavy = max(self._lifted(step), default=0.0) > hazard_book().limits["heavy_g"]
        return 2 if heavy or (glues and self.hold.get(step.number)) else 1
