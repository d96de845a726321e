"""Safety of a ZIP package before any library is let near it: size, ratio, entities, completeness, and that
the library will find in it what was looked at here."""

from __future__ import annotations

import codecs
import io
import lzma
import re
import struct
import zipfile
import zlib
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from steps.errors import UnreadableInput
from steps.intake.names import printable
from steps.limits import LIMITS, Limits, refuse_more
from steps.progress import tick

#: Below this many unpacked bytes no ratio is suspicious.
RATIO_FROM = 64 * 1024**2
#: Bytes of an XML file in which its root element must have begun.
PROLOG_BYTES = 64 * 1024
CHUNK = 1024**2

XML_NAMES = (".model", ".xml", ".rels")
#: The marks of a directory's end, and in one whose numbers have 64 bits of the record before it that holds
#: them and of what says where that is (APPNOTE 4.3.14 to 4.3.16); such a number as it stands in 32.
END, END_64, LOCATOR_64, IN_64 = b"PK\x05\x06", b"PK\x06\x06", b"PK\x06\x07", 2**32 - 1
#: The longest end of a directory: its fields and a comment, and those of 64 bits before it.
LONGEST_END = 22 + 65_535 + 76
#: A declaration of XML, which says how its letters are written.
DECLARATION = re.compile(r"\A\s*+<\?xml\s[^>]*\?>")
IN_UTF8 = '<?xml version="1.0" encoding="UTF-8"?>'


@dataclass(frozen=True)
class Package:
    """A package that is safe to unpack: a file as it is, or bytes written anew of what was read of one."""

    name: str  #: of the file, for what is said of it
    source: Path | bytes
    ambiguous: bool = False  #: whether one reader may find in the file what another does not

    def archive(self) -> zipfile.ZipFile:
        """To be read, and closed."""
        return zipfile.ZipFile(io.BytesIO(self.source) if isinstance(self.source, bytes) else self.source)

    def rewritten(self, changed: Callable[[str, Iterator[bytes]], Iterable[bytes]]) -> Package:
        """One of the same entries, the content of each by its name changed, chunk by chunk."""
        made = io.BytesIO()
        with (
            self.archive() as archive,
            zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as to,
        ):
            for entry in archive.infolist():
                if entry.is_dir():
                    continue
                with archive.open(entry) as stream, to.open(entry.filename, "w", force_zip64=True) as target:
                    for chunk in changed(entry.filename, _chunks(stream)):
                        target.write(chunk)
        return replace(self, source=made.getvalue())


def check_package(path: Path, limits: Limits = LIMITS) -> Package:
    """The package, its XML in UTF-8. Raises UnreadableInput when the ZIP is broken, would unpack to too much,
    or carries a DTD.

    Every entry is unpacked once, by the chunk, so a size that the directory understates is found too. Of a
    file that may be taken for two packages, and of one in UTF-16, the library is handed what was read here.
    """
    try:
        with zipfile.ZipFile(path) as archive:
            entries = archive.infolist()
            refuse_more(f"{path.name}: {len(entries):,} files in one package", len(entries), "files", limits)
            _check_sizes(path, sum(entry.file_size for entry in entries), limits)
            _refuse_twins(path, archive.namelist())
            unpacked, encodings = 0, dict[str, str]()
            for entry in entries:
                unpacked = _read_entry(path, archive, entry, unpacked, encodings, limits)
            package = Package(path.name, path, not _has_one_directory(path, archive))
        if not package.ambiguous and not encodings:
            return package
        return package.rewritten(lambda name, chunks: _in_utf8(path, name, chunks, encodings))
    except zipfile.BadZipFile as error:
        raise UnreadableInput(
            f"{path.name}: the file is damaged or cut short. Copy or export it again."
        ) from error
    except UnreadableInput:
        raise
    except NotImplementedError as error:
        raise UnreadableInput(
            f"{path.name}: the package is packed in a way that cannot be unpacked. Export it again."
        ) from error
    except RuntimeError as error:  # what zipfile says of a password
        raise UnreadableInput(f"{path.name}: the package is encrypted. Export it without.") from error
    except (EOFError, OSError, ValueError, IndexError, struct.error, zlib.error, lzma.LZMAError) as error:
        raise UnreadableInput(
            f"{path.name}: the packed data is damaged or cut short. Copy or export it again."
        ) from error


def _check_sizes(path: Path, unpacked: int, limits: Limits) -> None:
    gib = unpacked / 1024**3
    refuse_more(f"{path.name}: would unpack to {gib:.1f} GiB", gib, "unpacked_gib", limits)
    ratio = unpacked / path.stat().st_size
    if unpacked > RATIO_FROM:
        told = f"{path.name}: would unpack to {ratio:.0f} times its size (a so-called zip bomb)"
        refuse_more(told, ratio, "unpacked_ratio", limits)


def _refuse_twins(path: Path, names: Iterable[str]) -> None:
    """Of two files of one name one reader takes the first and another the last; names that differ in case are
    one (Open Packaging Conventions, ISO/IEC 29500-2: the names of parts)."""
    twins = [name for name, count in Counter(name.lower() for name in names).items() if count > 1]
    if twins:
        raise UnreadableInput(
            f"{path.name}: holds two files named {printable(twins[0], 40)!r}, which the standard for "
            "packages forbids. It was not opened; export it again."
        )


def _has_one_directory(path: Path, archive: zipfile.ZipFile) -> bool:
    """Whether no reader can find another directory in the file than the one that was found here."""
    with path.open("rb") as stream:
        size = stream.seek(0, io.SEEK_END)
        tail_from = max(0, size - LONGEST_END)
        stream.seek(tail_from)
        tail = stream.read()
    at = tail.find(END)
    if tail.count(END) != 1 or len(tail) < at + 22:
        return False
    length, start, comment = struct.unpack("<LLH", tail[at + 12 : at + 22])
    if at + 22 + comment != len(tail):
        return False
    if LOCATOR_64 in tail:
        if at < 76 or tail.count(LOCATOR_64) != 1:
            return False
        fields = struct.unpack("<4sQ28xQQ4s4xQ4x", tail[at - 76 : at])
        at -= 76
        if fields != (END_64, 44, fields[2], fields[3], LOCATOR_64, tail_from + at):
            return False
        if length not in (fields[2], IN_64) or start not in (fields[3], IN_64):
            return False
        length, start = fields[2:4]
    return bool(start == archive.start_dir and start + length == tail_from + at)


def _read_entry(
    path: Path,
    archive: zipfile.ZipFile,
    entry: zipfile.ZipInfo,
    unpacked: int,
    encodings: dict[str, str],
    limits: Limits,
) -> int:
    """Unpacked bytes so far, this entry included; nothing is kept. What is written in UTF-16 is added to
    ``encodings``, by its name."""
    with archive.open(entry) as stream:
        is_text = False
        for row, chunk in enumerate(_chunks(stream)):
            if row == 0:
                encoding = _utf_16(chunk)
                text = chunk[:PROLOG_BYTES].decode(encoding or "utf-8-sig", "replace")
                is_text = entry.filename.lower().endswith(XML_NAMES) or text.lstrip().startswith("<")
                if is_text:
                    _refuse_dtd(path, entry.filename, text, len(chunk) >= PROLOG_BYTES)
                if is_text and encoding:
                    encodings[entry.filename] = encoding
            if is_text and entry.filename not in encodings and b"\x00" in chunk:
                raise _no_text(path, entry.filename)
            unpacked += len(chunk)
            _check_sizes(path, unpacked, limits)
    return unpacked


def _chunks(stream: Any) -> Iterator[bytes]:
    while chunk := stream.read(CHUNK):
        tick()
        yield chunk


def _utf_16(head: bytes) -> str:
    """The encoding of what begins like XML in UTF-16, with or without its mark; else empty."""
    if head.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return "utf-16"
    return {b"<\x00": "utf-16-le", b"\x00<": "utf-16-be"}.get(head[:2], "")


def _in_utf8(path: Path, name: str, chunks: Iterator[bytes], encodings: Mapping[str, str]) -> Iterator[bytes]:
    """The content of an entry, in UTF-8 where it is in UTF-16. Raises UnreadableInput where it is no text."""
    if name not in encodings:
        yield from chunks
        return
    decoder, first = codecs.getincrementaldecoder(encodings[name])("strict"), True
    try:
        for chunk in chunks:
            text = decoder.decode(chunk)
            if "\0" in text:
                raise _no_text(path, name)
            yield (DECLARATION.sub(IN_UTF8, text, count=1) if first else text).encode()
            first = False
        decoder.decode(b"", final=True)
    except UnicodeError as error:
        raise _no_text(path, name) from error


def _no_text(path: Path, name: str) -> UnreadableInput:
    return UnreadableInput(
        f"{path.name}: {printable(name, 40)} is no text in UTF-8 or UTF-16, as the 3MF specification asks "
        "(core, 2.3). Export it again."
    )


def _refuse_dtd(path: Path, name: str, head: str, goes_on: bool) -> None:
    """A DTD can only stand before the root element, and only a DTD can declare entities."""
    text = re.sub(r"<!--.*?(?:-->|\Z)|<\?.*?(?:\?>|\Z)", "", head, flags=re.DOTALL)
    root = re.search(r"<[A-Za-z_]", text)
    prolog = text[: root.start()] if root else text
    if "<!" in prolog:
        raise UnreadableInput(
            f"{path.name}: {name} declares a document type or entities, which the 3MF specification forbids "
            "and which can blow up when read. It was not opened."
        )
    if root is None and goes_on:
        raise UnreadableInput(f"{path.name}: {name} does not begin like an XML document. It was not opened.")
