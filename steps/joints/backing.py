"""What stands behind a contact line, measured on the mesh: a wall with its ribs, a tube, a pin, a hole.

A wall is followed along its length in the cut across the plug's axis, from the line to both sides, until
a corner or cross wall clamps it or it ends; its height is asked of rays along the axis.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from weakref import WeakKeyDictionary

import numpy as np

from steps.features.anatomy import Anatomy
from steps.features.section import Section
from steps.joints.overlap import probe
from steps.model import Array, Backing

#: A wall is followed so many times its height, or the plug's radius, to either side; what is farther off
#: adds less than a hundredth to its stiffness.
FOLLOWED = 2.5
#: Material that reaches farther towards the plug than the line does, by this share of the wall's thickness,
#: is a corner or a cross wall.
CROSSES = 0.5
#: Stretches shorter than this share of the wall's thickness are one with their neighbour.
SHORTEST = 0.1
#: A round of whose width, measured along the line's direction, this share is solid has no bore.
SOLID = 0.8
#: Rays stand off a face by this share of the plug's radius.
OFF = 0.05
#: Directions in which a hole's wall is measured.
ROUND_HOLE = 16
#: Lines nearer to each other than this share of the plug's radius are at one place.
SAME_PLACE = 2e-3


@dataclass(frozen=True, eq=False)
class Ask:
    """One contact line: (2,) direction in the cut's plane, its distance from the axis, its engaged stretch
    along the axis from the plug's start, the cut nearest to it, what it meets, and the outside radius of a
    round."""

    direction: Array
    distance: float
    low: float
    high: float
    cut: Section
    all_round: bool
    round_mm: float


_known: WeakKeyDictionary[Anatomy, dict[tuple[object, ...], Backing]] = WeakKeyDictionary()


def backings(asks: Sequence[Ask], start: Array, axis: Array, radius: float, other: Anatomy) -> list[Backing]:
    """The backing of each line of one plug; ``start`` on the plug's axis in the other's coordinates.

    A shape's sockets are met again by every part that sits the same way in them: each place is measured once.
    """
    known = _known.setdefault(other, {})
    keys = [_key(ask, start, axis, radius) for ask in asks]
    new = [(key, ask) for key, ask in zip(keys, asks, strict=True) if key not in known]
    if new:
        found = _measured([ask for _, ask in new], start, axis, radius, other)
        known.update(zip((key for key, _ in new), found, strict=True))
    return [known[key] for key in keys]


def _key(ask: Ask, start: Array, axis: Array, radius: float) -> tuple[object, ...]:
    """What a backing depends on, to a few thousandths of the plug's radius."""
    way = ask.direction @ ask.cut.basis
    low = start + ask.low * axis + ask.distance * way
    grain = SAME_PLACE * radius
    lengths = np.array([*low, ask.high - ask.low, radius, ask.round_mm]) / grain
    return (*np.round(lengths).tolist(), *np.round([*way, *axis], 4).tolist(), ask.all_round)


def _measured(asks: Sequence[Ask], start: Array, axis: Array, radius: float, other: Anatomy) -> list[Backing]:
    thick = _thicknesses(asks, start, radius)
    ceiling, edge, top = _heights(asks, thick, start, axis, radius, other)
    found = []
    for row, ask in enumerate(asks):
        half = (ask.high - ask.low) / 2
        roof = bool(np.isfinite(ceiling[row]))
        up = max(float(ceiling[row] if roof else top[row]), half)
        down = max(float(edge[row]), half)
        common = (up + down, up + half, up - half, roof)
        if ask.all_round:
            found.append(Backing("hole", thick[row], *common, radius_mm=ask.distance))
        elif ask.round_mm > 0:
            solid = thick[row] >= SOLID * 2 * ask.round_mm
            wall = ask.round_mm if solid else min(thick[row], ask.round_mm)
            found.append(Backing("pin" if solid else "tube", wall, *common, radius_mm=ask.round_mm))
        else:
            reach = FOLLOWED * max(common[0], radius)
            ends, stretches, clamped = _along(ask, start, thick[row], reach)
            found.append(
                Backing("wall", thick[row], *common, ends=ends, stretches=stretches, clamped=clamped)
            )
    return found


def _thicknesses(asks: Sequence[Ask], start: Array, radius: float) -> list[float]:
    """Behind each line, on the ray from the plug's axis; round a hole the least of a ring of rays."""
    turns = 2 * np.pi / ROUND_HOLE * np.arange(ROUND_HOLE) + 0.05
    ring = np.column_stack([np.cos(turns), np.sin(turns)])
    found: dict[int, float] = {}
    for cut in {id(ask.cut): ask.cut for ask in asks}.values():
        rows = [row for row, ask in enumerate(asks) if ask.cut is cut]
        ways = [ring if asks[row].all_round else asks[row].direction[None] for row in rows]
        entered, left = _rays(cut.about(start), np.vstack(ways), 0.5 * radius)
        met = np.full(len(left), radius)
        through = np.isfinite(entered) & np.isfinite(left)
        met[through] = left[through] - entered[through]
        for row, own in zip(rows, np.split(met, np.cumsum([len(way) for way in ways])[:-1]), strict=True):
            found[row] = float(own.min())
    return [found[row] for row in range(len(asks))]


def _rays(segments: Array, ways: Array, front: float) -> tuple[Array, Array]:
    """(k,) where rays from the origin along unit ``ways`` (k, 2) first enter and next leave the solid beyond
    ``front``: infinite where they do not, entered -inf where the solid begins before."""
    a, b = segments[:, 0], segments[:, 1]
    left_of = np.column_stack([-ways[:, 1], ways[:, 0]])
    va, vb = left_of @ a.T, left_of @ b.T
    crossed = (va < 0) != (vb < 0)
    share = va / np.where(crossed, va - vb, 1.0)
    at = ways @ a.T
    at = at + share * (ways @ b.T - at)
    return _first_solid(np.where(crossed & (at > front), at, np.inf), vb < va)


def _heights(
    asks: Sequence[Ask], thick: Sequence[float], start: Array, axis: Array, radius: float, other: Anatomy
) -> tuple[Array, Array, Array]:
    """From the middle of each line: up to the roof (infinite without one), down to the wall's edge, up to
    its upper edge."""
    ways = np.array([ask.direction @ ask.cut.basis for ask in asks])
    middle = np.array([start + axis * (ask.low + ask.high) / 2 for ask in asks])
    distance = np.array([ask.distance for ask in asks])[:, None]
    front = middle + ways * (distance - OFF * radius)
    within = middle + ways * (distance + np.minimum(np.array(thick) / 2, radius)[:, None])
    ups, downs = np.tile(axis, (len(asks), 1)), np.tile(-axis, (len(asks), 1))
    reach = probe(other).distances(np.vstack([front, within, within]), np.vstack([ups, downs, ups]))
    ceiling, edge, top = np.split(reach, 3)
    half = np.array([ask.high - ask.low for ask in asks]) / 2
    return ceiling, np.where(np.isfinite(edge), edge, half), np.where(np.isfinite(top), top, half)


def _along(
    ask: Ask, start: Array, thickness: float, reach: float
) -> tuple[tuple[float, ...], tuple[float, ...], tuple[bool, bool]]:
    """Ends, thicknesses and clamps of the wall to both sides of the line."""
    segments = ask.cut.about(start)
    tangent = np.array([-ask.direction[1], ask.direction[0]])
    front = ask.distance - CROSSES * thickness
    deep = (segments @ ask.direction).max(axis=1) > front
    across = (segments[deep] @ tangent).ravel()
    least = SHORTEST * thickness
    breaks = [0.0]
    for value in np.sort(np.append(across[np.abs(across) < reach], (-reach, reach))).tolist():
        if min(abs(value - other) for other in (breaks[-1], 0.0)) > least or abs(value) == reach:
            breaks.append(value)
    edges = np.unique(breaks)
    middles = (edges[1:] + edges[:-1]) / 2
    entered, left = _crossings(segments[deep], ask.direction, middles, front)
    first = int(np.searchsorted(edges, 0.0))
    right = _follow(range(first, len(middles)), entered, left)
    back = _follow(range(first - 1, -1, -1), entered, left)
    kept = [*reversed(back[0]), *right[0]]
    if not kept:
        return (-thickness, thickness), (thickness,), (True, True)
    ends = (float(edges[kept[0]]), *(float(edges[i + 1]) for i in kept))
    return ends, tuple(float(left[i] - entered[i]) for i in kept), (back[1], right[1])


def _follow(rows: range, entered: Array, left: Array) -> tuple[list[int], bool]:
    """Stretches of the wall one after another, and whether it ends clamped."""
    kept: list[int] = []
    for row in rows:
        if not np.isfinite(left[row]):
            return kept, False  # nothing more behind: a free end
        if entered[row] == -np.inf:
            return kept, True  # a corner or a cross wall
        if kept and (entered[row] > left[kept[-1]] or entered[kept[-1]] > left[row]):
            return kept, False  # what lies there is another wall
        kept.append(row)
    return kept, True  # it goes on


def _crossings(segments: Array, way: Array, offsets: Array, front: float) -> tuple[Array, Array]:
    """(k,) where rays along ``way``, ``offsets`` to its left, first enter and next leave the solid beyond
    ``front``; entered is -inf where the solid begins before it, left is inf where nothing is met."""
    tangent = np.array([-way[1], way[0]])
    u, v = segments @ way, segments @ tangent
    low, high = v.min(axis=1), v.max(axis=1)
    crossed = (low[None] < offsets[:, None]) & (high[None] > offsets[:, None])
    run = v[:, 1] - v[:, 0]
    safe = np.where(np.abs(run) > 1e-12, run, 1.0)
    at = u[:, 0] + (offsets[:, None] - v[:, 0]) / safe * (u[:, 1] - u[:, 0])
    # The solid lies to the left of a segment: one that runs down across the ray is entered.
    return _first_solid(np.where(crossed & (at > front), at, np.inf), np.broadcast_to(run < 0, crossed.shape))


def _first_solid(at: Array, enters: np.ndarray) -> tuple[Array, Array]:
    """(k,) entry and exit of the first solid on each ray, of (k, s) crossings at ``at`` (infinite: none)."""
    first = np.where(enters, at, np.inf).min(axis=1, initial=np.inf)
    out = np.where(~enters, at, np.inf)
    leaves = out.min(axis=1, initial=np.inf)
    after = np.where(out > first[:, None], out, np.inf).min(axis=1, initial=np.inf)
    within = leaves < first  # already in the solid at the front
    return np.where(within, -np.inf, first), np.where(within, leaves, after)
