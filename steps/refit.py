"""Move stud, peg and ball surfaces radially so that their joints reach a chosen fit.

Only vertices on the found features move, and level faces round their feet are cut anew where they
would fold, so a watertight mesh stays watertight.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence, Set
from dataclasses import dataclass, replace

import numpy as np

from steps.aims import Pattern, Served, best_offset, offsets_for, pattern_of, served
from steps.features import measure
from steps.joints import find_joints
from steps.model import (
    Array,
    Change,
    Feature,
    FeatureKind,
    Fit,
    Joint,
    Joints,
    Measures,
    Model,
    Problem,
    Shape,
    Touch,
)
from steps.planes import replaned
from steps.settings import Settings

#: A vertex is on a feature's surface within this share of its radius, or of its height.
ON_SURFACE = 0.02
#: Vertices above the foot and further out than this share of the radius belong to the side or its chamfer.
SIDE_SHARE = 0.6
#: So many joints are named one by one.
NAMED = 4
#: What is moved: kinds of touch, and of the feature that carries it. Pegs that turn are left to turn.
MOVED: tuple[FeatureKind, ...] = ("stud", "peg", "ball")


@dataclass(frozen=True, eq=False)
class Refit:
    """The model with new shapes, measured and joined anew, and what was changed."""

    model: Model
    measures: Measures
    joints: Joints
    changes: tuple[Change, ...]
    problems: tuple[Problem, ...]
    unserved: tuple[str, ...] = ()  #: ids of the joints that do not fit as wanted


@dataclass(frozen=True, eq=False)
class _Group:
    """Features of one shape and kind that move alike, and the contacts they make."""

    features: tuple[Feature, ...]
    contacts: tuple[tuple[Joint, Touch], ...]
    delta: float
    unserved: tuple[Joint, ...]

    @property
    def gaps(self) -> tuple[float, float]:
        gaps = [touch.gap_mm for _, touch in self.contacts]
        return min(gaps), max(gaps)


def refit(
    model: Model,
    measures: Measures,
    joints: Joints,
    aim: Fit | float,
    settings: Settings,
    only: Set[str] | None = None,
) -> Refit:
    """Bring stud, peg and ball joints of ``model`` to the fit ``aim``, or make them all larger by ``aim``
    mm a side.

    A shape's features move alike where that serves all of them, else each by its own need. What came of it is
    measured on the new meshes: joints that do not fit as wanted, and features whose surface would fold, are
    named in ``problems``. With ``only`` some parts (ids) that are moved as all would be, and nothing else is
    joined anew.
    """
    shapes = {shape.id: shape for shape in model.shapes}
    done: list[tuple[Change, _Group, bool]] = []
    asked = None if only is None else {model.part_by_id[part].shape for part in only}
    for (key, kind), contacts in _contacts(model, joints).items():
        if asked is not None and key not in asked:
            continue
        size = measures.by_shape[key]
        features = tuple(each for each in size.features if each.kind == kind)
        for group in _groups(model, features, contacts, aim, settings):
            (low, high), delta = group.gaps, group.delta
            change = Change(
                key, size.name, kind, group.features, delta, (low, high), (low - delta, high - delta)
            )
            moved = moved_shape(shapes[key], group.features, delta) if features else None
            if moved is not None:
                shapes[key] = replace(moved, changes=(*moved.changes, change))
            done.append((change, group, moved is not None))
    made = replace(model, shapes=tuple(shapes.values()))
    if only is not None:
        parts = tuple(part for part in model.parts if part.id in only)
        own = {part.shape for part in parts}
        made = replace(made, shapes=tuple(shape for shape in made.shapes if shape.id in own), parts=parts)
    sizes = measure(made, settings)
    again = find_joints(made, sizes, settings)
    unserved = _unserved(
        joints, again, {id(touch) for _, group, _ in done for _, touch in group.contacts}, aim
    )
    problems = _problems(model, done, unserved, aim)
    changes = tuple(change for change, _, moved in done if moved)
    return Refit(made, sizes, again, changes, problems, tuple(joint.id for joint in unserved))


def _unserved(before: Joints, after: Joints, moved: Set[int], aim: Fit | float) -> list[Joint]:
    """The joints of what was moved that do not have the wanted class, or are not closed by hand."""
    if not isinstance(aim, str):
        return []
    now = {frozenset((joint.a, joint.b)): joint for joint in after.joints}
    left = []
    for joint in before.joints:
        if not any(id(touch) in moved for touch in joint.touches):
            continue
        found = now.get(frozenset((joint.a, joint.b)))
        if found is None or found.fit != aim or found.closes_by in ("clamp", "none"):
            left.append(joint)
    return left


def _problems(
    model: Model, done: Sequence[tuple[Change, _Group, bool]], unserved: Sequence[Joint], aim: Fit | float
) -> tuple[Problem, ...]:
    """What is wrong with each change, if anything; each joint is named once."""
    named: set[str] = set()
    found = []
    for change, group, moved in done:
        own = {joint.id for joint, _ in group.contacts} - named
        left = [joint for joint in unserved if joint.id in own]
        fault = _fault(change, moved, left, aim)
        if fault is not None:
            parts = tuple(part.id for part in model.parts if part.shape == change.shape)
            found.append(replace(fault, parts=parts))
            named.update(joint.id for joint in left)
    return tuple(found)


def _groups(
    model: Model,
    features: tuple[Feature, ...],
    contacts: Sequence[tuple[Joint, Touch]],
    aim: Fit | float,
    settings: Settings,
) -> list[_Group]:
    """All features of a kind together; those that point one way together, where that serves more joints."""
    if not isinstance(aim, str):
        return [_Group(features, tuple(contacts), float(aim), ())]
    offsets = offsets_for(touch.gap_mm for _, touch in contacts)
    found: dict[Pattern, Served] = {}
    for joint, _ in contacts:
        if pattern_of(joint) not in found:
            found[pattern_of(joint)] = served(joint, offsets, aim, settings)
    delta, count = best_offset(contacts, found, offsets)
    whole = _group(features, contacts, delta, found, offsets)
    if count == len(contacts) or not features:
        return [whole]
    met: dict[int, list[tuple[Joint, Touch]]] = defaultdict(list)
    for joint, touch in contacts:
        met[_nearest(model, features, touch)].append((joint, touch))
    ways: dict[tuple[float, ...], list[int]] = defaultdict(list)
    for row, feature in enumerate(features):
        ways[tuple(np.round(feature.axis, 2) + 0.0)].append(row)
    made = []
    for rows in ways.values():
        own = [contact for row in rows for contact in met.get(row, ())]
        move = best_offset(own, found, offsets)[0] if own else delta
        made.append(_group(tuple(features[row] for row in rows), own or list(contacts), move, found, offsets))
    fewer = sum(len(group.unserved) for group in made) < len(whole.unserved)
    return made if fewer else [whole]


def _group(
    features: tuple[Feature, ...],
    contacts: Sequence[tuple[Joint, Touch]],
    delta: float,
    found: Mapping[Pattern, Served],
    offsets: Array,
) -> _Group:
    """With the joints that its move does not serve."""
    at = int(np.argmin(np.abs(offsets - delta)))
    unserved = {}
    for joint, touch in contacts:
        one = found[pattern_of(joint)]
        row = next(i for i, each in enumerate(joint.touches) if each is touch)
        if not (one.touches[at, row] and one.whole[at]):
            unserved[joint.id] = joint
    return _Group(features, tuple(contacts), delta, tuple(unserved.values()))


def _nearest(model: Model, features: Sequence[Feature], touch: Touch) -> int:
    """Row of the feature that makes a contact."""
    pose = model.part_by_id[touch.carrier].pose
    point = (touch.point - pose[:3, 3]) @ pose[:3, :3]
    middles = np.array([each.point + each.height_mm / 2 * each.axis for each in features])
    return int(np.argmin(np.linalg.norm(middles - point, axis=1)))


def _fault(change: Change, moved: bool, left: Sequence[Joint], aim: Fit | float) -> Problem | None:
    """What is wrong with a change, if anything."""
    who, code = f"{change.shape} {change.name}", "cannot-refit"
    low, high = (round(gap, 2) + 0.0 for gap in change.gap_after_mm)
    which = f"{change.count} {change.kind}{'s' if change.count > 1 else ''}"
    if not change.count:
        text = f"{who}: its {change.kind} was not found on the mesh itself; left as it is."
    elif not moved:
        text = (
            f"{who}: moving {which} by {change.delta_mm:+.2f} mm a side would run into the edge or a "
            f"neighbour; left as before, with a gap of {change.gap_before_mm[0]:.2f} mm."
        )
    elif left:
        code = "uneven-refit"
        text = (
            f"{who}: what {which} must fit differs from place to place, so not every joint can become {aim}: "
            f"{_named(left)} will not; gaps now {low:.2f} to {high:.2f} mm."
        )
    else:
        return None
    return Problem(code, "warning", (), text)


def _named(joints: Sequence[Joint]) -> str:
    """The first few joints with how many contacts they have."""
    told = [f"{joint.id} ({joint.a} and {joint.b}, {joint.contacts} at once)" for joint in joints[:NAMED]]
    return ", ".join(told) + (f" and {len(joints) - NAMED} more" if len(joints) > NAMED else "")


def _contacts(model: Model, joints: Joints) -> Mapping[tuple[str, FeatureKind], list[tuple[Joint, Touch]]]:
    """Touches with their joints by the carrier's shape and their kind, in shape order."""
    found: dict[tuple[str, FeatureKind], list[tuple[Joint, Touch]]] = defaultdict(list)
    for joint in joints.joints:
        for touch in joint.touches:
            turns = touch.kind == "peg" and joint.moves
            if touch.kind in MOVED and touch.grips and not turns:
                found[model.part_by_id[touch.carrier].shape, touch.kind].append((joint, touch))
    rows = {shape.id: row for row, shape in enumerate(model.shapes)}
    return dict(sorted(found.items(), key=lambda entry: (rows[entry[0][0]], entry[0][1])))


def moved_shape(shape: Shape, features: Sequence[Feature], delta: float) -> Shape | None:
    """The shape with the features' surfaces moved outwards by ``delta`` mm.

    Where the long faces round a feature's foot would fold, that plane is cut into triangles anew.
    None when even its outline would cross itself: the feature runs into something.
    """
    vertices = np.array(shape.vertices)
    for feature in features:
        rows, outward = _surface(vertices, feature)
        vertices[rows] += delta * outward
    faces = replaned(shape.vertices, vertices, shape.faces)
    return None if faces is None else replace(shape, vertices=vertices, faces=faces)


def _surface(vertices: Array, feature: Feature) -> tuple[np.ndarray, Array]:
    """Rows of the vertices on a feature's surface, and their unit outward directions."""
    away = vertices - feature.point
    if feature.kind == "ball":
        far = np.linalg.norm(away, axis=1)
        rows = np.flatnonzero(np.abs(far - feature.radius_mm) < ON_SURFACE * feature.radius_mm)
        return rows, away[rows] / far[rows, None]
    along = away @ feature.axis
    away = away - along[:, None] * feature.axis
    far = np.linalg.norm(away, axis=1)
    slack = ON_SURFACE * feature.height_mm
    wall = np.abs(far - feature.radius_mm) < ON_SURFACE * feature.radius_mm
    inner = feature.bore_mm + SIDE_SHARE * (feature.radius_mm - feature.bore_mm)
    chamfer = (along > slack) & (far > inner) & (far < feature.radius_mm)
    rows = np.flatnonzero((along > -slack) & (along < feature.height_mm + slack) & (wall | chamfer))
    return rows, away[rows] / far[rows, None]
