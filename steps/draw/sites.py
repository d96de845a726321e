"""Where new parts go: the places of what receives them, which a drawing has to show."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from steps.draw.lift import Lifted
from steps.model import Array, Joint, Touch, frozen_array
from steps.ties import least_axis

#: Places are looked at this far off what they lie on (mm), so that it does not hide them itself.
CLEAR_MM = 0.1
#: On a stud's end and in a socket's mouth: the middle, and so many places round it at this share of the
#: radius.
ROUND, ROUND_SHARE = 4, 0.6
#: A cup's mouth and the part of a ball that shows, from the ball's middle, in its radii.
CUP_MOUTH, BALL_END = 0.5, 0.8
#: On a face: its middle, and places this share of the way from there to its corners.
CORNER_SHARE = 0.6
#: Of more corners than this, every second (and so on) is enough.
MOST_CORNERS = 8


def sites_of(one: Lifted) -> list[Array]:
    """For each joint that opens when the thing is lifted, (n, 3) places on what receives it: on the ends of
    studs, pegs and balls, in the mouths of holes and cups; on faces where nothing but faces meets."""
    if not one.is_lifted:
        return []
    own = set(one.thing.parts)
    return [
        np.concatenate([places_of(touch, touch.carrier not in own) for touch in telling(joint)]) + seat
        for joint, seat in zip(one.joints, one.seats, strict=True)
        if joint.touches
    ]


def telling(joint: Joint) -> list[Touch]:
    """Contacts that tell where a part goes: those of the joint's own kind, else all."""
    return [touch for touch in joint.touches if touch.kind == joint.kind] or list(joint.touches)


def places_of(touch: Touch, carries: bool) -> Array:
    """(n, 3) places of one contact on the part that has the stud, or (``carries`` false) on the other."""
    out = touch.axis if carries else -touch.axis
    if touch.kind == "rest":
        middle = touch.point
        corners = touch.points[:: max(1, len(touch.points) // MOST_CORNERS)]
        round_it = middle + CORNER_SHARE * (corners - middle)
    else:
        if touch.kind == "ball":
            end = touch.radius_mm * (BALL_END if carries else CUP_MOUTH)
        else:
            end = touch.depth_mm / 2
        middle = touch.point + end * out
        round_it = middle + ROUND_SHARE * touch.radius_mm * _ring(tuple(out.tolist()))
    return np.concatenate([middle[None], round_it]) + CLEAR_MM * out


@lru_cache(maxsize=1_000)  # a model's contacts lie along few axes
def _ring(along: tuple[float, ...]) -> Array:
    """(k, 3) unit vectors all round an axis."""
    axis = np.array(along)
    aside = np.cross(axis, np.eye(3)[least_axis(axis)])
    aside /= np.linalg.norm(aside)
    angles = 2 * np.pi * (np.arange(ROUND) + 0.5) / ROUND
    round_it = np.cos(angles)[:, None] * aside + np.sin(angles)[:, None] * np.cross(axis, aside)
    return frozen_array(round_it, (None, 3))
