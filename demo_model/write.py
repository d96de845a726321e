"""Demo models as files: 3MF, GLB, and a folder of STL files with a table of placements.

Same model, same bytes. A file appears whole or not at all.
"""

from __future__ import annotations

import csv
import ctypes
import io
import os
import re
import tempfile
import uuid
from pathlib import Path
from typing import Any

import lib3mf
import numpy as np
import trimesh
from lib3mf import get_wrapper
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from demo_model.scene import Cluster, DemoModel, Placed
from demo_model.solids import Bulk

#: Root of the identifiers that the 3MF production extension asks for; fixed, so that bytes repeat.
NAMESPACE = uuid.uuid5(uuid.NAMESPACE_URL, "https://stepleaf.invalid/demo-model")
#: glTF counts in metres with Y up; the model in millimetres with Z up.
METRES_PER_MM = 1e-3
#: Places and angles in the table are written to this many digits.
TABLE_DIGITS = 9


def write_3mf(model: DemoModel, path: Path) -> None:
    """Write ``model`` as 3MF: one mesh object per solid and colour, one named wrapper per part of a
    group, one components object per group, build items for the rest.

    Units are millimetres. The build item's part number is the part's name; the wrapper objects of a
    group carry its members' names.
    """
    _replace(path, _ThreeMF(model).data())


def write_glb(model: DemoModel, path: Path) -> None:
    """Write ``model`` as binary glTF, metres and Y up: one mesh per solid and colour, a node per part;
    colours in linear light, as the standard asks."""
    scene = trimesh.Scene(base_frame="world")
    up = np.eye(4)
    up[:3, :3] = [[1, 0, 0], [0, 0, 1], [0, -1, 0]]
    scene.graph.update(frame_from="world", frame_to="z up", matrix=up)
    for part in model.placed:
        key = f"{part.solid_key} {part.colour}"
        pose = part.pose.copy()
        pose[:3, 3] *= METRES_PER_MM
        if key not in scene.geometry:
            mesh = _trimesh(model.solids[part.solid_key], METRES_PER_MM)
            mesh.visual = trimesh.visual.TextureVisuals(material=_material(part.colour))
            scene.add_geometry(
                mesh, geom_name=key, node_name=part.name, parent_node_name="z up", transform=pose
            )
        else:
            scene.graph.update(frame_from="z up", frame_to=part.name, matrix=pose, geometry=key)
    _replace(path, bytes(scene.export(file_type="glb", tree_postprocessor=_by_the_standard)))


def write_stl_folder(model: DemoModel, folder: Path) -> None:
    """Write one binary STL per solid and ``placements.csv`` (mm, degrees, about x then y then z)."""
    folder.mkdir(parents=True, exist_ok=True)
    files = {key: f"{_plain(key)}.stl" for key in model.solids}
    for key, solid in model.solids.items():
        _replace(folder / files[key], bytes(trimesh.exchange.stl.export_stl(_trimesh(solid))))
    table = io.StringIO()
    writer = csv.writer(table, lineterminator="\n")
    writer.writerow(["id", "file", "colour", "x", "y", "z", "rx", "ry", "rz"])
    for part in model.placed:
        angles = Rotation.from_matrix(part.pose[:3, :3]).as_euler("xyz", degrees=True)
        numbers = np.concatenate([part.pose[:3, 3], angles]).round(TABLE_DIGITS) + 0.0
        writer.writerow([part.name, files[part.solid_key], part.colour, *(f"{n:.10g}" for n in numbers)])
    _replace(folder / "placements.csv", table.getvalue().encode())


# ------------------------------------------------------------------------------------- 3MF


class _ThreeMF:
    """One 3MF document in the making."""

    def __init__(self, model: DemoModel) -> None:
        self.model = model
        self.wrapper = get_wrapper()
        self.document = self.wrapper.CreateModel()
        self.document.SetUnit(lib3mf.ModelUnit.MilliMeter)
        self.document.SetBuildUUID(_uuid(model.name, "build"))
        self._add_title()
        self.materials = self.document.AddBaseMaterialGroup()
        self.material_of = {colour: self._add_material(colour) for colour in self._colours()}
        self.objects: dict[tuple[str, str], Any] = {}
        self.part_by_name = {part.name: part for part in model.placed}

    def data(self) -> bytes:
        """The whole document."""
        first_of_group = {group.copies[0][0]: group for group in self.model.groups}
        grouped = {name for group in self.model.groups for copy in group.copies for name in copy}
        for part in self.model.placed:
            if part.name in first_of_group:
                self._add_group(first_of_group[part.name])
            elif part.name not in grouped:
                self._add_item(self._mesh_of(part), part.pose, part.name)
        writer = self.document.QueryWriter("3mf")
        return bytes(writer.WriteToBuffer())

    def _add_title(self) -> None:
        self.document.GetMetaDataGroup().AddMetaData("", "Title", self.model.name, "xs:string", True)

    def _colours(self) -> list[str]:
        return list(dict.fromkeys(part.colour for part in self.model.placed))

    def _add_material(self, colour: str) -> int:
        red, green, blue = (int(colour[k : k + 2], 16) for k in (1, 3, 5))
        rgba = self.wrapper.RGBAToColor(red, green, blue, 255)
        return int(self.materials.AddMaterial(f"plastic {colour}", rgba))

    def _mesh_of(self, part: Placed) -> Any:
        key = (part.solid_key, part.colour)
        if key not in self.objects:
            mesh = self.document.AddMeshObject()
            mesh.SetName(self.model.solids[part.solid_key].name)
            mesh.SetUUID(_uuid(self.model.name, "mesh", *key))
            _set_geometry(mesh, self.model.solids[part.solid_key])
            mesh.SetObjectLevelProperty(self.materials.GetResourceID(), self.material_of[part.colour])
            self.objects[key] = mesh
        return self.objects[key]

    def _add_group(self, group: Cluster) -> None:
        meshes = [self._mesh_of(self.part_by_name[name]) for name in group.copies[0]]
        assembly = self._components(group.name)
        for name, member, mesh in zip(group.copies[0], group.members, meshes, strict=True):
            pose = np.linalg.inv(group.poses[0]) @ self.part_by_name[name].pose
            wrapper = self._components(member)
            self._add_component(wrapper, mesh, np.eye(4), member)
            self._add_component(assembly, wrapper, pose, f"{member} place")
        for number, pose in enumerate(group.poses, 1):
            self._add_item(assembly, pose, f"{group.name} {number}")

    def _components(self, name: str) -> Any:
        made = self.document.AddComponentsObject()
        made.SetName(name)
        made.SetUUID(_uuid(self.model.name, "components", name))
        return made

    def _add_component(self, into: Any, what: Any, pose: NDArray[np.float64], name: str) -> None:
        into.AddComponent(what, self._transform(pose)).SetUUID(_uuid(self.model.name, "component", name))

    def _add_item(self, what: Any, pose: NDArray[np.float64], name: str) -> None:
        item = self.document.AddBuildItem(what, self._transform(pose))
        item.SetPartNumber(name)
        item.SetUUID(_uuid(self.model.name, "item", name))

    def _transform(self, pose: NDArray[np.float64]) -> Any:
        transform = self.wrapper.GetIdentityTransform()
        for column in range(4):
            for axis in range(3):
                transform.Fields[column][axis] = pose[axis, column]
        return transform


def _set_geometry(mesh: Any, solid: Bulk) -> None:
    positions = (lib3mf.Position * len(solid.vertices))()
    triangles = (lib3mf.Triangle * len(solid.faces))()
    _fill(positions, np.ascontiguousarray(solid.vertices, dtype=np.float32))
    _fill(triangles, np.ascontiguousarray(solid.faces, dtype=np.uint32))
    mesh.SetGeometry(positions, triangles)


def _fill(target: Any, values: NDArray[Any]) -> None:
    ctypes.memmove(ctypes.addressof(target), values.ctypes.data, values.nbytes)


def _uuid(*names: str) -> str:
    return str(uuid.uuid5(NAMESPACE, "/".join(names)))


# ----------------------------------------------------------------------------------- small


def _trimesh(solid: Bulk, factor: float = 1.0) -> trimesh.Trimesh:
    return trimesh.Trimesh(solid.vertices * factor, solid.faces, process=False)


def _by_the_standard(document: dict[str, Any]) -> None:
    """Name the generator, and turn base colours from sRGB to linear light (IEC 61966-2-1)."""
    document["asset"]["generator"] = "Stepleaf demo model"
    for material in document["materials"]:
        physical = material["pbrMetallicRoughness"]
        *encoded, alpha = np.array(physical["baseColorFactor"])
        shades = np.array(encoded)
        linear = np.where(shades <= 0.04045, shades / 12.92, ((shades + 0.055) / 1.055) ** 2.4)
        physical["baseColorFactor"] = [*linear.tolist(), float(alpha)]


def _material(colour: str) -> trimesh.visual.material.PBRMaterial:
    rgba = [int(colour[k : k + 2], 16) for k in (1, 3, 5)] + [255]
    return trimesh.visual.material.PBRMaterial(
        name=f"plastic {colour}", baseColorFactor=rgba, metallicFactor=0.0, roughnessFactor=0.8
    )


def _plain(name: str) -> str:
    """A file name that any system takes."""
    return re.sub(r"[^a-z0-9]+", "-", name.lower().replace(" x ", "x")).strip("-")


def _replace(path: Path, data: bytes) -> None:
    """Write beside ``path``, then move into place: a reader never sees half a file."""
    handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
        os.chmod(temporary, 0o644)
        os.replace(temporary, path)
    except BaseException:
        os.unlink(temporary)
        raise
