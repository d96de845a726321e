"""Print files as bytes: 3MF through the reference library, STL through another reader; and what goes wrong
while they are written."""

from __future__ import annotations

import csv
import hashlib
import io
import os
import re
import signal
import subprocess
import sys
import time
import zipfile
from pathlib import Path
from typing import Any

import lib3mf
import numpy as np
import pypdfium2
import pytest
import trimesh
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from demo_model.beacon import beacon
from demo_model.write import write_3mf
from steps.cli import run
from steps.features import measure
from steps.mend import mend
from steps.model import Model, Part, Shape
from steps.prints import PARTS_LIST, SHEET, prepare, write_prints
from steps.prints.stl import stl_bytes
from steps.prints.threemf import PrintObject, packed_mesh, print_3mf
from steps.settings import Settings

Capture = pytest.CaptureFixture[str]
CUBE = trimesh.creation.box((20, 20, 20))
BALL = trimesh.creation.icosphere(3, 10)

HOSTILE = {
    "markup": "<b>&amp; \"quoted\" 'too' ]]></b>",
    "emoji": "🚢 tug 🚀",
    "right to left": "שלום \u202eabc\u202c سفينة",
    "long": "x" * 300,
    "separators": "../../etc\\passwd:stream|*?",
    "reserved": "CON.txt",
    "control": "a\x00b\x0bc\x1f",
    "spaces": "   ",
    "formula": "=HYPERLINK(1)",
    "composed": "e\u0301\u00e9",
}


# --------------------------------------------------------------------------------- 3MF


def read_strictly(data: bytes) -> Any:
    document = lib3mf.get_wrapper().CreateModel()
    reader = document.QueryReader("3mf")
    reader.SetStrictModeActive(True)
    reader.ReadFromBuffer(data)
    assert reader.GetWarningCount() == 0
    return document


def objects_of(document: Any) -> list[tuple[str, np.ndarray, np.ndarray]]:
    found, meshes = [], document.GetMeshObjects()
    while meshes.MoveNext():
        mesh = meshes.GetCurrentMeshObject()
        corners = np.array([list(vertex.Coordinates) for vertex in mesh.GetVertices()])
        found.append(
            (mesh.GetName(), corners, np.array([list(t.Indices) for t in mesh.GetTriangleIndices()]))
        )
    return found


def two_objects() -> list[PrintObject]:
    cube, ball = packed_mesh(CUBE.vertices, CUBE.faces), packed_mesh(BALL.vertices, BALL.faces)
    return [
        PrintObject("cube", cube, "#ff0000", "red", (("a", 0.0, 0.0), ("b", 30.0, -0.0))),
        PrintObject("ball", ball, "#00ff00", "green", (("c", 1e-9, 123.456),)),
        PrintObject("cube again", cube, "#ff0000", "red", ()),
    ]


def test_the_reference_library_reads_what_was_written() -> None:
    document = read_strictly(print_3mf("two", two_objects()))
    assert document.GetUnit() == lib3mf.ModelUnit.MilliMeter
    (first, second, third) = objects_of(document)
    for (name, corners, faces), mesh, wanted in (
        (first, CUBE, "cube"),
        (second, BALL, "ball"),
        (third, CUBE, "cube again"),
    ):
        assert name == wanted and (faces == mesh.faces).all()
        np.testing.assert_allclose(corners, mesh.vertices, atol=1e-5)
    items, places = document.GetBuildItems(), []
    while items.MoveNext():
        item = items.GetCurrent()
        places.append((item.GetPartNumber(), *list(item.GetObjectTransform().Fields[3])))
    assert [place[0] for place in places] == ["a", "b", "c"]
    np.testing.assert_allclose(
        [place[1:] for place in places], [(0, 0, 0), (30, 0, 0), (0, 123.456, 0)], atol=1e-4
    )


def test_the_package_is_a_sound_archive_with_repeating_bytes() -> None:
    data = print_3mf("two", two_objects())
    assert data == print_3mf("two", two_objects())
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        assert archive.testzip() is None
        assert archive.namelist() == ["[Content_Types].xml", "_rels/.rels", "3D/3dmodel.model"]
        for entry in archive.infolist():
            assert entry.date_time == (1980, 1, 1, 0, 0, 0)
    assert len(data) < 0.6 * sum(entry.file_size for entry in archive.infolist())


@pytest.mark.parametrize("name", HOSTILE.values(), ids=HOSTILE.keys())
def test_any_name_goes_into_a_3mf_and_out_again(name: str) -> None:
    cube = packed_mesh(CUBE.vertices, CUBE.faces)
    data = print_3mf(name, [PrintObject(name, cube, "#abcdef", name, ((name, 0.0, 0.0),))])
    ((read, _, _),) = objects_of(read_strictly(data))
    # the reader may fold white space in an attribute, and what XML cannot hold is gone
    kept = "".join(each for each in name if each >= " ")
    assert read.split() == kept.split()


@given(st.text(max_size=60))
@hypothesis_settings(max_examples=60)
def test_no_text_breaks_the_document(text: str) -> None:
    cube = packed_mesh(CUBE.vertices, CUBE.faces)
    objects_of(
        read_strictly(print_3mf(text, [PrintObject(text, cube, "#abcdef", text, ((text, 0.0, 0.0),))]))
    )


# --------------------------------------------------------------------------------- STL


def test_stl_is_read_back_by_another_reader() -> None:
    mesh = trimesh.load(io.BytesIO(stl_bytes(BALL.vertices, BALL.faces)), file_type="stl")
    assert mesh.is_watertight and mesh.volume == pytest.approx(BALL.volume, rel=1e-6)
    assert len(stl_bytes(BALL.vertices, BALL.faces)) == 84 + 50 * len(BALL.faces)
    theirs = trimesh.exchange.stl.export_stl(BALL)
    ours = stl_bytes(BALL.vertices, BALL.faces)
    read = [np.frombuffer(data[84:], "<f4,<f4,<f4,(9,)<f4,<u2") for data in (theirs, ours)]
    for field in ("f0", "f1", "f2", "f3"):
        np.testing.assert_allclose(read[0][field], read[1][field], atol=1e-6)


def test_a_facet_without_area_has_no_normal() -> None:
    data = stl_bytes(np.zeros((3, 3)), np.array([[0, 1, 2]]))
    assert data[84:96] == bytes(12)


# ------------------------------------------------------------------------------- names


def model_named(name: str, colours: tuple[tuple[str, str], ...]) -> Model:
    shape = Shape("S1", CUBE.vertices, CUBE.faces, True)
    parts = tuple(
        Part(f"P{row}", f"{name}#{row}", "S1", code, colour, np.eye(4))
        for row, (code, colour) in enumerate(colours, 1)
    )
    return Model(name, "m.3mf", "0" * 64, 1.0, (shape,), parts)


@pytest.mark.parametrize("name", HOSTILE.values(), ids=HOSTILE.keys())
def test_a_whole_folder_with_a_hostile_name(name: str, tmp_path: Path) -> None:
    model = model_named(name, (("#ff0000", name), ("#00ff00", name + "2")))
    write_prints(model, tmp_path / "out")
    assert [path.name for path in tmp_path.iterdir()] == ["out"]
    names = [path.relative_to(tmp_path / "out").as_posix() for path in (tmp_path / "out").rglob("*.*")]
    assert len(names) == 2 * 2 + 2 + 5  # STL and 3MF of two colours, two plates, four tables and the sheet
    for each in names:
        assert each.isascii() and len(Path(each).name) < 150 and not each.endswith((".", " "))
    document = pypdfium2.PdfDocument(str(tmp_path / "out" / SHEET))
    assert len(document) == 1 and "S01" in document[0].get_textpage().get_text_range()
    for path in (tmp_path / "out").rglob("*.3mf"):
        read_strictly(path.read_bytes())


def test_colours_whose_names_become_alike_keep_files_of_their_own() -> None:
    model = model_named(
        "m", (("#ff0000", "赤"), ("#0000ff", "青"), ("#00ff00", "Émail"), ("#00ff01", "email"))
    )
    prints = prepare(model, measure(model, Settings()), Settings())
    stems = [item.stem for item in prints.items]
    assert len({stem.lower() for stem in stems}) == 4
    assert stems[0].endswith("part 1-off") and "0000ff" in stems[1]
    long = model_named("m", (("#ff0000", "long " * 20), ("#0000ff", "long " * 21)))
    assert len({item.stem for item in prepare(long, measure(long, Settings()), Settings()).items}) == 2


# ------------------------------------------------------------------------- parts list


def test_a_mended_print_weighs_what_the_whole_one_does() -> None:
    mended = mend(CUBE.vertices, CUBE.faces[1:][:, ::-1])  # inside out, and a face is missing
    assert mended is not None
    whole = Shape("S1", CUBE.vertices, CUBE.faces, True)
    again = Shape("S1", mended.vertices, mended.faces, True, mending=mended.mending)
    laid = []
    for shape in (whole, again):
        parts = (Part("P1", "cube", "S1", "#ff0000", "red", np.eye(4)),)
        model = Model("cube", "m.3mf", "0" * 64, 1.0, (shape,), parts)
        (item,) = prepare(model, measure(model, Settings()), Settings()).items
        laid.append(item.laid)
    assert not laid[0].mended and any("closed" in str(told) for told in laid[1].mended)
    assert laid[1].use.grams == pytest.approx(laid[0].use.grams) and laid[0].use.grams > 3


def test_small_parts_and_places_of_ears_are_told(tmp_path: Path) -> None:
    """A cube of 20 mm goes into the cylinder of 16 CFR 1501.4 (31.7 mm wide); a bar of 90 mm does not."""
    bar = trimesh.creation.box((90, 30, 10))
    shapes = (Shape("S1", CUBE.vertices, CUBE.faces, True), Shape("S2", bar.vertices, bar.faces, True))
    parts = tuple(Part(f"P{n}", f"part {n}", f"S{n}", "#ff0000", "red", np.eye(4)) for n in (1, 2))
    model = Model("two", "m.3mf", "0" * 64, 1.0, shapes, parts)
    made = write_prints(model, tmp_path)
    (told,) = made.problems
    assert told.code == "small-part" and told.severity == "note" and told.parts == ("P1",)
    rows = list(csv.DictReader(io.StringIO((tmp_path / PARTS_LIST).read_text())))
    assert [row["small_part"] for row in rows] == ["yes", "no"]
    assert rows[0]["ears_at_mm"] == "" and rows[1]["ears"] == "4"
    places = {tuple(map(float, place.split())) for place in re.findall(r"\(([^)]*)\)", rows[1]["ears_at_mm"])}
    assert places == {(45, 15), (45, -15), (-45, 15), (-45, -15)}


# ----------------------------------------------------------------------- while writing


def hashes(folder: Path) -> dict[str, str]:
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


@pytest.fixture
def printed(tmp_path: Path) -> tuple[Path, Path, dict[str, str]]:
    """A model, its print folder as an earlier run left it, and what is in that."""
    model, out = tmp_path / "beacon.3mf", tmp_path / "out"
    write_3mf(beacon(), model)
    assert run(["prints", str(model), "-o", str(out), "-q"]) == 0
    return model, out, hashes(out)


def limited(arguments: list[str], most: int) -> subprocess.CompletedProcess[str]:
    """The command in a process whose files may not grow beyond ``most`` bytes: a disk that fills up."""
    code = (
        "import resource, signal, sys\n"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        f"resource.setrlimit(resource.RLIMIT_FSIZE, ({most}, {most}))\n"
        "from steps.cli import main\n"
        f"main({arguments!r})\n"
    )
    return subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)


@pytest.mark.parametrize("command", ["prints", "coupon"])
def test_a_disk_that_fills_up_is_one_line_and_changes_nothing(
    command: str, printed: tuple[Path, Path, dict[str, str]]
) -> None:
    model, out, before = printed
    ended = limited([command, str(model), "--scale", "3", "-o", str(out), "-q"], 20_000)
    assert ended.returncode == 2 and ended.stdout == ""
    (line,) = ended.stderr.strip().splitlines()
    assert str(out) in line and "cannot be written" in line and "Nothing was changed" in line
    assert hashes(out) == before and not list(out.glob(".draft-*"))
    fresh = limited([command, str(model), "-o", str(out.parent / "fresh"), "-q"], 20_000)
    assert fresh.returncode == 2 and not (out.parent / "fresh").exists()


@pytest.mark.parametrize("command", ["prints", "coupon"])
def test_a_folder_that_may_not_be_written_to_is_one_line(
    command: str, printed: tuple[Path, Path, dict[str, str]], capsys: Capture
) -> None:
    model, _, _ = printed
    capsys.readouterr()
    assert run([command, str(model), "-o", "/proc/prints", "-q"]) == 2  # no right to write even for root
    told = capsys.readouterr()
    assert told.out == "" and told.err.count("\n") == 1 and "/proc/prints: cannot be written" in told.err


@pytest.mark.parametrize("how", [signal.SIGTERM, signal.SIGINT, signal.SIGKILL])
def test_a_run_that_is_killed_while_writing_leaves_the_old_files(
    how: signal.Signals, printed: tuple[Path, Path, dict[str, str]]
) -> None:
    """The process is stopped when half of its files have been made."""
    model, out, before = printed
    code = (
        "import sys, time\n"
        "import steps.prints\n"
        "def slow(*arguments):\n"
        "    print('half', flush=True)\n"
        "    time.sleep(60)\n"
        "steps.prints.sheet_pdf = slow\n"
        "from steps.cli import main\n"
        f"main(['prints', {str(model)!r}, '--scale', '3', '-o', {str(out)!r}, '-q'])\n"
    )
    process = subprocess.Popen(
        [sys.executable, "-c", code], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    try:
        assert process.stdout is not None and process.stdout.readline() == "half\n"
        time.sleep(0.2)
        os.kill(process.pid, how)
        process.wait(timeout=30)
    finally:
        process.kill()
        process.communicate()
    left = hashes(out)
    if how == signal.SIGKILL:  # what had been made so far stays hidden beside the old files
        left = {name: value for name, value in left.items() if not name.startswith(".draft-")}
    else:
        assert process.returncode == 130
    assert left == before
    assert run(["prints", str(model), "-o", str(out), "-q"]) == 0
    assert (out / PARTS_LIST).exists() and not list(out.glob(".draft-*"))
