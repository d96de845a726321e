"""When the steps are done: sittings, what must have cured before which step, waits, and who.

The order of the steps is given. One pair of hands works through it; while a joint cures, the steps that
do not load it go on.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

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
#: Two up directions within 5 deg are the same: cos 5 deg.
SAME_UP = 0.996


@dataclass(frozen=True)
class Schedule:
    """The glue steps in step order, and figures in minutes."""

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
    left = {one.name: one for one in activities}
    ends: dict[str, float] = {}
    before: dict[str, str | None] = {}
    while left:
        ready = [one for one in left.values() if all(name in ends for name in one.after)]
        if not ready:
            raise ValueError(f"activities wait for each other: {', '.join(sorted(left))}")
        for one in ready:
            last = max(one.after, key=lambda name: (ends[name] + one.after[name], name), default=None)
            before[one.name] = last
            ends[one.name] = one.minutes + (0.0 if last is None else ends[last] + one.after[last])
            del left[one.name]
    if not ends:
        return 0.0, ()
    name: str | None = max(ends, key=lambda each: (ends[each], each))
    length, chain = ends[str(name)], []
    while name is not None:
        chain.append(name)
        name = before[name]
    return length, tuple(reversed(chain))


class Scheduler:
    """Works out the schedule of one order. A joint must have cured where a step turns, carries or pushes
    sideways what it joins, and where the build stands only by its glue (``on_glue``, step numbers)."""

    def __init__(
        self,
        model: Model,
        measures: Measures,
        joints: Joints,
        order: Order,
        settings: Settings,
        glued: Iterable[str],
        wait_min: float,
        on_glue: Iterable[int] = (),
        hold: Mapping[int, tuple[str, ...]] = MappingProxyType({}),
    ) -> None:
        self.order, self.joints, self.settings = order, joints, settings
        self.glued, self.wait_min, self.on_glue = frozenset(glued), wait_min, frozenset(on_glue)
        self.hold = hold  # step number -> parts that a hand holds
        self.mass = {part.id: measures.by_shape[part.shape].printed_g for part in model.parts}

    def run(self) -> Schedule:
        needs = self._needs()
        sitting = self._sittings(needs)
        waited = {joint for cured in needs.values() for joint in cured}
        steps = tuple(self._glue_step(step, needs, sitting, waited) for step in self.order.steps)
        bench = sum(self.minutes(step) for step in self.order.steps)
        each = self.wait_min * sum(1 for step in self.order.steps if self.glues(step))
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
        return tuple(joint for joint in step.closes if joint in self.glued)

    def minutes(self, step: Step) -> float:
        """Bench time of a step, all copies of its assembly together."""
        copies = len(self.order.assembly_by_id[step.assembly].copies)
        work = PART_MIN * (len(step.adds) + len(step.attaches)) + GLUE_MIN * len(self.glues(step))
        return work * copies

    # ------------------------------------------------------------------ what must have cured

    def _needs(self) -> dict[int, tuple[str, ...]]:
        """For each step number the earlier glued joints that it loads."""
        fresh: dict[str, list[str]] = {}
        up: dict[str, np.ndarray] = {}
        needs: dict[int, tuple[str, ...]] = {}
        for step in self.order.steps:
            own = fresh.setdefault(step.assembly, [])
            loaded = [joint for each in step.attaches for joint in fresh.get(each.assembly, [])]
            turned = step.assembly in up and float(up[step.assembly] @ step.up) < SAME_UP
            pushed = self._pushed_sideways(step)
            loaded += [joint for joint in own if turned or set(self._ends(joint)) & pushed]
            if step.number in self.on_glue:
                loaded = [*loaded, *own]
            needs[step.number] = tuple(dict.fromkeys(loaded))
            for each in step.attaches:
                moved = fresh.pop(each.assembly, [])
                own.extend(joint for joint in moved if joint not in loaded)
            fresh[step.assembly] = [joint for joint in own if joint not in loaded] + list(self.glues(step))
            up[step.assembly] = step.up
        return needs

    def _ends(self, joint: str) -> tuple[str, str]:
        found = self.joints.by_id[joint]
        return found.a, found.b

    def _pushed_sideways(self, step: Step) -> set[str]:
        """Parts already there that this step presses on across its up direction."""
        pressed: set[str] = set()
        for joint_id in step.closes:
            joint = self.joints.by_id[joint_id]
            if joint.push_n > 0 and abs(float(joint.axis @ step.up)) < SAME_UP:
                pressed.update((joint.a, joint.b))
        return pressed - set(step.adds)

    # ------------------------------------------------------------------ sittings and waits

    def _sittings(self, needs: Mapping[int, tuple[str, ...]]) -> dict[int, int]:
        """Sitting of each glue step: a new one after a pause, or a long wait for a joint of this one."""
        found: dict[int, int] = {}
        sitting, since = 0, SITTING_GAP + 1
        wet: set[str] = set()
        for step in self.order.steps:
            loads_wet = bool(wet & set(needs[step.number])) and self.wait_min > SHORT_WAIT_MIN
            if loads_wet:
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

    def _idle(self, needs: Mapping[int, tuple[str, ...]]) -> float:
        """Minutes of waiting when the steps are done one after another as soon as their joints hold."""
        now, idle = 0.0, 0.0
        holds: dict[str, float] = {}
        for step in self.order.steps:
            ready = max([now, *(holds[joint] for joint in needs[step.number] if joint in holds)])
            idle += ready - now
            now = ready + self.minutes(step)
            holds.update((joint, now + self.wait_min) for joint in self.glues(step))
        return idle

    def _activities(self, needs: Mapping[int, tuple[str, ...]]) -> list[Activity]:
        """The steps with what each must come after: the step before it in its assembly, the last step of
        each assembly it attaches, and the steps whose joints must have cured."""
        last: dict[str, str] = {}
        glued_in: dict[str, str] = {}
        found = []
        for step in self.order.steps:
            name = f"step {step.number}"
            earlier = [step.assembly, *(each.assembly for each in step.attaches)]
            after = {last[each]: 0.0 for each in earlier if each in last}
            for joint in needs[step.number]:
                if joint in glued_in:
                    after[glued_in[joint]] = self.wait_min
            found.append(Activity(name, self.minutes(step), after))
            last[step.assembly] = name
            glued_in.update((joint, name) for joint in self.glues(step))
        return found

    # ------------------------------------------------------------------ one step

    def _glue_step(
        self,
        step: Step,
        needs: Mapping[int, tuple[str, ...]],
        sitting: Mapping[int, int],
        waited: set[str],
    ) -> StepWork:
        glues = self.glues(step)
        return StepWork(
            number=step.number,
            glues=glues,
            sitting=sitting.get(step.number),
            needs_cured=needs[step.number],
            by=self._by(step, bool(glues)),
            people=self._people(step, bool(glues)),
            wait_min=self.wait_min if set(glues) & waited else 0.0,
            hold=self.hold.get(step.number, ()),
        )

    def _by(self, step: Step, glues: bool) -> Reader:
        if glues or step.doubtful:
            return "adult"
        return who_pushes(step.needs_push_n)

    def _people(self, step: Step, glues: bool) -> int:
        """Two where glued parts must be held while they cure, or where what is lifted is heavy."""
        lifted = [
            sum(self.mass[part] for part in self.order.assembly_by_id[each.assembly].copies[each.copy])
            for each in step.attaches
        ]
        heavy = max(lifted, default=0.0) > hazard_book().limits["heavy_g"]
        return 2 if heavy or (glues and self.hold.get(step.number)) else 1
