"""Whether what a build file sets really seats, by the joints that are measured; and where it would."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from steps.canonical import Canonical
from steps.features import measure
from steps.joints import touching
from steps.model import Array, Joints, Model, Part, Problem
from steps.pipeline import Survey
from steps.place.build import Built, Set
from steps.place.poses import MISSES, matching, pose_at, way_told
from steps.place.poses import Spot as SeatSpot
from steps.place.seats import Seated
from steps.place.source import Word
from steps.progress import Tell, stage
from steps.settings import USUAL, Settings

#: Seats near the one that was meant that are tried, the nearest first.
TRIED = 24
#: Faults that mean that a part cannot be where it was set.
BLOCKED = ("overlap", "same-place")
#: A part set by coordinates this share of a pitch off a seat was meant to sit there.
MEANT = 0.6
#: Turns whose entries differ by less are one: 3 degrees.
AS_IT_IS = 0.05


def seated_survey(model: Model, settings: Settings, progress: Tell | None = None) -> Survey:
    """What engages what in a model at 1x, unjudged: enough to tell whether it seats."""
    here = Canonical.of(model)
    with stage(progress, "measure"):
        measures = measure(here.model, settings)
    with stage(progress, "joints"):
        joints = here.back(touching(here.model, measures))
        return Survey(model, here.measures_back(measures), joints)


def seating_problems(built: Built, found: Survey) -> list[Problem]:
    """Errors for lines that do not seat, with line and column, how far they miss and the nearest place that
    would; parts that hang in the air are not yet an error in a file that is being written."""
    assert found.joints is not None
    model = found.model
    row_of = {each.name: row for row, each in enumerate(built.sets)}
    blocked = _blocked(model, found.joints)
    tied = {frozenset((joint.a, joint.b)) for joint in found.joints.joints if joint.kind != "rest"}
    problems = []
    for row, each in enumerate(built.sets):
        part = model.parts[row].id
        rows = [model.index_of[other] for other in blocked.get(part, ())]
        earlier = [built.sets[other].name for other in rows if other < row]  # the later line is told of
        if earlier:
            text = f"{each.name} stands in {', '.join(earlier)}."
            problems.append(
                _problem(built, each.word, part, text + _nearest(built, each, row_of, earlier[0]))
            )
            continue
        loose = [on for on in each.on if frozenset((part, model.parts[row_of[on]].id)) not in tied]
        if loose and not each.by_map:
            text = (
                f"{each.name} does not hold on {', '.join(loose)}: no stud, peg or ball of the two engages."
            )
            problems.append(_problem(built, each.word, part, text + _nearest(built, each, row_of, loose[0])))
        elif not each.on and part not in {id_ for pair in tied for id_ in pair}:
            problems += _off_a_seat(built, each, row, part)
    return problems


def _problem(built: Built, word: Word, part: str, text: str) -> Problem:
    where = f"{built.file}, line {word.line}, column {word.column}: " if word.line else f"{built.file}: "
    return Problem("build-seat", "error", (part,), where + text)


def _blocked(model: Model, joints: Joints) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for problem in (*joints.problems, *model.problems):
        if problem.code in BLOCKED:
            first = problem.parts[0]
            for other in problem.parts[1:]:
                found.setdefault(first, []).append(other)
                found.setdefault(other, []).append(first)
    return found


def _nearest(built: Built, each: Set, row_of: dict[str, int], other: str) -> str:
    """The seat nearest to the one meant on which the part would hold and stand in nothing."""
    on = each.on[0] if each.on else other
    below = built.sets[row_of[on]]
    body, theirs = built.bodies[each.piece], built.bodies[below.piece]
    tried = sorted(_places(body, theirs, below, each.pose), key=lambda place: place[0])
    for _, pose, told in tried[:TRIED]:
        if _seats(built, each, pose):
            off = pose[:3, :3] @ body.shape.bounds.mean(axis=0) + pose[:3, 3]
            off = off - (each.pose[:3, :3] @ body.shape.bounds.mean(axis=0) + each.pose[:3, 3])
            return f" The nearest place where it seats is {told}{_moved(off)}."
    return f" No place near it on {below.name} is free; set it elsewhere."


def _moved(off: Array) -> str:
    """How far a part must be moved, if it must be moved and not only turned."""
    told = way_told(off)
    return f", {told}" if " to " in told or " up" in told or " down" in told else ""


def _places(
    body: Seated, other: Seated, below: Set, now: Array, within: float = np.inf
) -> Iterator[tuple[float, Array, str]]:
    """Poses on the studs of the part below, with how far each is from the one meant, and its line: of those
    that move the part, turned as it is, by no more than ``within``, all."""
    middle = body.shape.bounds.mean(axis=0)
    meant = now[:3, :3] @ middle + now[:3, 3]
    for face in other.faces:
        for at, seat in face.seats.items():
            fitting = matching(body, seat)
            if not fitting:
                continue
            own = fitting[0][0].seats[fitting[0][1]]
            spot = SeatSpot(below.name, other, below.pose, seat, "", Word(""))
            aside = spot.point - (now[:3, :3] @ own.point + now[:3, 3])
            if np.linalg.norm(aside) > within + 3 * AS_IT_IS * np.linalg.norm(own.point):
                continue
            for turn in range(4):
                pose = pose_at(body, own, spot, turn)
                off = float(np.linalg.norm(pose[:3, :3] @ middle + pose[:3, 3] - meant))
                turned = float(np.abs(pose[:3, :3] - now[:3, :3]).max())
                named = "" if face.name == "top" else f", face {face.name}"
                yield off + 1e-3 * turned, pose, f"stud {at[0]} {at[1]} of {below.name}, turn {turn}{named}"


def _seats(built: Built, each: Set, pose: Array) -> bool:
    """Whether a part holds there and stands in nothing, measured as any joint."""
    sets = [one for one in built.sets if one.name != each.name]
    shapes = tuple(
        {built.bodies[one.piece].shape.id: built.bodies[one.piece].shape for one in built.sets}.values()
    )
    low, high = _reach(built, replace(each, pose=pose))
    near = [one for one in sets if _meets(built, one, low, high)]
    placed = [*near, replace(each, pose=pose)]
    parts = tuple(
        Part(f"P{row}", one.name, built.bodies[one.piece].shape.id, one.colour, one.colour, one.pose)
        for row, one in enumerate(placed, 1)
    )
    model = Model("", "", "", 1.0, shapes, parts)
    joints = touching(model, measure(model, USUAL))
    last = parts[-1].id
    if any(problem.code in BLOCKED and last in problem.parts for problem in joints.problems):
        return False
    return any(joint.kind != "rest" and last in (joint.a, joint.b) for joint in joints.joints)


def _meets(built: Built, one: Set, low: Array, high: Array) -> bool:
    least, greatest = _reach(built, one)
    return bool((greatest > low).all() and (least < high).all())


def _reach(built: Built, one: Set) -> tuple[Array, Array]:
    """(3,), (3,) least and greatest corner of a part's box."""
    corners = built.bodies[one.piece].shape.outermost @ one.pose[:3, :3].T + one.pose[:3, 3]
    return corners.min(axis=0), corners.max(axis=0)


def _off_a_seat(built: Built, each: Set, row: int, part: str) -> list[Problem]:
    """A part at coordinates that nothing holds but that is near a seat."""
    body = built.bodies[each.piece]
    best: tuple[float, str, Array] | None = None
    low, high = _reach(built, each)
    for other in built.sets[:row]:
        theirs = built.bodies[other.piece]
        if not _meets(built, other, low - body.pitch, high + body.pitch):
            continue  # none of its seats is as near as one that was meant
        for _, pose, told in _places(body, theirs, other, each.pose, MEANT * body.pitch):
            off = pose[:3, 3] - each.pose[:3, 3]
            if np.abs(pose[:3, :3] - each.pose[:3, :3]).max() > AS_IT_IS:
                continue
            if best is None or np.linalg.norm(off) < best[0]:
                best = float(np.linalg.norm(off)), told, off
    if best is None or not MISSES * body.pitch < best[0] < MEANT * body.pitch:
        return []
    text = f"{each.name} misses its seat: it would have to move {way_told(best[2])} to sit on {best[1]}."
    return [_problem(built, each.word, part, text)]


def left_over_lines(built: Built) -> Sequence[str]:
    """What the file has not set yet, a line each."""
    return [
        f"{count} x {each.name}{f', {each.colour_word or each.colour}' if each.colour_by else ''}"
        for each, count in ((built.listed[row], count) for row, count in built.left_over.items())
    ]
