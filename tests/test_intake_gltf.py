"""glTF and GLB: the scene graph by the standard, instances, colours, units, and documents that lie."""

from __future__ import annotations

import json
import os
import struct
from pathlib import Path

import numpy as np
import pytest
import trimesh
from scipy.spatial.transform import Rotation

from demo_model.beacon import beacon
from demo_model.write import write_glb
from steps.errors import UnreadableInput
from steps.intake import read_model
from steps.intake.gltf import read_gltf
from steps.settings import Settings
from tests.intake_files import SCREW, Gltf, box, placed, same_points

PLAIN = Settings()
#: By hand: the standard's x, y (up), z in metres are x, -z, y here in millimetres.
TO_MM_Z_UP = 1000 * np.array([[1, 0, 0], [0, 0, -1], [0, 1, 0]])


def metres(mesh):
    return mesh[0] / 1000, mesh[1]


def test_nodes_compose_and_y_becomes_z(tmp_path):
    file = Gltf()
    mesh = file.mesh(file.primitive(metres(SCREW)), name="screw")
    turn = Rotation.from_rotvec([0.3, -0.5, 0.7])
    leaf = file.node(root=False, mesh=mesh, name="leaf", translation=[0.01, 0.02, 0.03])
    lift = np.eye(4)
    lift[:3, 3] = [0, 0.1, 0]
    mid = file.node(root=False, name="mid", children=[leaf], rotation=turn.as_quat().tolist())
    file.node(name="top", children=[mid], matrix=lift.T.reshape(-1).tolist())
    model = read_model(file.write(tmp_path / "n.glb"), PLAIN)
    want = np.add(turn.apply(SCREW[0] / 1000 + (0.01, 0.02, 0.03)), (0, 0.1, 0))
    (part,) = model.parts
    assert part.source == "leaf"
    assert same_points(placed(model, part), want @ TO_MM_Z_UP.T)
    assert np.linalg.det(part.pose[:3, :3]) == pytest.approx(1)
    assert model.problems == ()


def test_one_mesh_many_nodes_is_one_shape_and_names_repeat(tmp_path):
    file = Gltf()
    mesh = file.mesh(file.primitive(metres(box())), name="stone")
    for row, name in enumerate(["a", "a", "", "a#2"]):
        file.node(mesh=mesh, name=name, translation=[row / 10, 0, 0])
    model = read_model(file.write(tmp_path / "i.glb"), PLAIN)
    assert len(model.shapes) == 1
    assert [part.source for part in model.parts] == ["a", "a#3", "stone", "a#2"]
    np.testing.assert_allclose([part.pose[0, 3] for part in model.parts], [0, 100, 200, 300], atol=1e-4)


def test_gpu_instances_are_parts(tmp_path):
    file = Gltf()
    mesh = file.mesh(file.primitive(metres(box())))
    where = file.accessor([[0, 0, 0], [0.1, 0, 0], [0, 0.2, 0]])
    extension = {"EXT_mesh_gpu_instancing": {"attributes": {"TRANSLATION": where}}}
    file.node(mesh=mesh, name="pile", extensions=extension)
    file.document["extensionsRequired"] = ["EXT_mesh_gpu_instancing"]
    model = read_model(file.write(tmp_path / "g.glb"), PLAIN)
    shifts = [part.pose[:3, 3].tolist() for part in model.parts]
    np.testing.assert_allclose(shifts, [[0, 0, 0], [100, 0, 0], [0, 0, 200]], atol=1e-4)


def test_several_materials_in_a_mesh_are_one_part_in_the_colour_with_most_area(tmp_path):
    file = Gltf()
    linear = [0.2140411, 0.0, 1.0, 1.0]  # sRGB 127.5, 0, 255 by IEC 61966-2-1
    file.document["materials"] = [
        {"pbrMetallicRoughness": {"baseColorFactor": [1, 1, 1, 1]}},
        {"pbrMetallicRoughness": {"baseColorFactor": linear}},
    ]
    small, large = box((10, 10, 5)), box((40, 40, 10), (0, 0, 5))
    mesh = file.mesh(file.primitive(metres(small), 0), file.primitive(metres(large), 1))
    file.node(mesh=mesh)
    model = read_model(file.write(tmp_path / "m.glb"), PLAIN)
    assert [part.colour for part in model.parts] in (["#7f00ff"], ["#8000ff"])
    np.testing.assert_allclose(model.shapes[0].size_mm, [40, 40, 15], atol=1e-4)


@pytest.mark.parametrize("generator", ["", "https://github.com/mikedh/trimesh"])
def test_factors_are_linear_whoever_wrote_them(tmp_path, generator):
    """glTF 2.0, section 3.9.2; linear 0.2158605 is sRGB 128 by IEC 61966-2-1."""
    file = Gltf()
    file.document["asset"]["generator"] = generator
    file.document["materials"] = [{"pbrMetallicRoughness": {"baseColorFactor": [0.2158605, 0.0, 1.0, 1.0]}}]
    file.node(mesh=file.mesh(file.primitive(metres(box()), 0)))
    assert read_model(file.write(tmp_path / "l.glb"), PLAIN).parts[0].colour == "#8000ff"


def test_corner_colours(tmp_path):
    file = Gltf()
    vertices, faces = metres(box())
    colours = file.accessor(np.tile([255, 255, 255, 255], (8, 1)), 5121, "VEC4", normalized=True)
    file.node(mesh=file.mesh(file.primitive((vertices, faces), COLOR_0=colours)))
    assert read_model(file.write(tmp_path / "v.glb"), PLAIN).parts[0].colour == "#ffffff"


def test_millimetres_are_noticed_and_said(tmp_path):
    file = Gltf()
    file.node(mesh=file.mesh(file.primitive(box((10, 20, 40)))))
    model = read_model(file.write(tmp_path / "mm.glb"), PLAIN)
    assert [problem.code for problem in model.problems] == ["gltf-in-millimetres"]
    assert "40" in model.problems[0].text
    np.testing.assert_allclose(np.sort(model.shapes[0].size_mm), [10, 20, 40])


def test_mirrored_node_gives_a_mirrored_mesh_and_a_note(tmp_path):
    file = Gltf()
    mesh = file.mesh(file.primitive(metres(SCREW)))
    file.node(mesh=mesh, name="left")
    file.node(mesh=mesh, name="right", scale=[-1, 1, 1], translation=[0.2, 0, 0])
    model = read_model(file.write(tmp_path / "x.glb"), PLAIN)
    assert len(model.shapes) == 2
    right = model.parts[1]
    assert same_points(placed(model, right), (SCREW[0] / 1000 * [-1, 1, 1] + [0.2, 0, 0]) @ TO_MM_Z_UP.T)
    assert np.linalg.det(right.pose[:3, :3]) == pytest.approx(1)
    assert [(problem.code, problem.parts) for problem in model.problems] == [("mirrored", (right.id,))]
    for shape in model.shapes:
        assert trimesh.Trimesh(shape.vertices, shape.faces).volume == pytest.approx(4000, rel=1e-5)


def test_stretched_node_is_another_shape(tmp_path):
    file = Gltf()
    mesh = file.mesh(file.primitive(metres(box((10, 10, 10)))))
    for row, size in enumerate([1, 1, 2]):
        file.node(mesh=mesh, scale=[size, 1, 1], translation=[row / 10, 0, 0])
    model = read_model(file.write(tmp_path / "s.glb"), PLAIN)
    assert [part.shape for part in model.parts] == ["S1", "S1", "S2"]
    np.testing.assert_allclose(model.shapes[1].size_mm, [20, 10, 10], atol=1e-4)


def test_quantised_positions_and_strips(tmp_path):
    file = Gltf()
    file.document["extensionsRequired"] = ["KHR_mesh_quantization"]
    corners = file.accessor([[0, 0, 0], [40, 0, 0], [0, 40, 0], [0, 0, 40]], 5122)
    # a strip winds 0 2 1, 1 2 3, 1 3 0, 0 3 2: the four sides of the tetrahedron, seen from outside
    order = file.accessor([0, 2, 1, 3, 0, 2], 5123, "SCALAR")
    primitive = {"attributes": {"POSITION": corners}, "indices": order, "mode": 5}
    file.node(mesh=file.mesh(primitive), scale=[0.001, 0.001, 0.001])
    (mesh,) = read_gltf(file.write(tmp_path / "q.glb")).meshes
    assert trimesh.Trimesh(mesh.vertices, mesh.faces, process=False).volume == pytest.approx(40**3 / 6)
    model = read_model(tmp_path / "q.glb", PLAIN)
    assert model.shapes[0].watertight
    assert trimesh.Trimesh(model.shapes[0].vertices, model.shapes[0].faces).volume == pytest.approx(40**3 / 6)


def test_text_document_with_its_data_beside_it(tmp_path):
    file = Gltf()
    file.node(mesh=file.mesh(file.primitive(metres(box()))))
    document = file.document | {"buffers": [{"uri": "my%20data.bin", "byteLength": len(file.data)}]}
    (tmp_path / "t.gltf").write_text(json.dumps({k: v for k, v in document.items() if v != []}))
    with pytest.raises(UnreadableInput, match=r"my%20data\.bin.*cannot be read"):
        read_model(tmp_path / "t.gltf", PLAIN)
    (tmp_path / "my data.bin").write_bytes(file.data)
    np.testing.assert_allclose(
        read_model(tmp_path / "t.gltf", PLAIN).shapes[0].size_mm, [10, 20, 30], atol=1e-4
    )


@pytest.mark.parametrize("uri", ["../secret.bin", "/etc/passwd", "file:///etc/passwd", "http://a.b/c.bin"])
def test_nothing_outside_the_folder_is_opened(tmp_path, uri):
    inner = tmp_path / "inner"
    inner.mkdir()
    (tmp_path / "secret.bin").write_bytes(b"x" * 10_000)
    file = Gltf()
    file.node(mesh=file.mesh(file.primitive(metres(box()))))
    document = file.document | {"buffers": [{"uri": uri, "byteLength": len(file.data)}]}
    (inner / "t.gltf").write_text(json.dumps({k: v for k, v in document.items() if v != []}))
    with pytest.raises(UnreadableInput, match="outside its own folder"):
        read_model(inner / "t.gltf", PLAIN)


def lie_count(document):
    document["accessors"][0]["count"] = 10**12


def lie_short(document):
    document["accessors"][0]["count"] = 10**6


def lie_index(document):
    document["accessors"][1].update(bufferView=0, byteOffset=12, count=3)


def lie_ring(document):
    document["nodes"][0]["children"] = [0]


def lie_negative(document):
    document["bufferViews"][0]["byteOffset"] = -8


def lie_nothing(document):
    document["meshes"][0]["primitives"][0]["attributes"]["POSITION"] = 99


def lie_copies(document):
    mesh = {"primitives": [document["meshes"][0]["primitives"][0]]}
    document["accessors"][0] = {"componentType": 5126, "type": "VEC3", "count": 15_000}
    document["meshes"] = [mesh, mesh]
    document["nodes"] = [{"mesh": 0}, {"mesh": 1}]
    document["scenes"] = [{"nodes": [0, 1]}]


def lie_kind(document):
    document["nodes"] = "none"


def lie_draco(document):
    document["extensionsRequired"] = ["KHR_draco_mesh_compression"]


@pytest.mark.parametrize(
    "lie",
    [lie_count, lie_short, lie_index, lie_ring, lie_negative, lie_nothing, lie_copies, lie_kind, lie_draco],
)
def test_documents_that_lie_get_a_clear_error(tmp_path, lie):
    file = Gltf()
    file.node(mesh=file.mesh(file.primitive(metres(box()))))
    lie(file.document)
    with pytest.raises(UnreadableInput, match=r"lie\.glb: .*(Export it again|Export less|forbids)"):
        read_model(file.write(tmp_path / "lie.glb"), Settings(limits={"triangles": 5_000}))


def test_cut_short_anywhere_is_an_error(tmp_path):
    file = Gltf()
    file.node(mesh=file.mesh(file.primitive(metres(box()))))
    data = file.write(tmp_path / "w.glb").read_bytes()
    for end in (1, 4, 11, 19, 40, len(data) // 2, len(data) - 1):
        (tmp_path / "cut.glb").write_bytes(data[:end])
        with pytest.raises(UnreadableInput, match=r"cut\.glb"):
            read_model(tmp_path / "cut.glb", PLAIN)


def test_demo_model_reads_as_trimesh_reads_it(tmp_path):
    demo = beacon()
    path = Path(tmp_path / "b.glb")
    write_glb(demo, path)
    model = read_model(path, PLAIN)
    scene = trimesh.load_scene(path)
    assert sorted(part.source for part in model.parts) == sorted(scene.graph.nodes_geometry)
    for part in model.parts:
        transform, geometry = scene.graph[part.source]
        world = trimesh.transform_points(scene.geometry[geometry].vertices, transform)
        assert same_points(placed(model, part), world @ TO_MM_Z_UP.T)
    assert {part.source: part.colour for part in model.parts} == {p.name: p.colour for p in demo.placed}


@pytest.mark.parametrize("asset", [{}, {"version": "1.0"}, {"version": "3.1"}, {"version": 2}])
def test_another_version_of_the_document_is_refused(asset, tmp_path):
    """glTF 2.0 specification, 3.2: asset.version names the version the document targets, and is required."""
    path = tmp_path / "one.gltf"
    path.write_text(json.dumps({"asset": asset, "scenes": [{"nodes": []}]}))
    with pytest.raises(UnreadableInput, match=r"asset\.version"):
        read_gltf(path)


def test_a_chunk_that_is_not_aligned_is_read_with_a_note(tmp_path):
    file = Gltf()
    file.node(mesh=file.mesh(file.primitive(metres(box()))))
    data = file.write(tmp_path / "m.glb").read_bytes()
    size = int.from_bytes(data[12:16], "little")
    text = data[20 : 20 + size].rstrip()
    text += b" " * (3 - len(text) % 4)  # never a multiple of four
    body = struct.pack("<I", len(text)) + b"JSON" + text + data[20 + size :]
    (tmp_path / "odd.glb").write_bytes(b"glTF" + struct.pack("<II", 2, 12 + len(body)) + body)
    odd, even = (read_model(tmp_path / name, PLAIN) for name in ("odd.glb", "m.glb"))
    assert [problem.code for problem in odd.problems] == ["lenient-gltf"]
    np.testing.assert_array_equal(odd.shapes[0].vertices, even.shapes[0].vertices)


@pytest.mark.parametrize(
    "asset", [{"version": "2.0", "minVersion": "2.1"}, {"version": "1.0"}, {"version": 2}, {}]
)
def test_a_version_that_is_not_2_is_refused(tmp_path, asset):
    file = Gltf()
    file.node(mesh=file.mesh(file.primitive(metres(box()))))
    file.document["asset"] = asset
    with pytest.raises(UnreadableInput, match=r"asset\.(version|minVersion)"):
        read_model(file.write(tmp_path / "m.glb"), PLAIN)


@pytest.mark.parametrize("uri", ["a\x00b", "x" * 5000, "pipe"])
def test_a_buffer_that_no_file_can_be(tmp_path, uri):
    os.mkfifo(tmp_path / "pipe")
    file = Gltf()
    file.node(mesh=file.mesh(file.primitive(metres(box()))))
    document = file.document | {"buffers": [{"byteLength": len(file.data), "uri": uri}]}
    (tmp_path / "m.gltf").write_text(
        json.dumps({key: value for key, value in document.items() if value != []})
    )
    with pytest.raises(UnreadableInput, match=r"cannot be read|no ordinary file"):
        read_model(tmp_path / "m.gltf", PLAIN)
