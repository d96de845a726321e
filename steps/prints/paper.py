"""What the print sheets share: language, typeface, styles, tables, and PDF bytes that repeat."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any
from xml.sax.saxutils import escape

from reportlab.lib.pagesizes import A4, LETTER
from reportlab.lib.styles import ParagraphStyle
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable, Paragraph, SimpleDocTemplate, Table, TableStyle

from steps.booklet.fonts import Typeface, typeface
from steps.booklet.words import Words, words_in
from steps.settings import Settings

MM = 72 / 25.4
#: These are worked from at the bench, so a small booklet has them on A4 too.
PAPERS = {"a4": A4, "letter": LETTER, "a5": A4}
BODY_PT, TITLE_PT = 10.0, 15.0  # ISO/IEC Guide 37: body text at least 10 pt
MARGIN_MM, TOP_MM, BOTTOM_MM = 15.0, 12.0, 14.0
PADDING_MM = 1.5  # in a table's cell, left and right
LINE_MM, LINE_GREY = 0.25, (0.4, 0.4, 0.4)  # ISO 128-20 narrow line


@dataclass(frozen=True)
class PrintPaper:
    """Sheets in one language on one paper."""

    words: Words
    size: str  #: "a4", "letter" or "a5"

    @staticmethod
    def of(settings: Settings) -> PrintPaper:
        return PrintPaper(words_in(settings.language), settings.paper)

    @cached_property
    def face(self) -> Typeface:
        return typeface(self.words)

    @cached_property
    def body(self) -> ParagraphStyle:
        return ParagraphStyle("body", fontName=self.face.regular, fontSize=BODY_PT, leading=BODY_PT * 1.25)

    @cached_property
    def bold(self) -> ParagraphStyle:
        return ParagraphStyle(
            "bold", parent=self.body, fontName=self.face.bold, spaceBefore=6, spaceAfter=2, keepWithNext=1
        )

    @cached_property
    def heading(self) -> ParagraphStyle:
        return ParagraphStyle(
            "title", fontName=self.face.bold, fontSize=TITLE_PT, leading=TITLE_PT * 1.3, keepWithNext=1
        )

    def line(self, text: str) -> Paragraph:
        """A paragraph of plain text, whatever is in it."""
        return Paragraph(self._safe(text), self.body)

    def strong(self, text: str) -> Paragraph:
        return Paragraph(self._safe(text), self.bold)

    def title(self, text: str) -> Paragraph:
        return Paragraph(self._safe(text), self.heading)

    def cell(self, text: str, width_mm: float) -> Any:
        """What goes into a cell: the bare text where it fits on one line, which is far quicker to set."""
        plain = self.face.printable(text)
        room = width_mm - 2 * PADDING_MM
        return plain if self.face.width_mm(plain, BODY_PT) <= room else self.line(text)

    def grid(
        self,
        rows: Sequence[Sequence[Any]],
        widths_mm: Sequence[float],
        row_mm: float | None = None,
        **options: Any,
    ) -> Table:
        """A ruled table at the left margin. Text in ``rows`` is set by :meth:`cell`.

        Rows are ``row_mm`` high unless a cell takes more than one line.
        """
        laid = [
            [
                self.cell(each, wide) if isinstance(each, str) else each
                for each, wide in zip(row, widths_mm, strict=True)
            ]
            for row in rows
        ]
        if row_mm is not None:
            wraps = [any(isinstance(each, Paragraph) for each in row) for row in laid]
            options["rowHeights"] = [None if wrap else row_mm * MM for wrap in wraps]
        table = Table(laid, colWidths=[width * MM for width in widths_mm], **options)
        style = [
            ("FONT", (0, 0), (-1, -1), self.face.regular, BODY_PT),
            ("GRID", (0, 0), (-1, -1), LINE_MM * MM, LINE_GREY),
            ("VALIGN", (0, 0), (-1, -1), "MIDDLE"),
            ("LEFTPADDING", (0, 0), (-1, -1), PADDING_MM * MM),
            ("RIGHTPADDING", (0, 0), (-1, -1), PADDING_MM * MM),
        ]
        if options.get("repeatRows"):
            style.append(("FONT", (0, 0), (-1, 0), self.face.bold, BODY_PT))
        table.setStyle(TableStyle(style))
        table.hAlign = "LEFT"
        return table

    def pdf(self, flow: Sequence[Flowable], title: str) -> bytes:
        """The sheets as PDF; same input, same bytes."""
        out = io.BytesIO()
        sheet = SimpleDocTemplate(
            out,
            pagesize=PAPERS[self.size],
            leftMargin=MARGIN_MM * MM,
            rightMargin=MARGIN_MM * MM,
            topMargin=TOP_MM * MM,
            bottomMargin=BOTTOM_MM * MM,
            title=self.face.printable(title),
            lang=self.words.language,
        )
        sheet.build(list(flow), canvasmaker=_Canvas, onFirstPage=self._number, onLaterPages=self._number)
        return out.getvalue()

    def _number(self, canvas: Canvas, sheet: Any) -> None:
        text = self.words.say("Sheet {n}", n=self.words.number(sheet.page))
        canvas.setFont(self.face.regular, BODY_PT)
        canvas.drawRightString(sheet.pagesize[0] - MARGIN_MM * MM, 7 * MM, text)

    def _safe(self, text: str) -> str:
        return escape(self.face.printable(text))


class _Canvas(Canvas):  # type: ignore[misc]
    """No time of writing in the file."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **{**kwargs, "invariant": 1})


def shortened(text: str, longest: int) -> str:
    """``text``, cut to so many characters with an ellipsis where it is longer."""
    return text if len(text) <= longest else f"{text[: longest - 1]}…"
