"""Which joints may be glued at all, and which the user forces, forbids or keeps removable."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from steps.model import Joint, Joints, Model, Problem
from steps.settings import Settings


@dataclass(frozen=True)
class Wishes:
    """Joint ids. ``free``: moves or must open, never glued and marked so; ``never``: forbidden by the user;
    ``forced``: glued whatever the loads say; ``may``: all that can be glued."""

    free: frozenset[str]
    never: frozenset[str]
    forced: frozenset[str]
    may: frozenset[str]
    problems: tuple[Problem, ...]


def read_wishes(model: Model, joints: Joints, settings: Settings) -> Wishes:
    """The joints by what may happen to them. A wish that names nothing, or that cannot be, is a problem."""
    names = _names(model)
    problems: list[Problem] = []
    removable = _parts(settings.glue.removable, names, problems, "removable")
    free = {joint.id for joint in joints.joints if joint.moves or {joint.a, joint.b} & removable}
    never = _pairs(settings.glue.never, names, joints, problems, "never")
    forced = _pairs(settings.glue.glue, names, joints, problems, "glue")
    for joint in sorted(forced & (free | never), key=lambda one: joints.by_id[one].id):
        problems.append(_refusal(joints.by_id[joint], joint in free))
    bondable = {joint.id for joint in joints.joints if joint.glue_area_mm2 > 0}
    may = bondable - free - never
    return Wishes(frozenset(free), frozenset(never), frozenset(forced & may), frozenset(may), tuple(problems))


def needs_glue(joint: Joint, wishes: Wishes) -> bool:
    """A first rule, before any load is known: a stud or peg that does not hold."""
    return joint.id in wishes.may and joint.kind in ("stud", "peg") and joint.fit in ("loose", "none")


def _refusal(joint: Joint, moves: bool) -> Problem:
    why = "it moves or must come off again" if moves else "it is also listed under never"
    text = f"{joint.id} ({joint.a} and {joint.b}) is not glued although asked for: {why}."
    return Problem("glue-refused", "warning", (joint.a, joint.b), text)


def _names(model: Model) -> Mapping[str, str]:
    """Part ids by the file's names and by the ids themselves; the file's names win."""
    return {part.id: part.id for part in model.parts} | {part.source: part.id for part in model.parts}


def _parts(wanted: Iterable[str], names: Mapping[str, str], problems: list[Problem], wish: str) -> set[str]:
    found = set()
    for name in wanted:
        if name in names:
            found.add(names[name])
        else:
            text = f"glue.{wish}: no part is called {name!r}. See `stepleaf inspect` for the names."
            problems.append(Problem("unknown-part", "warning", (), text))
    return found


def _pairs(
    wanted: Iterable[tuple[str, str]],
    names: Mapping[str, str],
    joints: Joints,
    problems: list[Problem],
    wish: str,
) -> set[str]:
    between = {frozenset((joint.a, joint.b)): joint.id for joint in joints.joints}
    found = set()
    for pair in wanted:
        parts = _parts(pair, names, problems, wish)
        if len(parts) < 2:
            continue
        joint = between.get(frozenset(parts))
        if joint is None:
            text = f"glue.{wish}: {pair[0]} and {pair[1]} do not touch, so there is no joint to name."
            problems.append(Problem("unknown-joint", "warning", tuple(sorted(parts)), text))
        else:
            found.add(joint)
    return found
