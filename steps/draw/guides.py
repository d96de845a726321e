"""Guide lines from where a lifted part is to where it goes, and the joint signs beside them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from renderer.picture import Sign, SignKind, Stroke
from renderer.table import PixelTable
from steps.draw.lift import Lifted
from steps.draw.sheet import Field, shown
from steps.model import Array, Joint, Mark, Touch

#: ISO 128-2 narrow long-dashed dotted line, shortened to suit ways of a centimetre: dash, gap, dot, gap (mm).
GUIDE_DASH_MM = (3.0, 0.75, 0.25, 0.75)
GUIDE_MM = 0.25
GUIDE_GREY = 0.1
#: Guides of one joint: its outermost contacts are enough to place a part.
MOST_GUIDES = 4
#: Step along a guide when looking for what hides it, and the shortest piece worth drawing (mm on paper).
GUIDE_STEP_MM, LEAST_PIECE_MM = 0.2, 0.5
#: Signs: size, distance from their guide, and least distance between two (mm on paper).
SIGN_MM, SIGN_ASIDE_MM, SIGN_APART_MM = 5.0, 4.2, 6.5

SIGN_OF_MARK: dict[Mark, SignKind] = {"press": "press", "glue": "glue", "free": "free"}


@dataclass(frozen=True, eq=False)
class Guide:
    """The way of one contact: world points (k, 3) from the lifted part to the seat."""

    joint: Joint
    way: Array
    thing: int  #: number of the lifted thing


def guides_of(lifted: Sequence[Lifted]) -> tuple[Guide, ...]:
    """The guides of all lifted things."""
    return tuple(
        Guide(joint, point + np.concatenate([one.way[:-1], [seat]]), at)
        for at, one in enumerate(lifted)
        if one.is_lifted
        for joint, seat in zip(one.joints, one.seats, strict=True)
        for point in _outermost(np.array([touch.point for touch in _telling(joint)]))
    )


def _telling(joint: Joint) -> list[Touch]:
    """Contacts that guide: those of the joint's own kind, else all."""
    return [touch for touch in joint.touches if touch.kind == joint.kind] or list(joint.touches)


def _outermost(points: Array) -> Array:
    """At most MOST_GUIDES of the points, each as far as can be from those before."""
    if len(points) <= MOST_GUIDES:
        return points
    chosen = [int(np.argmax(np.linalg.norm(points - points.mean(axis=0), axis=1).round(6)))]
    distance = np.full(len(points), np.inf)
    while len(chosen) < MOST_GUIDES:
        distance = np.minimum(distance, np.linalg.norm(points - points[chosen[-1]], axis=1))
        chosen.append(int(np.argmax(distance.round(6))))
    return points[sorted(chosen)]


def guide_strokes(field: Field, table: PixelTable, guides: Sequence[Guide]) -> tuple[Stroke, ...]:
    """The visible pieces of the guides."""
    strokes = []
    for guide in guides:
        for piece in _pieces(field, table, guide.way):
            strokes.append(Stroke(piece, GUIDE_MM, GUIDE_DASH_MM, GUIDE_GREY))
    return tuple(strokes)


def _pieces(field: Field, table: PixelTable, way: Array) -> list[Array]:
    """Visible runs of a world polyline, as paper points."""
    points = _resampled(way, GUIDE_STEP_MM * table.camera.pixel / field.mm_per_pixel)
    seen = shown(field, table, points)
    paper = field.paper(table.camera, points)
    ends = np.flatnonzero(np.diff(np.concatenate([[False], seen, [False]]).astype(int)))
    runs = [paper[start:stop] for start, stop in zip(ends[::2], ends[1::2], strict=True)]
    return [_corners(run) for run in runs if np.linalg.norm(run[-1] - run[0]) >= LEAST_PIECE_MM]


def _resampled(way: Array, step: float) -> Array:
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(way, axis=0), axis=1))])
    places = np.union1d(np.linspace(0, along[-1], max(2, int(along[-1] / step))), along)
    return np.stack([np.interp(places, along, way[:, axis]) for axis in range(3)], axis=1)


def _corners(run: Array) -> Array:
    """Leave out points on the straight."""
    if len(run) < 3:
        return run
    ahead, behind = run[2:] - run[1:-1], run[1:-1] - run[:-2]
    bend = np.abs(ahead[:, 0] * behind[:, 1] - ahead[:, 1] * behind[:, 0]) > 1e-6
    return run[np.concatenate([[True], bend, [True]])]


def joint_signs(
    field: Field,
    table: PixelTable,
    guides: Sequence[Guide],
    marks: dict[str, Mark],
    taken: Sequence[Array] = (),
) -> tuple[Sign, ...]:
    """A sign for each kind of joint of a thing, for every glued one, beside the visible way to it; none
    on top of another or in a box (2, 2) that is taken."""
    signs: list[Sign] = []
    by_joint: dict[str, list[Guide]] = {}
    for guide in guides:
        by_joint.setdefault(guide.joint.id, []).append(guide)
    told: set[tuple[int, str]] = set()
    for joint_id, group in by_joint.items():
        kind = SIGN_OF_MARK.get(marks.get(joint_id, "rest"))
        if kind is None or (kind != "glue" and (group[0].thing, kind) in told):
            continue
        places = [place for guide in group for place in _beside(field, table, guide)]
        free = [place for place in places if _clear(place, signs, taken)]
        if free:
            signs.append(Sign(kind, free[0], SIGN_MM))
            told.add((group[0].thing, kind))
    return tuple(signs)


def _beside(field: Field, table: PixelTable, guide: Guide) -> list[tuple[float, float]]:
    """Places right and left of the middle of the guide's longest visible piece."""
    pieces = _pieces(field, table, guide.way)
    if not pieces:
        return []
    piece = max(pieces, key=lambda run: float(np.linalg.norm(run[-1] - run[0])))
    middle = (piece[0] + piece[-1]) / 2
    run = piece[-1] - piece[0]
    aside = np.array([-run[1], run[0]]) / max(float(np.linalg.norm(run)), 1e-9) * SIGN_ASIDE_MM
    aside = aside if aside[0] >= 0 else -aside
    room = SIGN_MM / 2
    return [
        (float(x), float(y))
        for x, y in (middle + aside, middle - aside)
        if room <= x <= field.width_mm - room and room <= y <= field.height_mm - room
    ]


def _clear(place: tuple[float, float], signs: Sequence[Sign], taken: Sequence[Array]) -> bool:
    x, y = place
    if any(box[0, 0] <= x <= box[1, 0] and box[0, 1] <= y <= box[1, 1] for box in taken):
        return False
    return all(
        np.hypot(place[0] - sign.centre[0], place[1] - sign.centre[1]) >= SIGN_APART_MM for sign in signs
    )
