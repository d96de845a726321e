"""Mesh repair where it is safe, with a list of what was done; what could not be is said."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import trimesh

from steps.model import Array, IntArray, Shape
from steps.prints.planes import flattened, outlines, triangulated
from steps.prints.wording import Phrase, phrase, phrase_n

#: A hole with at most this many edges is closed whatever its form.
FEW_EDGES = 4
#: A larger one is closed if it spans less than this share of the shape: what is wider may be meant, such as
#: an underside that was left out (a choice of ours, no source).
SMALL_HOLE_SHARE = 0.25
#: And if its corners lie in one plane within this share of its span: then there is one way to close it.
FLAT_SHARE = 0.02


@dataclass(frozen=True, eq=False)
class Mended:
    """A mesh for the printer, in shape coordinates, and what was done to it."""

    mesh: trimesh.Trimesh
    done: tuple[Phrase, ...]
    left: tuple[Phrase, ...]  #: faults that remain

    @property
    def sound(self) -> bool:
        return not self.left


def mend(shape: Shape) -> Mended:
    """Duplicate and collapsed faces, split corners, small holes and turned faces; the shape is untouched."""
    mesh = trimesh.Trimesh(shape.vertices.copy(), shape.faces.copy(), process=False)
    done: list[Phrase] = []
    if n := _drop_faces(mesh, ~mesh.nondegenerate_faces()):
        done.append(phrase_n("{n} collapsed face removed", "{n} collapsed faces removed", n))
    if n := _drop_faces(mesh, ~mesh.unique_faces()):
        done.append(phrase_n("{n} duplicate face removed", "{n} duplicate faces removed", n))
    mesh.remove_unreferenced_vertices()
    if not mesh.is_watertight:
        before = len(mesh.vertices)
        mesh.merge_vertices(merge_norm=True, merge_tex=True)
        if n := before - len(mesh.vertices):
            done.append(phrase_n("{n} split corner joined", "{n} split corners joined", n))
    faces = mesh.faces.copy()
    if not mesh.is_winding_consistent:
        trimesh.repair.fix_winding(mesh)
    if not mesh.is_watertight and (n := _close_holes(mesh)):
        done.append(phrase_n("{n} small hole closed", "{n} small holes closed", n))
    if mesh.is_watertight:
        _turn_bodies(mesh)
    if n := _turned(faces, mesh.faces[: len(faces)]):
        done.append(phrase_n("{n} face turned outwards", "{n} faces turned outwards", n))
    return Mended(mesh, tuple(done), _left(mesh))


def _drop_faces(mesh: trimesh.Trimesh, wrong: np.ndarray) -> int:
    if wrong.any():
        mesh.update_faces(~wrong)
    return int(wrong.sum())


def _turned(before: IntArray, after: IntArray) -> int:
    """How many faces run the other way round."""
    same = np.zeros(len(before), dtype=bool)
    for shift in range(3):
        same |= (np.roll(after, shift, axis=1) == before).all(axis=1)
    return int((~same).sum())


def _turn_bodies(mesh: trimesh.Trimesh) -> None:
    """Turn each closed surface outwards, unless it lies within another and so may be a void."""
    surfaces = trimesh.graph.connected_components(mesh.face_adjacency, nodes=np.arange(len(mesh.faces)))
    corners = mesh.triangles
    sixfold = np.einsum("ij,ij->i", corners[:, 0], np.cross(corners[:, 1], corners[:, 2]))
    boxes = np.array([np.stack([corners[s].min(axis=(0, 1)), corners[s].max(axis=(0, 1))]) for s in surfaces])
    faces = np.array(mesh.faces)
    for row, surface in enumerate(surfaces):
        around = (boxes[:, 0] < boxes[row, 0]).all(axis=1) & (boxes[:, 1] > boxes[row, 1]).all(axis=1)
        if sixfold[surface].sum() < 0 and not around.any():
            faces[surface] = faces[surface][:, ::-1]
    if (faces != mesh.faces).any():
        mesh.faces = faces


# -------------------------------------------------------------------------------- holes


def _close_holes(mesh: trimesh.Trimesh) -> int:
    """Close the small holes; returns how many."""
    widest = SMALL_HOLE_SHARE * float(np.ptp(mesh.vertices, axis=0).max())
    rims = [run[::-1] for run in outlines(np.asarray(mesh.faces))[0]]  # a lid runs against its neighbours
    lids = [_lid(mesh.vertices, rim, widest) for rim in rims]
    lids = [lid for lid in lids if lid is not None]
    if lids:
        mesh.faces = np.concatenate([mesh.faces, *lids])
    return len(lids)


def _lid(vertices: Array, rim: IntArray, widest: float) -> IntArray | None:
    """Faces that close a hole; None where it is too large or there is more than one way."""
    corners = vertices[rim]
    normal = np.cross(corners, np.roll(corners, -1, axis=0)).sum(axis=0)
    length = float(np.linalg.norm(normal))
    span = float(np.ptp(corners, axis=0).max())
    if len(rim) == 3:
        return rim[None]
    if length < 1e-12 or (len(rim) > FEW_EDGES and span > widest):
        return None
    normal = normal / length
    height = corners @ normal
    if len(rim) > FEW_EDGES and np.ptp(height) > FLAT_SHARE * span:
        return None
    triangles = triangulated([flattened(corners, normal)])
    return None if triangles is None else rim[triangles]


def _left(mesh: trimesh.Trimesh) -> tuple[Phrase, ...]:
    left = []
    if not mesh.is_watertight:
        edges = np.unique(mesh.edges_sorted, axis=0, return_counts=True)[1]
        n = int((edges != 2).sum())
        left.append(phrase_n("not watertight, {n} open edge", "not watertight, {n} open edges", n))
    elif not mesh.is_winding_consistent:
        left.append(phrase("faces disagree about inside and outside"))
    if len(mesh.faces) == 0:
        left.append(phrase("no faces"))
    return tuple(left)
