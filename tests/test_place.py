"""build.toml: models written in stud terms and read back; maps, groups, seats on tops, sides and beneath."""

from __future__ import annotations

import io
import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pypdf
import pytest
import trimesh
from scipy.spatial.transform import Rotation

from demo_model.beacon import beacon
from demo_model.scene import DemoModel
from demo_model.solids import Bulk, Module, block, slab
from demo_model.specials import arch, post, tyre
from demo_model.tug import tug
from steps.errors import FaultyModel
from steps.features import measure
from steps.intake import read_model
from steps.model import Model
from steps.place import maps
from steps.place.poses import coordinates
from steps.place.sheets import stud_sheets
from steps.place.source import Faults, LaidLine, Word
from steps.place.table import Written, build_table
from steps.place.whole import whole_3mf, whole_glb
from steps.settings import Settings
from tests.models import BUILDABLE, family, model_of

PLAIN = Settings()
#: Poses come back within this, mm at 1x: what was promised.
EXACT_MM = 0.01


def laid_down(written: Written, folder: Path) -> Path:
    """The build file and its print files on disk."""
    for name, content in written.files.items():
        (folder / name).write_bytes(content)
    (folder / "build.toml").write_text(written.text, encoding="utf-8")
    return folder


def corners(model: Model, row: int) -> np.ndarray:
    part = model.parts[row]
    vertices = model.shape_by_id[part.shape].vertices
    return np.sort(np.round(vertices @ part.pose[:3, :3].T + part.pose[:3, 3], 6), axis=0)


def assert_same(model: Model, back: Model) -> None:
    """Every part of ``model``, by name as a line can hold it, stands where it stood, in its colour."""
    rows = {part.source: row for row, part in enumerate(back.parts)}
    assert len(back.parts) == len(model.parts)
    for row, part in enumerate(model.parts):
        there = rows[" ".join(re.sub(r"[,=+#]", " ", part.source).split())]
        assert back.parts[there].colour == part.colour
        one, other = corners(model, row), corners(back, there)
        assert one.shape == other.shape
        assert np.abs(one - other).max() <= EXACT_MM, part.source


@pytest.mark.parametrize("demo", [beacon, tug])
def test_the_demos_come_back(demo: Callable[[], DemoModel], tmp_path: Path) -> None:
    model = model_of(demo())
    written = build_table(model)
    assert written.in_stud_terms >= 0.95 * len(model.parts)
    back = read_model(laid_down(written, tmp_path), PLAIN)
    assert back.placed and back.name == model.name
    assert_same(model, back)


#: Families whose parts all hold by studs, pegs or balls: of these next to none needs coordinates.
STUDDED = ("stacks", "bridges", "side studs", "cantilevers", "hung", "tied towers", "structures", "tilted")


@pytest.mark.parametrize("name", BUILDABLE)
def test_every_family_comes_back(name: str, tmp_path: Path) -> None:
    model = model_of(family(name, 3, 9))
    written = build_table(model)
    if name in STUDDED:
        assert written.by_coordinates <= 1 + 0.1 * len(model.parts)
    assert_same(model, read_model(laid_down(written, tmp_path), PLAIN))


def test_a_model_turned_in_space_comes_back(tmp_path: Path) -> None:
    model = model_of(family("stacks", 5, 6, turn=True))
    written = build_table(model)
    assert written.by_coordinates == 1  # the first; all others sit on it
    assert_same(model, read_model(laid_down(written, tmp_path), PLAIN))


# ------------------------------------------------------------------- written by hand


SHAPES: dict[str, Callable[[], Bulk]] = {
    "deck": lambda: slab(4, 4),
    "wall": lambda: block(4, 2),
    "post": lambda: block(2, 2),
    "one": lambda: block(1, 1),
    "side": lambda: block(4, 1, side_studs=True),
    "tile": lambda: slab(2, 1, smooth=True),
    "tyre": lambda: tyre(Module()),
    "round": lambda: post(Module()),
    "arch": lambda: arch(Module()),
}


def folder_of(tmp_path: Path, *names: str) -> Path:
    for name in names:
        solid = SHAPES[name.split(" ")[0]]()
        trimesh.Trimesh(solid.vertices, solid.faces, process=False).export(tmp_path / f"{name}.stl")
    return tmp_path


def built(folder: Path, text: str) -> Model:
    (folder / "build.toml").write_text(text, encoding="utf-8")
    return read_model(folder, PLAIN)


def low_corner(model: Model, name: str) -> list[float]:
    row = next(row for row, part in enumerate(model.parts) if part.source == name)
    return np.round(model.part_bounds[row, 0], 1).tolist()


def test_a_part_of_a_map_is_tried_on_what_is_under_it_alone(tmp_path: Path, monkeypatch) -> None:
    """Of a long map each part on its neighbours and on one below or two, not on all that stand already."""
    tried, level_over = [], maps._level_over
    monkeypatch.setattr(maps, "_level_over", lambda *asked: tried.append(asked) or level_over(*asked))
    folder = folder_of(tmp_path, "tile")
    row = "ttuu" * 20
    text = f'[pieces]\nt = "tile"\nu = "tile"\n[[course]]\nmap = "{row}"\n[[course]]\nmap = "{row}"\n'
    model = built(folder, text)
    assert len(model.parts) == 80 and 40 <= len(tried) <= 5 * 80
    assert {low_corner(model, name)[2] for name in ("t21", "u40")} == {low_corner(model, "t40")[2]}
    assert low_corner(model, "t40")[2] > low_corner(model, "t1")[2] == 0.0


def test_maps_drop_until_they_seat(tmp_path: Path) -> None:
    folder = folder_of(tmp_path, "deck", "wall", "post red", "tile")
    text = '''[pieces]
D = "deck"
A = "wall"
a = { file = "wall", colour = "blau" }
B = "post red"
t = "tile"

[[course]]
map = """
DDDD
DDDD
DDDD
DDDD
"""
[[course]]
map = """
AAAA
AAAA
BB..
BB..
"""
[[course]]
map = """
aa.t
aa.t
aa..
aa..
"""
'''
    model = built(folder, text)
    assert [part.source for part in model.parts] == ["D1", "A1", "B1", "a1", "t1"]
    assert low_corner(model, "A1") == pytest.approx([0.1, 20.1, 5.0], abs=0.05)
    assert low_corner(model, "B1") == pytest.approx([0.1, 0.1, 5.0], abs=0.05)
    assert low_corner(model, "a1") == pytest.approx([0.1, 0.1, 15.0], abs=0.05)  # turned by its letters
    assert low_corner(model, "t1") == pytest.approx([30.1, 20.1, 15.0], abs=0.05)
    assert [str(part.colour_name) for part in model.parts if part.source in ("a1", "B1")] == ["red", "blue"]


def test_lines_sit_on_tops_sides_and_beneath(tmp_path: Path) -> None:
    folder = folder_of(tmp_path, "side", "tyre", "one", "round", "post")
    model = built(
        folder,
        '''[build]
lines = """
part,         on,    stud, turn, face,  own
keel = side,  table, 3 2
wheel = tyre, keel,  2 1,  ,     front            # on a stud of its side
mast = round, keel,  4 1,  30°
below = one,  keel,  1 1,  ,     under
stone = post, at,    100 50 0, 0 0 90
"""
''',
    )
    assert low_corner(model, "keel") == pytest.approx([20.1, 7.5, 0.0], abs=0.06)
    wheel = low_corner(model, "wheel")
    assert wheel[0] == pytest.approx(30.0, abs=1.5) and wheel[1] < 6.0  # over the second, in front
    assert low_corner(model, "mast")[2] == 10.0
    assert low_corner(model, "below")[2] == -10.0
    mast = next(part for part in model.parts if part.source == "mast")
    assert np.degrees(np.arctan2(mast.pose[1, 0], mast.pose[0, 0])) == pytest.approx(30.0)
    assert low_corner(model, "stone") == pytest.approx([80.1, 50.1, 0.0], abs=0.05)


def test_a_bridge_names_studs_on_several_parts(tmp_path: Path) -> None:
    folder = folder_of(tmp_path, "one", "arch")
    model = built(
        folder,
        '''[build]
lines = """
a = one, table, 1 1
b = one, table, 4 1
span = arch, a + b, 1 1 + 1 1
"""
''',
    )
    assert low_corner(model, "span") == pytest.approx([0.1, 0.1, 10.0], abs=0.05)


@pytest.mark.parametrize("angles", ["0 0 0", "10 20 30", "-30 45 170", "90 0 -90"])
def test_coordinates_turn_about_x_then_y_then_z(angles: str) -> None:
    faults = Faults("build.toml")
    line = LaidLine(
        Word(""), Word("drawer"), (Word("at"),), (Word("1 2 3"),), Word(angles), Word(""), Word("")
    )
    pose = coordinates(line, faults)
    assert pose is not None
    expected = Rotation.from_euler("xyz", [float(each) for each in angles.split()], degrees=True).as_matrix()
    assert np.abs(pose[:3, :3] - expected).max() < 1e-12
    assert pose[:3, 3].tolist() == [1, 2, 3]


def test_groups_are_set_again_turned(tmp_path: Path) -> None:
    folder = folder_of(tmp_path, "deck", "one", "post")
    model = built(
        folder,
        '''[group.tower]
lines = """
foot = post
top = one, foot, 2 1
"""

[build]
lines = """
floor = deck, table, 1 1
t1 = tower, floor, 1 1
t2 = tower, floor, 4 3, 1
flag = one, t2.top, 1 1
"""
''',
    )
    assert [part.source for part in model.parts] == [
        "floor",
        "t1.foot",
        "t1.top",
        "t2.foot",
        "t2.top",
        "flag",
    ]
    assert low_corner(model, "t1.top") == pytest.approx([10.1, 0.1, 15.0], abs=0.05)
    # turned to the left about its reference socket, which is on stud 4 3: stud 2 1 comes to lie behind it
    assert low_corner(model, "t2.foot") == pytest.approx([20.1, 20.1, 5.0], abs=0.05)
    assert low_corner(model, "t2.top") == pytest.approx([30.1, 30.1, 15.0], abs=0.05)
    assert low_corner(model, "flag")[2] == 25.0


def test_the_build_file_wins_over_a_table_of_placements(tmp_path: Path) -> None:
    folder = folder_of(tmp_path, "one")
    (folder / "placements.csv").write_text("id,file,colour,x,y,z,rx,ry,rz\na,one.stl,red,0,0,0,0,0,0\n")
    model = built(folder, '[build]\nlines = """\nmine = one, table, 1 1\n"""\n')
    assert [part.source for part in model.parts] == ["mine"]
    assert "build-wins" in [problem.code for problem in model.problems]
    assert read_model(folder / "placements.csv", PLAIN).parts[0].source == "a"


def test_a_bad_file_beside_the_others_is_a_warning_and_what_the_maker_calls_parts_stays(
    tmp_path: Path,
) -> None:
    folder = folder_of(tmp_path, "one red x2", "post blue")
    flat = trimesh.Trimesh([[0, 0, 0], [9, 0, 0], [9, 9, 0]], [[0, 1, 2]], process=False)
    flat.export(folder / "a flat one.stl")
    (folder / "b empty.stl").write_bytes(b"solid nothing\nendsolid")
    (folder / "c words.stl").write_text("<html>not found</html>")
    loose = read_model(folder, PLAIN)
    assert [each.file for each in loose.listed] == ["one red x2.stl", "post blue.stl"]
    model = built(folder, '[build]\nlines = """\na = one, table, 1 1\nb = post blue, a, 1 1\n"""\n')
    for found in (loose, model):
        told = " ".join(problem.text for problem in found.problems if problem.severity == "warning")
        assert all(name in told for name in ("a flat one", "b empty", "c words"))
    assert [(part.source, part.called) for part in model.parts] == [("a", "one"), ("b", "post")]
    with pytest.raises(FaultyModel, match=r"there is no part file|in no legend"):
        built(folder, '[build]\nlines = "a = a flat one, table, 1 1"\n')


def test_scale_is_applied_once(tmp_path: Path) -> None:
    folder = folder_of(tmp_path, "one")
    text = '[build]\nlines = """\na = one, table, 1 1\nb = one, a, 1 1\n"""\n'
    plain = built(folder, text)
    large = read_model(folder / "build.toml", Settings(scale=4))
    np.testing.assert_allclose(large.poses[:, :3, 3], 4 * plain.poses[:, :3, 3])


@pytest.mark.parametrize("ending", [".3mf", ".glb"])
def test_the_whole_is_written_and_read_back(ending: str, tmp_path: Path) -> None:
    model = model_of(beacon())
    write = whole_3mf if ending == ".3mf" else whole_glb
    (tmp_path / f"whole{ending}").write_bytes(write(model))
    back = read_model(tmp_path / f"whole{ending}", PLAIN)
    assert_same(model, back)
    assert write(model) == write(model)


def test_stud_sheets_have_every_shape_and_number(tmp_path: Path) -> None:
    model = model_of(beacon())
    measures = measure(model, PLAIN)
    sheets = stud_sheets(model, measures, PLAIN)
    assert stud_sheets(model, measures, PLAIN) == sheets
    pages = pypdf.PdfReader(io.BytesIO(sheets)).pages
    text = "\n".join(page.extract_text() for page in pages)
    for shape in model.shapes:
        assert f"{shape.id}  " in text
    assert text.count("from above") == text.count("from below") == len(model.shapes)
    assert "4  2" in text  # of the block 2 x 4
    assert stud_sheets(model, measure(model, PLAIN), PLAIN) == stud_sheets(
        model, measure(model, PLAIN), PLAIN
    )
