"""A first look at the XML of a 3MF, before any library builds it: how many parts, broken numbers, and what
extensions of the format it asks for.

Nested components multiply: forty lines can mean a million million parts, and a library that
follows them all never comes back. Here they are counted, each object once.
"""

from __future__ import annotations

import re
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from html import unescape
from math import isinf
from pathlib import Path

from steps.errors import UnreadableInput
from steps.intake.names import printable
from steps.limits import LIMITS, Limits, refuse_more
from steps.progress import tick

CHUNK = 4 * 1024**2

_TAG = re.compile(rb"<(?:\w+:)?(model|object|component|item)\s([^>]*)>")
_TRIANGLE = re.compile(rb"<(?:\w+:)?triangle\s")
_LATTICE = re.compile(rb"<(?:\w+:)?beamlattice[\s>]", re.IGNORECASE)
_ATTRIBUTE = re.compile(r"([\w:]+)\s*=\s*[\"']([^\"']*)[\"']")
#: A number as the 3MF core specification's schema has it (ST_Number); a plain one is none too large to hold.
_DIGITS = rb"[-+]?(?:\d+(?:\.\d+)?|\.\d+)"
_NUMBER, _PLAIN = _DIGITS + rb"(?:e[-+]?\d+)?", _DIGITS + rb"(?:e[-+]?\d{1,2})?"
#: A vertex that is not plainly three numbers; most are, and are passed over at once.
_ODD_VERTEX = re.compile(
    rb"<(?:\w+:)?vertex\s++(?!(?:[xyz]=[\"']" + _PLAIN + rb"[\"']\s*+){3}/?>)[^>]*>", re.IGNORECASE
)
_IS_NUMBER = re.compile(_NUMBER.decode(), re.IGNORECASE)
_NOT_FINITE = re.compile(r"[-+]?(?:nan|inf(?:inity)?)", re.IGNORECASE)
#: A colour as the specifications have it (ST_ColorValue), and the tags that carry one.
_COLOUR = re.compile(r"#[0-9a-f]{6}(?:[0-9a-f]{2})?", re.IGNORECASE)
_COLOURED = re.compile(rb"<(?:\w+:)?(base|color)(?=[\s/>])[^>]*>")

Key = tuple[str, str]  #: model part of the package, object id


@dataclass
class Census:
    """Objects of a package, what they are made of, and which of them have numbers that are not finite."""

    members: dict[Key, list[Key]] = field(default_factory=dict)
    names: dict[Key, str] = field(default_factory=dict)
    items: list[Key] = field(default_factory=list)
    not_finite: list[Key] = field(default_factory=list)
    no_number: dict[Key, str] = field(default_factory=dict)  #: objects with a coordinate that is none, and it
    no_colour: list[str] = field(default_factory=list)  #: values of colours that are none, or empty
    triangles: int = 0
    lattices: bool = False  #: whether an object has a beam lattice
    spaces: dict[str, str] = field(default_factory=dict)  #: prefix -> namespace, of all model parts
    required: list[str] = field(default_factory=list)  #: prefixes of extensions that must be understood
    sketched: list[Key] = field(default_factory=list)  #: objects whose shape is in slices, the mesh a sketch

    def named(self, key: Key) -> str:
        return printable(self.names.get(key) or f"object {key[1]}")


def take_census(path: Path, limits: Limits = LIMITS) -> Census:
    """The census of a 3MF package known to unpack. Raises UnreadableInput when it means too much."""
    census = Census()
    with zipfile.ZipFile(path) as archive:
        for entry in archive.infolist():
            if entry.filename.lower().endswith(".model"):
                _read_part(archive, entry.filename, census)
    refuse_more(f"{path.name}: {census.triangles:,} triangles", census.triangles, "triangles", limits)
    _check_count(path, census, limits)
    return census


def _read_part(archive: zipfile.ZipFile, name: str, census: Census) -> None:
    here, now = _path(name), ("", "")
    for tag in _tags(archive, name, census):
        match = _TAG.match(tag)
        if match is None:
            _read_odd(tag, now, census)
            continue
        written = _ATTRIBUTE.findall(match.group(2).decode("utf-8", "replace"))
        if match.group(1) == b"model":
            _read_root({key: unescape(value) for key, value in written}, census)
            continue
        given = {key.rpartition(":")[2]: unescape(value) for key, value in written}
        if match.group(1) == b"object":
            now = (here, given.get("id", ""))
            census.members.setdefault(now, [])
            census.names[now] = given.get("name", "")
            if given.get("meshresolution") == "lowres":
                census.sketched.append(now)
            continue
        key = (_path(given.get("path", here)), given.get("objectid", ""))
        if match.group(1) == b"component":
            census.members.setdefault(now, []).append(key)
        else:
            census.items.append(key)


def _read_odd(tag: bytes, now: Key, census: Census) -> None:
    """A vertex that may hold what is no number, or a colour that may have no value."""
    text = tag.decode("utf-8", "replace")
    given = {key: unescape(value).strip() for key, value in _ATTRIBUTE.findall(text)}
    coloured = _COLOURED.match(tag)
    if coloured is not None:
        value = given.get("displaycolor" if coloured.group(1) == b"base" else "color", "")
        if not _COLOUR.fullmatch(value):
            census.no_colour.append(value)
        return
    for value in (given[axis] for axis in "xyz" if axis in given):
        if _NOT_FINITE.fullmatch(value):
            if now not in census.not_finite:
                census.not_finite.append(now)
        elif not _IS_NUMBER.fullmatch(value):
            census.no_number.setdefault(now, value)
        elif isinf(float(value)) and now not in census.not_finite:
            census.not_finite.append(now)  # more than a number of the machine can be


def _read_root(given: dict[str, str], census: Census) -> None:
    for key, value in given.items():
        if key.startswith("xmlns:"):
            census.spaces.setdefault(key.removeprefix("xmlns:"), value)
    census.required += given.get("requiredextensions", "").split()


def _tags(archive: zipfile.ZipFile, name: str, census: Census) -> Iterator[bytes]:
    """Model, object, component and item tags, those of colours, and of vertices that are not plainly numbers,
    in file order; triangles are counted."""
    wanted = re.compile(b"|".join((_TAG.pattern, _ODD_VERTEX.pattern, _COLOURED.pattern)), re.IGNORECASE)
    rest = b""
    with archive.open(name) as stream:
        while chunk := stream.read(CHUNK):
            tick()
            text = rest + chunk.replace(b"\x00", b"")
            end = text.rfind(b">") + 1
            census.lattices = census.lattices or _LATTICE.search(text, 0, end) is not None
            census.triangles += sum(1 for _ in _TRIANGLE.finditer(text, 0, end))
            yield from (match.group(0) for match in wanted.finditer(text, 0, end))
            rest = text[end:][-CHUNK:]


def _path(name: str) -> str:
    return name.strip("/").lower()


def _check_count(path: Path, census: Census, limits: Limits) -> None:
    counts: dict[Key, int] = {}
    total = sum(_leaves(path, census, item, counts, limits) for item in census.items)
    refuse_more(f"{path.name}: its nested components make {total:,} parts or more", total, "parts", limits)


def _leaves(path: Path, census: Census, top: Key, counts: dict[Key, int], limits: Limits) -> int:
    """Meshes placed by an object, without recursion; capped so that the numbers stay small."""
    stack, open_ = [top], set()
    while stack:
        key = stack[-1]
        below = census.members.get(key, [])
        waiting = [child for child in below if child not in counts]
        if key in counts or not waiting:
            counts[key] = min(sum(counts[child] for child in below) or 1, limits.parts + 1)
            open_.discard(key)
            stack.pop()
            continue
        open_.add(key)
        if open_ & set(waiting):
            raise UnreadableInput(
                f"{path.name}: object {printable(key[1])} holds itself. It was not opened; export it again."
            )
        refuse_more(f"{path.name}: components nested {len(open_)} deep", len(open_), "nesting", limits)
        stack.append(waiting[0])
    return counts[top]
