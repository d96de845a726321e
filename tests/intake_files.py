"""Small files and meshes for the intake tests, written without the code under test."""

from __future__ import annotations

import ctypes
import json
import locale
import struct
import zipfile
from pathlib import Path
from typing import Any

import lib3mf
import numpy as np
import trimesh
from scipy.spatial import cKDTree

MODEL_PATH = "3D/3dmodel.model"
CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
PRODUCTION = "http://schemas.microsoft.com/3dmanufacturing/production/2015/06"

Mesh = tuple[np.ndarray, np.ndarray]


def box(size=(10.0, 20.0, 30.0), at=(0.0, 0.0, 0.0)) -> Mesh:
    """A closed box with its low corner at ``at``."""
    mesh = trimesh.creation.box(extents=size)
    return np.asarray(mesh.vertices) + np.asarray(size) / 2 + at, np.asarray(mesh.faces)


def cells(places) -> Mesh:
    """The union of 10 mm cubes at whole places, with only its outer faces: a polycube."""
    filled = set(map(tuple, places))
    quads = {
        (1, 0, 0): [(1, 0, 0), (1, 1, 0), (1, 1, 1), (1, 0, 1)],
        (-1, 0, 0): [(0, 0, 0), (0, 0, 1), (0, 1, 1), (0, 1, 0)],
        (0, 1, 0): [(0, 1, 0), (0, 1, 1), (1, 1, 1), (1, 1, 0)],
        (0, -1, 0): [(0, 0, 0), (1, 0, 0), (1, 0, 1), (0, 0, 1)],
        (0, 0, 1): [(0, 0, 1), (1, 0, 1), (1, 1, 1), (0, 1, 1)],
        (0, 0, -1): [(0, 0, 0), (0, 1, 0), (1, 1, 0), (1, 0, 0)],
    }
    index: dict[tuple[int, ...], int] = {}
    faces = []
    for cell in sorted(filled):
        for side, quad in quads.items():
            if tuple(np.add(cell, side)) in filled:
                continue
            a, b, c, d = (index.setdefault(tuple(int(x) for x in np.add(cell, p)), len(index)) for p in quad)
            faces += [(a, b, c), (a, c, d)]
    return np.array(list(index), dtype=np.float64) * 10.0, np.array(faces)


#: Four cubes that wind like a screw: the smallest polycube that differs from its mirror image.
SCREW = cells([(0, 0, 0), (1, 0, 0), (1, 1, 0), (1, 1, 1)])


def mirrored(mesh: Mesh) -> Mesh:
    return mesh[0] * (-1.0, 1.0, 1.0), mesh[1][:, ::-1]


def shuffled(mesh: Mesh, random: np.random.Generator) -> Mesh:
    """The same mesh with vertices and faces in another order and faces begun at another corner."""
    vertices, faces = mesh
    order = random.permutation(len(vertices))
    rank = np.empty(len(order), dtype=int)
    rank[order] = np.arange(len(order))
    faces = rank[faces][random.permutation(len(faces))]
    start = random.integers(0, 3, len(faces))[:, None]
    return vertices[order], faces[np.arange(len(faces))[:, None], (start + np.arange(3)) % 3]


def pose(turn=((1, 0, 0), (0, 1, 0), (0, 0, 1)), at=(0.0, 0.0, 0.0)) -> np.ndarray:
    made = np.eye(4)
    made[:3, :3], made[:3, 3] = turn, at
    return made


def placed(model, part) -> np.ndarray:
    """(n, 3) vertices of a part where the model puts it."""
    return model.shape_by_id[part.shape].vertices @ part.pose[:3, :3].T + part.pose[:3, 3]


def same_points(one: np.ndarray, other: np.ndarray, within: float = 1e-3) -> bool:
    """Whether two sets of points cover each other, order aside."""
    apart = [cKDTree(goal).query(points)[0].max() for points, goal in ((one, other), (other, one))]
    return bool(max(apart) <= within)


# ------------------------------------------------------------------------------------- 3MF


class ThreeMF:
    """A 3MF file in the making, through the reference library."""

    def __init__(self, unit: Any = lib3mf.ModelUnit.MilliMeter) -> None:
        self.wrapper = lib3mf.get_wrapper()
        self.model = self.wrapper.CreateModel()
        self.model.SetUnit(unit)

    def mesh(self, mesh: Mesh, name: str = "") -> Any:
        made = self.model.AddMeshObject()
        made.SetName(name)
        positions = (lib3mf.Position * len(mesh[0]))()
        triangles = (lib3mf.Triangle * len(mesh[1]))()
        for target, values in ((positions, np.float32(mesh[0])), (triangles, np.uint32(mesh[1]))):
            values = np.ascontiguousarray(values)
            ctypes.memmove(ctypes.addressof(target), values.ctypes.data, values.nbytes)
        made.SetGeometry(positions, triangles)
        return made

    def group(self, members, name: str = "") -> Any:
        made = self.model.AddComponentsObject()
        made.SetName(name)
        for member, where in members:
            made.AddComponent(member, self.transform(where))
        return made

    def item(self, what: Any, where=None, number: str = "") -> Any:
        made = self.model.AddBuildItem(what, self.transform(np.eye(4) if where is None else where))
        made.SetPartNumber(number)
        return made

    def transform(self, where) -> Any:
        made = self.wrapper.GetIdentityTransform()
        for column in range(4):
            for axis in range(3):
                made.Fields[column][axis] = where[axis][column]
        return made

    def write(self, path: Path) -> Path:
        before = locale.setlocale(locale.LC_ALL)
        self.model.QueryWriter("3mf").WriteToFile(str(path))
        locale.setlocale(locale.LC_ALL, before)  # the writer leaves that of C, and text files would be ASCII
        return path


def mesh_xml(mesh: Mesh) -> str:
    points = "".join(f'<vertex x="{x}" y="{y}" z="{z}"/>' for x, y, z in mesh[0])
    faces = "".join(f'<triangle v1="{a}" v2="{b}" v3="{c}"/>' for a, b, c in mesh[1])
    return f"<mesh><vertices>{points}</vertices><triangles>{faces}</triangles></mesh>"


def model_xml(resources: str, build: str, *, prolog: str = "", attributes: str = 'unit="millimeter"') -> str:
    return (
        f'<?xml version="1.0" encoding="UTF-8"?>{prolog}<model {attributes} xml:lang="en-US" xmlns="{CORE}" '
        f'xmlns:p="{PRODUCTION}"><resources>{resources}</resources><build>{build}</build></model>'
    )


def package(path: Path, root: str, others: dict[str, str] | None = None) -> Path:
    """A 3MF package by hand from the XML of its root model part and of other model parts."""
    others = others or {}
    kind = "http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"
    known = "application/vnd"
    spaces = "http://schemas.openxmlformats.org/package/2006"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr(
            "[Content_Types].xml",
            f'<?xml version="1.0"?><Types xmlns="{spaces}/content-types">'
            f'<Default Extension="rels" ContentType="{known}.openxmlformats-package.relationships+xml"/>'
            f'<Default Extension="model" ContentType="{known}.ms-package.3dmanufacturing-3dmodel+xml"/>'
            "</Types>",
        )
        archive.writestr("_rels/.rels", _rels(spaces, {f"/{MODEL_PATH}": kind}))
        archive.writestr(MODEL_PATH, root)
        if others:
            archive.writestr(
                "3D/_rels/3dmodel.model.rels",
                _rels(spaces, dict.fromkeys((f"/{name}" for name in others), kind)),
            )
        for name, text in others.items():
            archive.writestr(name, text)
    return path


def _rels(spaces: str, targets: dict[str, str]) -> str:
    rows = "".join(
        f'<Relationship Target="{target}" Id="rel{row}" Type="{kind}"/>'
        for row, (target, kind) in enumerate(targets.items())
    )
    return f'<?xml version="1.0"?><Relationships xmlns="{spaces}/relationships">{rows}</Relationships>'


# ------------------------------------------------------------------------------------ glTF


class Gltf:
    """A glTF document in the making, by hand from the specification."""

    def __init__(self) -> None:
        self.data = b""
        self.document: dict[str, Any] = {
            "asset": {"version": "2.0"},
            "scene": 0,
            "scenes": [{"nodes": []}],
            "nodes": [],
            "meshes": [],
            "materials": [],
            "accessors": [],
            "bufferViews": [],
            "buffers": [],
        }

    def accessor(self, values, number: int = 5126, kind: str = "VEC3", **more: Any) -> int:
        types = {5126: "<f4", 5125: "<u4", 5123: "<u2", 5122: "<i2", 5121: "<u1"}
        values = np.asarray(values, dtype=types[number])
        self.document["bufferViews"].append(
            {"buffer": 0, "byteOffset": len(self.data), "byteLength": values.nbytes}
        )
        self.data += values.tobytes() + b"\x00" * (-values.nbytes % 4)
        view = len(self.document["bufferViews"]) - 1
        count = values.size if kind == "SCALAR" else len(values)
        self.document["accessors"].append(
            {"bufferView": view, "componentType": number, "count": count, "type": kind, **more}
        )
        return len(self.document["accessors"]) - 1

    def primitive(self, mesh: Mesh, material: int | None = None, **attributes: int) -> dict[str, Any]:
        made: dict[str, Any] = {
            "attributes": {"POSITION": self.accessor(mesh[0]), **attributes},
            "indices": self.accessor(mesh[1].reshape(-1), 5125, "SCALAR"),
        }
        return made if material is None else made | {"material": material}

    def mesh(self, *primitives: dict[str, Any], name: str = "") -> int:
        self.document["meshes"].append({"name": name, "primitives": list(primitives)})
        return len(self.document["meshes"]) - 1

    def node(self, *, root: bool = True, **fields: Any) -> int:
        self.document["nodes"].append(fields)
        row = len(self.document["nodes"]) - 1
        if root:
            self.document["scenes"][0]["nodes"].append(row)
        return row

    def write(self, path: Path) -> Path:
        self.document["buffers"] = [{"byteLength": len(self.data)}]
        used = {key: value for key, value in self.document.items() if value != []}
        text = json.dumps(used).encode()
        text += b" " * (-len(text) % 4)
        body = struct.pack("<I", len(text)) + b"JSON" + text
        body += struct.pack("<I", len(self.data)) + b"BIN\x00" + self.data
        path.write_bytes(b"glTF" + struct.pack("<II", 2, 12 + len(body)) + body)
        return path


# ------------------------------------------------------------------------------------- STL


def binary_stl(path: Path, *meshes: Mesh) -> Path:
    """All meshes in one binary STL, one after the other."""
    corners = np.concatenate([vertices[faces] for vertices, faces in meshes])
    rows = np.zeros(len(corners), dtype=[("n", "<f4", 3), ("c", "<f4", (3, 3)), ("a", "<u2")])
    rows["c"] = corners
    path.write_bytes(b"\x00" * 80 + struct.pack("<I", len(rows)) + rows.tobytes())
    return path


def text_stl(path: Path, **meshes: Mesh) -> Path:
    """A text STL with a named solid per mesh."""
    lines = []
    for name, (vertices, faces) in meshes.items():
        lines.append(f"solid {name}")
        for face in vertices[faces]:
            lines += ["facet normal 0 0 0", "outer loop"]
            lines += [f"vertex {x!r} {y!r} {z!r}" for x, y, z in face.tolist()]
            lines += ["endloop", "endfacet"]
        lines.append(f"endsolid {name}")
    path.write_text("\n".join(lines) + "\n")
    return path
