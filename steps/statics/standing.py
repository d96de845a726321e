"""Does a set of parts stand by itself on the table?

A cheap proof comes first. A part is *carried* when everything that may press on it from above, and its
own centre of mass well inside, lies over the points that carry it from below: then whatever comes down
goes straight down through it. Only the parts that are not carried, and all that lies on them, go into
a programme; carried parts round them serve as ground that pushes straight up and does nothing
else. That is a restriction, so a yes is a proof; on a no the region grows, in the end to the whole set,
whose no is final and comes with the motion in which it falls.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike

from steps.model import Array, IntArray, Mask
from steps.progress import tick
from steps.statics.equilibrium import Case, Equilibrium
from steps.statics.findings import by_part, digest_of
from steps.statics.flat import axes_across, extreme_points, flat, unit
from steps.statics.footing import stands_along_trees
from steps.statics.programme import limit
from steps.statics.rigid import GROUND, Bodies, Contacts
from steps.statics.structure import UPRIGHT_COSINE, Structure
from steps.statics.tree import Holds

#: How far inside its support a centre of mass must lie for the cheap proof, as a share of the support's
#: half width: the programme decides what is nearer the edge.
WELL_INSIDE = 0.1
#: A load this little outside the support still counts as over it, mm: shapes that differ by 0.005 mm are read
#: as one, so that the corners of what lies on a part and of what carries it are known no better than by four
#: times that. Printed edges are not that sharp.
OVER_TOLERANCE_MM = 0.02
#: Directions in which the outermost supporting points are looked for.
SUPPORT_DIRECTIONS = 16
#: Rings of neighbours added to a region before the whole set is solved.
RINGS = (0, 1, 3)
#: A region this large a share of the set is not worth a programme of its own.
WHOLE_SHARE = 0.6
#: Directions in which a finished model is tilted.
TILT_DIRECTIONS = 8


@dataclass(frozen=True, eq=False)
class Standing:
    """Whether a set of parts stands; ``hold``: where it does not, the parts a hand must hold by the least
    help; ``motion``: how it falls without, the certificate of it, as moves (mm) and turns (rad) by part
    (row), of any size; empty where it stands or nothing is known. ``programmes``: how many were solved for
    the answer.
    """

    ok: bool
    hold: tuple[str, ...] = ()
    motion: Mapping[int, Array] = field(default_factory=dict)
    programmes: int = 0


@dataclass(frozen=True, eq=False)
class _Question:
    """Parts by row and mask, those of them that lean, their contacts with the table, loads beyond their
    weight by row, which do not move, and whether it matters who must hold what."""

    rows: IntArray
    present: Mask
    leaning: Mask
    table: Contacts
    extra: Mapping[int, Array]
    still: Mask
    names: bool


@dataclass(eq=False)
class Stand:
    """Answers :meth:`stands` for many sets of one structure, one up direction and one set of glued joints.

    It keeps what it has worked out, so growing sets are quick; what it keeps never changes an answer.
    """

    structure: Structure
    up: Array
    contacts: Contacts

    @staticmethod
    def of(
        structure: Structure,
        up: ArrayLike = (0.0, 0.0, 1.0),
        glued: Mapping[str, float | None] | Iterable[str] = (),
    ) -> Stand:
        return Stand(structure, unit(up), structure.glued(glued))

    def __post_init__(self) -> None:
        low = self.structure.feet(self.up).low
        upright = self.contacts.normal @ self.up
        supports = self.contacts.push & (np.abs(upright) > UPRIGHT_COSINE)
        upper = np.where(upright > 0, self.contacts.first, self.contacts.second)
        lower = np.where(upright > 0, self.contacts.second, self.contacts.first)
        # a carrier starts lower than what it carries, by more than files tell: no circles
        supports &= low[lower] < low[upper] - OVER_TOLERANCE_MM
        at = np.flatnonzero(supports)
        self._at, self._upper, self._lower = at, upper[at], lower[at]
        self._by_upper, self._by_lower = _grouped(self._upper, len(low)), _grouped(self._lower, len(low))
        pairs = np.unique(np.stack([self._lower, self._upper], axis=1), axis=0)
        self._edge_lower, self._edge_upper = pairs[:, 0], pairs[:, 1]
        self._carriers = [tuple(sorted(set(self._lower[rows].tolist()))) for rows in self._by_upper]
        self._flat_points = flat(self.contacts.point, self.up)
        self._flat_centroid = flat(self.structure.bodies.centroid, self.up)
        asked = (self.up, at, self._flat_points, self._flat_centroid)
        self._carried = self.structure.findings.carried.setdefault(digest_of(asked), {})

    # ------------------------------------------------------------------ the question

    def stands(
        self,
        parts: Iterable[str],
        loads: Mapping[str, ArrayLike] | None = None,
        held: Collection[str] = (),
        names: bool = True,
    ) -> Standing:
        """Whether the parts stand on a table below the lowest of them.

        ``loads`` are forces (N) at the centroids of some of the parts, on top of their weight, or (6,) forces
        and moments (N mm). The ``held`` do not move whatever they bear. Without ``names`` nobody wants to
        know which to hold, which spares most programmes where something falls.
        """
        tick()
        rows = self.structure.part_rows(parts)
        if not len(rows):
            return Standing(True)
        extra = self._extra(loads)
        present = self._mask(rows)
        table, on_table = self.structure.table_contacts(rows, self.up)
        leaning = present & ~self._carried_mask(rows, present, on_table)
        for row, load in extra.items():
            force = load[:3]
            across = np.linalg.norm(force - (force @ self.up) * self.up)
            leaning[row] |= bool(across > 0 or force @ self.up > 0 or np.any(load[3:]))
        if not leaning.any():
            return Standing(True)
        still = self._mask(self.structure.part_rows(held))
        return self._solve_growing(_Question(rows, present, leaning, table, extra, still, names))

    def carried(self, rows: ArrayLike) -> bool:
        """Whether every one of these parts (rows) is carried straight down, so that no joint need hold."""
        chosen = np.sort(np.asarray(rows))
        _, on_table = self.structure.table_contacts(chosen, self.up)
        return bool(self._carried_mask(chosen, self._mask(chosen), on_table)[chosen].all())

    def tip_deg(self, parts: Iterable[str]) -> float:
        """How far the parts can be tilted, degrees, in the worst direction before they slide or topple."""
        rows = self.structure.part_rows(parts)
        present = self._mask(rows)
        bodies, contacts = self._region(present, present, self.structure.table_contacts(rows, self.up)[0])
        across = _directions_across(self.up, TILT_DIRECTIONS)
        weight = bodies.weight(self.up)
        least = np.inf
        for direction in across:
            sideways = bodies.weight(-direction)
            found = limit(bodies, contacts, weight, sideways)
            least = min(least, found.factor)
        return float(np.degrees(np.arctan(max(least, 0.0)))) if np.isfinite(least) else 90.0

    # ------------------------------------------------------------------ the cheap test

    def _carried_mask(self, rows: IntArray, present: Mask, on_table: IntArray) -> Mask:
        carried = np.zeros(len(present), dtype=bool)
        table = set(on_table.tolist())
        for row in rows.tolist():
            carriers = tuple(one for one in self._carriers[row] if present[one])
            key = (row, row in table, carriers)
            if key not in self._carried:
                tick()
                self._carried[key] = self._is_carried(*key)
            carried[row] = self._carried[key]
        return carried

    def _is_carried(self, row: int, on_table: bool, carriers: tuple[int, ...]) -> bool:
        below = self._by_upper[row]
        below = below[np.isin(self._lower[below], carriers)]
        points = [self._flat_points[self._at[below]]]
        if on_table:
            points.append(flat(self.structure.feet(self.up).corners[row], self.up))
        support = np.concatenate(points)
        above = self._flat_points[self._at[self._by_lower[row]]]
        return lies_over(above, self._flat_centroid[row], support)

    # ------------------------------------------------------------------ the programme

    def _solve_growing(self, asked: _Question) -> Standing:
        region, present, solved = self._with_all_above(asked.leaning, asked.present), asked.present, 0
        for rings in RINGS:
            for _ in range(rings):
                region = self._with_all_above(region | self._neighbours(region, present), present)
            if region.sum() > WHOLE_SHARE * len(asked.rows):
                break
            found = self._answer(region, replace(asked, names=False))
            solved += found.programmes
            if found.ok:
                return Standing(True, programmes=solved)
        found = self._answer(present, asked)
        return replace(found, programmes=solved + found.programmes)

    def _answer(self, region: Mask, asked: _Question) -> Standing:
        """Whether a region stands, all below it being ground."""
        if asked.still.any():  # of what does not move only that counts which touches what may
            free = region & ~asked.still
            if not free.any():
                return Standing(True)
            region = region & (free | self._neighbours(free, asked.present))
        bodies, contacts = self._region(region, asked.present, asked.table)
        rows = np.flatnonzero(region)
        loads = bodies.weight(self.up)
        for row, force in asked.extra.items():
            if region[row]:
                loads[np.searchsorted(rows, row), : len(force)] += force
        if stands_along_trees(bodies, contacts, self._holds.among(self._local(rows)), loads):
            return Standing(True)
        case = Case.make(loads, held=np.flatnonzero(asked.still[rows]))
        equilibrium = Equilibrium(bodies, contacts)
        found, solved = self.structure.findings.answer(rows, equilibrium, case, asked.names)
        if not found.falls:
            return Standing(True, programmes=int(solved))
        helped = () if found.help is None else rows[np.any(found.help.hand, axis=1)]
        hold = tuple(self.structure.model.parts[row].id for row in helped)
        motion = {} if found.motion is None else by_part(rows, equilibrium, found.motion)
        return Standing(False, hold, motion, int(solved))

    @cached_property
    def _holds(self) -> Holds:
        return self.structure.holds(self.contacts)

    def _local(self, rows: IntArray) -> IntArray:
        """(n,) the number of each part among those of a region, GROUND for the others."""
        numbers = np.full(len(self.structure.bodies), GROUND)
        numbers[rows] = np.arange(len(rows))
        return numbers

    def _region(self, region: Mask, present: Mask, table: Contacts) -> tuple[Bodies, Contacts]:
        """Bodies and contacts of a region; carried parts below it are ground."""
        all_contacts, bodies = self.contacts, self.structure.bodies
        first, second = all_contacts.first, all_contacts.second
        inside = np.flatnonzero(region[first] & region[second])
        edge = np.flatnonzero(region[self._upper] & present[self._lower] & ~region[self._lower])
        rows = np.flatnonzero(region)
        to_local = self._local(rows)
        within = _renumbered(all_contacts.take(inside), to_local)
        carried_by = Contacts.make(
            all_contacts.point[self._at[edge]], self.up, to_local[self._upper[edge]], GROUND
        )
        feet = _renumbered(table.take(region[table.first]), to_local)
        return (
            Bodies(bodies.mass_g[rows], bodies.centroid[rows]),
            Contacts.join([within, carried_by, feet]),
        )

    def _with_all_above(self, region: Mask, present: Mask) -> Mask:
        grown = region.copy()
        live = present[self._edge_lower] & present[self._edge_upper]
        lower, upper = self._edge_lower[live], self._edge_upper[live]
        while True:
            fresh = upper[grown[lower] & ~grown[upper]]
            if not len(fresh):
                return grown
            grown[fresh] = True

    def _neighbours(self, region: Mask, present: Mask) -> Mask:
        first, second = self.contacts.first, self.contacts.second
        beside = np.zeros(len(region), dtype=bool)
        beside[second[region[first]]] = True
        beside[first[region[second]]] = True
        return beside & present & ~region

    def _mask(self, rows: IntArray) -> Mask:
        mask = np.zeros(len(self.structure.bodies), dtype=bool)
        mask[rows] = True
        return mask

    def _extra(self, loads: Mapping[str, ArrayLike] | None) -> dict[int, Array]:
        index = self.structure.model.index_of
        return {index[part]: np.asarray(force, dtype=float) for part, force in (loads or {}).items()}


def lies_over(loads: Array, centre: Array, support: Array) -> bool:
    """Whether all ``loads`` (k, 2) lie over the hull of ``support`` (m, 2), the centre (2,) well inside."""
    if len(support) < 3:
        return False
    corners = support[extreme_points(support, SUPPORT_DIRECTIONS)]
    if len(corners) < 3:
        return False
    sides = np.roll(corners, -1, axis=0) - corners
    lengths = np.linalg.norm(sides, axis=1)
    inward = np.stack([-sides[:, 1], sides[:, 0]], axis=1) / lengths[:, None]
    offsets = np.einsum("ij,ij->i", inward, corners)
    depth = corners @ inward.T - offsets  # (corners, sides): how deep the hull is behind each side
    margin = WELL_INSIDE * depth.max(axis=0) / 2
    if np.any(inward @ centre - offsets < margin) or depth.max(axis=0).min() <= OVER_TOLERANCE_MM:
        return False
    return not len(loads) or bool(np.all(loads @ inward.T - offsets >= -OVER_TOLERANCE_MM))


def _directions_across(up: Array, count: int) -> Array:
    across = axes_across(up)
    angles = 2 * np.pi * np.arange(count) / count
    return np.cos(angles)[:, None] * across[:, 0] + np.sin(angles)[:, None] * across[:, 1]


def _renumbered(contacts: Contacts, to_local: IntArray) -> Contacts:
    second = np.where(contacts.second == GROUND, GROUND, to_local[contacts.second])
    return Contacts(
        contacts.point,
        contacts.normal,
        to_local[contacts.first],
        second,
        contacts.friction,
        contacts.pull,
        contacts.grip,
        contacts.push,
    )


def _grouped(values: IntArray, count: int) -> list[IntArray]:
    """For each value 0..count-1 the positions where it stands."""
    order = np.argsort(values, kind="stable")
    bounds = np.searchsorted(values[order], np.arange(count + 1))
    return [order[bounds[row] : bounds[row + 1]] for row in range(count)]
