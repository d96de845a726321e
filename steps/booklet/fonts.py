"""The typeface, its real metrics, and what to do with characters that it lacks."""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import fontpkg_atkinson_hyperlegible
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont

from steps.booklet.words import CATALOGUES, Words

MM_PER_POINT = 25.4 / 72  # desktop publishing point
SUBSTITUTE = "¤"  # stands for a character that the typeface lacks; the last sheet says so
SOFT_HYPHEN = "\u00ad"
LEADING = 1.24  # line distance over type size; the typeface's own ascent + descent
ASCENT = 0.95  # of the type size, from the font's hhea table
LIGATURES = {"ﬁ": "fi", "ﬂ": "fl", "‑": "-", "\u202f": "\u00a0", "→": "–", "\t": " "}


@lru_cache(maxsize=1 << 16)  # columns are tried in many widths: the same starts of lines come again and again
def _width_mm(text: str, font: str, size_pt: float) -> float:
    return float(pdfmetrics.stringWidth(text, font, size_pt)) * MM_PER_POINT


@dataclass(frozen=True)
class Typeface:
    """Two registered fonts of one family."""

    regular: str
    bold: str
    regular_file: Path
    bold_file: Path

    def name(self, bold: bool) -> str:
        return self.bold if bold else self.regular

    def width_mm(self, text: str, size_pt: float, bold: bool = False) -> float:
        """Set width of printable text, mm."""
        return _width_mm(text, self.bold if bold else self.regular, size_pt)

    def has(self, character: str, bold: bool = False) -> bool:
        return ord(character) in pdfmetrics.getFont(self.name(bold)).face.charToGlyph

    @lru_cache(maxsize=16_384)  # noqa: B019
    def printable(self, text: str) -> str:
        """``text`` with control and formatting characters gone and unknown ones replaced, one for one."""
        composed = unicodedata.normalize("NFC", text)
        return "".join(self._printable(character) for character in composed)

    def _printable(self, character: str) -> str:
        if character == SOFT_HYPHEN:
            return character
        character = LIGATURES.get(character, character)
        if character in "\n\r":
            return " "
        if unicodedata.category(character[0]) in ("Cc", "Cf", "Cs", "Co", "Cn", "Mn", "Me"):
            return ""
        return character if all(self.has(each) for each in character) else SUBSTITUTE


def _register(name: str, path: Path) -> str:
    if name not in pdfmetrics.getRegisteredFontNames():
        pdfmetrics.registerFont(TTFont(name, str(path)))
    return name


@lru_cache(maxsize=8)
def typeface(words: Words) -> Typeface:
    """The typeface for a language: the catalogue's own where its header names one."""
    header = dict(words.catalogue.mime_headers) if words.catalogue is not None else {}
    files = Path(fontpkg_atkinson_hyperlegible.__file__).resolve().parent / "files"
    regular, bold = files / "AtkinsonHyperlegible-Regular.ttf", files / "AtkinsonHyperlegible-Bold.ttf"
    stem = "Legible"
    if "X-Font-Regular" in header:
        folder = CATALOGUES / words.language
        regular = folder / str(header["X-Font-Regular"])
        bold = folder / str(header.get("X-Font-Bold", header["X-Font-Regular"]))
        stem = f"Legible-{words.language}"
    return Typeface(_register(stem, regular), _register(f"{stem}-Bold", bold), regular, bold)
