"""A placed model -> ``build.toml``: each part on a seat of one that stands already, else by coordinates."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from renderer.spatial import tree
from steps.features import measure
from steps.model import Array, Model, Part
from steps.place.poses import Spot, matching, on_table, pose_at
from steps.place.seats import GOES_INTO, Seat, Seated, across_of, bodies_of
from steps.place.source import Faults, LaidLine, Word
from steps.prints.labels import label_of, plain
from steps.prints.stl import stl_bytes
from steps.settings import USUAL

#: A line is used only where it puts the part within this of its place, mm at 1x.
EXACT_MM = 0.005
#: Seats this near, as a share of the stud's radius, may be one on the other.
NEAR = 0.1
#: Letters that stand for pieces, in this order; after them come numbers.
LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz"
LONGEST_FILE = 60
HEAD = """\
# Parts in stud terms. A line: part, on, stud, turn, face, own
#   part   name = piece of the legend
#   on     the part it sits on; "table"; or "at": then stud is x y z in mm and turn three angles
#   stud   column and row of the stud that its own reference socket goes on
#   turn   quarter turns to the left, seen from outside, or an angle: 30°
#   face   of the part below, top unless said; own: its own seat, socket 1 1 unless said
"""


@dataclass(frozen=True, eq=False)
class Written:
    """The file's text, the print files it names, and how many parts it has in stud terms."""

    text: str
    files: Mapping[str, bytes]
    in_stud_terms: int
    by_coordinates: int


@dataclass(frozen=True, eq=False)
class _Own:
    """A seat of a placed part."""

    part: int
    face: str
    at: tuple[int, int]
    seat: Seat


def build_table(model: Model) -> Written:
    """Write a placed model, read at 1x, as a build file. Poses come back within 0.01 mm."""
    bodies = bodies_of(model, measure(model, USUAL))
    files = {shape.id: _file_name(shape.id, str(bodies[shape.id].name)) for shape in model.shapes}
    keys = _keys(model)
    names = _names(model)
    lines, exact = [], 0
    for row, cells in _Writer(model, bodies, names).lines():
        part = model.parts[row]
        lines.append(", ".join([f"{names[row]} = {keys[part.shape, part.colour]}", *cells]).rstrip(", "))
        exact += cells[0] != "at"
    legend = [
        f'{key} = {{ file = "{files[shape]}", colour = "{colour}" }}' for (shape, colour), key in keys.items()
    ]
    title = model.name.replace("\\", "").replace('"', "'")
    text = "\n".join(
        [HEAD, f'title = "{title}"', "", "[pieces]", *legend, "", "[build]", 'lines = """', *lines, '"""', ""]
    )
    meshes = {files[shape.id]: stl_bytes(shape.vertices, shape.faces) for shape in model.shapes}
    return Written(text, meshes, exact, len(model.parts) - exact)


def _file_name(shape: str, name: str) -> str:
    return f"{label_of(shape)} {plain(name, LONGEST_FILE)}.stl"


def _keys(model: Model) -> dict[tuple[str, str], str]:
    kinds = list(dict.fromkeys((part.shape, part.colour) for part in model.parts))
    return {
        kind: LETTERS[row] if row < len(LETTERS) else f"piece-{row + 1}" for row, kind in enumerate(kinds)
    }


def _names(model: Model) -> list[str]:
    """Names that a line can hold, each once."""
    taken: set[str] = {"table", "at"}
    names = []
    for part in model.parts:
        base = " ".join(re.sub(r"[,=+#\"\\]", " ", part.source).split()) or part.id
        name, number = base, 2
        while name in taken:
            name, number = f"{base} {number}", number + 1
        taken.add(name)
        names.append(name)
    return names


class _Writer:
    """Lines in an order in which each sits on an earlier one, the lowest parts first."""

    def __init__(self, model: Model, bodies: Mapping[str, Seated], names: list[str]):
        self.model, self.names = model, names
        self.bodies = [bodies[part.shape] for part in model.parts]
        self.poses: dict[int, Array] = {}  #: as the file puts them
        self.pairs = self._pairs()

    def lines(self) -> Iterator[tuple[int, list[str]]]:
        waiting = sorted(
            range(len(self.model.parts)),
            key=lambda row: (round(float(self.model.part_bounds[row, 0, 2]), 3), row),
        )
        ways = (self._on_top, self._on_the_table, self._on_another)
        while waiting:
            tried = ((row, cells) for way in ways for row in waiting if (cells := way(row)) is not None)
            row, cells = next(tried, None) or (waiting[0], self._by_coordinates(waiting[0]))
            waiting.remove(row)
            yield row, cells

    def _pairs(self) -> dict[int, list[tuple[_Own, _Own]]]:
        """Row of a part -> (seat of another, its own) that lie face to face."""
        seats = [
            _Own(row, face.name, at, seat)
            for row, body in enumerate(self.bodies)
            for face in body.faces
            for at, seat in face.seats.items()
        ]
        if not seats:
            return {}
        poses = self.model.poses
        points = np.array([poses[s.part, :3, :3] @ s.seat.point + poses[s.part, :3, 3] for s in seats])
        axes = np.array([poses[s.part, :3, :3] @ s.seat.axis for s in seats])
        reach = NEAR * max(s.seat.radius for s in seats)
        found: dict[int, list[tuple[_Own, _Own]]] = {}
        for one, other in sorted(tree(points).query_pairs(reach)):
            for a, b in ((one, other), (other, one)):
                if seats[a].part != seats[b].part and seats[b].seat.kind in GOES_INTO.get(
                    seats[a].seat.kind, ()
                ):
                    if seats[a].seat.kind != "ball" and axes[a] @ axes[b] > -0.999:
                        continue
                    found.setdefault(seats[b].part, []).append((seats[a], seats[b]))
                    found.setdefault(seats[a].part, []).append((seats[b], seats[a]))
        return found

    def _on_top(self, row: int) -> list[str] | None:
        """As :meth:`_on_another`, on a stud or peg of another or in its cup."""
        return self._on_another(row, only_on=True)

    def _on_another(self, row: int, only_on: bool = False) -> list[str] | None:
        """Cells of a line on a part that stands already, which brings the part to its place."""
        for theirs, mine in self.pairs.get(row, ()):
            if theirs.part not in self.poses or (
                only_on and not (theirs.seat.goes_in or theirs.seat.kind == "cup")
            ):
                continue
            body, below = self.bodies[row], self.bodies[theirs.part]
            spot = Spot("", below, self.poses[theirs.part], theirs.seat, "", Word(""))
            turn, told = _turn(body, mine.seat, spot, self.model.parts[row])
            pose = pose_at(body, mine.seat, spot, turn)
            if self._off(row, pose) > EXACT_MM:
                continue
            usual = next((face.seats[at] for face, at in matching(body, theirs.seat)), None)
            own = "" if usual is mine.seat else f"{mine.face} {_at(mine)}"
            face = "" if theirs.face == "top" else theirs.face
            self.poses[row] = pose
            return [self.names[theirs.part], _at(theirs), told, face, own]
        return None

    def _on_the_table(self, row: int) -> list[str] | None:
        """Cells of a line that stands the part on the table's grid."""
        part, body = self.model.parts[row], self.bodies[row]
        own = body.own()
        if own is not None and own[0].kind == "socket":
            point = own[0].seats[own[1]].point
            place = (part.pose[:3, :3] @ point + part.pose[:3, 3])[:2] / body.pitch + 0.5
            stud = f"{round(place[0])} {round(place[1])}"
            for turn in range(4):
                line = LaidLine(Word(""), Word(""), (), (Word(stud),), Word(str(turn)), Word(""), Word(""))
                pose = on_table(body, line, turn, Faults(""))
                if pose is not None and self._off(row, pose) <= EXACT_MM:
                    self.poses[row] = pose
                    return ["table", stud, str(turn) if turn else ""]
        return None

    def _by_coordinates(self, row: int) -> list[str]:
        from scipy.spatial.transform import Rotation

        part = self.model.parts[row]
        self.poses[row] = part.pose
        turns = Rotation.from_matrix(part.pose[:3, :3]).as_euler("xyz", degrees=True)
        place, angles = (
            " ".join(f"{value + 0.0:.9g}" for value in np.round(values, 7))
            for values in (part.pose[:3, 3], turns)
        )
        return ["at", place, angles]

    def _off(self, row: int, pose: Array) -> float:
        """How far a pose puts the part from its place, at its furthest corner, mm."""
        corners, true = self.bodies[row].shape.outermost, self.model.parts[row].pose
        off = corners @ (pose[:3, :3] - true[:3, :3]).T + pose[:3, 3] - true[:3, 3]
        return float(np.linalg.norm(off, axis=1).max())


def _turn(body: Seated, own: Seat, spot: Spot, part: Part) -> tuple[float, str]:
    """Quarter turns of a part about the seat it sits on, and how they are written."""
    across = spot.pose[:3, :3] @ across_of(spot.seat.axis, spot.body.frame)
    mine = part.pose[:3, :3] @ across_of(own.axis, body.frame)
    beside = np.cross(spot.axis, across)
    degrees = float(np.degrees(np.arctan2(mine @ beside, mine @ across)))
    quarters = round(degrees / 90)
    if abs(degrees - 90 * quarters) < 1e-3:
        return quarters % 4, str(quarters % 4) if quarters % 4 else ""
    told = f"{degrees:.7g}°"
    return float(told[:-1]) / 90, told


def _at(own: _Own) -> str:
    return f"{own.at[0]} {own.at[1]}" if own.seat.kind in ("stud", "socket") else f"{own.at[0]}"
