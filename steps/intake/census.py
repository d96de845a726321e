"""A first look at the XML of a 3MF, before any library builds it: how many parts, broken numbers, and what
extensions of the format it asks for.

Nested components multiply: forty lines can mean a million million parts, and a library that
follows them all never comes back. Here they are counted, each object once. What that library would read as
a tag of one must be found here too: in a file of the package by any name, with any prefix, its numbers
written in any way that it takes for the same.
"""

from __future__ import annotations

import re
import zipfile
from bisect import bisect_left
from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field
from html import unescape
from math import isinf
from typing import Any
from xml.parsers import expat

from steps.errors import UnreadableInput
from steps.intake.names import printable
from steps.intake.package import Package
from steps.limits import LIMITS, Limits, refuse_more
from steps.progress import tick

CHUNK = 4 * 1024**2

#: A prefix is any name; a value may hold the end of a tag, but by XML (3.1) never the beginning of one.
_PREFIX = rb"(?:[^\s<>/:=\"'!?]++:)?"
_TAG = re.compile(
    rb"<(" + _PREFIX + rb")(model|object|component|item)(?=[\s/>])((?:[^<>\"']|\"[^<\"]*\"|'[^<']*')*+)(>?)"
)
_TRIANGLE = re.compile(rb"<" + _PREFIX + rb"triangle\s")
_OF_AN_ID = re.compile(rb"\sid\s*=")
_LATTICE = re.compile(rb"<" + _PREFIX + rb"beamlattice[\s>]", re.IGNORECASE)
#: A name is tried from where it begins alone: a long one that has no value would be from each of its letters.
_ATTRIBUTE = re.compile(r"(?<![^\s<>/=\"'])([^\s<>/=\"']++)\s*+=\s*+(?:\"([^\"]*+)\"|'([^']*+)')")
#: A number of an object as a library takes it: with blanks, a sign and zeros before it. A larger one than the
#: specification has (core, 4: ST_ResourceID) it would take for another.
_ID = re.compile(r"\s*\+?0*(\d+)\s*", re.ASCII)
LARGEST_ID = 2**31 - 1
#: A number as the 3MF core specification's schema has it (ST_Number); a plain one is none too large to hold.
_DIGITS = rb"[-+]?(?:\d+(?:\.\d+)?|\.\d+)"
_NUMBER, _PLAIN = _DIGITS + rb"(?:e[-+]?\d+)?", _DIGITS + rb"(?:e[-+]?\d{1,2})?"
#: A vertex that is not plainly three numbers; most are, and are passed over at once.
_ODD_VERTEX = re.compile(
    rb"<" + _PREFIX + rb"vertex\s++(?!(?:[xyz]=[\"']" + _PLAIN + rb"[\"']\s*+){3}/?>)[^<>]*+>", re.IGNORECASE
)
_IS_NUMBER = re.compile(_NUMBER.decode(), re.IGNORECASE)
_NOT_FINITE = re.compile(r"[-+]?(?:nan|inf(?:inity)?)", re.IGNORECASE)
#: A triangle that is not plainly three corners, with a property of its own or without; most are.
_INDEX = rb"=[\"']\d{1,9}[\"']\s*+"
_PLAIN_TRIANGLE = (
    rb"(?:v[123]"
    + _INDEX
    + rb"){3}(?:pid"
    + _INDEX
    + rb"p1"
    + _INDEX
    + rb"(?:p2"
    + _INDEX
    + rb"p3"
    + _INDEX
    + rb")?)?"
)
_ODD_TRIANGLE = re.compile(
    rb"<" + _PREFIX + rb"triangle\s++(?!" + _PLAIN_TRIANGLE + rb"/?>)[^<>]*+>", re.IGNORECASE
)
#: A colour as the specifications have it (ST_ColorValue), and other tags that are looked at.
_COLOUR = re.compile(r"#[0-9a-f]{6}(?:[0-9a-f]{2})?", re.IGNORECASE)
_OTHER = re.compile(
    rb"<" + _PREFIX + rb"(base|color|vertices|triangles|compositematerials)(?=[\s/>])[^<>]*+>"
)
_KIND = re.compile(rb"<" + _PREFIX + rb"(\w+)")
#: What an object and the model may have without a prefix (core, 3.4 and 4).
_KNOWN = {
    b"object": {"id", "type", "name", "partnumber", "pid", "pindex", "thumbnail"},
    b"model": {"unit", "requiredextensions", "recommendedextensions", "xmlns"},
}

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
    faces: dict[Key, int] = field(default_factory=dict)  #: triangles of each object
    resources: int = 0  #: objects, materials, groups of colours: all that has an id
    lattices: bool = False  #: whether an object has a beam lattice
    spaces: dict[str, str] = field(default_factory=dict)  #: prefix -> namespace, of all model parts
    required: list[str] = field(default_factory=list)  #: prefixes of extensions that must be understood
    sketched: list[Key] = field(default_factory=list)  #: objects whose shape is in slices, the mesh a sketch
    cores: list[str] = field(default_factory=list)  #: namespaces of the elements that hold the model
    coloured: set[Key] = field(default_factory=set)  #: objects with a property of their own
    lists: Counter[tuple[Key, bytes]] = field(default_factory=Counter)  #: of vertices and of triangles
    mixed: dict[Key, list[int]] = field(default_factory=dict)  #: rows of the materials that a group mixes
    loose: dict[str, None] = field(default_factory=dict)  #: clauses that it does not keep to, and is read

    @property
    def flat(self) -> list[Key]:
        """All objects that are no groups of others, where each is one triangle; else none."""
        alone = [key for key, below in self.members.items() if not below]
        return alone if all(self.faces.get(key) == 1 for key in alone) else []

    def rows_mixed(self, path: str, number: int) -> list[int]:
        """Rows of the materials that a group of a file of the package mixes."""
        return self.mixed.get((_path(path), str(number)), [])

    def named(self, key: Key) -> str:
        return printable(self.names.get(key) or f"object {key[1]}")


def take_census(package: Package, limits: Limits = LIMITS) -> Census:
    """The census of a 3MF package known to unpack. Raises UnreadableInput when it means too much."""
    census = Census()
    with package.archive() as archive:
        for entry in archive.infolist():
            _read_part(package, archive, entry.filename, census)
    refuse_more(f"{package.name}: {census.triangles:,} triangles", census.triangles, "triangles", limits)
    many = f"{package.name}: {census.resources:,} objects, materials and groups of colours"
    refuse_more(many, census.resources, "resources", limits)
    _check_count(package, census, limits)
    return census


def _read_part(package: Package, archive: zipfile.ZipFile, name: str, census: Census) -> None:
    """Of any file of the package: a relation may call each of them a model. Nothing counts that stands before
    the element of one."""
    here, began = _path(name), False
    now = (here, "")
    since = census.triangles
    faults: list[str] = []
    for tag in _tags(archive, name, census, faults):
        match = _TAG.match(tag)
        if match is None:
            if began:
                _read_odd(package, tag, now, census)
            continue
        prefix, kind, inner, end = match.groups()
        began = began or kind == b"model"
        if not began:
            continue
        if not end:
            raise UnreadableInput(
                f"{package.name}: {printable(name, 40)}: one of its tags is not written as XML asks "
                f"({printable(tag[:30].decode('latin-1'))}). It was not opened; export it again."
            )
        written = _attributes(inner)
        if any(":" not in key for key in written.keys() - _KNOWN.get(kind, written.keys())):
            census.loose["an element has an attribute that the format does not know (core, 2.3)"] = None
        if kind == b"model":
            _read_root(prefix.decode("utf-8", "replace").rstrip(":"), written, census)
        elif kind == b"object":
            census.faces[now] = census.faces.get(now, 0) + census.triangles - since
            since = census.triangles
            now = (here, _number(package, written.get("id", "")))
            _read_object(now, written, census)
        else:
            among = census.members.setdefault(now, []) if kind == b"component" else census.items
            _check_transform(package, written.get("transform", ""))
            paths = _by_any_prefix(written, "path") or [here]
            among += [(_path(path), _number(package, written.get("objectid", ""))) for path in paths]
    census.faces[now] = census.faces.get(now, 0) + census.triangles - since
    if began:
        census.loose.update({fault: None for fault in faults if fault})


def _read_object(now: Key, written: dict[str, str], census: Census) -> None:
    census.members.setdefault(now, [])
    census.names[now] = written.get("name", "")
    if "lowres" in _by_any_prefix(written, "meshresolution"):
        census.sketched.append(now)
    if "pid" in written:
        census.coloured.add(now)
    if ("pid" in written) != ("pindex" in written):
        census.loose["an object has a pid without a pindex, or a pindex without a pid (core, 4)"] = None


def _by_any_prefix(written: dict[str, str], name: str) -> list[str]:
    """Values of the attributes of that name, whatever their namespace."""
    return [value for key, value in written.items() if key.rpartition(":")[2] == name]


def _attributes(inner: bytes) -> dict[str, str]:
    found = _ATTRIBUTE.findall(inner.decode("utf-8", "replace"))
    return {key: unescape(one or other) for key, one, other in found}


def _number(package: Package, written: str) -> str:
    """The number of an object; what is none as it is. Raises UnreadableInput for one that is too large."""
    match = _ID.fullmatch(written)
    if match is None:
        return written
    digits = match.group(1)
    if len(digits) > len(str(LARGEST_ID)) or int(digits) > LARGEST_ID:
        raise UnreadableInput(
            f"{package.name}: an object has or is named by the number {digits[:20]}; {LARGEST_ID} is the "
            "largest that there is (3MF core, 4). It was not opened; export it again."
        )
    return str(int(digits))


def _check_transform(package: Package, written: str) -> None:
    """Raises UnreadableInput where a number of it is none that a library would read to its end."""
    for value in written.split():
        if not _IS_NUMBER.fullmatch(value) and not _NOT_FINITE.fullmatch(value):
            raise UnreadableInput(
                f"{package.name}: a transform has {printable(value, 20)!r}; where a number belongs "
                "there is none (3MF core, 3.3). Export it again."
            )


def _read_odd(package: Package, tag: bytes, now: Key, census: Census) -> None:
    """Any other tag that is looked at: a list of a mesh, a colour, a vertex or triangle that is not plain."""
    match = _KIND.match(tag)
    kind = match.group(1).lower() if match else b""
    given = {key: value.strip() for key, value in _attributes(tag).items()}
    if kind in (b"vertices", b"triangles"):
        census.lists[now, kind] += 1
        if census.lists[now, kind] > 1:
            census.loose[f"a mesh has two lists of {kind.decode()} (core, 4.1)"] = None
    elif kind == b"triangle":
        _read_triangle(package, given, now, census)
    elif kind == b"vertex":
        _read_vertex(given, now, census)
    elif kind == b"compositematerials":
        rows = [int(row) for row in given.get("matindices", "").split() if row.isdecimal()]
        census.mixed[now[0], _number(package, given.get("id", ""))] = rows
    else:
        _read_colour(kind, given, census)


def _read_colour(kind: bytes, given: dict[str, str], census: Census) -> None:
    value = given.get("displaycolor" if kind == b"base" else "color", "")
    if not _COLOUR.fullmatch(value):
        census.no_colour.append(value)
    if kind == b"base" and not given.get("name"):
        census.loose["a base material has no name (core, 5.1)"] = None


def _read_triangle(package: Package, given: dict[str, str], now: Key, census: Census) -> None:
    """Raises UnreadableInput where a corner is a number that a library would take for another."""
    if any(_is_no_index(given.get(name, "")) for name in ("v1", "v2", "v3")):
        raise UnreadableInput(
            f"{package.name}: {census.named(now)}: a triangle names a vertex that is not there (3MF core, "
            "4.1.3). Export it again."
        )
    if any(_is_no_index(given.get(name, "")) for name in ("pid", "p1", "p2", "p3")):
        census.loose["a material or colour is named that its group does not hold (core, 5)"] = None
    own, first, *others = (name in given for name in ("pid", "p1", "p2", "p3"))
    if own > first or first > (own or now in census.coloured) or len({*others}) > 1 or others[0] > first:
        census.loose[
            "a triangle has a pid without a p1, a p1 without any pid, or not p1, p2 and p3 (core, 4.1.4)"
        ] = None


def _is_no_index(value: str) -> bool:
    """Whether digits make a number that is below zero or beyond the largest (core: ST_ResourceIndex)."""
    digits = value.lstrip("+-")
    return digits.isdecimal() and ("-" in value or len(digits) > 10 or int(digits) > LARGEST_ID)


def _read_vertex(given: dict[str, str], now: Key, census: Census) -> None:
    for value in (given[axis] for axis in "xyz" if axis in given):
        if _NOT_FINITE.fullmatch(value):
            if now not in census.not_finite:
                census.not_finite.append(now)
        elif not _IS_NUMBER.fullmatch(value):
            census.no_number.setdefault(now, value)
        elif isinf(float(value)) and now not in census.not_finite:
            census.not_finite.append(now)  # more than a number of the machine can be


def _read_root(prefix: str, given: dict[str, str], census: Census) -> None:
    census.cores.append(given.get(f"xmlns:{prefix}" if prefix else "xmlns", ""))
    for key, value in given.items():
        if key.startswith("xmlns:"):
            census.spaces.setdefault(key.removeprefix("xmlns:"), value)
    census.required += given.get("requiredextensions", "").split()
    if any(f"xmlns:{name}" not in given for name in given.get("recommendedextensions", "").split()):
        census.loose["a prefix is recommended for which no namespace is declared (core, 2.3)"] = None


def _tags(archive: zipfile.ZipFile, name: str, census: Census, faults: list[str]) -> Iterator[bytes]:
    """Model, object, component and item tags, those of colours and lists, and of vertices and triangles that
    are not plain, in file order; triangles are counted, up to each tag that is told, and all that has an id.
    What is not well formed is added to ``faults``."""
    kinds = (_TAG, _ODD_VERTEX, _ODD_TRIANGLE, _OTHER)
    parser, fault = expat.ParserCreate("UTF-8"), ""
    wanted = re.compile(b"|".join(kind.pattern for kind in kinds), re.IGNORECASE)
    rest = b""
    with archive.open(name) as stream:
        while chunk := stream.read(CHUNK):
            tick()
            fault = fault or _malformed(parser, chunk)
            text = rest + chunk.replace(b"\x00", b"")
            end = _whole(text)
            census.lattices = census.lattices or _LATTICE.search(text, 0, end) is not None
            census.resources += sum(1 for _ in _OF_AN_ID.finditer(text, 0, end))
            triangles = [match.start() for match in _TRIANGLE.finditer(text, 0, end)]
            before = census.triangles
            for match in wanted.finditer(text, 0, end):
                census.triangles = before + bisect_left(triangles, match.start())
                yield match.group(0)
            census.triangles = before + len(triangles)
            rest = text[end:]
            if len(rest) > CHUNK:  # no tag of ours, or one without an end
                yield rest
                rest = b""
    faults.append(fault or _malformed(parser, None))


def _malformed(parser: Any, chunk: bytes | None) -> str:
    """What is told where the XML goes on, or ends without another chunk, as XML does not (1.0), or empty."""
    try:
        parser.Parse(chunk or b"", chunk is None)
    except expat.ExpatError as error:
        return f"line {error.lineno} of its model is not written as XML asks (core, 2.3)"
    return ""


def _whole(text: bytes) -> int:
    """How much of the text is whole: all before the last tag, or all where that is whole too."""
    last = max(text.rfind(b"<"), 0)
    match = _TAG.match(text, last)
    ends = bool(match.group(4)) if match else b">" in text[last:]
    return len(text) if ends else last


def _path(name: str) -> str:
    return name.strip("/").lower()


def _check_count(package: Package, census: Census, limits: Limits) -> None:
    counts: dict[Key, int] = {}
    alike: dict[str, list[Key]] = defaultdict(list)
    for key in census.members:
        alike[key[1]].append(key)
    for below in census.members.values():  # a path that names no file here may be another name of one
        below[:] = [each for key in below for each in ([key] if key in census.members else alike[key[1]])]
    total = sum(_leaves(package, census, item, counts, limits) for item in census.items)
    refuse_more(f"{package.name}: its nested components make {total:,} parts or more", total, "parts", limits)


def _leaves(package: Package, census: Census, top: Key, counts: dict[Key, int], limits: Limits) -> int:
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
                f"{package.name}: object {printable(key[1])} holds itself. It was not opened; export it "
                "again."
            )
        refuse_more(f"{package.name}: components nested {len(open_)} deep", len(open_), "nesting", limits)
        stack.append(waiting[0])
    return counts[top]
