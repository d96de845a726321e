"""A first look at the XML of a 3MF, before any library builds it: how many parts, and broken numbers.

Nested components multiply: forty lines can mean a million million parts, and a library that
follows them all never comes back. Here they are counted, each object once.
"""

from __future__ import annotations

import re
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from html import unescape
from pathlib import Path

from steps.errors import UnreadableInput
from steps.intake.names import printable
from steps.intake.scene import MAX_PARTS

#: Components within components; assemblies of people go four or five deep.
MAX_DEPTH = 64
CHUNK = 4 * 1024**2

_TAG = re.compile(rb"<(?:\w+:)?(object|component|item)\s([^>]*)>")
_ATTRIBUTE = re.compile(r"([\w:]+)\s*=\s*[\"']([^\"']*)[\"']")
_NOT_FINITE = re.compile(rb"<(?:\w+:)?vertex\s[^>]*[\"'][-+]?(?:nan|inf)[^>]*>", re.IGNORECASE)

Key = tuple[str, str]  #: model part of the package, object id


@dataclass
class Census:
    """Objects of a package, what they are made of, and which of them have numbers that are not finite."""

    members: dict[Key, list[Key]] = field(default_factory=dict)
    names: dict[Key, str] = field(default_factory=dict)
    items: list[Key] = field(default_factory=list)
    not_finite: list[Key] = field(default_factory=list)

    def named(self, key: Key) -> str:
        return printable(self.names.get(key) or f"object {key[1]}")


def take_census(path: Path) -> Census:
    """The census of a 3MF package known to unpack. Raises UnreadableInput when it means too many parts."""
    census = Census()
    with zipfile.ZipFile(path) as archive:
        for entry in archive.infolist():
            if entry.filename.lower().endswith(".model"):
                _read_part(archive, entry.filename, census)
    _check_count(path, census)
    return census


def _read_part(archive: zipfile.ZipFile, name: str, census: Census) -> None:
    here, now = _path(name), ("", "")
    for tag in _tags(archive, name):
        match = _TAG.match(tag)
        if match is None:
            if _NOT_FINITE.match(tag) and now not in census.not_finite:
                census.not_finite.append(now)
            continue
        given = {
            key.rpartition(":")[2]: unescape(value)
            for key, value in _ATTRIBUTE.findall(match.group(2).decode("utf-8", "replace"))
        }
        if match.group(1) == b"object":
            now = (here, given.get("id", ""))
            census.members.setdefault(now, [])
            census.names[now] = given.get("name", "")
            continue
        key = (_path(given.get("path", here)), given.get("objectid", ""))
        if match.group(1) == b"component":
            census.members.setdefault(now, []).append(key)
        else:
            census.items.append(key)


def _tags(archive: zipfile.ZipFile, name: str) -> Iterator[bytes]:
    """Object, component and item tags, and vertex tags that are not finite, in file order."""
    wanted = re.compile(_TAG.pattern + b"|" + _NOT_FINITE.pattern, re.IGNORECASE)
    rest = b""
    with archive.open(name) as stream:
        while chunk := stream.read(CHUNK):
            text = rest + chunk.replace(b"\x00", b"")
            end = text.rfind(b">") + 1
            yield from (match.group(0) for match in wanted.finditer(text, 0, end))
            rest = text[end:][-CHUNK:]


def _path(name: str) -> str:
    return name.strip("/").lower()


def _check_count(path: Path, census: Census) -> None:
    counts: dict[Key, int] = {}
    total = sum(_leaves(path, census, item, counts) for item in census.items)
    if total > MAX_PARTS:
        raise UnreadableInput(
            f"{path.name}: its nested components make more than {MAX_PARTS:,} parts. It was not opened; "
            "export the model with fewer, or in pieces."
        )


def _leaves(path: Path, census: Census, top: Key, counts: dict[Key, int]) -> int:
    """Meshes placed by an object, without recursion; capped so that the numbers stay small."""
    stack, open_ = [top], set()
    while stack:
        key = stack[-1]
        below = census.members.get(key, [])
        waiting = [child for child in below if child not in counts]
        if key in counts or not waiting:
            counts[key] = min(sum(counts[child] for child in below) or 1, MAX_PARTS + 1)
            open_.discard(key)
            stack.pop()
            continue
        open_.add(key)
        if open_ & set(waiting) or len(open_) > MAX_DEPTH:
            raise UnreadableInput(
                f"{path.name}: object {key[1]} holds itself, or components are nested deeper than "
                f"{MAX_DEPTH}. It was not opened."
            )
        stack.append(waiting[0])
    return counts[top]
