"""Mending: what a careless mesh shows becomes the solid that a printer would print. See :func:`mend`."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from steps.mend.caps import Lid, lids
from steps.mend.cells import Piece, pieces_of
from steps.mend.crossing import cut_apart
from steps.mend.sew import open_edges, sew
from steps.mend.unite import Shell, is_dust, is_sheet, shell_of, unite
from steps.model import Array, IntArray

__all__ = ["Mended", "mend"]

#: Rounds of closing: a lid may leave a rim where rims cross.
MAX_ROUNDS = 4


@dataclass(frozen=True, eq=False)
class Mended:
    vertices: Array
    faces: IntArray
    report: dict
    lids: list


@dataclass
class _Found:
    """What is gathered on the way."""

    shells: list[Shell]
    hollow: list[bool]
    lids: list[Lid]
    turned: int = 0
    within: int = 0
    dust: int = 0
    sheets: int = 0
    crossing: int = 0


def mend(vertices: Array, faces: IntArray) -> Mended | None:
    """The solid that a soup of triangles shows; None when it encloses nothing."""
    sewn = sew(vertices, faces)
    diagonal = float(np.linalg.norm(np.ptp(sewn.vertices, axis=0)))
    found = _Found([], [], [])
    _gather(sewn.vertices, sewn.faces, sewn.reach, diagonal, found, cut=False)
    if not found.shells:
        return None
    united = unite(found.shells, found.hollow, diagonal)
    report = dict(
        reach=sewn.reach, empty=sewn.empty, doubled=sewn.doubled, joined=sewn.joined, split=sewn.split,
        lids=len(found.lids), turned=found.turned, within=found.within, dust=found.dust, sheets=found.sheets,
        shells=len(found.shells), crossing=found.crossing, hollow=sum(found.hollow),
        united=united.united, bodies=united.bodies, loose=united.loose, failed=united.failed,
    )
    return Mended(united.vertices, united.faces, report, found.lids)


def _gather(vertices: Array, faces: IntArray, reach: float, diagonal: float, found: _Found, cut: bool) -> None:
    """The shells of a sewn mesh; pieces that cross themselves are cut apart first, once."""
    closed, made = _closed(vertices, faces, reach)
    found.lids += made
    for piece in pieces_of(vertices, closed):
        shell = shell_of(vertices, piece.faces)
        if not cut and _tangled(piece, vertices, closed, shell, reach):
            found.crossing += 1
            soup = cut_apart(vertices, closed[piece.all_rows])
            again = sew(soup.reshape(-1, 3), np.arange(3 * len(soup)).reshape(-1, 3), everywhere=True)
            _gather(again.vertices, again.faces, again.reach, diagonal, found, cut=True)
        elif is_sheet(shell, reach):
            found.sheets += 1
        elif is_dust(shell, diagonal):
            found.dust += 1
        else:
            found.shells.append(shell)
            found.hollow.append(False)
            found.turned += piece.turned
            found.within += piece.within


def _tangled(piece: Piece, vertices: Array, faces: IntArray, shell: Shell, reach: float) -> bool:
    """Whether a piece crosses itself, so that which side of it is material cannot be told from its edges."""
    if piece.astray:
        points = vertices[np.unique(faces[piece.all_rows])]
        return bool(np.linalg.svd(points - points.mean(axis=0), compute_uv=False)[2] > reach * len(points) ** 0.5)
    return not is_sheet(shell, reach) and shell.rays.crosses_itself()


def _closed(vertices: Array, faces: IntArray, reach: float) -> tuple[IntArray, list[Lid]]:
    """The faces with lids on every rim, and the lids."""
    made: list[Lid] = []
    for _ in range(MAX_ROUNDS):
        if not len(open_edges(faces)):
            break
        new = [lid for lid in lids(vertices, faces, reach) if len(lid.faces)]
        if not new:
            break
        made += new
        faces = np.concatenate([faces, *(lid.faces for lid in new)])
    return faces, made
