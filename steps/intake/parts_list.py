"""``parts.csv`` in a folder of loose parts: how many of each file, in which colour, what it is called."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from steps.errors import FaultyModel, UnreadableInput
from steps.intake.placements import cells_of
from steps.intake.said import MOST_COPIES, colour_in_cell
from steps.intake.scene import Colour
from steps.model import Listed, Problem

PARTS_CSV = "parts.csv"
COLUMNS = ("file", "count", "colour", "name")


@dataclass(frozen=True)
class ListLine:
    """One line: what is empty is left to the file's name."""

    number: int  #: in the file, from 1
    count: int | None
    colour: Colour | None
    colour_word: str
    name: str


def read_parts_list(path: Path, files: Sequence[str]) -> Mapping[str, tuple[ListLine, ...]]:
    """Lines by file; a file may have several, one for each colour. ``files`` are those of the folder.

    Raises UnreadableInput when the first line does not name the columns, FaultyModel with the faults of all
    lines.
    """
    rows = cells_of(path)
    head = ["colour" if cell.lower() == "color" else cell.lower() for cell in rows[0]] if rows else []
    if "file" not in head or not set(head) <= set(COLUMNS) or len(set(head)) < len(head):
        raise UnreadableInput(
            f"{path.name}: line 1 must name the columns {','.join(COLUMNS)} (file at least), each once; it "
            f"says {','.join(head) or 'nothing'}."
        )
    found: dict[str, list[ListLine]] = {}
    faults: list[Problem] = []
    for number, row in enumerate(rows[1:], 2):
        if not any(row) or row[0].startswith("#"):
            continue
        cells = dict(zip(head, row, strict=False))
        name = cells.get("file", "")
        if name not in files:
            near = next((file for file in files if Path(file).stem.lower() == Path(name).stem.lower()), None)
            hint = f" Do you mean {near}?" if near else ""
            faults.append(_fault(path, number, name, f"there is no part file {name!r} in the folder.{hint}"))
            continue
        if any(row[len(head) :]):
            more = f"{len(row)} cells, and line 1 names {len(head)} columns. Quote a name that holds a comma."
            faults.append(_fault(path, number, name, more))
        found.setdefault(name, []).append(_line(path, number, cells, faults))
    if faults:
        raise FaultyModel(faults)
    return {name: tuple(lines) for name, lines in found.items()}


def _line(path: Path, number: int, cells: Mapping[str, str], faults: list[Problem]) -> ListLine:
    name, word, count = cells["file"], cells.get("colour", ""), cells.get("count", "")
    colour = colour_in_cell(word) if word else None
    if word and colour is None:
        text = f"colour {word!r} is neither '#rrggbb' nor a plain colour word (English or German)."
        faults.append(_fault(path, number, name, text))
    if count and not (count.isdecimal() and int(count) <= MOST_COPIES):
        text = f"count {count!r} is no whole number from 0 to {MOST_COPIES}."
        faults.append(_fault(path, number, name, text))
        count = ""
    return ListLine(number, int(count) if count else None, colour, word, cells.get("name", ""))


def _fault(path: Path, number: int, name: str, text: str) -> Problem:
    return Problem("parts-list", "error", (name,), f"{path.name}, line {number}: {text}")


def list_text(listed: Sequence[Listed]) -> str:
    """The list as ``parts.csv`` holds it."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(COLUMNS)
    for each in listed:
        writer.writerow([each.file, each.count, each.colour_word if each.colour_by else "", each.name])
    return text.getvalue()
