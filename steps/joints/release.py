"""The directions in which a joint lets go."""

from __future__ import annotations

import numpy as np

from steps.model import Array, Joint, Touch

#: A direction is along an axis within this (cosine), and does not press on a face within this (sine).
ALONG = np.cos(np.radians(1.0))
PRESSES = np.sin(np.radians(1.0))


def letting_go(joint: Joint) -> Array:
    """(k, 3) unit directions in which part ``b`` may leave part ``a``, both contacts and faces allowing.

    Studs and pegs let go along their axis only; a snap lets go along its axis once its lip gives
    (``snap_mm``); a hinge not at all. A joint that only rests lets go along the normals of its faces
    (and whatever lies between them and the faces' planes, which is not listed).
    """
    candidates = [_away(joint, touch) for touch in joint.touches if touch.kind != "hinge"]
    if any(touch.kind == "hinge" for touch in joint.touches) or not candidates:
        return np.zeros((0, 3))
    kept: list[Array] = []
    for way in candidates:
        new = all(way @ other < ALONG for other in kept)
        if new and all(_allows(joint, touch, way) for touch in joint.touches):
            kept.append(way)
    return np.array(kept).reshape(-1, 3)


def _away(joint: Joint, touch: Touch) -> Array:
    """The way part ``b`` goes when it leaves along the touch's axis."""
    return touch.axis if touch.carrier == joint.a else -touch.axis


def _allows(joint: Joint, touch: Touch, way: Array) -> bool:
    along = float(_away(joint, touch) @ way)
    return along > -PRESSES if touch.kind == "rest" else along > ALONG
