"""A made model as a file of any format that the product reads, or straight as its ``Model``."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np

from demo_model.scene import DemoModel
from demo_model.write import write_3mf, write_glb, write_stl_folder
from steps.intake.colours import name_colours
from steps.model import Model, Part, Shape
from tests.models.value import Array, Made


def model_of(made: Made | DemoModel, scale: float = 1.0) -> Model:
    """The model as the intake would read it, without a file between; ``scale`` as in the settings."""
    used = list(dict.fromkeys(part.solid_key for part in made.placed))
    ids = {key: f"S{row}" for row, key in enumerate(used, 1)}
    shapes = tuple(
        Shape(ids[key], made.solids[key].vertices * scale, made.solids[key].faces, True, key) for key in used
    )
    parts, words = [], name_colours(part.colour for part in made.placed)
    for row, part in enumerate(made.placed, 1):
        pose = part.pose.copy()
        pose[:3, 3] *= scale
        shown = words[part.colour]
        parts.append(Part(f"P{row}", part.name, ids[part.solid_key], part.colour, shown, pose))
    return Model(made.name, f"{made.name}.3mf", "0" * 64, scale, shapes, tuple(parts))


def write(made: Made, path: Path) -> None:
    """Write by the suffix: .3mf, .glb, .obj (a group per part), .stl (all in one), or a folder of STL."""
    if path.suffix == ".3mf":
        write_3mf(made.demo, path)
    elif path.suffix == ".glb":
        write_glb(made.demo, path)
    elif path.suffix == ".obj":
        path.write_text("".join(_obj_lines(made)), encoding="utf-8")
    elif path.suffix == ".stl":
        path.write_bytes(_stl(made))
    elif path.suffix == "":
        write_stl_folder(made.demo, path)
    else:
        raise ValueError(f"{path.name}: no writer for {path.suffix}")


def placed_vertices(made: Made, name: str) -> Array:
    """(n, 3) vertices of a part where it stands, mm."""
    part = made.part_by_name[name]
    return made.solids[part.solid_key].vertices @ part.pose[:3, :3].T + part.pose[:3, 3]


def _obj_lines(made: Made) -> list[str]:
    lines, first = [], 1
    for part in made.placed:
        corners = placed_vertices(made, part.name)
        lines.append(f"o {part.name}\n")
        lines += [f"v {x:.7f} {y:.7f} {z:.7f}\n" for x, y, z in corners]
        lines += [f"f {a} {b} {c}\n" for a, b, c in made.solids[part.solid_key].faces + first]
        first += len(corners)
    return lines


def _stl(made: Made) -> bytes:
    corners = np.concatenate(
        [placed_vertices(made, part.name)[made.solids[part.solid_key].faces] for part in made.placed]
    )
    rows = np.zeros(len(corners), dtype=[("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("more", "<u2")])
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    rows["normal"] = normals / np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-300)
    rows["corners"] = corners
    return b"models".ljust(80) + struct.pack("<I", len(rows)) + rows.tobytes()
