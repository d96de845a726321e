"""``build.toml`` as written: legend, lines, groups and course maps, each word with its line and column."""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any

from steps.errors import FaultyModel, UnreadableInput
from steps.model import Problem
from steps.toml_file import read_toml

#: Columns of a line, in order; the last ones may be left out.
COLUMNS = ("part", "on", "stud", "turn", "face", "own")
EMPTY = ("", "-")
SECTIONS = ("title", "pieces", "build", "group", "course")


@dataclass(frozen=True)
class Word:
    """A word of the file and where it stands, counted from 1."""

    text: str
    line: int = 0
    column: int = 0

    def __bool__(self) -> bool:
        return self.text not in EMPTY


@dataclass(frozen=True)
class LaidLine:
    """One line of parts."""

    name: Word  #: empty where the file gives none
    piece: Word
    on: tuple[Word, ...]
    studs: tuple[Word, ...]
    turn: Word
    face: Word
    own: Word


@dataclass(frozen=True)
class Legend:
    """What a letter or word stands for."""

    key: Word
    file: str
    colour: str
    turn: int = 0  #: quarter turns of this letter in maps


@dataclass(frozen=True)
class Course:
    """One map: rows of letters from the back to the front, as seen from above."""

    rows: tuple[Word, ...]
    column: int = 1  #: where its front left place is on the table's grid
    row: int = 1


@dataclass(frozen=True)
class BuildFile:
    """A build file, read and not yet understood."""

    file: str
    title: str | None
    legend: Mapping[str, Legend]
    lines: tuple[LaidLine, ...]
    groups: Mapping[str, tuple[LaidLine, ...]]
    courses: tuple[Course, ...]


class Faults:
    """Mistakes of a build file as they are found; each names line and column."""

    def __init__(self, file: str):
        self.file = file
        self.found: list[Problem] = []

    def add(self, code: str, word: Word, text: str) -> None:
        where = f"{self.file}, line {word.line}, column {word.column}" if word.line else self.file
        self.found.append(Problem(code, "error", (), f"{where}: {text}"))

    def raise_any(self) -> None:
        """Raises FaultyModel with all of them."""
        if self.found:
            raise FaultyModel(self.found)


def read_source(path: Path, faults: Faults) -> BuildFile:
    """The file's tables. Raises UnreadableInput when it is no TOML; other mistakes go to ``faults``."""
    text, table = read_toml(path, UnreadableInput)
    where = _Where(text)
    for key in table:
        if key not in SECTIONS:
            text = f"there is no {key!r} here; known are {', '.join(SECTIONS)}."
            text += " Lines stand under [build]." if key == "lines" else ""
            faults.add("build-key", where.key(key), text)
    build = _table(table, "build", where, faults)
    groups = _table(table, "group", where, faults)
    return BuildFile(
        path.name,
        table.get("title"),
        dict(_legend(_table(table, "pieces", where, faults), where, faults)),
        tuple(_lines(str(build.get("lines", "")), where, faults)),
        {name: tuple(_lines(_text_of(group), where, faults)) for name, group in groups.items()},
        tuple(_courses(table.get("course", []), where, faults)),
    )


def _text_of(group: Any) -> str:
    """The lines of a group, written as its table's or as itself."""
    return str(group.get("lines", "") if isinstance(group, dict) else group)


def _table(table: Mapping[str, Any], key: str, where: _Where, faults: Faults) -> Mapping[str, Any]:
    found = table.get(key, {})
    if isinstance(found, dict):
        return found
    faults.add("build-key", where.key(key), f"{key} must be a table, [{key}].")
    return {}


@dataclass
class _Where:
    """Finds what was read in the text again; blocks of text are found one after the other."""

    text: str
    seen: dict[str, int] = field(default_factory=dict)

    @cached_property
    def lines(self) -> list[int]:
        """Where each line begins."""
        return [0, *(match.end() for match in re.finditer("\n", self.text))]

    def at(self, offset: int, word: str) -> Word:
        line = bisect_right(self.lines, offset)
        return Word(word, line, offset - self.lines[line - 1] + 1)

    def key(self, key: str) -> Word:
        match = re.search(rf"^[ \t]*+\[*+[ \t]*+\"?({re.escape(key)})\b", self.text, re.MULTILINE)
        return self.at(match.start(1), key) if match else Word(key)

    def block(self, block: str) -> Iterator[Word]:
        """The lines of a block of text, with the places of their first letters."""
        offset = self.text.find(block, self.seen.get(block, 0)) if block.strip() else -1
        if offset >= 0:
            self.seen[block] = offset + len(block)
        for row in block.split("\n"):
            yield self.at(offset, row) if offset >= 0 else Word(row)
            offset += len(row) + 1 if offset >= 0 else 0


def _legend(table: Mapping[str, Any], where: _Where, faults: Faults) -> Iterator[tuple[str, Legend]]:
    for key, value in table.items():
        word = where.key(key)
        if isinstance(value, str):
            yield key, Legend(word, value, "")
        elif isinstance(value, dict) and set(value) <= {"file", "colour", "turn"} and "file" in value:
            turn = value.get("turn", 0)
            if turn not in (0, 1, 2, 3):
                faults.add("build-turn", word, f"{key}: turn {turn!r} is not 0, 1, 2 or 3 quarter turns.")
                turn = 0
            yield key, Legend(word, str(value["file"]), str(value.get("colour", "")), turn)
        else:
            text = f'{key}: write {key} = "file.stl" or {key} = {{ file = "file.stl", colour = "red" }}.'
            faults.add("build-legend", word, text)


def _lines(block: str, where: _Where, faults: Faults) -> Iterator[LaidLine]:
    for row in where.block(block):
        bare = row.text.split("#", 1)[0]
        if not bare.strip():
            continue
        cells = list(_cells(bare, row))
        if [cell.text.lower() for cell in cells[:2]] == list(COLUMNS[:2]):
            continue  # the head line, if somebody likes one
        if len(cells) > len(COLUMNS):
            text = f"{len(cells)} columns; a line has {', '.join(COLUMNS)}, with commas between."
            faults.add("build-columns", cells[len(COLUMNS)], text)
            continue
        cells += [Word("", row.line, row.column + len(bare.rstrip()))] * (len(COLUMNS) - len(cells))
        part, on, stud, turn, face, own = cells
        name, piece = _named(part)
        yield LaidLine(name, piece, tuple(_split(on)), tuple(_split(stud)), turn, face, own)


def _cells(bare: str, row: Word) -> Iterator[Word]:
    offset = 0
    for cell in bare.split(","):
        lead = len(cell) - len(cell.lstrip())
        yield Word(" ".join(cell.split()), row.line, row.column + offset + (lead if cell.strip() else 0))
        offset += len(cell) + 1


def _named(part: Word) -> tuple[Word, Word]:
    """ "deck = A": a name and what it is."""
    name, equals, piece = part.text.partition("=")
    if not equals:
        return Word("", part.line, part.column), part
    return (
        Word(name.strip(), part.line, part.column),
        Word(piece.strip(), part.line, part.column + len(name) + 2),
    )


def _split(cell: Word) -> Iterator[Word]:
    """ "A1 + B2": what a bridge spans."""
    offset = 0
    for piece in cell.text.split("+"):
        if piece.strip():
            yield Word(piece.strip(), cell.line, cell.column + offset)
        offset += len(piece) + 1


def _courses(table: Any, where: _Where, faults: Faults) -> Iterator[Course]:
    for number, course in enumerate(table if isinstance(table, list) else [table], 1):
        written = course.get("map") if isinstance(course, dict) else course
        if not isinstance(written, str):
            faults.add("build-map", where.key("course"), f'course {number} has no map = """ ... """.')
            continue
        rows = [row for row in where.block(written) if row.text.strip()]
        rows = _without_margin(rows)
        wide = [len(row.text) for row in rows]
        for row, length in zip(rows, wide, strict=True):
            if length != max(set(wide), key=lambda each: (wide.count(each), each)):
                usual = max(set(wide), key=lambda each: (wide.count(each), each))
                word = Word(row.text, row.line, row.column + min(length, usual))
                text = f"ragged map: this row has {length} places, the others {usual}; a bare place is a dot."
                faults.add("build-ragged", word, text)
        at = course.get("at", [1, 1]) if isinstance(course, dict) else [1, 1]
        if not (isinstance(at, list) and len(at) == 2 and all(isinstance(each, int) for each in at)):
            faults.add("build-map", where.key("at"), f"at = {at!r}: write at = [column, row].")
            at = [1, 1]
        yield Course(tuple(rows), at[0], at[1])


def _without_margin(rows: Sequence[Word]) -> list[Word]:
    """Rows without the blanks that all of them begin with, and without those at their ends."""
    margin = min((len(row.text) - len(row.text.lstrip()) for row in rows), default=0)
    return [Word(row.text[margin:].rstrip(), row.line, row.column + margin) for row in rows]
