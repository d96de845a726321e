"""Print files as 3MF: each mesh once, in its colour, as many build items as there are copies.

A mesh goes to one file per colour and to several plates. Turning it into text and packing it takes nearly
all the time a file costs, so that is done once a mesh: a packed stream may be put together from packed
pieces (RFC 1951: a full flush ends a piece on a byte and forgets what came before it).
"""

from __future__ import annotations

import re
import struct
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from xml.sax.saxutils import escape, quoteattr

import numpy as np

from steps.model import Array, IntArray

TYPES = (
    '<?xml version="1.0" encoding="UTF-8"?>\n'
    '<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">'
    '<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
    '<Default Extension="model" ContentType="application/vnd.ms-package.3dmanufacturing-3dmodel+xml"/>'
    "</Types>"
)
RELATIONS = (
    '<?xml version="1.0" encoding="UTF-8"?>\n'
    '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
    '<Relationship Target="/3D/3dmodel.model" Id="rel0" '
    'Type="http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"/></Relationships>'
)
OPENING = (
    '<?xml version="1.0" encoding="UTF-8"?>\n<model unit="millimeter" xml:lang="en-US" '
    'xmlns="http://schemas.microsoft.com/3dmanufacturing/core/2015/02">'
)
#: How hard to pack: the next levels take twice the time for a tenth of the size.
LEVEL = 4
#: Characters that XML does not allow at all, and those that ask for an escape that readers refuse.
NOT_XML = re.compile("[^\t\n\r -\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
LINE_ENDS = re.compile("[\t\n\r]+")
#: Time of every entry: 1 January 1980, the format's first, so that the same input gives the same bytes.
NO_TIME, FIRST_DAY = 0, 0x21


@dataclass(frozen=True)
class PackedText:
    """Text and its packed form, to be put together with others."""

    text: bytes
    packed: bytes

    @staticmethod
    def of(text: str) -> PackedText:
        data = text.encode("utf-8")
        packer = zlib.compressobj(LEVEL, zlib.DEFLATED, -zlib.MAX_WBITS)
        return PackedText(data, packer.compress(data) + packer.flush(zlib.Z_FULL_FLUSH))


@dataclass(frozen=True, eq=False)
class PrintObject:
    """A mesh in one colour, and of its copies the part numbers with middles (x, y) or poses (4, 4)."""

    name: str
    mesh: PackedText  #: by :func:`packed_mesh`
    colour: str
    colour_name: str
    copies: tuple[tuple[str, float, float] | tuple[str, Array], ...]


def packed_mesh(vertices: Array, faces: IntArray) -> PackedText:
    """The mesh element of ``vertices`` (n, 3) and ``faces`` (m, 3), for any number of files."""
    corners = (
        '<vertex x="%.7g" y="%.7g" z="%.7g"/>' * len(vertices) % tuple((vertices + 0.0).ravel().tolist())
    )
    triangles = '<triangle v1="%d" v2="%d" v3="%d"/>' * len(faces) % tuple(faces.ravel().tolist())
    return PackedText.of(f"<mesh><vertices>{corners}</vertices><triangles>{triangles}</triangles></mesh>")


def print_3mf(title: str, objects: Sequence[PrintObject]) -> bytes:
    """A whole 3MF document in millimetres."""
    names = {each.colour: each.colour_name for each in reversed(objects)}
    colours = list(dict.fromkeys(each.colour for each in objects))
    pieces = [PackedText.of(_head(title, [(names[colour], colour) for colour in colours]))]
    for row, each in enumerate(objects):
        opening = (
            f'<object id="{row + 2}" name={_quoted(each.name)} type="model" pid="1" '
            f'pindex="{colours.index(each.colour)}">'
        )
        pieces += [PackedText.of(opening), each.mesh, PackedText.of("</object>")]
    items = "".join(_item(row + 2, *copy) for row, each in enumerate(objects) for copy in each.copies)
    pieces.append(PackedText.of(f"</resources><build>{items}</build></model>"))
    return _package(
        [
            ("[Content_Types].xml", [PackedText.of(TYPES)]),
            ("_rels/.rels", [PackedText.of(RELATIONS)]),
            ("3D/3dmodel.model", pieces),
        ]
    )


def _head(title: str, colours: Sequence[tuple[str, str]]) -> str:
    bases = "".join(
        f'<base name={_quoted(name)} displaycolor="{colour.upper()}FF"/>' for name, colour in colours
    )
    return (
        f'{OPENING}<metadata name="Title">{escape(_plain(title))}</metadata>'
        f'<resources><basematerials id="1">{bases}</basematerials>'
    )


def _item(number: int, part: str, *at: float | Array) -> str:
    if len(at) == 1:  # 3MF's matrices act on rows
        pose = np.asarray(at[0])
        place = " ".join(f"{value + 0.0:.9g}" for value in np.vstack([pose[:3, :3].T, pose[:3, 3]]).ravel())
    else:
        x, y = at
        place = f"1 0 0 0 1 0 0 0 1 {x + 0.0:.6g} {y + 0.0:.6g} 0"
    return f'<item objectid="{number}" transform="{place}" partnumber={_quoted(part)}/>'


def _plain(text: str) -> str:
    return NOT_XML.sub("", LINE_ENDS.sub(" ", text))


def _quoted(text: str) -> str:
    return quoteattr(_plain(text))


# ------------------------------------------------------------------------------ package


def _package(entries: Sequence[tuple[str, Sequence[PackedText]]]) -> bytes:
    """A ZIP archive of entries that are packed already (ISO/IEC 21320-1)."""
    body, directory = bytearray(), bytearray()
    for name, pieces in entries:
        start = len(body)
        packed = b"".join(_stream(pieces))
        check = 0
        for piece in pieces:
            check = zlib.crc32(piece.text, check)
        size = sum(len(piece.text) for piece in pieces)
        common = struct.pack("<HHHHHIII", 20, 0, 8, NO_TIME, FIRST_DAY, check, len(packed), size)
        path = name.encode("ascii")
        body += b"PK\x03\x04" + common + struct.pack("<HH", len(path), 0) + path + packed
        directory += b"PK\x01\x02" + struct.pack("<H", 20) + common
        directory += struct.pack("<HHHHHII", len(path), 0, 0, 0, 0, 0, start) + path
    count = len(entries)
    end = struct.pack("<HHHHIIH", 0, 0, count, count, len(directory), len(body), 0)
    return bytes(body + directory + b"PK\x05\x06" + end)


def _stream(pieces: Sequence[PackedText]) -> Iterator[bytes]:
    for piece in pieces:
        yield piece.packed
    yield zlib.compressobj(LEVEL, zlib.DEFLATED, -zlib.MAX_WBITS).flush()  # an empty last block
