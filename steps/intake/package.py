"""Safety of a ZIP package before any library is let near it: size, ratio, entities, completeness."""

from __future__ import annotations

import re
import zipfile
from pathlib import Path

from steps.errors import UnreadableInput

#: Unpacked bytes of one package. A 20,000-part model is some 20 MB; this leaves a hundredfold.
MAX_UNPACKED = 2 * 1024**3
#: Unpacked over packed, once it is large. Mesh text packs 4 to 12 times, repeated items up to 50.
MAX_RATIO = 150
#: Below this many unpacked bytes no ratio is suspicious.
RATIO_FROM = 64 * 1024**2
#: Files in one package.
MAX_ENTRIES = 100_000
#: Bytes of an XML file in which its root element must have begun.
PROLOG_BYTES = 64 * 1024
CHUNK = 1024**2

XML_NAMES = (".model", ".xml", ".rels")


def check_package(path: Path) -> None:
    """Raises UnreadableInput when the ZIP is broken, would unpack to too much, or carries a DTD.

    Every entry is unpacked once, by the chunk, so a size that the directory understates is found too.
    """
    try:
        with zipfile.ZipFile(path) as archive:
            entries = archive.infolist()
            _check_sizes(path, sum(entry.file_size for entry in entries), len(entries))
            unpacked = 0
            for entry in entries:
                unpacked = _read_entry(path, archive, entry, unpacked)
    except zipfile.BadZipFile as error:
        raise UnreadableInput(
            f"{path.name}: the file is damaged or cut short ({error}). Copy or export it again."
        ) from error
    except (EOFError, OSError, ValueError, NotImplementedError, RuntimeError) as error:
        raise UnreadableInput(f"{path.name}: the package cannot be unpacked ({error}).") from error
    except Exception as error:
        if type(error).__module__ == "zlib":
            raise UnreadableInput(f"{path.name}: the packed data is damaged ({error}).") from error
        raise


def _check_sizes(path: Path, unpacked: int, entries: int) -> None:
    packed = path.stat().st_size
    if entries > MAX_ENTRIES:
        raise UnreadableInput(
            f"{path.name}: {entries:,} files in one package, at most {MAX_ENTRIES:,} are read."
        )
    if unpacked > MAX_UNPACKED:
        raise UnreadableInput(
            f"{path.name}: would unpack to {unpacked / 1024**3:.1f} GiB, at most "
            f"{MAX_UNPACKED / 1024**3:.0f} GiB are read. It was not opened."
        )
    if unpacked > RATIO_FROM and unpacked > MAX_RATIO * packed:
        raise UnreadableInput(
            f"{path.name}: would unpack to {unpacked / packed:.0f} times its size, at most {MAX_RATIO} "
            "times is plausible for a model (a so-called zip bomb). It was not opened."
        )


def _read_entry(path: Path, archive: zipfile.ZipFile, entry: zipfile.ZipInfo, unpacked: int) -> int:
    """Unpacked bytes so far, this entry included; nothing is kept."""
    with archive.open(entry) as stream:
        first = True
        while chunk := stream.read(CHUNK):
            if first and entry.filename.lower().endswith(XML_NAMES):
                _refuse_dtd(path, entry.filename, chunk[:PROLOG_BYTES])
            first = False
            unpacked += len(chunk)
            _check_sizes(path, unpacked, 0)
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
    if root is None and len(head) >= PROLOG_BYTES:
        raise UnreadableInput(f"{path.name}: {name} does not begin like an XML document. It was not opened.")
