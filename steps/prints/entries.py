"""``print run.csv``: the maker's own list of what is printed, failed and wanted again, kept over reruns.

A row is one print (a shape in a colour). What the maker enters, columns of their own included, stays; only
what the model says is written anew.
"""

from __future__ import annotations

import csv
import hashlib
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from steps.errors import UnreadableInput
from steps.model import Problem
from steps.prints.items import PrintItem
from steps.prints.tables import safe_cell

#: Columns of the model, then those of the maker, and the key by which a print is known again.
OURS = ("label", "name", "called", "colour", "count", "left", "first_step", "file")
THEIRS = ("done", "failed", "again", "spool", "note")
KEY = "print"
NUMBERS = ("done", "failed", "again")
#: Ways to say that all copies are done.
ALL = ("x", "all", "yes", "ja", "alle", "✓")
#: What the list was before it had entries: written by the program alone.
FORMER_HEAD = ["plate", "colour", "prints", "hours", "first_step", "file"]
#: Sizes of a print are told apart by so much, mm; rounding of a mesh is far below it.
SIZE_MM = 0.05


@dataclass(frozen=True)
class PrintEntry:
    """What the maker entered for one print."""

    done: int = 0
    failed: int = 0
    again: int = 0
    cells: Mapping[str, str] = field(default_factory=dict)  #: as written, their own columns included

    def left(self, count: int) -> int:
        """Copies still to print: a failed one, which counts among the done whether or not that was entered
        yet, is one more, and so is one wanted again."""
        return max(0, count - max(self.done, self.failed) + self.failed + self.again)


@dataclass(frozen=True)
class Entries:
    """All of the list, by key; ``columns`` are the maker's in the order of the file."""

    by_key: Mapping[str, PrintEntry] = field(default_factory=dict)
    columns: tuple[str, ...] = THEIRS
    gone: Mapping[str, Mapping[str, str]] = field(default_factory=dict)  #: key -> whole row as it was

    def of(self, item: PrintItem) -> PrintEntry:
        return self.by_key.get(key_of(item), PrintEntry())

    def left(self, item: PrintItem) -> int:
        return self.of(item).left(item.count)


def failed_among_done(entries: Entries, items: Sequence[PrintItem]) -> tuple[Problem, ...]:
    """A note on prints of which some are done, some failed and some not begun: whoever counts only good ones
    as done would print too many."""
    told = []
    for item in items:
        entry = entries.of(item)
        if entry.failed and max(entry.done, entry.failed) < item.count:
            done = max(entry.done, entry.failed)
            told.append(
                f"{item.laid.label} {item.laid.name}, {item.colour_name}: {done} done, {entry.failed} of "
                f"them failed, {entry.left(item.count)} of {item.count} left"
            )
    if not told:
        return ()
    text = f"Failed prints count among the done ({'; '.join(told)}). Enter as done the good and the failed."
    return (Problem("failed-among-done", "note", (), text),)


def key_of(item: PrintItem) -> str:
    """Known again by size, volume's mass and colour, whatever number its shape has in the model."""
    size = np.sort(np.ptp(item.laid.vertices, axis=0))
    told = [*np.round(size / SIZE_MM).astype(int).tolist(), len(item.laid.faces), item.colour]
    return hashlib.sha256(repr(told).encode()).hexdigest()[:8]


def read_entries(path: Path) -> Entries:
    """The list as the maker left it; none where there is no file.

    Raises UnreadableInput where it is no such list or a number in it is none: nothing is lost by guessing.
    """
    if not path.exists():
        return Entries()
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise UnreadableInput(f"{path}: cannot be read ({error}). Save it as UTF-8 text.") from error
    separator = max(",;\t", key=text.split("\n", 1)[0].count)
    rows = list(csv.reader(io.StringIO(text), delimiter=separator))
    head = [cell.strip() for cell in rows[0]] if rows else []
    if not head or head == FORMER_HEAD:
        return Entries()
    if KEY not in head or not set(THEIRS) <= set(head):
        missing = ", ".join(name for name in (*THEIRS, KEY) if name not in head)
        raise UnreadableInput(f"{path}: is no print run, or lost columns ({missing}). Rename it.")
    columns = tuple(name for name in head if name not in (*OURS, KEY) and name)
    entries, whole = {}, {}
    for number, row in enumerate(rows[1:], 2):
        cells = dict(zip(head, (cell.strip() for cell in row), strict=False))
        if not any(row):
            continue
        if len(row) != len(head) or not cells.get(KEY):
            text = f"{len(row)} cells instead of {len(head)}" if len(row) != len(head) else f"no {KEY!r}"
            raise UnreadableInput(f"{path}, line {number}: {text}; its entries would be lost. Mend it.")
        entries[cells[KEY]] = _entry(path, number, cells, columns)
        whole[cells[KEY]] = cells
    return Entries(entries, columns, whole)


def _entry(path: Path, number: int, cells: Mapping[str, str], columns: Sequence[str]) -> PrintEntry:
    values = {}
    for name in NUMBERS:
        written = cells.get(name, "")
        if name == "done" and written.lower() in ALL:
            written = cells.get("count", "0")
        if written and not written.isdecimal():
            raise UnreadableInput(f"{path}, line {number}: {name} is {written!r}; write a whole number.")
        values[name] = int(written or 0)
    return PrintEntry(**values, cells={name: cells.get(name, "") for name in columns})


def entries_table(entries: Entries, items: Sequence[PrintItem], needed: Mapping[str, int]) -> str:
    """The list with the model's columns written anew. A print that is no longer in the model keeps its row,
    count 0, where anything was entered for it."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow([*OURS, *entries.columns, KEY])
    for item in items:
        entry = entries.of(item)
        steps = item.steps(needed)
        ours = [
            item.laid.label,
            item.laid.name,
            item.called,
            item.colour_name,
            item.count,
            entry.left(item.count),
            steps[0] if steps else "",
            f"{item.stem}.3mf",
        ]
        theirs = [entry.cells.get(name, "") for name in entries.columns]
        writer.writerow([safe_cell(str(cell)) for cell in ours] + [*theirs, key_of(item)])
    known = {key_of(item) for item in items}
    for key, cells in entries.gone.items():
        if key not in known and any(cells.get(name) for name in entries.columns):
            ours = [cells.get(name, "") for name in ("label", "name", "called", "colour")]
            writer.writerow([*ours, 0, 0, "", "", *(cells.get(name, "") for name in entries.columns), key])
    return text.getvalue()
