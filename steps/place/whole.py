"""The whole of a build as one file: 3MF or GLB."""

from __future__ import annotations

from typing import Any

import numpy as np
import trimesh

from steps.model import Model, Part
from steps.prints.threemf import PrintObject, packed_mesh, print_3mf

#: glTF counts in metres with Y up; the model in millimetres with Z up.
METRES_PER_MM = 1e-3


def whole_3mf(model: Model) -> bytes:
    """The placed model, each mesh once per colour, part numbers the parts' names."""
    meshes = {shape.id: packed_mesh(shape.vertices, shape.faces) for shape in model.shapes}
    objects = []
    for (shape, colour), parts in _alike(model).items():
        copies = tuple((part.source, part.pose) for part in parts)
        name = model.shape_by_id[shape].source or shape
        objects.append(PrintObject(name, meshes[shape], colour, str(parts[0].colour_name), copies))
    return print_3mf(model.name, objects)


def whole_glb(model: Model) -> bytes:
    """The placed model as binary glTF: a node per part, named as the part."""
    scene = trimesh.Scene(base_frame="world")
    up = np.eye(4)
    up[:3, :3] = [[1, 0, 0], [0, 0, 1], [0, -1, 0]]
    scene.graph.update(frame_from="world", frame_to="z up", matrix=up)
    for (shape, colour), parts in _alike(model).items():
        mesh = trimesh.Trimesh(
            model.shape_by_id[shape].vertices * METRES_PER_MM, model.shape_by_id[shape].faces, process=False
        )
        mesh.visual = trimesh.visual.TextureVisuals(material=_material(colour, str(parts[0].colour_name)))
        for row, part in enumerate(parts):
            pose = part.pose.copy()
            pose[:3, 3] *= METRES_PER_MM
            key = f"{shape} {colour}"
            if row == 0:
                scene.add_geometry(
                    mesh, geom_name=key, node_name=part.source, parent_node_name="z up", transform=pose
                )
            else:
                scene.graph.update(frame_from="z up", frame_to=part.source, matrix=pose, geometry=key)
    return bytes(scene.export(file_type="glb", tree_postprocessor=_in_linear_light))


def _material(colour: str, name: str) -> trimesh.visual.material.PBRMaterial:
    encoded = [int(colour[k : k + 2], 16) for k in (1, 3, 5)] + [255]
    return trimesh.visual.material.PBRMaterial(
        name=name, baseColorFactor=encoded, metallicFactor=0.0, roughnessFactor=0.8
    )


def _in_linear_light(document: dict[str, Any]) -> None:
    """Colours as glTF 2.0 asks for them (3.9.2, by IEC 61966-2-1); trimesh writes them as they are."""
    for material in document["materials"]:
        physical = material["pbrMetallicRoughness"]
        *encoded, alpha = np.array(physical["baseColorFactor"])
        shades = np.array(encoded)
        linear = np.where(shades <= 0.04045, shades / 12.92, ((shades + 0.055) / 1.055) ** 2.4)
        physical["baseColorFactor"] = [*linear.tolist(), float(alpha)]


def _alike(model: Model) -> dict[tuple[str, str], list[Part]]:
    found: dict[tuple[str, str], list[Part]] = {}
    for part in model.parts:
        found.setdefault((part.shape, part.colour), []).append(part)
    return found
