"""Mending: what a careless mesh shows becomes the solid that a printer would print.

Soup -> sewn (corners, T-joints) -> set on planes (noise) -> closed (lids) -> cells (which side is material)
-> shells -> one solid. Where cells cannot tell, faces are cut apart and flooded from round about. See
:func:`mend`. Which way round faces run is a hint, never a need; no length comes from anything but corners of
the file.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from renderer.topology import connected
from steps.limits import LIMITS, Limits
from steps.mend.caps import Lid, close_rims
from steps.mend.cells import MeshPiece, pieces_of
from steps.mend.crossing import cut_apart
from steps.mend.flood import looks_out
from steps.mend.planes import planes_of, set_on_planes
from steps.mend.rays import Rays
from steps.mend.sew import LEAST_REACH, ON_EDGE, Sewn, once, sew
from steps.mend.soup import edge_runs, is_closed
from steps.mend.unite import Shell, boxes_of, is_dust, is_sheet, plain_sides, shell_of, unite
from steps.model import Array, IntArray, Mending, MendKind, Unsure
from steps.progress import ticking

__all__ = ["Mended", "mend", "one_shell", "sound"]

#: A lid is sure where it carries on the faces beside it along this share of its rim. A face of two triangles
#: that lacks one carries on along 0.41 of the other's sides.
CARRIED_SHARE = 0.3
#: So is one narrower than this share of the diagonal, 3 mm in 50: less than a socket.
NARROW_SHARE = 0.06
#: What encloses something reaches as far as all of its faces, to so many reaches.
BOX_REACHES = 4.0
#: Corners joined from no further apart than this share of the diagonal are one in any file: not worth
#: telling.
ROUNDING = 4e-6


@dataclass(frozen=True, eq=False)
class Mended:
    """The solid, closed and outwards, and what was done to get it."""

    vertices: Array
    faces: IntArray
    mending: Mending


@dataclass
class _Gathered:
    """What is gathered from the pieces of a mesh."""

    shells: list[Shell] = field(default_factory=list)
    inverted: list[bool] = field(default_factory=list)
    lids: list[tuple[Lid, Array]] = field(
        default_factory=list
    )  #: each with the corners (k, 3, 3) of its faces
    lost: list[Unsure] = field(default_factory=list)
    turned: int = 0
    within: int = 0
    dust: int = 0
    sheets: int = 0
    crossing: int = 0


def one_shell(faces: IntArray) -> bool:
    """Whether faces make one closed shell: two to each edge, run opposite ways, and all hang together."""
    order, starts, sense = edge_runs(faces)
    if len(order) != 2 * len(starts) or (np.diff(starts) != 2).any():
        return False
    first, second = order[0::2], order[1::2]
    if (sense[first] == sense[second]).any():
        return False
    return bool(connected(len(faces), np.column_stack([first // 3, second // 3])).max() == 0)


def sound(vertices: Array, faces: IntArray) -> bool:
    """Whether an outward mesh needs no mending: one closed shell, nowhere within itself."""
    return one_shell(faces) and not Rays(vertices, faces).crosses_itself()


def mend(vertices: Array, faces: IntArray, limits: Limits = LIMITS) -> Mended | None:
    """The solid that a soup of triangles shows; None when it encloses nothing. Raises BeyondLimit where it
    gapes, or crosses itself, more than is mended."""
    if not len(faces):
        return None
    sewn = sew(vertices, faces)
    if not len(sewn.faces):
        return None
    diagonal = float(np.linalg.norm(np.ptp(sewn.vertices, axis=0)))
    sewn, closed, lids = _closed(sewn, sewn.reach > ROUNDING * diagonal, limits)
    got = _gather(sewn, once(closed), lids, diagonal, limits)
    if not got.shells:
        return None
    hollow = _hollow(got.shells, got.inverted)
    if len(got.shells) == 1:
        solid, united, loose, unsure = got.shells[0], 0, 0, got.lost
    else:
        made = unite(got.shells, hollow, diagonal)
        solid, united, loose = made.solid, made.united, made.loose
        unsure = [*got.lost, *made.unsure]
    unsure += _guessed(got.lids, solid, diagonal)
    if sewn.split or got.crossing:
        solid = plain_sides(solid, sewn.reach)
    counts: dict[MendKind, int] = {
        "corners joined": sewn.joined if sewn.reach > ROUNDING * diagonal else 0,
        "empty faces": sewn.empty,
        "doubled faces": sewn.doubled,
        "sides split": sewn.split,
        "faces turned": got.turned,
        "rims closed": len(got.lids),
        "faces within": got.within,
        "sheets": got.sheets,
        "specks": got.dust + loose,
        "shells united": united,
        "shells crossing": got.crossing,
    }
    found = {kind: count for kind, count in counts.items() if count}
    mending = Mending(
        found,
        sewn.reach,
        tuple(unsure),
        vertices[faces] if found or unsure else None,
        np.concatenate([np.zeros((0, 3, 3)), *(corners for _, corners in got.lids)]),
    )
    return Mended(solid.vertices, solid.faces, mending)


# -------------------------------------------------------------------------------- pieces


def _closed(sewn: Sewn, rough: bool, limits: Limits) -> tuple[Sewn, IntArray, list[Lid]]:
    """A sewn mesh with its corners on their planes, if it is ``rough``; its faces with a lid on every rim;
    and the lids. A corner whose face in a plane is missing goes there once the lid is on."""
    if not rough:
        return sewn, *close_rims(sewn.vertices, sewn.faces, sewn.reach, limits)
    planes = planes_of(sewn.vertices, sewn.faces, sewn.reach)
    sewn = replace(sewn, vertices=set_on_planes(sewn.vertices, sewn.faces, planes, sewn.reach))
    closed, lids = close_rims(sewn.vertices, sewn.faces, sewn.reach, limits)
    if lids:
        planes = planes.with_lids(sewn.vertices, closed[len(sewn.faces) :], sewn.faces, sewn.reach)
        sewn = replace(sewn, vertices=set_on_planes(sewn.vertices, closed, planes, sewn.reach))
    return sewn, closed, lids


def _gather(sewn: Sewn, closed: IntArray, lids: list[Lid], diagonal: float, limits: Limits) -> _Gathered:
    """The shells of a closed mesh; the pieces that do not say which side of them is material are flooded
    together."""
    vertices, reach = sewn.vertices, sewn.reach
    got, tangled = _Gathered(), []
    shown = np.arange(len(closed)) < len(once(sewn.faces))
    for piece in pieces_of(vertices, closed):
        shell = shell_of(vertices, piece.faces)
        if _tangled(piece, vertices, closed, shown, shell, reach):
            tangled.append(piece.all_rows)
        elif is_sheet(shell, reach):
            got.sheets += 1
        elif is_dust(shell, diagonal):
            got.dust += 1
        else:
            _add(got, piece, shell)
    torn = np.isin(np.arange(len(closed)), np.concatenate([np.zeros(0, dtype=np.int64), *tangled]))
    sound_faces = {tuple(sorted(face)) for face in closed[~torn].tolist()}
    sure = [tuple(sorted(lid.faces[0].tolist())) in sound_faces for lid in lids]
    got.lids += [(lid, vertices[lid.faces]) for lid, fits in zip(lids, sure, strict=True) if fits]
    if tangled:
        got.crossing = len(tangled)
        others = [lid for lid, fits in zip(lids, sure, strict=True) if not fits]
        _flooded(got, vertices, closed[torn & shown], others, reach, diagonal, limits)
    return got


def _add(got: _Gathered, piece: MeshPiece, shell: Shell) -> None:
    got.shells.append(shell)
    got.inverted.append(piece.inside_out)
    got.turned += piece.turned
    got.within += piece.within


def _tangled(
    piece: MeshPiece, vertices: Array, faces: IntArray, shown: np.ndarray, shell: Shell, reach: float
) -> bool:
    """Whether a piece crosses itself or leaks, so that its edges cannot tell which side of it is material, or
    is made of lids more than of the faces ``shown``: scraps of what lies beside them, and no shell."""
    if _is_flat(piece, vertices, faces, reach):
        return False
    every = vertices[np.unique(faces[piece.all_rows])]
    box = np.array([every.min(axis=0), every.max(axis=0)])
    if piece.astray or is_sheet(shell, reach) or np.abs(shell.box - box).max() > BOX_REACHES * reach:
        return True
    own = vertices[faces[piece.rows]]
    if 2 * _area(own[shown[piece.rows]]) < _area(own):
        return True
    return shell.rays.crosses_itself()


def _is_flat(piece: MeshPiece, vertices: Array, faces: IntArray, reach: float) -> bool:
    points = vertices[np.unique(faces[piece.all_rows])]
    spread = np.linalg.svd(points - points.mean(axis=0), compute_uv=False)[2]
    return bool(spread <= 2 * reach * len(points) ** 0.5)


def _flooded(
    got: _Gathered,
    vertices: Array,
    faces: IntArray,
    lids: list[Lid],
    reach: float,
    diagonal: float,
    limits: Limits,
) -> None:
    """Adds what faces come to that are cut apart where they cross, and flooded from round about.

    What a face shows closes the gap that lies in it, so it is seen only once they are cut apart what gapes;
    but where rims then end at faces, the ``lids`` that closed them before may be nearer the truth. The solid
    is taken that the least speaks against.
    """
    near, rays = LEAST_REACH * diagonal, Rays(vertices, faces)
    made = _flood(vertices, faces, None, rays, reach, near, limits)
    if lids:
        other = _flood(vertices, faces, lids, rays, reach, near, limits)
        made = min((each for each in (made, other) if each), key=lambda each: each.against, default=None)
    if made is None:
        got.lost.append(_lost(vertices[faces]))
        return
    got.shells.append(made.shell)
    got.inverted.append(False)
    got.lids += made.lids
    got.turned += made.turned
    got.within += made.within


@dataclass(frozen=True, eq=False)
class _Flood:
    """What faces come to; ``against`` it speak so many mm2: of its surface what no face shows, and of the
    faces those that have void on both sides."""

    shell: Shell
    lids: list[tuple[Lid, Array]]
    turned: int
    within: int
    against: float


def _flood(
    vertices: Array,
    faces: IntArray,
    lids: list[Lid] | None,
    rays: Rays,
    reach: float,
    near: float,
    limits: Limits,
) -> _Flood | None:
    """The solid with what gapes closed by ``lids``, or else once the faces are cut apart; None for none."""
    made = [(lid, vertices[lid.faces]) for lid in lids or ()]
    tied = sew(vertices, np.concatenate([faces, *(lid.faces for lid, _ in made)]), near)
    soup = cut_apart(tied.vertices, tied.faces, ON_EDGE * near, limits)
    cut = sew(soup.reshape(-1, 3), np.arange(3 * len(soup)).reshape(-1, 3), near)
    if lids is None:
        closed, new = close_rims(cut.vertices, once(cut.faces), near, limits, torn=True)
        made += [(lid, cut.vertices[lid.faces]) for lid in new]
        cut = sew(cut.vertices, closed, near)
    apart = once(cut.faces)
    guessed = ~_lies_on(cut.vertices[apart], rays, reach)
    front, back = looks_out(cut.vertices, apart, near, guessed)
    kept = front != back
    out = np.where(back[kept, None], apart[kept][:, ::-1], apart[kept])
    out, late = close_rims(cut.vertices, out, near, limits)
    out = _agreeing(out)
    made += [(lid, cut.vertices[lid.faces]) for lid in late]
    shell = shell_of(cut.vertices, out)
    if not is_closed(out) or is_sheet(shell, reach):
        return None
    astray = _area(cut.vertices[apart[front & back & ~guessed]])
    unseen = _area(cut.vertices[out][~_lies_on(cut.vertices[out], rays, reach)])
    return _Flood(shell, made, int(back[kept].sum()), int((~front & ~back).sum()), unseen + astray)


def _agreeing(faces: IntArray) -> IntArray:
    """The faces, those turned that most beside them contradict: of a sliver rays do not tell which side looks
    out."""
    if not len(faces):
        return faces
    order, starts, sense = edge_runs(faces)
    ends, sense = np.r_[starts[1:], len(order)], sense.reshape(-1, 3)
    edge = np.empty_like(faces)
    edge.reshape(-1)[order] = np.repeat(np.arange(len(starts)), ends - starts)
    net, turned = np.bincount(edge.ravel(), sense.ravel()), np.zeros(len(faces), dtype=bool)

    def gained(some: IntArray) -> Array:
        beside = net[edge[some]]
        return (np.abs(beside) - np.abs(beside - 2 * sense[some])).sum(axis=1)

    gain = gained(np.arange(len(faces)))
    while gain[most := int(np.argmax(gain))] > 0:
        np.subtract.at(net, edge[most], 2 * sense[most])
        sense[most], turned[most] = -sense[most], ~turned[most]
        near = np.unique(np.concatenate([order[starts[at] : ends[at]] for at in edge[most]]) // 3)
        gain[near] = gained(near)
    return np.where(turned[:, None], faces[:, ::-1], faces)


def _area(corners: Array) -> float:
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    return float(np.linalg.norm(cross, axis=1).sum()) / 2


def _lies_on(corners: Array, rays: Rays, reach: float) -> np.ndarray:
    """Which faces (m, 3, 3) lie on a mesh, by their middles."""
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normal = cross / np.maximum(np.linalg.norm(cross, axis=1), 1e-300)[:, None]
    return rays.first_distance(corners.mean(axis=1) + reach * normal, -normal) <= 2 * reach


def _hollow(shells: Sequence[Shell], inverted: Sequence[bool]) -> list[bool]:
    """Which shells lie round a hollow: wholly within another that runs the other way round."""
    found = [False] * len(shells)
    low, high = boxes_of(shells)
    volumes, ways = np.array([shell.volume for shell in shells]), np.array(inverted, dtype=bool)
    for row, shell in enumerate(ticking(shells)):
        holds = (low[row] > low).all(axis=1) & (high[row] < high).all(axis=1)
        holds &= (ways != ways[row]) & (volumes > volumes[row])
        hosts = (shells[other].rays for other in np.flatnonzero(holds).tolist())
        found[row] = any((rays.winding(shell.vertices) > 0).all() for rays in hosts)
    return found


# -------------------------------------------------------------------------------- unsure


def _lost(corners: Array) -> Unsure:
    low, high = corners.min(axis=(0, 1)), corners.max(axis=(0, 1))
    return Unsure("lost", (low + high) / 2, np.zeros(3), float((high - low).max()))


def _guessed(lids: Sequence[tuple[Lid, Array]], solid: Shell, diagonal: float) -> list[Unsure]:
    """Lids on the outside that carry on nothing: what they close might be open, or hollow."""
    found = []
    for lid, corners in lids:
        if lid.carried >= CARRIED_SHARE or lid.span <= NARROW_SHARE * diagonal:
            continue
        cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        length = np.linalg.norm(cross, axis=1)
        largest = int(np.argmax(length))
        if length[largest] == 0:  # over a side cut in two: it closes nothing
            continue
        normal = cross[largest] / length[largest]
        off = NARROW_SHARE * diagonal / 30 * normal
        before, behind = solid.rays.winding(corners[largest].mean(axis=0) + np.array([off, -off])) > 0
        if before != behind:
            found.append(Unsure("face", lid.middle, -normal if before else normal, lid.span))
    return found
