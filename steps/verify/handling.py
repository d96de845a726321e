"""That the finished model bears what is done to it, all glue hard: the load cases for which the plan was
made, by the verifier's own balance of struts. How it stands by itself, and what turning it asks, is watched
while the steps are replayed.

What a case is, how grave, and which each aim asks for is the glue stage's own definition; where hands take
hold and what then carries what is found here anew.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from steps.glue.cases import AROUND, CAR_G, DOOR_DEG, KNOCK_G, OF_AIM, PULL_N, SMALL_MM, SMALL_PULL_N
from steps.model import Array
from steps.planfile import PlanFile
from steps.settings import LoadCaseName
from steps.statics.flat import axes_across
from steps.verify.balance import weights
from steps.verify.footing import ENOUGH, Footing
from steps.verify.report import Check

#: Name of the check, and what it looks at.
HANDLED = ("load cases", "cases")
#: So far down no part reaches the table.
NO_TABLE_MM = -1e9
#: What the plan itself may say of a model that does not bear what is asked.
TOLD = frozenset(
    {"cannot-hold", "not-worked-out", "too-much-at-once", "not-one-piece", "comes-off", "falls-off"}
)


@dataclass(frozen=True, eq=False)
class Handling:
    """One thing that is done to the model: loads (n, 6) about each part's middle, N and N mm, the parts that
    are held fast meanwhile, and which way is up."""

    words: str
    up: Array
    loads: Array
    held: Sequence[str]


def check_handling(plan: PlanFile, footing: Footing) -> Check:
    """Nothing comes apart in any of the load cases of the plan; where the plan says itself that something
    does, or makes several pieces, there is nothing to ask."""
    check = Check(*HANDLED)
    told = bool(TOLD & {problem.code for problem in plan.problems})
    if told or plan.pieces != 1 or not plan.steps:
        check.remark = "the plan says itself that it does not hold" if told else "not asked of it"
        return check
    parts = [part.id for part in plan.parts]
    glued = frozenset(joint.id for joint in plan.joints if joint.mark == "glue")
    for case in _handlings(plan, footing):
        check.looked_at += 1
        more = case.loads - weights(footing.mass, case.up)
        push = more if np.abs(more).max() > 0 else None
        share = footing.carries(parts, case.up, NO_TABLE_MM, glued, case.held, push)
        if share < ENOUGH:
            text = f"{case.words} it comes apart: it bears {max(share, 0.0):.0%} of what is asked"
            check.fault(text, parts=case.held)
    return check


def factor(plan: PlanFile, kind: LoadCaseName) -> float:
    """How grave a case is in the plan's settings; 0 where it is not asked."""
    usual = 1.0 if kind in OF_AIM[plan.settings.get("aim", "one-piece")] else 0.0
    glue: Any = plan.settings.get("glue", {})
    cases: Any = glue.get("cases", {}) if isinstance(glue, Mapping) else {}
    return float(cases.get(kind, usual)) if isinstance(cases, Mapping) else usual


def ends_of(footing: Footing, names: Sequence[str], up: Array) -> tuple[str, ...]:
    """The two parts farthest apart of those that stand on the table."""
    base = footing.stander.on_table(names, up, footing.stander.lowest(names, up))
    return _outermost(footing, base, np.zeros(len(base)), up)


def _handlings(plan: PlanFile, footing: Footing) -> Iterator[Handling]:
    up, names = np.array(plan.steps[-1].up), [part.id for part in plan.parts]
    base = footing.stander.on_table(names, up, footing.stander.lowest(names, up))
    ends = ends_of(footing, names, up)
    weight = weights(footing.mass, up)
    makers: dict[LoadCaseName, Callable[[], Iterator[Handling]]] = {
        "base": lambda: iter([Handling(f"lifted by {' and '.join(ends)}", up, weight, ends)]),
        "body": lambda: _by_its_body(footing, [name for name in names if name not in set(base)], up),
        "tilt": lambda: _tilted(footing, ends, up),
        "knock": lambda: _shaken(footing, "knocked sideways", KNOCK_G, base, up),
        "car": lambda: _shaken(footing, "taken by car", CAR_G, base, up),
        "pull": lambda: _pulled(plan, footing, base, up),
    }
    for kind, make in makers.items():
        graver = factor(plan, kind)
        for case in make() if graver > 0 else ():
            yield Handling(case.words, case.up, graver * case.loads, case.held)


def _by_its_body(footing: Footing, names: Sequence[str], up: Array) -> Iterator[Handling]:
    """By the parts above the lowest that are farthest out to each side, for how much higher or lower they are
    than the middle of the weight."""
    if names:
        middle = footing.mass @ footing.centre / footing.mass.sum()
        level = np.abs((_centres(footing, names) - middle) @ up)
        sides = _outermost(footing, names, level, up)
        yield Handling(f"picked up by {' and '.join(sides)}", up, weights(footing.mass, up), sides)


def _tilted(footing: Footing, ends: Sequence[str], up: Array) -> Iterator[Handling]:
    angle = np.radians(DOOR_DEG)
    for way in _ways_round(up):
        aslant = np.cos(angle) * up - np.sin(angle) * way
        yield Handling("tilted through a door", aslant, weights(footing.mass, aslant), ends)


def _shaken(footing: Footing, words: str, g: float, base: Sequence[str], up: Array) -> Iterator[Handling]:
    for way in _ways_round(up):
        loads = weights(footing.mass, up) + g * weights(footing.mass, -way)
        yield Handling(words, up, loads, base)


def _pulled(plan: PlanFile, footing: Footing, base: Sequence[str], up: Array) -> Iterator[Handling]:
    """By a child, at any part, each way."""
    sizes = {shape.id: max(shape.size_mm) for shape in plan.shapes}
    ways = [*_ways_round(up), up, -up]
    for part in plan.parts:
        if part.id in set(base):
            continue
        force = SMALL_PULL_N if sizes[part.shape] <= SMALL_MM else PULL_N
        for way in ways:
            loads = weights(footing.mass, up)
            loads[footing.row[part.id], :3] += force * way
            yield Handling(f"pulled at {part.id}", up, loads, base)


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
