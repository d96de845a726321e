"""Guide lines from where a lifted part is to where it goes, a head on them, and the joint signs beside
them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from renderer.picture import Sign, SignKind, Stroke
from renderer.table import PixelTable
from steps.draw.balloons import inner_point
from steps.draw.lift import Lifted
from steps.draw.sheet import Field, shown
from steps.draw.sites import telling
from steps.model import Array, Joint, Mark

#: ISO 128-2 narrow long-dashed dotted line, shortened to suit ways of a centimetre: dash, gap, dot, gap (mm).
GUIDE_DASH_MM = (3.0, 0.75, 0.25, 0.75)
GUIDE_MM = 0.25
GUIDE_GREY = 0.1
#: Guides of one joint: its outermost contacts are enough to place a part.
MOST_GUIDES = 4
#: Step along a guide when looking for what hides it, and the shortest piece worth drawing (mm on paper).
GUIDE_STEP_MM, LEAST_PIECE_MM = 0.2, 0.5
#: Heads of guides: length and width over all, of their lines, and of the white under those (mm on paper).
HEAD_MM, HEAD_WIDE_MM, HEAD_LINE_MM, HEAD_CASING_MM = 2.6, 1.8, 0.4, 1.0
#: A head is at most this share of what its line shows.
HEAD_SHARE = 0.8
#: Length of an arrow that has no visible guide to stand on (mm on paper).
ARROW_MM = 9.0
#: Signs: size, distance from their guide, and least distance between two (mm on paper).
SIGN_MM, SIGN_ASIDE_MM, SIGN_APART_MM = 5.0, 4.2, 6.5
#: A sign keeps this far off all guides, in shares of its size.
SIGN_ROOM = 0.65

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
        for point in _outermost(np.array([touch.point for touch in telling(joint)]))
    )


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


def head_strokes(
    field: Field, table: PixelTable, guides: Sequence[Guide], lifted: Sequence[Lifted]
) -> tuple[Stroke, ...]:
    """A head where each guide ends to the eye, nearest its seat; where of a thing's guides none shows, an
    arrow along its move onto the middle of what shows of it, on top of all."""
    strokes: list[Stroke] = []
    for at, one in enumerate(lifted):
        if not one.is_lifted:
            continue
        pieces = [_pieces(field, table, guide.way) for guide in guides if guide.thing == at]
        ends = [runs[-1][-2:] for runs in pieces if runs]
        if not ends and len(shown := _arrow(field, table, one)):
            ends = [shown]
            strokes += [Stroke(shown, HEAD_CASING_MM, grey=1.0), Stroke(shown, HEAD_LINE_MM)]
        for head in map(_head, ends):
            strokes += [Stroke(head, HEAD_CASING_MM, grey=1.0), Stroke(head, HEAD_LINE_MM)]
    return tuple(strokes)


def _arrow(field: Field, table: PixelTable, one: Lifted) -> Array:
    """(2, 2) paper points of an arrow along the last leg of a thing's move, ending amid what shows of it;
    none where nothing does."""
    end = inner_point(field, table, one.thing.rows.tolist())
    if end is None:
        return np.zeros((0, 2))
    start, stop = field.paper(table.camera, one.way[-2:])
    run = (stop - start) / max(float(np.linalg.norm(stop - start)), 1e-9)
    return np.array([end - ARROW_MM * run, end])


def _head(end: Array) -> Array:
    """(3, 2) the two strokes of a head on the end of a line (2, 2)."""
    run = end[1] - end[0]
    length = float(np.linalg.norm(run))
    along = run / max(length, 1e-9)
    size = min(HEAD_MM, HEAD_SHARE * length)
    aside = np.array([-along[1], along[0]]) * size * HEAD_WIDE_MM / HEAD_MM / 2
    back = end[1] - along * size
    return np.array([back + aside, end[1], back - aside])


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
    lines = [run for guide in guides for run in _pieces(field, table, guide.way)]
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
            beside = [place for place in free if not _on_a_line(place, lines)]
            signs.append(Sign(kind, (beside or free)[0], SIGN_MM))
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


def _on_a_line(place: tuple[float, float], lines: Sequence[Array]) -> bool:
    """Whether a sign would stand on one of the straight lines (k, 2)."""
    for line in lines:
        run = line[-1] - line[0]
        along = np.clip((np.array(place) - line[0]) @ run / max(float(run @ run), 1e-9), 0.0, 1.0)
        if np.linalg.norm(line[0] + along * run - place) < SIGN_ROOM * SIGN_MM:
            return True
    return False


def _clear(place: tuple[float, float], signs: Sequence[Sign], taken: Sequence[Array]) -> bool:
    x, y = place
    if any(box[0, 0] <= x <= box[1, 0] and box[0, 1] <= y <= box[1, 1] for box in taken):
        return False
    return all(
        np.hypot(place[0] - sign.centre[0], place[1] - sign.centre[1]) >= SIGN_APART_MM for sign in signs
    )
