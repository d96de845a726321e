"""Mesh repair where it is safe, with a list of what was done; what could not be is said."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import trimesh

from steps.model import Shape

#: Holes with at most this many edges are closed; larger ones may be meant, or need a person.
SMALL_HOLE_EDGES = 4


@dataclass(frozen=True, eq=False)
class Mended:
    """A mesh for the printer, in shape coordinates, and what was done to it."""

    mesh: trimesh.Trimesh
    done: tuple[str, ...]
    left: tuple[str, ...]  #: faults that remain

    @property
    def sound(self) -> bool:
        return not self.left


def mend(shape: Shape) -> Mended:
    """Duplicate and collapsed faces, loose vertices, normals and small holes; the shape is untouched."""
    mesh = trimesh.Trimesh(shape.vertices.copy(), shape.faces.copy(), process=False)
    done: list[str] = []
    _drop_faces(mesh, ~mesh.nondegenerate_faces(), "collapsed", done)
    _drop_faces(mesh, ~mesh.unique_faces(), "duplicate", done)
    mesh.remove_unreferenced_vertices()
    if not mesh.is_watertight:
        before = len(mesh.vertices)
        mesh.merge_vertices(merge_norm=True, merge_tex=True)
        if len(mesh.vertices) < before:
            done.append(f"{_count(before - len(mesh.vertices), 'vertex', 'vertices')} welded")
    if not mesh.is_watertight:
        before = len(mesh.faces)
        trimesh.repair.fill_holes(mesh)
        if len(mesh.faces) > before:
            done.append(f"small holes closed with {_count(len(mesh.faces) - before, 'face', 'faces')}")
    _turn_faces(mesh, done)
    return Mended(mesh, tuple(done), _left(mesh))


def _drop_faces(mesh: trimesh.Trimesh, wrong: np.ndarray, what: str, done: list[str]) -> None:
    if wrong.any():
        mesh.update_faces(~wrong)
        done.append(f"{_count(int(wrong.sum()), f'{what} face', f'{what} faces')} removed")


def _turn_faces(mesh: trimesh.Trimesh, done: list[str]) -> None:
    """Make the winding agree and point outwards."""
    before = mesh.faces.copy()
    if not mesh.is_winding_consistent:
        trimesh.repair.fix_winding(mesh)
    if mesh.is_watertight and mesh.volume < 0:
        mesh.invert()
    turned = int((np.sort(before, axis=1) != before).any()) and _turned(before, mesh.faces)
    if turned:
        done.append(f"{_count(turned, 'face', 'faces')} turned outwards")


def _turned(before: np.ndarray, after: np.ndarray) -> int:
    """How many faces run the other way round."""
    same = np.zeros(len(before), dtype=bool)
    for shift in range(3):
        same |= (np.roll(after, shift, axis=1) == before).all(axis=1)
    return int((~same).sum())


def _left(mesh: trimesh.Trimesh) -> tuple[str, ...]:
    left = []
    if not mesh.is_watertight:
        edges = np.unique(mesh.edges_sorted, axis=0, return_counts=True)[1]
        left.append(f"not watertight, {_count(int((edges != 2).sum()), 'open edge', 'open edges')}")
    elif not mesh.is_winding_consistent:
        left.append("faces disagree about inside and outside")
    if len(mesh.faces) == 0:
        left.append("no faces")
    return tuple(left)


def _count(number: int, one: str, many: str) -> str:
    return f"{number} {one if number == 1 else many}"
