"""The parts list, the filament and the print run as tables for a spreadsheet."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping, Sequence

from steps.model import Change
from steps.prints.items import PrintItem, by_colour
from steps.prints.run import Plate

#: A cell that begins with one of these would be read as a formula.
FORMULA = ("=", "+", "-", "@", "\t", "\r")


def parts_table(items: Sequence[PrintItem], needed: Mapping[str, int]) -> str:
    """One row per print file; ``needed`` (part -> step) may be empty. Ears from the print's middle."""
    header = (
        "label,name,called,file,colour,colour_name,count,lies,x_mm,y_mm,z_mm,grams_each,support_g_each,metres_each,"
        "minutes_each,support_mm2,bridge_mm,ears,ears_at_mm,fits_bed,largest_scale,small_part,mended,faults,parts,steps"
    )
    return _table(header.split(","), (_row(item, needed) for item in items))


def _row(item: PrintItem, needed: Mapping[str, int]) -> list[object]:
    laid, use, hang = item.laid, item.laid.use, item.laid.lie.hanging
    size = laid.vertices.max(axis=0) - laid.vertices.min(axis=0)
    return [
        laid.label,
        laid.name,
        item.called,
        f"{item.stem}.3mf",
        item.colour,
        item.colour_name,
        item.count,
        str(laid.lie.reason),
        *(f"{value:.1f}" for value in size),
        f"{use.grams:.1f}",
        f"{use.support_g:.1f}",
        f"{use.metres:.2f}",
        f"{use.minutes:.0f}",
        f"{hang.support_mm2:.0f}",
        f"{hang.bridge_mm:.0f}",
        len(laid.ears),
        " ".join(f"({x:.1f} {y:.1f})" for x, y in laid.ears),
        "yes" if laid.fit.fits else "no",
        f"{laid.fit.largest_scale_told:.2f}",
        "yes" if laid.small else "no",
        "; ".join(map(str, laid.mended)),
        "; ".join(map(str, laid.faults)),
        "; ".join(item.sources),
        " ".join(map(str, item.steps(needed))),
    ]


def filament_table(items: Sequence[PrintItem]) -> str:
    """Filament and time by colour, and in all; supports included."""
    rows: list[list[object]] = []
    totals = [0.0, 0.0, 0.0]
    for name, sums in by_colour(tuple(items)).items():
        count = sum(item.count for item in items if item.colour_name == name)
        rows.append([name, count, *_amounts(*sums)])
        totals = [total + value for total, value in zip(totals, sums, strict=True)]
    rows.append(["all", sum(item.count for item in items), *_amounts(*totals)])
    return _table(["colour", "parts", "grams", "metres", "hours"], rows)


def _amounts(grams: float, metres: float, minutes: float) -> tuple[str, str, str]:
    return f"{grams:.0f}", f"{metres:.1f}", f"{minutes / 60:.1f}"


def run_table(plates: Sequence[Plate], items: Sequence[PrintItem], files: Mapping[int, str]) -> str:
    """One row per plate: what is on it, how long it takes, when the build first needs it."""
    rows = []
    for plate in plates:
        what = "; ".join(
            f"{count} x {items[row].laid.label} {items[row].laid.name}" for row, count in plate.counts.items()
        )
        hours = f"{plate.minutes / 60:.1f}"
        rows.append([plate.number, plate.colour_name, what, hours, plate.needed_at, files[plate.number]])
    return _table(["plate", "colour", "prints", "hours", "first_step", "file"], rows)


def refit_table(changes: Sequence[Change]) -> str:
    """What a refit moved: outwards, per side, and the gaps before and after."""
    header = "shape,name,surface,count,moved_mm,least_gap_before,greatest_gap_before,least_gap,greatest_gap"
    rows = []
    for change in changes:
        lengths = (change.delta_mm, *change.gap_before_mm, *change.gap_after_mm)
        figures = [f"{length:.3f}" for length in lengths]
        rows.append([change.shape, change.name, change.kind, change.count, *figures])
    return _table(header.split(","), rows)


def _table(header: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(header)
    for row in rows:
        writer.writerow(["" if cell is None else safe_cell(str(cell)) for cell in row])
    return text.getvalue()


def safe_cell(cell: str) -> str:
    """A cell that no spreadsheet takes for a formula."""
    plain_number = cell.lstrip("-").replace(".", "", 1).isdigit()
    return f"'{cell}" if cell.startswith(FORMULA) and not plain_number else cell
