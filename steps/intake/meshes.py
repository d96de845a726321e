"""Tidying one mesh: a sound one stays as it is, any other is mended."""

from __future__ import annotations

import hashlib
from bisect import bisect_left, bisect_right, insort
from dataclasses import dataclass, field, replace
from operator import itemgetter

import numpy as np

from steps.intake.checks import FEWEST_FACES
from steps.limits import LIMITS, Limits
from steps.mend import mend, one_shell
from steps.mend.rays import Rays
from steps.mend.scan import fitted
from steps.mend.soup import distinct_faces, is_closed, merge_equal, renumbered, signed_volume
from steps.mend.unite import plain_sides, shell_of
from steps.model import Array, IntArray, Mending, MendKind
from steps.remembered import remembered

#: Two meshes are one moved aside when no corner is off by more than this share of the coordinates: float32
#: carries 6e-8.
SAME_SHARE = 5e-7
#: A face lower than this share of the mesh's extent has no side: it is empty.
EMPTY_SHARE = 1e-7
#: A mesh thinner than this share of its length is a sheet: a 1 m part would be 0.01 mm thick.
FLAT_SHARE = 1e-5


@dataclass(frozen=True, eq=False)
class TidyMesh:
    """A mesh ready to be a shape; ``closed`` when every edge has as many faces running it each way."""

    vertices: Array
    faces: IntArray
    closed: bool
    mending: Mending = field(default_factory=Mending)
    plain: bool = False  #: its corners and faces are those of the file


class Alike:
    """Meshes by number: one that is another moved aside, to rounding, has that one's.

    A file without instances writes the same mesh at every place it stands.
    """

    def __init__(self) -> None:
        self._known: dict[bytes, list[tuple[float, int, Array]]] = {}  # by the mean of coordinates
        self._count = 0

    def number(self, own: Array, faces: IntArray, rounding: float) -> int:
        """Of a mesh given from its least corner; the first of those that it is within ``rounding``, mm."""
        alike = self._known.setdefault(hashlib.sha1(faces.tobytes()).digest(), [])
        weight = np.cos(np.arange(own.size))  # so that few have one mean that are not one
        mean = float(own.reshape(-1) @ weight / np.abs(weight).sum())
        first = bisect_left(alike, mean - 1.01 * rounding, key=itemgetter(0))
        last = bisect_right(alike, mean + 1.01 * rounding, key=itemgetter(0))
        same = [
            number
            for _, number, known in alike[first:last]
            if known.shape == own.shape and np.abs(known - own).max() <= rounding
        ]
        if same:
            return min(same)
        insort(alike, (mean, self._count, own), key=itemgetter(0))
        self._count += 1
        return self._count - 1


class Tidier:
    """Tidies meshes; one that is another moved aside is not looked at anew."""

    def __init__(self, limits: Limits = LIMITS, set_corners: bool = True) -> None:
        self._limits, self._set_corners = limits, set_corners
        self._alike = Alike()
        self._made: list[TidyMesh | None] = []

    def tidy(self, vertices: Array, faces: IntArray) -> TidyMesh | None:
        """As :func:`tidy`."""
        if len(faces) < FEWEST_FACES:  # no solid, whatever is mended: such parts are left out
            return None
        vertices, faces = merge_equal(vertices, faces)
        low = vertices.min(axis=0)
        own = vertices - low
        row = self._alike.number(own, faces, SAME_SHARE * max(float(np.abs(vertices).max()), 1e-300))
        if row == len(self._made):
            how = (self._limits, self._set_corners)
            self._made.append(
                remembered("tidy mesh", (own, faces, self._set_corners), lambda: tidy(own, faces, *how))
            )
        made = self._made[row]
        return None if made is None else self._again(made, vertices, faces, low)

    @staticmethod
    def _again(made: TidyMesh, vertices: Array, faces: IntArray, low: Array) -> TidyMesh:
        """The tidied mesh at this place; one that stayed as it was read keeps this place's own corners."""
        if made.plain:
            return replace(made, vertices=renumbered(vertices, distinct_faces(faces))[0])
        return replace(made, vertices=made.vertices + low, mending=made.mending.moved(low))


def tidy(
    vertices: Array, faces: IntArray, limits: Limits = LIMITS, set_corners: bool = True
) -> TidyMesh | None:
    """The tidied mesh; None when it encloses nothing.

    Corners at one place are merged; an inside-out mesh is turned; what is not sound is mended; corners of a
    scan are set on the surfaces that chance moved them off, unless ``set_corners`` is False.
    """
    vertices, faces = merge_equal(vertices, faces)
    plain = distinct_faces(faces)
    if not len(plain) or _is_flat(vertices[np.unique(plain)]):
        return None
    if one_shell(plain):
        turned = signed_volume(vertices, plain) < 0
        outward = plain[:, ::-1] if turned else plain
        found: dict[MendKind, int] = {"inside out": 1} if turned else {}
        mending = Mending(found, raw=vertices[faces])
        if set_corners and (scan := _of_scan(vertices, outward, mending)):
            return scan
        if not _has_empty(vertices, outward) and not Rays(vertices, outward).crosses_itself():
            return TidyMesh(*renumbered(vertices, outward), True, Mending(found), not turned)
    made = mend(vertices, faces, limits)
    if made is None or not len(made.faces) or _is_flat(made.vertices):  # all that closed may be dust
        return None
    raw = replace(made.mending, raw=vertices[faces])
    whole = TidyMesh(made.vertices, made.faces, is_closed(made.faces), made.mending)
    return (set_corners and _of_scan(made.vertices, made.faces, raw)) or whole


def _of_scan(vertices: Array, faces: IntArray, mending: Mending) -> TidyMesh | None:
    """A scan with its corners on its surfaces and as few as these need; None for what is no scan, or where a
    sound solid does not come of it."""
    scan = fitted(vertices, faces)
    if scan is None:
        return None
    solid = plain_sides(shell_of(scan.vertices, faces))
    if not one_shell(solid.faces) or Rays(solid.vertices, solid.faces).crosses_itself():
        return None
    found: dict[MendKind, int] = {**mending.found, "corners set": scan.count}
    done = replace(mending, found=found, reach_mm=max(mending.reach_mm, scan.noise))
    return TidyMesh(solid.vertices, solid.faces, True, done)


def _has_empty(vertices: Array, faces: IntArray) -> bool:
    """Whether a face is lower than what tells its side from rounding."""
    corners = vertices[faces]
    longest = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).max(axis=1)
    twice = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1)
    return bool((twice <= EMPTY_SHARE * float(np.ptp(vertices, axis=0).max()) * longest).any())


def _is_flat(vertices: Array) -> bool:
    spread = np.linalg.eigvalsh(np.cov((vertices - vertices.mean(axis=0)).T))
    return bool(spread[0] <= FLAT_SHARE**2 * spread[2])
