"""Checks what the generator says about its own models, by exact solids and by nothing of the product.

Solids are manifold3d bodies: what overlaps has volume, what touches has no gap, what cannot pass cuts into
what stands somewhere on the way.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from itertools import combinations

import manifold3d as m3
import numpy as np
import trimesh

from tests.models.value import Array, Made, Put, Turn

#: A move is looked at this many times within each stretch of ``near_mm``, and at every stride further out.
FINE = 4
#: A hull is shrunk by this before it cuts off what reaches in, so that faces that touch do not count.
SHRUNK = 0.99
#: Degrees between two looks at a turn.
TURN_STEP = 3.0


@dataclass(frozen=True, eq=False)
class Bench:
    """The solids of a made model where they stand."""

    made: Made
    slack_mm3: float = 1e-3  #: overlap by rounding; a real one is a thousand times as much

    @cached_property
    def bodies(self) -> Mapping[str, m3.Manifold]:
        shapes = {
            key: m3.Manifold(m3.Mesh64(solid.vertices.copy(), np.array(solid.faces, np.uint64, order="C")))
            for key, solid in self.made.solids.items()
        }
        return {part.name: shapes[part.solid_key].transform(part.pose[:3]) for part in self.made.placed}

    @cached_property
    def boxes(self) -> Mapping[str, Array]:
        """(2, 3) box of each part."""
        return {name: np.array(body.bounding_box()).reshape(2, 3) for name, body in self.bodies.items()}

    def near(self, within: float) -> Iterator[tuple[str, str]]:
        """Pairs whose boxes are no further apart than ``within``, mm."""
        for one, two in combinations(self.boxes, 2):
            a, b = self.boxes[one], self.boxes[two]
            if (a[0] <= b[1] + within).all() and (b[0] <= a[1] + within).all():
                yield one, two

    def overlaps(self) -> list[tuple[str, str, float]]:
        """Pairs that share more than rounding, and how much, mm3."""
        shared = [(one, two, (self.bodies[one] ^ self.bodies[two]).volume()) for one, two in self.near(0.0)]
        return [each for each in shared if each[2] > self.slack_mm3]

    def touching(self, within: float) -> set[frozenset[str]]:
        """Pairs no further apart than ``within``, mm."""
        return {
            frozenset((one, two))
            for one, two in self.near(within)
            if self.bodies[one].min_gap(self.bodies[two], 2 * within + 1.0) <= within
        }

    def studs_within(self, a: str, b: str) -> int:
        """How many separate pieces of ``a`` reach into the hull of ``b``: its engaged studs."""
        middle = self.boxes[b].mean(axis=0)
        hull = self.bodies[b].hull().translate(list(-middle)).scale([SHRUNK] * 3).translate(list(middle))
        inside = self.bodies[a] ^ hull
        return sum(piece.volume() > self.slack_mm3 for piece in inside.decompose())

    # ------------------------------------------------------------------------- moves

    def faults(self, near_mm: float) -> list[str]:
        """What is wrong with the moves: told for people. ``near_mm``: shorter than any engagement."""
        benches: dict[str, list[str]] = {}
        found: list[str] = []
        for number, put in enumerate(self.made.moves, 1):
            found += [f"move {number}: {text}" for text in self._before(put, benches)]
            standing = benches.setdefault(put.bench, [])
            if not put.snaps:
                hit = self.blocked(put, standing, near_mm)
                found += [f"move {number}: {', '.join(put.moving)} runs into {name}" for name in hit]
            standing.extend(put.moving)
        names = {part.name for part in self.made.placed}
        if sorted(benches.get("", [])) != sorted(names):
            found.append("the moves do not end with the whole model")
        return found

    def _before(self, put: Put, benches: dict[str, list[str]]) -> Iterator[str]:
        """A part comes new from its box, a group whole from another bench, which it leaves empty."""
        where = [bench for bench, standing in benches.items() if not set(put.moving).isdisjoint(standing)]
        if not where:
            if len(put.moving) > 1:
                yield f"{', '.join(put.moving)} move together but were never put together"
        elif len(where) > 1 or where[0] == put.bench or set(benches[where[0]]) != set(put.moving):
            yield f"{', '.join(put.moving)} are not all of what stands on one other bench"
        else:
            benches[where[0]] = []

    def blocked(self, put: Put, standing: Collection[str], near_mm: float) -> list[str]:
        """Parts that the moving ones cut into on the way."""
        if not standing:
            return []
        hit: dict[str, None] = {}
        for pose in self.poses(put, standing, near_mm):
            for name in put.moving:
                body = self.bodies[name].transform(pose[:3])
                box = np.array(body.bounding_box()).reshape(2, 3)
                for other in standing:
                    there = self.boxes[other]
                    apart = (box[0] > there[1]).any() or (there[0] > box[1]).any()
                    if apart or other in hit:
                        continue
                    if (body ^ self.bodies[other]).volume() > self.slack_mm3:
                        hit[other] = None
        return list(hit)

    def poses(self, put: Put, standing: Iterable[str], near_mm: float) -> Iterator[Array]:
        """Where the moving parts are on their way, from the end backwards; (4, 4) from their last place."""
        after = np.eye(4)
        for number, leg in reversed(list(enumerate(put.legs))):
            if isinstance(leg, Turn):
                steps = max(2, int(abs(leg.degrees) / TURN_STEP) + 1)
                for angle in np.linspace(0.0, leg.degrees, steps + 1)[1:]:
                    yield after @ _turn(leg, -angle)
                after = after @ _turn(leg, -leg.degrees)
                continue
            length = float(np.linalg.norm(leg.way))
            unit = leg.way / length
            reach = length if number else self._out(put, standing, unit)
            for offset in _offsets(reach, near_mm):
                yield after @ _shift(-offset * unit)
            after = after @ _shift(-leg.way)

    def _out(self, put: Put, standing: Iterable[str], unit: Array) -> float:
        """How far back along ``unit`` the moving parts are clear of all that stands, mm."""
        ours = np.concatenate([_corners(self.boxes[name]) for name in put.moving]) @ unit
        theirs = np.concatenate([_corners(self.boxes[name]) for name in standing]) @ unit
        return max(float(ours.max() - theirs.min()), 0.0) + 1.0 + float(np.ptp(ours))


def _offsets(reach: float, near_mm: float) -> Array:
    """Distances to look at: fine where parts engage, coarser (never more than ``near_mm``) further out."""
    fine = np.arange(near_mm / FINE, 3 * near_mm, near_mm / FINE)
    coarse = np.arange(3 * near_mm, reach, near_mm)
    found = np.concatenate([fine[fine < reach], coarse, [reach]])
    return np.asarray(found)


def _shift(by: Array) -> Array:
    pose = np.eye(4)
    pose[:3, 3] = by
    return pose


def _turn(leg: Turn, degrees: float) -> Array:
    return np.asarray(trimesh.transformations.rotation_matrix(np.radians(degrees), leg.axis, leg.point))


def _corners(box: Array) -> Array:
    grid = np.array(np.meshgrid(*box.T, indexing="ij")).reshape(3, -1)
    return grid.T
