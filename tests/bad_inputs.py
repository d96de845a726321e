"""Files that are wrong in one known way each, written without the project's own code."""

from __future__ import annotations

import struct
import zipfile
import zlib
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import trimesh

CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
TYPES = (
    '<?xml version="1.0" encoding="UTF-8"?>'
    '<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">'
    '<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
    '<Default Extension="model" ContentType="application/vnd.ms-package.3dmanufacturing-3dmodel+xml"/>'
    "</Types>"
)
RELATIONS = (
    '<?xml version="1.0" encoding="UTF-8"?>'
    '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
    '<Relationship Target="/3D/3dmodel.model" Id="r0" '
    'Type="http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"/></Relationships>'
)

Place = tuple[str, Sequence[float]]  #: part number and the 12 numbers of a 3MF transform


def package(path: Path, model_xml: str | bytes) -> Path:
    """A 3MF package around any text that claims to be a model."""
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("[Content_Types].xml", TYPES)
        archive.writestr("_rels/.rels", RELATIONS)
        archive.writestr("3D/3dmodel.model", model_xml)
    return path


def model_xml(mesh: trimesh.Trimesh, places: Sequence[Place], vertices: Sequence[str] | None = None) -> str:
    """One object and its build items; ``vertices`` replaces the coordinates' text."""
    rows = vertices or [f'x="{x:.6f}" y="{y:.6f}" z="{z:.6f}"' for x, y, z in mesh.vertices]
    corners = "".join(f"<vertex {row}/>" for row in rows)
    triangles = "".join(f'<triangle v1="{a}" v2="{b}" v3="{c}"/>' for a, b, c in mesh.faces)
    items = "".join(
        f'<item objectid="1" partnumber="{name}" transform="{" ".join(f"{n:.6f}" for n in numbers)}"/>'
        for name, numbers in places
    )
    return (
        f'<?xml version="1.0" encoding="UTF-8"?><model unit="millimeter" xml:lang="en-US" xmlns="{CORE}">'
        f'<resources><object id="1" type="model"><mesh><vertices>{corners}</vertices>'
        f"<triangles>{triangles}</triangles></mesh></object></resources><build>{items}</build></model>"
    )


def at(x: float, y: float, z: float) -> list[float]:
    """Transform that only moves."""
    return [1, 0, 0, 0, 1, 0, 0, 0, 1, x, y, z]


def cube(side: float = 10.0) -> trimesh.Trimesh:
    return trimesh.creation.box(bounds=[[0, 0, 0], [side] * 3])


def zip_bomb(path: Path, gibibytes: float, claims: int | None = None) -> Path:
    """A package whose model part unpacks to so much, from a thousandth of it.

    One compressed block is repeated, so it is made at once. ``claims`` is the unpacked size that the
    package states, by default the true one.
    """
    block = 16 << 20
    squeeze = zlib.compressobj(9, zlib.DEFLATED, -15)
    piece = squeeze.compress(b" " * block) + squeeze.flush(zlib.Z_FULL_FLUSH)
    count = int(gibibytes * (1 << 30)) // block
    stored = {
        "[Content_Types].xml": (0, TYPES.encode(), len(TYPES)),
        "_rels/.rels": (0, RELATIONS.encode(), len(RELATIONS)),
        "3D/3dmodel.model": (8, piece * count + b"\x03\x00", claims or count * block),
    }
    body, directory = b"", b""
    for name, (method, data, size) in stored.items():
        crc = zlib.crc32(data) if method == 0 else 0
        fields = struct.pack("<HHHHHIIIHH", 20, 0, method, 0, 33, crc, len(data), size, len(name), 0)
        directory += b"PK\1\2" + struct.pack("<H", 20) + fields
        directory += struct.pack("<HHHII", 0, 0, 0, 0, len(body)) + name.encode()
        body += b"PK\3\4" + fields + name.encode() + data
    end = struct.pack("<HHHHIIH", 0, 0, len(stored), len(stored), len(directory), len(body), 0)
    path.write_bytes(body + directory + b"PK\5\6" + end)
    return path


def entity_bomb(path: Path) -> Path:
    """Entities that double ten at a time: 10^9 characters from a few lines."""
    lines = ['<!ENTITY a0 "bangbangbang">']
    lines += [f'<!ENTITY a{n} "{f"&a{n - 1};" * 10}">' for n in range(1, 10)]
    body = model_xml(cube(), [("cube", at(0, 0, 0))]).partition("?>")[2]
    text = f'<?xml version="1.0"?><!DOCTYPE model [{"".join(lines)}]>{body}'
    return package(path, text.replace("<resources>", "<metadata name='Title'>&a9;</metadata><resources>"))


def stl(path: Path, triangles: np.ndarray) -> Path:
    """A binary STL of (n, 3, 3) corners, taken as they are."""
    record = np.zeros(len(triangles), dtype=[("n", "<f4", 3), ("v", "<f4", (3, 3)), ("a", "<u2")])
    record["v"] = triangles
    path.write_bytes(bytes(80) + struct.pack("<I", len(triangles)) + record.tobytes())
    return path
