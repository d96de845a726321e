"""The command line as a user meets it: statuses, messages, what is written and what is left alone."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import steps
from demo_model.beacon import beacon
from demo_model.write import write_3mf, write_glb, write_stl_folder
from steps.cli import run
from steps.cli.options import settings_beside
from steps.kept import RECORD
from steps.pipeline import STAGES
from tests.bad_inputs import at, cube, entity_bomb, model_xml, package, stl, zip_bomb
from tests.booklet_sample import PlainPictures
from tests.models.families import family
from tests.models.files import write
from tests.test_workers import wait_gone

Capture = pytest.CaptureFixture[str]

COMMANDS = ("demo", "inspect", "plan", "booklet", "prints", "coupon", "verify")


@cache
def beacon_bytes() -> bytes:
    """The beacon's 3MF, made once."""
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "beacon.3mf"
        write_3mf(beacon(), path)
        return path.read_bytes()


@pytest.fixture
def model(tmp_path: Path) -> Path:
    path = tmp_path / "beacon.3mf"
    path.write_bytes(beacon_bytes())
    return path


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The current folder, for commands that are told of none to write to."""
    monkeypatch.chdir(tmp_path)
    return tmp_path


# ---------------------------------------------------------------------------- wrong use


def test_help_names_every_command(capsys: Capture) -> None:
    assert run(["--help"]) == 0
    out = capsys.readouterr().out
    for command in COMMANDS:
        assert command in out


@pytest.mark.parametrize("command", COMMANDS)
def test_each_command_has_help(command: str, capsys: Capture) -> None:
    assert run([command, "--help"]) == 0
    assert "Usage: stepleaf" in capsys.readouterr().out


@pytest.mark.parametrize(
    "arguments",
    [
        ["inspect"],
        ["sail"],
        ["inspect", "a.3mf", "b.3mf"],
        ["inspect", "a.3mf", "--scale", "big"],
        ["inspect", "a.3mf", "--colour"],
        ["verify", "only.plan.json"],
    ],
)
def test_wrong_use_is_status_2_without_traceback(arguments: list[str], capsys: Capture) -> None:
    assert run(arguments) == 2
    said = capsys.readouterr()
    assert said.err and not said.out
    assert "Traceback" not in said.err


def test_wrong_settings_are_all_named_at_once(model: Path, capsys: Capture) -> None:
    status = run(
        ["booklet", str(model), "--paper", "a3", "--reader", "cat", "--scale", "-1", "--pictures", "oil"]
    )
    assert status == 2
    said = capsys.readouterr().err
    for word in ("paper", "reader", "scale", "pictures", "a4"):
        assert word in said


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("scale = ", "not valid TOML"),
        ("skale = 4", "skale"),
        ("[printer]\nnozzle_mm = 0", "printer.nozzle_mm"),
        ("[fit]\npull_off_n = 'much'", "fit.pull_off_n"),
        (b"\xff\xfe\x00", "not valid TOML"),
    ],
)
def test_a_settings_file_that_is_wrong(model: Path, text: str | bytes, says: str, capsys: Capture) -> None:
    toml = model.parent / "stepleaf.toml"
    toml.write_bytes(text if isinstance(text, bytes) else text.encode())
    assert run(["plan", str(model)]) == 2
    said = capsys.readouterr().err
    assert says in said
    assert "stepleaf.toml" in said


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="only POSIX systems have named pipes")
@pytest.mark.parametrize(
    ("make", "says"),
    [
        (os.mkfifo, "is not an ordinary file but a pipe"),
        (lambda path: path.symlink_to("/dev/zero"), "is not an ordinary file but a device"),
        (lambda path: path.symlink_to(path.name), "is a link that leads back to itself"),
        (lambda path: path.symlink_to("gone"), "is a link to a file that is not there"),
        (Path.mkdir, "is not an ordinary file but a folder"),
    ],
    ids=["pipe", "device", "circle", "nowhere", "folder"],
)
def test_what_is_no_file_is_told_as_what_it_is_and_never_opened(
    model: Path, make: Callable[[Path], object], says: str, capsys: Capture
) -> None:
    """Beside the model as settings, named as settings, as a plan, as a model, and among loose parts."""
    toml, part = model.parent / "stepleaf.toml", model.parent / "parts" / "a.stl"
    part.parent.mkdir()
    make(toml)
    make(part)
    named = ["--settings", str(toml)]
    asked = [["plan", str(model)], ["plan", str(model), *named], ["verify", str(toml), str(model)]]
    if not part.is_dir():
        asked += [["inspect", str(part)], ["inspect", str(part.parent)]]
    for arguments in asked:
        assert run(arguments) in (1, 2)
        assert says in capsys.readouterr().err, arguments


def test_a_settings_file_that_is_missing(model: Path, capsys: Capture) -> None:
    assert run(["inspect", str(model), "--settings", str(model.parent / "none.toml")]) == 2
    assert "none.toml" in capsys.readouterr().err


# ---------------------------------------------------------------------------- bad input


def _text(path: Path) -> Path:
    path.write_text("once upon a time")
    return path


def _cut(path: Path) -> Path:
    path.write_bytes(beacon_bytes()[: len(beacon_bytes()) // 2])
    return path


def _written(path: Path, content: bytes) -> Path:
    path.write_bytes(content)
    return path


def _coordinates(value: str) -> list[str]:
    rows = [f'x="{x}" y="{y}" z="{z}"' for x, y, z in cube().vertices]
    rows[3] = f'x="{value}" y="0" z="0"'
    return rows


def _nan_stl(path: Path) -> Path:
    triangles = np.array(cube().triangles)
    triangles[4, 1, 2] = np.nan
    return stl(path, triangles)


#: Unreadable or hostile: status 2. (file name, how it is made, what the message must say)
UNREADABLE: dict[str, tuple[str, Callable[[Path], object], str]] = {
    "missing": ("none.3mf", lambda path: None, "no such file"),
    "empty": ("empty.3mf", lambda path: path.write_bytes(b""), "empty"),
    "truncated 3MF": ("cut.3mf", _cut, "cut short|damaged"),
    "truncated STL": (
        "cut.stl",
        lambda path: _written(path, stl(path, cube().triangles).read_bytes()[:-60]),
        "cut",
    ),
    "text as 3MF": ("text.3mf", _text, "not a 3MF"),
    "3MF as STL": ("beacon.stl", lambda path: path.write_bytes(beacon_bytes()), "3MF"),
    "picture": ("photo.png", lambda path: path.write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(64)), "picture"),
    "unknown type": ("model.xyz", _text, "Hand in"),
    "zip bomb": ("bomb.3mf", lambda path: zip_bomb(path, 3.0), "unpack"),
    "zip bomb that understates itself": (
        "liar.3mf",
        lambda path: zip_bomb(path, 3.0, claims=1000),
        "liar.3mf",
    ),
    "entity bomb": ("entities.3mf", entity_bomb, "entities"),
    "no parts": ("none.3mf", lambda path: package(path, model_xml(cube(), [])), "no part"),
    "empty folder": ("folder", lambda path: path.mkdir(), "neither"),
}


@pytest.mark.parametrize("case", UNREADABLE)
def test_unreadable_input_is_status_2_and_says_what_to_do(tmp_path: Path, case: str, capsys: Capture) -> None:
    name, make, says = UNREADABLE[case]
    make(tmp_path / name)
    out = tmp_path / "out.plan.json"
    started = time.monotonic()
    assert run(["plan", str(tmp_path / name), "-o", str(out)]) == 2
    said = capsys.readouterr()
    assert re.search(says, said.err), said.err
    assert name in said.err
    assert "Traceback" not in said.err and "fault of the program" not in said.err
    assert not said.out and not out.exists()
    assert time.monotonic() - started < 30  # a bomb is refused, not read


#: Readable, but cannot be built: status 1. (file name, build items, parts and words to be named)
UNBUILDABLE: dict[str, tuple[list[tuple[str, list[float]]], tuple[str, ...]]] = {
    "print layout": ([(f"cube {n}", at(15 * n, 0, 0)) for n in range(8)], ("print layout", "placements")),
    "floating part": (
        [("low", at(0, 0, 0)), ("high", at(0, 0, 10)), ("lost", at(0, 0, 45))],
        ("lost", "25.00 mm", "high"),
    ),
    "overlap": ([("low", at(0, 0, 0)), ("high", at(0, 0, 6))], ("low", "high", "4.00 mm")),
    "exactly on top": (
        [("one", at(0, 0, 0)), ("two", at(0, 0, 0)), ("three", at(0, 0, 10))],
        ("one", "two", "same place"),
    ),
}


@pytest.mark.parametrize("case", UNBUILDABLE)
def test_unbuildable_input_is_status_1_and_names_the_parts(
    tmp_path: Path, case: str, capsys: Capture
) -> None:
    places, words = UNBUILDABLE[case]
    path = package(tmp_path / "model.3mf", model_xml(cube(), places))
    assert run(["plan", str(path), "-o", str(tmp_path / "out.plan.json")]) == 1
    said = capsys.readouterr().err
    for word in words:
        assert word in said, said
    assert "Traceback" not in said
    # nothing is left but pictures of the parts in question, and the message says where each is
    left = sorted(entry.name for entry in tmp_path.iterdir() if entry.name != RECORD)
    pictures = [name for name in left if name.startswith("out-") and name.endswith(".png")]
    assert left == ["model.3mf", *pictures]
    assert bool(pictures) == (case != "print layout")  # loose parts have no places to picture
    assert all(name in said.replace("\n", "") for name in pictures)


def test_vertices_that_are_no_numbers_are_faults_of_the_model(here: Path, capsys: Capture) -> None:
    paths = [
        package(here / f"{value}.3mf", model_xml(cube(), [("c", at(0, 0, 0))], _coordinates(value)))
        for value in ("NaN", "-INF", "1e999")
    ]
    for given in (*paths, _nan_stl(here / "nan.stl")):
        assert run(["plan", str(given)]) == 1
        assert re.search(r"(object 1|body-1).*not finite", capsys.readouterr().err)


@pytest.mark.parametrize(("side", "says"), [(25_000.0, "50 m"), (0.025, "0.05 mm")])
def test_a_unit_error_is_noticed_and_the_factor_named(
    here: Path, side: float, says: str, capsys: Capture
) -> None:
    path = package(here / "model.3mf", model_xml(cube(side), [("one", at(0, 0, 0)), ("two", at(0, 0, side))]))
    assert run(["plan", str(path)]) == 1
    said = capsys.readouterr().err
    assert says in said
    assert "--scale" in said


def test_a_mirrored_transform_is_told(tmp_path: Path, capsys: Capture) -> None:
    places = [("low", at(0, 0, 0)), ("glass", [-1, 0, 0, 0, 1, 0, 0, 0, 1, 10, 0, 10])]
    path = package(tmp_path / "model.3mf", model_xml(cube(), places))
    assert run(["inspect", str(path), "--json"]) == 0
    problems = json.loads(capsys.readouterr().out)["problems"]
    assert any(found["code"] == "mirrored" and "glass" in found["text"] for found in problems)


def test_all_faults_of_a_file_are_in_one_report(here: Path, capsys: Capture) -> None:
    places = [("low", at(0, 0, 0)), ("high", at(0, 0, 6)), ("lost", at(0, 0, 60)), ("stray", at(70, 0, 0))]
    path = package(here / "model.3mf", model_xml(cube(), places))
    assert run(["plan", str(path)]) == 1
    said = capsys.readouterr().err
    assert "2 faults" in said
    for words in (
        r"low and high stand in each other",
        r"lost hangs in the air",
    ):
        assert re.search(words, said), said


def test_inspect_shows_a_faulty_model_and_says_so_by_its_status(tmp_path: Path, capsys: Capture) -> None:
    places = [("low", at(0, 0, 0)), ("high", at(0, 0, 10)), ("lost", at(0, 0, 45))]
    path = package(tmp_path / "model.3mf", model_xml(cube(), places))
    assert run(["inspect", str(path)]) == 1
    out = capsys.readouterr().out
    assert "3 parts" in out
    assert re.search("error: lost hangs in the air", out)


def test_loose_parts_can_be_inspected_but_not_planned(tmp_path: Path, capsys: Capture) -> None:
    write_stl_folder(beacon(), tmp_path / "parts")
    (tmp_path / "parts" / "placements.csv").unlink()
    assert run(["inspect", str(tmp_path / "parts")]) == 0
    assert "loose parts" in capsys.readouterr().out
    assert run(["plan", str(tmp_path / "parts"), "-o", str(tmp_path / "o.plan.json")]) == 1
    said = capsys.readouterr().err
    assert "loose parts" in said and "placements" in said


# ------------------------------------------------------------------------------- results


def test_inspect_prints_shapes_joints_and_the_scale_law(model: Path, capsys: Capture) -> None:
    assert run(["inspect", str(model)]) == 0
    said = capsys.readouterr()
    for words in (
        "12 parts, 5 shapes, 5 colours",
        "stud spacing 10.00 mm",
        "block 2 x 4",
        "2 brick red, 1 off-white, 1 amber",
        "0.08 slide",
        "0.17 loose",
        "0.34 loose",
        "loose above 1.4x",
    ):
        assert words in said.out, words
    told = [line.rstrip(" .") for line in said.err.splitlines()]  # a busy machine sets dots
    assert told[:3] == [f"{n} of 3 {stage}" for n, stage in enumerate(STAGES[:3], start=1)]
    assert [line.startswith("Next: stepleaf coupon ") for line in told[3:]] == [True]


def test_inspect_json_is_for_machines(model: Path, capsys: Capture) -> None:
    assert run(["inspect", str(model), "--json", "--scale", "4"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert (found["format"], found["scale"], found["pitch_mm"]) == ("stepleaf-inspection", 4.0, 40.0)
    assert len(found["parts"]) == 12
    assert {joint["fit"] for joint in found["joints"] if joint["kind"] == "stud"} == {"loose"}
    assert "mark" not in found["joints"][0]
    studs = [law for law in found["scale_law"] if law["kind"] == "stud"]
    assert studs[0]["fit_at"] == {"1x": "slide", "2x": "loose", "4x": "loose"}


def test_the_same_beacon_from_every_format(tmp_path: Path, capsys: Capture) -> None:
    write_3mf(beacon(), tmp_path / "b.3mf")
    write_glb(beacon(), tmp_path / "b.glb")
    write_stl_folder(beacon(), tmp_path / "b")
    found = []
    for name in ("b.3mf", "b.glb", "b", "b/placements.csv"):
        assert run(["inspect", str(tmp_path / name), "--json", "-q"]) == 0
        report = json.loads(capsys.readouterr().out)
        names = {part["id"]: part["source"] for part in report["parts"]}
        found.append(
            (
                sorted(names.values()),
                sorted((names[j["a"]], names[j["b"]], j["kind"], j["contacts"]) for j in report["joints"]),
            )
        )
    assert found[0] == found[1] == found[2] == found[3]
    assert found[0][0] == sorted(part.name for part in beacon().placed)


def test_plan_writes_a_plan_that_verifies(model: Path, tmp_path: Path, capsys: Capture) -> None:
    out = tmp_path / "made" / "beacon.plan.json"
    assert run(["plan", str(model), "-o", str(out), "--reader", "helper"]) == 0
    said = capsys.readouterr()
    assert said.out.strip() == str(out)
    assert "3 of 7 joints" in said.err
    first = out.read_bytes()
    assert run(["plan", str(model), "-o", str(out), "-q"]) == 0
    assert out.read_bytes() == first  # same input, same bytes
    assert capsys.readouterr().err == ""
    assert run(["verify", str(out), str(model)]) == 0
    table = capsys.readouterr().out
    assert "moves free" in table and "wrong" not in table


def test_verify_fails_on_a_plan_that_was_tampered_with(model: Path, tmp_path: Path, capsys: Capture) -> None:
    out = tmp_path / "beacon.plan.json"
    assert run(["plan", str(model), "-o", str(out), "-q"]) == 0
    plan = json.loads(out.read_text())
    last = plan["steps"][-1]
    last["move"] = {part: [0, 0, 1] for part in last["adds"]}
    out.write_text(json.dumps(plan))
    capsys.readouterr()
    assert run(["verify", str(out), str(model)]) == 1
    said = capsys.readouterr()
    assert "wrong" in said.out
    assert "hits" in said.err and "Traceback" not in said.err


def test_verify_with_files_changed_over(model: Path, capsys: Capture) -> None:
    assert run(["verify", str(model), str(model)]) == 2
    assert "plan" in capsys.readouterr().err


def test_settings_beside_the_model_are_read_and_options_win(model: Path, capsys: Capture) -> None:
    (model.parent / "stepleaf.toml").write_text("scale = 2.0\ntitle = 'Light'\n")
    assert run(["inspect", str(model), "--json", "-q"]) == 0
    assert json.loads(capsys.readouterr().out)["scale"] == 2.0
    assert run(["inspect", str(model), "--json", "-q", "--scale", "3"]) == 0
    assert json.loads(capsys.readouterr().out)["scale"] == 3.0


def test_settings_in_the_folder_that_is_the_model(tmp_path: Path) -> None:
    (tmp_path / "parts").mkdir()
    assert settings_beside(tmp_path / "parts") is None
    (tmp_path / "parts" / "stepleaf.toml").write_text("")
    assert settings_beside(tmp_path / "parts") == tmp_path / "parts" / "stepleaf.toml"


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (["--language", "xx"], "language"),
        (["--adhesive", "custard"], "custard.*epoxy"),
        (["--paper", "a5", "--reader", "child"], "A5"),
    ],
)
def test_wishes_that_cannot_be_met_are_refused_before_the_work(
    tmp_path: Path, options: list[str], says: str, capsys: Capture
) -> None:
    # the model does not even exist: nothing was read yet
    assert run(["booklet", str(tmp_path / "none.3mf"), *options]) == 2
    assert re.search(says, capsys.readouterr().err)


def test_a_wrong_option_and_a_wrong_line_are_told_apart(model: Path, capsys: Capture) -> None:
    (model.parent / "stepleaf.toml").write_text("paper = 'a9'\n")
    assert run(["plan", str(model), "--reader", "cat"]) == 2
    said = capsys.readouterr().err
    assert "stepleaf.toml: paper:" in said and "--reader:" in said


def test_prints_are_written_one_file_per_shape_and_colour(
    model: Path, tmp_path: Path, capsys: Capture
) -> None:
    assert run(["prints", str(model), "-o", str(tmp_path / "out"), "-q"]) == 0
    assert capsys.readouterr().out.strip() == str(tmp_path / "out")
    kinds = {(part.solid_key, part.colour) for part in beacon().placed}
    assert len(list((tmp_path / "out").glob("S*.stl"))) == len(kinds)
    assert len(list((tmp_path / "out").glob("S*.3mf"))) == len(kinds)


def test_of_more_faults_than_a_screen_holds_each_is_told_where_it_is_said(
    tmp_path: Path, capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    (folder := tmp_path / "--json").mkdir()
    stl(folder / "a.stl", cube().triangles)
    rows = [f"b{row},a.stl,red,{row},0,x{row},0,0,0" for row in range(50)]
    table = folder / "placements.csv"
    table.write_text("\n".join(["id,file,colour,x,y,z,rx,ry,rz", *rows]))
    assert run(["inspect", str(table)]) == 1
    told = capsys.readouterr().err
    assert "`stepleaf inspect MODEL --json`, or the plan file, tells each of them" in told
    assert "x19" not in told
    assert run(["inspect", str(table), "--json"]) == 1
    told = capsys.readouterr().err
    assert all(f"x{row}" in told for row in range(50)) and "tells each" not in told
    monkeypatch.chdir(tmp_path)
    assert run(["inspect", "--", "--json"]) == 1
    assert "x19" not in capsys.readouterr().err
    assert run(["inspect", "--", "--scales"]) == 2
    assert "--scales: there is no such file" in capsys.readouterr().err


@pytest.mark.parametrize(("rise", "fault"), [(0.0, "print layout"), (12.0, "hangs in the air")])
def test_what_no_plan_can_be_made_of_is_printed_without_asking_for_an_order(
    rise: float, fault: str, tmp_path: Path, capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Thousands of parts that touch nothing took minutes to be ordered, one after the other."""
    asked: list[object] = []
    monkeypatch.setattr("steps.pipeline.order_survey", lambda *given: asked.append(given))
    bodies = [np.add(cube().triangles, [12.0 * row, rise * (row % 5), rise * (row % 7)]) for row in range(30)]
    path = stl(tmp_path / "plate.stl", np.concatenate(bodies))
    assert run(["prints", str(path), "-o", str(tmp_path / "out")]) == 0
    assert fault in capsys.readouterr().err
    assert not asked


def test_prints_can_be_refitted(model: Path, tmp_path: Path, capsys: Capture) -> None:
    arguments = ["prints", str(model), "--scale", "4", "-o", str(tmp_path / "out")]
    assert run([*arguments, "--refit", "glued"]) == 2
    assert "press" in capsys.readouterr().err
    assert run([*arguments, "--refit", "press"]) == 0
    assert re.search(r"block 2 x 4: 8 studs moved by \+0\.3\d mm a side", capsys.readouterr().err)


def test_a_fit_card_for_placed_and_for_loose_parts(model: Path, tmp_path: Path, capsys: Capture) -> None:
    write_stl_folder(beacon(), tmp_path / "loose")
    (tmp_path / "loose" / "placements.csv").unlink()
    for given in (model, tmp_path / "loose"):
        out = tmp_path / f"card {given.stem}"
        assert run(["coupon", str(given), "-o", str(out), "-q"]) == 0, capsys.readouterr().err
        assert (out / "stud card.stl").stat().st_size > 1000


def test_loose_parts_cannot_be_refitted(tmp_path: Path, capsys: Capture) -> None:
    write_stl_folder(beacon(), tmp_path / "loose")
    (tmp_path / "loose" / "placements.csv").unlink()
    assert run(["prints", str(tmp_path / "loose"), "--refit", "press", "-o", str(tmp_path / "out")]) == 1
    assert "loose parts" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


# ------------------------------------------------------------------------------- writing


def test_the_model_is_never_written_over(model: Path, capsys: Capture) -> None:
    before = model.read_bytes()
    assert run(["plan", str(model), "-o", str(model)]) == 2
    assert run(["booklet", str(model), "-o", str(model)]) == 2
    assert "is the model itself" in capsys.readouterr().err
    assert model.read_bytes() == before


def test_a_folder_where_the_plan_should_go(model: Path, tmp_path: Path, capsys: Capture) -> None:
    (tmp_path / "out.plan.json").mkdir()
    assert run(["plan", str(model), "-o", str(tmp_path / "out.plan.json")]) == 2
    assert "folder" in capsys.readouterr().err


@pytest.mark.parametrize("name", ["tug.txt", "tug", ".pdf", "tug.html.gz"])
def test_a_booklets_name_says_which_kind(name: str, model: Path, capsys: Capture) -> None:
    assert run(["booklet", str(model), "-o", str(model.parent / name)]) == 2
    said = capsys.readouterr().err
    assert ".pdf" in said and ".html" in said and "-o" in said
    assert [path.name for path in model.parent.iterdir()] == ["beacon.3mf"]


@pytest.mark.parametrize("ending", [".html", ".HTML", ".pdf"])
def test_the_ending_chooses_the_kind_of_booklet_and_stickers_come_beside_it(
    ending: str, model: Path, monkeypatch: pytest.MonkeyPatch, capsys: Capture
) -> None:
    import steps.booklet

    monkeypatch.setattr(steps.booklet, "StudioPictures", lambda *a, **k: PlainPictures())
    target = model.parent / f"light{ending}"
    assert run(["booklet", str(model), "-o", str(target), "--stickers", "99x38", "-q"]) == 0
    written = [Path(line).name for line in capsys.readouterr().out.split()]
    assert written == [f"light{ending}", "light-stickers.pdf", "light.plan.json"]
    head = target.read_bytes()[:15]
    assert head.startswith(b"<!DOCTYPE html>" if ending.lower() == ".html" else b"%PDF-")
    assert (model.parent / "light-stickers.pdf").read_bytes().startswith(b"%PDF-")


def test_stickers_may_stand_in_the_settings_and_a_screen_has_no_paper(
    model: Path, monkeypatch: pytest.MonkeyPatch, capsys: Capture
) -> None:
    """A child's booklet is refused on A5, but not for a screen."""
    import steps.booklet

    monkeypatch.setattr(steps.booklet, "StudioPictures", lambda *a, **k: PlainPictures())
    toml = "[sticker_sheet]\nsticker_mm = [60, 40]\ncolumns = 3\nrows = 6\n"
    (model.parent / "stepleaf.toml").write_text('paper = "a5"\nreader = "child"\n' + toml)
    assert run(["booklet", str(model), "-q", "-o", str(model.parent / "a.pdf")]) == 2
    assert "18 point" in capsys.readouterr().err
    assert run(["booklet", str(model), "-q", "-o", str(model.parent / "a.html")]) == 0
    assert (model.parent / "a-stickers.pdf").exists()


def test_a_wrong_sticker_sheet_is_named_before_any_work(model: Path, capsys: Capture) -> None:
    assert run(["booklet", str(model), "--stickers", "b7"]) == 2
    said = capsys.readouterr().err
    assert "b7" in said and "70x37 (70 x 37 mm, 24 on A4)" in said and "read" not in said
    assert run(["booklet", str(model), "--stickers"]) == 2


def test_an_old_booklet_stays_when_the_new_one_cannot_be_made(tmp_path: Path, capsys: Capture) -> None:
    path = package(tmp_path / "model.3mf", model_xml(cube(), [("low", at(0, 0, 0)), ("high", at(0, 0, 6))]))
    (tmp_path / "old.pdf").write_bytes(b"an older booklet")
    (tmp_path / "old.plan.json").write_bytes(b"an older plan")
    assert run(["booklet", str(path), "-o", str(tmp_path / "old.pdf"), "--force"]) == 1
    assert (tmp_path / "old.pdf").read_bytes() == b"an older booklet"
    assert (tmp_path / "old.plan.json").read_bytes() == b"an older plan"
    # new is only the picture of the parts in question, which the message names
    names = sorted(entry.name for entry in tmp_path.iterdir() if entry.name != RECORD)
    assert names == ["model.3mf", "old-overlap.png", "old.pdf", "old.plan.json"]
    assert "old-overlap.png" in capsys.readouterr().err
    (tmp_path / "old-overlap.png").write_bytes(b"theirs")
    assert run(["booklet", str(path), "-o", str(tmp_path / "old.pdf"), "--force"]) == 1
    assert (tmp_path / "old-overlap.png").read_bytes() == b"theirs"
    assert "no picture" in capsys.readouterr().err


def test_a_booklet_that_fails_while_written_leaves_the_old_one(
    model: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Capture
) -> None:
    import steps.booklet
    import steps.output

    def full(path: Path) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(steps.booklet, "booklet_pdf", lambda *rest: b"%PDF-1.4 whole")
    monkeypatch.setattr(steps.output, "_force_to_disk", full)
    old = tmp_path / "old.pdf"
    old.write_bytes(b"an older booklet")
    assert run(["booklet", str(model), "-o", str(old), "--force"]) == 2
    assert "No space left" in capsys.readouterr().err
    assert old.read_bytes() == b"an older booklet"
    assert sorted(entry.name for entry in tmp_path.iterdir()) == ["beacon.3mf", "old.pdf"]


def test_what_the_picture_source_has_to_say_reaches_the_user_once(
    model: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Capture
) -> None:
    import steps.booklet

    def fallen_back(plan: object, settings: object, progress: object, pictures: Any) -> bytes:
        said = "OpenGL does not work here (no card); the pictures are drawn with rays."
        monkeypatch.setattr(type(pictures), "notice", property(lambda self: said))
        return b"%PDF-1.4"

    monkeypatch.setattr(steps.booklet, "booklet_pdf", fallen_back)
    assert run(["booklet", str(model), "-o", str(tmp_path / "new.pdf")]) == 0
    assert capsys.readouterr().err.count("OpenGL does not work here (no card)") == 1


def test_a_fault_of_the_program_is_owned_up_to(
    model: Path, monkeypatch: pytest.MonkeyPatch, capsys: Capture
) -> None:
    import steps.joints

    def broken(*arguments: object) -> None:
        raise ZeroDivisionError("oh")

    monkeypatch.setattr(steps.joints, "find_joints", broken)
    assert run(["inspect", str(model)]) == 1
    said = capsys.readouterr().err
    assert "fault of the program itself" in said and "ZeroDivisionError" in said
    assert "Traceback" not in said


def heard() -> None:
    signal.signal(signal.SIGINT, signal.default_int_handler)


def unheard() -> None:
    """As a shell starts what it runs in the background."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)


@pytest.mark.skipif(os.name != "posix", reason="signals")
@pytest.mark.parametrize("at_start", [heard, unheard])
@pytest.mark.parametrize("sent", [signal.SIGINT, signal.SIGTERM])
def test_interrupting_is_status_130_and_leaves_no_litter(
    model: Path, tmp_path: Path, sent: signal.Signals, at_start: Callable[[], None]
) -> None:
    """Interrupted while a draft is being written."""
    script = (
        "import sys, time, steps.features, steps.cli\n"
        "from pathlib import Path\n"
        "from steps.output import whole_file\n"
        "def slow(*arguments):\n"
        "    with whole_file(Path(sys.argv[2])) as draft:\n"
        "        draft.write_text('half'); print('ready', flush=True); time.sleep(60)\n"
        "steps.features.measure = slow\n"
        "steps.cli.main(['inspect', sys.argv[1]])\n"
    )
    target = tmp_path / "out.pdf"
    target.write_text("old")
    with subprocess.Popen(
        [sys.executable, "-c", script, str(model), str(target)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        preexec_fn=at_start,
    ) as child:
        assert child.stdout is not None and child.stderr is not None
        assert child.stdout.readline() == "ready\n"
        child.send_signal(sent)
        assert child.wait(timeout=60) == 130
        said = child.stderr.read()
    assert said.splitlines()[-1] == "stepleaf: interrupted; nothing is half-written."
    assert said.count("interrupted") == 1 and "Traceback" not in said
    assert target.read_text() == "old"
    assert sorted(entry.name for entry in tmp_path.iterdir()) == ["beacon.3mf", "out.pdf"]


#: The booklet's command, its drawing slowed down so that it is met at it; the crew tells its numbers.
SLOW_BOOKLET = """
import sys, time
import steps.booklet.crew as crew
from steps.draw import desk
from steps.cli import main
from tests.test_cli import slow_desk
drawn = crew.Crew.drawn
def told(self, *rest):
    print(*(bench.worker.number for bench in self._benches), flush=True)
    return drawn(self, *rest)
crew.Crew.drawn = told
desk.draw_run = slow_desk
main(["booklet", sys.argv[1], "-o", sys.argv[2], "--pictures", "rays"])
"""


def slow_desk(asked: object) -> Iterator[None]:
    """In a worker: a picture that is never done."""
    while True:
        sum(range(1000))
    yield


@pytest.mark.skipif(os.name != "posix", reason="signals")
@pytest.mark.parametrize("sent", [signal.SIGKILL, signal.SIGINT, signal.SIGTERM])
def test_a_booklet_that_is_stopped_while_drawing_leaves_no_process_and_no_file(
    model: Path, tmp_path: Path, sent: signal.Signals
) -> None:
    with subprocess.Popen(
        [sys.executable, "-c", SLOW_BOOKLET, str(model), str(tmp_path / "out.pdf")],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        cwd=Path(__file__).parents[1],
    ) as child:
        assert child.stdout is not None and child.stderr is not None
        numbers = [int(word) for word in child.stdout.readline().split()]
        assert numbers
        child.send_signal(sent)
        said = child.stderr.read()  # ends when nobody holds the pipe any more
        assert child.wait() == (-sent if sent == signal.SIGKILL else 130)
    assert wait_gone(numbers) == []
    assert [entry.name for entry in tmp_path.iterdir()] == ["beacon.3mf"]
    assert "Traceback" not in said
    assert said.count("interrupted; nothing is half-written") == (sent != signal.SIGKILL)


@pytest.mark.skipif(os.name != "posix", reason="signals")
@pytest.mark.parametrize("sent", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_after_the_last_word_changes_no_status(sent: signal.Signals) -> None:
    script = (
        "import atexit, os, sys; from steps.cli import main\n"
        f"atexit.register(lambda: os.kill(os.getpid(), {int(sent)}))\n"
        "main(['--help'])\n"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, timeout=60)
    assert done.returncode == 0 and done.stderr == ""


@pytest.mark.skipif(os.name != "posix", reason="signals")
def test_an_interrupt_while_modules_load_is_130(tmp_path: Path) -> None:
    """Dataclasses are made by ``exec``; a plain KeyboardInterrupt through one ends Python by the signal."""
    (tmp_path / "loading.py").write_text(
        "import os, signal, sys; from steps import cli\n"
        "def run(arguments):\n"
        "    try:\n"
        "        exec('os.kill(os.getpid(), signal.SIGTERM)')\n"
        "    except KeyboardInterrupt:\n"
        "        return 130\n"
        "cli.run = run; cli.main()\n"
    )
    path = os.pathsep.join([str(tmp_path), str(Path(__file__).parents[1])])
    done = subprocess.run(
        [sys.executable, "-m", "loading"], env={**os.environ, "PYTHONPATH": path}, timeout=60
    )
    assert done.returncode == 130


@pytest.mark.skipif(os.name != "posix", reason="signals")
def test_an_interrupt_between_the_last_word_and_the_end_is_130() -> None:
    script = (
        "import os, signal, steps.cli\n"
        "steps.cli._flushed = lambda status: os.kill(os.getpid(), signal.SIGTERM)\n"
        "steps.cli.main(['--help'])\n"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, timeout=60)
    assert done.returncode == 130 and "Traceback" not in done.stderr


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is always full")
@pytest.mark.parametrize(
    "arguments", [["--help"], ["inspect", "MODEL", "-q"], ["inspect", "MODEL", "--json", "-q"]]
)
def test_a_full_output_is_told_and_no_fault_of_the_program(model: Path, arguments: list[str]) -> None:
    words = [str(model) if word == "MODEL" else word for word in arguments]
    with open("/dev/full", "w") as full:
        done = subprocess.run(
            [sys.executable, "-m", "steps.cli", *words],
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            timeout=120,
        )
    assert done.returncode == 2
    assert done.stderr == "stepleaf: the output cannot be written (No space left on device).\n"


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is always full")
@pytest.mark.parametrize("streams", ["2>/dev/full", ">&- 2>&- <&-", ">/dev/full 2>/dev/full"])
def test_where_nothing_can_be_said_the_status_says_it(streams: str, tmp_path: Path) -> None:
    command = f"exec {sys.executable} -m steps.cli inspect {tmp_path / 'none.3mf'} {streams}"
    assert subprocess.run(["bash", "-c", command], capture_output=True, timeout=60).returncode == 2


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is always full")
@pytest.mark.parametrize("way", ["2>/dev/full", "2> >(exit 0)"])
def test_messages_that_cannot_be_written_leave_no_work_undone(way: str, model: Path) -> None:
    """A full disk, a reader that has gone."""
    plan = model.parent / "a.plan.json"
    command = f"exec {sys.executable} -m steps.cli plan {model} -o {plan} {way}"
    done = subprocess.run(["bash", "-c", command], capture_output=True, text=True, timeout=120)
    assert (done.returncode, done.stdout, done.stderr) == (0, f"{plan}\n", "")
    assert json.loads(plan.read_text())["steps"]


@pytest.mark.skipif(os.name != "posix", reason="closed streams")
def test_a_closed_output_gets_nothing_and_is_no_fault() -> None:
    command = f"exec {sys.executable} -m steps.cli --version >&-"
    done = subprocess.run(["bash", "-c", command], capture_output=True, text=True, timeout=60)
    assert (done.returncode, done.stderr) == (0, "")


def test_the_version_is_told(capsys: Capture) -> None:
    assert run(["--version"]) == 0
    assert capsys.readouterr().out == f"stepleaf {steps.__version__}\n"


@pytest.mark.parametrize("name", ["other.glb", "placements.csv", "tug.pdf", "plan.json"])
def test_a_plans_name_says_what_it_is(name: str, model: Path, capsys: Capture) -> None:
    other = model.parent / name
    other.write_text("mine")
    assert run(["plan", str(model), "-o", str(other)]) == 2
    assert ".plan.json" in capsys.readouterr().err and other.read_text() == "mine"


@pytest.mark.parametrize(("command", "name"), [("plan", "x.plan.json"), ("booklet", "x.pdf")])
def test_a_place_that_refuses_is_told_before_the_work(
    command: str, name: str, model: Path, capsys: Capture
) -> None:
    (model.parent / "file").write_text("no folder")
    target = model.parent / "file" / name
    assert run([command, str(model), "-o", str(target)]) == 2
    said = capsys.readouterr().err
    assert str(target) in said and "read" not in said  # no stage was begun


def test_what_was_read_is_spared_by_whatever_name(model: Path, capsys: Capture) -> None:
    """The model by a link of another name, and a settings file that is named as a plan would be."""
    link = model.parent / "link.plan.json"
    os.link(model, link)
    settings = model.parent / "set.plan.json"
    settings.write_text("scale = 2\n")
    before = model.read_bytes()
    assert run(["plan", str(model), "-o", str(link)]) == 2
    assert "is the model itself" in capsys.readouterr().err
    assert run(["plan", str(model), "--settings", str(settings), "-o", str(settings)]) == 2
    assert "is the settings file" in capsys.readouterr().err
    assert model.read_bytes() == link.read_bytes() == before and settings.read_text() == "scale = 2\n"


@pytest.mark.skipif(os.name != "posix", reason="closed pipes")
@pytest.mark.parametrize("how", [[], ["--json"]])
def test_a_reader_that_leaves_early_is_no_fault(model: Path, how: list[str]) -> None:
    reading, writing = os.pipe()
    os.close(reading)
    command = [sys.executable, "-m", "steps.cli", "inspect", str(model), "-q", *how]
    done = subprocess.run(command, stdout=writing, stderr=subprocess.PIPE, text=True, timeout=60)
    os.close(writing)
    assert (done.returncode, done.stderr) == (0, "")


def test_no_warning_of_a_library_reaches_the_terminal() -> None:
    work = (
        "import warnings, steps.cli as c; c.run = lambda a: warnings.warn('divide by zero') or 0; c.main([])"
    )
    made = subprocess.run([sys.executable, "-c", work], capture_output=True, text=True, check=True)
    assert made.stderr == ""


def test_letters_that_the_terminals_encoding_lacks_are_no_fault(tmp_path: Path) -> None:
    cube().export(tmp_path / "wänd \u2713 x2.stl")
    made = subprocess.run(
        [sys.executable, "-m", "steps.cli", "inspect", str(tmp_path)],
        env=os.environ | {"PYTHONIOENCODING": "ascii"},
        capture_output=True,
        check=False,
    )
    assert made.returncode == 0, made.stderr
    assert b"w\\xe4nd \\u2713" in made.stdout


def test_the_same_bytes_for_any_hash_seed_and_any_number_of_cores(tmp_path: Path) -> None:
    """Nothing hangs on the order of a set or on how the work was shared out."""
    few = (
        "import os, sys; from steps.cli import main\n"
        "if sys.argv.pop(1) == 'one' and hasattr(os, 'sched_setaffinity'):\n"
        "    os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})\n"
        "main(sys.argv[1:])\n"
    )
    made = []
    for seed, cores in (("1", "one"), ("2", "all")):
        folder = tmp_path / cores
        folder.mkdir()
        write(family("side studs", 3, most=4), folder / "model.3mf")
        asked = ["booklet", "model.3mf", "--scale", "2"]
        path = os.pathsep.join(
            [str(Path(__file__).parents[1]), *filter(None, [os.environ.get("PYTHONPATH")])]
        )
        env = {**os.environ, "PYTHONHASHSEED": seed, "PYTHONPATH": path}
        done = subprocess.run(
            [sys.executable, "-c", few, cores, *asked], env=env, cwd=folder, capture_output=True, timeout=300
        )
        assert done.returncode == 0, done.stderr
        made.append({each.name: each.read_bytes() for each in sorted(folder.iterdir())})
    assert len(made[0]) > 2 and made[0] == made[1]


def test_a_signal_that_python_tells_as_another_fault_is_an_interrupt(
    capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is raised as a class names its fields is wrapped: the signal is then only the cause."""

    def making(*given: object, **more: object) -> None:
        raise RuntimeError("Error calling __set_name__") from KeyboardInterrupt()

    monkeypatch.setattr("steps.cli.commands.app", making)
    assert run(["demo"]) == 130
    assert "interrupted" in capsys.readouterr().err
