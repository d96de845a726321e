"""Small parts and small balls: does a printed part go into the test cylinder, or through the test hole?

Both test spaces are convex, so the part's convex hull decides. Let h(d) be the hull's extent along a
direction d. Put the cylinder's axis along u and its deep side along e, across u. Then the part sticks out
by at least half of

    h(e) + h(-e) - 2 r                                  between two walls, for any e across u, and
    (h(u) + h(-u - k e) + k h(e) - k r - c) / (2 + k')  between rim, slanted bottom and the deep side's wall

(k the bottom's slope, c its middle depth, k' what makes the weights sum to one). Turning by an angle moves
no point farther than the angle times the part's radius, so a cell of orientations whose middle sticks out
by more than that holds no fit. Cells are split until all are excluded (it does not fit), until an
orientation is found that fits, or until they are too small to matter: then it counts as fitting, which is
the safe side.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np
from scipy.optimize import linprog
from scipy.spatial import ConvexHull, QhullError

from steps.glue.hazards import hazard_book
from steps.model import Array, IntArray, Shape

#: Cells that move no point by more than this are not split further, mm: printed parts come out 0.2 mm larger
#: or smaller on each side (makers' practice), so what sticks out by less than this may fit.
FINE_MM = 0.3
#: Cells along each edge of a face of directions, and per quarter turn about the axis, at the start.
START = 3
#: Turns about the axis tried at the first look.
FIRST_TURNS = 12
#: The directions handed on have cells that move points by at least this share of the part's radius.
COARSE_SHARE = 0.2
#: More cells than this at once and the part counts as fitting.
MOST_CELLS = 2_000_000
#: Orientations, best first, for which an exact fit is tried at each level.
TRIES = 12
#: Vertices of the hull kept for excluding: a hull of fewer vertices sticks out less, so that stays sound.
MOST_VERTICES = 60
#: Sides of the polygon inscribed in the circle when a fit is proved.
WALLS = 64
#: Cells whose extents are computed at once: bounds the memory.
CHUNK = 20_000
#: A part is a ball or near one when its hull fills this share of the sphere round it: a ball 0.8 times as
#: thick as long fills 0.64 to 0.8, a cube 0.37.
BALL_SHARE = 0.6

SQUARE = np.array(list(product((-0.5, 0.5), repeat=2)))
CUBE = np.array(list(product((-0.5, 0.5), repeat=3)))


@dataclass(frozen=True)
class TestSpace:
    """A hole of ``radius`` mm; with ``depths`` (shallow, deep) a cylinder with a slanted bottom."""

    radius: float
    depths: tuple[float, float] | None = None

    @property
    def slope(self) -> float:
        shallow, deep = self.depths or (0.0, 0.0)
        return (deep - shallow) / (2 * self.radius)

    @property
    def middle_depth(self) -> float:
        return sum(self.depths or (0.0, 0.0)) / 2

    def half_spaces(self) -> tuple[Array, Array]:
        """Normals and offsets of a polyhedron inside the space: axis z, rim at 0, deep side towards +x."""
        angles = 2 * np.pi * np.arange(WALLS) / WALLS
        normals = np.stack([np.cos(angles), np.sin(angles), 0 * angles], axis=1)
        offsets = np.full(WALLS, self.radius * np.cos(np.pi / WALLS))
        if self.depths is None:
            return normals, offsets
        length = np.hypot(self.slope, 1.0)
        ends = np.array([(0.0, 0.0, 1.0), (-self.slope / length, 0.0, -1.0 / length)])
        return np.vstack([normals, ends]), np.append(offsets, [0.0, self.middle_depth / length])


def small_cylinder() -> TestSpace:
    """The small-parts cylinder of 16 CFR 1501.4: 31.7 mm wide, slanted from 25.4 to 57.1 mm deep."""
    limits = hazard_book().limits
    return TestSpace(limits["small_cylinder_diameter_mm"] / 2, tuple(limits["small_cylinder_depth_mm"]))


def small_hole() -> TestSpace:
    """The test hole for small balls (16 CFR 1500.19, EN 71-1 template E)."""
    return TestSpace(hazard_book().limits["small_ball_mm"] / 2)


def fits(points: Array, space: TestSpace) -> bool:
    """Whether the convex hull of ``points`` (n, 3, mm) goes into the space in some orientation."""
    hull = _hull(points)
    hull = hull - (hull.min(axis=0) + hull.max(axis=0)) / 2
    sparse = hull[_spread(hull, MOST_VERTICES)]
    if space.depths is not None and _fits_at_once(hull, sparse, space):
        return True
    directions = _narrow_directions(sparse, space)
    if directions is None or space.depths is None:
        return directions is not None
    return _fits_some_way(hull, sparse, space, directions)


@dataclass(frozen=True, eq=False)
class _Cells:
    """Cells of directions (n, 3: face of a cube, place on it) of half width ``size``."""

    cells: Array
    size: float


def _narrow_directions(hull: Array, space: TestSpace) -> _Cells | None:
    """Directions along which the hull may go between the walls, in cells fit to go on with; None when it
    is too wide every way."""
    radius, size = float(np.linalg.norm(hull, axis=1).max()), 1.0 / START
    cells = _first_directions()
    kept = _Cells(cells, size)
    while True:
        out = _out_of_walls(cells, hull, space)
        moved = radius * np.sqrt(2.0) * size
        cells = cells[out <= moved]
        if not len(cells):
            return None
        if moved >= COARSE_SHARE * radius:
            kept = _Cells(cells, size)
        if moved <= FINE_MM:
            return kept
        middles = (cells[:, None, 1:] + size * SQUARE).reshape(-1, 2)
        cells, size = np.column_stack([np.repeat(cells[:, 0], 4), middles]), size / 2


def _fits_at_once(hull: Array, sparse: Array, space: TestSpace) -> bool:
    """A first look at few orientations: most small parts are far smaller than the cylinder."""
    cells = _with_turns(_first_directions(), FIRST_TURNS)
    out = _out_of_cylinder(cells, sparse, space)
    return any(_fits_turned(hull, turn, space) for turn in _best_turns(cells, out))


def _first_directions() -> Array:
    steps = (2 * np.arange(START) + 1) / START - 1
    return np.array([(face, *place) for face in range(6) for place in product(steps, repeat=2)], dtype=float)


def _with_turns(directions: Array, turns: int) -> Array:
    angles = np.tile(2 * np.pi * (np.arange(turns) + 0.5) / turns, len(directions))
    return np.column_stack([np.repeat(directions, turns, axis=0), angles])


def _fits_some_way(hull: Array, sparse: Array, space: TestSpace, directions: _Cells) -> bool:
    """The search over direction and turn, (n, 4) cells: face, place on it, turn about the axis."""
    radius, size = float(np.linalg.norm(sparse, axis=1).max()), directions.size
    turns = max(4, round(np.pi / size))
    spin = np.pi / turns
    cells = _with_turns(directions.cells, turns)
    while True:
        out = _out_of_cylinder(cells, sparse, space)
        if any(_fits_turned(hull, turn, space) for turn in _best_turns(cells, out)):
            return True
        moved = radius * (2.0 * size + spin)  # see _frames
        cells = cells[out <= moved]
        if not len(cells) or moved <= FINE_MM or len(cells) * 8 > MOST_CELLS:
            return bool(len(cells))
        middles = (cells[:, None, 1:] + CUBE * (size, size, spin)).reshape(-1, 3)
        cells = np.column_stack([np.repeat(cells[:, 0], 8), middles])
        size, spin = size / 2, spin / 2


def _best_turns(cells: Array, out: Array) -> Array:
    """Turns that may fit, best first: one that sticks out whatever the shift need not be tried."""
    best = np.argsort(out, kind="stable")[:TRIES]
    return np.stack(_frames(cells[best[out[best] <= 0]]), axis=1)


def _frames(cells: Array) -> tuple[Array, Array, Array]:
    """Deep side e, the third axis, and the axis u of each cell, (n, 3) each.

    On a face of a cube, moving by d turns u by at most d; the frame turns about u by at most as much again
    at a right angle to it, so by sqrt 2 d in all, and the corner of a cell of half width s is sqrt 2 s away:
    2 s, plus the turn itself.
    """
    face = cells[:, 0].astype(int)
    u = np.empty((len(cells), 3))
    for one in range(6):
        of_face = face == one
        u[of_face] = np.insert(cells[of_face, 1:3], one % 3, 1.0 if one < 3 else -1.0, axis=1)
    u /= np.linalg.norm(u, axis=1, keepdims=True)
    along = np.eye(3)[(face + 1) % 3]
    first = along - np.einsum("ij,ij->i", along, u)[:, None] * u
    first /= np.linalg.norm(first, axis=1, keepdims=True)
    second = np.cross(u, first)
    turn = cells[:, 3:4] if cells.shape[1] > 3 else np.zeros((len(cells), 1))
    return np.cos(turn) * first + np.sin(turn) * second, np.cos(turn) * second - np.sin(turn) * first, u


def _out_of_walls(cells: Array, hull: Array, space: TestSpace) -> Array:
    """How far the hull sticks out between two walls at least, mm, over eight pairs of walls."""
    found = np.empty(len(cells))
    for start in range(0, len(cells), CHUNK):
        some = cells[start : start + CHUNK]
        e, f, _ = _frames(some)
        worst = np.full(len(some), -np.inf)
        for angle in np.pi * np.arange(8) / 8:
            reach = (np.cos(angle) * e + np.sin(angle) * f) @ hull.T
            worst = np.maximum(worst, (reach.max(axis=1) - reach.min(axis=1)) / 2 - space.radius)
        found[start : start + CHUNK] = worst
    return found


def _out_of_cylinder(cells: Array, hull: Array, space: TestSpace) -> Array:
    """How far the hull sticks out of the cylinder at least, mm: the module's text has the two terms."""
    found = np.empty(len(cells))
    k = space.slope
    weight = 1.0 + np.hypot(1.0, k) + k
    for start in range(0, len(cells), CHUNK):
        e, f, u = (axis @ hull.T for axis in _frames(cells[start : start + CHUNK]))
        worst = (u.max(axis=1) - (u + k * e).min(axis=1) + k * e.max(axis=1)) - k * space.radius
        worst = (worst - space.middle_depth) / weight
        for across in (e, f, (e + f) * np.sqrt(0.5), (e - f) * np.sqrt(0.5)):
            worst = np.maximum(worst, (across.max(axis=1) - across.min(axis=1)) / 2 - space.radius)
        found[start : start + CHUNK] = worst
    return found


def _fits_turned(hull: Array, turn: Array, space: TestSpace) -> bool:
    """Whether some shift puts the hull, turned by ``turn`` (3, 3), into the space."""
    normals, offsets = space.half_spaces()
    room = offsets - (hull @ turn.T @ normals.T).max(axis=0)
    found = linprog(np.zeros(3), A_ub=normals, b_ub=room, bounds=[(None, None)] * 3, method="highs")
    return bool(found.status == 0)


def _hull(points: Array) -> Array:
    try:
        return points[ConvexHull(points).vertices]
    except QhullError:  # flat or degenerate: its points are its hull
        return np.unique(points, axis=0)


def _spread(points: Array, most: int) -> IntArray:
    """Rows of at most so many points, each next one the farthest from those before it."""
    if len(points) <= most:
        return np.arange(len(points))
    chosen = [int(np.argmax(np.linalg.norm(points, axis=1).round(6)))]
    distance = np.linalg.norm(points - points[chosen[0]], axis=1)
    while len(chosen) < most:
        chosen.append(int(np.argmax(distance.round(6))))
        distance = np.minimum(distance, np.linalg.norm(points - points[chosen[-1]], axis=1))
    return np.array(sorted(chosen), dtype=np.int64)


def is_small_part(shape: Shape) -> bool:
    """Whether the printed part goes into the small-parts cylinder, in any orientation, uncompressed."""
    return fits(shape.vertices, small_cylinder())


def is_small_ball(shape: Shape) -> bool:
    """Whether the printed part is a ball that passes the test hole."""
    try:
        hull = ConvexHull(shape.vertices)
    except QhullError:
        return False
    corners = shape.vertices[hull.vertices]
    far = np.linalg.norm(corners - (corners.min(axis=0) + corners.max(axis=0)) / 2, axis=1).max()
    return hull.volume >= BALL_SHARE * 4 / 3 * np.pi * far**3 and fits(corners, small_hole())
