"""Load cases: what is done to a built model, in a maker's words, at any mass.

* ``shelf``: it stands on the table in its display pose, for years;
* ``base``: it is lifted with a hand, or a person, under each end of its base;
* ``body``: it is picked up by its body, a hand at each side, not by what only lies on or within it; each such
  thing of several parts is picked up by itself;
* ``tilt``: it is carried aslant through a door, held by its base;
* ``turn``: what is built, or a sub-assembly that is put in, is turned as the plan turns it, held by what it
  stood on;
* ``knock``: it is knocked sideways where it stands, its base held fast;
* ``car``: it goes by car, held by its base;
* ``pull``: a child pulls at any part, the base held fast.

Each has a factor in the settings that makes it graver, or switches it off at 0.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from renderer.topology import connected
from steps.model import Aim, Array, IntArray, Measures, Model
from steps.sequence import BuildSequence, Moment
from steps.settings import LoadCaseName, Settings
from steps.statics import Case, Structure
from steps.statics.contacts import stiff
from steps.statics.flat import axes_across, unit
from steps.statics.rigid import GRAVITY
from steps.statics.structure import TABLE_TOLERANCE_MM

#: The cases of each aim, where the settings name no factor.
OF_AIM: dict[Aim, tuple[LoadCaseName, ...]] = {
    "display": ("shelf", "base"),
    "one-piece": ("shelf", "base", "body", "tilt", "turn", "knock"),
    "handled": ("shelf", "base", "body", "tilt", "turn", "knock", "pull"),
}
#: How far a model is tilted to get it through a door, degrees (proposal).
DOOR_DEG = 45.0
#: A knock as an acceleration, g (proposal: half its weight, sideways).
KNOCK_G = 0.5
#: What a load must stand in a car, g: braking; 0.5 to the sides (EN 12195-1 load restraint, from memory).
CAR_G = 0.8
#: Pull on a toy's part whose largest accessible dimension is above 6 mm, and up to it, N (EN 71-1, 8.4, as a
#: test house sums it up). A comparison, not a test of this standard.
PULL_N, SMALL_PULL_N = 90.0, 50.0
SMALL_MM = 6.0
#: Directions of a tilt, a knock and a car's forces.
AROUND = 4
#: Two up directions within 1 deg are the same: cos 1 deg.
SAME_UP = 0.9998


@dataclass(frozen=True, eq=False)
class LoadCase:
    """One case. ``words`` complete "when it is ..."; ``up`` is the way it stands."""

    kind: LoadCaseName
    words: str
    case: Case
    up: Array
    step: int = 0  #: number of the step before which the plan turns it
    thing: str = ""  #: the sub-assembly (id) that is turned into its place
    early: bool = False  #: nobody waits until the glue is hard: it bears what it does once it holds by itself


def load_cases(
    model: Model,
    measures: Measures,
    structure: Structure,
    sequence: BuildSequence,
    settings: Settings,
    up: Array,
) -> list[LoadCase]:
    """The cases that the aim and the settings ask for, in a fixed order."""
    site = _CaseMaker(model, structure, settings, unit(up))
    makers: dict[LoadCaseName, Callable[[], Iterator[LoadCase]]] = {
        "shelf": site.shelf,
        "base": site.base,
        "body": site.body,
        "tilt": site.tilt,
        "turn": lambda: site.turns(sequence),
        "knock": site.knock,
        "car": site.car,
        "pull": lambda: site.pulls(measures),
    }
    return [case for kind, make in makers.items() if site.factor(kind) > 0 for case in make()]


class _CaseMaker:
    def __init__(self, model: Model, structure: Structure, settings: Settings, up: Array) -> None:
        self.model, self.structure, self.settings, self.up = model, structure, settings, up
        self.bodies = structure.bodies
        self.lowest = self._standing_on(np.arange(len(self.bodies)), up)
        self.ends = self._ends(self.lowest)

    def factor(self, kind: LoadCaseName) -> float:
        usual = 1.0 if kind in OF_AIM[self.settings.aim] else 0.0
        return self.settings.glue.cases.get(kind, usual)

    def shelf(self) -> Iterator[LoadCase]:
        yield self._case("shelf", "standing on its shelf", self._weight(self.up), (), ground=True)

    def base(self) -> Iterator[LoadCase]:
        words = "lifted by its base, a hand or a person at each end"
        yield self._case("base", words, self._weight(self.up), self.ends)

    def body(self) -> Iterator[LoadCase]:
        every, things = np.arange(len(self.bodies)), loose_things(self.structure)
        above = np.setdiff1d(every, self.lowest)
        body = np.setdiff1d(above, np.concatenate([[], *things]).astype(np.int64))
        sides = self._sides(body, every)
        if sides:
            yield self._case("body", f"picked up by {self._names(sides)}", self._weight(self.up), sides)
        for lump in (each for each in things if len(each) > 1):
            sides = self._sides(lump, lump)
            words = f"picked up by itself, by {self._names(sides)}"
            yield self._case("body", words, self._weight(self.up), sides, lump)

    def tilt(self) -> Iterator[LoadCase]:
        angle = np.radians(DOOR_DEG)
        for way in self._around():
            up = np.cos(angle) * self.up - np.sin(angle) * way
            yield self._case("tilt", "tilted through a door, held by its base", self._weight(up), self.ends)

    def knock(self) -> Iterator[LoadCase]:
        yield from self._shaken("knock", "knocked sideways", KNOCK_G)

    def car(self) -> Iterator[LoadCase]:
        yield from self._shaken("car", "taken by car, held by its base", CAR_G)

    def turns(self, sequence: BuildSequence) -> Iterator[LoadCase]:
        """Half way through each turn of what is built, or put in, and where it ends."""
        for moment in sequence.moments:
            if moment.previous is not None:
                yield from self._turned(moment, moment.before, moment.previous.up)
            for arrival in moment.arrivals:
                own = sequence.by_assembly.get(arrival.assembly)
                if own and arrival.parts == own[0].assembly.copies[0]:
                    yield from self._turned(moment, arrival.rows, own[-1].up, arrival.assembly)

    def _turned(self, moment: Moment, rows: IntArray, before: Array, thing: str = "") -> Iterator[LoadCase]:
        """The parts ``rows``, which lay with ``before`` up, turned as they lie in a moment."""
        if float(moment.up @ before) > SAME_UP:
            return
        there, number = np.sort(rows), moment.step.number
        held = self._ends(self._standing_on(there, before))  # two hands, or a person at each end
        words = turn_words(number) + (f" (sub-assembly {thing}, into its place)" if thing else "")
        for up in (self._half_way(moment, before), moment.up):
            load = self._case("turn", words, self._weight(up), held, there, step=number)
            yield replace(load, thing=thing, early=True)

    def pulls(self, measures: Measures) -> Iterator[LoadCase]:
        weight = self._weight(self.up)
        across = axes_across(self.up)
        ways = [way for axis in (across[:, 0], across[:, 1], self.up) for way in (axis, -axis)]
        for row, part in enumerate(self.model.parts):
            if row in self.lowest:
                continue
            small = float(np.max(measures.by_shape[part.shape].size_mm)) <= SMALL_MM
            for way in ways:
                loads = weight.copy()
                loads[row, :3] += self.factor("pull") * (SMALL_PULL_N if small else PULL_N) * way
                words = f"pulled at {part.id} by a child"
                yield self._case("pull", words, loads, self.lowest, factor=1.0)

    # ------------------------------------------------------------------ what they are made of

    def _case(
        self,
        kind: LoadCaseName,
        words: str,
        loads: Array,
        held: Iterable[int] | IntArray,
        present: IntArray | None = None,
        ground: bool = False,
        step: int = 0,
        factor: float | None = None,
    ) -> LoadCase:
        graver = self.factor(kind) if factor is None else factor
        case = Case.make(
            graver * loads, np.array(list(held)), present, self.settings.glue.safety, ground=ground
        )
        return LoadCase(kind, words, case, self.up, step)

    def _weight(self, up: Array) -> Array:
        return self.bodies.weight(up)

    def _shaken(self, kind: LoadCaseName, words: str, g: float) -> Iterator[LoadCase]:
        for way in self._around():
            loads = self._weight(self.up) + g * self._weight(-way)
            yield self._case(kind, words, loads, self.lowest)

    def _around(self) -> list[Array]:
        across = axes_across(self.up)
        angles = 2 * np.pi * np.arange(AROUND) / AROUND
        return [np.cos(angle) * across[:, 0] + np.sin(angle) * across[:, 1] for angle in angles]

    def _standing_on(self, rows: IntArray, up: Array) -> IntArray:
        low = self.structure.feet(up).low[rows]
        return rows[low <= low.min() + TABLE_TOLERANCE_MM]

    def _ends(self, lowest: IntArray) -> IntArray:
        """Of the parts that stand on the table the two farthest apart."""
        points = self.bodies.centroid[lowest] @ axes_across(self.up)
        long = int(np.argmax(np.ptp(points, axis=0).round(6)))
        at = points[:, long].round(6)
        return np.unique([lowest[np.argmin(at)], lowest[np.argmax(at)]])

    def _half_way(self, moment: Moment, before: Array) -> Array:
        middle = before + moment.up
        if np.linalg.norm(middle) > 0.1:
            return unit(middle)
        return axes_across(before)[:, 0]  # turned right over: by its side

    def _names(self, rows: Iterable[int]) -> str:
        return " and ".join(self.model.parts[row].id for row in rows)

    def _sides(self, rows: IntArray, lifted: IntArray) -> list[int]:
        """Those of ``rows`` that two hands take hold of to lift the parts ``lifted``: to each side the one
        farthest out for how much higher or lower it is than the middle of the weight; one part, where it is
        both."""
        if not len(rows):
            return []
        mass = self.bodies.mass_g[lifted]
        middle = mass @ self.bodies.centroid[lifted] / mass.sum()
        off = self.bodies.centroid[rows] - middle
        across, level = off @ axes_across(self.up), np.abs(off @ self.up)
        out = across[:, int(np.argmax(np.ptp(across, axis=0).round(6)))]
        one, other = np.argmin((out + level).round(6)), np.argmax((out - level).round(6))
        return sorted({int(rows[one]), int(rows[other])})


def loose_things(structure: Structure) -> list[IntArray]:
    """Rows of each thing that nothing grips, it only lies on or within others or slides in them, and that is
    not the heaviest of what touches, the body."""
    joints, index = structure.joints.joints, structure.model.index_of
    count = len(structure.bodies)
    ends = np.array([(index[each.a], index[each.b]) for each in joints], dtype=np.int64).reshape(-1, 2)
    tied = np.array([not each.moves or stiff(each) for each in joints], dtype=bool)
    thing, whole = connected(count, ends[tied]), connected(count, ends)
    weight = np.bincount(thing, structure.bodies.mass_g).round(6)[thing]
    lots = [np.flatnonzero(whole == lot) for lot in np.unique(whole)]
    bodies = thing[[lot[np.argmax(weight[lot])] for lot in lots]]
    return [np.flatnonzero(thing == one) for one in np.setdiff1d(thing, bodies)]


def turn_words(step: int) -> str:
    """How the case of a turn amid the build is told: the number of the step is the order's."""
    return f"turned before step {step}"


def newtons(grams: float) -> float:
    """The weight of a mass, N."""
    return grams * GRAVITY / 1000.0
