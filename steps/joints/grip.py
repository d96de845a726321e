"""What a stud, peg or pin meets inside another shape: contact lines, gaps, engaged depth.

The other shape is cut across the plug's axis at every level where it changes, and each cut read
outwards from the axis. A surface that is known to be a cylinder gives its gap between the circles
through the vertices, so coarse facets do not add their sag; any other surface gives its distance.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from steps.features.anatomy import Anatomy
from steps.features.patches import Cylinder, plane_basis
from steps.features.roles import Round
from steps.features.section import Section, inside_numbers, nearest_points, section
from steps.joints.backing import Ask, backings
from steps.joints.contact import Contact
from steps.model import Array, Backing, TouchKind
from steps.ties import ranks

#: A surface further from the plug than this share of its radius does not hold it: at 1x a stud of
#: radius 3 then has 0.75 mm of play, three times the loosest class.
REACH_SHARE = 0.25
#: A surface that cuts deeper than this share of its radius into the plug is no press fit; nor is one that
#: lies within the plug's bore: between them a rim may stand in a lid.
CUT_SHARE = 0.25
#: Contact lines closer than this about the axis are one line (radians).
LINE_SPREAD = np.radians(14)
#: Lines drawn round a hole that holds a plug all round.
ROUND_LINES = 6
#: The engaged length is read in at most this many slices.
MAX_SLICES = 10
#: Slices thinner than this share of the plug's length are not read.
THIN_SLICE = 0.02
#: Gap over which an adhesive bridges beside a contact line, mm (Goss 2010: best up to 0.2).
BRIDGED_MM = 0.2
#: Places of one point read from two faces agree to this share of the plug's radius: a file of 32 bits a
#: coordinate, some hundred mm from its origin, tells no more.
SAME_PLACE = 1e-5
#: Gaps that differ by less are one, mm: a file's rounding (six digits of a place some hundred mm away) is a
#: tenth of it, and what a gap is told to is four times it.
SAME_GAP_MM = 5e-3
#: A surface lies across a direction, to this angle from square (sine of 5 degrees).
SQUARE = np.sin(np.radians(5.0))
#: Axes within this of each other are parallel (cosine).
PARALLEL = np.cos(np.radians(1.0))
#: What goes on past the end of a hole by more than this share of its radius goes through it.
THROUGH = 0.5
#: Less engaged length than this share of the plug's radius is a brush, not a contact.
LEAST_DEPTH = 0.04


@dataclass
class ContactLine:
    """One contact line while slices are gathered."""

    direction: Array  #: (2,) from the axis outwards
    gap: float
    depth: float
    low: float
    high: float
    weighted: float  #: gap times depth
    width: float  #: of the strip an adhesive can bond
    all_round: bool
    opening: float  #: half width of the slot of a hole that is open on one side, infinite when whole
    face: str  #: "boss", "hole" or "flat": what it meets
    round_mm: float  #: outside radius of the tube or pin it meets, else 0
    cut: Section  #: where the gap is least


@dataclass(frozen=True, eq=False)
class Plugs:
    """What of one shape can go into another's hollow, with the kind of contact each would make."""

    rounds: tuple[Round, ...]
    kinds: tuple[TouchKind, ...]
    tips: tuple[float, ...]  #: how far the shape goes on along each one's axis, mm from its start

    @cached_property
    def start(self) -> Array:
        """(k, 3)."""
        return np.array([p.cylinder.start for p in self.rounds]).reshape(-1, 3)

    @cached_property
    def axis(self) -> Array:
        """(k, 3)."""
        return np.array([p.cylinder.axis for p in self.rounds]).reshape(-1, 3)

    @cached_property
    def length(self) -> Array:
        """(k,)."""
        return np.array([p.cylinder.length for p in self.rounds])

    @cached_property
    def radius(self) -> Array:
        """(k,)."""
        return np.array([p.cylinder.radius for p in self.rounds])


def plug_contacts(plugs: Plugs, pose: Array, other: Anatomy, backed: bool = True) -> list[Contact]:
    """Contacts of one shape's plugs with the hollow of another, in the other's coordinates.

    ``pose`` takes the plugs' coordinates to the other's. The carrier is written as 0. What stands behind the
    contact lines is measured only where it is asked for (``backed``).
    """
    found = []
    for group in _groups(plugs, pose, other):
        axis = pose[:3, :3] @ plugs.axis[group[0]]
        starts = [pose[:3, :3] @ plugs.start[i] + pose[:3, 3] for i in group]
        length = float(plugs.length[group[0]])
        level = float(starts[0] @ axis)
        cuts = [
            (low, high, section(other.mesh, axis, level + (low + high) / 2))
            for low, high in _slices(other, axis, level, length)
        ]
        for i, start in zip(group, starts, strict=True):
            contact = _contact(plugs.rounds[i], plugs.kinds[i], start, axis, cuts, other, backed)
            if contact is not None:
                beyond = plugs.tips[i] - float((contact.point - start) @ axis) - contact.depth / 2
                found.append(replace(contact, through=beyond > THROUGH * contact.radius))
    return found


def _groups(plugs: Plugs, pose: Array, other: Anatomy) -> Iterator[list[int]]:
    """Plugs that reach into the other's box, those of one axis, level and length together."""
    if not plugs.rounds or not len(other.mesh.vertices):
        return
    length, radius = plugs.length, plugs.radius
    start = plugs.start @ pose[:3, :3].T + pose[:3, 3]
    axis = plugs.axis @ pose[:3, :3].T
    end = start + axis * length[:, None]
    low, high = np.minimum(start, end), np.maximum(start, end)
    box_low, box_high = other.mesh.bounds
    slack = 1e-3 * radius[:, None]
    near = np.all((low < box_high - slack) & (high > box_low + slack), axis=1)
    groups: dict[tuple[float, ...], list[int]] = {}
    for i in np.flatnonzero(near):
        level = start[i] @ axis[i]
        grain = 1e-3 * radius[i]
        key = (*np.round(axis[i], 4), round(level / grain), round(length[i] / grain))
        groups.setdefault(key, []).append(int(i))
    yield from groups.values()


def _slices(other: Anatomy, axis: Array, level: float, length: float) -> list[tuple[float, float]]:
    """Stretches of the plug's length between the levels at which the other shape changes.

    A mesh with vertices all over its faces changes everywhere; then its flat faces across the axis
    are the borders that matter, and the lengths between them are divided evenly.
    """
    mesh = other.mesh
    thin = THIN_SLICE * length
    borders = _merged(mesh.vertices @ axis - level, length, thin)
    if len(borders) > MAX_SLICES + 1:
        flat = np.abs(mesh.normals @ axis) > PARALLEL
        even = np.linspace(0, length, MAX_SLICES + 1)
        levels = mesh.centres[flat] @ axis - level
        apart = np.abs(even[:, None] - levels[None]).min(axis=1, initial=np.inf) > length / MAX_SLICES / 2
        borders = _merged(np.concatenate([levels, even[apart]]), length, thin)
    return list(zip(borders[:-1].tolist(), borders[1:].tolist(), strict=True))


def _merged(levels: Array, length: float, thin: float) -> Array:
    """The ends of the length and the levels between, none nearer than ``thin`` to the one below it."""
    inner = np.unique(levels[(levels > thin) & (levels < length - thin)])
    borders = [0.0]
    for value in inner.tolist():
        if value - borders[-1] > thin:
            borders.append(value)
    return np.array([*borders, length])


def _contact(
    plug: Round,
    kind: TouchKind,
    start: Array,
    axis: Array,
    cuts: Sequence[tuple[float, float, Section]],
    other: Anatomy,
    backed: bool,
) -> Contact | None:
    radius = plug.cylinder.radius
    lines: list[ContactLine] = []
    for low, high, cut in cuts:
        if not len(cut.segments):
            continue
        _gather(lines, _slice_lines(cut, start, axis, plug, other), low, high, cut)
    if not lines:
        return None
    depth = max(line.depth for line in lines)
    if depth < LEAST_DEPTH * radius:
        return None
    low, high = min(line.low for line in lines), max(line.high for line in lines)
    basis = cuts[0][2].basis
    directions = np.array([line.direction for line in lines]) @ basis
    heights = np.array([(line.low + line.high) / 2 for line in lines])
    total = sum(line.depth for line in lines)
    mean = sum(line.weighted for line in lines) / total
    return Contact(
        kind,
        0,
        start + axis * (low + high) / 2,
        axis,
        min(line.gap for line in lines),
        mean,
        depth,
        sum(line.width * line.depth for line in lines),
        start + axis * heights[:, None] + radius * directions,
        directions,
        radius=radius,
        snap=_snap(plug, lines),
        bond_gap=max(mean, 0.0),
        height=plug.cylinder.length,
        all_round=any(line.all_round for line in lines),
        gaps=np.array([line.weighted / line.depth for line in lines]),
        lengths=np.array([line.depth for line in lines]),
        faces=tuple(line.face for line in lines),
        backings=_backings(lines, start, axis, radius, other) if backed else (),
        bore=plug.bore,
        slope=plug.slope,
    )


def _backings(
    lines: Sequence[ContactLine], start: Array, axis: Array, radius: float, other: Anatomy
) -> tuple[Backing, ...]:
    asks = [
        Ask(
            line.direction,
            radius + line.gap,
            line.low,
            line.high,
            line.cut,
            line.all_round,
            line.round_mm,
        )
        for line in lines
    ]
    return tuple(backings(asks, start, axis, radius, other))


def _snap(plug: Round, lines: Sequence[ContactLine]) -> float:
    """How far something must give to let a collar through its hole, or a held pin into its clip."""
    if not any(line.all_round for line in lines):
        return 0.0
    radius = plug.cylinder.radius
    if plug.collar > 0:
        return max(0.0, plug.collar - radius - min(line.gap for line in lines))
    opening = min(line.opening for line in lines)
    return max(0.0, radius - opening) if plug.role == "pin" and np.isfinite(opening) else 0.0


@dataclass(frozen=True, eq=False)
class _Met:
    """A surface met in one slice."""

    direction: Array
    gap: float
    width: float
    all_round: bool = False
    opening: float = np.inf
    face: str = "flat"
    round_mm: float = 0.0
    square: bool = True  #: the surface lies across the direction in which it is met, and does not end there


def _slice_lines(cut: Section, start: Array, axis: Array, plug: Round, other: Anatomy) -> list[_Met]:
    """Surfaces within reach that face the axis, nearest first; none when the axis is in the solid."""
    segments, radius = cut.about(start), plug.cylinder.radius
    nearest = nearest_points(segments)
    distance = np.linalg.norm(nearest, axis=1)
    along = segments[:, 1] - segments[:, 0]
    facing = along[:, 1] * nearest[:, 0] - along[:, 0] * nearest[:, 1] < 0  # outward normal towards the axis
    close = facing & (distance < radius * (1.2 + REACH_SHARE))
    if not close.any() or inside_numbers(segments, np.zeros((1, 2)))[0] > 0.5:
        return []
    surface = other.surface[cut.faces]
    met: list[_Met] = []
    round_about: list[tuple[Array, float, float]] = []  # segments of each hole, its gap, and less its sag
    for label in np.unique(surface[close]):
        rows = np.flatnonzero(close & (surface == label))
        found = list(
            _meet(label, segments[rows], nearest[rows], distance[rows], cut, start, axis, radius, other)
        )
        met.extend(found)
        if found and found[0].face == "hole":
            least = found[0].gap - other.rounds[label].cylinder.sag - SAME_PLACE * radius
            round_about.append((segments[rows], least, found[0].gap))
    deepest = min(CUT_SHARE * radius, radius - plug.within)
    met = [m for m in met if -deepest <= m.gap <= REACH_SHARE * radius]
    return _apart([m for m in met if not _on_rim(m, round_about)])


def _on_rim(met: _Met, round_about: Sequence[tuple[Array, float, float]]) -> bool:
    """Whether a flat is nearest where it ends on a facet of a hole, as the faces round the mouth of a slanted
    hole do: there the hole is what is met, and its facets' sag is no gap. The side of a slot runs on from the
    round end along its tangent, and is met as well."""
    return not met.square and any(
        least <= met.gap <= gap and _spans(segments, met.direction[None])[0]
        for segments, least, gap in round_about
    )


def _meet(
    label: int,
    segments: Array,
    nearest: Array,
    distance: Array,
    cut: Section,
    start: Array,
    axis: Array,
    radius: float,
    other: Anatomy,
) -> Iterator[_Met]:
    """The contact (or, round a hole, the contacts) of one surface with the plug."""
    if label < len(other.rounds):
        c = other.rounds[label].cylinder
        if abs(c.axis @ axis) > PARALLEL:
            whole = other.rounds[label].role != "arc"
            yield from _meet_cylinder(c, cut.basis @ (c.start - start), segments, radius, whole)
            return
    best = int(distance.argmin())
    if distance[best] < 1e-9 * radius:
        return
    direction = nearest[best] / distance[best]
    width = _strip(radius, np.inf, segments, direction)
    side = segments[best, 1] - segments[best, 0]
    lean = abs(side @ direction) / max(float(np.linalg.norm(side)), 1e-300)
    yield _Met(direction, float(distance[best]) - radius, width, square=bool(lean < SQUARE))


def _meet_cylinder(
    surface: Cylinder, centre: Array, segments: Array, radius: float, whole: bool
) -> Iterator[_Met]:
    off = float(np.linalg.norm(centre))
    surface_radius = surface.radius
    if surface.convex:
        if off > 1e-9:
            direction = centre / off
            if _spans(segments, direction[None])[0]:
                width = _strip(radius, surface_radius, segments, direction)
                round_mm = surface_radius if whole else 0.0
                yield _Met(direction, off - surface_radius - radius, width, face="boss", round_mm=round_mm)
        return
    play = surface_radius - radius
    if play + off <= REACH_SHARE * radius:  # it holds the plug on all sides
        angles = 2 * np.pi / ROUND_LINES * np.arange(ROUND_LINES) + 0.1
        directions = np.column_stack([np.cos(angles), np.sin(angles)])
        present = _spans(segments, directions)
        width = 2 * np.pi * radius / ROUND_LINES
        slot = 2 * np.pi - surface.arc
        opening = surface_radius * np.sin(slot / 2) if 0 < slot < np.pi else np.inf
        for direction in directions[present]:
            yield _Met(direction, play - off, width, present.sum() >= ROUND_LINES / 2, opening, "hole")
    elif off > 1e-9:
        direction = -centre / off
        if _spans(segments, direction[None])[0]:
            yield _Met(
                direction, play - off, _strip(radius, -surface_radius, segments, direction), face="hole"
            )


def _spans(segments: Array, directions: Array) -> np.ndarray:
    """(d,) whether a surface's segments lie across each direction, with a degree of slack."""
    a = np.arctan2(segments[:, 0, 1], segments[:, 0, 0])
    turn = np.angle(np.exp(1j * (np.arctan2(segments[:, 1, 1], segments[:, 1, 0]) - a)))
    low, width = np.where(turn < 0, a + turn, a), np.abs(turn)
    asked = np.arctan2(directions[:, 1], directions[:, 0])[:, None]
    slack = np.radians(1.0)
    return (np.mod(asked - low + slack, 2 * np.pi) <= width + 2 * slack).any(axis=1)


def _strip(radius: float, surface_radius: float, segments: Array, direction: Array) -> float:
    """Width over which the gap beside a contact line opens by less than an adhesive bridges."""
    bend = 1 / radius + 1 / surface_radius
    bridged = 2 * np.sqrt(2 * BRIDGED_MM / bend) if bend > 0 else np.inf
    tangent = np.array([-direction[1], direction[0]])
    there = float(np.ptp(segments.reshape(-1, 2) @ tangent))
    return float(min(bridged, there, 2 * radius))


def _apart(met: list[_Met]) -> list[_Met]:
    """Lines at least LINE_SPREAD apart, tightest first."""
    kept: list[_Met] = []
    limit = np.cos(LINE_SPREAD)
    drawn = np.array([line.face == "hole" for line in met])  # where its lines lie is our choice
    order = np.lexsort([drawn, ranks(np.array([line.gap for line in met]), SAME_GAP_MM)])
    for line in (met[row] for row in order.tolist()):
        if all(line.direction @ other.direction < limit for other in kept):
            kept.append(line)
    return kept


def _gather(lines: list[ContactLine], met: Sequence[_Met], low: float, high: float, cut: Section) -> None:
    """Add one slice's lines to those of the slices below."""
    depth = high - low
    limit = np.cos(LINE_SPREAD)
    for m in met:
        mate = next((line for line in lines if line.direction @ m.direction > limit), None)
        if mate is None:
            lines.append(
                ContactLine(
                    m.direction,
                    m.gap,
                    depth,
                    low,
                    high,
                    m.gap * depth,
                    m.width,
                    m.all_round,
                    m.opening,
                    m.face,
                    m.round_mm,
                    cut,
                )
            )
            continue
        if m.gap < mate.gap:
            mate.direction, mate.gap, mate.cut = m.direction, m.gap, cut
            mate.face, mate.round_mm = m.face, m.round_mm
        mate.depth += depth
        mate.low, mate.high = min(mate.low, low), max(mate.high, high)
        mate.weighted += m.gap * depth
        mate.width = max(mate.width, m.width)
        mate.all_round |= m.all_round


def holds_all_round(normals: Array, axis: Array) -> bool:
    """Whether contact lines with these normals hold a plug: no direction across ``axis`` is left open.

    Two that face each other hold too: walls on both sides pinch a stud, and friction does the rest.
    """
    across = normals - np.outer(normals @ axis, axis)
    length = np.linalg.norm(across, axis=1)
    across = across[length > 0.1]
    if len(across) < 2:
        return False
    u, v = plane_basis(axis)
    angles = np.sort(np.arctan2(across @ v, across @ u))
    widest = np.diff(np.append(angles, angles[0] + 2 * np.pi)).max()
    return bool(widest < np.pi + PINCH_SLACK)


#: Two contact lines pinch when their normals are opposed within this (radians): well inside the least
#: friction of printed plastic, atan 0.12 = 7 degrees.
PINCH_SLACK = np.radians(5)
