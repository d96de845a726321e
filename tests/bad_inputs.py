"""Files that are wrong in one known way each, written without the project's own code."""

from __future__ import annotations

import struct
import zipfile
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


def zip_bomb(path: Path, gigabytes: float = 2.0) -> Path:
    """A package whose model part unpacks to very much more than its size."""
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("[Content_Types].xml", TYPES)
        archive.writestr("_rels/.rels", RELATIONS)
        with archive.open("3D/3dmodel.model", "w", force_zip64=True) as part:
            block = b" " * (16 << 20)
            for _ in range(int(gigabytes * 64)):
                part.write(block)
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
