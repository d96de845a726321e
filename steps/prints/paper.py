"""What the print sheets share: typeface, styles, tables, and PDF bytes that repeat."""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import Any
from xml.sax.saxutils import escape

from reportlab.lib.pagesizes import A4, LETTER
from reportlab.lib.styles import ParagraphStyle
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Paragraph, SimpleDocTemplate, Table, TableStyle

from steps.booklet.fonts import typeface
from steps.booklet.words import words_in

MM = 72 / 25.4
#: These are worked from at the bench, so a small booklet has them on A4 too.
PAPERS = {"a4": A4, "letter": LETTER, "a5": A4}
BODY_PT, TITLE_PT = 10.0, 15.0  # ISO/IEC Guide 37: body text at least 10 pt
MARGIN_MM = 15.0
LINE_MM, LINE_GREY = 0.25, (0.4, 0.4, 0.4)  # ISO 128-20 narrow line

FACE = typeface(words_in("en"))
BODY = ParagraphStyle("body", fontName=FACE.regular, fontSize=BODY_PT, leading=BODY_PT * 1.25)
BOLD = ParagraphStyle("bold", parent=BODY, fontName=FACE.bold, spaceBefore=8, spaceAfter=2)
TITLE = ParagraphStyle("title", fontName=FACE.bold, fontSize=TITLE_PT, leading=TITLE_PT * 1.3, keepWithNext=1)


def line(text: str, style: ParagraphStyle = BODY) -> Paragraph:
    """A paragraph of plain text, whatever is in it."""
    return Paragraph(escape(FACE.printable(text)), style)


def grid(rows: Sequence[Sequence[Any]], widths_mm: Sequence[float], **options: Any) -> Table:
    """A ruled table at the left margin."""
    table = Table(rows, colWidths=[width * MM for width in widths_mm], **options)
    style = [
        ("FONT", (0, 0), (-1, -1), FACE.regular, BODY_PT),
        ("GRID", (0, 0), (-1, -1), LINE_MM * MM, LINE_GREY),
        ("VALIGN", (0, 0), (-1, -1), "MIDDLE"),
        ("LEFTPADDING", (0, 0), (-1, -1), 1.5 * MM),
        ("RIGHTPADDING", (0, 0), (-1, -1), 1.5 * MM),
    ]
    if options.get("repeatRows"):
        style.append(("FONT", (0, 0), (-1, 0), FACE.bold, BODY_PT))
    table.setStyle(TableStyle(style))
    table.hAlign = "LEFT"
    return table


def pdf(flow: Sequence[Any], title: str, paper: str) -> bytes:
    """The sheets as PDF; same input, same bytes."""
    out = io.BytesIO()
    sheet = SimpleDocTemplate(
        out,
        pagesize=PAPERS[paper],
        leftMargin=MARGIN_MM * MM,
        rightMargin=MARGIN_MM * MM,
        topMargin=12 * MM,
        bottomMargin=14 * MM,
        title=FACE.printable(title),
        lang="en",
    )
    sheet.build(list(flow), canvasmaker=_Canvas, onFirstPage=_number, onLaterPages=_number)
    return out.getvalue()


class _Canvas(Canvas):  # type: ignore[misc]
    """No time of writing in the file."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **{**kwargs, "invariant": 1})


def _number(canvas: Canvas, sheet: Any) -> None:
    canvas.setFont(FACE.regular, BODY_PT)
    canvas.drawRightString(sheet.pagesize[0] - MARGIN_MM * MM, 7 * MM, f"sheet {sheet.page}")
