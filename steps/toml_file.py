"""TOML that anybody may have written: read whole, or refused in words."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

from steps.errors import StepleafError
from steps.limits import SETTINGS_BYTES
from steps.ordinary import no_file

#: Names in one dotted key. No table of ours is nested deeper than three; twenty thousand take minutes.
MOST_NAMES = 16
#: Quoted text and comments, which may hold anything; what is not closed ends with its line or the file.
_SAID = re.compile(
    r'"""(?:\\.|[^\\])*?(?:"""|\Z)|' r"'''.*?(?:'''|\Z)|" r'"(?:\\.|[^"\\\n])*+"?|' r"'[^'\n]*'?|#[^\n]*",
    re.DOTALL,
)
#: Begun at a name's first letter only, and never given back: linear in any text.
_DOTTED = re.compile(rf"(?<![\w-])(?:[\w-]++[ \t]*+\.[ \t]*+){{{MOST_NAMES}}}")

_PLACE = re.compile(r"\(at line (\d+), column (\d+)\)")
#: How what the parser says begins, and what that is and what to do.
_FAULTS = (
    (("Cannot", "Duplicate"), "what stands here was set before; keep one of the two"),
    (
        ("Unterminated", "Found invalid character '\\n'"),
        "a text is not closed; end it with the quotes it began with",
    ),
    ("Unclosed array", "a list is not closed; end it with ]"),
    ("Unclosed inline", "a table in braces is not closed; end it with }"),
    (
        ("Expected '=", "Invalid initial"),
        "a name and = belong here, as in scale = 4; a name with blanks needs quotes",
    ),
    ("Expected ']", "a heading is not closed; write it as [order], two brackets where it began with two"),
    (
        ("Expected newline", "Expected '"),
        "this belongs to no value; write a text in quotes, decimals as 1.5, and one setting to a line",
    ),
    (
        ("Invalid value", "Invalid date"),
        "no value; write a text in quotes, decimals as 1.5, and yes or no as true or false",
    ),
    (("Illegal", "Found"), "a character that cannot be seen; delete it"),
    (
        ("Unescaped", "Escaped", "Invalid hex"),
        "a \\ that means nothing; write it twice, or the text in single quotes",
    ),
    ("", "not a setting; write it as scale = 4, a heading as [order], a remark after #"),
)


def read_toml(path: Path, wrong: type[StepleafError]) -> tuple[str, dict[str, Any]]:
    """The file's text, with plain newlines, and its table. Raises ``wrong`` for whatever cannot be read."""
    if why := no_file(path):
        raise wrong(f"{path}: {why}. Check the name and the folder.")
    try:
        if path.stat().st_size > SETTINGS_BYTES:
            raise wrong(f"{path}: is over {SETTINGS_BYTES // 1024} KiB; nobody writes so much by hand.")
        text = path.read_text(encoding="utf-8-sig").replace("\r\n", "\n")
    except OSError as error:
        raise wrong(f"{path}: cannot be read ({error.strerror}).") from error
    except UnicodeDecodeError as error:
        raise wrong(f"{path}: not valid TOML: byte {error.start + 1} is no UTF-8 text.") from error
    deep = f"{path}: nests tables or lists deeper than any setting."
    if _DOTTED.search(_SAID.sub("s", text)):
        raise wrong(deep)
    try:
        table = tomllib.loads(text)
        repr(table)  # in base 16 a number of thousands of digits is read, and can be said nowhere
        return text, table
    except RecursionError as error:
        raise wrong(deep) from error
    except tomllib.TOMLDecodeError as error:
        raise wrong(f"{path}: not valid TOML: {_in_words(str(error), text)}.") from error
    except (ValueError, OverflowError) as error:  # a number of thousands of digits, a day that is none
        raise wrong(f"{path}: not valid TOML: a number or date in it is none.") from error


def _in_words(said: str, text: str) -> str:
    """What the parser said, with its place, in words that need no parser."""
    words = next(ours for theirs, ours in _FAULTS if said.startswith(theirs))
    place = _PLACE.search(said)
    if place is None:
        return f"at the end (line {text.rstrip().count(chr(10)) + 1}): {words}"
    return f"line {place[1]}, column {place[2]}: {words}"
