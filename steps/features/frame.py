"""The natural axes of a shape: which way is up on it, and along which directions it is long and wide.

Meshes come turned anyhow: a file of several bodies has each in its place in the model, tilted where
the model is. Studs tell best; else the flat faces do, and which side is hollow.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from renderer.topology import unique_rows
from steps.features.mesh import Mesh
from steps.model import Array, Feature
from steps.remembered import remembered
from steps.ties import least_axis

#: Directions are one within this cosine (a degree), and at right angles within this.
SAME_WAY = np.cos(np.radians(1.0))
SQUARE = np.sin(np.radians(1.0))
#: A direction counts as an axis of the shape when flat faces of this share of its area look along it.
FLAT_SHARE = 0.05
#: Ways of looking that are compared, those with most area first; a block has three, a slanted one five.
WAYS = 12
#: A shape is round when nothing of it is further from its cylinder's axis than so many radii.
ROUND_SLACK = 1.05
#: A shape whose centroid lies off the middle of its height by more than this share of it is hollow below.
HOLLOW_SHARE = 0.02


def natural_up(features: Sequence[Feature], mesh: Mesh) -> Array:
    """The way most studs point, the first of them where they tie; of a round shape its axis.

    Else the shape's z where faces lie across it, else that axis of its flat faces along which the mass
    lies most to one side.
    """
    studs = [f.axis for f in features if f.kind == "stud"]
    if studs:
        axes = np.array(studs)
        return axes[int((axes @ axes.T > 0.99).sum(axis=1).argmax())]
    for peg in features:
        if peg.kind == "peg" and _is_all(peg, mesh):
            return _towards_the_mass(peg.axis[None], mesh)
    z = np.array([0.0, 0.0, 1.0])
    ways, areas = flat_ways(mesh)
    if not len(ways) or _along(ways, areas, z) >= FLAT_SHARE:
        return z
    return _towards_the_mass(_triad(ways, areas), mesh)


def _is_all(peg: Feature, mesh: Mesh) -> bool:
    """Whether a cylinder is the whole shape, as of a wheel: nothing stands out of it sideways."""
    off = mesh.vertices - peg.point
    across = off - np.outer(off @ peg.axis, peg.axis)
    return bool(np.linalg.norm(across, axis=1).max(initial=0.0) <= ROUND_SLACK * peg.radius_mm)


def _triad(ways: Array, areas: Array) -> Array:
    """The three directions at right angles in which most area looks (fewer where faces are lacking)."""
    best, found = -1.0, ways[:1]
    for row, first in enumerate(ways):
        beside = np.flatnonzero(np.abs(ways @ first) < SQUARE)
        if not len(beside):
            continue
        second = ways[beside[0]]
        third = np.cross(first, second)
        area = float(areas[row] + areas[beside[0]]) + _along(ways, areas, third)
        if area > best + 1e-6:
            best, found = area, np.array([first, second, third])
    return found


def natural_basis(features: Sequence[Feature], up: Array, mesh: Mesh) -> Array:
    """(2, 3) directions across ``up``: along the nearest pair of studs, else the shape's own axes where
    faces lie across them, else the way most flat area looks."""
    studs = np.array([f.point for f in features if f.kind == "stud" and f.axis @ up > 0.99])
    if len(studs) >= 2:
        off = studs[1:] - studs[0]
        off = off - np.outer(off @ up, up)
        length = np.linalg.norm(off, axis=1)
        length[length < 1e-9] = np.inf
        if np.isfinite(length).any():
            return _with_across(off[int(length.argmin())] / length.min(), up)
    first = np.eye(3)[least_axis(up)]
    own = first - (first @ up) * up
    own /= np.linalg.norm(own)
    ways, areas = flat_ways(mesh)
    if _along(ways, areas, own) + _along(ways, areas, np.cross(up, own)) >= FLAT_SHARE:
        return _with_across(own, up)
    beside = ways[(np.abs(ways @ up) < SQUARE) & (areas >= FLAT_SHARE)] if len(ways) else ways
    if not len(beside):
        return _with_across(own, up)
    along = beside[0] - (beside[0] @ up) * up
    return _with_across(along / np.linalg.norm(along), up)


def _with_across(along: Array, up: Array) -> Array:
    return np.array([along, np.cross(up, along)])


def flat_ways(mesh: Mesh) -> tuple[Array, Array]:
    """(k, 3) directions, either way, in which a mesh's faces look, most area first, and the share of the
    area that looks so."""
    return remembered("flat ways", mesh, lambda: _flat_ways(mesh))


def _flat_ways(mesh: Mesh) -> tuple[Array, Array]:
    total = float(mesh.areas.sum())
    if total <= 0:
        return np.zeros((0, 3)), np.zeros(0)
    largest = np.abs(np.round(mesh.normals, 6)).argmax(axis=1)[:, None]
    normals = mesh.normals * np.where(np.take_along_axis(mesh.normals, largest, axis=1) < 0, -1.0, 1.0)
    kinds, inverse = unique_rows(np.round(normals / 0.01).astype(np.int64))
    rough = np.bincount(inverse, weights=mesh.areas, minlength=len(kinds))
    left = np.ones(len(normals), dtype=bool)
    ways, shares = [], []
    for kind in np.argsort(-rough, kind="stable")[: 4 * WAYS]:
        seed = kinds[kind] / np.linalg.norm(kinds[kind])
        near = left & (np.abs(normals @ seed) > SAME_WAY)
        if not near.any():
            continue
        left &= ~near
        facing = normals[near] * np.sign(normals[near] @ seed)[:, None]
        way = (facing * mesh.areas[near, None]).sum(axis=0)
        ways.append(way / np.linalg.norm(way))
        shares.append(float(mesh.areas[near].sum()) / total)
    order = np.argsort(-np.round(shares, 6), kind="stable")[:WAYS]
    return np.array(ways)[order], np.array(shares)[order]


def _along(ways: Array, areas: Array, direction: Array) -> float:
    """Share of the area that looks along a direction, either way."""
    return float(areas[np.abs(ways @ direction) > SAME_WAY].sum()) if len(ways) else 0.0


def _towards_the_mass(axes: Array, mesh: Mesh) -> Array:
    """The axis along which the centroid lies most off the middle, pointing to it; else the one nearest z."""
    along = mesh.vertices @ axes.T
    low, high = along.min(axis=0), along.max(axis=0)
    middle = mesh.vertices.mean(axis=0)
    t = mesh.triangles - middle
    six = np.einsum("ij,ij->i", t[:, 0], np.cross(t[:, 1], t[:, 2]))
    if six.sum() <= 0:
        return _upright(axes)
    centroid = middle + (six[:, None] * t.sum(axis=1)).sum(axis=0) / (4 * six.sum())
    off = (centroid @ axes.T - (low + high) / 2) / np.maximum(high - low, 1e-300)
    most = int(np.round(np.abs(off), 6).argmax())
    return axes[most] * np.sign(off[most]) if abs(off[most]) > HOLLOW_SHARE else _upright(axes)


def _upright(axes: Array) -> Array:
    nearest = axes[int(np.round(np.abs(axes[:, 2]), 6).argmax())]
    return nearest if nearest[2] >= 0 else -nearest
