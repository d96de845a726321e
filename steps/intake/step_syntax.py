"""Where a STEP file is not written as its standard asks (ISO 10303-21: tokens in 6, records in 11).

To be asked when nothing could be made of it: the converter says nothing of what it stumbled over.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from steps.intake.names import printable
from steps.progress import ticking

#: A comment in a STEP file or a text (one with a quote in it is two that touch).
COMMENT_OR_TEXT = re.compile(rb"/\*.*?(?:\*/|\Z)|'[^']*'", re.DOTALL)
_STATEMENT = re.compile(rb"(?:[^';]++|'[^']*')*+(?:;|\Z|')")
_INSTANCE = re.compile(rb"#0*(\d+)\s*=(.*);", re.DOTALL)
#: What a record is made of: a value, a keyword, or a mark.
_TOKEN = re.compile(
    rb"(?P<value>(?:'[^']*')+|\"[0-9A-F]*\"|#\d+|[-+]?\d+(?:\.\d*(?:E[-+]?\d+)?)?|\.[A-Z][A-Z0-9_]*\.|[$*])"
    rb"|(?P<word>!?[A-Z_][A-Z0-9_]*)|(?P<mark>[(),])|\s+",
    re.IGNORECASE,
)
_REFERENCE = re.compile(rb"'[^']*'|#0*(\d+)")
#: With a letter for each token: a list of values, with a keyword or without, is a value again; records of a
#: complex instance stand side by side in one pair of brackets (6.4, 11.2.5).
_LETTER: dict[str | None, str] = {"value": "v", "word": "w"}
_LIST = re.compile(r"w?\((?:v(?:,v)*)?\)")
_COMPLEX = re.compile(r"\(v+\)")
#: Lists within lists; those of the standard's geometry go three deep.
DEEPEST = 8
#: Letters of a record that are shown.
SHOWN = 30


def uncommented(data: bytes) -> bytes:
    """The file without its comments, of which the ends of lines stay."""
    if b"/*" not in data:
        return data
    return COMMENT_OR_TEXT.sub(
        lambda found: found[0] if found[0].startswith(b"'") else b" " + b"\n" * found[0].count(b"\n"), data
    )


def damage_in(data: bytes) -> str:
    """The first line that is not as it must be, said in half a sentence; empty where there is none."""
    data = uncommented(data)
    known, named = set[bytes](), dict[bytes, int]()
    line, before = 1, 0
    for start, statement in ticking(_data_section(data)):
        instance = _INSTANCE.fullmatch(statement)
        line, before = line + data.count(b"\n", before, start), start
        if instance is None or not _is_record(instance[2]):
            return f"line {line} is not written as the standard for it asks ({_shown(statement)!r})"
        if instance[1] in known:
            return f"line {line} gives the number #{instance[1].decode()} a second time"
        known.add(instance[1])
        for reference in _REFERENCE.findall(instance[2]):
            named.setdefault(reference, line)
    lost = next((reference for reference in named if reference and reference not in known), None)
    return f"line {named[lost]} names #{lost.decode()}, which is not in the file" if lost else ""


def _data_section(data: bytes) -> Iterator[tuple[int, bytes]]:
    """Where each statement between DATA and ENDSEC begins, and the statement."""
    within = False
    for found in _STATEMENT.finditer(data):
        statement = found[0].strip()
        word = re.split(rb"[\s(;]", statement, maxsplit=1)[0].upper()
        if word in (b"DATA", b"ENDSEC"):
            within = word == b"DATA"
        elif within and statement:
            yield found.start() + len(found[0]) - len(found[0].lstrip()), statement


def _is_record(body: bytes) -> bool:
    at, letters = 0, list[str]()
    while at < len(body):
        token = _TOKEN.match(body, at)
        if token is None:
            return False
        letters.append(_LETTER.get(token.lastgroup, token[0].decode("latin-1").strip()))
        at = token.end()
    text = "".join(letters)
    whole = text.startswith(("w(", "(w("))
    for _ in range(DEEPEST):
        text = _LIST.sub("v", text)
    return whole and (text == "v" or _COMPLEX.fullmatch(text) is not None)


def _shown(statement: bytes) -> str:
    return printable(statement.decode("latin-1"), SHOWN)
