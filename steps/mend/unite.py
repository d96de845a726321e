"""Closed shells made one solid: what any of them encloses is material, less sealed hollows.

Shells that only touch are pushed into each other by a hair first, or rounding would leave a slit between
them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import manifold3d
import numpy as np
from manifold3d import Manifold

from renderer.spatial import tree
from renderer.topology import connected
from steps.mend.rays import Rays
from steps.model import Array, IntArray, Unsure
from steps.progress import tick, ticking
from steps.workers import apart

#: A piece less thick than this many reaches (three volumes over its area) is a sheet, not a shell.
SHEET_REACHES = 3.0
#: A shell smaller than this share of the part's diagonal is dust: 0.15 mm in 50, no printer lays it down.
DUST_SHARE = 3e-3
#: A solid apart from the rest and smaller than this share of the diagonal is a loose speck: 1 mm in 50.
SPECK_SHARE = 0.02
#: Flat faces of two shells this near, as a share of the part's diagonal, touch: 0.01 mm in 50.
TOUCH_SHARE = 2e-4
#: How far a face that touches is pushed in beyond the other, as a share of the diagonal: 0.0005 mm in 50.
PUSH_SHARE = 1e-5
#: Triangles of the solids that are united at once, of two at least: half a second.
AT_ONCE = 50_000
#: Triangles of solids over which the library, which lets nobody speak, is silent for half a second and more.
SILENT = 300_000
#: Corners on a straight side to this share of the diagonal go where sides were split, or made straight: 0.001
#: mm in 50.
STRAIGHT_SHARE = 2e-5
#: Faces look opposite ways within this (cosine of about 1 degree).
OPPOSITE = float(np.cos(np.radians(1.0)))


@dataclass(frozen=True, eq=False)
class Shell:
    """One closed piece, outwards."""

    vertices: Array
    faces: IntArray

    @cached_property
    def box(self) -> Array:
        return np.array([self.vertices.min(axis=0), self.vertices.max(axis=0)])

    @cached_property
    def volume(self) -> float:
        a, b, c = (self.vertices[self.faces[:, k]] - self.vertices[:1].sum(axis=0) for k in range(3))
        return float(np.einsum("ij,ij->", a, np.cross(b, c)) / 6)

    @cached_property
    def area(self) -> float:
        a, b, c = (self.vertices[self.faces[:, k]] for k in range(3))
        return float(np.linalg.norm(np.cross(b - a, c - a), axis=1).sum() / 2)

    @cached_property
    def rays(self) -> Rays:
        return Rays(self.vertices, self.faces)

    def solid(self) -> Manifold:
        mesh = manifold3d.Mesh64(
            np.array(self.vertices, order="C"), np.array(self.faces, dtype=np.uint64, order="C")
        )
        return Manifold(mesh)


@dataclass(frozen=True, eq=False)
class United:
    """The solid, and what was found on the way."""

    solid: Shell
    united: int  #: shells that were made one with another
    loose: int  #: specks apart from the rest that were left out
    unsure: tuple[Unsure, ...]


def shell_of(vertices: Array, faces: IntArray) -> Shell:
    used, rows = np.unique(faces, return_inverse=True)
    return Shell(vertices[used], rows.reshape(-1, 3))


def boxes_of(shells: Sequence[Shell]) -> tuple[Array, Array]:
    """(n, 3) lowest and highest corners."""
    boxes = np.array([shell.box for shell in shells]).reshape(-1, 2, 3)
    return boxes[:, 0], boxes[:, 1]


def is_sheet(shell: Shell, reach: float) -> bool:
    """Whether a closed piece encloses nothing: less thick than the noise, or but a line."""
    if not len(shell.faces) or shell.area <= reach * float((shell.box[1] - shell.box[0]).max()):
        return True
    return 3 * shell.volume <= SHEET_REACHES * reach * shell.area


def is_dust(shell: Shell, diagonal: float) -> bool:
    return float((shell.box[1] - shell.box[0]).max()) < DUST_SHARE * diagonal


def unite(shells: Sequence[Shell], hollow: Sequence[bool], diagonal: float) -> United:
    """The union of the shells; those marked ``hollow`` are cut from the shell round them."""
    around = {row: _around(shells, hollow, row) for row in ticking(np.flatnonzero(hollow).tolist())}
    pushed = [(shell.vertices, shell.faces) for shell in _pushed(shells, hollow, diagonal)]
    tick()
    long = sum(len(faces) for _, faces in pushed) > SILENT
    shell, sound, hosts = apart(long, _combined, pushed, around)
    piece, boxes, volumes = _pieces(shell)
    kept = np.ptp(boxes, axis=1).max(axis=1) >= SPECK_SHARE * diagonal
    bodies, loose = boxes[kept & (volumes > 0)], int((~kept).sum())
    united = max(hosts - len(bodies) - loose, 0)
    unsure = [_unsure("lost", shells[row].box) for row in range(len(shells)) if not sound[row]]
    if len(bodies) > 1:
        unsure += [_unsure("apart", box) for box in sorted(bodies, key=_size)[:-1]]
    solid = shell_of(shell.vertices, shell.faces[kept[piece]]) if loose else shell
    return United(solid, united, loose, tuple(unsure))


def _combined(
    shells: Sequence[tuple[Array, IntArray]], around: Mapping[int, Sequence[int]]
) -> tuple[Shell, list[bool], int]:
    """The union of shells, each of those that lie in others cut from the first of these that is sound; which
    are sound; and how many are united."""
    solids = [Shell(*shell).solid() for shell in ticking(shells)]
    sound = [solid.status() == manifold3d.Error.NoError and not solid.is_empty() for solid in solids]
    hosts = {row: solid for row, solid in enumerate(solids) if sound[row] and row not in around}
    for row, others in ticking(around.items()):
        host = next((other for other in others if other in hosts), None)
        if sound[row] and host is not None:
            hosts[host] -= solids[row]
    return _shell(_whole(list(hosts.values()))), sound, len(hosts)


def _whole(solids: list[Manifold]) -> Manifold:
    """The union. The library lets nobody speak while it works, so it is given some at a time."""
    while len(solids) > 1:
        made, some, many = [], list[Manifold](), 0
        for solid in solids:
            if len(some) > 1 and many + solid.num_tri() > AT_ONCE:
                made.append(_united(some))
                some, many = [], 0
            some.append(solid)
            many += solid.num_tri()
        solids = [*made, _united(some)]
    return solids[0] if solids else Manifold()


def _united(solids: Sequence[Manifold]) -> Manifold:
    whole = Manifold.batch_boolean(solids, manifold3d.OpType.Add)
    whole.num_tri()  # only now it is done
    tick()
    return whole


def _pieces(shell: Shell) -> tuple[IntArray, Array, Array]:
    """Of each face the piece that hangs together with no other; boxes (k, 2, 3) and volumes of the pieces.

    The library's own way looks through all for each piece, and takes still longer to put them together again.
    """
    faces, vertices = shell.faces, shell.vertices
    piece = connected(len(vertices), np.concatenate([faces[:, :2], faces[:, 1:]]))[faces[:, 0]]
    order = np.argsort(piece, kind="stable")
    starts = np.flatnonzero(np.diff(piece[order], prepend=-1))
    if not len(starts):
        return piece, np.zeros((0, 2, 3)), np.zeros(0)
    corners = vertices[faces[order]]
    low = np.minimum.reduceat(corners.min(axis=1), starts)
    high = np.maximum.reduceat(corners.max(axis=1), starts)
    a, b, c = (corners[:, k] - np.repeat(low, np.diff(np.r_[starts, len(order)]), axis=0) for k in range(3))
    volumes = np.add.reduceat(np.einsum("ij,ij->i", a, np.cross(b, c)), starts) / 6
    return piece, np.stack([low, high], axis=1), volumes


def plain_sides(shell: Shell, within: float = np.inf) -> Shell:
    """Without corners on straight sides and flat faces, the surface moved by no more than ``within`` mm."""
    within = min(within, STRAIGHT_SHARE * float(np.linalg.norm(shell.box[1] - shell.box[0])))
    return apart(len(shell.faces) > SILENT, _merged, shell.vertices, shell.faces, within) or shell


def _merged(vertices: Array, faces: IntArray, within: float) -> Shell | None:
    solid = Shell(vertices, faces).solid()
    if solid.status() != manifold3d.Error.NoError or solid.is_empty():
        return None
    return _shell(solid.simplify(within))


def _shell(solid: Manifold) -> Shell:
    mesh = solid.to_mesh64()
    return Shell(
        np.array(mesh.vert_properties, dtype=np.float64)[:, :3], np.array(mesh.tri_verts, dtype=np.int64)
    )


def _size(box: Array) -> float:
    return float(np.prod(box[1] - box[0]))


def _unsure(what: Literal["apart", "lost"], box: Array) -> Unsure:
    return Unsure(what, box.mean(axis=0), np.zeros(3), float((box[1] - box[0]).max()))


def _around(shells: Sequence[Shell], hollow: Sequence[bool], row: int) -> list[int]:
    """The shells that hold a hollow, smallest first."""
    point = shells[row].vertices[:1]
    hosts = [at for at in range(len(shells)) if not hollow[at] and shells[at].rays.winding(point)[0] > 0]
    return sorted(hosts, key=lambda at: (shells[at].volume, at))


# ------------------------------------------------------------------------------ touching


def _pushed(shells: Sequence[Shell], hollow: Sequence[bool], diagonal: float) -> list[Shell]:
    """The shells, flat faces that touch another shell pushed into it by a hair."""
    near, push = TOUCH_SHARE * diagonal, PUSH_SHARE * diagonal
    flats = [_flats(shell, near) for shell in ticking(shells)]
    moved = [shell.vertices.copy() for shell in shells]
    low, high = boxes_of(shells)
    areas, solid = np.array([shell.area for shell in ticking(shells)]), ~np.array(hollow, dtype=bool)
    for a in ticking(np.flatnonzero(solid).tolist()):
        beside = solid & (areas >= areas[a])  # the smaller of two is pushed
        beside &= (low <= high[a] + near).all(axis=1) & (low[a] <= high + near).all(axis=1)
        beside[a] = False
        for b in np.flatnonzero(beside).tolist():
            for row, gap in _touching(flats[a], flats[b], shells[a].box, near):
                rows = flats[a].vertices_of(row)
                moved[a][rows] = shells[a].vertices[rows] + (gap + push) * flats[a].normals[row]
    return [Shell(points, shell.faces) for points, shell in zip(moved, shells, strict=True)]


@dataclass(frozen=True, eq=False)
class _Flats:
    """The flat patches of a shell, a plane each: unit normals, offsets, boxes, faces from ``starts`` on."""

    normals: Array
    offsets: Array
    low: Array
    high: Array
    faces: IntArray
    starts: IntArray

    def vertices_of(self, row: int) -> IntArray:
        end = self.starts[row + 1] if row + 1 < len(self.starts) else len(self.faces)
        return np.unique(self.faces[self.starts[row] : end])

    def within(self, low: Array, high: Array) -> IntArray:
        """Rows of the patches whose boxes reach into a box."""
        return np.flatnonzero((self.low <= high).all(axis=1) & (self.high >= low).all(axis=1))


def _flats(shell: Shell, near: float) -> _Flats:
    """The shell's flat patches, a plane at a time."""
    a, b, c = (shell.vertices[shell.faces[:, k]] for k in range(3))
    cross = np.cross(b - a, c - a)
    length = np.linalg.norm(cross, axis=1)
    real = np.flatnonzero(length > 1e-12 * float(length.max(initial=0.0)))
    normals = cross[real] / length[real, None]
    offsets = np.einsum("ij,ij->i", normals, (a[real] + b[real] + c[real]) / 3)
    keys = np.round(np.column_stack([normals * 1e3, offsets / near])).astype(np.int64)
    tick()
    order = np.lexsort((-length[real], *keys.T[::-1]))  # of each plane the biggest face first
    starts = np.flatnonzero(np.r_[True, (np.diff(keys[order], axis=0) != 0).any(axis=1)])
    tick()
    faces = shell.faces[real[order]]
    corners = shell.vertices[faces]
    return _Flats(
        normals[order[starts]],
        offsets[order[starts]],
        np.minimum.reduceat(corners.min(axis=1), starts),
        np.maximum.reduceat(corners.max(axis=1), starts),
        faces,
        starts,
    )


def _touching(own: _Flats, others: _Flats, box: Array, near: float) -> list[tuple[int, float]]:
    """The flat patches that lie before some of another shell that looks at them and overlaps their box, and
    how far, mm. ``box`` of the first shell."""
    close = others.within(box[0] - near, box[1] + near)
    if not len(close):
        return []
    mine = own.within(others.low[close].min(axis=0) - near, others.high[close].max(axis=0) + near)
    row, other = _facing(own, mine, others, close, near)
    gap = -others.offsets[other] - own.offsets[row]
    lies = (own.low[row] - near <= others.high[other]).all(axis=1)
    lies &= (own.high[row] + near >= others.low[other]).all(axis=1)
    most: dict[int, float] = {}
    for at, by in zip(row[lies].tolist(), gap[lies].tolist(), strict=True):
        most[at] = max(by, most.get(at, 0.0))
    return list(most.items())


def _facing(
    own: _Flats, mine: IntArray, others: _Flats, close: IntArray, near: float
) -> tuple[IntArray, IntArray]:
    """Pairs of patches in one plane to ``near`` that look opposite ways: rows of either, in order.

    A curved shell has as many patches as faces, so that they are looked up and not compared each with each.
    """
    if not len(mine):
        return mine, mine
    chord = float(np.sqrt(2 - 2 * OPPOSITE))  # between normals as far apart as may be
    scale = chord / near
    ours = np.column_stack([own.normals[mine], own.offsets[mine] * scale])
    theirs = np.column_stack([-others.normals[close], -others.offsets[close] * scale])
    found = tree(ours).sparse_distance_matrix(
        tree(theirs), chord * (1 + 1e-9), p=np.inf, output_type="ndarray"
    )
    row, other = mine[found["i"]], close[found["j"]]
    meets = np.einsum("ij,ij->i", own.normals[row], others.normals[other]) <= -OPPOSITE
    meets &= np.abs(others.offsets[other] + own.offsets[row]) <= near
    row, other = row[meets], other[meets]
    order = np.lexsort((other, row))
    return row[order], other[order]
