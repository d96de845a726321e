"""Faults that the placed meshes alone show: each named, all of them told, none invented."""

from __future__ import annotations

import re

import numpy as np
import pytest

from demo_model.beacon import beacon
from demo_model.solids import Module
from demo_model.write import write_3mf
from steps.errors import FaultyModel
from steps.intake import read_model
from steps.intake.checks import _crowded, likely_units
from steps.intake.congruence import QUARTER_TURNS
from steps.intake.names import unique_names
from steps.pipeline import survey
from steps.settings import Settings
from tests.intake_files import SCREW, Gltf, ThreeMF, binary_stl, box, mirrored, placed, pose, same_points
from tests.models import raw

PLAIN = Settings()


def read(tmp_path, *items, settings=PLAIN):
    """The model of (mesh, pose, name) items."""
    file = ThreeMF()
    made = {}
    for mesh, where, name in items:
        if id(mesh) not in made:
            made[id(mesh)] = file.mesh(mesh, "mesh of " + name)
        file.item(made[id(mesh)], where, name)
    return read_model(file.write(tmp_path / "m.3mf"), settings)


def told(model, code):
    return [problem for problem in model.problems if problem.code == code]


@pytest.mark.parametrize("turn", [0, 3, 9, 17, 23])
def test_exactly_on_top_up_to_symmetry(tmp_path, turn):
    cube = box((10, 10, 10), (-5, -5, -5))
    model = read(
        tmp_path, (cube, None, "a"), (cube, pose(at=(30, 0, 0)), "b"), (cube, pose(QUARTER_TURNS[turn]), "c")
    )
    (fault,) = told(model, "same-place")
    assert fault.severity == "error"
    assert fault.parts == ("P1", "P3")
    assert fault.text.startswith("c: exactly on top of a")


def test_not_on_top_when_turned_otherwise_or_a_hair_apart(tmp_path):
    long = box((10, 10, 30), (-5, -5, -15))
    turned = pose(QUARTER_TURNS[np.argmax([abs(turn[2, 2]) < 0.5 for turn in QUARTER_TURNS])])
    model = read(tmp_path, (long, None, "a"), (long, turned, "b"), (long, pose(at=(0.1, 0, 0)), "c"))
    assert told(model, "same-place") == []


def test_separate_copies_of_the_mesh_are_found_too(tmp_path):
    one, other = box(), box()
    model = read(tmp_path, (one, None, "a"), (other, None, "b"))
    assert [problem.parts for problem in told(model, "same-place")] == [("P1", "P2")]


def test_piles_are_told_once_each(tmp_path):
    cube = box()
    model = read(tmp_path, *[(cube, pose(at=(40 * (row % 2), 0, 0)), f"c{row}") for row in range(50)])
    assert [problem.parts for problem in told(model, "same-place")] == [
        tuple(f"P{row}" for row in range(first, 51, 2)) for first in (1, 2)
    ]


@pytest.mark.parametrize("reach", [0.02, 0.15])
def test_none_that_has_another_within_reach_is_overlooked(reach):
    rng = np.random.default_rng(5)
    points = rng.uniform(-1, 1, (120, 3))
    points[::12] = points[5::12][: len(points[::12])] + rng.uniform(-reach, reach, (10, 3)) / np.sqrt(3)
    apart = np.linalg.norm(points[:, None] - points, axis=2) + np.eye(len(points)) * 9
    near, found = (apart <= reach).any(axis=1), _crowded(points, reach)
    assert near.sum() >= 20 and found[near].all()
    assert not _crowded(np.arange(30.0).reshape(10, 3), reach).any()
    assert _crowded(np.zeros((2, 3)), 0.0).all()


@pytest.mark.parametrize("length", [50_000, 0.05])
def test_unit_error_says_what_it_looks_like_and_what_helps(tmp_path, length):
    """A model 50 m or 0.05 mm long."""
    cube = box(np.array([0.5, 0.2, 0.2]) * length)
    items = [(cube, None, "a"), (cube, pose(at=(length / 2, 0, 0)), "b")]
    model = read(tmp_path, *items)
    (fault,) = told(model, "unit")
    assert fault.severity == "error"
    assert ("50 m long" if length > 1 else "0.05 mm long") in fault.text
    scales = [float(number) for number in re.findall(r"--scale ([\d.e-]+)\)", fault.text)]
    assert scales
    for scale in scales:
        mended = read(tmp_path, *items, settings=Settings(scale=scale))
        assert told(mended, "unit") == []


def test_a_part_longer_than_any_model_is_measured_no_further(tmp_path):
    """Its volume was more than a plan file holds, and the forces at its studs took all memory."""
    path = binary_stl(tmp_path / "far.stl", box((2e6, 2e6, 2e6)))
    with pytest.raises(FaultyModel, match=r"far\.stl: .* 2000 m long.*100 m is not .*--anyway neither"):
        survey(path, Settings(anyway=True))


def test_a_part_too_long_to_be_printed_is_named(tmp_path):
    rail, cube = box(np.array([2400.0, 20, 20])), box(np.array([20.0, 20, 20]))
    model = read(
        tmp_path, (rail, None, "rail"), (cube, pose(at=(0, 40, 0)), "a"), (cube, pose(at=(0, 80, 0)), "b")
    )
    (fault,) = told(model, "unit")
    assert "its middling part 20 mm, the longest, rail, 2.4 m; parts from" in fault.text


def test_no_mix_up_is_guessed_that_leaves_the_model_as_unbelievable():
    assert "No mix-up of units explains it" in likely_units(10.0, 300_000.0, 1.0)
    assert "(--scale 10)" in likely_units(10.0, 9_000.0, 1.0)
    assert "(--scale 0.1)" in likely_units(50.0, 300_000.0, 1.0)


def test_every_mix_up_of_units_that_fits_is_named(tmp_path):
    """A block of 16 mm written in inches is 0.63 long: centimetres would explain that too."""
    cube = box(np.array([16, 8, 8]) / 25.4)
    model = read(tmp_path, (cube, None, "a"), (cube, pose(at=(16 / 25.4, 0, 0)), "b"))
    (fault,) = told(model, "unit")
    assert "centimetres that were read as millimetres" in fault.text
    assert (
        "inches that were read as millimetres: the model would then be 32 mm long (--scale 25.4)"
        in fault.text
    )


@pytest.mark.parametrize("scale", [1.0, 4.0, 8.0])
def test_no_unit_error_for_blocks_at_any_print_scale(tmp_path, scale):
    write_3mf(beacon(Module(scale=scale)), tmp_path / "b.3mf")
    assert read_model(tmp_path / "b.3mf", PLAIN).problems == ()


def test_mirrored_parts_are_noted_and_baked(tmp_path):
    flip = np.diag([1.0, -1.0, 1.0, 1.0])
    flip[:3, 3] = (100, 0, 0)
    model = read(tmp_path, (SCREW, None, "left"), (SCREW, flip, "right"))
    (note,) = told(model, "mirrored")
    assert (note.severity, note.parts) == ("note", ("P2",))
    assert "right" in note.text
    assert len(model.shapes) == 2
    assert same_points(placed(model, model.parts[1]), SCREW[0] * (1, -1, 1) + (100, 0, 0))
    again = read(tmp_path, (SCREW, None, "left"), (mirrored(SCREW), pose(at=(99, 0, 0)), "right"))
    assert again.problems == ()
    assert len(again.shapes) == 2


def test_meshes_without_body_are_named_and_the_rest_goes_on(tmp_path):
    """Written as glTF, which does not refuse them by itself."""
    file = Gltf()
    good = file.mesh(file.primitive((box()[0] / 1000, box()[1])))
    sheet = file.mesh(
        file.primitive((np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0]]) / 50, np.array([[0, 1, 2]])))
    )
    line = file.mesh(
        file.primitive((np.array([[0, 0, 0], [1, 0, 0], [2, 0, 0]]) / 50, np.array([[0, 1, 2]])))
    )
    for mesh, name in ((sheet, "sheet"), (good, "hull"), (line, "line")):
        file.node(mesh=mesh, name=name)
    model = read_model(file.write(tmp_path / "m.glb"), PLAIN)
    assert [part.source for part in model.parts] == ["hull"]
    (fault,) = told(model, "no-body")
    assert (fault.severity, fault.parts) == ("warning", ("sheet", "line"))
    assert (
        "sheet, line: left out, the mesh has fewer than 4 triangles, and no solid has fewer (2" in fault.text
    )


def test_a_flat_mesh_of_many_faces_is_told_by_its_thickness(tmp_path):
    flat = (box()[0] * (1, 1, 0), box()[1])
    model = read(tmp_path, (SCREW, None, "a"), (flat, None, "b"))
    (fault,) = told(model, "no-body")
    assert fault.parts == ("b",) and "no thickness" in fault.text


def test_nothing_but_sheets_is_a_fault(tmp_path):
    file = Gltf()
    flat = file.primitive((np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0]]) / 50, np.array([[0, 1, 2]])))
    file.node(mesh=file.mesh(flat), name="sheet")
    with pytest.raises(FaultyModel, match="sheet"):
        read_model(file.write(tmp_path / "m.glb"), PLAIN)


def test_flattening_transform_leaves_the_part_out(tmp_path):
    model = read(tmp_path, (SCREW, None, "a"), (SCREW, np.diag([1.0, 1.0, 0.0, 1.0]), "b"))
    assert [part.source for part in model.parts] == ["a"]
    assert told(model, "no-body")[0].parts == ("b",)


def test_a_mesh_that_gapes_is_closed_and_a_guess_names_its_parts(tmp_path):
    file = Gltf()
    vertices, faces = box()
    under = (np.abs(vertices[faces][:, :, 2]) < 1e-9).all(axis=1)
    mesh = file.mesh(file.primitive((vertices / 1000, faces[~under])))
    for row in range(2):
        file.node(mesh=mesh, name=f"bin {row}", translation=[row / 10, 0, 0])
    model = read_model(file.write(tmp_path / "m.glb"), PLAIN)
    (warning,) = told(model, "unsure-mend")
    assert (warning.severity, warning.parts) == ("warning", ("P1", "P2"))
    assert "bin 0, bin 1" in warning.text and "20.0 mm wide" in warning.text
    assert model.shapes[0].watertight and model.shapes[0].mending.found == {"rims closed": 1}


def test_what_was_taken_for_a_scan_is_told_and_can_be_left_as_it_is(tmp_path):
    file = Gltf()
    soup = raw.scanned(raw.part(1, 1), np.random.default_rng(2)).reshape(-1, 3) / 1000
    mesh = file.mesh(file.primitive((soup, np.arange(len(soup)).reshape(-1, 3))))
    for row in range(2):
        file.node(mesh=mesh, name=f"bin {row}", translation=[row / 10, 0, 0])
    path = file.write(tmp_path / "m.glb")
    model = read_model(path, PLAIN)
    (note,) = told(model, "scan")
    assert (note.severity, note.parts) == ("note", ("P1", "P2"))
    number = model.shapes[0].mending.found["corners set"]
    assert "bin 0, bin 1" in note.text and f"{number:,} corners were set" in note.text
    as_read = read_model(path, PLAIN.model_copy(update={"set_corners": False}))
    assert not told(as_read, "scan") and not as_read.shapes[0].mending.mended
    assert len(as_read.shapes[0].faces) == len(soup) // 3


@pytest.mark.parametrize("place", ["vertex", "transform"])
def test_numbers_that_are_not_finite_are_gathered(tmp_path, place):
    file = Gltf()
    bad = box()[0] / 1000
    if place == "vertex":
        bad = bad.copy()
        bad[2, 1] = np.inf
    for name in ("one", "two"):
        made = file.mesh(file.primitive((bad, box()[1])))
        file.node(mesh=made, name=name, translation=[0 if place == "vertex" else float("nan"), 0, 0])
    with pytest.raises(FaultyModel) as caught:
        read_model(file.write(tmp_path / "m.glb"), PLAIN)
    named = {name for problem in caught.value.problems for name in problem.parts}
    assert named == {"one", "two"}


def test_names_never_clash():
    given = ["a", "a", "a#2", "a", "b", "a#2"]
    made = unique_names(given)
    assert len(set(made)) == len(made)
    assert made[0] == "a"
    assert made[2] == "a#2"
    assert made[4] == "b"
    assert unique_names(["x", "x", "x"]) == ["x", "x#2", "x#3"]


def test_control_characters_do_not_reach_a_terminal(tmp_path):
    file = Gltf()
    mesh = file.mesh(file.primitive((box()[0] / 1000, box()[1])))
    for row, name in enumerate(["\x1b[2Jhull", "a\nb\tc", "\x00", "mât 日本 🚢"]):
        file.node(mesh=mesh, name=name, translation=[row / 10, 0, 0])
    model = read_model(file.write(tmp_path / "m.glb"), PLAIN)
    assert [part.source for part in model.parts] == ["[2Jhull", "a b c", "unnamed", "mât 日本 🚢"]


@pytest.mark.parametrize("length", [1e31, 1e300])
def test_numbers_beyond_any_length(tmp_path, length):
    (tmp_path / "m.obj").write_text(
        "\n".join(f"v {x * length!r} {y} {z}" for x, y, z in box()[0].tolist())
        + "\n"
        + "\n".join(f"f {a + 1} {b + 1} {c + 1}" for a, b, c in box()[1].tolist())
    )
    with pytest.raises(FaultyModel, match=r"vertex 5 lies at x = .*coordinates up to 1e\+08 are believed"):
        read_model(tmp_path / "m.obj", PLAIN)


def test_same_file_same_model(tmp_path):
    write_3mf(beacon(), tmp_path / "b.3mf")
    one, two = (read_model(tmp_path / "b.3mf", PLAIN) for _ in range(2))
    assert one.sha256 == two.sha256
    assert one.parts[3].pose.tobytes() == two.parts[3].pose.tobytes()
    assert [shape.vertices.tobytes() for shape in one.shapes] == [
        shape.vertices.tobytes() for shape in two.shapes
    ]


@pytest.mark.parametrize("end", ["obj", "glb"])
def test_one_vertex_that_is_far_off_is_named(tmp_path, end):
    """It makes a line of the rest, which is no reason to call the part flat and leave it out."""
    vertices, faces = box()[0].copy(), box()[1]
    vertices[5, 1] = 5e7
    if end == "obj":
        lines = [f"v {x} {y} {z}" for x, y, z in vertices] + [
            f"f {a + 1} {b + 1} {c + 1}" for a, b, c in faces
        ]
        (tmp_path / "m.obj").write_text("\n".join(lines))
    else:
        file = Gltf()
        file.node(mesh=file.mesh(file.primitive((vertices / 1000, faces))), name="keel")
        file.write(tmp_path / "m.glb")
    with pytest.raises(FaultyModel, match=r"vertex \d lies at y = 5") as caught:
        read_model(tmp_path / f"m.{end}", PLAIN)
    assert [fault.code for fault in caught.value.problems] == ["too-far"]


def test_a_part_too_small_to_print_is_named(tmp_path):
    file = Gltf()
    mesh = file.mesh(file.primitive((box()[0] / 1000, box()[1])))
    for row in range(3):
        file.node(
            mesh=mesh, name=f"p{row}", translation=[0.1 * row, 0, 0], scale=[1e-20 if row == 2 else 1] * 3
        )
    model = read_model(file.write(tmp_path / "m.glb"), PLAIN)
    (found,) = [problem for problem in model.problems if problem.code == "too-small"]
    assert found.text.startswith("p2: ") and found.severity == "warning"
