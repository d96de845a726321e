"""Mending: what a careless mesh shows becomes the solid that a printer would print.

Soup -> sewn (corners, T-joints) -> closed (lids) -> cells (which side is material) -> shells -> one solid.
See :func:`mend`. Which way round faces run is a hint, never a need; no length comes from anything but corners
of the file.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from steps.mend.caps import Lid, close_rims
from steps.mend.cells import Piece, pieces_of
from steps.mend.crossing import cut_apart
from steps.mend.rays import Rays
from steps.mend.sew import sew
from steps.mend.soup import components, edge_runs
from steps.mend.unite import Shell, is_dust, is_sheet, merged_sides, shell_of, unite
from steps.model import Array, IntArray, Mending, MendKind, Unsure

__all__ = ["Mended", "mend", "one_shell", "sound"]

#: A lid is sure where it carries on the faces beside it along this share of its rim. A face of two triangles
#: that lacks one carries on along 0.41 of the other's sides.
CARRIED_SHARE = 0.3
#: So is one narrower than this share of the diagonal, 3 mm in 50: less than a socket.
NARROW_SHARE = 0.06
#: Cutting a shell apart must leave its box as it was, to this share of the diagonal.
SAME_BOX = 1e-3
#: Corners that lie on a straight side to this share of the diagonal, where sides were split, go: 0.001 mm in
#: 50.
STRAIGHT_SHARE = 2e-5
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
    lids: list[tuple[Array, Lid]] = field(default_factory=list)
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
    return bool(components(len(faces), np.column_stack([first // 3, second // 3])).max() == 0)


def sound(vertices: Array, faces: IntArray) -> bool:
    """Whether an outward mesh needs no mending: one closed shell, nowhere within itself."""
    return one_shell(faces) and not Rays(vertices, faces).crosses_itself()


def mend(vertices: Array, faces: IntArray) -> Mended | None:
    """The solid that a soup of triangles shows; None when it encloses nothing."""
    if not len(faces):
        return None
    sewn = sew(vertices, faces)
    if not len(sewn.faces):
        return None
    diagonal = float(np.linalg.norm(np.ptp(sewn.vertices, axis=0)))
    got = _gather(sewn.vertices, sewn.faces, sewn.reach, diagonal)
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
        solid = merged_sides(solid, min(sewn.reach, STRAIGHT_SHARE * diagonal))
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
    mending = Mending(found, sewn.reach, tuple(unsure), vertices[faces] if found or unsure else None)
    return Mended(solid.vertices, solid.faces, mending)


# -------------------------------------------------------------------------------- pieces


def _gather(vertices: Array, faces: IntArray, reach: float, diagonal: float, cut: bool = False) -> _Gathered:
    """The shells of a sewn mesh; pieces that cross themselves are cut apart first, once."""
    got = _Gathered()
    closed, made = close_rims(vertices, faces, reach)
    got.lids += [(vertices, lid) for lid in made]
    for piece in pieces_of(vertices, closed):
        shell = shell_of(vertices, piece.faces)
        if not cut and _tangled(piece, vertices, closed, shell, reach):
            untangled = _untangled(vertices[closed[piece.all_rows]], vertices, diagonal)
            if untangled is not None:
                _add(got, untangled)
                continue
        if is_sheet(shell, reach):
            got.sheets += 1
            if piece.astray and not _is_flat(piece, vertices, closed, reach):
                got.lost.append(_lost(vertices[closed[piece.all_rows]]))
        elif is_dust(shell, diagonal):
            got.dust += 1
        else:
            got.shells.append(shell)
            got.inverted.append(piece.inside_out)
            got.turned += piece.turned
            got.within += piece.within
    return got


def _tangled(piece: Piece, vertices: Array, faces: IntArray, shell: Shell, reach: float) -> bool:
    """Whether a piece crosses itself, so that which side of it is material cannot be told from its edges."""
    if piece.astray:
        return not _is_flat(piece, vertices, faces, reach)
    return not is_sheet(shell, reach) and shell.rays.crosses_itself()


def _is_flat(piece: Piece, vertices: Array, faces: IntArray, reach: float) -> bool:
    points = vertices[np.unique(faces[piece.all_rows])]
    spread = np.linalg.svd(points - points.mean(axis=0), compute_uv=False)[2]
    return bool(spread <= 2 * reach * len(points) ** 0.5)


def _untangled(corners: Array, vertices: Array, diagonal: float) -> _Gathered | None:
    """What a piece that crosses itself comes to when it is cut apart; None where that loses part of it."""
    tied, rows = np.unique(corners.reshape(-1, 3), axis=0, return_inverse=True)
    soup = cut_apart(tied, rows.reshape(-1, 3))
    again = sew(soup.reshape(-1, 3), np.arange(3 * len(soup)).reshape(-1, 3), everywhere=True)
    got = _gather(again.vertices, again.faces, again.reach, diagonal, cut=True)
    got.crossing += 1
    if not got.shells:
        return None
    boxes = np.array([shell.box for shell in got.shells])
    low, high = boxes[:, 0].min(axis=0), boxes[:, 1].max(axis=0)
    off = max(np.abs(low - tied.min(axis=0)).max(), np.abs(high - tied.max(axis=0)).max())
    return got if off <= SAME_BOX * diagonal else None


def _add(got: _Gathered, more: _Gathered) -> None:
    got.shells += more.shells
    got.inverted += more.inverted
    got.lids += more.lids
    got.lost += more.lost
    got.turned += more.turned
    got.within += more.within
    got.dust += more.dust
    got.sheets += more.sheets
    got.crossing += more.crossing


def _hollow(shells: Sequence[Shell], inverted: Sequence[bool]) -> list[bool]:
    """Which shells lie round a hollow: wholly within another that runs the other way round."""
    found = [False] * len(shells)
    for row, shell in enumerate(shells):
        for other, host in enumerate(shells):
            if inverted[row] == inverted[other] or host.volume <= shell.volume:
                continue
            if (shell.box[0] > host.box[0]).all() and (shell.box[1] < host.box[1]).all():
                found[row] |= bool((host.rays.winding(shell.vertices) > 0).all())
    return found


# -------------------------------------------------------------------------------- unsure


def _lost(corners: Array) -> Unsure:
    low, high = corners.min(axis=(0, 1)), corners.max(axis=(0, 1))
    return Unsure("lost", (low + high) / 2, np.zeros(3), float((high - low).max()))


def _guessed(lids: Sequence[tuple[Array, Lid]], solid: Shell, diagonal: float) -> list[Unsure]:
    """Lids on the outside that carry on nothing: what they close might be open, or hollow."""
    found = []
    for vertices, lid in lids:
        if lid.carried >= CARRIED_SHARE or lid.span <= NARROW_SHARE * diagonal:
            continue
        corners = vertices[lid.faces]
        cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        largest = int(np.argmax(np.linalg.norm(cross, axis=1)))
        normal = cross[largest] / np.linalg.norm(cross[largest])
        off = NARROW_SHARE * diagonal / 30 * normal
        before, behind = solid.rays.winding(corners[largest].mean(axis=0) + np.array([off, -off])) > 0
        if before != behind:
            found.append(Unsure("face", lid.middle, -normal if before else normal, lid.span))
    return found
