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
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field
from html import unescape
from math import isinf

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
#: A colour as the specifications have it (ST_ColorValue), and the tags that carry one.
_COLOUR = re.compile(r"#[0-9a-f]{6}(?:[0-9a-f]{2})?", re.IGNORECASE)
_COLOURED = re.compile(rb"<" + _PREFIX + rb"(base|color)(?=[\s/>])[^<>]*+>")

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

    @property
    def flat(self) -> list[Key]:
        """All objects that are no groups of others, where each is one triangle; else none."""
        alone = [key for key, below in self.members.items() if not below]
        return alone if all(self.faces.get(key) == 1 for key in alone) else []

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
    here, now, began = _path(name), ("", ""), False
    since = census.triangles
    for tag in _tags(archive, name, census):
        match = _TAG.match(tag)
        if match is None:
            if began:
                _read_odd(tag, now, census)
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
        if kind == b"model":
            _read_root(prefix.decode("utf-8", "replace").rstrip(":"), written, census)
        elif kind == b"object":
            census.faces[now] = census.faces.get(now, 0) + census.triangles - since
            since = census.triangles
            now = (here, _number(package, written.get("id", "")))
            _read_object(now, written, census)
        else:
            among = census.members.setdefault(now, []) if kind == b"component" else census.items
            paths = _by_any_prefix(written, "path") or [here]
            among += [(_path(path), _number(package, written.get("objectid", ""))) for path in paths]
    census.faces[now] = census.faces.get(now, 0) + census.triangles - since


def _read_object(now: Key, written: dict[str, str], census: Census) -> None:
    census.members.setdefault(now, [])
    census.names[now] = written.get("name", "")
    if "lowres" in _by_any_prefix(written, "meshresolution"):
        census.sketched.append(now)


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


def _read_odd(tag: bytes, now: Key, census: Census) -> None:
    """A vertex that may hold what is no number, or a colour that may have no value."""
    given = {key: value.strip() for key, value in _attributes(tag).items()}
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


def _read_root(prefix: str, given: dict[str, str], census: Census) -> None:
    census.cores.append(given.get(f"xmlns:{prefix}" if prefix else "xmlns", ""))
    for key, value in given.items():
        if key.startswith("xmlns:"):
            census.spaces.setdefault(key.removeprefix("xmlns:"), value)
    census.required += given.get("requiredextensions", "").split()


def _tags(archive: zipfile.ZipFile, name: str, census: Census) -> Iterator[bytes]:
    """Model, object, component and item tags, those of colours, and of vertices that are not plainly numbers,
    in file order; triangles are counted, up to each tag that is told, and all that has an id."""
    wanted = re.compile(b"|".join((_TAG.pattern, _ODD_VERTEX.pattern, _COLOURED.pattern)), re.IGNORECASE)
    rest = b""
    with archive.open(name) as stream:
        while chunk := stream.read(CHUNK):
            tick()
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
