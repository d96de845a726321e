"""What a child builds of what is glued: it closes the joints dry, and an adult opens them again and glues.

A run is a row of steps of one sub-assembly that a child can do, that stand without the glue of any of them,
and that a child could take apart again. It is done twice: step by step by the child, then, opened from its
end, by the adult, one step for each that glues. What is only pressed on in between goes back in with the
next that is glued.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import groupby

from steps.glue.cases import SAME_UP, turn_words
from steps.model import Gluing, Order, Problem, Step
from steps.sequence import BuildSequence, Moment
from steps.settings import Settings
from steps.settle.holds import final_holds
from steps.statics import Structure
from steps.strength import child_pull_n, who_pushes

#: Kinds of joint that snap.
SNAPPING = ("ball", "hinge")


@dataclass(frozen=True, eq=False)
class Rehearsal:
    """An order with the runs done twice. ``was``: number of each of its steps -> that of the step it comes
    from, two for each that is done twice; ``now`` the other way: where that step is done for good."""

    order: Order
    was: Mapping[int, int]

    @cached_property
    def now(self) -> Mapping[int, int]:
        return {old: new for new, old in self.was.items()}

    def told(self, gluing: Gluing) -> Gluing:
        """The gluing with the numbers of this order's steps."""
        turns = {each.step for each in gluing.tried if each.step}
        return replace(
            gluing,
            problems=tuple(self._renumbered(problem, turns) for problem in gluing.problems),
            whys={joint: self._said(why, turns) for joint, why in gluing.whys.items()},
            turns_early=frozenset((self.now[step], thing) for step, thing in gluing.turns_early),
            tried=tuple(replace(each, step=self.now.get(each.step, 0)) for each in gluing.tried),
        )

    def _renumbered(self, problem: Problem, turns: AbstractSet[int]) -> Problem:
        text = self._said(problem.text, turns)
        return replace(problem, step=self.now.get(problem.step, 0), text=text)

    def _said(self, text: str, turns: AbstractSet[int]) -> str:
        if not turns:
            return text
        told = {turn_words(old): turn_words(self.now[old]) for old in turns}
        longest = sorted(told, key=len, reverse=True)
        return re.sub(rf"({'|'.join(map(re.escape, longest))})\b", lambda found: told[found[0]], text)


def rehearsed(structure: Structure, order: Order, gluing: Gluing, settings: Settings) -> Rehearsal:
    """The order with all that a child can do of it done by a child first; as it is where nothing is."""
    sequence = BuildSequence.of(structure.model, order)
    told = {problem.step for problem in gluing.problems}  # turns that are too much for the joints
    able = {
        moment.step.number
        for moment in sequence.moments
        if moment.step.number not in told and _comes_apart(structure, moment, settings)
    }
    if not gluing.glued or any(step.doubtful for step in order.steps):
        able = set()
    able = _standing(structure, sequence, gluing.glued, able)
    steps: list[Step] = []
    was: dict[int, int] = {}
    for run, twice in _runs(order.steps, able, gluing.glued):
        for old, step in _twice(run, gluing.glued, len(steps) + 1) if twice else _once(run, len(steps) + 1):
            was[step.number] = old
            steps.append(step)
    return Rehearsal(replace(order, steps=tuple(steps)), was)


def _comes_apart(structure: Structure, moment: Moment, settings: Settings) -> bool:
    """Whether a child can close all that the step closes, and open it again: no snap, nothing that moves, and
    each thing held by no more than a child pulls even where the fit came out tight. What turns the build
    first is done once."""
    step, by_id = moment.step, structure.joints.by_id
    if moment.previous is not None and float(moment.previous.up @ step.up) < SAME_UP:
        return False
    if step.attaches or any(arrival.move.turn is not None for arrival in moment.arrivals):
        return False
    if who_pushes(step.needs_push_n, child_years=settings.child_years) != "child":
        return False
    closed = [by_id[name] for name in step.closes]
    if any(joint.moves or joint.snap_mm > 0 or joint.kind in SNAPPING for joint in closed):
        return False
    turn = {part: n for n, arrival in enumerate(moment.arrivals) for part in arrival.parts}
    held = [0.0] * len(moment.arrivals)
    for joint in closed:
        held[max(turn.get(joint.a, -1), turn.get(joint.b, -1))] += joint.hold_high_n
    return max(held, default=0.0) <= child_pull_n(settings.child_years)


def _standing(
    structure: Structure, sequence: BuildSequence, glued: AbstractSet[str], able: AbstractSet[int]
) -> set[int]:
    """Those of the steps after which the build stands with no hand on it, where none of them is glued.

    What falls is glued at once, the first ones alone, since their glue may be all that later ones lack: one
    of each sub-assembly, then two, then four, so that it is not looked at too often.
    """
    able, several = set(able), 1
    while able:
        own = [moment for moment in sequence.moments if moment.step.number in able]
        dry = {name for moment in own for name in moment.step.closes}
        held = final_holds(structure, sequence, glued - dry)
        falls: dict[str, list[int]] = {}
        for moment in own:
            if held[moment.step.number]:
                falls.setdefault(moment.assembly.id, []).append(moment.step.number)
        if not falls:
            break
        able -= {number for numbers in falls.values() for number in numbers[:several]}
        several *= 2
    return able


def _runs(
    steps: Sequence[Step], able: AbstractSet[int], glued: AbstractSet[str]
) -> Iterator[tuple[Sequence[Step], bool]]:
    """All steps in turn: runs of the able ones, from one that glues to one that glues, which are done twice;
    and the others."""
    for alike, group in groupby(steps, lambda step: (step.number in able, step.assembly, step.up.tobytes())):
        row = list(group)
        gluing = [n for n, step in enumerate(row) if glued & set(step.closes)] if alike[0] else []
        ends = (gluing[0], gluing[-1] + 1) if gluing else (len(row), len(row))
        yield from ((row[: ends[0]], False), (row[ends[0] : ends[1]], True), (row[ends[1] :], False))


def _once(run: Sequence[Step], number: int) -> Iterator[tuple[int, Step]]:
    """The steps as they are, numbered on; each with the number that it had."""
    for at, step in enumerate(run):
        yield step.number, replace(step, number=number + at)


def _twice(run: Sequence[Step], glued: AbstractSet[str], number: int) -> Iterator[tuple[int, Step]]:
    """The steps of a run closed dry, and those that glue once more; each with the number that it had."""
    for at, step in enumerate(run):
        dry = tuple(name for name in step.closes if name in glued)
        closes = tuple(name for name in step.closes if name not in glued)
        yield step.number, replace(step, number=number + at, closes=closes, dry=dry)
    again: list[Step] = []
    last = number + len(run)
    for at, step in enumerate(run):
        again.append(replace(step, number=number + at))
        glues = tuple(name for name in step.closes if name in glued)
        if glues:
            opened, push = tuple(each.number for each in again), max(each.needs_push_n for each in again)
            glued_in = replace(step, number=last, adds=(), moves={}, closes=glues, reopens=opened)
            yield step.number, replace(glued_in, needs_push_n=push, note="")
            again, last = [], last + 1


__all__ = ["Rehearsal", "rehearsed"]
