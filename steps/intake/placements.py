"""A table of placements: one row per part, each with the mesh file it is a copy of."""

from __future__ import annotations

import csv
import io
import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from steps.errors import FaultyModel, StepleafError, UnreadableInput
from steps.intake.names import printable
from steps.intake.said import colour_in_cell
from steps.intake.scene import Colour, RawMesh, RawPart, Scene, affine
from steps.intake.whole import read_whole
from steps.letters import decoded
from steps.limits import LIMITS, Limits, refuse_more
from steps.model import Problem

COLUMNS = ("id", "file", "colour", "x", "y", "z", "rx", "ry", "rz")
NUMBERS = COLUMNS[3:]
#: Faults told of one table: whoever mends these will see what the others are.
MOST_FAULTS = 100
#: Names that say what such a table is.
CALLED = ("placement", "placements")


@dataclass(frozen=True)
class _Row:
    line: int
    cells: dict[str, str]
    beyond: bool  #: whether it has values that no column is named for

    def __str__(self) -> str:
        name = self.cells.get("id")
        return f"line {self.line} ({printable(name, 40) if name else 'no id'})"


def is_placement_table(path: Path) -> bool:
    """Whether a CSV is meant as one: by its name, or as its first line names most of the columns. What is
    missing is told when it is read."""
    if path.stem.lower() in CALLED:
        return True
    try:
        rows = cells_of(path)
    except UnreadableInput:
        return False
    return bool(rows) and len({cell.lower() for cell in rows[0]} & set(COLUMNS)) > len(COLUMNS) / 2


def read_placements(path: Path, limits: Limits = LIMITS) -> Scene:
    """The scene of a placement table; files are looked up beside it, each read once.

    Raises UnreadableInput when it is no such table, FaultyModel with the faults of all rows.
    """
    rows = _rows(path, limits)
    faults: list[Problem] = []
    meshes: list[RawMesh] = []
    where = _read_files(path, rows, meshes, faults, limits)
    colours: list[Colour | None] = []
    placed: list[list[float]] = []
    for row in rows:
        if row.beyond:
            text = "has more values than the first line names columns. Is a comma for a point among them? "
            faults.append(_fault(row, f"{text}Write a point, or semicolons between all values."))
        colours.append(_checked_colour(row, faults))
        placed.append(_places(row, faults))
        if len(faults) >= MOST_FAULTS:
            text = f"{row}: from here on nothing was looked at, since so much before is wrong."
            raise FaultyModel([*faults, Problem("placement-row", "error", (), text)])
    if faults:
        raise FaultyModel(faults)
    from scipy.spatial.transform import Rotation

    places = np.array(placed)
    turns = Rotation.from_euler("xyz", places[:, 3:], degrees=True).as_matrix()
    files = [where[row.cells["file"]] for row in rows]
    parts = [
        RawPart(row.cells["id"], mesh, affine(turn, place[:3]), colour or own)
        for row, (mesh, own), turn, place, colour in zip(rows, files, turns, places, colours, strict=True)
    ]
    return Scene(tuple(meshes), tuple(parts), title=_title(path))


def _title(path: Path) -> str:
    """The table's own name, unless it only says that it is a table: then its folder's."""
    plain = path.stem.lower() in (*CALLED, "parts", "model")
    return path.resolve().parent.name if plain else path.stem


def cells_of(path: Path) -> list[list[str]]:
    """Rows of a text table, by comma, semicolon or tab. Raises UnreadableInput when it is none."""
    text = decoded(path.read_bytes())
    if "\x00" in text:
        raise UnreadableInput(f"{path.name}: is not a text table.")
    head = text.split("\n", 1)[0]
    separator = max(",;\t", key=head.count)
    rows = csv.reader(io.StringIO(text, newline=""), delimiter=separator, skipinitialspace=True)
    try:
        return [[cell.strip() for cell in row] for row in rows]
    except csv.Error as error:
        raise UnreadableInput(
            f"{path.name}: a cell of it is too long, so it is no table of parts."
        ) from error


def _rows(path: Path, limits: Limits) -> list[_Row]:
    cells = cells_of(path) or [[]]
    head = [cell.lower() for cell in cells[0]]
    head = ["colour" if cell == "color" else cell for cell in head]
    missing = [column for column in COLUMNS if column not in head]
    if missing:
        strange = [f"'{printable(cell, 20)}'" for cell in head if cell not in COLUMNS]
        instead = f" It names {', '.join(strange[:3])}." if strange else ""
        raise UnreadableInput(
            f"{path.name}: the first line must name the columns {','.join(COLUMNS)}; missing: "
            f"{', '.join(missing)}.{instead}"
        )
    twice = [column for column in COLUMNS if head.count(column) > 1]
    if twice:
        raise UnreadableInput(f"{path.name}: the first line names {', '.join(twice)} more than once.")
    rows = [
        _Row(number, dict(zip(head, row, strict=False)), any(row[len(head) :]))
        for number, row in enumerate(cells[1:], 2)
        if any(row) and not row[0].startswith("#")
    ]
    refuse_more(f"{path.name}: {len(rows):,} parts", len(rows), "parts", limits)
    if not rows:
        raise UnreadableInput(f"{path.name}: has no row below its head line, so no part.")
    return rows


def _read_files(
    path: Path, rows: list[_Row], meshes: list[RawMesh], faults: list[Problem], limits: Limits
) -> dict[str, tuple[int, Colour | None]]:
    """Row in ``meshes`` and own colour of every file named; one fault for each that cannot be read."""
    where: dict[str, tuple[int, Colour | None]] = {}
    users_of: dict[str, list[_Row]] = {}
    for row in rows:
        users_of.setdefault(row.cells.get("file", ""), []).append(row)
    for name, users in users_of.items():
        if len(faults) >= MOST_FAULTS:
            break
        if not name:
            faults += [_fault(row, "names no file.") for row in users[:MOST_FAULTS]]
            continue
        try:
            mesh, colour = read_whole(path.parent / name.replace("\\", "/"), limits)
        except StepleafError as error:
            told = str(error).removeprefix(f"{path.parent}/")
            shown = ", ".join(str(row) for row in users[:4]) + (" and more" if len(users) > 4 else "")
            ids = tuple(row.cells.get("id", "") for row in users)
            faults.append(Problem("placement-file", "error", ids, f"{shown}: {told}"))
            continue
        where[name] = (len(meshes), colour)
        meshes.append(mesh)
    return where


def _checked_colour(row: _Row, faults: list[Problem]) -> Colour | None:
    if not row.cells.get("id"):
        faults.append(_fault(row, "has no id."))
    written = row.cells.get("colour", "")
    colour = colour_in_cell(written) if written else None
    if written and colour is None:
        faults.append(_fault(row, f"colour {written[:40]!r} is neither '#rrggbb' nor a plain colour name."))
    return colour


def _places(row: _Row, faults: list[Problem]) -> list[float]:
    """x, y, z (mm), then turns about x, then y, then z (fixed axes, degrees)."""
    return [_number(row, column, faults) for column in NUMBERS]


def _number(row: _Row, column: str, faults: list[Problem]) -> float:
    written = row.cells.get(column, "")
    try:
        value = float(written.replace(",", ".").replace("_", " ") if written.isascii() else "none")
    except ValueError:
        faults.append(_fault(row, f"{column} is {written[:40]!r}, which is not a number."))
        return math.nan
    if not math.isfinite(value):
        faults.append(_fault(row, f"{column} is {written[:40]!r}; a place must be finite."))
    return value


def _fault(row: _Row, text: str) -> Problem:
    return Problem("placement-row", "error", (row.cells.get("id", ""),), f"{row}: {text}")
