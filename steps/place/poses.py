"""Where a part comes to lie: on a seat of another part, on the table, or by coordinates."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from steps.intake.scene import affine
from steps.model import Array
from steps.place.seats import GOES_INTO, Face, Seat, Seated, across_of
from steps.place.source import Faults, LaidLine, Word

#: A bridge's further studs may miss their sockets by this share of a pitch: rounding.
MISSES = 0.02
#: Radii of a stud and what takes it differ by less than this share: beyond it nothing of a fit is left.
RADII = 0.25


@dataclass(frozen=True, eq=False)
class Spot:
    """A seat of a placed part that a line names."""

    part: str
    body: Seated
    pose: Array
    seat: Seat
    told: str  #: "stud 2 1 of A1"
    word: Word

    @property
    def point(self) -> Array:
        return self.pose[:3, :3] @ self.seat.point + self.pose[:3, 3]

    @property
    def axis(self) -> Array:
        return self.pose[:3, :3] @ self.seat.axis


def quarter_turn(turns: float) -> Array:
    """(3, 3) about z, counter-clockwise from above; whole quarters are exact."""
    whole = round(turns)
    if abs(turns - whole) < 1e-12:
        cosine, sine = ((1, 0), (0, 1), (-1, 0), (0, -1))[whole % 4]
    else:
        cosine, sine = np.cos(turns * np.pi / 2), np.sin(turns * np.pi / 2)
    return np.array([[cosine, -sine, 0], [sine, cosine, 0], [0, 0, 1.0]])


def turn_named(word: Word, faults: Faults) -> float | None:
    """Quarter turns, from "1" or "30°"."""
    if not word:
        return 0.0
    if re.fullmatch(r"[+-]?[0-3]", word.text):
        return float(word.text)
    angle = re.fullmatch(r"([+-]?\d+(?:[.,]\d+)?)\s*(?:°|deg)", word.text)
    if angle:
        return float(angle[1].replace(",", ".")) / 90
    faults.add(
        "build-turn",
        word,
        f"turn {word.text!r}: write 0 to 3 quarter turns to the left, or an angle as 30°.",
    )
    return None


def coordinates(line: LaidLine, faults: Faults) -> Array | None:
    """(4, 4) of the file's coordinates: x y z in mm, turned about x, then y, then z by degrees."""
    places = line.studs[0] if line.studs else Word("", line.piece.line, line.piece.column)
    at, turns = _numbers(places, 3), _numbers(line.turn, 3) if line.turn else (0.0, 0.0, 0.0)
    if at is None:
        faults.add("build-place", places, f"{places.text!r}: a part set at coordinates needs x y z in mm.")
        return None
    if turns is None:
        text = f"turn {line.turn.text!r}: at coordinates write angles about x, then y, then z, in degrees."
        faults.add("build-turn", line.turn, text)
        return None
    return affine(_about_axes(turns), np.array(at))


def _about_axes(degrees: Sequence[float]) -> Array:
    """(3, 3) turned about x, then y, then z, each the model's own."""
    found = np.eye(3)
    for axis, (cosine, sine) in enumerate(
        zip(np.cos(np.radians(degrees)), np.sin(np.radians(degrees)), strict=True)
    ):
        turn, (one, two) = np.eye(3), ((axis + 1) % 3, (axis + 2) % 3)
        turn[[one, two], [one, two]], turn[two, one], turn[one, two] = cosine, sine, -sine
        found = turn @ found
    return found


def _numbers(word: Word, count: int) -> tuple[float, ...] | None:
    try:
        values = tuple(float(each) for each in word.text.split())
    except ValueError:
        return None
    return values if len(values) == count and np.isfinite(values).all() else None


def upright(body: Seated, turn: float) -> Array:
    """(3, 3) that stands a shape up, turned."""
    return quarter_turn(turn) @ body.frame


def on_table(body: Seated, line: LaidLine, turn: float, faults: Faults) -> Array | None:
    """(4, 4) of a part that stands on the table, its reference socket over a place of the grid."""
    spot = line.studs[0] if line.studs else Word("1 1", line.piece.line, line.piece.column)
    place = _pair(spot)
    if place is None:
        faults.add("build-stud", spot, f"{spot.text!r}: a place on the table is its column and row, as 3 1.")
        return None
    turned = upright(body, turn)
    own = body.own()
    if own is not None and own[0].kind == "socket":
        reference = own[0].seats[own[1]].point
    else:
        reference = body.frame.T @ (body.box[0] + [body.pitch / 2, body.pitch / 2, 0])
    shift = np.array([(place[0] - 0.5) * body.pitch, (place[1] - 0.5) * body.pitch, 0]) - turned @ reference
    shift[2] = -body.box[0, 2]
    return affine(turned, shift)


def _pair(word: Word) -> tuple[float, float] | None:
    values = _numbers(word, 2)
    return (values[0], values[1]) if values is not None else None


def seats_named(body: Seated, pose: Array, part: str, face: Word, stud: Word, faults: Faults) -> Spot | None:
    """The seat of a placed part that a line names; a fault says which there are."""
    found = _face(body, part, face, stud, faults)
    if found is None:
        return None
    at = _place(found, stud, part, faults)
    if at is None:
        return None
    seat = found.seats[at]
    return Spot(part, body, pose, seat, f"{seat.kind} {_told(found, at)} of {part}", stud)


def _face(body: Seated, part: str, face: Word, near: Word, faults: Faults) -> Face | None:
    name = face.text if face else "top"
    found = body.by_name.get(name)
    if found is not None:
        return found
    known = ", ".join(f"{each.name} ({len(each.seats)} {each.kind}s)" for each in body.faces) or "none"
    word = face if face else near
    if not face:
        text = f"{part} ({body.name}) has no studs on its top, so nothing sits there; its faces are {known}."
        faults.add("build-upside-down", word, text)
    else:
        faults.add("build-face", word, f"{part} ({body.name}) has no face {name!r}; it has {known}.")
    return None


def _place(face: Face, stud: Word, part: str, faults: Faults) -> tuple[int, int] | None:
    """Column and row of a seat; of one number the seat of that number in the first row."""
    numbers = stud.text.split()
    if not stud and len(face.seats) == 1:
        return next(iter(face.seats))
    if not 1 <= len(numbers) <= 2 or not all(re.fullmatch(r"-?\d+", each) for each in numbers):
        text = f"{stud.text!r}: a {face.kind} is named by its column and row, as 2 1."
        faults.add("build-stud", stud, text)
        return None
    at = (int(numbers[0]), int(numbers[1]) if len(numbers) == 2 else 1)
    if at in face.seats:
        return at
    near = min(face.seats, key=lambda each: (abs(each[0] - at[0]) + abs(each[1] - at[1]), each))
    text = (
        f"{part} has no {face.kind} {stud.text} {_side(face)}: columns 1 to {face.columns}, rows 1 to "
        f"{face.rows}. The nearest is {_told(face, near)}."
    )
    faults.add("build-stud", stud, text)
    return None


def _side(face: Face) -> str:
    """Where a face's seats are, in words."""
    if face.kind not in ("stud", "socket"):
        return "of its own"
    return "underneath" if face.name == "under" else f"on its {face.name}"


def _told(face: Face, at: tuple[int, int]) -> str:
    return f"{at[0]} {at[1]}" if face.kind in ("stud", "socket") else f"{at[0]}"


def matching(body: Seated, seat: Seat) -> list[tuple[Face, tuple[int, int]]]:
    """What of a part goes with a seat of another, in the order in which it is taken."""
    taken_by = tuple(kind for kind, into in GOES_INTO.items() if seat.kind in into)
    kinds = GOES_INTO[seat.kind] if seat.goes_in else taken_by
    found = [
        (face, at)
        for kind in kinds
        for face in body.faces
        if face.kind == kind
        for at, own in face.seats.items()
        if abs(own.radius - seat.radius) <= RADII * seat.radius
    ]
    usual = "under" if seat.goes_in else "top"
    found.sort(key=lambda each: (kinds.index(each[0].kind), not each[0].name.startswith(usual)))
    return found


def own_seat(body: Seated, name: str, spot: Spot, own: Word, faults: Faults) -> Seat | None:
    """The part's seat that goes on the spot: the one named, else the first that goes with it."""
    if own:
        usual = "under" if spot.seat.goes_in else "top"
        named = re.fullmatch(r"(?:(.*[a-z].*?) )?(-?\d+(?: -?\d+)?)", own.text)
        words = (named[1] or usual, named[2]) if named else (own.text, "")
        face = _face(body, name, replace(own, text=words[0]), own, faults)
        at = _place(face, replace(own, text=words[1]), name, faults) if face is not None else None
        return face.seats[at] if face is not None and at is not None else None
    found = matching(body, spot.seat)
    if found:
        return found[0][0].seats[found[0][1]]
    wanted = "socket or hole" if spot.seat.goes_in else "stud or peg"
    text = (
        f"{name} ({body.name}) has no {wanted} for {spot.told} (radius {spot.seat.radius:.2f} mm). "
        "Is it upside down, or the wrong part?"
    )
    faults.add("build-upside-down", spot.word, text)
    return None


def pose_on(
    body: Seated, own: Seat, spot_axis: Array, spot_across: Array, point: Array, turn: float
) -> Array:
    """(4, 4) that puts a seat of a shape on another, face to face, columns along columns, then turned to the
    left as seen from outside."""
    mine = np.array([own.axis, across_of(own.axis, body.frame)])
    mine = np.vstack([mine, np.cross(mine[0], mine[1])])
    beside = np.cross(spot_axis, spot_across)
    cosine, sine = quarter_turn(turn)[0, 0], quarter_turn(turn)[1, 0]
    across = cosine * spot_across + sine * beside
    theirs = np.vstack([-spot_axis, across, np.cross(-spot_axis, across)])
    linear = theirs.T @ mine
    return affine(linear, point - linear @ own.point)


def pose_at(body: Seated, own: Seat, spot: Spot, turn: float) -> Array:
    across = spot.pose[:3, :3] @ across_of(spot.seat.axis, spot.body.frame)
    return pose_on(body, own, spot.axis, across, spot.point, turn)


def seated(
    body: Seated, name: str, spots: Sequence[Spot], line: LaidLine, turn: float, faults: Faults
) -> Array | None:
    """(4, 4) of a part on the first spot; a fault where it misses one of the others."""
    own = own_seat(body, name, spots[0], line.own, faults)
    if own is None:
        return None
    pose = pose_at(body, own, spots[0], turn)
    for spot in spots[1:]:
        off = _miss(body, pose, spot)
        if off is None or np.linalg.norm(off) > MISSES * body.pitch:
            told = "it has nothing that takes it" if off is None else f"it would have to move {way_told(off)}"
            text = f"{name}, set on {spots[0].told}, misses {spot.told}: {told}."
            faults.add("build-bridge", spot.word, text + _better(body, own, spots, turn))
            return None
    return pose


def _miss(body: Seated, pose: Array, spot: Spot) -> Array | None:
    """(3,) from the part's nearest fitting seat to the spot, model coordinates."""
    offs = []
    for face, at in matching(body, spot.seat):
        seat = face.seats[at]
        if pose[:3, :3] @ seat.axis @ spot.axis < -0.99:
            offs.append(spot.point - (pose[:3, :3] @ seat.point + pose[:3, 3]))
    return min(offs, key=lambda off: float(np.linalg.norm(off))) if offs else None


def _better(body: Seated, own: Seat, spots: Sequence[Spot], turn: float) -> str:
    """The turn, or else the reference socket, with which it would seat on all of them."""
    for quarters in (1, 2, 3):
        pose = pose_at(body, own, spots[0], turn + quarters)
        if all(_seats(body, pose, spot) for spot in spots[1:]):
            return f" With turn {(round(turn) + quarters) % 4} it seats on both."
    for face, at in matching(body, spots[0].seat):
        for quarters in range(4):
            pose = pose_at(body, face.seats[at], spots[0], turn + quarters)
            if all(_seats(body, pose, spot) for spot in spots[1:]):
                turned = f", turn {(round(turn) + quarters) % 4}," if quarters else ""
                return f" With its own {face.kind} {_told(face, at)}{turned} it seats on both."
    return ""


def _seats(body: Seated, pose: Array, spot: Spot) -> bool:
    off = _miss(body, pose, spot)
    return off is not None and bool(np.linalg.norm(off) <= MISSES * body.pitch)


def way_told(off: Array) -> str:
    """ "2.40 mm to the right and 0.10 mm up" of what must be moved so."""
    words = (("to the left", "to the right"), ("to the front", "to the back"), ("down", "up"))
    told = [
        f"{abs(value):.2f} mm {pair[int(value > 0)]}"
        for value, pair in zip(off, words, strict=True)
        if abs(value) >= 0.005
    ]
    return " and ".join(told) or "less than 0.01 mm"
