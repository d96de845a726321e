"""OBJ: parts by object or group, never by material; polygons with dents; faults named by line."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from steps.errors import FaultyModel, UnreadableInput
from steps.intake import read_model
from steps.intake.obj import read_obj
from steps.settings import Settings
from tests.intake_files import SCREW, box, placed, same_points

PLAIN = Settings()


def write(path, *lines):
    path.write_text("\n".join(lines) + "\n")
    return path


def block_lines(mesh, first, **marks):
    """Vertex and face lines of a mesh whose first vertex is number ``first``."""
    heads = [f"{key} {value}" for key, value in marks.items()]
    points = [f"v {x!r} {y!r} {z!r}" for x, y, z in mesh[0].tolist()]
    faces = [f"f {a + first}/1/1 {b + first}//2 {c + first}" for a, b, c in mesh[1].tolist()]
    return heads + points + faces


def two(**marks):
    """Two cubes, each under its own marks: marks(o=("a", "b")) and so on."""
    lines = []
    for row in range(2):
        lines += block_lines(
            box((10, 10, 10), (20 * row, 0, 0)), 1 + 8 * row, **{k: v[row] for k, v in marks.items()}
        )
    return lines


@pytest.mark.parametrize(
    ("marks", "names"),
    [
        ({"o": ("keel", "mast")}, ["keel", "mast"]),
        ({"g": ("keel", "mast")}, ["keel", "mast"]),
        ({"o": ("keel", "mast"), "g": ("all", "all")}, ["keel", "mast"]),
        ({"o": ("ship", "ship"), "g": ("keel", "mast")}, ["keel", "mast"]),
        ({"o": ("keel", "keel"), "usemtl": ("red", "blue")}, ["keel", "keel#2"]),
        ({"g": ("keel", "keel")}, ["body-1", "body-2"]),
        ({}, ["body-1", "body-2"]),
    ],
)
def test_parts_by_object_else_group_else_body(tmp_path, marks, names):
    model = read_model(write(tmp_path / "m.obj", *two(**marks)), PLAIN)
    assert [part.source for part in model.parts] == names
    assert len(model.shapes) == 1
    assert same_points(placed(model, model.parts[1]), box((10, 10, 10), (20, 0, 0))[0])
    np.testing.assert_allclose(model.parts[1].pose[:3, 3], [20, 0, 0])


def test_a_name_opened_again_for_another_stretch_of_one_skin_is_one_part(tmp_path):
    """Writers that sort by material come back to an object; its stretches are not closed by themselves."""
    cube = box((10, 10, 10))
    other = block_lines(box((10, 10, 10), (20, 0, 0)), 9, o="mast")
    top = block_lines((cube[0], cube[1][:4]), 1, o="keel", usemtl="red")
    rest = [line for line in block_lines((cube[0], cube[1][4:]), 1, o="keel") if not line.startswith("v ")]
    model = read_model(write(tmp_path / "m.obj", *top, *other, *rest), PLAIN)
    assert [part.source for part in model.parts] == ["keel", "mast"]
    assert len(model.shapes) == 1


def test_materials_colour_but_neither_split_nor_merge(tmp_path):
    (tmp_path / "c.mtl").write_text("newmtl red\nKd 1 0 0\nnewmtl blue\nKd 0 0 1\n")
    top, rest = box((10, 10, 10))[1][:4], box((10, 10, 10))[1][4:]
    points = block_lines((box((10, 10, 10))[0], top[:0]), 1)
    faces = [[f"f {a + 1} {b + 1} {c + 1}" for a, b, c in some.tolist()] for some in (top, rest)]
    lines = ["mtllib c.mtl", *points, "o keel", "usemtl red", *faces[0], "usemtl blue", *faces[1]]
    second = ["o mast", "usemtl red", *block_lines(box((10, 10, 10), (20, 0, 0)), 9)]
    model = read_model(write(tmp_path / "m.obj", *lines, *second), PLAIN)
    assert [(part.source, part.colour) for part in model.parts] == [("keel", "#0000ff"), ("mast", "#ff0000")]
    assert len(model.shapes) == 1


def test_missing_library_is_a_note(tmp_path):
    model = read_model(write(tmp_path / "m.obj", "mtllib gone.mtl", *two(o=("a", "b"))), PLAIN)
    assert [problem.code for problem in model.problems] == ["colours-missing"]


def test_dented_polygons_and_negative_numbers(tmp_path):
    """An L-shaped prism with two six-cornered faces; a fan would fold over itself."""
    outline = [(0, 0), (30, 0), (30, 10), (10, 10), (10, 20), (0, 20)]
    lines = [f"v {x} {y} {z}" for z in (0, 10) for x, y in outline]
    lines += ["f " + " ".join(str(-7 - k) for k in range(6)), "f " + " ".join(str(7 + k) for k in range(6))]
    lines += [f"f {k + 1} {(k + 1) % 6 + 1} {(k + 1) % 6 + 7} {k + 7}" for k in range(6)]
    for shift in range(6):
        turned = [*lines[:13], "f " + " ".join(str(7 + (k + shift) % 6) for k in range(6)), *lines[14:]]
        model = read_model(write(tmp_path / "l.obj", *turned), PLAIN)
        mesh = trimesh.Trimesh(model.shapes[0].vertices, model.shapes[0].faces)
        assert model.shapes[0].watertight
        assert mesh.volume == pytest.approx((30 * 10 + 10 * 10) * 10)
        assert mesh.area == pytest.approx(2 * 400 + 100 * 10)


def test_screw_survives(tmp_path):
    model = read_model(write(tmp_path / "s.obj", "o s", *block_lines(SCREW, 1)), PLAIN)
    assert same_points(placed(model, model.parts[0]), SCREW[0], 1e-9)


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("f 1 2 99", "vertex 99"),
        ("f 1 2", "not a face"),
        ("f 0 1 2", "not a face"),
        ("f 1 2 -99", "not a face"),
        ("f a b c", "not a face"),
        ("f 1 2 1_0", "not a face"),
        ("v 1 2", "three numbers"),
        ("v 1 2 x", "three numbers"),
        ("v 1 2 1_0", "three numbers"),
        ("v 1 2 \u0661", "three numbers"),
    ],
)
def test_faults_are_named(tmp_path, line, told):
    with pytest.raises(UnreadableInput, match=rf"bad\.obj.*{told}"):
        read_model(write(tmp_path / "bad.obj", *two(o=("a", "b")), line), PLAIN)


def test_not_a_number_names_the_part(tmp_path):
    lines = [line.replace("v 20.0 0.0 0.0", "v nan 0 0") for line in two(o=("keel", "mast"))]
    with pytest.raises(FaultyModel, match=r"mast: 1 of 8 vertices"):
        read_model(write(tmp_path / "n.obj", *lines), PLAIN)


def test_no_face(tmp_path):
    with pytest.raises(UnreadableInput, match="no part"):
        read_model(write(tmp_path / "n.obj", "v 0 0 0", "v 1 0 0"), PLAIN)


@pytest.mark.parametrize("library", ["mtllib " + "a" * 5_000, "mtllib a\x00.mtl", "mtllib nan.mtl\nusemtl a"])
def test_colours_that_cannot_be_had_leave_the_part_grey(library, tmp_path):
    (tmp_path / "nan.mtl").write_text("newmtl a\nKd nan 0 inf\n")
    path = tmp_path / "one.obj"
    path.write_text(f"{library}\nv 0 0 0\nv 9 0 0\nv 0 9 0\nv 0 0 9\nf 1 3 2\nf 1 2 4\nf 2 3 4\nf 3 1 4\n")
    scene = read_obj(path)
    assert [part.colour for part in scene.parts] == [None]
    assert [(problem.code, problem.severity) for problem in scene.problems] == [("colours-missing", "note")]


def test_a_face_of_too_many_corners_is_refused_by_its_line(tmp_path):
    path = tmp_path / "one.obj"
    path.write_text("v 0 0 0\n" * 5_000 + "f " + " ".join(str(1 + row) for row in range(5_000)) + "\n")
    with pytest.raises(UnreadableInput, match="line 5001: a face of 5,000 corners, at most 4,096"):
        read_obj(path)
