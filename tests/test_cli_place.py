"""The commands of loose parts and build files, as a maker types them; and what every command spares."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
import trimesh

from demo_model.beacon import beacon
from demo_model.solids import block, slab
from demo_model.write import write_3mf
from steps.cli import run
from steps.kept import RECORD

Capture = pytest.CaptureFixture[str]
LINES = '[build]\nlines = """\nfloor = deck, table, 1 1\nw1 = wall, floor, 1 1\n{more}"""\n'


@pytest.fixture
def parts(tmp_path: Path) -> Path:
    folder = tmp_path / "hut"
    folder.mkdir()
    for name, solid in (("deck", slab(4, 4)), ("wall x2 yellow", block(4, 2))):
        trimesh.Trimesh(solid.vertices, solid.faces, process=False).export(folder / f"{name}.stl")
    return folder


def write(folder: Path, more: str = "") -> Path:
    (folder / "build.toml").write_text(LINES.format(more=more), encoding="utf-8")
    return folder


def test_the_list_is_written_once_and_then_compared(parts: Path, capsys: Capture) -> None:
    assert run(["inspect", str(parts), "--write-list"]) == 0
    table = parts / "parts.csv"
    assert "wall x2 yellow.stl,2,yellow,wall" in table.read_text()
    assert run(["inspect", str(parts), "--write-list"]) == 0
    assert "says the same" in capsys.readouterr().err
    table.write_text(table.read_text().replace(",2,yellow", ",3,red"))
    before = table.read_bytes()
    assert run(["inspect", str(parts), "--write-list"]) == 0
    out, err = capsys.readouterr()
    assert "stays as it is" in err and table.read_bytes() == before
    assert "-wall x2 yellow.stl,3,red,wall" in out and "+wall x2 yellow.stl,2,yellow,wall" in out


@pytest.mark.skipif(os.name != "posix", reason="elsewhere all names are text")
def test_a_name_that_no_list_can_hold_is_named(parts: Path, capsys: Capture) -> None:
    (parts / "wall x2 yellow.stl").rename(os.fsdecode(bytes(parts) + b"/caf\xe9 x2.stl"))
    assert run(["inspect", str(parts), "--write-list"]) == 2
    assert "caf\\udce9 x2.stl" in (told := capsys.readouterr().err) and "is no text" in told
    assert not (parts / "parts.csv").exists()


def test_a_name_longer_than_any_file_has_is_told_of(capsys: Capture) -> None:
    assert run(["inspect", 5_000 * "a" + ".stl"]) == 2
    assert "fault of the program" not in capsys.readouterr().err


def test_a_growing_file_is_drawn_and_what_is_left_is_counted(parts: Path, capsys: Capture) -> None:
    write(parts)
    assert run(["place", str(parts)]) == 0
    out, err = capsys.readouterr()
    assert str(parts / "build.png") in out and (parts / "build.png").stat().st_size > 2000
    assert "2 parts set; left over: 1 x wall, yellow." in err
    write(parts, "w2 = wall, floor, 1 3\n")
    assert run(["place", str(parts), "-o", str(parts.parent / "hut.3mf")]) == 0
    err = capsys.readouterr().err
    assert "3 parts set; nothing is left over." in err
    assert "Since the last run 1 of 1 files changed: build.png; 1 new: hut.3mf." in err
    assert run(["inspect", str(parts.parent / "hut.3mf")]) == 0
    assert "3 parts" in capsys.readouterr().out
    assert run(["place", str(parts), "-o", str(parts / "hut.3mf")]) == 2  # it would be a part of itself
    assert "one more part" in capsys.readouterr().err and not (parts / "hut.3mf").exists()
    assert run(["place", str(parts), "-o", str(parts.parent / "hut.3mf")]) == 0
    assert "Nothing changed since the last run." in capsys.readouterr().err


def test_a_line_that_does_not_seat_is_status_1_and_drawn_all_the_same(parts: Path, capsys: Capture) -> None:
    write(parts, "w2 = wall, floor, 1 2\n")
    (parts / "placements.csv").write_text("id,file,colour,x,y,z,rx,ry,rz\n")
    assert run(["place", str(parts)]) == 1
    err = capsys.readouterr().err
    assert "note: build.toml is taken; the table of placements beside it is not read." in err
    assert "line 5, column 6: w2 stands in w1. The nearest place where it seats is stud 1 3 of floor" in err
    assert (parts / "build.png").exists()


def test_a_folder_without_a_build_file_is_told_how_to_begin(parts: Path, capsys: Capture) -> None:
    assert run(["place", str(parts)]) == 2
    assert "--stud-sheets" in capsys.readouterr().err
    assert run(["place", str(write(parts)), "-o", str(parts / "hut.stl")]) == 2
    assert ".3mf or .glb" in capsys.readouterr().err


def test_a_model_becomes_a_build_file_and_a_plan(tmp_path: Path, capsys: Capture) -> None:
    write_3mf(beacon(), tmp_path / "beacon.3mf")
    folder = tmp_path / "table"
    assert run(["place", str(tmp_path / "beacon.3mf"), "--write-table", "-o", str(folder)]) == 0
    assert "12 parts in stud terms, 0 by coordinates" in capsys.readouterr().err
    assert run(["plan", str(folder), "-o", str(tmp_path / "a.plan.json")]) == 0
    assert run(["verify", str(tmp_path / "a.plan.json"), str(folder), "-q"]) == 0
    mine = folder / "build.toml"
    mine.write_text(mine.read_text().replace("lamp", "light"))
    assert run(["place", str(tmp_path / "beacon.3mf"), "--write-table", "-o", str(folder)]) == 0
    assert "+lamp" in capsys.readouterr().out and "light" in mine.read_text()
    mesh = next(folder.glob("*.stl"))
    mesh.write_bytes(b"another")
    assert run(["place", str(tmp_path / "beacon.3mf"), "--write-table", "-o", str(folder)]) == 2
    assert mesh.name in capsys.readouterr().err and mesh.read_bytes() == b"another"


def test_stud_sheets_are_a_pdf(parts: Path, capsys: Capture) -> None:
    assert run(["inspect", str(parts), "--stud-sheets", str(parts / "studs.pdf"), "-q"]) == 0
    assert (parts / "studs.pdf").read_bytes().startswith(b"%PDF")
    assert run(["inspect", str(parts), "--stud-sheets", str(parts / "studs.txt")]) == 2
    write(parts, "w2 = wall, floor, 9 9\n")  # what the sheets are to put right
    options = ["--stud-sheets", str(parts / "more.pdf"), "--write-list", "-q"]
    assert run(["inspect", str(parts), *options]) == 1
    assert (parts / "more.pdf").read_bytes() == (parts / "studs.pdf").read_bytes()
    assert "wall x2 yellow.stl,2,yellow,wall" in (parts / "parts.csv").read_text()
    assert "ends in .pdf" in capsys.readouterr().err


def test_prints_spare_what_is_not_ours_and_keep_the_makers_entries(parts: Path, capsys: Capture) -> None:
    out = parts.parent / "prints"
    assert run(["prints", str(parts), "-o", str(out), "-q"]) == 0
    assert (out / RECORD).exists()
    entries = out / "print run.csv"
    entries.write_text(entries.read_text().replace(".3mf,,,,,,", ".3mf,1,,,S1,,", 1))
    assert run(["prints", str(parts), "-o", str(out), "--left"]) == 0
    err = capsys.readouterr().err
    assert "Since the last run" in err and "Next: enter in" in err
    assert "2 left to print of 3 parts, on 1 plates" in err
    assert run(["prints", str(parts), "-o", str(parts.parent / "four"), "--scale", "4"]) == 0
    assert f"then stepleaf prints {parts} --scale 4 --left -o" in capsys.readouterr().err
    assert ".3mf,1,,,S1,," in entries.read_text()
    (out / "filament.csv").write_text("mine")
    assert run(["prints", str(parts), "-o", str(out)]) == 2
    assert "filament.csv: not as Stepleaf left it" in capsys.readouterr().err
    assert (out / "filament.csv").read_text() == "mine"
    assert run(["prints", str(parts), "-o", str(out), "--force", "-q"]) == 0
    assert (out / "filament.csv").read_text() != "mine"
    assert run(["prints", str(parts), "-o", str(parts / "prints.stl")]) == 2
    assert run(["prints", str(parts), "-o", str(parts)]) == 2
    assert "holds the parts" in capsys.readouterr().err


def test_prints_within_the_folder_of_parts_can_be_made_again(
    parts: Path, monkeypatch: pytest.MonkeyPatch, capsys: Capture
) -> None:
    monkeypatch.chdir(parts)
    for _ in range(2):
        assert run(["prints", "."]) == 0, capsys.readouterr().err
    assert "Nothing changed since the last run." in capsys.readouterr().err


@pytest.mark.parametrize(
    "command", ["demo", "inspect", "plan", "booklet", "prints", "coupon", "place", "verify"]
)
def test_every_help_has_one_example(command: str, capsys: Capture) -> None:
    assert run([command, "--help"]) == 0
    said = capsys.readouterr().out
    assert said.count("Example: ") == 1 and f"stepleaf {command}" in said


def test_a_name_of_nothing_is_told_from_a_folder_without_a_build_file(parts: Path, capsys: Capture) -> None:
    for given, said in ((parts / "hat", "no such file or folder"), (parts, "there is no build.toml")):
        assert run(["place", str(given)]) == 2
        assert said in capsys.readouterr().err


def test_a_command_refuses_options_that_it_does_not_use(parts: Path, capsys: Capture) -> None:
    assert run(["prints", str(parts), "--reader", "child"]) == 2
    assert "--reader" in capsys.readouterr().err
