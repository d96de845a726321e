"""A 3MF package with its XML written in the plainest way: what is well formed stays readable where a library
knows less of XML than there is."""

from __future__ import annotations

import posixpath
from collections.abc import Iterator
from xml.parsers import expat
from xml.sax.saxutils import escape

from steps.errors import UnreadableInput
from steps.intake.names import printable
from steps.intake.package import XML_NAMES, Package

#: What XML makes a blank of within a value (XML 1.0, 3.3.3), and quotes.
_IN_VALUES = {"\t": " ", "\n": " ", "\r": " ", '"': "&quot;"}
_ENCODINGS = ("utf-8", "utf-16")
#: The library gives up, without a word of it, at a tag or text of so many letters (seen in its version 2).
_LONGEST = 65_535
#: What is only shown is cut to so many.
_NAMES, _NAME_LETTERS = ("name", "partnumber"), 4_000


def plainly(package: Package) -> Package:
    """The package without comments, instructions, and other ways to write a letter than itself; names
    and texts cut, and relations from the root of the package.

    Raises UnreadableInput that names the line where a file of it is not well formed.
    """

    def plain(name: str, chunks: Iterator[bytes]) -> Iterator[bytes]:
        return _written(package.name, name, chunks) if name.lower().endswith(XML_NAMES) else chunks

    return package.rewritten(plain)


def _written(file: str, name: str, chunks: Iterator[bytes]) -> Iterator[bytes]:
    room = [_NAME_LETTERS]  # letters that the text at hand may still have
    made: list[str] = ['<?xml version="1.0" encoding="UTF-8"?>']

    def started(tag: str, given: dict[str, str]) -> None:
        cut = {key: value[:_NAME_LETTERS] if key in _NAMES else value for key, value in given.items()}
        if tag.endswith("Relationship") and cut.get("TargetMode") != "External" and "Target" in cut:
            folder = posixpath.join("/", posixpath.dirname(posixpath.dirname(name)))
            cut["Target"] = posixpath.normpath(posixpath.join(folder, cut["Target"]))
        values = "".join(f' {key}="{escape(value, _IN_VALUES)}"' for key, value in cut.items())
        if len(tag) + len(values) > _LONGEST:
            raise UnreadableInput(
                f"{file}: line {parser.CurrentLineNumber} of {printable(name, 40)}: a tag of "
                f"{len(tag) + len(values):,} letters; none is read beyond {_LONGEST:,}. Export it again."
            )
        made.append(f"<{tag}{values}>")
        room[0] = _NAME_LETTERS

    def text_of(text: str) -> None:
        made.append(escape(text[: room[0]]))
        room[0] = max(room[0] - len(text), 0)

    def ended(tag: str) -> None:
        made.append(f"</{tag}>")
        room[0] = _NAME_LETTERS

    def declared(_version: str, encoding: str | None, _alone: int) -> None:
        if encoding and encoding.lower() not in _ENCODINGS:
            raise UnreadableInput(
                f"{file}: {printable(name, 40)} says that it is written in {printable(encoding, 40)}; it "
                "must be UTF-8 or UTF-16 (3MF core, 2.3). Export it again."
            )

    parser = expat.ParserCreate("UTF-8")
    parser.buffer_text = True
    parser.StartElementHandler = started
    parser.EndElementHandler = ended
    parser.CharacterDataHandler = text_of
    parser.XmlDeclHandler = declared
    try:
        for chunk in chunks:
            parser.Parse(chunk, False)
            yield "".join(made).encode()
            made.clear()
        parser.Parse(b"", True)
    except expat.ExpatError as error:
        raise UnreadableInput(
            f"{file}: line {error.lineno} of {printable(name, 40)}, at letter {error.offset + 1}, is not "
            "written as XML asks (3MF core, 2.3). Export it again."
        ) from error
    yield "".join(made).encode()
