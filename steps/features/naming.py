"""Names of shapes by what they measure: "block 2 x 4", "smooth slab 1 x 6", "slab 2 x 2, with ball".

A name is a head of words, the footprint in pitches (else the size in mm), and at most one remark
that tells it from the plain one. The body is measured without what stands out of it: studs on
side faces, balls and pegs.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from renderer.spatial import hull
from steps.features.anatomy import Anatomy
from steps.intake.congruence import Form, motion_between
from steps.model import Array, Feature
from steps.progress import tick
from steps.remembered import remembered
from steps.wording import Joined, Size, Term, Wording, joined, phrase, phrase_n, size_mm

#: A footprint is whole pitches long within this share of a pitch (bodies keep a clearance round).
FOOTPRINT_SLACK = 0.15
#: Bodies at least this many pitches high are blocks, lower ones slabs: halfway between a body as high
#: as its cells are wide and one half as high.
BLOCK_HEIGHT = 0.75
#: Share of its box that a footprint fills: a circle pi / 4 = 0.785 (12 facets 0.75), a rectangle 1.
ROUND_SHARE = (0.74, 0.80)
FULL_SHARE = 0.985
#: A convex hull that fills less than this share of footprint x height is slanted: a wedge.
UPRIGHT_SHARE = 0.97
#: A body has at least as many corners as a tetrahedron.
LEAST_CORNERS = 4
#: Features whose axes are within this cosine of ``up`` point up.
ALONG = 0.99
#: A cylinder wider than this share of the part's width is the part's own body.
BODY_SHARE = 0.7
#: An underside's rim lies within this share of the height; a gap in it longer than this share of the
#: part's length makes an arch.
LEVEL_SHARE, GAP_SHARE = 0.01, 0.3
#: The middle of a surface this share of the size off the middle of its box tells one hand from the other.
HAND_SHARE = 0.005
#: Lengths of mirror images (root of area, radii of gyration) are equal to this share.
IMAGE_SHARE = 1e-3
#: Vertices this share of a feature's radius beyond its foot still belong to the body (noise).
FOOT_SLACK = 0.02
LEFT, RIGHT = Term("left"), Term("right")


@dataclass(frozen=True, eq=False)
class Outline:
    """What a name is made from: one shape taken apart, and its extents."""

    body: Anatomy
    features: Sequence[Feature]
    frame: Array  #: (3, 3) rows: two directions across, the longer first, then up
    size: Array  #: (3,) mm along the frame's rows


@dataclass(frozen=True)
class _Name:
    """A head of words, how long and wide, and what tells the shape from the plain one, if anything."""

    head: str
    size: Size
    remark: Wording | None = None

    @property
    def said(self) -> Wording:
        plain = joined(Term(self.head), self.size, by=" ")
        return plain if self.remark is None else joined(plain, self.remark)


def name_shapes(outlines: Mapping[str, Outline], pitch: float | None) -> dict[str, Wording]:
    """A name per shape id, in the order of the mapping.

    Different shapes that would share a name are told apart by hand where they are mirror images, else by
    height, else by ", 2nd kind".
    """
    alike: dict[_Name, list[str]] = {}
    for key, outline in outlines.items():
        alike.setdefault(_name(outline, pitch), []).append(key)
    named = {key: told for name, keys in alike.items() for key, told in _apart(name, keys, outlines)}
    return {key: named[key] for key in outlines}


def _apart(
    name: _Name, keys: Sequence[str], outlines: Mapping[str, Outline]
) -> Iterator[tuple[str, Wording]]:
    """Each shape of one name with what tells it from the others."""
    known: list[Wording] = []
    for pair in _with_images(keys, outlines):
        said = name.said
        high = phrase("{n} mm high", n=round(float(outlines[pair[0]].size[2])))
        known.append(high)
        if len(known) > 1:
            by_height = name.remark is None and name.size.unit == "pitch" and known.count(high) == 1
            said = joined(said, high if by_height else _kind(len(known)))
        if len(pair) == 1:
            yield pair[0], said
            continue
        hand = handedness(outlines[pair[0]])
        yield pair[0], joined(said, LEFT if hand > 0 else RIGHT)
        yield pair[1], joined(said, RIGHT if hand > 0 else LEFT)


def _with_images(keys: Sequence[str], outlines: Mapping[str, Outline]) -> Iterator[tuple[str, ...]]:
    """The shapes one by one, each with its mirror image where that is among them and has a left and right."""
    forms = {key: Form(outlines[key].body.mesh.vertices, outlines[key].body.mesh.faces) for key in keys}
    handed = [key for key in keys if len(keys) > 1 and handedness(outlines[key])]
    left = list(keys)
    while left:
        key = left.pop(0)
        others = [other for other in left if other in handed] if key in handed else []
        image = next((other for other in others if _are_images(forms[key], forms[other])), None)
        if image is not None:
            left.remove(image)
        yield (key,) if image is None else (key, image)


def _are_images(one: Form, other: Form) -> bool:
    """Whether two solids are mirror images of each other."""
    if np.abs(one.lengths - other.lengths).max() > IMAGE_SHARE * one.lengths.max():
        return False  # a mirror changes none of them
    basis = (one.vertices, one.faces, other.vertices, other.faces)
    return remembered("mirror images", basis, lambda: _mirrored_onto(one, other))


def _mirrored_onto(one: Form, other: Form) -> bool:
    mirrored = Form(one.vertices * np.array([-1.0, 1.0, 1.0]), one.faces[:, ::-1])
    return motion_between(mirrored, other) is not None


def told_by_hand(name: Wording | str) -> bool:
    """Whether a shape's name says which of two mirror images it is."""
    return isinstance(name, Joined) and name.parts[-1] in (LEFT, RIGHT)


def handedness(outline: Outline) -> int:
    """1 for a left part, -1 for a right one, 0 where that cannot be told: seen from above, its lighter end
    pointing away, a left one has less on its left. Its mirror image is of the other hand."""
    tick()
    mesh, frame = outline.body.mesh, outline.frame
    corners = mesh.vertices @ frame.T
    middle = (corners.min(axis=0) + corners.max(axis=0)) / 2
    off = (mesh.areas @ (mesh.centres @ frame.T) / mesh.areas.sum() - middle)[:2]
    if (np.abs(off) < HAND_SHARE * outline.size[:2]).any():
        return 0
    square = abs(outline.size[0] - outline.size[1]) < HAND_SHARE * outline.size[0]
    along = int(np.argmax(np.abs(off))) if square else 0
    away = -np.sign(off[along]) * frame[along]
    leftwards = np.cross(frame[2], away)
    return -int(np.sign(leftwards @ (off @ frame[:2])))


def _name(outline: Outline, pitch: float | None) -> _Name:
    tick()
    features, up = _standing_out(outline), outline.frame[2]
    basis = (outline.body.mesh, features, outline.frame)
    corners, extent, filled = remembered("standing out", basis, lambda: _bulk(_body(outline, features)))
    if pitch is None or corners < LEAST_CORNERS:
        return _by_size(outline.size, "part")
    form = _form(extent, *filled)
    cells = np.sort(extent[:2]) / pitch
    whole = np.round(cells)
    if np.abs(cells - whole).max() > FOOTPRINT_SLACK or whole.min() < 1:
        return _by_size(outline.size, f"{form} part" if form in ("round", "tapered") else form or "part")
    on_top = sum(f.kind == "stud" and f.axis @ up > ALONG for f in features)
    kind = "block" if extent[2] >= BLOCK_HEIGHT * pitch else "slab"
    words = [] if on_top or form == "wedge" else ["smooth"]
    words += ["wedge"] if form == "wedge" else [word for word in (form, kind) if word]
    remark = _remark(features, on_top, int(whole.prod())) or (Term("arched") if _arched(outline) else None)
    return _Name(" ".join(words), Size(tuple(int(each) for each in whole)), remark)


def _by_size(size: Array, head: str) -> _Name:
    """The size in mm; of a round part its width across and its height."""
    return _Name(head, size_mm(*(size[1:] if head == "round part" else size)))


def _form(extent: Array, share: float, upright: float) -> str:
    """ "round", "tapered", "wedge" or nothing, by how the convex hull fills its box."""
    square = abs(extent[0] - extent[1]) <= 0.02 * extent[:2].max()
    if square and ROUND_SHARE[0] <= share <= ROUND_SHARE[1]:
        return "round"
    if upright < UPRIGHT_SHARE:
        return "wedge"
    return "tapered" if share < FULL_SHARE else ""


def _remark(features: Sequence[Feature], on_top: int, cells: int) -> Wording | None:
    """What tells the shape from the plain one; the first that holds."""
    kinds = [feature.kind for feature in features]
    aside = kinds.count("stud") - on_top
    if "ball" in kinds:
        return Term("with ball")
    if "cup" in kinds:
        return Term("with cup")
    if aside:
        return phrase_n("{n} side stud", "{n} side studs", aside)
    if pegs := kinds.count("peg"):
        return phrase_n("{n} peg", "{n} pegs", pegs)
    if on_top and on_top != cells:
        return phrase_n("{n} stud", "{n} studs", on_top)
    return None


def _standing_out(outline: Outline) -> list[Feature]:
    """The features less the body itself: a round part is a cylinder too."""
    widest = BODY_SHARE * float(outline.size[1])
    return [f for f in outline.features if f.kind in ("stud", "ball", "cup") or 2 * f.radius_mm < widest]


def _body(outline: Outline, features: Sequence[Feature]) -> Array:
    """(k, 3) vertices in the frame's coordinates, less those that stand out of the body."""
    vertices = outline.body.mesh.vertices
    keep = np.ones(len(vertices), dtype=bool)
    for feature in features:
        slack = FOOT_SLACK * feature.radius_mm
        reach = 1.01 * float(np.hypot(2 * feature.height_mm, feature.radius_mm) + slack)
        near = np.array(outline.body.mesh.tree.query_ball_point(feature.point, reach), dtype=np.int64)
        off = vertices[near] - feature.point
        along = off @ feature.axis
        if feature.kind in ("stud", "peg", "hinge pin"):
            across = np.linalg.norm(off - np.outer(along, feature.axis), axis=1)
            beyond = (along > slack) & (along < 2 * feature.height_mm)
            keep[near[beyond & (across < feature.radius_mm + slack)]] = False
        elif feature.kind == "ball":
            keep[near[np.linalg.norm(off, axis=1) <= feature.radius_mm + slack]] = False
    return vertices[keep] @ outline.frame.T


def _arched(outline: Outline) -> bool:
    """Whether the underside's rim leaves a wide gap along the part: it stands on two feet."""
    mesh = outline.body.mesh
    placed = mesh.vertices @ outline.frame.T
    low, long = placed[:, 2].min(), np.ptp(placed[:, 0])
    corners = placed[mesh.faces]
    rim = corners[(corners[:, :, 2] < low + LEVEL_SHARE * outline.size[2]).all(axis=1), :, 0]
    if not len(rim):
        return False
    spans = np.column_stack([rim.min(axis=1), rim.max(axis=1)])
    spans = spans[np.argsort(spans[:, 0])]
    reached = np.maximum.accumulate(spans[:, 1])
    return bool((spans[1:, 0] - reached[:-1] > GAP_SHARE * long).any())


def _bulk(body: Array) -> tuple[int, Array, tuple[float, float]]:
    """How many corners a body has, its (3,) extents, and what it fills."""
    if len(body) < LEAST_CORNERS:
        return len(body), np.zeros(3), (1.0, 1.0)
    return len(body), np.ptp(body, axis=0), _fill(body)


def _fill(body: Array) -> tuple[float, float]:
    """Share of its box that the footprint's hull fills, and of footprint x height the body's hull."""
    extent = np.ptp(body, axis=0)
    below, around = hull(body[:, :2]), hull(body)
    if below is None or around is None:
        return 1.0, 1.0  # flat: no body to speak of
    footprint = float(below.volume)
    return footprint / float(extent[0] * extent[1]), around.volume / (footprint * extent[2])


def _kind(number: int) -> Wording:
    """ "2nd kind", "23rd kind": English alone needs four messages for it."""
    last = 0 if number % 100 in (11, 12, 13) else number % 10
    if last == 1:
        return phrase("{n}st kind", n=number)
    if last == 2:
        return phrase("{n}nd kind", n=number)
    return phrase("{n}rd kind", n=number) if last == 3 else phrase("{n}th kind", n=number)
