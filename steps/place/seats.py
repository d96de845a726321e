"""Where a shape can take another or sit on one: its studs, pegs and balls, its sockets, holes and cups.

All is measured on the mesh. A socket is a place where a stud of the model, set into the shape from one side,
is held all round or has walls beside it and a roof above, as in :mod:`steps.joints.grip`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from steps.features import PEG_SLENDER, is_stud, stud_radii
from steps.features.anatomy import Anatomy, anatomy
from steps.features.frame import natural_basis
from steps.features.roles import Round
from steps.joints.contact import Contact
from steps.joints.grip import REACH_SHARE, Plugs, holds_all_round, plug_contacts
from steps.model import Array, Feature, Measure, Measures, Model, Shape, TouchKind
from steps.remembered import remembered
from steps.wording import Wording

#: Axes within this cosine of each other are one way.
ALONG = 0.999
#: Two seats of one face nearer than this share of a pitch are one place.
SAME_SPOT = 0.1
#: Seats off the lattice of the others by more than this share of a pitch have a lattice of their own.
OFF_LATTICE = 0.25
#: A place to try nearer than this share of a pitch to a socket that was found is that socket.
FOUND_ALREADY = 0.35
#: A lattice laid by the outline is centred between its walls where it is off by more than this.
CENTRED, MOST_CENTRINGS = 1e-5, 3
#: A socket's contact lines begin within this share of the stud's height of the mouth.
AT_MOUTH = 0.25
#: Mouths of sockets are looked for at so many levels of faces that look down, from the lowest.
MOST_MOUTHS = 3
#: A level of the underside counts when faces of this share of a stud's section look down there.
MOUTH_AREA = 0.3

#: Directions of faces by the name that a build file calls them.
WAYS = {
    "top": (0, 0, 1),
    "under": (0, 0, -1),
    "front": (0, -1, 0),
    "back": (0, 1, 0),
    "left": (-1, 0, 0),
    "right": (1, 0, 0),
}
#: Kinds of seat that go into another, and what takes them.
GOES_INTO = {"stud": ("socket", "hole"), "peg": ("hole", "socket"), "ball": ("cup",)}


@dataclass(frozen=True, eq=False)
class Seat:
    """One stud, peg, ball, socket, hole or cup, shape coordinates, mm."""

    kind: str
    point: Array  #: (3,) foot of a stud or peg, mouth of a socket or hole, centre of a ball or cup
    axis: Array  #: (3,) unit, out of the part
    radius: float

    @property
    def goes_in(self) -> bool:
        return self.kind in GOES_INTO


@dataclass(frozen=True, eq=False)
class Face:
    """Seats of one kind that look one way, numbered by column and row."""

    name: str  #: "top", "under", ... for studs and sockets; "peg", "hole", "ball", "cup"
    kind: str
    axis: Array  #: (3,) out of the part
    across: Array  #: (3,) the way columns count
    seats: Mapping[tuple[int, int], Seat]  #: by (column, row), both from 1

    @property
    def columns(self) -> int:
        return max(column for column, _ in self.seats)

    @property
    def rows(self) -> int:
        return max(row for _, row in self.seats)


@dataclass(frozen=True, eq=False)
class Seated:
    """One shape as a build file sees it."""

    shape: Shape
    name: Wording | str
    frame: Array  #: (3, 3) rows: right, back, up; shape coordinates
    faces: tuple[Face, ...]
    pitch: float

    @cached_property
    def by_name(self) -> Mapping[str, Face]:
        """Faces by name; studs come before sockets where both look one way."""
        found: dict[str, Face] = {}
        for face in self.faces:
            found.setdefault(face.name, face)
        return found

    def own(self) -> tuple[Face, tuple[int, int]] | None:
        """What it sits by when nothing else is said: socket 1 1 of its underside, else its first seat."""
        for wanted in ("socket", "ball", "cup", "hole", "peg", "stud"):
            for face in self.faces:
                if face.kind == wanted and (wanted != "socket" or face.axis @ self.frame[2] < -ALONG):
                    return face, min(face.seats, key=lambda at: (at[1], at[0]))
        return None

    @cached_property
    def box(self) -> Array:
        """(2, 3) least and greatest corner in its frame."""
        placed = self.shape.vertices @ self.frame.T
        return np.array([placed.min(axis=0), placed.max(axis=0)])


def bodies_of(model: Model, measures: Measures) -> dict[str, Seated]:
    """Every shape's body by shape id."""
    parts = {shape.id: anatomy(shape) for shape in model.shapes}
    radii = stud_radii(parts)
    studs = _studs(parts, radii)
    pitch = measures.pitch_mm or _usual_length(model)
    return {
        shape.id: _body(shape, parts[shape.id], measures.by_shape[shape.id], studs, pitch)
        for shape in model.shapes
    }


def _usual_length(model: Model) -> float:
    """Where no shape has two studs, cells are as long as the shortest side of the smallest part."""
    return float(min(shape.size_mm[:2].min() for shape in model.shapes))


def _studs(parts: Mapping[str, Anatomy], radii: Sequence[float]) -> list[Round]:
    """One stud of each radius, the commonest radius first. Where no radius repeats (one shape with one stud),
    every low boss is a stud: what repeats is its copies."""
    found: dict[float, list[Round]] = {}
    for body in parts.values():
        for plug in body.plugs:
            radius = plug.cylinder.radius
            if not radii and plug.role == "boss" and plug.height < PEG_SLENDER * radius:
                found.setdefault(radius, []).append(plug)
            elif plug.role in ("boss", "sunk") and is_stud(plug, radii):
                found.setdefault(min(radii, key=lambda known: abs(radius - known)), []).append(plug)
    return [found[radius][0] for radius in sorted(found, key=lambda radius: -len(found[radius]))]


def _body(shape: Shape, parts: Anatomy, measure: Measure, studs: Sequence[Round], pitch: float) -> Seated:
    frame = _frame(measure, parts)
    seats: list[Seat] = []
    for feature in measure.features:
        kind = {"hinge pin": "peg", "hinge hole": "hole"}.get(feature.kind, feature.kind)
        if kind == "peg" and any(_same_stud(feature, stud) for stud in studs):
            kind = "stud"
        seats.append(Seat(kind, feature.point, feature.axis, feature.radius_mm))
        if kind == "hole" and feature.through:
            other = feature.point - feature.height_mm * feature.axis
            seats.append(Seat("hole", other, -feature.axis, feature.radius_mm))
    for stud in studs:
        known = [seat for seat in seats if seat.kind == "socket"]
        seats += [
            each for each in sockets(shape, parts, stud, frame, pitch, seats) if not _taken(each, known)
        ]
    return Seated(shape, measure.name, frame, tuple(_faces(seats, frame, pitch)), pitch)


def _same_stud(feature: Feature, stud: Round) -> bool:
    """Whether a boss is of the radius and height of a stud."""
    radius, height = stud.cylinder.radius, stud.height
    return bool(
        abs(feature.radius_mm - radius) <= SAME_SPOT * radius
        and abs(feature.height_mm - height) <= SAME_SPOT * height
    )


def _taken(seat: Seat, known: Sequence[Seat]) -> bool:
    return any(np.linalg.norm(seat.point - other.point) < SAME_SPOT * seat.radius for other in known)


def _frame(measure: Measure, parts: Anatomy) -> Array:
    """Right, back, up: up as measured, right the one of its own axes that lies nearest to the file's x."""
    up = np.asarray(measure.up, dtype=np.float64)
    basis = natural_basis(measure.features, up, parts.mesh)
    ways = np.array([basis[0], basis[1], -basis[0], -basis[1]])
    wanted = np.array([1.0, 0.0, 0.0]) if abs(up[0]) < 0.9 else np.array([0.0, 1.0, 0.0])
    right = ways[int(np.argmax(np.round(ways @ wanted, 6)))]
    return np.array([right, np.cross(up, right), up])


# -------------------------------------------------------------------------------- faces


def _faces(seats: Sequence[Seat], frame: Array, pitch: float) -> Iterator[Face]:
    """Studs and sockets by the way they look; pegs, holes, balls and cups numbered each kind for itself."""
    taken: set[str] = set()
    for kind in ("stud", "socket"):
        left = [seat for seat in seats if seat.kind == kind]
        extra = 0
        while left:
            axis = left[0].axis
            own = [seat for seat in left if seat.axis @ axis > ALONG]
            left = [seat for seat in left if seat.axis @ axis <= ALONG]
            name = _way(axis, frame)
            if not name:
                extra += 1
                name = f"slant {extra}"
            for face in _grid(name, kind, own, frame, pitch):
                named = face.name if face.name not in taken else f"{face.name} {kind}"
                taken.add(named)
                yield replace(face, name=named)
    for kind in ("peg", "hole", "ball", "cup"):
        own = [seat for seat in seats if seat.kind == kind]
        own.sort(key=lambda seat: tuple(np.round(frame @ seat.point / pitch, 3)))
        if own:
            across = across_of(own[0].axis, frame)
            yield Face(kind, kind, own[0].axis, across, {(row, 1): seat for row, seat in enumerate(own, 1)})


def _way(axis: Array, frame: Array) -> str:
    for name, way in WAYS.items():
        if axis @ (np.array(way) @ frame) > ALONG:
            return name
    return ""


def across_of(axis: Array, frame: Array) -> Array:
    """The way columns count on a face that looks along ``axis``: the part's right on top and beneath, to the
    right as seen from outside on a side."""
    up = frame[2]
    across = np.cross(up, axis)
    if np.linalg.norm(across) < 0.05:
        return np.asarray(frame[0])
    return np.asarray(across / np.linalg.norm(across))


def _grid(name: str, kind: str, seats: list[Seat], frame: Array, pitch: float) -> Iterator[Face]:
    """Numbered by pitches from the least; seats one behind the other are faces of their own, front first."""
    axis = seats[0].axis
    across = across_of(axis, frame)
    along = frame[1] if abs(axis @ frame[2]) > ALONG else np.cross(axis, across)
    flat = np.array([[seat.point @ across, seat.point @ along] for seat in seats]) / pitch
    layers: list[dict[tuple[int, int], Seat]] = []
    for rows in _lattices(flat):
        places = np.round(flat[rows] - flat[rows].min(axis=0)).astype(int) + 1
        own: list[dict[tuple[int, int], Seat]] = []
        order = sorted(range(len(rows)), key=lambda k: (-round(float(seats[rows[k]].point @ axis), 3), k))
        for k in order:
            at = (int(places[k, 0]), int(places[k, 1]))
            layer = next((layer for layer in own if at not in layer), None)
            if layer is None:
                own.append(layer := {})
            layer[at] = seats[rows[k]]
        layers += own
    for number, layer in enumerate(layers, 1):
        placed = dict(sorted(layer.items(), key=lambda item: (item[0][1], item[0][0])))
        yield Face(name if number == 1 else f"{name} {number}", kind, axis, across, placed)


def _lattices(flat: Array) -> list[list[int]]:
    """Rows of places (n, 2), in pitches, that stand whole pitches apart; the largest lattice first."""
    left, found = list(range(len(flat))), []
    while left:
        off = flat[left] - flat[left[0]]
        near = (np.abs(off - np.round(off)) < OFF_LATTICE).all(axis=1)
        found.append([row for row, own in zip(left, near, strict=True) if own])
        left = [row for row, own in zip(left, near, strict=True) if not own]
    return sorted(found, key=lambda rows: -len(rows))


# ------------------------------------------------------------------------------ sockets


def sockets(
    shape: Shape, parts: Anatomy, stud: Round, frame: Array, pitch: float, seats: Sequence[Seat]
) -> list[Seat]:
    """Places of the underside that take ``stud``; where there is none, of the first side that does."""
    basis = (parts.mesh, stud, frame, pitch, seats)
    return remembered("sockets", basis, lambda: _sockets(shape, parts, stud, frame, pitch, seats))


def _sockets(
    shape: Shape, parts: Anatomy, stud: Round, frame: Array, pitch: float, seats: Sequence[Seat]
) -> list[Seat]:
    for name in ("under", "top", "front", "back", "left", "right"):
        way = np.array(WAYS[name]) @ frame
        found = _sockets_on(shape, parts, stud, way, frame, pitch, seats)
        if found:
            return found
    return []


def _sockets_on(
    shape: Shape,
    parts: Anatomy,
    stud: Round,
    way: Array,
    frame: Array,
    pitch: float,
    seats: Sequence[Seat],
) -> list[Seat]:
    found: list[Array] = []
    exact = _exact_spots(way, stud.cylinder.radius, seats)
    levels = _mouths(parts, way, stud.cylinder.radius)
    tried = [(exact, True), (_lattice(shape, way, frame, pitch, exact[:1]), True)] if exact else []
    for spots, sure in (*tried, (_lattice(shape, way, frame, pitch, []), False)):
        for level in levels:
            left = [
                spot for spot in spots if all(_apart(spot, at, way) > FOUND_ALREADY * pitch for at in found)
            ]
            if not left:
                break
            feet = np.array(left) + np.outer(level - np.array(left) @ way, way)
            held, shift = _held(parts, stud, feet, way)
            for _ in range(0 if sure else MOST_CENTRINGS):
                if not held or np.linalg.norm(shift) <= CENTRED * pitch:
                    break
                feet = feet + shift
                held, shift = _held(parts, stud, feet, way)
            found += [feet[row] for row in held]
    return [Seat("socket", foot, way, stud.cylinder.radius) for foot in found]


def _apart(one: Array, other: Array, way: Array) -> float:
    """How far two places are apart across ``way``, mm."""
    off = one - other
    return float(np.linalg.norm(off - (off @ way) * way))


def _mouths(parts: Anatomy, way: Array, radius: float) -> list[float]:
    """Levels along ``way`` of the faces that look that way, the outermost first."""
    mesh = parts.mesh
    facing = mesh.normals @ way > ALONG
    levels = mesh.centres[facing] @ way
    areas = mesh.areas[facing]
    found: list[float] = []
    for level in np.sort(levels)[::-1]:
        if any(abs(level - known) < SAME_SPOT * radius for known in found):
            continue
        if areas[np.abs(levels - level) < SAME_SPOT * radius].sum() >= MOUTH_AREA * np.pi * radius**2:
            found.append(float(level))
        if len(found) == MOST_MOUTHS:
            break
    return found


def _exact_spots(way: Array, radius: float, seats: Sequence[Seat]) -> list[Array]:
    """Under its own studs and on the axes of its holes: there a socket is just so."""
    along = [seat for seat in seats if abs(seat.axis @ way) > ALONG]
    holes = [s for s in along if s.kind == "hole" and abs(s.radius - radius) <= REACH_SHARE * radius]
    spots: list[Array] = []
    for seat in [*(seat for seat in along if seat.kind == "stud"), *holes]:
        if all(_apart(seat.point, other, way) > SAME_SPOT * radius for other in spots):
            spots.append(seat.point)
    return spots


def _lattice(shape: Shape, way: Array, frame: Array, pitch: float, through: Sequence[Array]) -> list[Array]:
    """Places a pitch apart over the shape's outline, ``through`` a place, else filling the outline evenly."""
    across = across_of(way, frame)
    along = np.cross(way, across)
    flat = shape.vertices @ np.array([across, along]).T
    low, high = flat.min(axis=0), flat.max(axis=0)
    if len(through):
        phase = np.array([through[0] @ across, through[0] @ along])
    else:
        cells = np.maximum(np.round((high - low) / pitch), 1)
        phase = (low + high) / 2 + pitch / 2 * (cells % 2 == 0)
    first, last = np.ceil((low - phase) / pitch), np.floor((high - phase) / pitch)
    return [
        (phase[0] + i * pitch) * across + (phase[1] + j * pitch) * along
        for j in np.arange(first[1], last[1] + 1)
        for i in np.arange(first[0], last[0] + 1)
    ]


def _held(parts: Anatomy, stud: Round, feet: Array, way: Array) -> tuple[list[int], Array]:
    """Rows of the places where a stud that stands at ``feet`` (n, 3) and points into the shape is held: all
    round by itself, or by the walls beside it together with the others, with material over it; and the shift
    (3,) that would centre them all between what holds them."""
    rounds = tuple(
        replace(stud, role="boss", cylinder=replace(stud.cylinder, start=foot, axis=-way)) for foot in feet
    )
    kind: TouchKind = "stud"
    met: list[tuple[int, Contact]] = []
    for contact in plug_contacts(
        Plugs(rounds, (kind,) * len(rounds), (0.0,) * len(rounds)), np.eye(4), parts, False
    ):
        row = int(np.argmin([_apart(contact.point, foot, way) for foot in feet]))
        if _from_mouth(contact, feet[row], way, stud):
            met.append((row, contact))
    held = [row for row, contact in met if holds_all_round(contact.normals, way)]
    rest = [row for row, _ in met if row not in held and _roofed(parts, feet[row], way)]
    if rest and holds_all_round(np.vstack([contact.normals for _, contact in met]), way):
        held += rest
    return sorted(held), _centring([contact for row, contact in met if row in held], way)


def _centring(contacts: Sequence[Contact], way: Array) -> Array:
    """The shift after which all contact lines have one gap, in the least squares: gap = c + n . shift."""
    if not contacts:
        return np.zeros(3)
    normals = np.vstack([contact.normals for contact in contacts])
    gaps = np.concatenate([contact.gaps for contact in contacts])
    basis = np.linalg.svd(way[None])[2][1:]
    table = np.column_stack([normals @ basis.T, np.ones(len(gaps))])
    return np.asarray(np.linalg.lstsq(table, gaps, rcond=None)[0][:2] @ basis)


def _from_mouth(contact: Contact, foot: Array, way: Array, stud: Round) -> bool:
    """Whether its walls begin at the mouth."""
    middle = float((foot - contact.point) @ way)
    return middle - contact.depth / 2 < AT_MOUTH * stud.cylinder.length


def _roofed(parts: Anatomy, foot: Array, way: Array) -> bool:
    """Whether the shape's own material lies over a place, seen from the mouth."""
    mesh = parts.mesh
    corners = mesh.triangles - foot
    basis = np.linalg.svd(way[None])[2][1:]
    flat = corners @ basis.T + 1e-7  # off the edges that meet on the axis
    a, b, c = flat[:, 0], flat[:, 1], flat[:, 2]
    turns = [x[:, 0] * y[:, 1] - x[:, 1] * y[:, 0] for x, y in ((a, b), (b, c), (c, a))]
    signs = np.array([turn > 0 for turn in turns])
    over = signs.all(axis=0) | ~signs.any(axis=0)
    return bool((over & (corners.mean(axis=1) @ way < -1e-6)).any())
