"""A folder of loose parts: what its names and its list say, and a 3MF that lies on plates."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import pytest
import shapely
import trimesh

from demo_model.beacon import beacon
from demo_model.scene import DemoModel
from demo_model.solids import Bulk, block
from demo_model.tug import tug
from steps.booklet.words import words_in
from steps.errors import FaultyModel, UnreadableInput
from steps.intake import loose, read_model
from steps.intake.colour_words import WORDS
from steps.intake.loose import as_the_names_say
from steps.intake.parts_list import list_text
from steps.intake.said import colour_said, plain_word, said_by
from steps.intake.scene import RawMesh, RawPart, Scene
from steps.settings import Settings
from steps.wording import Term
from tests.intake_files import ThreeMF, box, pose

PLAIN = Settings()

#: Six ways in which people name files, by name, count and colour.
HABITS: dict[str, Callable[[str, int, str], str]] = {
    "spaced": lambda name, count, colour: f"{name} x{count} {colour}",
    "underscored": lambda name, count, colour: f"{count}pcs_{name}_{colour}",
    "hyphened": lambda name, count, colour: f"{name}-{colour}-({count})",
    "off": lambda name, count, colour: f"{colour} {name} ({count} off)",
    "quantity": lambda name, count, colour: f"{name}_qty{count}_{colour}",
    "times": lambda name, count, colour: f"{count}x {name}, {colour}",
}


def save(solid: Bulk, path: Path) -> None:
    trimesh.Trimesh(solid.vertices, solid.faces, process=False).export(path)


@pytest.mark.parametrize("habit", HABITS)
@pytest.mark.parametrize("demo", [beacon, tug])
def test_a_demo_as_loose_files_is_read_as_it_was_named(
    demo: Callable[[], DemoModel], habit: str, tmp_path: Path
) -> None:
    model = demo()
    prints = Counter((part.solid_key, part.colour) for part in model.placed)
    called = {key: f"piece {chr(97 + row)}" for row, key in enumerate(model.solids)}
    for (key, colour), count in prints.items():
        save(model.solids[key], tmp_path / f"{HABITS[habit](called[key], count, colour)}.stl")
    read = read_model(tmp_path, PLAIN)
    assert not read.placed

    expected = {(called[key], colour): count for (key, colour), count in prints.items()}
    found = Counter((part.source.split("#")[0], part.colour) for part in read.parts)
    assert found == expected
    assert len(read.shapes) == len({part.solid_key for part in model.placed})
    assert all(each.count_by == each.colour_by == "file name" and not each.questions for each in read.listed)


@pytest.mark.parametrize(
    ("written", "name", "count", "colour"),
    [
        ("deck plate ×12", "deck plate", 12, None),
        ("12 Stück Dachplatte dunkelgrün", "Dachplatte", 12, "#006400"),
        ("tile 2 x 4 x3 hellblau", "tile 2 x 4", 3, "#add8e6"),
        ("ring lightgrey", "ring", None, "#d3d3d3"),
        ("rote Wand 4 St.", "Wand", 4, "#ff0000"),
        ("Dach mintgruen x2", "Dach", 2, "mint green"),
        ("plate 2 x4", "plate 2 x4", None, None),  # a size
        ("plate 2x4 40mm", "plate 2x4 40mm", None, None),
        ("facade", "facade", None, None),  # hex letters, and a word
        ("red x12", "red x12", 12, "#ff0000"),  # nothing is left: the whole is the name
        ("S03 wedge-4x4-4-pegs", "S03 wedge-4x4-4-pegs", None, None),  # ours: 4 pegs
        ("S07 block-2x4 slate-blue 12-off", "S07 block-2x4", 12, "#5f7d95"),
    ],
)
def test_what_a_name_says(written: str, name: str, count: int | None, colour: str | None) -> None:
    said = said_by(written)
    assert (said.name, said.count) == (name, count)
    assert said.colour == (None if colour is None else colour_said(colour))
    assert said.questions == ()


@pytest.mark.parametrize(
    ("written", "beside", "asked"),
    [
        ("plate 12 red", (), "is 12 a count?"),
        ("a x3 4 off", (), "3 and 4 are both marked"),
        ("tower red white", (), "'red' and 'white' are both colours"),
        ("year x2023", (), "2023 copies are not believed"),
        ("plate (2)", ("plate",), "'(2)' may number files"),
    ],
)
def test_what_may_mean_something_else_is_asked_and_not_taken(
    written: str, beside: tuple[str, ...], asked: str
) -> None:
    said = said_by(written, beside)
    assert asked in " ".join(said.questions)
    assert said.count is None
    assert said.colour is None or "red" in written


def test_what_the_german_booklet_calls_a_colour_is_read_as_that_colour() -> None:
    said = words_in("de").said
    assert {word: plain_word(said(Term(word))) for word in WORDS} == {word: word for word in WORDS}


def test_the_list_outranks_the_names_and_a_file_may_have_several_colours(tmp_path: Path) -> None:
    save(block(2, 2), tmp_path / "stone x5 red.stl")
    save(block(2, 1), tmp_path / "half.stl")
    (tmp_path / "parts.csv").write_text(
        "file;count;colour;name\nstone x5 red.stl;2;;corner\nstone x5 red.stl;1;blau;\n", encoding="utf-8"
    )
    read = read_model(tmp_path, PLAIN)
    assert Counter((p.source.split("#")[0], str(p.colour_name)) for p in read.parts) == {
        ("corner", "red"): 2,
        ("stone", "blue"): 1,
        ("half", "mid grey"): 1,
    }
    assert [(e.count_by, e.colour_by) for e in read.listed] == [
        ("", ""),
        ("parts.csv", "file name"),
        ("parts.csv", "parts.csv"),
    ]


def test_the_list_written_is_read_back_equal(tmp_path: Path) -> None:
    save(block(2, 2), tmp_path / "stone x5 rot.stl")
    save(block(2, 1), tmp_path / "half, qty 3 #a63a2f.stl")
    before = read_model(tmp_path, PLAIN)
    (tmp_path / "parts.csv").write_text(list_text(before.listed), encoding="utf-8")
    after = read_model(tmp_path, PLAIN)
    assert [(p.source, p.colour, str(p.colour_name)) for p in after.parts] == [
        (p.source, p.colour, str(p.colour_name)) for p in before.parts
    ]
    assert as_the_names_say(tmp_path) == before.listed
    assert after.sha256 != before.sha256


def test_every_faulty_line_of_the_list_is_named(tmp_path: Path) -> None:
    save(block(2, 2), tmp_path / "stone.stl")
    table = tmp_path / "parts.csv"
    lines = ("Stone.obj,1,", "stone.stl,many,", "stone.stl,2,no such hue", "stone.stl,2,red,Fir, cut")
    table.write_text("\n".join(("file,count,colour", *lines, "")))
    with pytest.raises(FaultyModel) as caught:
        read_model(tmp_path, PLAIN)
    told = str(caught.value)
    assert "line 2" in told and "Do you mean stone.stl?" in told
    assert "line 3: count 'many'" in told
    assert "line 4: colour 'no such hue'" in told
    assert "line 5: 5 cells, and line 1 names 3 columns" in told
    for head in ("part,count", "file,count,count"):
        table.write_text(f"{head}\nstone.stl,2\n")
        with pytest.raises(UnreadableInput, match="line 1 must name the columns"):
            read_model(tmp_path, PLAIN)


@pytest.mark.skipif(os.name != "posix", reason="elsewhere all names are text")
def test_a_name_that_is_no_text_is_read_as_any_other(tmp_path: Path) -> None:
    try:
        save(block(1, 1), Path(os.fsdecode(bytes(tmp_path) + b"/caf\xe9.stl")))
    except OSError:
        pytest.skip("this file system takes text only")
    assert len(read_model(tmp_path, PLAIN).parts) == 1


@pytest.mark.skipif(os.name != "posix", reason="elsewhere links need a right")
def test_a_hidden_link_to_nothing_is_no_part(tmp_path: Path) -> None:
    save(block(1, 1), tmp_path / "a.stl")
    (tmp_path / ".#a.stl").symlink_to("who@where.1")
    assert not read_model(tmp_path, PLAIN).problems


def test_a_file_with_broken_numbers_is_left_out_with_a_warning(tmp_path: Path) -> None:
    save(block(2, 2), tmp_path / "good x2.stl")
    corners = "vertex 0 0 nan\nvertex 1 0 0\nvertex 0 1 0\n"
    text = f"solid a\nfacet normal 0 0 1\nouter loop\n{corners}endloop\nendfacet\nendsolid a\n"
    (tmp_path / "bad.stl").write_text(text)
    read = read_model(tmp_path, PLAIN)
    assert [part.source for part in read.parts] == ["good", "good#2"]
    assert ("not-finite", "warning") in [(found.code, found.severity) for found in read.problems]


def on_plates(tmp_path: Path, lift: float = 0.0) -> Path:
    file = ThreeMF()
    one = file.mesh(box((10, 10, 10)), "wall yellow")
    other = file.mesh(box((20, 5, 10)), "beam (4)")
    for row in range(3):
        file.item(one, pose(at=(15.0 * row, 0, lift * (row == 2))))
    file.item(other, pose(at=(0, 40, 0)))
    return file.write(tmp_path / "plates.3mf")


def test_a_3mf_on_plates_is_a_folder_of_loose_parts(tmp_path: Path) -> None:
    read = read_model(on_plates(tmp_path), PLAIN)
    assert not read.placed
    assert Counter((p.source.split("#")[0], str(p.colour_name)) for p in read.parts) == {
        ("wall", "yellow"): 3,
        ("beam", "mid grey"): 4,
    }
    (note,) = [problem for problem in read.problems if problem.code == "on-plates"]
    assert "4 parts lie side by side" in note.text


@pytest.mark.parametrize(("step", "asked_of"), [(0.0, 1), (30.0, 60)])
def test_the_first_that_another_stands_on_tells_that_none_lie_on_plates(
    step: float, asked_of: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Twenty thousand items at one place: what lies there is looked up once, not once for each."""
    asked = []

    class Known(shapely.STRtree):
        def query(self, *given, **named):
            asked.append(given)
            return super().query(*given, **named)

    monkeypatch.setattr(shapely, "STRtree", Known)
    vertices, faces = box((10, 10, 10))
    parts = tuple(RawPart(str(row), 0, pose(at=(step * row, 0, 0))) for row in range(60))
    scene = Scene(meshes=(RawMesh("box", vertices, faces),), parts=parts, unit_mm=1.0)
    assert loose.on_plates(scene) == (step > 0)
    assert len(asked) == asked_of


def test_a_3mf_with_a_part_lifted_is_a_placed_model(tmp_path: Path) -> None:
    assert read_model(on_plates(tmp_path, lift=10.0), PLAIN).placed


def test_blocks_side_by_side_are_a_placed_model(tmp_path: Path) -> None:
    file = ThreeMF()
    one = file.mesh(box((10, 10, 10)), "stone")
    for row in range(4):
        file.item(one, pose(at=(10.1 * row, 0, 0)))
    assert read_model(file.write(tmp_path / "row.3mf"), PLAIN).placed


@pytest.mark.parametrize(
    ("material", "colour", "name"),
    [
        ("PLA yellow", (230, 200, 40), "yellow"),
        ("gelb matt", (230, 200, 40), "yellow"),
        ("red", (40, 60, 200), "dark blue"),  # no word for a blue
        ("Material 1", (255, 0, 0), "red"),
    ],
)
def test_the_files_own_word_for_a_colour_stays(
    material: str, colour: tuple[int, int, int], name: str, tmp_path: Path
) -> None:
    path = tmp_path / "m.obj"
    rgb = " ".join(f"{value / 255:.6f}" for value in colour)
    (tmp_path / "m.mtl").write_text(f"newmtl {material}\nKd {rgb}\n")
    vertices, faces = box((10, 10, 10))
    lines = ["mtllib m.mtl", f"usemtl {material}", *(f"v {x} {y} {z}" for x, y, z in vertices)]
    path.write_text("\n".join([*lines, *(f"f {a + 1} {b + 1} {c + 1}" for a, b, c in faces)]) + "\n")
    (part,) = read_model(path, PLAIN).parts
    assert str(part.colour_name) == name
