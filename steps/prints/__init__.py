"""What goes to the print bed: one file per shape and colour, the plates, and the tables beside them.

``prepare`` is pure; only ``write_out`` touches the disk, and it replaces files whole.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from steps.features import measure
from steps.kept import Kept
from steps.model import Change, Measures, Model, Order, Plan, Problem
from steps.output import write_folder
from steps.pipeline import made_with
from steps.prints.adapter import Adapter
from steps.prints.advice import carried_grams
from steps.prints.bed import bed_fit, too_large
from steps.prints.entries import Entries, entries_table, failed_among_done, read_entries
from steps.prints.items import PrintItem, print_items, print_problems
from steps.prints.labels import plain
from steps.prints.run import APART_MM, Plate, print_run
from steps.prints.sheet import sheet_pdf
from steps.prints.solids import solid_files
from steps.prints.stl import stl_bytes
from steps.prints.tables import filament_table, parts_table, refit_table, run_table
from steps.prints.threemf import PackedText, PrintObject, packed_mesh, print_3mf
from steps.progress import Tell, stage
from steps.sequence import BuildSequence
from steps.settings import USUAL, Settings

PARTS_LIST, FILAMENT, RUN, SHEET = "parts list.csv", "filament.csv", "print run.csv", "print sheet.pdf"
PLATES_LIST = "plates.csv"
REFIT = "refit.csv"
PLATES = "plates"
#: What this module names its print files and plates; nothing else in a folder is ever taken away.
_OWN_NAME = re.compile(r"(S\d+ [a-z0-9.-]+ [a-z0-9.-]+ \d+-off|plates/plate \d+ [a-z0-9.-]+)\.(stl|3mf)")


@dataclass(frozen=True, eq=False)
class Prints:
    """Every print of a model, in files and on plates, and what to know before printing."""

    items: tuple[PrintItem, ...]
    plates: tuple[Plate, ...]
    needed: Mapping[str, int]  #: part -> first step; empty without an order
    changes: tuple[Change, ...]  #: what a refit moved
    problems: tuple[Problem, ...]
    wedge: Adapter | None = None  #: to show the model on
    entries: Entries = field(default_factory=Entries)  #: what the maker entered in the print run
    only_left: bool = False  #: the plates hold what is still to be printed

    def __str__(self) -> str:
        """What it all comes to, in one line."""
        total = sum(item.count for item in self.items)
        if self.only_left:
            left = [self.entries.left(item) for item in self.items]
            what = f"{sum(left)} left to print of {total} parts, on {len(self.plates)} plates"
        else:
            left = [item.count for item in self.items]
            what = f"{total} parts in {len(self.items)} files and {len(self.plates)} plates"
        uses = [(item.laid.use, count) for item, count in zip(self.items, left, strict=True)]
        grams = sum(count * (use.grams + use.support_g) for use, count in uses)
        metres = sum(count * use.metres for use, count in uses)
        minutes = sum(count * use.minutes for use, count in uses)
        return f"{what}: {grams / 1000:.2f} kg, {metres:.0f} m, about {minutes / 60:.0f} h"


def prepare(
    model: Model,
    measures: Measures,
    settings: Settings,
    order: Order | None = None,
    wedge: Adapter | None = None,
    entries: Entries | None = None,
    only_left: bool = False,
) -> Prints:
    """Lay out all prints of ``model``. With an order, plates follow the build; with ``only_left`` they hold
    what by the ``entries`` is still to be printed."""
    items = print_items(model, measures, settings)
    needed = BuildSequence.of(model, order).first_needed if order is not None else {}
    left = None
    if only_left and entries is not None:
        left = {row: entries.left(item) for row, item in enumerate(items)}
    problems = print_problems(model, items, settings) + failed_among_done(entries or Entries(), items)
    if wedge is not None:
        fit = bed_fit(wedge.solid.vertices, model.scale, settings.printer)
        problems += () if fit.fits else (too_large(f"the {wedge.solid.name}", fit, settings.printer),)
    return Prints(
        items,
        print_run(items, settings.printer, needed, left),
        needed,
        tuple(change for shape in model.shapes for change in shape.changes),
        problems,
        wedge,
        entries or Entries(),
        left is not None,
    )


def write_prints(
    made: Plan | Model, folder: str | Path, settings: Settings = USUAL, progress: Tell | None = None
) -> Prints:
    """Write STL and 3MF of every print, a 3MF per plate, the tables and the print sheet, to ``folder``, which
    is made if need be. A plan's plates follow the build; a model, of loose parts or placed, has no order yet.

    What it comes to is in the value: ``items`` (of each print grams, metres, minutes and faults), ``plates``,
    ``problems``. Raises FaultyModel where nothing can be measured, WrongSettings for a model read at another
    scale, CannotWrite; then all files are as they were.
    """
    model, order = (made.model, made.order) if isinstance(made, Plan) else (made, None)
    made_with(model, settings)
    with stage(progress, "files"):
        measures = made.measures if isinstance(made, Plan) else measure(model, settings)
        entries = read_entries(Path(folder) / RUN)
        prints = prepare(model, measures, settings, order, entries=entries)
        write_out(prints, model, Path(folder), settings)
    return prints


def write_out(
    prints: Prints, model: Model, folder: Path, settings: Settings, kept: Kept | None = None
) -> tuple[Path, ...]:
    """Write the files of ``prints``, which were prepared from ``model``, to ``folder``; returns their paths.
    With ``kept`` what is not ours there is spared.

    Print files that an earlier run listed there and that are no longer meant are taken away, so that
    an old count does not lie beside a new one. Raises CannotWrite; then all files are as they were.
    """
    earlier = _listed(folder)
    written = write_folder(folder, print_files(prints, model, settings), kept)
    for name in sorted(earlier.difference(written)):
        if kept is None or kept.is_ours(folder / name):
            (folder / name).unlink(missing_ok=True)
    return tuple(folder / name for name in written)


def print_files(prints: Prints, model: Model, settings: Settings) -> Iterator[tuple[str, bytes]]:
    """(path within the folder, content) of every file. What only the mesh decides is made once a shape."""
    laid = {item.laid.shape: item.laid for item in prints.items}
    meshes = {shape: packed_mesh(each.vertices, each.faces) for shape, each in laid.items()}
    facets = {shape: stl_bytes(each.vertices, each.faces) for shape, each in laid.items()}
    for item in prints.items:
        yield f"{item.stem}.stl", facets[item.laid.shape]
        yield f"{item.stem}.3mf", print_3mf(item.stem, [_object(item, meshes, _rows(item))])
    files = _plate_names(prints.plates)
    for plate in prints.plates:
        name = files[plate.number]
        yield name, print_3mf(name, _on_plate(plate, prints.items, meshes))
    if prints.wedge is not None:
        yield from solid_files(prints.wedge.solid)
    if prints.changes:
        yield REFIT, refit_table(prints.changes).encode()
    carried = carried_grams(model, {shape: each.use.grams for shape, each in laid.items()})
    yield SHEET, sheet_pdf(model, prints.items, prints.plates, prints.needed, settings, carried)
    yield FILAMENT, filament_table(prints.items).encode()
    yield PLATES_LIST, run_table(prints.plates, prints.items, files).encode()
    yield RUN, entries_table(prints.entries, prints.items, prints.needed).encode()
    yield PARTS_LIST, parts_table(prints.items, prints.needed).encode()


def _listed(folder: Path) -> set[str]:
    """Files of an earlier run: those its tables name and such as this writes, and its refit table."""
    names: set[str] = set()
    for table in (PARTS_LIST, PLATES_LIST, RUN):
        with suppress(OSError, UnicodeDecodeError, csv.Error):
            rows = csv.DictReader(io.StringIO((folder / table).read_text(encoding="utf-8")))
            names.update(row.get("file") or "" for row in rows)
    names |= {f"{name[:-4]}.stl" for name in names if name.endswith(".3mf")}
    own = {name for name in names if _OWN_NAME.fullmatch(name)}
    with suppress(OSError, UnicodeDecodeError), open(folder / REFIT, encoding="utf-8") as file:
        own |= {REFIT} if file.readline() == refit_table(()) else set()
    return own


def _plate_names(plates: tuple[Plate, ...]) -> Mapping[int, str]:
    """Plate number -> path within the folder; numbers of one width, so that they sort."""
    wide = max(2, len(str(len(plates))))
    return {
        plate.number: f"{PLATES}/plate {plate.number:0{wide}d} {plain(plate.colour_name, 30)}.3mf"
        for plate in plates
    }


def _object(
    item: PrintItem, meshes: Mapping[str, PackedText], copies: tuple[tuple[str, float, float], ...]
) -> PrintObject:
    name = f"{item.laid.label} {item.laid.name}"
    return PrintObject(name, meshes[item.laid.shape], item.colour, str(item.colour_name), copies)


def _rows(item: PrintItem) -> tuple[tuple[str, float, float], ...]:
    """Copies side by side in a square from the corner of the bed, so that none stands in another."""
    wide, deep = item.laid.footprint_mm
    across = int(np.ceil(np.sqrt(item.count)))
    return tuple(
        (
            source,
            float(wide / 2 + (wide + APART_MM) * (k % across)),
            float(deep / 2 + (deep + APART_MM) * (k // across)),
        )
        for k, source in enumerate(item.sources)
    )


def _on_plate(
    plate: Plate, items: tuple[PrintItem, ...], meshes: Mapping[str, PackedText]
) -> list[PrintObject]:
    places: dict[int, list[tuple[str, float, float]]] = {}
    for copy in plate.copies:
        item = items[copy.item]
        source = item.source_of[copy.part]
        places.setdefault(copy.item, []).append((source, copy.x, copy.y))
    return [_object(items[row], meshes, tuple(copies)) for row, copies in places.items()]
