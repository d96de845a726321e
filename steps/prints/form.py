"""The form that goes with the fit card: one sheet, filled in with a pencil."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from reportlab.platypus import Spacer, Table

from steps.fit import limits
from steps.model import Model
from steps.prints.ladder import Ladder
from steps.prints.paper import BOLD, MM, TITLE, grid, line, pdf
from steps.settings import Settings

BOX = "[   ]"  # a tick box that every typeface has
ROW_MM = 6.6
LONGEST_TITLE = 60  # characters that fit one line

HOW = (
    "Print card and piece in the material, layer height, wall count and orientation of the model.",
    "Press the piece on each number by hand, pointing outwards. Tick what it does: tight (more than hands "
    "close), press (holds by itself), slide (closes easily, holds little), loose (falls off).",
    "Hook a luggage scale in the eye of the piece and pull slowly, straight up. Leave the first pull out, "
    "note five; newtons = kilograms x 9.81. The middle one counts.",
    "Copy the outcome to stepleaf.toml beside the model. Do it again for each spool and nozzle.",
)


def form_pdf(ladders: Sequence[Ladder], model: Model, settings: Settings) -> bytes:
    """The form as PDF."""
    title = f"Fit card: {settings.title or model.name}"
    flow: list[Any] = [line(f"{title[:LONGEST_TITLE]}, {model.scale:g}x", TITLE)]
    flow += [line(f"{number}. {text}") for number, text in enumerate(HOW, 1)]
    head = grid([["Printer", "", "Spool", "", "Date", ""]], (18, 38, 16, 52, 16, 38), rowHeights=ROW_MM * MM)
    flow += [Spacer(1, 3 * MM), head]
    for ladder in ladders:
        flow += [line(f"{ladder.kind.capitalize()} card", BOLD), line(_heading(ladder)), _outcome(ladder)]
    flow += [line("What to write in stepleaf.toml", BOLD), _lines(settings)]
    return pdf(flow, title, settings.paper)


def _heading(ladder: Ladder) -> str:
    return f"{ladder.of}. The model's file has a gap of {ladder.file_gap_mm:.2f} mm per side."


def _outcome(ladder: Ladder) -> Table:
    """A column per engraved number."""
    rows = [["Number", *(number for number, _ in ladder.gaps)]]
    rows.append(["Gap per side, mm", *(f"{gap:+.2f}" for _, gap in ladder.gaps)])
    rows += [[what, *(BOX for _ in ladder.gaps)] for what in ("tight", "press", "slide", "loose")]
    if ladder.kind == "stud":
        rows.append(["Pull-off, kg", *("" for _ in ladder.gaps)])
        rows.append(["Stud, caliper X / Y", *("" for _ in ladder.gaps)])
    width = 138 / len(ladder.gaps)
    return grid(rows, (40, *(width for _ in ladder.gaps)), rowHeights=ROW_MM * MM)


def _lines(settings: Settings) -> Table:
    limit = limits(settings)
    rows = [
        ["[fit]", "", ""],
        ["tight_below_mm =", "", f"greatest gap that still went tight (now {limit.tight_below:+.2f})"],
        ["press_below_mm =", "", f"greatest gap that still held by itself (now {limit.press_below:+.2f})"],
        ["slide_below_mm =", "", f"greatest gap that did not fall off (now {limit.slide_below:+.2f})"],
        ["pull_off_n =", "", "newtons of one stud, at the gap you will print"],
    ]
    return grid(rows, (40, 30, 108), rowHeights=ROW_MM * MM)
