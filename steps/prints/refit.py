"""Move stud, peg and ball surfaces radially so that their joints reach a chosen fit.

Only vertices on the found features move, and level faces round their feet are cut anew where they
would fold, so a watertight mesh stays watertight. Studs move by one amount: the middle between their
widest and their narrowest gap lands on the middle of the wanted class.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from steps.fit import classify, limits
from steps.model import Array, Feature, Fit, Joints, Measures, Model, Problem, Shape, Touch
from steps.prints.planes import replaned
from steps.settings import Settings
from steps.wording import Wording

#: A vertex is on a feature's surface within this share of its radius, or of its height.
ON_SURFACE = 0.02
#: Vertices above the foot and further out than this share of the radius belong to the side or its chamfer.
SIDE_SHARE = 0.6
#: "tight" aims this far below its limit, "loose" beyond its own (mm per side).
BEYOND_MM = 0.05
#: Needs that agree to so many digits (mm) are one.
ALIKE_DIGITS = 2
#: What is moved: kinds of touch, and of the feature that carries it. Pegs that turn are left to turn.
MOVED = ("stud", "peg", "ball")


@dataclass(frozen=True)
class Change:
    """One shape's features of one kind, moved outwards by ``delta_mm`` (negative: inwards)."""

    shape: str
    name: Wording | str
    kind: str
    count: int
    delta_mm: float
    gap_before_mm: tuple[float, float]  #: least and greatest of its joints
    gap_after_mm: tuple[float, float]

    def __str__(self) -> str:
        low, high = self.gap_after_mm
        return (
            f"{self.shape} {self.name}: {self.count} {self.kind}{'s' if self.count > 1 else ''} moved by "
            f"{self.delta_mm:+.2f} mm a side; gaps now {low:.2f} to {high:.2f} mm"
        )


@dataclass(frozen=True, eq=False)
class Refit:
    """The model with new shapes, and what was changed."""

    model: Model
    changes: tuple[Change, ...]
    problems: tuple[Problem, ...]


def wanted_gap(fit: Fit, settings: Settings, kind: str = "stud") -> float:
    """Gap per side in the middle of a class, mm. Raises ValueError for "none"."""
    limit = limits(settings, kind)
    middle = {
        "tight": limit.tight_below - BEYOND_MM,
        "press": (limit.tight_below + limit.press_below) / 2,
        "slide": (limit.press_below + limit.slide_below) / 2,
        "loose": limit.slide_below + BEYOND_MM,
    }
    if fit not in middle:
        raise ValueError(f"{fit!r} is not a fit to aim at; one of {', '.join(middle)}")
    return middle[fit]


@dataclass(frozen=True, eq=False)
class _Group:
    """Features of one shape and kind that move alike, and the contacts they make."""

    features: tuple[Feature, ...]
    touches: tuple[Touch, ...]

    @property
    def gaps(self) -> tuple[float, float]:
        gaps = [touch.gap_mm for touch in self.touches]
        return min(gaps), max(gaps)

    @property
    def middle(self) -> float:
        return sum(self.gaps) / 2


def refit(model: Model, measures: Measures, joints: Joints, fit: Fit, settings: Settings) -> Refit:
    """Bring stud, peg and ball joints of ``model`` to ``fit``.

    A shape's features move alike where that serves all of them, else each by its own need. Those whose
    contacts are too unlike, or whose surface would fold, are named in ``problems``.
    """
    changes: list[Change] = []
    problems: list[Problem] = []
    shapes = {shape.id: shape for shape in model.shapes}
    for (key, kind), touches in _touches(model, joints).items():
        measure, target = measures.by_shape[key], wanted_gap(fit, settings, kind)
        features = tuple(each for each in measure.features if each.kind == kind)
        for group in _groups(model, features, touches, fit, settings):
            (low, high), delta = group.gaps, group.middle - target
            change = Change(
                key, measure.name, kind, len(group.features), delta, (low, high), (low - delta, high - delta)
            )
            moved = moved_shape(shapes[key], group.features, delta) if features else None
            fault = _fault(change, moved is not None, fit, settings)
            if fault is not None:
                parts = tuple(part.id for part in model.parts if part.shape == key)
                problems.append(replace(fault, parts=parts))
            if moved is not None:
                shapes[key] = moved
                changes.append(change)
    return Refit(replace(model, shapes=tuple(shapes.values())), tuple(changes), tuple(problems))


def _groups(
    model: Model, features: tuple[Feature, ...], touches: Sequence[Touch], fit: Fit, settings: Settings
) -> list[_Group]:
    """All features of a kind together if one move serves them; else those alike in need together.

    Features that meet nothing go with the nearest that do and point the same way.
    """
    whole = _Group(features, tuple(touches))
    delta = whole.middle - wanted_gap(fit, settings, touches[0].kind)
    served = {classify(gap - delta, settings, touches[0].kind) for gap in whole.gaps} == {fit}
    if served or len(features) < 2:
        return [whole]
    met: dict[int, list[Touch]] = defaultdict(list)
    for touch in touches:
        met[_nearest(model, features, touch)].append(touch)
    need = {row: round(_Group((), tuple(met[row])).middle, ALIKE_DIGITS) for row in met}
    alike: dict[float, list[int]] = defaultdict(list)
    for row in range(len(features)):
        alike[need[_most_like(features, row, sorted(met))]].append(row)
    return [
        _Group(
            tuple(features[row] for row in sorted(rows)),
            tuple(touch for row in sorted(rows) for touch in met.get(row, ())),
        )
        for _, rows in sorted(alike.items())
    ]


def _nearest(model: Model, features: Sequence[Feature], touch: Touch) -> int:
    """Row of the feature that makes a contact."""
    pose = model.part_by_id[touch.carrier].pose
    point = (touch.point - pose[:3, 3]) @ pose[:3, :3]
    middles = np.array([each.point + each.height_mm / 2 * each.axis for each in features])
    return int(np.argmin(np.linalg.norm(middles - point, axis=1)))


def _most_like(features: Sequence[Feature], row: int, among: Sequence[int]) -> int:
    """That of the rows ``among`` whose feature points most the same way, then is nearest."""
    one = features[row]

    def unlike(other: int) -> tuple[float, float]:
        lean = round(1 - float(features[other].axis @ one.axis), 3)
        return lean, float(np.linalg.norm(features[other].point - one.point).round(3))

    return min(among, key=unlike)


def _fault(change: Change, moved: bool, fit: Fit, settings: Settings) -> Problem | None:
    """What is wrong with a change, if anything."""
    who, code = f"{change.shape} {change.name}", "cannot-refit"
    low, high = change.gap_after_mm
    which = f"{change.count} {change.kind}{'s' if change.count > 1 else ''}"
    if not change.count:
        text = f"{who}: its {change.kind} was not found on the mesh itself; left as it is."
    elif not moved:
        text = (
            f"{who}: moving {which} by {change.delta_mm:+.2f} mm a side would run into the edge or a "
            f"neighbour; left as before, with a gap of {change.gap_before_mm[0]:.2f} mm."
        )
    elif {classify(gap, settings, change.kind) for gap in (low, high)} != {fit}:
        code = "uneven-refit"
        text = (
            f"{who}: what {which} must fit differs by {high - low:.2f} mm from place to place, so not all "
            f"can become {fit}; gaps now {low:.2f} to {high:.2f} mm."
        )
    else:
        return None
    return Problem(code, "warning", (), text)


def _touches(model: Model, joints: Joints) -> Mapping[tuple[str, str], list[Touch]]:
    """Touches by the carrier's shape and their kind, in shape order."""
    found: dict[tuple[str, str], list[Touch]] = defaultdict(list)
    for joint in joints.joints:
        for touch in joint.touches:
            turns = touch.kind == "peg" and joint.moves
            if touch.kind in MOVED and touch.grips and not turns:
                found[model.part_by_id[touch.carrier].shape, touch.kind].append(touch)
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
