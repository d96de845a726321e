"""Faces that slide on each other when a joint moves: a wheel's side on its bearing, a ring on the next one.

Such faces only rest on each other, and glue between them would stop what turns or slides as surely as glue in
its bearing. What turns about one line, or slides one way, is one train; its members move against each other.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from renderer.topology import connected
from steps.model import Array, Joint, Touch

#: A face slides where it lies along the movement within this (sine of 1 degree).
ALONG_FACE = np.sin(np.radians(1.0))
#: Axes are one line within this (cosine), and within this share of the pin's radius.
ONE_WAY, ONE_LINE = 0.999, 0.1

#: Said of a joint whose faces slide when what they belong to moves.
WHY = "these faces slide on each other when it moves; nothing grips, and it is to stay free"


@dataclass(frozen=True, eq=False)
class _Way:
    """How the two parts of a joint move against each other: about its touch's axis, or along it."""

    ends: tuple[str, str]
    touch: Touch

    def same(self, other: _Way) -> bool:
        one, two = self.touch, other.touch
        if one.slides != two.slides or abs(float(one.axis @ two.axis)) < ONE_WAY:
            return False
        off = one.point - two.point
        across = off - (off @ two.axis) * two.axis
        return one.slides or float(np.linalg.norm(across)) <= ONE_LINE * max(one.radius_mm, two.radius_mm)

    def sweeps(self, points: Array, normals: Array) -> bool:
        """Whether faces at ``points`` (k, 3) with ``normals`` (k, 3) lie along the movement."""
        axis = self.touch.axis
        ways = (
            np.tile(axis, (len(points), 1))
            if self.touch.slides
            else np.cross(axis, points - self.touch.point)
        )
        along = np.abs(np.einsum("ij,ij->i", ways, normals))
        return bool((along <= ALONG_FACE * np.maximum(np.linalg.norm(ways, axis=1), 1e-9)).all())


def swept(joints: Sequence[Joint]) -> frozenset[str]:
    """Ids of the joints that only rest, and slide when a joint of the same train moves."""
    row_of = {part: row for row, part in enumerate({part: 0 for each in joints for part in (each.a, each.b)})}
    firm = [
        (row_of[joint.a], row_of[joint.b]) for joint in joints if joint.kind != "rest" and not joint.moves
    ]
    label = connected(len(row_of), np.array(firm, dtype=np.int64))
    body = {part: int(label[row]) for part, row in row_of.items()}
    resting = [joint for joint in joints if joint.kind == "rest" and not joint.moves]
    found: set[str] = set()
    for ways in _trains(list(_ways(joints)), body):
        members = {body[part] for way in ways for part in way.ends}
        for joint in resting:
            ends = {body[joint.a], body[joint.b]}
            if (
                len(ends) == 2
                and ends <= members
                and all(ways[0].sweeps(touch.points, touch.normals) for touch in joint.touches)
            ):
                found.add(joint.id)
    return frozenset(found)


def _ways(joints: Sequence[Joint]) -> Iterator[_Way]:
    for joint in joints:
        touch = next((t for t in joint.touches if t.kind in ("peg", "hinge")), None)
        if joint.moves and touch is not None:
            yield _Way((joint.a, joint.b), touch)


def _trains(ways: Sequence[_Way], body: dict[str, int]) -> Iterator[list[_Way]]:
    """Movements about one line, or along one, that hang together by the bodies they move."""
    at: dict[int, list[int]] = {}
    for row, way in enumerate(ways):
        for part in way.ends:
            at.setdefault(body[part], []).append(row)
    alike = [
        (row, other)
        for rows in at.values()
        for k, row in enumerate(rows)
        for other in rows[k + 1 :]
        if ways[row].same(ways[other])
    ]
    trains: dict[int, list[_Way]] = {}
    for way, number in zip(ways, connected(len(ways), np.array(alike, dtype=np.int64)).tolist(), strict=True):
        trains.setdefault(number, []).append(way)
    yield from trains.values()
