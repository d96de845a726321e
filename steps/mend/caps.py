"""Closing what gapes: every rim of a sewn mesh gets a lid.

Rims in one plane are closed flat; one that lies within another and bounds the same skin leaves a ring. Any
other rim is closed with the fewest creases: a lid that carries on the faces beside it has none along its rim.
Lids are remembered as such: only those that carry on their neighbours, or lie within material, are sure.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import manifold3d
import numpy as np

from renderer.spatial import tree
from renderer.topology import connected
from steps.limits import LIMITS, Limits, refuse_more
from steps.mend.sew import loose_ends, open_edges, proper_rows, rim_edges
from steps.model import Array, IntArray
from steps.progress import tick, ticking

#: A rim is flat when its corners lie in one plane within this share of its span, and within some reaches.
FLAT_SHARE = 1e-3
FLAT_REACHES = 4.0
#: A rim is divided by a plane in which so many of its corners lie: any three do.
LEAST_IN_PLANE = 4
#: Gaps at one corner are told apart by their angles where no more sides meet: each is compared with each.
MOST_SIDES = 100
#: Loose ends from which the ways are looked for together: hundredths of a second.
ENDS_AT_ONCE = 20
#: Rounds of closing: a lid may leave a rim where rims cross.
MAX_ROUNDS = 4
#: A lid carries on a face when they bend less than this, radians: about 3 degrees, over the noise of a scan.
CARRIES_ON = 0.05
#: Longer rims that are not flat are closed about their middle: the search grows with the cube of their
#: length.
LONGEST_RIM = 160
#: Rims lie in one plane when their normals differ by less than this, radians.
SAME_PLANE = 0.01
#: A crease of this angle (radians) costs half of what the sharpest does: few creases are wanted, not gentle
#: ones.
GENTLE = 0.05
#: Area against creases, per mm2 and mm: decides only between lids with equal creases.
AREA_COST = 1e-3


@dataclass(frozen=True, eq=False)
class Lid:
    """One lid: its faces (k, 3), and the middle and span of its rim."""

    faces: IntArray
    middle: Array
    span: float
    carried: float  #: share of its rim along which it carries on the face beside it


def close_rims(
    vertices: Array, faces: IntArray, reach: float, limits: Limits = LIMITS, torn: bool = False
) -> tuple[IntArray, list[Lid]]:
    """The faces with a lid on every rim, and the lids. Raises BeyondLimit where there are too many.

    Of faces that cross, ``torn`` where some are missing, rims are the sides that no other face shares; where
    a run of them ends at other faces the rim goes on along these.
    """
    made: list[Lid] = []
    for _ in range(1 if torn else MAX_ROUNDS):
        if not len(rim_edges(faces)):
            break
        new = [lid for lid in _lids(vertices, faces, reach, limits, torn) if len(lid.faces)]
        if not new:
            break
        made += new
        faces = np.concatenate([faces, *(lid.faces for lid in new)])
    return faces, made


def _lids(vertices: Array, faces: IntArray, reach: float, limits: Limits, torn: bool) -> list[Lid]:
    """A lid for every rim of the mesh, in a fixed order."""
    rims, beside = _rims(vertices, faces, torn)
    refuse_more(f"a mesh of {len(faces):,} triangles with {len(rims):,} gaps", len(rims), "gaps", limits)
    if not rims:
        return []
    flat, bent = [], []
    normals = np.vstack([_unit_normals(vertices, faces), np.zeros(3)])  # the last: beside a bridge nothing is
    pending = [(rim, normals[near]) for rim, near in zip(rims, beside, strict=True)][::-1]
    while pending:
        tick()
        rim, near = pending.pop()
        normal = _normal(vertices[rim])
        off = np.abs((vertices[rim] - vertices[rim].mean(axis=0)) @ normal).max()
        if off <= _flatness(vertices[rim], reach):
            flat.append((rim, normal))
        elif len(rim) <= LONGEST_RIM and (split := _by_its_planes(vertices, rim, near, reach)):
            pending += split[::-1]
        else:
            bent.append((rim, near))
    made = _flat_lids(vertices, flat, reach)
    made += [(_bent_lid(vertices, rim, near), rim) for rim, near in bent]
    sides = {tuple(sorted(pair)): row for pair, row in _sides(faces)} if made else {}
    return [_lid(vertices, lid, rim, sides, normals) for lid, rim in ticking(made)]


def _flatness(points: Array, reach: float) -> float:
    """How far corners of a rim may lie off one plane, mm."""
    return max(FLAT_SHARE * float(np.ptp(points, axis=0).max()), FLAT_REACHES * reach)


def _by_its_planes(
    vertices: Array, rim: IntArray, normals: Array, reach: float
) -> list[tuple[IntArray, Array]]:
    """A rim that runs on from one plane into others, divided: it leaves the plane and comes back where they
    meet, so between the two places runs an edge that is missing. Nothing where no plane has enough of it.

    ``normals`` (n, 3) of the faces beside its sides; the rims come with theirs.
    """
    points = vertices[rim]
    on, count = _most_in_plane(points, normals, _flatness(points, reach))
    if count < LEAST_IN_PLANE or on.all():
        return []
    start = int(np.flatnonzero(on & ~np.roll(on, 1))[0])  # where it comes into the plane
    rim, normals, on = (np.roll(each, -start, axis=0) for each in (rim, normals, on))
    inside = np.flatnonzero(on)
    normal = _normal(vertices[rim[inside]])
    flat = normals[inside].copy()
    ends = np.append(inside[1:], len(rim))
    flat[ends - inside > 1] = normal
    found = [(rim[inside], flat)]
    for begin, end in zip(inside.tolist(), ends.tolist(), strict=True):
        if end - begin > 1:
            rows = np.arange(begin, end + 1) % len(rim)
            found.append((rim[rows], np.concatenate([normals[rows[:-1]], normal[None]])))
    return found


def _most_in_plane(points: Array, normals: Array, off: float) -> tuple[np.ndarray, int]:
    """(n,) the points of a rim that lie in one plane, and at how many it turns: of the planes of points
    that follow each other the one with most; of several, the one that carries on most of the faces beside its
    sides (normals (n, 3))."""
    before, after = np.roll(points, 1, axis=0), np.roll(points, -1, axis=0)
    cross = np.cross(points - before, after - points)
    twice = np.linalg.norm(cross, axis=1)
    wide = twice > off * np.linalg.norm(after - before, axis=1)
    if not wide.any():
        return wide, 0
    unit = cross[wide] / twice[wide, None]
    near = np.abs(points @ unit.T - np.einsum("ij,ij->i", points[wide], unit)) <= off
    sides = near & np.roll(near, -1, axis=0) & (np.abs(normals @ unit.T) > np.cos(CARRIES_ON))
    carried = np.linalg.norm(after - points, axis=1) @ sides
    turns = near[wide].sum(axis=0)
    best = np.lexsort((-np.round(twice[wide], 9), -np.round(carried, 6), -turns))[0]
    return np.asarray(near[:, best]), int(turns[best])


def _sides(faces: IntArray) -> Iterator[tuple[tuple[int, int], int]]:
    """The two ends of each edge of a rim, and a face beside it."""
    for face, corner in rim_edges(faces).tolist():
        yield (int(faces[face, corner]), int(faces[face, (corner + 1) % 3])), face


def _lid(
    vertices: Array, made: IntArray, rim: IntArray, sides: dict[tuple[int, ...], int], normals: Array
) -> Lid:
    points = vertices[rim]
    own = _unit_normals(vertices, made)
    whole = carried = 0.0
    for row, face in enumerate(made.tolist()):
        for a, b in ((face[0], face[1]), (face[1], face[2]), (face[2], face[0])):
            beside = sides.get((min(a, b), max(a, b)))
            if beside is None:
                continue
            length = float(np.linalg.norm(vertices[a] - vertices[b]))
            whole += length
            carried += length * (abs(float(own[row] @ normals[beside])) > np.cos(CARRIES_ON))
    middle = (points.min(axis=0) + points.max(axis=0)) / 2
    return Lid(made, middle, float(np.ptp(points, axis=0).max()), carried / whole if whole else 0.0)


# ---------------------------------------------------------------------------------- rims


def _rims(vertices: Array, faces: IntArray, torn: bool) -> tuple[list[IntArray], list[IntArray]]:
    """Closed runs of edges with an odd number of faces, no vertex twice in one; and a face beside each edge.

    A rim runs against most of its faces, as a lid should.
    """
    lone = open_edges(faces) if torn else rim_edges(faces)
    start, end = faces[lone[:, 0], lone[:, 1]], faces[lone[:, 0], (lone[:, 1] + 1) % 3]
    beside_of = lone[:, 0]
    if torn:
        bridges = _bridges(vertices, faces)
        start, end = np.r_[start, bridges[:, 0]], np.r_[end, bridges[:, 1]]
        beside_of = np.r_[beside_of, np.full(len(bridges), -1)]
    at: dict[int, tuple[list[int], list[int]]] = {}  # edges that begin there, and that end there, last first
    for row in range(len(start) - 1, -1, -1):
        for side, place in enumerate((int(start[row]), int(end[row]))):
            at.setdefault(place, ([], []))[side].append(row)
    used = np.zeros(len(start), dtype=bool)
    onward = _onward(vertices, faces, start, end)
    rims, beside = [], []
    for first in range(len(start)):
        if used[first]:
            continue
        for edges in _loops(first, start, end, at, used, onward):
            rim, senses = _ordered(edges, start, end)
            near = beside_of[edges]
            if senses.sum() > 0:  # it runs with its faces
                rim, near = rim[::-1], np.roll(near[::-1], -1)
            rims.append(rim)
            beside.append(near)
    return rims, beside


def _bridges(vertices: Array, faces: IntArray) -> IntArray:
    """(k, 2) sides of faces that lead from each loose end of a run of open sides to another, the nearest two
    first: there what gapes ends at other faces."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import dijkstra

    loose = loose_ends(faces)
    sides = np.sort(np.column_stack([faces.reshape(-1), np.roll(faces, -1, axis=1).reshape(-1)]), axis=1)
    sides, times = np.unique(sides, axis=0, return_counts=True)
    sides = sides[times > 1]
    length = np.linalg.norm(vertices[sides[:, 0]] - vertices[sides[:, 1]], axis=1)
    graph = coo_matrix((np.maximum(length, 1e-9), tuple(sides.T)), shape=(len(vertices),) * 2).tocsr()
    blocks = ticking(np.array_split(loose, 1 + len(loose) // ENDS_AT_ONCE))
    ways = [dijkstra(graph, directed=False, indices=some, return_predecessors=True) for some in blocks]
    far, before = (np.concatenate(each) for each in zip(*ways, strict=True))
    one, two = np.triu_indices(len(loose), 1)
    apart = far[one, loose[two]]
    left, path = np.ones(len(loose), dtype=bool), set[tuple[int, int]]()
    for row in np.lexsort((two, one, apart)).tolist():
        begin, here = int(one[row]), int(loose[two[row]])
        if left[begin] and left[two[row]] and np.isfinite(apart[row]):
            left[[begin, two[row]]] = False
            while here != loose[begin]:
                last, here = here, int(before[begin, here])
                path ^= {(min(last, here), max(last, here))}
    return np.array(sorted(path), dtype=np.int64).reshape(-1, 2)


def _onward(vertices: Array, faces: IntArray, start: IntArray, end: IntArray) -> dict[tuple[int, int], int]:
    """Along which side a gap goes on that comes by a side (row) to a corner where several gaps meet: one that
    no faces about the corner join to the first, the least angle between two first."""
    corner, times = np.unique(np.concatenate([start, end]), return_counts=True)
    shared = corner[(times > 2) & (times <= MOST_SIDES)]
    about = np.concatenate([np.roll(faces, -turn, axis=1) for turn in range(3)])
    about = about[np.isin(about[:, 0], shared)]
    keys = about[:, :1] * len(vertices) + about[:, 1:]  # ways from a corner; a face joins two
    ways, rows = np.unique(keys, return_inverse=True)
    fan = connected(len(ways), rows.reshape(-1, 2))
    found: dict[tuple[int, int], int] = {}
    for here in shared.tolist():
        sides = np.flatnonzero((start == here) | (end == here))
        there = start[sides] + end[sides] - here
        own = fan[np.searchsorted(ways, here * len(vertices) + there)]
        way = vertices[there] - vertices[here]
        way /= np.linalg.norm(way, axis=1)[:, None]
        one, two = np.triu_indices(len(sides), 1)
        for row in np.lexsort((two, one, -np.round(np.einsum("ij,ij->i", way[one], way[two]), 9))):
            pair = int(sides[one[row]]), int(sides[two[row]])
            if own[one[row]] != own[two[row]] and not {(each, here) for each in pair} & found.keys():
                found[pair[0], here], found[pair[1], here] = pair[1], pair[0]
    return found


def _loops(
    first: int,
    start: IntArray,
    end: IntArray,
    at: dict[int, tuple[list[int], list[int]]],
    used: np.ndarray,
    ahead: dict[tuple[int, int], int],
) -> list[list[int]]:
    """Loops of edges met on a walk from one edge; a vertex met again closes a loop."""
    found = []
    path, places = [first], [int(start[first]), int(end[first])]
    used[first] = True
    seen = {places[0]: 0, places[1]: 1}
    while path:
        here = places[-1]
        onward = ahead.get((path[-1], here))
        if onward is None or used[onward]:
            onward = _next(at[here], used)
        if onward is None:
            break
        used[onward] = True
        there = int(end[onward]) if int(start[onward]) == here else int(start[onward])
        path.append(onward)
        if there in seen:
            begin = seen[there]
            found.append(path[begin:])
            for place in places[begin + 1 :]:
                seen.pop(place, None)
            path, places = path[:begin], places[: begin + 1]
        else:
            places.append(there)
            seen[there] = len(places) - 1
    return [loop for loop in found if len(loop) >= 3]


def _next(at: tuple[list[int], list[int]], used: np.ndarray) -> int | None:
    """The first edge at a corner that is not used yet, of those that begin there if any; those before it are
    forgotten, or each of the thousands about one corner would be looked at for each."""
    for rows in at:
        while rows and used[rows[-1]]:
            rows.pop()
        if rows:
            return rows[-1]
    return None


def _ordered(edges: list[int], start: IntArray, end: IntArray) -> tuple[IntArray, IntArray]:
    """Vertices of a loop in order, vertex k and the next being the ends of edge k; +1 where the face runs it
    so."""
    a, b = int(start[edges[0]]), int(end[edges[0]])
    nexts = {int(start[edges[1]]), int(end[edges[1]])}
    here = a if b in nexts else b
    rim, senses = [], []
    for row in edges:
        rim.append(here)
        forward = int(start[row]) == here
        senses.append(1 if forward else -1)
        here = int(end[row]) if forward else int(start[row])
    return np.array(rim), np.array(senses)


def _normal(points: Array) -> Array:
    """(3,) unit normal that a loop runs round anticlockwise."""
    points = points - points.mean(axis=0)
    normal = np.cross(points, np.roll(points, -1, axis=0)).sum(axis=0)
    length = float(np.linalg.norm(normal))
    if length <= 1e-12 * max(float((points**2).sum()), 1e-300):
        return np.linalg.svd(points)[2][2]
    return normal / length


def _unit_normals(vertices: Array, faces: IntArray) -> Array:
    cross = np.cross(
        vertices[faces[:, 1]] - vertices[faces[:, 0]], vertices[faces[:, 2]] - vertices[faces[:, 0]]
    )
    return cross / np.maximum(np.linalg.norm(cross, axis=1), 1e-300)[:, None]


# --------------------------------------------------------------------------------- flat


def _flat_lids(
    vertices: Array, rims: Sequence[tuple[IntArray, Array]], reach: float
) -> list[tuple[IntArray, IntArray]]:
    """Lids of flat rims, rims of one plane looked at together; each with its outer rim."""
    found = []
    for group in _by_plane(vertices, rims, reach):
        normal = rims[group[0]][1]
        across = np.linalg.svd(normal[None])[2][1:]
        if np.cross(across[0], across[1]) @ normal < 0:
            across = across[::-1]
        loops = [vertices[rims[row][0]] @ across.T for row in group]
        for outer, holes in _nested(loops):
            rows = [outer, *holes]
            corners = np.concatenate([rims[group[row]][0] for row in rows])
            polygon = [loops[row] for row in rows]
            if _signed_area(polygon[0]) < 0:
                polygon = [loop * (1.0, -1.0) for loop in polygon]
            triangles = np.asarray(manifold3d.triangulate(polygon), dtype=np.int64).reshape(-1, 3)
            found.append((proper_rows(corners[triangles]), rims[group[outer]][0]))  # rims may share a corner
    return found


def _by_plane(vertices: Array, rims: Sequence[tuple[IntArray, Array]], reach: float) -> list[list[int]]:
    middles = np.array([vertices[rim].mean(axis=0) for rim, _ in rims]).reshape(-1, 3)
    normals = np.array([normal for _, normal in rims]).reshape(-1, 3)
    spans = np.array([np.ptp(vertices[rim], axis=0).max() for rim, _ in rims])
    groups: list[list[int]] = []
    if not len(rims):
        return groups
    known, left = tree(np.concatenate([normals, -normals])), np.ones(len(rims), dtype=bool)
    for first in range(len(rims)):
        if not left[first]:
            continue
        near = np.unique(np.array(known.query_ball_point(normals[first], 2 * SAME_PLANE)) % len(rims))
        near = near[left[near]]
        off = np.abs((middles[near] - middles[first]) @ normals[first])
        bend = np.linalg.norm(np.cross(normals[near], normals[first]), axis=1)
        slack = np.maximum(FLAT_REACHES * reach, FLAT_SHARE * np.maximum(spans[near], spans[first]))
        same = (near == first) | (bend < SAME_PLANE) & (off <= slack)
        groups.append(near[same].tolist())
        left[near[same]] = False
    return groups


def _signed_area(loop: Array) -> float:
    ahead = np.roll(loop, -1, axis=0)
    return float((loop[:, 0] * ahead[:, 1] - loop[:, 1] * ahead[:, 0]).sum()) / 2


def _nested(loops: Sequence[Array]) -> list[tuple[int, list[int]]]:
    """Each outer loop with the loops that are holes in its lid: next within it, and run the other way
    round."""
    areas = np.array([_signed_area(loop) for loop in loops])
    order = np.argsort(-np.abs(areas), kind="stable")
    points = np.array([(loop[0] + loop[1]) / 2 for loop in loops])
    low, high = (np.array([each(loop, axis=0) for loop in loops]) for each in (np.min, np.max))
    outer: dict[int, list[int]] = {}
    for place, row in enumerate(map(int, order)):
        before = order[:place]
        boxed = ((low[before] <= points[row]) & (high[before] >= points[row])).all(axis=1)
        around = [int(o) for o in before[boxed] if _holds(loops[int(o)], points[row])]
        above = around[-1] if around else -1
        if above in outer and areas[above] * areas[row] < 0:
            outer[above].append(row)
        else:
            outer[row] = []
    return sorted(outer.items())


def _holds(outer: Array, point: Array) -> bool:
    """Whether a point, the middle of a loop's first side, lies within a loop."""
    a, b = outer - point, np.roll(outer, -1, axis=0) - point
    turns = np.arctan2(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0], (a * b).sum(axis=1)).sum()
    return bool(abs(turns) > np.pi)


# --------------------------------------------------------------------------------- bent


def _bent_lid(vertices: Array, rim: IntArray, normals: Array) -> IntArray:
    """The triangles over a rim with the fewest creases, those along the rim included.

    ``normals`` (n, 3) of the face beside each side, any way round. By the recursion of Barequet and Sharir,
    "Filling gaps in the boundary of a polyhedron", Computer Aided Geometric Design 12 (1995), with a cost of
    our own.
    """
    n = len(rim)
    if n == 3:
        return rim[None]
    if n > LONGEST_RIM:
        return np.column_stack([np.full(n - 2, rim[0]), rim[1:-1], rim[2:]])
    p = vertices[rim]
    flat = 1e-12 * float(np.ptp(p, axis=0).max()) ** 2
    cost = np.zeros((n, n))
    middle = np.full((n, n), -1, dtype=np.int64)
    normal = np.zeros((n, n, 3))
    inner = np.zeros((n, n), dtype=bool)
    normal[np.arange(n), (np.arange(n) + 1) % n] = normals
    for width in range(2, n):
        i = np.arange(n - width)[:, None]  # all chords of this width at once, and the corners between
        k, m = i + width, i + np.arange(1, width)
        cross = np.cross(p[m] - p[i], p[k] - p[i])
        twice = np.linalg.norm(cross, axis=2)
        unit = cross / np.maximum(twice, 1e-300)[:, :, None]
        total = cost[i, m] + cost[m, k] + AREA_COST * twice / 2
        total += _crease(unit, normal[i, m], inner[i, m]) * np.linalg.norm(p[m] - p[i], axis=2)
        total += _crease(unit, normal[m, k], inner[m, k]) * np.linalg.norm(p[k] - p[m], axis=2)
        if width == n - 1:
            total += _crease(unit, normals[n - 1], np.zeros(m.shape, dtype=bool)) * np.linalg.norm(
                p[k] - p[i], axis=2
            )
        total[twice <= flat] += 1e6
        best = np.round(total, 9).argmin(axis=1)
        row, a, b = np.arange(n - width), i[:, 0], k[:, 0]
        cost[a, b], middle[a, b] = total[row, best], m[row, best]
        normal[a, b], inner[a, b] = unit[row, best], True
    return rim[_triangles_of(middle)]


def _triangles_of(middle: IntArray) -> IntArray:
    """(n - 2, 3) corners by the best middle of each chord."""
    found: list[tuple[int, int, int]] = []
    chords = [(0, len(middle) - 1)]
    while chords:
        start, end = chords.pop()
        if end - start < 2:
            continue
        between = int(middle[start, end])
        found.append((start, between, end))
        chords += [(start, between), (between, end)]
    return np.array(found, dtype=np.int64)


def _crease(unit: Array, other: Array, sure: np.ndarray) -> Array:
    """Cost of the creases between triangles, 0..1; the neighbours at the rim may run either way round."""
    cosine = (unit * other).sum(axis=-1)
    cosine = np.where(sure, cosine, np.abs(cosine))
    angle = np.arccos(np.clip(cosine, -1.0, 1.0))
    return angle / (angle + GENTLE)
