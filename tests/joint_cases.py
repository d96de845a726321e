"""Solids and placed models for tests of features and joints, made with manifold3d and by revolution."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import pi, sin

import manifold3d
import numpy as np
from manifold3d import Manifold

from steps.model import Joint, Joints, Measures, Model, Part, Shape
from tests.models.files import model_of

#: Studs of the cases here and of the demo's blocks alike, and the gap per side that the demo's sockets
#: leave round them, mm at 1x, on a pitch of 10.
STUD_RADIUS, STUD_HEIGHT, CLEARANCE = 3.3, 2.6, 0.085


@dataclass(frozen=True)
class Solid:
    """A mesh by itself."""

    vertices: np.ndarray
    faces: np.ndarray


def solid(body: Manifold) -> Solid:
    mesh = body.to_mesh64()
    return Solid(np.asarray(mesh.vert_properties)[:, :3], np.asarray(mesh.tri_verts, dtype=np.int64))


def box(low: Sequence[float], high: Sequence[float]) -> Manifold:
    return Manifold.cube([b - a for a, b in zip(low, high, strict=True)]).translate(list(low))


def rod(
    radius: float, length: float, at: Sequence[float] = (0, 0, 0), facets: int = 48, top: float | None = None
) -> Manifold:
    """A cylinder (or cone to radius ``top``) that rises from ``at`` along z."""
    return Manifold.cylinder(length, radius, radius if top is None else top, facets).translate(list(at))


def ball(radius: float, at: Sequence[float] = (0, 0, 0), facets: int = 48) -> Manifold:
    return Manifold.sphere(radius, facets).translate(list(at))


def revolve(profile: Sequence[tuple[float, float]], facets: int = 64) -> Manifold:
    """The solid of revolution about x of a closed (x, r) outline."""
    outline = [(r, x) for x, r in profile]
    section = manifold3d.CrossSection([outline], manifold3d.FillRule.NonZero)
    turned = section.revolve(facets)  # about its own y, which becomes z
    return turned.rotate([0, 90, 0])


def lid(
    columns: int, rows: int, pitch: float = 10.0, gap: float = CLEARANCE, radius: float = STUD_RADIUS
) -> Manifold:
    """A lid without tubes: a roof and four walls, each ``gap`` from the outer studs."""
    inside = (radius + gap) - pitch / 2
    long, wide = columns * pitch, rows * pitch
    body = box((0, 0, 0), (long, wide, 8))
    return body - box((-inside, -inside, -1), (long + inside, wide + inside, 6))


def plate(
    columns: int, rows: int, pitch: float = 10.0, radius: float = STUD_RADIUS, facets: int = 48
) -> Manifold:
    """A solid plate 4 mm thick with studs."""
    body = box((0, 0, 0), (columns * pitch, rows * pitch, 4))
    for i in range(columns):
        for j in range(rows):
            body += rod(radius, 1 + STUD_HEIGHT, ((i + 0.5) * pitch, (j + 0.5) * pitch, 3), facets)
    return body


def polygon_area(radius: float, facets: int) -> float:
    """Area of the regular polygon that stands for a circle, mm2."""
    return facets / 2 * radius**2 * sin(2 * pi / facets)


def shift(x: float, y: float, z: float) -> np.ndarray:
    pose = np.eye(4)
    pose[:3, 3] = (x, y, z)
    return pose


def turn(axis: Sequence[float], degrees: float) -> np.ndarray:
    """A rotation about a line through the origin (Rodrigues)."""
    x, y, z = np.asarray(axis, dtype=float) / np.linalg.norm(axis)
    cross = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    pose = np.eye(4)
    angle = np.radians(degrees)
    pose[:3, :3] = np.eye(3) + np.sin(angle) * cross + (1 - np.cos(angle)) * cross @ cross
    return pose


def placed(
    items: Sequence[tuple[Solid | Manifold, np.ndarray]], scale: float = 1.0, names: Sequence[str] = ()
) -> Model:
    """A model of parts; the same solid object given twice is one shape."""
    shapes: list[Shape] = []
    known: dict[int, str] = {}
    parts = []
    for row, (thing, pose) in enumerate(items):
        if id(thing) not in known:
            mesh = solid(thing) if isinstance(thing, Manifold) else thing
            known[id(thing)] = f"S{len(shapes) + 1}"
            shapes.append(Shape(known[id(thing)], mesh.vertices, mesh.faces, True))
        name = names[row] if names else f"item {row + 1}"
        parts.append(Part(f"P{row + 1}", name, known[id(thing)], "#808080", "grey", pose))
    return Model("case", "case.3mf", "0" * 64, scale, tuple(shapes), tuple(parts))


#: A demo model as it would come out of a file.
from_demo = model_of


def pin_in_a_wall(square: bool) -> Model:
    """A pin 60 mm long, 4 mm about its axis, 20 mm of it in a hole 0.4 mm wider that goes through a wall."""
    pin, hole = (
        (box((-half, -half, 0), (half, half, long)) if square else rod(half, long))
        for half, long in ((4.0, 60.0), (4.4, 20.0))
    )
    wall = box((0, -20, -40), (20, 20, 20)) - hole.rotate([0, 90, 0])
    return placed([(wall, np.eye(4)), (pin.rotate([0, 90, 0]), np.eye(4))])


def drum_on_two_edges(pose: np.ndarray) -> Model:
    """A drum of radius 11 that lies on the inner edges of two rails, 16 mm apart, and on nothing else."""
    tray = box((0, -15, -10), (70, 15, -6)) + box((0, -12, -7), (70, -8, 0)) + box((0, 8, -7), (70, 12, 0))
    drum = rod(11, 50).rotate([0, 90, 0]).translate([10, 0, np.sqrt(11**2 - 8**2)])
    return placed([(tray, pose), (drum, pose)])


def wheel_on_a_pin(pose: np.ndarray, off_mm: float) -> Model:
    """A wheel with 0.4 mm of room round a pin that sticks out of a wall, so far out of the pin's middle."""
    out = box((0, -20, -40), (20, 20, 20)) + rod(4, 60).rotate([0, 90, 0])
    wheel = (rod(15, 10) - rod(4.4, 30, (0, 0, -10))).rotate([0, 90, 0])
    return placed([(out, pose), (wheel, pose @ shift(35, off_mm, 0))])


def wheel_above_a_plate(up: np.ndarray) -> Model:
    """A wheel 0.1 mm above a plate, with 0.15 mm of room round a peg that stands on it."""
    plate = box((-10, -10, -5), (10, 10, 0)) + rod(2.7, 9, (0, 0, -1))
    wheel = rod(8, 5, (0, 0, 0.1)) - rod(2.85, 9, (0, 0, -1))
    return placed([(plate, up), (wheel, up)])


def roundabout() -> Model:
    """A wheel 50 mm wide 0.2 mm above a plate, round a loose peg; what sits on it is far smaller."""
    plate = box((-20, -20, -5), (20, 20, 0)) + rod(3, 10, (0, 0, -1))
    wheel = rod(25, 5, (0, 0, 0.2)) - rod(3.25, 20, (0, 0, -5))
    seats = [(box((-2, -2, 5.2), (2, 2, 9)), turn((0, 0, 1), 72 * k) @ shift(18, 0, 0)) for k in range(5)]
    return placed([(plate, np.eye(4)), (wheel, np.eye(4)), *seats])


def door_on_two_pins() -> Model:
    """A door, 0.2 mm above the arms of a post and round a pin on each, that overhangs its foot a little."""
    post = box((-15, -10, 0), (28, 10, 5)) + box((-5, -5, 4), (5, 5, 70))
    leaf = box((6, -3, 7), (50, 3, 66))
    for low in (15, 50):
        post += box((4, -3, low), (12, 3, low + 5)) + rod(1.8, 4, (9, 0, low + 4.5), 24)
        leaf -= box((5, -4, low - 1), (13, 4, low + 5.2)) + rod(2.0, 6, (9, 0, low + 5), 24)
    return placed([(post, np.eye(4)), (leaf, np.eye(4))])


def joints_of(model: Model, **options: object) -> Joints:
    """Measure and join with default settings, changed by ``options``."""
    from steps.features import measure
    from steps.joints import find_joints
    from steps.settings import Settings

    settings = Settings.model_validate(options)
    return find_joints(model, measure(model, settings), settings)


def measures_of(model: Model, **options: object) -> Measures:
    from steps.features import measure
    from steps.settings import Settings

    return measure(model, Settings.model_validate(options))


def only(joints: Joints) -> Joint:
    assert len(joints.joints) == 1, [(j.a, j.b, j.kind, j.why) for j in joints.joints]
    return joints.joints[0]


def codes(joints: Joints) -> list[str]:
    return [problem.code for problem in joints.problems]
