"""How a joint becomes contact points.

* a *rest* pushes at the corners of the shared area and slips by friction;
* a stud, peg or pin pushes sideways at its contact lines, a lone peg at both ends of each (and at both
  edges of a flat), so that it takes a tilting moment; it holds along its axis with an equal share of the
  joint's hold at each line, and pushes along it at the same points unless the two parts also rest on each
  other. Studs that carry at their contact lines alone stop a studded staircase at the published level (see
  the tests); faces that rest as well carry two levels more, a margin that the safety factors cover;
* a ball, hinge or turning peg that cannot slip out is taken as stiff: its friction is not measured.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from steps.model import Array, IntArray, Joint, Touch, frozen_indices
from steps.progress import ticking
from steps.statics.flat import flat
from steps.statics.rigid import Contacts

#: A rest carries along a stud's axis when its normal is within 15 deg of it.
ALONG_COSINE = 0.966
#: Contact lines hold from every side when no two neighbours are this far apart round the axis, radians:
#: half a turn less 2 deg.
HALF_TURN = np.pi - np.radians(2.0)
#: What a stiff moving joint holds at each line, N: more than a hand will put on it.
STIFF_N = 200.0


#: So many pieces are joined at once, which takes some hundredths of a second.
PIECE = 20_000


class Rows:
    """Contacts gathered piece by piece and joined once."""

    def __init__(self) -> None:
        self._points: list[Array] = []
        self._normals: list[Array] = []
        self._single: list[tuple[float, ...]] = []
        self._owner: list[int] = []

    def add(
        self,
        owner: int,
        points: Array,
        normals: Array,
        bodies: tuple[int, int],
        friction: float = 0.0,
        pull: float = 0.0,
        grip: float = 0.0,
        push: bool = True,
    ) -> None:
        """Contacts at ``points`` (k, 3); ``normals`` (k, 3) or (3,); all else alike for all of them."""
        self._points.append(points)
        self._normals.append(np.broadcast_to(normals, points.shape))
        self._single.append((*bodies, friction, pull, grip, push))
        self._owner.append(owner)

    def contacts(self) -> tuple[Contacts, IntArray]:
        """All contacts, and the owner of each."""
        if not self._points:
            return Contacts.join([]), frozen_indices([], (None,))
        counts = [len(points) for points in self._points]
        pieces = ticking(range(0, len(counts), PIECE))
        made = Contacts.join([self._some(slice(start, start + PIECE), counts) for start in pieces])
        return made, frozen_indices(np.repeat(self._owner, counts), (None,))

    def _some(self, own: slice, counts: Sequence[int]) -> Contacts:
        singles = np.repeat(np.array(self._single[own]), counts[own], axis=0).T
        return Contacts.make(np.concatenate(self._points[own]), np.concatenate(self._normals[own]), *singles)


def contacts_of(
    joints: Sequence[Joint], rows: Mapping[str, int], friction: float, coarse: bool
) -> tuple[Contacts, IntArray]:
    """The contacts of all joints, and the row of the joint that each belongs to.

    ``coarse`` gathers the studs of each joint into at most four points that can do no more than they.
    """
    gathered = Rows()
    for owner, joint in enumerate(ticking(joints)):
        _add_joint(gathered, owner, joint, rows, friction, coarse)
    return gathered.contacts()


def _add_joint(
    gathered: Rows, owner: int, joint: Joint, rows: Mapping[str, int], friction: float, coarse: bool
) -> None:
    gripping = [touch for touch in joint.touches if touch.kind != "rest" and len(touch.points)]
    resting = [touch for touch in joint.touches if touch.kind == "rest" and len(touch.points)]
    alone = stiff(joint) or len(gripping) == 1
    several = len(gripping) > 1 and not alone
    gather = coarse and several and all(_alike(gripping[0], touch) for touch in gripping)
    for touch in resting:
        bodies = _bodies(joint, touch, rows)
        gathered.add(owner, touch.points, touch.normals, bodies, friction=0.0 if gather else friction)
    if not gripping:
        return
    if gather:
        _add_gathered(gathered, owner, joint, gripping, resting, rows)
        return
    for touch in gripping:
        hold = STIFF_N * len(touch.points) if stiff(joint) else joint.hold_n / len(gripping)
        _add_grip(gathered, owner, joint, touch, rows, hold, alone, not _carried(touch, resting))


def stiff(joint: Joint) -> bool:
    """Whether a joint moves and yet cannot slip out: its friction is taken to keep it where it is put."""
    return joint.moves and (joint.snap_mm > 0 or joint.hold_n > 0 or joint.kind == "hinge")


def lone_peg(joint: Joint) -> Touch | None:
    """The touch of a joint that is one peg, and not stiff."""
    gripping = [touch for touch in joint.touches if touch.kind != "rest" and len(touch.points)]
    lone = len(gripping) == 1 and gripping[0].kind == "peg" and not stiff(joint)
    return gripping[0] if lone else None


def _add_grip(
    gathered: Rows,
    owner: int,
    joint: Joint,
    touch: Touch,
    rows: Mapping[str, int],
    hold: float,
    alone: bool,
    carries: bool,
) -> None:
    """One stud, peg or ball that holds ``hold`` newtons along its axis.

    Where it is the joint's only one, or one of a stiff joint, its friction also resists turning about the
    axis; where there are several they resist turning by their sideways push, and friction is for the axis.
    """
    bodies = _bodies(joint, touch, rows)
    points, normals = _ends(touch) if alone else (touch.points, touch.normals)
    share = hold / len(points)
    gathered.add(owner, points, normals, bodies, grip=share if alone else 0.0)
    pull = 0.0 if alone else share
    if carries or pull > 0:
        gathered.add(owner, touch.points, touch.axis, bodies, pull=pull, push=carries)


def _ends(touch: Touch) -> tuple[Array, Array]:
    """(n, 3) points and normals at which a touch pushes sideways: of a peg the ends of its contact lines, on
    flats their corners, since a line bears all along; of a stud, which is lower than it is wide, and of a
    ball their middles."""
    points, normals = touch.points, touch.normals
    if touch.kind != "peg" or len(touch.lengths_mm) != len(points):
        return points, normals
    for halves, ways in (
        (touch.lengths_mm / 2, np.broadcast_to(touch.axis, points.shape)),
        (touch.widths_mm / 2, np.cross(touch.axis, touch.normals)),
    ):
        if np.any(halves > 0):
            apart = np.resize(halves, len(points))[:, None] * np.resize(ways, points.shape)
            points = np.concatenate([points - apart, points + apart])
            normals = np.concatenate([normals, normals])
    return points, normals


def _add_gathered(
    gathered: Rows,
    owner: int,
    joint: Joint,
    gripping: Sequence[Touch],
    resting: Sequence[Touch],
    rows: Mapping[str, int],
) -> None:
    """Studs of a quadrant pull as one at their middle; the two farthest apart hold sideways where each is
    held from every side; the faces that rest push but do not rub, as the studs hold sideways anyway."""
    bodies, axis = _bodies(joint, gripping[0], rows), gripping[0].axis
    middles = np.array([touch.points.mean(axis=0) for touch in gripping])
    level = middles @ axis  # one, that those side by side keep nothing from tilting
    middles += np.outer(level.mean() - level, axis)
    across = flat(middles, axis)
    offset = (across - across.mean(axis=0)).round(6)
    quadrant = 2 * (offset[:, 0] >= 0) + (offset[:, 1] >= 0)
    share, carries = joint.hold_n / len(gripping), not _carried(gripping[0], resting)
    for group in np.unique(quadrant):
        at = quadrant == group
        middle = middles[at].mean(axis=0, keepdims=True)
        gathered.add(owner, middle, axis, bodies, pull=share * float(at.sum()), push=carries)
    if all(held_all_round(touch) for touch in gripping):
        far = int(np.argmax((offset**2).sum(axis=1).round(6)))
        farthest = int(np.argmax(((across - across[far]) ** 2).sum(axis=1).round(6)))
        gathered.add(owner, middles[[far, farthest]], axis, bodies, grip=np.inf, push=False)
    else:
        for touch in gripping:
            gathered.add(owner, touch.points, touch.normals, bodies)


def _bodies(joint: Joint, touch: Touch, rows: Mapping[str, int]) -> tuple[int, int]:
    return rows[joint.other(touch.carrier)], rows[touch.carrier]


def _alike(one: Touch, other: Touch) -> bool:
    """Whether two studs stand side by side: one above the other they also keep from tilting."""
    level = abs(float((other.point - one.point) @ one.axis)) <= one.depth_mm / 2
    return one.carrier == other.carrier and float(one.axis @ other.axis) > 0.999 and level


def _carried(touch: Touch, resting: Sequence[Touch]) -> bool:
    return any(abs(float(rest.axis @ touch.axis)) > ALONG_COSINE for rest in resting)


def held_all_round(touch: Touch) -> bool:
    """Whether the touch's own contact lines hold it from every side across its axis."""
    across = flat(touch.normals, touch.axis)
    angles = np.sort(np.arctan2(across[:, 1], across[:, 0]))
    gaps = np.diff(np.append(angles, angles[0] + 2 * np.pi))
    return bool(len(angles) > 2 and gaps.max() < HALF_TURN)
