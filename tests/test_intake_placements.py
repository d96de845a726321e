"""A table of placements, its folder, and a folder of loose parts."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from demo_model.beacon import beacon
from demo_model.write import write_3mf, write_stl_folder
from steps.errors import FaultyModel, UnreadableInput
from steps.intake import read_model
from steps.kept import files_read
from steps.settings import Settings
from tests.intake_files import SCREW, ThreeMF, binary_stl, box, placed, pose, same_points

PLAIN = Settings()
HEAD = "id,file,colour,x,y,z,rx,ry,rz"


@pytest.fixture
def folder(tmp_path):
    made = tmp_path / "ship"
    (made / "sub").mkdir(parents=True)
    binary_stl(made / "screw.stl", SCREW)
    binary_stl(made / "sub" / "two.stl", box((10, 10, 10)), box((10, 10, 10), (10, 0, 0)))
    return made


def table(folder, *rows, head=HEAD, name="placements.csv", encoding="utf-8"):
    path = folder / name
    path.write_text("\n".join([head, *rows]) + "\n", encoding=encoding)
    return path


def axis_turn(axis, degrees):
    """By hand, not by the library under test."""
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    i, j = [(1, 2), (2, 0), (0, 1)]["xyz".index(axis)]
    made = np.eye(3)
    made[i, i], made[j, j], made[i, j], made[j, i] = c, c, -s, s
    return made


def test_turned_about_x_then_y_then_z_then_shifted(folder):
    path = table(folder, "bow,screw.stl,#102030,1.5,-2,300,10,20,30")
    for given in (path, folder):
        model = read_model(given, PLAIN)
        (part,) = model.parts
        turn = axis_turn("z", 30) @ axis_turn("y", 20) @ axis_turn("x", 10)
        assert same_points(placed(model, part), SCREW[0] @ turn.T + [1.5, -2, 300])
        assert (part.source, part.colour, model.file, model.name) == (
            "bow",
            "#102030",
            "placements.csv",
            "ship",
        )
        assert model.placed


def test_a_file_of_two_bodies_is_one_part_and_repeats_share_its_shape(folder):
    rows = [f"{name},sub/two.stl,red,{x},0,0,0,0,90" for name, x in (("a", 0), ("b", 100), ("a", 200))]
    model = read_model(table(folder, *rows), Settings(scale=2))
    assert [part.source for part in model.parts] == ["a", "b", "a#2"]
    assert len(model.shapes) == 1
    assert model.shapes[0].mending.found == {"faces within": 4}
    np.testing.assert_allclose(model.shapes[0].size_mm, [40, 20, 20])
    np.testing.assert_allclose(model.parts[2].pose[:3, 3], [400, 0, 0])


def test_spreadsheet_dialects(folder):
    plain = read_model(table(folder, "bow,screw.stl,teal,1.5,0,0,0,0,45"), PLAIN)
    odd = table(
        folder, 'bow;"screw.stl";teal;1,5;0;0;0;0;45', "", head=HEAD.replace(",", ";"), encoding="utf-8-sig"
    )
    np.testing.assert_allclose(read_model(odd, PLAIN).parts[0].pose, plain.parts[0].pose)
    swapped = table(folder, "screw.stl,bow,45,0,0,0,0,1.5,teal", head="file,id,rz,ry,rx,z,y,x,color")
    np.testing.assert_allclose(read_model(swapped, PLAIN).parts[0].pose, plain.parts[0].pose)


def test_colour_of_the_row_else_of_the_file_else_grey(folder):
    file = ThreeMF()
    group = file.model.AddColorGroup()
    blue = group.AddColor(file.wrapper.RGBAToColor(0, 0, 255, 255))
    mesh = file.mesh(box())
    mesh.SetObjectLevelProperty(group.GetResourceID(), blue)
    file.item(mesh)
    file.write(folder / "blue.3mf")
    model = read_model(
        table(folder, "a,blue.3mf,,0,0,0,0,0,0", "b,blue.3mf,rot,50,0,0,0,0,0", "c,screw.stl,,99,0,0,0,0,0"),
        PLAIN,
    )
    assert [part.colour for part in model.parts] == ["#0000ff", "#ff0000", "#9a9a9a"]


def test_all_faults_of_all_rows_in_one_report(folder):
    (folder / "notes.pdf").write_bytes(b"%PDF-1.7 nothing")
    path = table(
        folder,
        "a,screw.stl,red,0,0,0,0,0,0",
        "b,gone.stl,red,0,0,0,0,0,0",
        "c,screw.stl,no such hue,0,0,0,0,0,0",
        "d,screw.stl,red,one,0,nan,0,0,0",
        ",screw.stl,red,0,0,0,0,0,0",
        "f,notes.pdf,red,0,0,0,0,0,0",
        "g,,red,0,0,0,0,0",
    )
    with pytest.raises(FaultyModel) as caught:
        read_model(path, PLAIN)
    text = str(caught.value)
    for told in (
        "line 3 (b): gone.stl: there is no such file",
        "line 4 (c): colour 'no such hue'",
        "line 5 (d): x is 'one'",
        "line 5 (d): z is 'nan'",
        "line 6 (no id): has no id",
        "line 7 (f): notes.pdf: this is a PDF",
        "line 8 (g): names no file",
        "line 8 (g): rz is ''",
    ):
        assert told in text
    assert len(caught.value.problems) == 8


def test_head_line_is_checked(folder):
    with pytest.raises(UnreadableInput, match=r"missing: colour, rz"):
        read_model(table(folder, "a,screw.stl,0,0,0,0,0", head="id,file,x,y,z,rx,ry"), PLAIN)
    with pytest.raises(UnreadableInput, match="no row"):
        read_model(table(folder), PLAIN)


def test_two_tables_in_a_folder_are_refused(folder):
    table(folder, "a,screw.stl,red,0,0,0,0,0,0")
    table(folder, "a,screw.stl,red,0,0,0,0,0,0", name="old.csv")
    (folder / "bill.csv").write_text("name,price\nscrew,3\n")
    with pytest.raises(UnreadableInput, match=r"old\.csv, placements\.csv"):
        read_model(folder, PLAIN)


def test_loose_parts_one_to_a_file(folder):
    file = ThreeMF()
    cube = file.mesh(box((7, 7, 7)), "cube")
    for row in range(3):
        file.item(cube, pose(at=(20 * row, 0, 0)), "stone")
    file.write(folder / "stones.3mf")
    binary_stl(folder / "two.STL", box((10, 10, 10)), box((10, 10, 10), (10, 0, 0)))
    (folder / "read me.txt").write_text("hello")
    binary_stl(folder / ".hidden.stl", box())
    model = read_model(folder, PLAIN)
    assert not model.placed
    assert [part.source for part in model.parts] == ["screw", "stone", "stone#2", "stone#3", "two"]
    assert [part.shape for part in model.parts] == ["S1", "S2", "S2", "S2", "S3"]
    assert model.name == "ship"
    assert model.problems == ()


def test_one_print_in_two_formats_is_one_part(folder):
    file = ThreeMF()
    file.item(file.mesh(SCREW), number="screw of the 3MF")
    file.write(folder / "screw.3mf")
    assert [part.source for part in read_model(folder, PLAIN).parts] == ["screw of the 3MF"]


def test_loose_parts_all_at_the_origin_are_not_on_top_of_each_other(folder):
    binary_stl(folder / "copy.stl", SCREW)
    model = read_model(folder, PLAIN)
    assert [part.shape for part in model.parts] == ["S1", "S1"]
    assert model.problems == ()


def test_loose_folder_names_every_unreadable_file_and_serves_the_rest(folder):
    (folder / "a.stl").write_bytes(b"")
    (folder / "b.3mf").write_bytes(b"PK broken")
    model = read_model(folder, PLAIN)
    assert [part.source for part in model.parts] == ["screw"]
    assert [(problem.code, problem.severity, problem.parts) for problem in model.problems] == [
        ("loose-file", "warning", ("a.stl",)),
        ("loose-file", "warning", ("b.3mf",)),
    ]
    (folder / "screw.stl").unlink()
    with pytest.raises(FaultyModel) as caught:
        read_model(folder, PLAIN)
    assert "a.stl: is empty" in str(caught.value)
    assert "b.3mf" in str(caught.value)


def test_empty_folder(tmp_path):
    with pytest.raises(UnreadableInput, match="neither a placement table nor a mesh"):
        read_model(tmp_path, PLAIN)


def test_digest_of_a_folder_follows_its_files(folder):
    first = read_model(folder, PLAIN).sha256
    assert read_model(folder, PLAIN).sha256 == first
    binary_stl(folder / "screw.stl", box())
    assert read_model(folder, PLAIN).sha256 != first


def test_demo_folder_reads_as_the_demo_3mf(tmp_path):
    write_stl_folder(beacon(), tmp_path / "beacon")
    write_3mf(beacon(), tmp_path / "b.3mf")
    one, two = read_model(tmp_path / "beacon", PLAIN), read_model(tmp_path / "b.3mf", PLAIN)
    assert [(p.source, p.colour, p.shape) for p in one.parts] == [
        (p.source, p.colour, p.shape) for p in two.parts
    ]
    np.testing.assert_allclose(one.poses, two.poses, atol=1e-4)


def test_rotation_convention_is_scipys_fixed_xyz():
    """Two writings of one convention agree: the table above by hand and scipy's lower-case axes."""
    by_hand = axis_turn("z", 30) @ axis_turn("y", 20) @ axis_turn("x", 10)
    np.testing.assert_allclose(by_hand, Rotation.from_euler("xyz", [10, 20, 30], degrees=True).as_matrix())


def test_a_name_that_no_file_can_have_is_told_with_its_row(folder):
    table(folder, f"a,{'a' * 5_000}.stl,red,0,0,0,0,0,0")
    with pytest.raises(FaultyModel, match=r"line 2 \(a\): .* is not a name that a file can have"):
        read_model(folder, PLAIN)


def test_a_placed_mesh_without_a_face_is_a_fault_of_the_model(folder):
    (folder / "none.stl").write_bytes(bytes(84))
    table(folder, "a,none.stl,red,0,0,0,0,0,0")
    with pytest.raises(FaultyModel, match="a: left out"):
        read_model(folder, PLAIN)


def test_a_coordinate_beyond_any_length_is_named(folder):
    far = SCREW[0].copy()
    far[0, 0] = 1e9
    binary_stl(folder / "screw.stl", (far, SCREW[1]))
    table(folder, "a,screw.stl,red,0,0,0,0,0,0")
    with pytest.raises(FaultyModel, match=r"vertex 1 lies at x = 1e\+09"):
        read_model(folder, PLAIN)


@pytest.mark.parametrize("head", ["idd,file,colour,x,y,z,rx,ry,rz", "id,file,colour,x,y,zz,rx,ry,rz", "a,b"])
def test_a_damaged_head_line_is_told_and_not_taken_for_loose_parts(folder, head):
    table(folder, "a,screw.stl,red,0,0,0,0,0,0", head=head)
    strange = ", ".join(f"'{cell}'" for cell in head.split(",") if cell not in HEAD.split(","))
    with pytest.raises(
        UnreadableInput, match=rf"first line must name .*; missing: .*\. It names {strange}\.$"
    ):
        read_model(folder, PLAIN)


@pytest.mark.parametrize(
    ("row", "says"),
    [
        ("a,screw.stl,red,0,5,0,0,0,0,0", "has more values than the first line names .*semicolons"),
        ("a,screw.stl,red,1_0,0,0,0,0,0", "x is '1_0', which is not a number"),
        ("a,screw.stl,red,\u0661,0,0,0,0,0", "x is .*, which is not a number"),
    ],
)
def test_what_would_put_a_part_elsewhere_than_meant_is_told(folder, row, says):
    table(folder, row)
    with pytest.raises(FaultyModel, match=rf"line 2 \(a\): {says}"):
        read_model(folder, PLAIN)


def test_a_column_named_twice_is_told(folder):
    table(folder, "a,screw.stl,red,0,0,0,0,0,0,9", head=f"{HEAD},x")
    with pytest.raises(UnreadableInput, match="the first line names x more than once"):
        read_model(folder, PLAIN)


@pytest.mark.parametrize("encoding", ["utf-16", "utf-8-sig", "cp1252"])
def test_a_table_is_read_and_its_files_are_spared_as_spreadsheets_write_it(folder, encoding):
    head, row = HEAD.replace(",", "\t"), "Bäcker\t../screw.stl\t#102030\t0\t0\t0\t0\t0\t0"
    path = table(folder / "sub", row, head=head, encoding=encoding)
    assert [part.source for part in read_model(path, PLAIN).parts] == ["Bäcker"]
    assert any(read.samefile(folder / "screw.stl") for read in files_read(path))


def test_a_cell_without_end_is_told(folder):
    table(folder, "n" * 200_000 + ",screw.stl,red,0,0,0,0,0,0")
    with pytest.raises(UnreadableInput, match="too long"):
        read_model(folder, PLAIN)


def test_a_table_that_is_wrong_all_over_is_not_told_to_the_end(folder):
    table(folder, *["f 1 1 1"] * 50_000)
    with pytest.raises(FaultyModel, match="nothing was looked at") as caught:
        read_model(folder, PLAIN)
    assert 100 <= len(caught.value.problems) < 120
    many = [f"a{row},{row}.stl,red,0,0,0,0,0,0" for row in range(20_000)]
    table(folder, *many)
    with pytest.raises(FaultyModel, match=r"0\.stl") as caught:
        read_model(folder, PLAIN)
    assert len(caught.value.problems) <= 120
