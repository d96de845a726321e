"""The form that goes with the fit card: one sheet, filled in with a pencil."""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import Any

from reportlab.lib.pagesizes import A4, LETTER
from reportlab.lib.styles import ParagraphStyle
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Paragraph, SimpleDocTemplate, Spacer, Table, TableStyle

from steps.booklet.fonts import Typeface, typeface
from steps.booklet.words import words_in
from steps.fit import limits
from steps.model import Model
from steps.prints.ladder import Ladder
from steps.settings import Settings

#: The form is one sheet, so a small booklet has it on A4 too.
PAPERS = {"a4": A4, "letter": LETTER, "a5": A4}
MM = 72 / 25.4
BODY_PT, SMALL_PT, TITLE_PT = 10.0, 10.0, 15.0  # ISO/IEC Guide 37: body text at least 10 pt
BOX = "[   ]"  # a tick box that every typeface has

HOW = (
    "Print card and piece in the material, layer height, wall count and orientation of the model.",
    "Press the piece on each number by hand, pointing outwards. Tick what it does.",
    "Hook a luggage scale in the eye of the piece and pull slowly, straight up. Leave the first pull out, "
    "note five; newtons = kilograms x 9.81. The middle one counts.",
    "Copy the outcome to stepleaf.toml beside the model. Do it again for each spool and nozzle.",
)


def form_pdf(ladders: Sequence[Ladder], model: Model, settings: Settings) -> bytes:
    """The form as PDF, same input same bytes."""
    face = typeface(words_in("en"))
    body = ParagraphStyle("body", fontName=face.regular, fontSize=BODY_PT, leading=BODY_PT * 1.25)
    title = ParagraphStyle("title", fontName=face.bold, fontSize=TITLE_PT, leading=TITLE_PT * 1.3)
    name = face.printable(settings.title or model.name).replace("&", "&amp;").replace("<", "&lt;")[:80]
    flow: list[Any] = [Paragraph(f"Fit card: {name}, {model.scale:g}x", title)]
    flow += [Paragraph(f"{number}. {text}", body) for number, text in enumerate(HOW, 1)]
    flow += [
        Spacer(1, 2 * MM),
        _grid([["Printer", "", "Spool", "", "Date", ""]], face, (18, 38, 16, 52, 14, 30)),
    ]
    for ladder in ladders:
        flow += [Spacer(1, 3 * MM), Paragraph(_heading(ladder), body), _outcome(ladder, face)]
    flow += [Spacer(1, 3 * MM), Paragraph("What to write in stepleaf.toml", body), _lines(settings, face)]
    out = io.BytesIO()
    sheet = SimpleDocTemplate(
        out,
        pagesize=PAPERS[settings.paper],
        leftMargin=15 * MM,
        rightMargin=15 * MM,
        topMargin=12 * MM,
        bottomMargin=12 * MM,
        title=f"Fit card: {settings.title or model.name}",
        lang="en",
    )
    sheet.build(flow, canvasmaker=_Canvas)
    return out.getvalue()


class _Canvas(Canvas):  # type: ignore[misc]
    """No time of writing in the file."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **{**kwargs, "invariant": 1})


def _heading(ladder: Ladder) -> str:
    return (
        f"{ladder.kind.capitalize()} card: {ladder.of}. "
        f"The model's file has a gap of {ladder.file_gap_mm:.2f} mm per side."
    )


def _outcome(ladder: Ladder, face: Typeface) -> Table:
    """A column per engraved number."""
    rows = [["Number", *(number for number, _ in ladder.gaps)]]
    rows.append(["Gap per side, mm", *(f"{gap:+.2f}" for _, gap in ladder.gaps)])
    rows += [[what, *(BOX for _ in ladder.gaps)] for what in ("tight", "press", "slide", "loose")]
    if ladder.kind == "stud":
        rows.append(["Pull-off, kg", *("" for _ in ladder.gaps)])
        rows.append(["Stud, caliper X / Y", *("" for _ in ladder.gaps)])
    width = 132 / len(ladder.gaps)
    return _grid(rows, face, (38, *(width for _ in ladder.gaps)))


def _lines(settings: Settings, face: Typeface) -> Table:
    limit = limits(settings)
    rows = [
        ["[fit]", "", ""],
        ["tight_below_mm =", "", f"greatest gap that still went tight (table: {limit.tight_below:+.2f})"],
        ["press_below_mm =", "", f"greatest gap that still held by itself (table: {limit.press_below:+.2f})"],
        ["slide_below_mm =", "", f"greatest gap that did not fall off (table: {limit.slide_below:+.2f})"],
        ["pull_off_n =", "", "newtons of one stud, at the gap you will print"],
    ]
    return _grid(rows, face, (38, 30, 102))


def _grid(rows: list[list[str]], face: Typeface, widths_mm: Sequence[float]) -> Table:
    table = Table(rows, colWidths=[width * MM for width in widths_mm], rowHeights=6.6 * MM)
    table.setStyle(
        TableStyle(
            [
                ("FONT", (0, 0), (-1, -1), face.regular, SMALL_PT),
                ("GRID", (0, 0), (-1, -1), 0.25 * MM, (0.4, 0.4, 0.4)),
                ("VALIGN", (0, 0), (-1, -1), "MIDDLE"),
                ("ALIGN", (1, 0), (-1, -1), "CENTER" if len(widths_mm) > 6 else "LEFT"),
            ]
        )
    )
    table.hAlign = "LEFT"
    return table
