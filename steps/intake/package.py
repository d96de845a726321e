"""Safety of a ZIP package before any library is let near it: size, ratio, entities, completeness."""

from __future__ import annotations

import lzma
import re
import struct
import zipfile
import zlib
from pathlib import Path

from steps.errors import UnreadableInput
from steps.limits import LIMITS, Limits, refuse_more

#: Below this many unpacked bytes no ratio is suspicious.
RATIO_FROM = 64 * 1024**2
#: Bytes of an XML file in which its root element must have begun.
PROLOG_BYTES = 64 * 1024
CHUNK = 1024**2

XML_NAMES = (".model", ".xml", ".rels")


def check_package(path: Path, limits: Limits = LIMITS) -> None:
    """Raises UnreadableInput when the ZIP is broken, would unpack to too much, or carries a DTD.

    Every entry is unpacked once, by the chunk, so a size that the directory understates is found too.
    """
    try:
        with zipfile.ZipFile(path) as archive:
            entries = archive.infolist()
            refuse_more(f"{path.name}: {len(entries):,} files in one package", len(entries), "files", limits)
            _check_sizes(path, sum(entry.file_size for entry in entries), limits)
            unpacked = 0
            for entry in entries:
                unpacked = _read_entry(path, archive, entry, unpacked, limits)
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


def _read_entry(
    path: Path, archive: zipfile.ZipFile, entry: zipfile.ZipInfo, unpacked: int, limits: Limits
) -> int:
    """Unpacked bytes so far, this entry included; nothing is kept."""
    with archive.open(entry) as stream:
        first = True
        while chunk := stream.read(CHUNK):
            if first and entry.filename.lower().endswith(XML_NAMES):
                _refuse_dtd(path, entry.filename, chunk[:PROLOG_BYTES])
            first = False
            unpacked += len(chunk)
            _check_sizes(path, unpacked, limits)
    return unpacked


def _refuse_dtd(path: Path, name: str, head: bytes) -> None:
    """A DTD can only stand before the root element, and only a DTD can declare entities."""
    text = head.replace(b"\x00", b"")  # UTF-16 reads as ASCII then
    text = re.sub(rb"<!--.*?-->|<\?.*?\?>", b"", text, flags=re.DOTALL)
    root = re.search(rb"<[A-Za-z_]", text)
    prolog = text[: root.start()] if root else text
    if b"<!" in prolog:
        raise UnreadableInput(
            f"{path.name}: {name} declares a document type or entities, which the 3MF specification forbids "
            "and which can blow up when read. It was not opened."
        )
    if head.startswith((b"\xff\xfe", b"\xfe\xff")) or b"\x00" in head[:4]:
        raise UnreadableInput(
            f"{path.name}: {name} is written in UTF-16, which the 3MF specification allows and the library "
            "that reads 3MF does not. Export it in UTF-8, as nearly all programs do."
        )
    if root is None and len(head) >= PROLOG_BYTES:
        raise UnreadableInput(f"{path.name}: {name} does not begin like an XML document. It was not opened.")
