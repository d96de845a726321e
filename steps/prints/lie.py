"""Which face of a shape lies on the print bed, and why."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import shapely
import trimesh

from steps.model import Array, Measure, frozen_array
from steps.planes import flattened
from steps.prints.bridges import Hanging, Spans, hanging
from steps.wording import Phrase, phrase

#: Another face must need less than this share of the support before studs do not point up.
MUCH_LESS = 0.5
#: Support below this share of the footprint is let pass: studs on a side, a mark (common practice, no
#: source).
LITTLE_SUPPORT = 0.06
#: A face to lie on has at least this share of the hull's largest face.
SMALL_FACE = 0.02
#: The most faces that are tried, largest first.
MOST_FACES = 10
#: Contact with the bed, as a share of the mean section, that makes a foot: less comes off while printing
#: (common practice, no source).
FOOT_SHARE = 0.1
#: The foot must hold the centre of mass this share of its own size inside its edge.
BALANCE = 0.02

STUDS_UP, AS_DRAWN = phrase("studs up"), phrase("as drawn")
NO_COST = phrase("no support, no bridge")


@dataclass(frozen=True, eq=False)
class Lie:
    """One way up. ``turn`` (3, 3) takes shape coordinates to the bed's, z up."""

    turn: Array
    up: Array  #: (3,) shape direction that points up on the bed
    studs_up: bool
    hanging: Hanging
    reason: Phrase  #: which face, and why, with the numbers

    def __post_init__(self) -> None:
        object.__setattr__(self, "turn", frozen_array(self.turn, (3, 3), "turn"))
        object.__setattr__(self, "up", frozen_array(self.up, (3,), "up"))


@dataclass(frozen=True, eq=False)
class MeshToLay:
    """A mesh in shape coordinates, with what was found of it: it may be asked of at several scales."""

    mesh: trimesh.Trimesh
    spans: Spans = field(default_factory=dict)


def best_lie(body: MeshToLay, measure: Measure, layer_mm: float, by: float = 1.0) -> Lie:
    """Studs up unless another face needs much less support; without studs, the face that needs least.

    The body is printed ``by`` times larger than its mesh.
    """
    mesh = body.mesh
    up = np.asarray(measure.up, dtype=np.float64)
    studded = bool(measure.studs)
    first = hanging(mesh, up, layer_mm, by, body.spans)
    usual = STUDS_UP if studded else AS_DRAWN
    sound = _has_foot(mesh, up, first, layer_mm, by)
    if studded and sound and first.support_mm2 <= LITTLE_SUPPORT * _footprint(mesh, first, by):
        return _lie(up, True, first, phrase("{face}: {cost}", face=usual, cost=_cost(first)))
    tried = [(hanging(mesh, way, layer_mm, by, body.spans), way) for way in _ways_up(mesh, by)]
    tried = [(found, way) for found, way in tried if _has_foot(mesh, way, found, layer_mm, by)]
    if not tried:
        raft = phrase("{face}: {cost}; no flat face to lie on, needs a raft", face=usual, cost=_cost(first))
        return _lie(up, studded, first, raft)
    best, way = min(tried, key=lambda pair: _rank(pair[0]))
    if sound and studded and best.support_mm2 >= MUCH_LESS * first.support_mm2:
        kept = phrase("{face}: {cost}; no other face needs much less", face=usual, cost=_cost(first))
        return _lie(up, True, first, kept)
    if sound and not studded and _rank(first) <= _rank(best):
        return _lie(up, False, first, phrase("{face}: {cost}", face=usual, cost=_cost(first)))
    face, cost = _face(way, up), _cost(best)
    if not sound:
        return _lie(
            way, False, best, phrase("{face}: {cost}; {usual}: no foot", face=face, cost=cost, usual=usual)
        )
    instead = phrase("{face}: {cost}", face=usual, cost=_cost(first))
    return _lie(way, False, best, phrase("{face}: {cost}; {instead}", face=face, cost=cost, instead=instead))


def _footprint(mesh: trimesh.Trimesh, found: Hanging, by: float) -> float:
    """Mean area over the height, mm2."""
    return by**3 * abs(float(mesh.volume)) / max(found.height_mm, 1e-9)


def _has_foot(mesh: trimesh.Trimesh, up: Array, found: Hanging, layer_mm: float, by: float) -> bool:
    """Whether enough of it touches the bed, and what touches holds the centre of mass."""
    return found.contact_mm2 >= FOOT_SHARE * _footprint(mesh, found, by) and _stands(mesh, up, layer_mm / by)


def _rank(found: Hanging) -> tuple[float, float, float, float]:
    """Least support, then shortest bridge, then lowest, then most contact; rounded so that ties tie."""
    return (
        round(found.support_mm2, 1),
        round(found.bridge_mm, 1),
        round(found.height_mm, 2),
        -round(found.contact_mm2, 1),
    )


def _cost(found: Hanging) -> Phrase:
    area, span = round(found.support_mm2), round(found.bridge_mm)
    if area and span:
        return phrase("{area} mm² to support, bridges up to {span} mm", area=area, span=span)
    if area:
        return phrase("{area} mm² to support, no bridge", area=area)
    return phrase("no support, bridges up to {span} mm", span=span) if span else NO_COST


def _face(way: Array, up: Array) -> Phrase:
    lean = float(way @ up)
    if lean > 0.99:
        return phrase("top up")
    if lean < -0.99:
        return phrase("underside up")
    return phrase("side up") if abs(lean) < 0.1 else phrase("slanted face up")


def _ways_up(mesh: trimesh.Trimesh, by: float) -> list[Array]:
    """Directions that point up when a large enough face of the convex hull is the foot."""
    hull = mesh.convex_hull
    areas = by**2 * np.array([*hull.facets_area, *hull.area_faces])
    normals = np.array([*hull.facets_normal, *hull.face_normals])
    found: list[Array] = []
    for row in np.argsort(-np.round(areas, 3), kind="stable"):
        if areas[row] < SMALL_FACE * areas.max() or len(found) == MOST_FACES:
            break
        way = -normals[row]
        if all(way @ other < 0.999 for other in found):
            found.append(way)
    return found


def _stands(mesh: trimesh.Trimesh, up: Array, layer_mm: float) -> bool:
    """Whether the foot's hull holds the centre of mass."""
    level = mesh.vertices @ up
    foot = mesh.vertices[level - level.min() < layer_mm / 2]
    hull = shapely.MultiPoint(flattened(foot, up)).convex_hull
    if hull.geom_type != "Polygon":
        return False
    solid = mesh.is_volume
    middle = shapely.Point(flattened(mesh.center_mass if solid else mesh.centroid, up))
    return bool(hull.contains(middle) and hull.exterior.distance(middle) > BALANCE * np.sqrt(hull.area))


def _lie(up: Array, studs_up: bool, found: Hanging, reason: Phrase) -> Lie:
    return Lie(turn_up(up), up, studs_up, found, reason)


def turn_up(up: Array) -> Array:
    """The rotation (3, 3) that brings ``up`` to z, keeping x where it can."""
    if up[2] > 1 - 1e-12:
        return np.eye(3)
    side = np.array([1.0, 0, 0]) if abs(up[0]) < 0.9 else np.array([0, 1.0, 0])
    x = side - (side @ up) * up
    x /= np.linalg.norm(x)
    return np.stack([x, np.cross(up, x), up])
