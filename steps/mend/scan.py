"""A scan made plain: each corner of a dense mesh that chance has moved is set where its surfaces meet.

How far chance moves corners is measured: by two faces of one surface, whose four corners it moves off one
plane. A mesh that was drawn shows nothing of it and stays as it is. Else planes, cylinders and spheres are
grown over faces that turn gently and fitted to all of their corners, hundreds of them, so that they lie many
times nearer to what was scanned than any corner; what chance does not tell apart (pieces of one surface,
directions) is made one. Corners that lie off their surfaces by more or less than that were drawn so and stay.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise

import numpy as np

from renderer.topology import connected
from steps.mend.soup import edge_runs
from steps.mend.surfaces import TrueCylinder, TruePlane, TrueSurface, fits, refined, say_of
from steps.model import Array, IntArray
from steps.progress import tick, ticking

#: Corners off by less than this share of the diagonal are off by rounding: 0.001 mm in 50, three decimals.
ROUNDING = 2e-5
#: A quarter of what chance gives (a normal distribution) is nearer than so many deviations: read there, where
#: faces that truly bend have no say.
QUARTER, QUARTER_OFF = 0.25, 0.3186
#: A corner lies on a surface within so many deviations: one in two thousand of its own is further off.
WITHIN = 3.5
#: The normal of a face turns by so many deviations over its height.
TURNS = 1.4
#: Rounds of evening out normals, and how far (of unit normals) faces lie apart that even each other out by
#: 0.6: 20 degrees, so that facets do and edges of more than 50 do not.
EVENING, EVENS = 12, 0.35
#: Faces turn gently into each other when evened normals are less apart.
GENTLE = 0.4
#: A face lower than so many deviations tells nothing of which way it looks; below so many it may be in either
#: of two surfaces that meet there.
MUTE, NARROW = 2.3, 5.0
#: A face lies in a surface that it is turned from by no more than this, and three times what chance turns it.
TURNED = np.radians(20)
#: A surface has so many corners at least: more than its fit could follow.
FEWEST = 12
#: Chance makes surfaces that are one seem this much (in squares of the deviation) better as two, or as turned
#: by themselves, once in a thousand times: chi-square of 5.
CHI_SQUARE = 20.5
#: Directions (cosine) less far apart are tried as one: 8 degrees.
NEARLY = 0.99
#: Of surfaces that meet at a corner, directions in which they hold it less than this are along them all: it
#: stays where it is along planes that bend by less than 11 degrees.
HELD = 0.02
#: Rounds of giving faces to surfaces, and of setting corners on curved ones.
ROUNDS = 6
#: Corners of a surface by which to tell how far chance moves them: to within this share, in all but one of a
#: thousand such surfaces.
SURE, SURELY = 60, 0.3
#: So many of them, the largest first, say whether a mesh is a scan.
WITNESSES = 8
#: What bends evenly is off by less than this share of what faces beside each other show.
EVENLY = 0.5
#: Corners looked at for that, and the numbers that say how a surface bends.
LOOKED_AT, BENT = 400, 6


@dataclass(frozen=True, eq=False)
class Fitted:
    """A scan's corners set on its surfaces."""

    vertices: Array
    noise: float  #: standard deviation of corners as read, mm
    count: int  #: corners that lie on surfaces


def fitted(vertices: Array, faces: IntArray) -> Fitted | None:
    """The corners of a mesh set on the surfaces that chance moved them off; None where it did not."""
    pairs, ends = _sides(faces)
    if not len(pairs):
        return None
    noise = float(np.quantile(np.abs(_off_plane(vertices[ends])), QUARTER)) / QUARTER_OFF
    if not noise > ROUNDING * float(np.linalg.norm(np.ptp(vertices, axis=0))):
        return None
    if _off_bent(vertices, faces) < EVENLY * noise:  # it was drawn so: it bends, and evenly
        return None
    scan = _Scan.of(vertices, faces, pairs, noise)
    label, surfaces = _patches(scan, SURE, np.full(len(faces), -1), [], WITNESSES)
    if not _by_chance(scan, label, surfaces):
        return None
    label, surfaces = _patches(scan, FEWEST, label, surfaces, len(faces))
    label = _grown(scan, label, surfaces)
    label, surfaces = _merged(scan, label, surfaces)
    label = _nearest(scan, label, surfaces)
    surfaces = _of_one_direction(scan, label, surfaces)
    at, count = _set(scan, label, surfaces)
    return Fitted(at, noise, count)


# ------------------------------------------------------------------------------- the mesh


def _sides(faces: IntArray) -> tuple[IntArray, IntArray]:
    """Pairs of faces over each side that two share (e, 2); the ends of the side, and the corner of each face
    across from it (e, 4)."""
    order, starts, _ = edge_runs(faces)
    first = starts[np.diff(np.r_[starts, len(order)]) == 2]
    one, two = order[first], order[first + 1]
    flat, onward = faces.reshape(-1), np.roll(faces, -1, axis=1).reshape(-1)
    across = np.roll(faces, -2, axis=1).reshape(-1)
    return (
        np.column_stack([one // 3, two // 3]),
        np.column_stack([flat[one], onward[one], across[one], across[two]]),
    )


def _off_plane(corners: Array) -> Array:
    """(e,) how far four corners (e, 4, 3) of two faces are off one plane, with the deviation of any one."""
    a, b, c, d = (corners[:, k] for k in range(4))
    normal = np.cross(b - a, c - d)
    normal /= np.maximum(np.linalg.norm(normal, axis=1), 1e-300)[:, None]
    threes = ((b, c, d), (c, a, d), (a, b, d), (a, c, b))
    shares = [np.einsum("ij,ij->i", np.cross(q - p, r - p), normal) for p, q, r in threes]
    heights = [np.einsum("ij,ij->i", p - a, normal) for p in (a, b, c, d)]
    off = np.einsum("ki,ki->i", shares, heights)
    return np.asarray(off / np.maximum(np.linalg.norm(shares, axis=0), 1e-300))


def _off_bent(vertices: Array, faces: IntArray) -> float:
    """How far corners are off the evenly bent surface (a quadric) through all that are two sides round them,
    as the deviation of a quarter of those looked at, mm."""
    from scipy.sparse import coo_matrix

    sides = np.concatenate([faces, np.roll(faces, -1, axis=1)]).reshape(2, -1)
    count = len(vertices)
    near = coo_matrix((np.ones(sides.shape[1]), sides), shape=(count, count)).tocsr()
    near = near + near.T
    looked_at = np.unique(np.linspace(0, count - 1, LOOKED_AT).astype(np.int64))
    rows, found = near[looked_at] @ near, []
    for start, end in pairwise(rows.indptr.tolist()):
        points = vertices[rows.indices[start:end]]
        if len(points) > BENT:
            points = points - points.mean(axis=0)
            x, y, z = (points @ np.linalg.eigh(points.T @ points)[1][:, ::-1]).T
            bent = np.column_stack([np.ones(len(points)), x, y, x * x, x * y, y * y])
            off = z - bent @ np.linalg.lstsq(bent, z, rcond=None)[0]
            found.append(float(np.sqrt(off @ off / (len(points) - BENT))))
    return float(np.quantile(found, QUARTER)) if found else np.inf


@dataclass(frozen=True, eq=False)
class _Scan:
    """A mesh that chance has moved."""

    vertices: Array
    faces: IntArray
    pairs: IntArray  #: (e, 2) faces that share a side
    noise: float  #: deviation of its corners, mm
    normals: Array  #: (m, 3) of the faces as they are
    even: Array  #: (m, 3) those evened out
    areas: Array  #: (m,) twice the area of each
    heights: Array  #: (m,) of each over its longest side

    @staticmethod
    def of(vertices: Array, faces: IntArray, pairs: IntArray, noise: float) -> _Scan:
        corners = vertices[faces]
        cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        areas = np.linalg.norm(cross, axis=1)
        longest = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).max(axis=1)
        heights = areas / np.maximum(longest, 1e-300)
        normals = cross / np.maximum(areas, 1e-300)[:, None]
        trust = areas * np.clip(heights / (NARROW * noise), 0, 1) ** 2
        even = _evened(normals, trust, pairs)
        return _Scan(vertices, faces, pairs, noise, normals, even, areas, heights)

    def corners(self, rows: IntArray) -> Array:
        """(k, 3) the corners of faces, each once."""
        return self.vertices[np.unique(self.faces[rows])]

    def pieces(self, rows: IntArray) -> list[IntArray]:
        """Faces, ascending, parted into those that hang together; the largest last."""
        if not len(rows):
            return []
        near = self.beside[rows]
        at = np.minimum(np.searchsorted(rows, near), len(rows) - 1)
        one, side = np.nonzero(rows[at] == near)
        label = connected(len(rows), np.column_stack([one, at[one, side]]))
        return [rows[some] for some in _groups(label, np.arange(len(rows)))]

    @cached_property
    def beside(self) -> IntArray:
        """(m, 3) the faces over the sides of each that one other shares; -1 for none."""
        face, other = np.concatenate([self.pairs, self.pairs[:, ::-1]]).T
        order = np.argsort(face, kind="stable")
        face, other = face[order], other[order]
        found = np.full((len(self.faces), 3), -1)
        found[face, np.arange(len(face)) - np.searchsorted(face, face)] = other
        return found

    def likely(self, surfaces: list[TrueSurface], ask: IntArray) -> Array:
        """(k,) mean square of how far the corners of faces are off surfaces, mm2, for rows (face, surface);
        infinite where a face cannot lie in one."""
        cost = np.empty(len(ask))
        for own, rows in _by(ask[:, 1]):
            face = ask[rows, 0]
            corners = self.vertices[self.faces[face]]
            off = np.abs(surfaces[own].off(corners.reshape(-1, 3))).reshape(-1, 3)
            way = np.einsum("ij,ij->i", surfaces[own].way(corners.mean(axis=1)), self.normals[face])
            turned = TURNED + 3 * TURNS * self.noise / np.maximum(self.heights[face], 1e-300)
            fit = (off.max(axis=1) <= WITHIN * self.noise) & (
                np.abs(way) >= np.cos(np.minimum(turned, np.pi / 2))
            )
            cost[rows] = np.where(fit, (off**2).mean(axis=1), np.inf)
        return cost


def _evened(normals: Array, trust: Array, pairs: IntArray) -> Array:
    """Normals, each made more like those beside it that are like it already: edges stay (bilateral filtering,
    as Zheng et al., IEEE Trans. Vis. Comput. Graph. 17, 2011)."""
    from scipy.sparse import coo_matrix

    one, two = np.r_[pairs[:, 0], pairs[:, 1]], np.r_[pairs[:, 1], pairs[:, 0]]
    count = len(normals)
    for _ in range(EVENING):
        tick()
        apart = ((normals[one] - normals[two]) ** 2).sum(axis=1)
        weight = trust[two] * np.exp(-apart / (2 * EVENS**2))
        beside = coo_matrix((weight, (one, two)), shape=(count, count)).tocsr()
        mixed = beside @ normals + trust[:, None] * normals
        normals = mixed / np.maximum(np.linalg.norm(mixed, axis=1), 1e-300)[:, None]
    return normals


def _groups(key: IntArray, rows: IntArray) -> list[IntArray]:
    """Rows parted by their key; the largest last."""
    order = rows[np.argsort(key[rows], kind="stable")]
    parted = np.split(order, np.flatnonzero(np.diff(key[order])) + 1) if len(order) else []
    return sorted(parted, key=len)


def _by(key: IntArray) -> Iterator[tuple[int, IntArray]]:
    """Each key, and the rows that have it."""
    for rows in sorted(_groups(key, np.arange(len(key))), key=lambda rows: key[rows[0]]):
        yield int(key[rows[0]]), rows


# --------------------------------------------------------------------------- its surfaces


def _patches(
    scan: _Scan, fewest: int, label: IntArray, surfaces: list[TrueSurface], most: int
) -> tuple[IntArray, list[TrueSurface]]:
    """(m,) surface of each face, -1 for none, and the surfaces, those that are known first: of each patch of
    other faces that turn gently into each other one that many of them lie on, with ``fewest`` corners, and of
    what is left again; no more than ``most``."""
    bend = np.linalg.norm(scan.even[scan.pairs[:, 0]] - scan.even[scan.pairs[:, 1]], axis=1)
    telling = (scan.heights > MUTE * scan.noise) & (label < 0)
    gentle = telling[scan.pairs].all(axis=1) & (bend < GENTLE)
    queue = _groups(connected(len(scan.faces), scan.pairs[gentle]), np.flatnonzero(telling))
    label, surfaces = label.copy(), list(surfaces)
    while queue and len(surfaces) < most:
        rows = queue.pop()
        for surface in _tried(scan, rows, fewest):
            own = _lying(scan, surface, rows)
            surface = refined(surface, scan.corners(own), scan.noise) or surface
            own = _lying(scan, surface, rows)
            if len(scan.corners(own)) >= fewest:
                label[own] = len(surfaces)
                surfaces.append(surface)
                queue += scan.pieces(np.setdiff1d(rows, own))
                break
    return label, surfaces


def _tried(scan: _Scan, rows: IntArray, fewest: int) -> Iterator[TrueSurface]:
    """Surfaces that most of some faces lie on: of all, of either half of them, and so on."""
    parts = [rows]
    for part in parts:
        tick()
        points = scan.corners(part)
        if len(points) < fewest:
            continue
        surface = _best(scan, part, points)
        if surface is not None and 2 * len(_lying(scan, surface, part)) > len(part):
            yield surface
        middles = scan.vertices[scan.faces[part]].mean(axis=1)
        along = (middles - middles.mean(axis=0)) @ np.linalg.eigh(np.cov(middles.T))[1][:, 2]
        parts += [part[along < np.median(along)], part[along >= np.median(along)]]


def _lying(scan: _Scan, surface: TrueSurface, rows: IntArray) -> IntArray:
    """Those of some faces that lie in a surface, the most that hang together."""
    corners = scan.vertices[scan.faces[rows]]
    off = np.abs(surface.off(corners.reshape(-1, 3))).reshape(-1, 3).max(axis=1)
    way = np.einsum("ij,ij->i", surface.way(corners.mean(axis=1)), scan.even[rows])
    near = (off <= WITHIN * scan.noise) & (np.abs(way) > np.cos(2 * TURNED))
    return max(scan.pieces(rows[near]), key=len, default=rows[:0])


def _best(scan: _Scan, rows: IntArray, points: Array) -> TrueSurface | None:
    """The surface that most points lie on; of several, the plainest that has nearly as many."""
    best, most = None, 0.0
    for surface in fits(points, scan.even[rows], scan.areas[rows], scan.noise):
        count = float((np.abs(surface.off(points)) <= WITHIN * scan.noise).sum()) - surface.free
        if count > 1.05 * most:
            best, most = surface, count
    return best


def _grown(scan: _Scan, label: IntArray, surfaces: list[TrueSurface]) -> IntArray:
    """The surfaces of faces, those of none given to the likeliest beside them."""
    one, two = np.r_[scan.pairs[:, 0], scan.pairs[:, 1]], np.r_[scan.pairs[:, 1], scan.pairs[:, 0]]
    label = label.copy()
    while True:
        tick()
        bare = (label[one] >= 0) & (label[two] < 0)
        ask = np.unique(np.column_stack([two[bare], label[one[bare]]]), axis=0)
        face, own = _likeliest(scan, surfaces, ask)
        if not len(face):
            return label
        label[face] = own


def _likeliest(scan: _Scan, surfaces: list[TrueSurface], ask: IntArray) -> tuple[IntArray, IntArray]:
    """Of rows (face, surface) the faces that can lie in one of theirs, and which they lie nearest to."""
    cost = scan.likely(surfaces, ask)
    order = np.lexsort((cost, ask[:, 0]))
    order = order[np.isfinite(cost[order])]
    face, first = np.unique(ask[order, 0], return_index=True)
    return face, ask[order[first], 1]


def _by_chance(scan: _Scan, label: IntArray, surfaces: list[TrueSurface]) -> bool:
    """Whether corners are as far off their surfaces as faces beside each other show: on most of those that
    have many. What was drawn lies on them to the letter, or off them as far as they are looked for."""
    told = []
    for surface, rows in _by(label):
        if surface >= 0:
            points = scan.corners(rows)
            spread = np.sqrt(
                (surfaces[surface].off(points) ** 2).sum() / (len(points) - surfaces[surface].free)
            )
            told.append((len(points), abs(spread / scan.noise - 1) < SURELY))
    return 2 * sum(count for count, alike in told if alike) > sum(count for count, _ in told)


def _merged(scan: _Scan, label: IntArray, surfaces: list[TrueSurface]) -> tuple[IntArray, list[TrueSurface]]:
    """Surfaces that chance does not tell apart made one, side by side or not: the large ones first."""
    points = [scan.corners(label == row) for row in range(len(surfaces))]
    some = np.array([each[[0, len(each) // 2, -1]] for each in points])
    order = sorted(range(len(surfaces)), key=lambda row: -len(points[row]))
    into = np.arange(len(surfaces))
    surfaces = list(surfaces)
    for place, row in enumerate(ticking(order)):
        if into[row] != row:
            continue
        near = (
            np.abs(surfaces[row].off(some.reshape(-1, 3))).reshape(-1, 3).min(axis=1)
            <= 2 * WITHIN * scan.noise
        )
        for other in order[place + 1 :]:
            if not near[other] or into[other] != other or type(surfaces[row]) is not type(surfaces[other]):
                continue
            both = np.concatenate([points[row], points[other]])
            whole = refined(surfaces[row], both, scan.noise)
            apart = _squares(scan, surfaces[row], points[row]) + _squares(
                scan, surfaces[other], points[other]
            )
            if whole is not None and _squares(scan, whole, both) - apart <= CHI_SQUARE:
                surfaces[row], points[row], into[other] = whole, both, row
    while (into[into] != into).any():
        into = into[into]
    kept, rank = np.unique(into, return_inverse=True)
    return np.where(label >= 0, rank[label], -1), [surfaces[row] for row in kept.tolist()]


def _squares(scan: _Scan, surface: TrueSurface, points: Array) -> float:
    """Sum of squares of how far points are off a surface, in deviations, none beyond what chance reaches."""
    return float((np.clip(surface.off(points) / scan.noise, -WITHIN, WITHIN) ** 2).sum())


def _about(scan: _Scan, label: IntArray, count: int) -> IntArray:
    """(k, 2) rows (face, surface) of faces at corners where several surfaces meet, with each of these."""
    from scipy.sparse import coo_matrix

    faces, many = scan.faces, len(scan.faces)
    meets = coo_matrix((np.ones(3 * many), (np.repeat(np.arange(many), 3), faces.reshape(-1)))).tocsr()
    own = np.flatnonzero(label >= 0)
    of = coo_matrix((np.ones(len(own)), (own, label[own])), shape=(many, count)).tocsr()
    face, surface = (meets @ (meets.T @ of)).nonzero()
    ask = np.column_stack([face, surface])[np.lexsort((surface, face))]
    return np.asarray(ask[np.bincount(face, minlength=many)[ask[:, 0]] > 1])


def _nearest(scan: _Scan, label: IntArray, surfaces: list[TrueSurface]) -> IntArray:
    """The surfaces of faces, those where surfaces meet given to the one that their corners lie nearest to."""
    for _ in range(ROUNDS):
        face, own = _likeliest(scan, surfaces, _about(scan, label, len(surfaces)))
        if (label[face] == own).all():
            break
        label = label.copy()
        label[face] = own
    return label


def _of_one_direction(scan: _Scan, label: IntArray, surfaces: list[TrueSurface]) -> list[TrueSurface]:
    """The surfaces, planes and cylinders turned to the direction of a larger one, planes first, where chance
    alone may make their own better."""
    points = [scan.corners(label == row) for row in range(len(surfaces))]
    found, ways = list(surfaces), list[Array]()
    order = sorted(
        range(len(found)), key=lambda row: (not isinstance(found[row], TruePlane), -len(points[row]))
    )
    for row in ticking(order):
        own = found[row]
        if not isinstance(own, TruePlane | TrueCylinder) or not len(points[row]):
            continue
        for way in ways:
            if abs(own.axis @ way) < NEARLY:
                continue
            middle = own.middle
            if isinstance(own, TruePlane):  # turned about the middle of its own corners
                middle = np.average(
                    points[row], axis=0, weights=say_of(own.off(points[row]), scan.noise) + 1e-9
                )
            turned = replace(own, middle=middle, axis=way if own.axis @ way > 0 else -way)
            if (better := _kept(scan, own, turned, points[row], [*own.place, *_radius_of(own)])) is not own:
                found[row] = better
                break
        else:
            ways.append(own.axis)
    return found


def _radius_of(surface: TrueSurface) -> list[int]:
    return [surface.free - 1] if surface.size > 0 else []


def _kept(scan: _Scan, own: TrueSurface, other: TrueSurface, points: Array, only: list[int]) -> TrueSurface:
    """The other surface where chance alone may make its own better; its own else."""
    new = refined(other, points, scan.noise, only)
    fits_as_well = new is not None and _squares(scan, new, points) - _squares(scan, own, points) <= CHI_SQUARE
    return new if new is not None and fits_as_well else own


# --------------------------------------------------------------------------- its corners


def _rows(label: IntArray) -> IntArray:
    """(k, 2) rows (face, surface)."""
    own = np.flatnonzero(label >= 0)
    return np.column_stack([own, label[own]])


def _corners_on(scan: _Scan, rows: IntArray) -> IntArray:
    """(2, k) corners and surfaces, of rows (face, surface), each once."""
    both = np.column_stack([scan.faces[rows[:, 0]].reshape(-1), np.repeat(rows[:, 1], 3)])
    return np.unique(both, axis=0).T


def _set(scan: _Scan, label: IntArray, surfaces: list[TrueSurface]) -> tuple[Array, int]:
    """The corners, each set where its surfaces meet; how many lie on any. Those of a face too narrow to tell
    which of two surfaces it lies in lie on both."""
    ask = _about(scan, label, len(surfaces))
    ask = ask[(scan.heights[ask[:, 0]] <= NARROW * scan.noise) & (label[ask[:, 0]] >= 0)]
    ask = ask[np.isfinite(scan.likely(surfaces, ask))]
    vertex, own = _corners_on(scan, np.concatenate([_rows(label), ask]))
    at = scan.vertices
    for _ in range(ROUNDS):
        off, way = np.empty(len(vertex)), np.empty((len(vertex), 3))
        for surface, rows in _by(own):
            points = at[vertex[rows]]
            off[rows], way[rows] = surfaces[surface].off(points), surfaces[surface].way(points)
        matrix, pull = np.zeros((len(at), 3, 3)), np.zeros((len(at), 3))
        np.add.at(matrix, vertex, way[:, :, None] * way[:, None, :])
        np.add.at(pull, vertex, -off[:, None] * way)
        held, axes = np.linalg.eigh(matrix)
        by = np.where(held > HELD, 1 / np.maximum(held, HELD), 0.0)
        at = at + np.einsum("nij,nj,nkj,nk->ni", axes, by, axes, pull)
    far = np.linalg.norm(at - scan.vertices, axis=1) > 2 * WITHIN * scan.noise  # they do not meet near it
    return np.where(far[:, None], scan.vertices, at), int(
        len(np.unique(vertex)) - far[np.unique(vertex)].sum()
    )
