"""Letters of texts that anybody may have written: which only show, and which could steer what shows them."""

from __future__ import annotations

import codecs
import unicodedata

#: How text in UTF-16 begins.
WIDE = (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)
#: Joiners of scripts, which are format marks and yet belong in names (Unicode 15, 23.2).
JOINERS = "\u200c\u200d"
#: Categories of Unicode that show nothing and steer: controls, format marks (those that turn the direction of
#: writing among them), lone surrogates, line and paragraph separators.
STEERING = ("Cc", "Cf", "Cs", "Zl", "Zp")


def decoded(table: bytes) -> str:
    """A text table as spreadsheets write it: UTF-8, "Unicode text" (UTF-16), or cp1252 on older desktops."""
    try:
        return table.decode("utf-16" if table.startswith(WIDE) else "utf-8-sig")
    except UnicodeDecodeError:
        return table.decode("cp1252", errors="replace")


def shows(letter: str) -> bool:
    """Whether a letter is there to be seen."""
    return letter in JOINERS or unicodedata.category(letter) not in STEERING


def unsteered(text: str, steer: str = "\n\t") -> str:
    """A text in which only line ends and tabs steer; what else could stands there by its number, \\x1b."""
    if text.isprintable():
        return text
    return "".join(letter if letter in steer or shows(letter) else _number(letter) for letter in text)


def _number(letter: str) -> str:
    code = ord(letter)
    return f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}"
