"""What goes to the print bed: one file per shape and colour, the plates, and the tables beside them.

``prepare`` is pure; only ``write_prints`` touches the disk, and it replaces files whole.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from itertools import chain
from pathlib import Path

import numpy as np

from steps.features import measure
from steps.model import Measures, Model, Order, Problem
from steps.output import write_folder
from steps.prints.adapter import Adapter
from steps.prints.bed import bed_fit, too_large
from steps.prints.items import PrintItem, Progress, print_items, print_problems
from steps.prints.labels import plain
from steps.prints.refit import Change, Refit
from steps.prints.run import APART_MM, Plate, first_needed, print_run
from steps.prints.sheet import sheet_pdf
from steps.prints.solids import solid_files
from steps.prints.stl import stl_bytes
from steps.prints.tables import filament_table, parts_table, refit_table, run_table
from steps.prints.threemf import Piece, PrintObject, packed_mesh, print_3mf
from steps.settings import Settings

PARTS_LIST, FILAMENT, RUN, SHEET = "parts list.csv", "filament.csv", "print run.csv", "print sheet.pdf"
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


def prepare(
    model: Model,
    measures: Measures,
    settings: Settings,
    order: Order | None = None,
    progress: Progress | None = None,
    refitted: Refit | None = None,
) -> Prints:
    """Lay out all prints of ``model``. With an order, plates follow the build.

    With ``refitted`` (of this model) its shapes are printed instead, and its problems are told too.
    """
    if refitted is not None:
        model, measures = refitted.model, measure(refitted.model, settings)
    items = print_items(model, measures, settings, progress)
    needed = first_needed(order) if order is not None else {}
    plates = print_run(items, settings.printer, needed)
    problems = print_problems(model, items, settings)
    if refitted is None:
        return Prints(items, plates, needed, (), problems)
    return Prints(items, plates, needed, refitted.changes, refitted.problems + problems)


def write_prints(
    model: Model,
    measures: Measures,
    folder: Path,
    settings: Settings,
    order: Order | None = None,
    progress: Progress | None = None,
    refitted: Refit | None = None,
    wedge: Adapter | None = None,
) -> Prints:
    """Write STL and 3MF of every print, a 3MF per plate, the tables and the print sheet, to ``folder``;
    with a ``wedge`` that too.

    Print files that an earlier run listed there and that are no longer meant are taken away, so that
    an old count does not lie beside a new one. Raises CannotWrite; then all files are as they were.
    """
    prints = prepare(model, measures, settings, order, progress, refitted)
    earlier = _listed(folder)
    files = print_files(prints, model, settings)
    written = write_folder(folder, files if wedge is None else chain(files, solid_files(wedge.solid)))
    for name in sorted(earlier.difference(written)):
        (folder / name).unlink(missing_ok=True)
    return (
        prints
        if wedge is None
        else replace(prints, problems=prints.problems + _wedge_problems(wedge, model, settings))
    )


def _wedge_problems(wedge: Adapter, model: Model, settings: Settings) -> tuple[Problem, ...]:
    fit = bed_fit(wedge.solid.vertices, model.scale, settings.printer)
    return () if fit.fits else (too_large(f"the {wedge.solid.name}", fit, settings.printer),)


def print_files(prints: Prints, model: Model, settings: Settings) -> Iterator[tuple[str, bytes]]:
    """(path within the folder, content) of every file. What only the mesh decides is made once a shape."""
    laid = {item.laid.shape: item.laid for item in prints.items}
    meshes = {shape: packed_mesh(each.vertices, each.faces) for shape, each in laid.items()}
    facets = {shape: stl_bytes(each.vertices, each.faces) for shape, each in laid.items()}
    for item in prints.items:
        yield f"{item.stem}.stl", facets[item.laid.shape]
        yield f"{item.stem}.3mf", print_3mf(item.stem, [_object(item, meshes, _rows(item))])
    files = {plate.number: _plate_name(plate) for plate in prints.plates}
    for plate in prints.plates:
        name = files[plate.number]
        yield name, print_3mf(name, _on_plate(plate, prints.items, meshes))
    if prints.changes:
        yield REFIT, refit_table(prints.changes).encode()
    yield SHEET, sheet_pdf(model, prints.items, prints.plates, prints.needed, settings)
    yield FILAMENT, filament_table(prints.items).encode()
    yield RUN, run_table(prints.plates, prints.items, files).encode()
    yield PARTS_LIST, parts_table(prints.items, prints.needed).encode()


def _listed(folder: Path) -> set[str]:
    """Print files that the tables of an earlier run name, if they are such as this writes."""
    names: set[str] = set()
    for table in (PARTS_LIST, RUN):
        with suppress(OSError, UnicodeDecodeError, csv.Error), open(folder / table, newline="") as file:
            names.update(row.get("file") or "" for row in csv.DictReader(file))
    names |= {f"{name[:-4]}.stl" for name in names if name.endswith(".3mf")}
    return {name for name in names if _OWN_NAME.fullmatch(name)}


def _plate_name(plate: Plate) -> str:
    return f"{PLATES}/plate {plate.number:02d} {plain(plate.colour_name, 30)}.3mf"


def _object(
    item: PrintItem, meshes: Mapping[str, Piece], copies: tuple[tuple[str, float, float], ...]
) -> PrintObject:
    name = f"{item.laid.label} {item.laid.name}"
    return PrintObject(name, meshes[item.laid.shape], item.colour, item.colour_name, copies)


def _rows(item: PrintItem) -> tuple[tuple[str, float, float], ...]:
    """Copies side by side in a square, so that none stands in another."""
    wide, deep = item.laid.footprint_mm + APART_MM
    across = int(np.ceil(np.sqrt(item.count)))
    return tuple(
        (source, float(wide * (k % across)), float(deep * (k // across)))
        for k, source in enumerate(item.sources)
    )


def _on_plate(plate: Plate, items: tuple[PrintItem, ...], meshes: Mapping[str, Piece]) -> list[PrintObject]:
    places: dict[int, list[tuple[str, float, float]]] = {}
    for copy in plate.copies:
        item = items[copy.item]
        source = item.source_of[copy.part]
        places.setdefault(copy.item, []).append((source, copy.x, copy.y))
    return [_object(items[row], meshes, tuple(copies)) for row, copies in places.items()]
