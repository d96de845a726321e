"""Demo files: read back by other means than they were written, they are the model again."""

from __future__ import annotations

import csv
import io
import json
import zipfile
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import lib3mf
import numpy as np
import pytest
import trimesh
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from demo_model.beacon import beacon
from demo_model.scene import DemoModel
from demo_model.seawall import sea_wall
from demo_model.solids import Module
from demo_model.tug import tug
from demo_model.write import write_3mf, write_glb, write_stl_folder

#: Files hold single precision: 7 digits of 450 mm, times a few roundings.
PLACE_MM = 2e-3

MODELS = {
    "tug": tug(Module(facets=16)),
    "big tug": tug(Module(facets=16, scale=4)),
    "beacon": beacon(),
    "wall": sea_wall(64, Module(facets=8)),
}


def fingerprints(placed: list[tuple[str, trimesh.Trimesh]]) -> list[tuple[Any, ...]]:
    """What tells placed meshes apart: colour, volume, middle and box, in a stable order."""
    rows = []
    for colour, mesh in placed:
        numbers = np.concatenate([[mesh.volume ** (1 / 3)], mesh.center_mass, mesh.bounds.ravel()])
        rows.append((colour, numbers))
    return sorted(rows, key=lambda row: (row[0], *np.round(row[1], 1)))


def expected(model: DemoModel) -> list[tuple[Any, ...]]:
    meshes = {
        key: trimesh.Trimesh(solid.vertices, solid.faces, process=False)
        for key, solid in model.solids.items()
    }
    return fingerprints(
        [(part.colour, meshes[part.solid_key].copy().apply_transform(part.pose)) for part in model.placed]
    )


def assert_alike(got: list[tuple[Any, ...]], want: list[tuple[Any, ...]]) -> None:
    assert [row[0] for row in got] == [row[0] for row in want]
    np.testing.assert_allclose([row[1] for row in got], [row[1] for row in want], atol=PLACE_MM)


def read_by_lib3mf(path: Path) -> tuple[list[tuple[str, trimesh.Trimesh]], list[str]]:
    """Every mesh instance with its colour, nested components followed, and the items' part numbers."""
    wrapper = lib3mf.get_wrapper()
    document = wrapper.CreateModel()
    reader = document.QueryReader("3mf")
    reader.SetStrictModeActive(True)
    reader.ReadFromFile(str(path))
    assert reader.GetWarningCount() == 0
    assert document.GetUnit() == lib3mf.ModelUnit.MilliMeter
    found, numbers = [], []
    for item in _each(document.GetBuildItems(), "GetCurrent"):
        numbers.append(item.GetPartNumber())
        found += _instances(document, item.GetObjectResource(), _pose(item.GetObjectTransform()))
    return found, numbers


def _each(iterator: Any, get: str) -> Iterator[Any]:
    while iterator.MoveNext():
        yield getattr(iterator, get)()


def _pose(transform: Any) -> NDArray[np.float64]:
    pose = np.eye(4)
    pose[:3] = np.array([list(column) for column in transform.Fields]).T
    return pose


def _instances(document: Any, what: Any, pose: NDArray[np.float64]) -> list[tuple[str, trimesh.Trimesh]]:
    if what.IsComponentsObject():
        whole = document.GetComponentsObjectByID(what.GetResourceID())
        parts = [whole.GetComponent(k) for k in range(whole.GetComponentCount())]
        return [
            one
            for part in parts
            for one in _instances(document, part.GetObjectResource(), pose @ _pose(part.GetTransform()))
        ]
    mesh = document.GetMeshObjectByID(what.GetResourceID())
    assert mesh.IsManifoldAndOriented()
    vertices = np.array([list(vertex.Coordinates) for vertex in mesh.GetVertices()])
    faces = np.array([list(triangle.Indices) for triangle in mesh.GetTriangleIndices()])
    group, material, _ = mesh.GetObjectLevelProperty()
    colour = document.GetBaseMaterialGroupByID(group).GetDisplayColor(material)
    hexed = f"#{colour.Red:02x}{colour.Green:02x}{colour.Blue:02x}"
    return [(hexed, trimesh.Trimesh(vertices, faces, process=False).apply_transform(pose))]


@pytest.mark.parametrize("key", MODELS)
def test_3mf_read_by_lib3mf_is_the_model(key: str, tmp_path: Path) -> None:
    model = MODELS[key]
    write_3mf(model, tmp_path / "model.3mf")
    placed, numbers = read_by_lib3mf(tmp_path / "model.3mf")
    assert_alike(fingerprints(placed), expected(model))
    grouped = {name for group in model.groups for copy in group.copies for name in copy}
    alone = [part.name for part in model.placed if part.name not in grouped]
    items = [f"{group.name} {k}" for group in model.groups for k in range(1, len(group.copies) + 1)]
    assert Counter(numbers) == Counter(alone + items)


@pytest.mark.parametrize("key", ["beacon", "wall"])
def test_3mf_read_by_trimesh_is_the_model_but_for_colours(key: str, tmp_path: Path) -> None:
    """trimesh's reader drops colours, so it is only asked about models and places."""
    write_3mf(MODELS[key], tmp_path / "model.3mf")
    scene = trimesh.load(tmp_path / "model.3mf")
    got = fingerprints([("", mesh) for mesh in scene.dump()])
    want = fingerprints([("", mesh) for mesh in _placed(MODELS[key])])
    assert_alike(got, want)


def _placed(model: DemoModel) -> list[trimesh.Trimesh]:
    meshes = {
        key: trimesh.Trimesh(solid.vertices, solid.faces, process=False)
        for key, solid in model.solids.items()
    }
    return [meshes[part.solid_key].copy().apply_transform(part.pose) for part in model.placed]


def test_3mf_holds_each_mesh_once_and_nests_the_repeated_group(tmp_path: Path) -> None:
    model = MODELS["tug"]
    write_3mf(model, tmp_path / "model.3mf")
    text = zipfile.ZipFile(tmp_path / "model.3mf").read("3D/3dmodel.model").decode()
    assert text.count("<mesh>") == len({(part.solid_key, part.colour) for part in model.placed})
    funnel = len(model.groups[0].copies[0])
    assert text.count("<component ") == 2 * funnel
    assert 'name="funnel"' in text and text.count("<item ") == len(model.placed) - 2 * funnel + 2


def glb_document(path: Path) -> dict[str, Any]:
    """The JSON of a GLB: its first chunk (glTF 2.0 specification, section 4.4)."""
    data = path.read_bytes()
    return json.loads(data[20 : 20 + int.from_bytes(data[12:16], "little")])


def glb_colours(path: Path) -> dict[str, str]:
    """The colour of each mesh, from its material's linear factor (glTF 2.0, section 3.9.2)."""
    document = glb_document(path)
    found = {}
    for mesh in document["meshes"]:
        material = document["materials"][mesh["primitives"][0]["material"]]
        linear = np.array(material["pbrMetallicRoughness"]["baseColorFactor"][:3])
        encoded = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
        found[mesh["name"]] = "#" + "".join(f"{round(255 * float(shade)):02x}" for shade in encoded)
    return found


def test_glb_names_its_generator_and_holds_linear_light(tmp_path: Path) -> None:
    """Linear light of sRGB #e8a628, to six digits by hand from IEC 61966-2-1: 232, 166, 40 of 255."""
    write_glb(beacon(), tmp_path / "beacon.glb")
    document = glb_document(tmp_path / "beacon.glb")
    assert document["asset"]["generator"] == "Stepleaf demo model"
    (amber,) = (m for m in document["materials"] if m["name"] == "plastic #e8a628")
    factor = amber["pbrMetallicRoughness"]["baseColorFactor"]
    assert factor == pytest.approx([0.806952, 0.381326, 0.021219, 1.0], abs=1e-6)


@pytest.mark.parametrize("key", MODELS)
def test_glb_is_the_model_in_metres_with_y_up(key: str, tmp_path: Path) -> None:
    model = MODELS[key]
    write_glb(model, tmp_path / "model.glb")
    scene = trimesh.load(tmp_path / "model.glb", process=False)
    colours = glb_colours(tmp_path / "model.glb")
    to_mm = np.diag([1e3, 1e3, 1e3, 1.0]) @ [[1, 0, 0, 0], [0, 0, -1, 0], [0, 1, 0, 0], [0, 0, 0, 1]]
    placed = []
    for node in scene.graph.nodes_geometry:
        pose, name = scene.graph[node]
        mesh = scene.geometry[name].copy().apply_transform(to_mm @ pose)
        placed.append((colours[name], mesh))
    assert_alike(fingerprints(placed), expected(model))
    assert set(scene.graph.nodes_geometry) == {part.name for part in model.placed}
    assert len(scene.geometry) == len({(part.solid_key, part.colour) for part in model.placed})


@pytest.mark.parametrize("key", MODELS)
def test_stl_folder_and_table_are_the_model(key: str, tmp_path: Path) -> None:
    """Rotation about x, then y, then z, all fixed axes: composed here from three single rotations."""
    model = MODELS[key]
    write_stl_folder(model, tmp_path)
    rows = list(csv.DictReader(io.StringIO((tmp_path / "placements.csv").read_text())))
    assert list(rows[0]) == ["id", "file", "colour", "x", "y", "z", "rx", "ry", "rz"]
    placed = []
    for row in rows:
        pose = np.eye(4)
        for axis in "xyz":
            pose[:3, :3] = (
                Rotation.from_euler(axis, float(row[f"r{axis}"]), degrees=True).as_matrix() @ pose[:3, :3]
            )
        pose[:3, 3] = [float(row[axis]) for axis in "xyz"]
        placed.append((row["colour"], trimesh.load(tmp_path / row["file"]).apply_transform(pose)))
    assert_alike(fingerprints(placed), expected(model))
    assert [row["id"] for row in rows] == [part.name for part in model.placed]
    assert len(list(tmp_path.glob("*.stl"))) == len(model.solids)


def test_same_model_same_bytes(tmp_path: Path) -> None:
    for name in ("one", "two"):
        model = tug(Module(facets=16))
        write_3mf(model, tmp_path / f"{name}.3mf")
        write_glb(model, tmp_path / f"{name}.glb")
        write_stl_folder(model, tmp_path / name)
    for kind in ("3mf", "glb"):
        assert (tmp_path / f"one.{kind}").read_bytes() == (tmp_path / f"two.{kind}").read_bytes()
    files = sorted(path.name for path in (tmp_path / "one").iterdir())
    assert files == sorted(path.name for path in (tmp_path / "two").iterdir())
    for name in files:
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes()


def test_a_failed_write_leaves_the_old_file_and_no_litter(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "model.3mf"
    write_3mf(beacon(), path)
    before = path.read_bytes()

    def fail(*_: object) -> None:
        raise OSError("no space left")

    monkeypatch.setattr("os.replace", fail)
    with pytest.raises(OSError, match="no space"):
        write_3mf(MODELS["tug"], path)
    assert path.read_bytes() == before and [p.name for p in tmp_path.iterdir()] == ["model.3mf"]
