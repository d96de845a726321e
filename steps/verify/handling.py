"""That a build bears what is done to it: the load cases that the plan's aim and settings ask for, by the
verifier's own balance of struts, as the plan says how it fares in each. The finished model is tried with all
glue hard, what is turned amid the build with what is there by then and glue as strong as it has become.

What a case is, how grave, and which each aim asks for is the glue stage's own definition. Where hands take
hold is told by the plan, and must be as far out as any other place; what then carries what is found anew.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import networkx as nx
import numpy as np
from scipy.optimize import lsq_linear

from steps.glue.cases import AROUND, CAR_G, DOOR_DEG, KNOCK_G, OF_AIM, PULL_N, SMALL_MM, SMALL_PULL_N
from steps.model import Array
from steps.planfile import CaseEntry, JointEntry, PlanFile
from steps.settings import LoadCaseName
from steps.statics.flat import axes_across
from steps.verify.balance import weights
from steps.verify.footing import ENOUGH, Footing
from steps.verify.gluing import early_of, strength_of
from steps.verify.kept_in import UNTIED, lots, rigid, tied
from steps.verify.replay import TurnedBuild
from steps.verify.report import Check
from steps.verify.standing import ON_TABLE_LEAST_MM

#: Name of the check, and what it looks at.
HANDLED = ("load cases", "cases")
#: The cases that are told of together: their kind; of a turn, the step, and the sub-assembly that is turned
#: into its place.
Lot = tuple[LoadCaseName, int, str]
#: Hands take hold as far out as the plan's rules ask where they do so to within this, mm: rounding.
SAME_REACH_MM = 0.1
#: A face that a load pushes by less than this share of it bears none: rounding.
LEANS = 0.02
#: How much more it counts that all of a load is borne than that it is in balance, and than even shares.
WHOLE, EVENLY = 1e2, 1e-2


@dataclass(frozen=True, eq=False)
class Handling:
    """One way in which the model is handled: loads (n, 6) about each part's middle, N and N mm, and the parts
    that are held fast meanwhile."""

    words: str
    loads: Array
    held: Sequence[str]
    on_table: Array | None = None  #: which way is up, where it stands on the table
    parts: Sequence[str] | None = None  #: those that are handled by themselves, where not all are


def check_handling(plan: PlanFile, footing: Footing, turned: Sequence[TurnedBuild]) -> Check:
    """The model fares in each load case as the plan says: it holds, or gives way by as much as is told."""
    check = Check(*HANDLED)
    if plan.pieces is None and not plan.cases:
        check.remark = "the plan does not say what it comes to"
    elif plan.steps:
        _HandledModel(plan, footing, check).run(turned)
    return check


def factor(plan: PlanFile, kind: LoadCaseName) -> float:
    """How grave a case is in the plan's settings; 0 where it is not asked."""
    usual = 1.0 if kind in OF_AIM[plan.settings.get("aim", "one-piece")] else 0.0
    cases: Any = _glue_settings(plan).get("cases", {})
    return float(cases.get(kind, usual)) if isinstance(cases, Mapping) else usual


class _HandledModel:
    """Each load case of one plan, tried once."""

    def __init__(self, plan: PlanFile, footing: Footing, check: Check) -> None:
        self.plan, self.footing, self.check = plan, footing, check
        self.up = np.array(plan.shelf_up)
        self.parts = [part.id for part in plan.parts]
        self.base = self._lowest(self.parts, self.up)
        self.told = {(each.case, each.step, each.assembly): each for each in plan.cases}
        self.safety = float(_glue_settings(plan).get("safety", 1.0))
        self.strength = strength_of(plan)
        self.off = frozenset(
            part for problem in plan.problems if problem.code in UNTIED for part in problem.parts
        )
        self.fallen: frozenset[str] = frozenset()  #: those of them that something leaves behind
        self.tied = tied(plan)
        #: what glue could tie too
        self.could = tied(plan, could=True) if plan.adhesive.family != "none" else self.tied

    def run(self, turned: Sequence[TurnedBuild]) -> None:
        asked: set[tuple[str, int, str]] = set()
        for kind, make in self._makers().items():
            graver = factor(self.plan, kind)
            if graver > 0 and (cases := list(make(graver))):
                asked.add((kind, 0, ""))
                self._fares((kind, 0, ""), cases, self.parts, self.strength)
        if factor(self.plan, "turn") > 0:
            for event in turned:
                lot: Lot = ("turn", event.step, event.assembly)
                asked.add(lot)
                self._fares(lot, self._over(event), event.parts, early_of(self.plan, event))
        for other, step, _ in sorted(set(self.told) - asked):
            self.check.fault(f"{other}: the plan tells of a load case that nobody asks for", step or None)
        if wrong := sorted(self.off - self.fallen):
            self.check.fault("it is told to come off, and is held whatever is done", parts=wrong)
        self._warnings()

    def _there(self, kind: LoadCaseName, parts: Sequence[str], held: Sequence[str]) -> Sequence[str]:
        """The parts without those that the plan says come off, and that nothing ties to what is held."""
        if not self.off or kind in ("turn", "shelf"):
            return parts
        kept = _together_with(held, self.tied)
        self.fallen |= self.off - kept
        return [part for part in parts if part in kept or part not in self.off]

    def _of_lump(self, lump: Sequence[str], held: Sequence[str]) -> Sequence[str]:
        """The parts of a lump without those that nothing ties to what is held, nor glue could."""
        kept = _together_with(held, self.could)
        return [part for part in lump if part in kept]

    def _passed_on(self, loads: Array, parts: Sequence[str], there: Sequence[str]) -> Array:
        """(n, 6) the loads, those on things that lie loose on or within others put on what these lie on: what
        lies farthest from what is held first."""
        found, held = loads.copy(), frozenset(there)
        left = self.could.subgraph(part for part in parts if part not in held)
        things = [frozenset(thing) for thing in nx.connected_components(left)]
        bears = {thing: self._bearing(thing) for thing in things}
        layers, carried = [], held
        while layer := [
            thing
            for thing in things
            if not thing <= carried and any(end in carried for end, _ in bears[thing])
        ]:
            layers.append([(thing, [by for by in bears[thing] if by[0] in carried]) for thing in layer])
            carried = carried.union(*layer)
        for thing, under in (each for layer in reversed(layers) for each in layer):
            rows = [self.footing.row[part] for part in sorted(thing)]
            force = found[rows, :3].sum(axis=0)
            turns = found[rows, 3:] + np.cross(self.footing.centre[rows], found[rows, :3])
            borne = _borne(under, force, turns.sum(axis=0))
            for (end, _), part in zip(under, borne, strict=True):
                row = self.footing.row[end]
                lever = np.cross(self.footing.centre[rows] - self.footing.centre[row], found[rows, :3])
                found[row, :3] += part * force
                found[row, 3:] += part * (found[rows, 3:] + lever).sum(axis=0)
        return found

    def _bearing(self, thing: frozenset[str]) -> list[tuple[str, JointEntry]]:
        """What a thing lies on or within, by each joint; nothing, where one of it is not meant to move."""
        own = [joint for part in sorted(thing) for joint in self.footing.joints_of.get(part, [])]
        outward = [joint for joint in own if not thing.issuperset((joint.a, joint.b))]
        if not all(joint.moves for joint in outward):
            return []
        return [(end, joint) for joint in outward for end in (joint.a, joint.b) if end not in thing]

    def _fares(
        self,
        lot: Lot,
        cases: Sequence[Handling],
        parts: Sequence[str],
        strength: Mapping[str, float],
    ) -> None:
        """As the plan says: all hold, or so many give way, the worst of them by as much as is told."""
        told, (kind, step, _) = self.told.get(lot), lot
        at = step or None
        there = self._there(kind, parts, cases[0].held)
        found = []
        for each in cases:
            own = there if each.parts is None else self._of_lump(each.parts, each.held)
            loads = self.safety * self._passed_on(each.loads, each.parts or parts, own)
            found.append(self.footing.bears(own, loads, each.held, strength, each.on_table))
        self.check.looked_at += len(cases)
        if told is not None and told.ways != len(cases):
            self.check.fault(f"{kind}: {told.ways} ways are told of, and there are {len(cases)}", at)
        shares = [each.share for each in found]
        worst = min(range(len(cases)), key=lambda row: (found[row].settled, shares[row]))
        held, text = cases[worst].held, f"{cases[worst].words}: {found[worst].said('what is asked')}"
        allowed = 0 if told is None else told.fails + told.unknown
        if sum(share < ENOUGH for share in shares) > allowed:
            self.check.fault(f"{text}: it comes apart, and the plan does not say so", at, held)
        elif told is not None and told.fails and not told.unknown and not _as_told(told, shares[worst]):
            self.check.fault(f"{text}, and the plan says {_says(told)}", at, held)

    def _warnings(self) -> None:
        """What is told of the cases, and what the plan warns of, are the same."""
        fails = sorted(each.step for each in self.plan.cases if each.fails)
        warned = sorted(each.step for each in self.plan.problems if each.code == "cannot-hold")
        unknown = any(each.unknown for each in self.plan.cases)
        if fails != warned or unknown != any(each.code == "not-worked-out" for each in self.plan.problems):
            self.check.fault("the plan warns of other load cases than it tells of")

    # ------------------------------------------------------------------ what is done

    def _makers(self) -> dict[LoadCaseName, Callable[[float], Iterator[Handling]]]:
        return {
            "shelf": self._standing,
            "base": self._lifted,
            "body": self._by_its_body,
            "tilt": self._tilted,
            "knock": lambda graver: self._shaken("knocked sideways", KNOCK_G, graver),
            "car": lambda graver: self._shaken("taken by car", CAR_G, graver),
            "pull": self._pulled,
        }

    def _standing(self, graver: float) -> Iterator[Handling]:
        yield Handling("standing on its shelf", graver * self._weight(self.up), (), self.up)

    def _lifted(self, graver: float) -> Iterator[Handling]:
        ends = self._ends("base")
        yield Handling(f"lifted by {' and '.join(ends)}", graver * self._weight(self.up), ends)

    def _by_its_body(self, graver: float) -> Iterator[Handling]:
        """By the parts above the lowest that are farthest out to each side, for how much higher or lower they
        are than the middle of the weight; and so each lump that only lies on or within others, by which the
        model is not picked up."""
        things, loads = loose_things(self.plan), self._weight(self.up)
        lying = set(self.base).union(*things)
        names = [name for name in self.parts if name not in lying]
        if names:
            sides = self._as_good(("body", 0, ""), names, self._off_level(names, self.parts), self.up)
            yield Handling(f"picked up by {' and '.join(sides)}", graver * loads, sides)
        for lump in (thing for thing in things if len(thing) > 1):
            sides = _outermost(self.footing, lump, self._off_level(lump, lump), self.up)
            words = f"picked up by itself, by {' and '.join(sides)}"
            yield Handling(words, graver * loads, sides, parts=lump)

    def _off_level(self, names: Sequence[str], lifted: Sequence[str]) -> Array:
        """(k,) mm by which parts are higher or lower than the middle of what is lifted."""
        mass = self.footing.mass[[self.footing.row[name] for name in lifted]]
        middle = mass @ _centres(self.footing, lifted) / mass.sum()
        off: Array = np.abs((_centres(self.footing, names) - middle) @ self.up)
        return off

    def _tilted(self, graver: float) -> Iterator[Handling]:
        angle, ends = np.radians(DOOR_DEG), self._ends("tilt")
        for way in _ways_round(self.up):
            aslant = np.cos(angle) * self.up - np.sin(angle) * way
            yield Handling("tilted through a door", graver * self._weight(aslant), ends)

    def _shaken(self, words: str, g: float, graver: float) -> Iterator[Handling]:
        for way in _ways_round(self.up):
            yield Handling(words, graver * (self._weight(self.up) + g * self._weight(-way)), self.base)

    def _pulled(self, graver: float) -> Iterator[Handling]:
        """By a child, at any part, each way."""
        sizes = {shape.id: max(shape.size_mm) for shape in self.plan.shapes}
        ways = [*_ways_round(self.up), self.up, -self.up]
        for part in self.plan.parts:
            if part.id in set(self.base):
                continue
            force = graver * (SMALL_PULL_N if sizes[part.shape] <= SMALL_MM else PULL_N)
            for way in ways:
                loads = self._weight(self.up)
                loads[self.footing.row[part.id], :3] += force * way
                yield Handling(f"pulled at {part.id}", loads, self.base)

    def _over(self, event: TurnedBuild) -> list[Handling]:
        """Half way through a turn, and where it ends; held by the ends of what it stood on."""
        before, up = np.array(event.before), np.array(event.up)
        lot: Lot = ("turn", event.step, event.assembly)
        held = self._as_good(lot, self._lowest(event.parts, before), None, before)
        middle = before + up
        far = np.linalg.norm(middle)
        ways = (middle / far if far > 0.1 else axes_across(before)[:, 0], up)
        words = f"turned before step {event.step}"
        return [Handling(words, factor(self.plan, "turn") * self._weight(way), held) for way in ways]

    # ------------------------------------------------------------------ what it is made of

    def _weight(self, up: Array) -> Array:
        return weights(self.footing.mass, up)

    def _lowest(self, parts: Sequence[str], up: Array) -> list[str]:
        """The parts that stand on the table, as flat as any are printed."""
        stander = self.footing.stander
        return stander.on_table(parts, up, stander.lowest(parts, up), ON_TABLE_LEAST_MM)

    def _ends(self, kind: LoadCaseName) -> tuple[str, ...]:
        """The two parts farthest apart of those that stand on the table."""
        return self._as_good((kind, 0, ""), self.base, None, self.up)

    def _as_good(self, lot: Lot, names: Sequence[str], nearer: Array | None, up: Array) -> tuple[str, ...]:
        """The parts that the plan says are held, where they are as far out as any; else those that are."""
        near = np.zeros(len(names)) if nearer is None else nearer
        told, own = self.told.get(lot), _outermost(self.footing, names, near, up)
        if told is None or not set(told.held) <= set(names) or not told.held:
            return own
        rows = [names.index(name) for name in told.held]
        across = _centres(self.footing, names) @ axes_across(up)
        spread = np.ptp(across, axis=0)
        for out in across.T[spread >= spread.max() - SAME_REACH_MM]:  # of both sides where they are as long
            short = (
                (out + near)[rows].min() - (out + near).min(),
                (out - near).max() - (out - near)[rows].max(),
            )
            if len(rows) <= 2 and max(short) <= SAME_REACH_MM:
                return told.held
        return own


def _borne(under: Sequence[tuple[str, JointEntry]], force: Array, turns: Array) -> Array:
    """(k,) how much of a load, whose moment about the origin is ``turns``, each of what it lies on bears: in
    balance about the middles of what the plan says they touch with, faces pushing one way only, and of all
    such shares the most even."""
    able, size = [], float(np.linalg.norm(force))
    for row, (end, joint) in enumerate(under):
        for touch in joint.touches:
            out = np.array(touch.axis) * (1.0 if touch.carrier == end else -1.0)
            if touch.kind != "rest" or float(out @ force) < -LEANS * size:
                able.append((row, np.cross(np.array(touch.point), force)))
    if not able or size == 0.0:
        return np.full(len(under), 1.0 / len(under))
    levers = np.array([lever for _, lever in able]) - turns
    levers /= max(float(np.abs(levers).max()), 1e-9)
    system = np.vstack([levers.T, np.full(len(able), WHOLE), EVENLY * np.eye(len(able))])
    asked = np.concatenate([np.zeros(3), [WHOLE], np.zeros(len(able))])
    share = lsq_linear(system, asked, (0.0, np.inf), method="bvls").x
    found: Array = np.bincount([row for row, _ in able], share / share.sum(), len(under)).astype(float)
    return found


def loose_things(plan: PlanFile) -> list[list[str]]:
    """The parts of each thing that nothing grips, but of the heaviest of what touches."""
    loose = [thing for _, *things in lots(plan, rigid(plan)) for thing in things]
    return [[part.id for part in plan.parts if part.id in thing] for thing in loose]


def _as_told(told: CaseEntry, share: float) -> bool:
    """Whether a case gives way by as much as is told, as near as two reckonings agree."""
    if told.times is None:
        return share < ENOUGH
    if told.at_least:
        return told.times * share <= 1 / ENOUGH
    return ENOUGH <= told.times * share <= 1 / ENOUGH or (share >= 1.0 and told.times <= 1 / ENOUGH)


def _says(told: CaseEntry) -> str:
    most = "at most " if told.at_least else ""
    return "that nothing would hold it" if told.times is None else f"{most}{1 / told.times:.0%}"


def _together_with(held: Iterable[str], tied: nx.Graph) -> frozenset[str]:
    """The parts that are tied, through others or not, to one of those held."""
    return frozenset(part for each in held for part in nx.node_connected_component(tied, each))


def _glue_settings(plan: PlanFile) -> Mapping[str, Any]:
    found = plan.settings.get("glue", {})
    return found if isinstance(found, Mapping) else {}


def _ways_round(up: Array) -> list[Array]:
    across = axes_across(up)
    angles = 2 * np.pi * np.arange(AROUND) / AROUND
    return [np.cos(angle) * across[:, 0] + np.sin(angle) * across[:, 1] for angle in angles]


def _centres(footing: Footing, names: Sequence[str]) -> Array:
    return footing.centre[[footing.row[name] for name in names]]


def _outermost(footing: Footing, names: Sequence[str], nearer: Array, up: Array) -> tuple[str, ...]:
    """Of parts the one farthest to each side along the side on which they spread most, each counting as so
    much ``nearer`` (k,), mm."""
    across = _centres(footing, names) @ axes_across(up)
    out = across[:, int(np.argmax(np.ptp(across, axis=0).round(6)))]
    ends = {int(np.argmin((out + nearer).round(6))), int(np.argmax((out - nearer).round(6)))}
    return tuple(names[end] for end in sorted(ends))
