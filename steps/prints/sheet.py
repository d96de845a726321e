"""The print sheet: what to print, how it lies, what it takes; to tick off at the printer."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from reportlab.lib.colors import HexColor
from reportlab.platypus import Spacer, Table, TableStyle

from steps.model import Model
from steps.prints.items import PrintItem, by_colour
from steps.prints.paper import MM, TITLE, grid, line, pdf
from steps.prints.run import Plate
from steps.settings import Settings

LONGEST_NAME = 60
SWATCH = 0  # column of the colour patch

NOTES = (
    "g: grams of one copy. Ears: small round brims at sharp corners of the first layer, so that they do not "
    "lift. Bridges are laid without support. Times, ears, bridge and overhang limits are common practice "
    "without a source; filament follows from walls, infill and the plastic's density, supports included.",
    "A small part goes into the small-parts cylinder (16 CFR 1501.4): keep it from children under 3.",
)


def sheet_pdf(model: Model, items: Sequence[PrintItem], plates: Sequence[Plate], settings: Settings) -> bytes:
    """Prints by label, filament by colour, and the run of plates."""
    title = f"Prints: {(settings.title or model.name)[:LONGEST_NAME]}, {model.scale:g}x"
    printer = settings.printer
    how = (
        f"{settings.material.upper()}, layers {printer.layer_mm:g} mm, walls {printer.wall_mm:g} mm, "
        f"infill {printer.infill:.0%}, {sum(item.count for item in items)} parts in {len(items)} files."
    )
    flow: list[Any] = [line(title, TITLE), line(how), Spacer(1, 2 * MM), _prints(items)]
    flow += [Spacer(1, 4 * MM), line("Filament", TITLE), _filament(items)]
    flow += [Spacer(1, 4 * MM), line("Print run", TITLE), _run(plates, items)]
    flow += [Spacer(1, 3 * MM), *(line(note) for note in NOTES)]
    return pdf(flow, title, settings.paper)


def _prints(items: Sequence[PrintItem]) -> Table:
    rows: list[list[Any]] = [["", "Print", "How it lies", "Ears", "g", "Done"]]
    for item in items:
        what = line(f"{item.count} x {item.laid.label} {_short(item.laid.name)}, {_short(item.colour_name)}")
        ears = str(len(item.laid.ears) or "")
        rows.append(["", what, line(_how(item)), ears, f"{item.laid.use.grams:.0f}", ""])
    table = grid(rows, (6, 62, 74, 12, 13, 13), repeatRows=1)
    patches = [
        ("BACKGROUND", (SWATCH, row), (SWATCH, row), HexColor(item.colour))
        for row, item in enumerate(items, 1)
    ]
    table.setStyle(TableStyle([*patches, ("ALIGN", (3, 0), (4, -1), "RIGHT")]))
    return table


def _how(item: PrintItem) -> str:
    laid = item.laid
    told = [laid.lie.reason]
    if not laid.fit.fits:
        told.append(f"TOO LARGE for the bed, fits at {laid.fit.largest_scale:.2f}x")
    if laid.small:
        told.append("small part")
    told += [f"mended: {each}" for each in laid.mended] + [f"FAULT: {each}" for each in laid.faults]
    return "; ".join(told)


def _filament(items: Sequence[PrintItem]) -> Table:
    rows: list[list[Any]] = [["Colour", "g", "m", "hours"]]
    sums: Mapping[str, tuple[float, float, float]] = by_colour(tuple(items))
    total = [sum(values) for values in zip(*sums.values(), strict=True)] if sums else [0.0, 0.0, 0.0]
    for name, (grams, metres, minutes) in (*sums.items(), ("all", tuple(total))):
        rows.append([line(_short(name)), f"{grams:.0f}", f"{metres:.0f}", f"{minutes / 60:.0f}"])
    table = grid(rows, (70, 22, 22, 22), repeatRows=1)
    table.setStyle(TableStyle([("ALIGN", (1, 0), (-1, -1), "RIGHT")]))
    return table


def _run(plates: Sequence[Plate], items: Sequence[PrintItem]) -> Table:
    rows: list[list[Any]] = [["Plate", "Colour", "Prints", "Hours", "Step", "Done"]]
    for plate in plates:
        counts: dict[int, int] = {}
        for copy in plate.copies:
            counts[copy.item] = counts.get(copy.item, 0) + 1
        what = ", ".join(f"{count} x {items[row].laid.label}" for row, count in counts.items())
        step = "" if plate.needed_at is None else str(plate.needed_at)
        hours = f"{plate.minutes / 60:.1f}"
        rows.append([str(plate.number), line(_short(plate.colour_name)), line(what), hours, step, ""])
    table = grid(rows, (14, 40, 80, 16, 14, 14), repeatRows=1)
    table.setStyle(TableStyle([("ALIGN", (3, 0), (4, -1), "RIGHT")]))
    return table


def _short(name: str) -> str:
    return name if len(name) <= LONGEST_NAME else f"{name[: LONGEST_NAME - 1]}…"
