"""Load cases: what may be done to the model, as loads on its parts with some of them held fast.

* ``rest``: it stands on the table in its display pose;
* ``lift``: it is lifted by one part that a hand would take; a heavier model by two hands under its ends;
* ``over``: it is turned over, held by the parts that stood on the table;
* ``bump``: it is knocked sideways, its lowest parts held fast;
* ``step``: what is built after each step stands by itself;
* ``press``: what is built bears the push that takes the next part home, where a hand holds what the step
  says.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree

from steps.model import Array, IntArray, Model, Step
from steps.sequence import BuildSequence, Moment
from steps.settings import Settings
from steps.statics import GROUND, Balance, Bodies, Contacts, Structure, balance
from steps.statics.flat import axes_across, flat
from steps.statics.pressing import Press, pressing
from steps.statics.standing import lies_over
from steps.statics.structure import TABLE_TOLERANCE_MM, UPRIGHT_COSINE

#: A model up to this mass is lifted with one hand, g (proposal).
ONE_HAND_G = 2000.0
#: Above this mass it is not turned over in one piece, g: two adults (proposal).
TURNED_G = 10_000.0
#: Above this mass it is not lifted in one piece, g (from memory: a common guide figure for one adult).
LIFTED_G = 25_000.0
#: What a hand takes between fingers and thumb, mm (from memory: an adult's grip span, about 100 mm).
GRIP_MM = (8.0, 90.0)
#: Room for a finger beside the part, mm (from memory: an adult's finger is 15-20 mm thick).
FINGER_MM = 15.0
#: Parts up to which every press is asked, not only those aslant.
ALL_PRESSES = 600
#: Directions of the knock.
BUMP_DIRECTIONS = 4


@dataclass(frozen=True, eq=False)
class Case:
    """``parts`` (rows) are there, ``held`` (rows) do not move, ``loads`` (all parts, 6) act; ``table``: it
    stands on the table; ``against`` points away from the pull of gravity. Each contact's capacity must be
    ``safety`` times what is needed of it."""

    kind: str
    words: str
    parts: IntArray
    held: IntArray
    loads: Array
    up: Array
    table: bool
    safety: float
    against: Array
    step: int = 0  #: number of the step, for the kinds ``step`` and ``press``
    on: tuple[int, ...] = ()  #: rows of the parts that are pressed on, for the kind ``press``
    aslant: tuple[int, ...] = ()  #: those of them that are not pressed straight down amid what lies on them


def load_cases(model: Model, structure: Structure, sequence: BuildSequence, settings: Settings) -> list[Case]:
    """The cases that drive the glue, in a fixed order."""
    factory = _Factory(model, structure, settings, sequence.order.up)
    return [
        factory.rest(),
        *factory.lifts(),
        *factory.over(),
        *factory.bumps(),
        *factory.steps(sequence),
        *factory.presses(sequence),
    ]


def safety_of(kind: str, settings: Settings) -> float:
    return settings.glue.safety_by_case.get(kind, settings.glue.safety)  # type: ignore[call-overload]


class _Factory:
    def __init__(self, model: Model, structure: Structure, settings: Settings, up: Array) -> None:
        self.model, self.structure, self.settings, self.up = model, structure, settings, up
        self.bodies = structure.bodies
        self.all = np.arange(len(self.bodies))
        self.mass = float(self.bodies.mass_g.sum())
        low = structure.feet(up).low
        self.weights: dict[tuple[float, ...], Array] = {}
        self.low = self.all[low <= low.min() + TABLE_TOLERANCE_MM]

    def _case(
        self,
        kind: str,
        words: str,
        held: Sequence[int] | IntArray,
        loads: Array,
        table: bool = False,
        over: bool = False,
    ) -> Case:
        return Case(
            kind,
            words,
            self.all,
            np.asarray(held, dtype=np.int64),
            loads,
            self.up,
            table,
            safety_of(kind, self.settings),
            -self.up if over else self.up,
        )

    def rest(self) -> Case:
        return self._case("rest", "standing at rest", [], self.bodies.weight(self.up), table=True)

    def lifts(self) -> list[Case]:
        weight = self.bodies.weight(self.up)
        if self.mass > LIFTED_G:
            return []
        if self.mass > ONE_HAND_G:
            ends = self._ends()
            return [self._case("lift", "lifted with two hands under its ends", ends, weight)]
        names = [part.id for part in self.model.parts]
        return [
            self._case("lift", f"lifted by {names[row]}", [row], weight)
            for row in graspable(self.model, self.up)
        ]

    def _ends(self) -> IntArray:
        """The two lowest parts farthest apart."""
        points = self.bodies.centroid[self.low] @ axes_across(self.up)
        long = int(np.argmax(np.ptp(points, axis=0).round(6)))
        return np.unique([self.low[np.argmin(points[:, long])], self.low[np.argmax(points[:, long])]])

    def over(self) -> list[Case]:
        if self.mass > TURNED_G:
            return []
        weight = self.bodies.weight(-self.up)
        return [self._case("over", "turned over, held by its base", self.low, weight, over=True)]

    def bumps(self) -> list[Case]:
        g = self.settings.glue.bump_g
        if g <= 0:
            return []
        across = axes_across(self.up)
        found = []
        for turn in range(BUMP_DIRECTIONS):
            angle = 2 * np.pi * turn / BUMP_DIRECTIONS
            way = np.cos(angle) * across[:, 0] + np.sin(angle) * across[:, 1]
            loads = self.bodies.weight(self.up) + g * self.bodies.weight(-way)
            found.append(self._case("bump", f"knocked sideways with {g:g} g", self.low, loads))
        return found

    def steps(self, sequence: BuildSequence) -> list[Case]:
        """What stands after each step of the assemblies, where no hand holds it."""
        return [
            self._building("step", f"standing after step {each.step.number}", each.step, each.after)
            for each in sequence.moments
            if not each.step.expected_hold
        ]

    def presses(self, sequence: BuildSequence) -> list[Case]:
        """What stands before each step while a part or sub-assembly of the step is pressed home on it.

        Parts of the step that are in already help to carry. In very large models only presses aslant are
        asked.
        """
        found = []
        for each in sequence.moments:
            for arrived in range(len(each.arrivals)):
                case = self._press(each, arrived)
                found += [] if case is None else [case]
        return found

    def _press(self, moment: Moment, arrived: int) -> Case | None:
        step, arrival, standing = moment.step, moment.arrivals[arrived], moment.standing(arrived)
        press = pressing(self.structure, standing, arrival.parts, arrival.way)
        if not len(press.on):
            return None
        on = tuple(press.on.tolist())
        aslant = tuple(row for row in on if not self._straight_down(press, row, arrival.rows, step.up))
        if not aslant and len(self.all) > ALL_PRESSES:
            return None
        rows = moment.after[: standing.count]
        case = self._building("press", f"{arrival.name} is pressed home in step {step.number}", step, rows)
        hands = np.array([self.model.index_of[part] for part in step.expected_hold], dtype=np.int64)
        return replace(
            case,
            held=np.intersect1d(hands, rows),
            loads=case.loads + press.loads(len(self.bodies)),
            on=on,
            aslant=aslant,
        )

    def _straight_down(self, press: Press, row: int, own: IntArray, up: Array) -> bool:
        """Whether a part is pressed straight down, amid the places where the new parts lie on it."""
        if not press.is_down(up):
            return False
        contacts = self.structure.contacts
        one, other = np.isin(contacts.first, own), np.isin(contacts.second, own)
        between = (one & (contacts.second == row)) | (other & (contacts.first == row))
        between &= contacts.push & (np.abs(contacts.normal @ up) > UPRIGHT_COSINE)
        force, moment = np.split(press.wrench[press.on.tolist().index(row)], 2)
        arm = np.cross(moment, up) / -float(force @ up)
        at = flat((self.bodies.centroid[row] + arm)[None], up)
        support = flat(contacts.point[between], up)
        return len(support) > 2 and lies_over(at, support.mean(axis=0), support)

    def _building(self, kind: str, words: str, step: Step, rows: IntArray) -> Case:
        return Case(
            kind,
            words,
            np.sort(rows),
            np.empty(0, dtype=np.int64),
            self._weight(step.up),
            step.up,
            True,
            safety_of(kind, self.settings),
            step.up,
            step.number,
        )

    def _weight(self, up: Array) -> Array:
        """The bodies' weight, one array for all steps of one direction."""
        key = tuple(up.tolist())
        if key not in self.weights:
            self.weights[key] = self.bodies.weight(up)
        return self.weights[key]


def graspable(model: Model, up: Array) -> list[int]:
    """Rows of the parts that a hand would take: thin enough, and free on two opposite sides."""
    boxes = model.part_bounds
    middle, half = boxes.mean(axis=1), (boxes[:, 1] - boxes[:, 0]) / 2
    across = [axis for axis in range(3) if abs(up[axis]) < 0.7]
    tree = cKDTree(middle)
    reach = float(np.linalg.norm(half, axis=1).max())
    found = []
    for row in range(len(boxes)):
        width = 2 * half[row]
        near = [
            other
            for other in tree.query_ball_point(middle[row], np.linalg.norm(half[row]) + FINGER_MM + reach)
            if other != row
        ]
        for axis in across:
            if not GRIP_MM[0] <= width[axis] <= GRIP_MM[1]:
                continue
            if all(not _blocked(row, near, middle, half, axis, side) for side in (-1, 1)):
                found.append(row)
                break
    return found


def _blocked(row: int, near: list[int], middle: Array, half: Array, axis: int, side: int) -> bool:
    """Whether some part stands where a finger would go, beside the middle of the face."""
    if not near:
        return False
    spot = middle[row].copy()
    spot[axis] += side * (half[row, axis] + FINGER_MM / 2)
    room = np.minimum(half[row], FINGER_MM / 2)
    room[axis] = FINGER_MM / 2
    others = np.array(near)
    overlap = np.abs(middle[others] - spot) < half[others] + room - 1e-6
    return bool(overlap.all(axis=1).any())


@dataclass(frozen=True, eq=False)
class Posed:
    """A case as a programme: the bodies that can move, the contacts (by row of the structure's, -1 for those
    with the table) and the loads."""

    bodies: Bodies
    contacts: Contacts
    loads: Array
    joint: IntArray


def pose(structure: Structure, contacts: Contacts, case: Case) -> Posed:
    """The programme of one case with the given capacities."""
    count = len(structure.bodies)
    there = np.zeros(count, dtype=bool)
    there[case.parts] = True
    moving = there.copy()
    moving[case.held] = False
    rows = np.flatnonzero(moving)
    local = np.full(count, GROUND)
    local[rows] = np.arange(len(rows))
    used = np.flatnonzero(
        there[contacts.first] & there[contacts.second] & (moving[contacts.first] | moving[contacts.second])
    )
    chosen, joint = _held_last(contacts.take(used), local), structure.joint[used]
    if case.table:
        table, _ = structure.table_contacts(case.parts, case.up)
        chosen, joint = (
            Contacts.join([chosen, _held_last(table, local)]),
            np.concatenate([joint, np.full(len(table), -1)]),
        )
    bodies = Bodies(structure.bodies.mass_g[rows], structure.bodies.centroid[rows])
    return Posed(bodies, chosen, case.loads[rows], joint)


def solve(structure: Structure, contacts: Contacts, case: Case) -> tuple[Balance, IntArray]:
    """Balance of one case, and the row of each contact's joint (-1: the table)."""
    posed = pose(structure, contacts, case)
    return balance(posed.bodies, posed.contacts, posed.loads), posed.joint


def _held_last(contacts: Contacts, local: IntArray) -> Contacts:
    """Renumbered contacts, turned so that the first body is one that moves."""
    first = local[contacts.first]
    second = np.where(contacts.second == GROUND, GROUND, local[contacts.second])
    turned = first == GROUND
    normal = np.where(turned[:, None], -contacts.normal, contacts.normal)
    return Contacts(
        contacts.point,
        normal,
        np.where(turned, second, first),
        np.where(turned, first, second),
        contacts.friction,
        contacts.pull,
        contacts.grip,
        contacts.push,
    )
