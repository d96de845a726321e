"""Mistakes in a build file: each has its own message, with line and column, and what would be right."""

from __future__ import annotations

from pathlib import Path

import pytest
import trimesh

from demo_model.solids import block, slab
from steps.cli.placing import checked
from steps.errors import FaultyModel, UnreadableInput
from steps.intake import read_model
from steps.place.build import read_build
from steps.settings import Settings

PLAIN = Settings()


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    there = tmp_path_factory.mktemp("hut")
    shapes = {
        "deck x2 green": slab(4, 4),
        "wall x9": block(4, 2),
        "one x2": block(1, 1),
        "tile": slab(2, 1, smooth=True),
    }
    for name, solid in shapes.items():
        trimesh.Trimesh(solid.vertices, solid.faces, process=False).export(there / f"{name}.stl")
    return there


LEGEND = '[pieces]\nD = "deck"\nA = "wall"\nB = "wall"\nt = "tile"\no = "one"\n'
HEAD = f'{LEGEND}[build]\nlines = """\n'  # the first line of parts is line 9


def lines(*rows: str) -> str:
    return HEAD + "\n".join(rows) + '\n"""\n'


def courses(*maps: str) -> str:
    return LEGEND + "".join(f'[[course]]\nmap = """\n{text}\n"""\n' for text in maps)


#: What is wrong -> the file, the code, where it is, and what is said.
MISTAKES: dict[str, tuple[str, str, str, str]] = {
    "wrong stud": (
        lines("d = D, table, 1 1", "w = A, d, 5 1"),
        "build-stud",
        "line 10, column 11",
        "d has no stud 5 1 on its top: columns 1 to 4, rows 1 to 4. The nearest is 4 1.",
    ),
    "wrong turn": (
        lines("d = D, table, 1 1", "w = A, d, 1 1, north"),
        "build-turn",
        "line 10, column 16",
        "turn 'north': write 0 to 3 quarter turns to the left, or an angle as 30°.",
    ),
    "upside down": (
        lines("d = t, table, 1 1", "w = A, d, 1 1"),
        "build-upside-down",
        "line 10, column 11",
        "d (smooth slab 1 x 2) has no studs on its top, so nothing sits there",
    ),
    "missing file": (
        LEGEND.replace('"wall"', '"wal.stl"', 1) + '[build]\nlines = """\nw = A, table\n"""\n',
        "build-file",
        "line 3, column 1",
        "A: there is no part file 'wal.stl' here; there are deck x2 green.stl",
    ),
    "used twice": (
        lines("d = D, table, 1 1", "w = A, d, 1 1", "w = A, d, 1 3"),
        "build-twice",
        "line 11, column 1",
        "'w' is set twice",
    ),
    "circle": (
        lines("d = D, table, 1 1", "u = A, w, 1 1", "w = A, u, 1 1"),
        "build-circle",
        "line 10, column 8",
        "u on w on u: a circle",
    ),
    "ambiguous letters": (
        courses("AAAA\nAAAA\nAAAA\nAAAA"),
        "build-ambiguous",
        "line 9, column 1",
        "A (block 2 x 4) covers 4 x 2 places, 8 in all; here A marks 16. These may be 2 parts side by side: "
        "twins that touch take two letters.",
    ),
    "footprint": (
        courses("DDDD\nDDDD\nDDDD\nDDDD", "....\nAAA.\n....\n...."),
        "build-footprint",
        "line 17, column 1",
        "here A marks 3. They are 3 wide and 1 deep.",
    ),
    "ragged map": (
        courses("DDDD\nDDDD\nDDDD\nDDDD", "AAAA\nAAAA\n...\n...."),
        "build-ragged",
        "line 18, column 4",
        "this row has 3 places, the others 4",
    ),
    "unknown colour": (
        LEGEND.replace('A = "wall"', 'A = { file = "wall", colour = "gren" }')
        + '[build]\nlines = "w = A, table"\n',
        "build-colour",
        "line 3, column 1",
        "A: colour 'gren' is neither '#rrggbb' nor a plain colour word.",
    ),
    "counts": (
        lines("a = o, table, 1 1", "b = o, a, 1 1", "c = o, b, 1 1"),
        "build-count",
        "line 11, column 5",
        "one: 3 are set, 2 are there by the file name",
    ),
    "unknown letter": (
        lines("d = X, table, 1 1"),
        "build-letter",
        "line 9, column 5",
        "'X' is in no legend ([pieces]: D, A, B, t, o) and no part's name.",
    ),
    "unknown part below": (
        lines("d = D, table, 1 1", "w = A, dd, 1 1"),
        "build-on",
        "line 10, column 8",
        "there is no part 'dd' to sit on; the last ones set are d.",
    ),
    "bridge": (
        lines("d = D, table, 1 1", "e = D, table, 5 1", "w = A, d + e, 3 1 + 4 1"),
        "build-bridge",
        "line 11, column 20",
        "w, set on stud 3 1 of d, misses stud 4 1 of e: it would have to move 20.00 mm to the right.",
    ),
    "no such face": (
        lines("d = D, table, 1 1", "w = A, d, 1 1, 0, front"),
        "build-face",
        "line 10, column 19",
        "d (slab 4 x 4) has no face 'front'",
    ),
    "bad coordinates": (
        lines("d = D, at, 1 2"),
        "build-place",
        "line 9, column 12",
        "'1 2': a part set at coordinates needs x y z in mm.",
    ),
}


@pytest.mark.parametrize("mistake", MISTAKES)
def test_each_mistake_has_its_message_with_line_and_column(mistake: str, folder: Path) -> None:
    text, code, where, told = MISTAKES[mistake]
    (folder / "build.toml").write_text(text, encoding="utf-8")
    with pytest.raises(FaultyModel) as caught:
        read_build(folder / "build.toml")
    (fault,) = caught.value.problems
    assert fault.code == code
    assert fault.text.startswith(f"build.toml, {where}: "), fault.text
    assert told in fault.text


def test_no_two_mistakes_share_a_message() -> None:
    codes = [code for _, code, _, _ in MISTAKES.values()]
    assert len(set(codes)) == len(codes)


def test_all_mistakes_are_told_at_once(folder: Path) -> None:
    text = lines("d = D, table, 1 1", "w = A, d, 9 9", "v = X, d, 1 1", "u = A, w, 1 1", "t = A, u + d, 1 1")
    (folder / "build.toml").write_text(text, encoding="utf-8")
    with pytest.raises(FaultyModel) as caught:
        read_model(folder, PLAIN)
    assert [fault.code for fault in caught.value.problems] == ["build-stud", "build-letter"]


def test_what_is_no_toml_is_unreadable(folder: Path) -> None:
    (folder / "build.toml").write_text("[pieces\n", encoding="utf-8")
    with pytest.raises(UnreadableInput, match="line 1"):
        read_model(folder, PLAIN)


def seating(folder: Path, *rows: str) -> list[str]:
    (folder / "build.toml").write_text(lines(*rows), encoding="utf-8")
    made = checked(folder / "build.toml", PLAIN, lambda stage, done, total: None)
    assert all(fault.code == "build-seat" for fault in made.faults)
    return [fault.text for fault in made.faults]


def test_a_part_in_another_is_told_the_nearest_place_that_seats(folder: Path) -> None:
    told = seating(folder, "d = D, table, 1 1", "w = A, d, 1 1", "v = A, d, 1 2")
    assert len(told) == 1
    assert told[0].startswith("build.toml, line 11, column 5: v stands in w.")
    assert "The nearest place where it seats is stud 1 3 of d, turn 0, 10.00 mm to the back." in told[0]


def test_a_part_by_coordinates_beside_its_seat_is_told_how_far_it_misses(folder: Path) -> None:
    told = seating(folder, "d = D, table, 1 1", "w = A, at, 1.5 0 5")
    assert len(told) == 1
    assert told[0].startswith("build.toml, line 10, column 5: w ")
    assert "stud 1 1 of d, turn 0, 1.50 mm to the left." in told[0]


def test_what_seats_is_not_told_of(folder: Path) -> None:
    assert (
        seating(folder, "d = D, table, 1 1", "w = A, d, 1 1", "v = A, d, 1 3", "x = A, w + v, 2 2 + 2 1")
        == []
    )
