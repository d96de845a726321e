"""A display wedge for another angle: the model's own pegs on a slope, on a foot that does not tip."""

from __future__ import annotations

from dataclasses import dataclass

import networkx as nx
import numpy as np
import trimesh
from manifold3d import Manifold

from steps.errors import FaultyModel
from steps.model import Array, Feature, Joint, Joints, Measures, Model, Problem
from steps.prints.solids import PrintSolid, solid_of

#: The steepest slope: beyond it the pegs alone carry the model.
STEEPEST_DEGREES = 60.0
#: The foot holds the model up to this tilt (proposal; EN 71-1 asks 5 degrees of floor toys, from memory).
TIP_DEGREES = 10.0
#: Foot plate, and air below the model's lowest point (mm).
PLATE_MM, AIR_MM = 4.0, 5.0
#: Room round the pegs on the slope, in peg radii.
ROUND_PEGS = 2.0
#: Pegs within this of the joint's axis stand for it (cosine).
ALONG = 0.999


@dataclass(frozen=True, eq=False)
class Adapter:
    """The wedge, lying as it is printed and used, and where the model's parts come to stand on it."""

    solid: PrintSolid
    degrees: float
    pose: Array  #: (4, 4) takes model coordinates to the wedge's
    carried: tuple[str, ...]  #: ids of the parts that stand on it
    pegs: int


def display_adapter(
    model: Model,
    measures: Measures,
    joints: Joints,
    degrees: float,
) -> Adapter:
    """A wedge that shows what stands on the model's display pegs at ``degrees`` from level.

    The model leans the way it does now, and the wedge's pegs are the model's own. Raises ValueError for an
    angle outside 0 to 60, FaultyModel when no peg joint divides the model in two.
    """
    if not 0 <= degrees <= STEEPEST_DEGREES:
        raise ValueError(f"display angle: {degrees:g} degrees is outside 0 to {STEEPEST_DEGREES:g}")
    joint, carried = _display_joint(joints)
    frame, pegs = _seat(model, measures, joint)
    above = np.concatenate([_placed(model, part) for part in carried])
    middle = _centre_of_mass(model, measures, carried)
    turned = _slope(degrees) @ frame
    feet = np.array([turned[:3, :3] @ foot + turned[:3, 3] for _, foot in pegs])
    raised = np.eye(4)
    low = float((above @ turned[:3, :3].T + turned[:3, 3])[:, 2].min())
    margin = ROUND_PEGS * max(peg.radius_mm for peg, _ in pegs)
    rim = _rim(feet, margin, degrees)
    raised[2, 3] = PLATE_MM + max(AIR_MM - low, -rim[:, 2].min())
    pose = raised @ turned
    seat = rim + raised[:3, 3]
    balance = pose[:3, :3] @ middle + pose[:3, 3]
    body = _pedestal(seat) + _foot(seat, balance)
    for peg, foot in pegs:
        body += _peg(peg, pose[:3, :3] @ foot + pose[:3, 3], _slope(degrees)[:3, :3])
    name = f"display wedge {degrees:g} degrees"
    solid = solid_of(name, body)
    return Adapter(solid, degrees, pose, carried, len(pegs))


def _display_joint(joints: Joints) -> tuple[Joint, tuple[str, ...]]:
    """The peg joint that divides the model, and the parts on the far side of its pegs."""
    for joint in sorted(joints.joints, key=lambda each: (-each.contacts, each.id)):
        if joint.kind != "peg":
            continue
        graph = nx.Graph((each.a, each.b) for each in joints.joints if each is not joint)
        graph.add_nodes_from((joint.a, joint.b))
        carried = nx.node_connected_component(graph, joint.b)
        if joint.a not in carried:
            return joint, tuple(sorted(carried))
    text = (
        "No display wedge can be made: no joint of pegs divides the model into a stand and what stands on it."
    )
    raise FaultyModel([Problem("no-display-pegs", "error", (), text)])


def _seat(model: Model, measures: Measures, joint: Joint) -> tuple[Array, list[tuple[Feature, Array]]]:
    """Model to seat coordinates (x level, y up the slope, z along the pegs), and each peg's foot (model)."""
    part = model.part_by_id[joint.a]
    rotation = part.pose[:3, :3]
    pegs = [
        (feature, rotation @ feature.point + part.pose[:3, 3])
        for feature in measures.by_shape[part.shape].features
        if feature.kind == "peg" and rotation @ feature.axis @ joint.axis > ALONG
    ]
    if not pegs:
        text = f"No display wedge can be made: the pegs of {part.source} were not found on its mesh."
        raise FaultyModel([Problem("no-display-pegs", "error", (part.id,), text)])
    level = np.cross([0.0, 0, 1], joint.axis)
    if np.linalg.norm(level) < 1e-6:
        level = rotation[:, 0] - (rotation[:, 0] @ joint.axis) * joint.axis
    level /= np.linalg.norm(level)
    axes = np.stack([level, np.cross(joint.axis, level), joint.axis])
    frame = np.eye(4)
    frame[:3, :3] = axes
    frame[:3, 3] = -axes @ np.mean([foot for _, foot in pegs], axis=0)
    return frame, pegs


def _slope(degrees: float) -> Array:
    """(4, 4) turn about x that raises y by ``degrees``."""
    return np.asarray(trimesh.transformations.rotation_matrix(np.radians(degrees), [1, 0, 0]))


def _rim(feet: Array, margin: float, degrees: float) -> Array:
    """(4, 3) corners of the slope round the pegs."""
    turn = _slope(degrees)[:3, :3]
    flat = feet @ turn
    (left, low), (right, high) = flat[:, :2].min(axis=0) - margin, flat[:, :2].max(axis=0) + margin
    corners = np.array([(left, low, 0), (right, low, 0), (right, high, 0), (left, high, 0)])
    return np.asarray(corners @ turn.T)


def _pedestal(seat: Array) -> Manifold:
    """Upright walls from the table to the slope."""
    return Manifold.hull_points(np.concatenate([seat, seat * (1, 1, 0)]))


def _foot(seat: Array, balance: Array) -> Manifold:
    """A plate that reaches under the centre of mass with TIP_DEGREES to spare, and under the pedestal."""
    spread = balance[2] * np.tan(np.radians(TIP_DEGREES)) * 1.02
    points = np.concatenate([seat[:, :2], balance[None, :2] - spread, balance[None, :2] + spread])
    low, high = points.min(axis=0), points.max(axis=0)
    return Manifold.cube([*(high - low), PLATE_MM]).translate([*low, 0.0])


def _peg(peg: Feature, foot: Array, turn: Array) -> Manifold:
    root = min(peg.radius_mm, PLATE_MM)
    body = Manifold.cylinder(peg.height_mm + root, peg.radius_mm, peg.radius_mm, peg.facets)
    pose = np.eye(4)
    pose[:3, :3], pose[:3, 3] = turn, foot - root * turn[:, 2]
    return body.transform(pose[:3])


def _placed(model: Model, part: str) -> Array:
    each = model.part_by_id[part]
    vertices = model.shape_by_id[each.shape].vertices
    return np.asarray(vertices @ each.pose[:3, :3].T + each.pose[:3, 3])


def _centre_of_mass(model: Model, measures: Measures, parts: tuple[str, ...]) -> Array:
    """Of the printed masses, model coordinates."""
    masses, places = [], []
    for part in (model.part_by_id[each] for each in parts):
        measure = measures.by_shape[part.shape]
        masses.append(measure.printed_g)
        places.append(part.pose[:3, :3] @ measure.centroid + part.pose[:3, 3])
    return np.asarray(np.average(places, axis=0, weights=masses))
