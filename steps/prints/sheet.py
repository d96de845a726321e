"""The print sheet: what to print, how it lies, what it takes; to tick off at the printer."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from reportlab.lib.colors import HexColor
from reportlab.platypus import Flowable, PageBreak, Spacer, Table, TableStyle

from steps.booklet.words import NBSP, Words
from steps.model import Model
from steps.prints.advice import advice_of
from steps.prints.items import PrintItem, by_colour
from steps.prints.paper import MM, PrintPaper, shortened
from steps.prints.run import Plate
from steps.prints.trays import trays_of
from steps.settings import Settings
from steps.wording import Wording

LONGEST_NAME = 60
MOST_RUNS = 8  # runs of steps that a cell names; the parts list has them all
SWATCH = 0  # column of the colour patch
RIGHT = ("ALIGN", (1, 0), (-1, -1), "RIGHT")
PRINT_WIDTHS_MM = (5, 58, 46, 20, 14, 12, 10, 15)
FILAMENT_WIDTHS_MM = (70, 22, 22, 22)
ADVICE_WIDTHS_MM = (60, 120)
TRAY_WIDTHS_MM = (14, 22, 129, 15)
RUN_WIDTHS_MM = (16, 40, 74, 18, 17, 15)


def sheet_pdf(
    model: Model,
    items: Sequence[PrintItem],
    plates: Sequence[Plate],
    needed: Mapping[str, int],
    settings: Settings,
    carried: Mapping[str, float] | None = None,
) -> bytes:
    """Prints by label, filament by colour, the run of plates, how to slice, and on a sheet of its own what
    goes together into a tray; in the language of the settings.

    ``needed`` (part -> step) may be empty; ``carried`` (part -> g) is what rests on each part.
    """
    paper = PrintPaper.of(settings)
    say = paper.words.say
    name = shortened(settings.title or model.name, LONGEST_NAME)
    title = say("Prints: {title}, {scale}", title=name, scale=paper.words.scale(model.scale))
    flow: list[Flowable] = [paper.title(title), paper.line(_how_printed(items, paper.words, settings))]
    flow += [Spacer(1, 2 * MM), _prints(items, needed, paper)]
    flow += [Spacer(1, 3 * MM), *(paper.line(note) for note in _notes(paper.words))]
    flow += [Spacer(1, 4 * MM), paper.title(say("Filament")), _filament(items, paper)]
    flow += [Spacer(1, 4 * MM), paper.title(say("Print run")), _run(plates, items, paper)]
    flow += [
        Spacer(1, 4 * MM),
        paper.title(say("How to slice")),
        paper.line(say("Common practice, no source.")),
    ]
    table, reasons = _advice(items, paper, settings, carried or {})
    flow += [Spacer(1, 2 * MM), table, Spacer(1, 3 * MM), *(paper.line(why) for why in reasons)]
    if needed:
        flow += [PageBreak(), paper.title(say("Sorting")), _trays(items, needed, paper)]
    return paper.pdf(flow, title)


def _how_printed(items: Sequence[PrintItem], words: Words, settings: Settings) -> str:
    printer = settings.printer
    return words.say(
        "{material}, layers {layer} mm, walls {wall} mm, infill {infill} %, {parts} parts in {files} files.",
        material=settings.material.upper(),
        layer=words.number(printer.layer_mm, 2),
        wall=words.number(printer.wall_mm, 1),
        infill=words.number(100 * printer.infill),
        parts=words.number(sum(item.count for item in items)),
        files=words.number(len(items)),
    )


def _notes(words: Words) -> list[str]:
    return [
        words.say(
            "The file's name begins with the label. Steps: where the parts go; parts list.csv has them all. "
            "g, h: of one copy."
        ),
        words.say(
            "Ears: small round brims at sharp corners of the first layer, so that they do not lift. Bridges "
            "are laid without support. Times, ears, bridge and overhang limits are common practice without "
            "a source; filament follows from walls, infill and the plastic's density, supports included."
        ),
        words.say(
            "A small part goes into the small-parts cylinder (16 CFR 1501.4): keep it from children under 3."
        ),
    ]


def _prints(items: Sequence[PrintItem], needed: Mapping[str, int], paper: PrintPaper) -> Table:
    words = paper.words
    say = words.say
    rows: list[list[Any]] = [
        ["", say("Print"), say("How it lies"), say("Steps"), say("Ears"), "g", "h", say("Done")]
    ]
    for item in items:
        use = item.laid.use
        rows.append(
            [
                "",
                _what(item, words),
                _how(item, words),
                runs(item.steps(needed)),
                words.number(len(item.laid.ears)) if len(item.laid.ears) else "",
                words.number(use.grams + use.support_g),
                words.number(use.minutes / 60, 1),
                "",
            ]
        )
    table = paper.grid(rows, PRINT_WIDTHS_MM, repeatRows=1)
    patches = [
        ("BACKGROUND", (SWATCH, row), (SWATCH, row), HexColor(item.colour))
        for row, item in enumerate(items, 1)
    ]
    table.setStyle(TableStyle([*patches, ("ALIGN", (4, 0), (6, -1), "RIGHT")]))
    return table


def _what(item: PrintItem, words: Words) -> str:
    name = shortened(words.said(item.laid.name), LONGEST_NAME)
    colour = shortened(words.said(item.colour_name), LONGEST_NAME)
    if item.called:
        name += f" ({shortened(item.called, LONGEST_NAME)})"
    return f"{words.number(item.count)}{NBSP}×{NBSP}{item.laid.label} {name}, {colour}"


def _how(item: PrintItem, words: Words) -> str:
    laid = item.laid
    told = [words.said(laid.lie.reason)]
    if not laid.fit.fits:
        scale = words.number(laid.fit.largest_scale_told, 2)
        told.append(words.say("TOO LARGE for the bed, fits at {scale}×", scale=scale))
    if laid.small:
        told.append(words.say("small part"))
    told += [words.say("mended: {what}", what=words.said(each)) for each in laid.mended]
    told += [words.say("FAULT: {what}", what=words.said(each)) for each in laid.faults]
    return "; ".join(told)


def runs(steps: Sequence[int]) -> str:
    """Rising numbers as "1, 3–6"; of very many runs the first ones and the last."""
    ends: list[list[int]] = []
    for step in steps:
        if ends and step == ends[-1][1] + 1:
            ends[-1][1] = step
        else:
            ends.append([step, step])
    told = [str(low) if low == high else f"{low}–{high}" for low, high in ends]
    if len(told) > MOST_RUNS:
        told[MOST_RUNS - 2 : -1] = ["…"]
    return ", ".join(told)


def _filament(items: Sequence[PrintItem], paper: PrintPaper) -> Table:
    words = paper.words
    rows: list[list[Any]] = [[words.say("Colour"), "g", "m", "h"]]
    sums: Mapping[Wording | str, tuple[float, float, float]] = by_colour(tuple(items))
    total = [sum(values) for values in zip(*sums.values(), strict=True)] if sums else [0.0, 0.0, 0.0]
    named = [(shortened(words.said(name), LONGEST_NAME), each) for name, each in sums.items()]
    for name, (grams, metres, minutes) in (*named, (words.say("all together"), total)):
        rows.append([name, words.number(grams), words.number(metres), words.number(minutes / 60)])
    table = paper.grid(rows, FILAMENT_WIDTHS_MM, repeatRows=1)
    table.setStyle(TableStyle([RIGHT]))
    return table


def _run(plates: Sequence[Plate], items: Sequence[PrintItem], paper: PrintPaper) -> Table:
    words = paper.words
    say = words.say
    rows: list[list[Any]] = [[say("Plate"), say("Colour"), say("Print"), "h", say("Step"), say("Done")]]
    for plate in plates:
        what = ", ".join(
            f"{count}{NBSP}×{NBSP}{items[row].laid.label}" for row, count in plate.counts.items()
        )
        step = "" if plate.needed_at is None else str(plate.needed_at)
        colour = shortened(words.said(plate.colour_name), LONGEST_NAME)
        hours = words.number(plate.minutes / 60, 1)
        rows.append([words.number(plate.number), colour, what, hours, step, ""])
    table = paper.grid(rows, RUN_WIDTHS_MM, repeatRows=1)
    table.setStyle(TableStyle([("ALIGN", (3, 0), (4, -1), "RIGHT")]))
    return table


def _advice(
    items: Sequence[PrintItem], paper: PrintPaper, settings: Settings, carried: Mapping[str, float]
) -> tuple[Table, list[str]]:
    """What to set for each print, and why: each reason once."""
    words = paper.words
    rows: list[list[Any]] = [[words.say("Print"), words.say("Set")]]
    reasons: dict[str, None] = {}
    for item in items:
        mass = max((carried.get(part, 0.0) for part in item.parts), default=0.0)
        told = advice_of(item, settings.printer, mass)
        rows.append([_what(item, words), ", ".join(words.said(each.what) for each in told)])
        reasons.update(dict.fromkeys(words.said(each.why) for each in told))
    return paper.grid(rows, ADVICE_WIDTHS_MM, repeatRows=1), sorted(reasons)


def _trays(items: Sequence[PrintItem], needed: Mapping[str, int], paper: PrintPaper) -> Table:
    words = paper.words
    say = words.say
    rows: list[list[Any]] = [[say("Tray"), say("Steps"), say("Print"), say("Done")]]
    for number, tray in enumerate(trays_of(items, needed), 1):
        what = [
            f"{count}{NBSP}×{NBSP}{items[row].laid.label} {words.said(items[row].laid.name)}, "
            f"{words.said(items[row].colour_name)}"
            for row, count in tray.counts.items()
        ]
        steps = str(tray.first) if tray.first == tray.last else f"{tray.first}–{tray.last}"
        rows.append([words.number(number), steps, "; ".join(what), ""])
    return paper.grid(rows, TRAY_WIDTHS_MM, repeatRows=1)
