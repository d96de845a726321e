"""Course maps: which cells a part covers, and how deep it drops onto the courses below."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from steps.intake.scene import affine
from steps.model import Array
from steps.place.poses import upright
from steps.place.seats import ALONG, Seated
from steps.place.source import Faults, Word

Cell = tuple[int, int]
#: Where a cell is asked whether a part covers it, in pitches from its middle; three of five make a cell.
ASKED = np.array([[0.0, 0.0], [0.3, 0.3], [-0.3, 0.3], [0.3, -0.3], [-0.3, -0.3]])
COVERED = 3
#: Where within a cell the height of a part is felt, in pitches: a grid close enough for any wall of a block.
FELT = np.array([[x, y] for x in np.linspace(-0.47, 0.47, 9) for y in np.linspace(-0.47, 0.47, 9)])
#: Studs and sockets this share of a pitch apart, seen from above, are one over the other.
OVER = 0.1


@dataclass(frozen=True)
class Letters:
    """A run of equal letters: the cells of one part."""

    word: Word
    cells: frozenset[Cell]


@dataclass(frozen=True, eq=False)
class Boxed:
    """A part that stands already, with the corners of its box, model coordinates."""

    name: str
    body: Seated
    pose: Array
    low: Array  #: (3,)
    high: Array  #: (3,)

    @staticmethod
    def of(name: str, body: Seated, pose: Array) -> Boxed:
        reach = body.shape.outermost @ pose[:3, :3].T + pose[:3, 3]
        return Boxed(name, body, pose, reach.min(axis=0), reach.max(axis=0))


@dataclass(frozen=True, eq=False)
class Footprint:
    """The cells of a part that stands unturned; cell (0, 0) has its middle at ``middle`` in its frame."""

    body: Seated
    cells: frozenset[Cell]
    middle: Array  #: (2,)

    def turned(self, turn: int) -> tuple[frozenset[Cell], Cell]:
        """The cells after quarter turns, shifted to begin at 0, 0; and where cell (0, 0) went."""
        cells = [_turned(cell, turn) for cell in self.cells]
        low = (min(x for x, _ in cells), min(y for _, y in cells))
        return frozenset((x - low[0], y - low[1]) for x, y in cells), (-low[0], -low[1])

    def fitting_turn(self, piece: Letters, first: int, faults: Faults) -> int | None:
        """The quarter turns with which the part covers a run of letters; a fault where none does."""
        low = _low(piece.cells)
        wanted = frozenset((x - low[0], y - low[1]) for x, y in piece.cells)
        for turn in [(first + more) % 4 for more in range(4)]:
            if self.turned(turn)[0] == wanted:
                return turn
        own, many = len(self.cells), len(wanted)
        letter, size = piece.word.text, " x ".join(map(str, _size(self.cells)))
        what = f"{letter} ({self.body.name}) covers {size} places, {own} in all; here {letter} marks {many}."
        if many > own and many % own == 0:
            text = f"{what} These may be {many // own} parts side by side: twins that touch take two letters."
            faults.add("build-ambiguous", piece.word, text)
        else:
            faults.add("build-footprint", piece.word, f"{what} {_size_told(wanted)}")
        return None


def _turned(cell: Cell, turn: int) -> Cell:
    x, y = cell
    return ((x, y), (-y, x), (-x, -y), (y, -x))[turn % 4]


def _low(cells: frozenset[Cell]) -> Cell:
    return min(x for x, _ in cells), min(y for _, y in cells)


def _size(cells: frozenset[Cell]) -> tuple[int, int]:
    low = _low(cells)
    return max(x for x, _ in cells) - low[0] + 1, max(y for _, y in cells) - low[1] + 1


def _size_told(cells: frozenset[Cell]) -> str:
    wide, deep = _size(cells)
    return f"They are {wide} wide and {deep} deep."


@lru_cache(maxsize=512)
def footprint_of(body: Seated) -> Footprint:
    """Cells by the lattice of its sockets, else of its studs, else filling its outline."""
    flat = body.shape.vertices @ body.frame[:2].T
    low, high = flat.min(axis=0), flat.max(axis=0)
    seats = [
        seat
        for kind in ("socket", "stud")
        for face in body.faces
        if face.kind == kind and abs(face.axis @ body.frame[2]) > ALONG
        for seat in face.seats.values()
    ]
    if seats:
        phase = body.frame[:2] @ seats[0].point
    else:
        cells = np.maximum(np.round((high - low) / body.pitch), 1)
        phase = (low + high) / 2 + body.pitch / 2 * (cells % 2 == 0)
    first = np.floor((low - phase) / body.pitch + 0.5).astype(int)
    last = np.ceil((high - phase) / body.pitch - 0.5).astype(int)
    places = [(x, y) for y in range(first[1], last[1] + 1) for x in range(first[0], last[0] + 1)]
    points = np.array([phase + body.pitch * (np.array(cell) + ask) for cell in places for ask in ASKED])
    heights = heights_at(body, affine(body.frame, np.zeros(3)), points)[0].reshape(len(places), len(ASKED))
    covered = np.isfinite(heights).sum(axis=1) >= COVERED
    cells = frozenset(cell for cell, own in zip(places, covered, strict=True) if own) or frozenset([(0, 0)])
    least = _low(cells)
    middle = phase + body.pitch * np.array(least)
    return Footprint(body, frozenset((x - least[0], y - least[1]) for x, y in cells), middle)


def heights_at(body: Seated, pose: Array, points: Array) -> tuple[Array, Array]:
    """(n,) lowest and highest level of a part, placed by ``pose``, over places (n, 2); infinite beside it."""
    corners = (body.shape.vertices @ pose[:3, :3].T + pose[:3, 3])[body.shape.faces]
    low, high = np.full(len(points), np.inf), np.full(len(points), -np.inf)
    a, b, c = corners[:, 0], corners[:, 1], corners[:, 2]
    twice = _cross(b - a, c - a)
    flat = np.abs(twice) > 1e-9
    a, b, c, twice = a[flat], b[flat], c[flat], twice[flat]
    for row, point in enumerate(points + 1.3e-7):
        u = _cross(b[:, :2] - point, c[:, :2] - point) / twice
        v = _cross(c[:, :2] - point, a[:, :2] - point) / twice
        w = 1 - u - v
        hit = (u >= 0) & (v >= 0) & (w >= 0)
        if hit.any():
            levels = u[hit] * a[hit, 2] + v[hit] * b[hit, 2] + w[hit] * c[hit, 2]
            low[row], high[row] = levels.min(), levels.max()
    return low, high


def _cross(one: Array, other: Array) -> Array:
    return np.asarray(one[:, 0] * other[:, 1] - one[:, 1] * other[:, 0])


class Below:
    """The parts that stand already, to be asked which are under a place."""

    def __init__(self) -> None:
        self._parts: list[Boxed] = []
        self._boxes = np.empty((1, 2, 3))  #: (room, 2, 3) of each its least and greatest x, y and z

    def add(self, part: Boxed) -> None:
        if len(self._parts) == len(self._boxes):
            self._boxes = np.concatenate([self._boxes, np.empty_like(self._boxes)])
        self._boxes[len(self._parts)] = part.low, part.high
        self._parts.append(part)

    def under(self, low: Array, high: Array) -> Iterator[Boxed]:
        """Those whose boxes are over some of the box between two corners (2,), the highest first."""
        boxes = self._boxes[: len(self._parts)]
        near = np.flatnonzero(((high > boxes[:, 0, :2]) & (low < boxes[:, 1, :2])).all(axis=1))
        for row in near[np.argsort(-boxes[near, 1, 2], kind="stable")]:
            yield self._parts[row]


def dropped(body: Seated, piece: Letters, turn: int, below: Below) -> tuple[Array, tuple[str, ...]]:
    """(4, 4) of a part over its cells, let down until it seats, rests or stands; and on what."""
    footprint = footprint_of(body)
    zero = footprint.turned(turn)[1]
    linear = upright(body, turn)
    least = _low(piece.cells)
    origin = np.array([least[0] + zero[0] + 0.5, least[1] + zero[1] + 0.5]) * body.pitch
    middle = (linear @ body.frame.T)[:2, :2] @ footprint.middle
    pose = affine(linear, np.array([*(origin - middle), 0.0]))
    places = np.array([(np.array(cell) + 0.5) * body.pitch for cell in sorted(piece.cells)])
    lowest, slack = float(body.box[0, 2]), 1e-3 * body.pitch
    highest = -lowest
    holders: list[tuple[float, str]] = []
    half = body.pitch / 2
    for each in below.under(places.min(axis=0) - half, places.max(axis=0) + half):
        if each.high[2] - lowest <= highest - slack:
            break  # neither this nor any lower one can reach so high
        level = _level_over(body, pose, each, places)
        if level is not None:
            holders.append((level, each.name))
            highest = max(highest, level)
    pose[2, 3] = highest
    return pose, tuple(name for level, name in holders if level > highest - slack)


def _level_over(body: Seated, pose: Array, under: Boxed, places: Array) -> float | None:
    """How high the part must be lifted to seat on, or else to clear, another; None where they are apart."""
    half = body.pitch / 2
    near = ((places + half > under.low[:2]) & (places - half < under.high[:2])).all(axis=1)
    if not near.any():
        return None
    other, their = under.body, under.pose
    seats = [level for own in _sockets(body, pose) for level in _studs_under(own, other, their)]
    if seats:
        return max(seats)
    points = (places[near][:, None] + body.pitch * FELT).reshape(-1, 2)
    mine, theirs = heights_at(body, pose, points)[0], heights_at(other, their, points)[1]
    both = np.isfinite(mine) & np.isfinite(theirs)
    return float((theirs - mine)[both].max()) if both.any() else None


def _sockets(body: Seated, pose: Array) -> list[Array]:
    found = []
    for face in body.faces:
        if face.kind in ("socket", "hole"):
            for seat in face.seats.values():
                if (pose[:3, :3] @ seat.axis)[2] < -ALONG:
                    found.append(pose[:3, :3] @ seat.point + pose[:3, 3])
    return found


def _studs_under(socket: Array, other: Seated, their: Array) -> list[float]:
    """How high a part must be lifted for a socket of it to take a stud of another that stands under it."""
    found = []
    for face in other.faces:
        if face.kind != "stud" or (their[:3, :3] @ face.axis)[2] < ALONG:
            continue
        for seat in face.seats.values():
            foot = their[:3, :3] @ seat.point + their[:3, 3]
            if np.linalg.norm(foot[:2] - socket[:2]) < OVER * other.pitch:
                found.append(float(foot[2] - socket[2]))
    return found
