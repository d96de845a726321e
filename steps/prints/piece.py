"""The piece to try on a fit card: the model's own part with a socket, made handy, with an eye to pull by."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from manifold3d import Manifold

from steps.model import Array, Part, Touch
from steps.prints.lie import turn_up

#: The handle on the piece to try, for a luggage scale's hook (mm): thickness, height, hole.
HANDLE_MM = (4.0, 16.0, 8.0)
#: A piece to try longer than this is cut down to the wall round its socket, at most so far from the axis:
#: a wall of one radius is stiffer than any tube (in radii of the stud or peg; a choice of ours).
HANDY_RADII, CUT_OUT_RADII = 8.0, 2.0
CUT_OUT_SIDES = 96
#: The handle goes down until this depth of it is in the part (mm).
ROOTED_MM = 1.0


def into_socket(touch: Touch, holder: Part) -> Array:
    """(4, 4) the holder's shape coordinates to ones with z along the socket's axis, which goes through 0."""
    place = np.eye(4)
    place[:3, :3] = turn_up(touch.axis)
    place[:3, 3] = -place[:3, :3] @ touch.point
    return np.asarray(place @ holder.pose)


def handy(piece: Manifold, radius: float) -> Manifold:
    """The piece, or what is round its socket (axis z) where the whole of it would waste plastic."""
    box = np.array(piece.bounding_box()).reshape(2, 3)
    if np.ptp(box[:, :2], axis=0).max() <= HANDY_RADII * radius:
        return piece
    cut = _round(piece, CUT_OUT_RADII * radius)
    wall = np.abs(cut.slice(0.0).bounds()).max(initial=0.0)  # at the middle of the engaged length
    cut = _round(piece, min(float(wall), CUT_OUT_RADII * radius))  # so that nothing hangs over the wall
    return cut if len(cut.decompose()) == 1 else piece


def _round(piece: Manifold, radius: float) -> Manifold:
    """What of the piece is within ``radius`` of the axis z."""
    low, high = np.array(piece.bounding_box()).reshape(2, 3)[:, 2]
    return piece ^ Manifold.cylinder(high - low, radius, radius, CUT_OUT_SIDES).translate([0, 0, low])


def as_printed(piece: Manifold, into: Array, up: Array) -> Manifold:
    """The piece as the model's own part is printed: the way up decides how its socket comes out."""
    pose = np.eye(4)
    pose[:3, :3] = turn_up(up) @ into[:3, :3].T
    return piece.transform(pose[:3])


def with_handle(body: Manifold) -> Manifold:
    """The model's own part with an eye over its socket for the hook of a luggage scale: so it pulls straight.

    The socket's axis is z.
    """
    box = np.array(body.bounding_box()).reshape(2, 3)
    top = box[1, 2]
    thick, high, hole = HANDLE_MM
    wide = hole + 2 * thick
    bore = Manifold.cylinder(3 * thick, hole / 2, hole / 2, 32, True).rotate([90, 0, 0])
    bore = bore.translate([0, 0, top + high / 2])
    for sunk in np.arange(ROOTED_MM, top - box[0, 2], ROOTED_MM / 2):
        eye = Manifold.cube([wide, thick, high + sunk]).translate([-wide / 2, -thick / 2, top - sunk])
        if (eye ^ body).volume() >= wide * thick * ROOTED_MM:
            return body + (eye - bore)
    return body


@dataclass(frozen=True)
class Reach:
    """How far the piece to try reaches from its socket's axis (mm): inwards, and to either side of the way
    out."""

    inward: float
    side: float

    @staticmethod
    def of(piece: Array) -> Reach:
        """``piece`` (n, 3) with the socket's axis along z through 0."""
        flat = piece[:, :2]
        middle = (flat.min(axis=0) + flat.max(axis=0)) / 2
        far = np.linalg.norm(middle)
        out = middle / far if far > 1e-3 else np.array([0.0, 1.0])
        across = np.array([out[1], -out[0]])
        return Reach(float(-(flat @ out).min()), float(np.abs(flat @ across).max()))
