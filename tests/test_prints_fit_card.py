"""From the filled-in form to the plan: what the maker writes in stepleaf.toml changes every joint."""

from __future__ import annotations

import json
import re
import tomllib
from collections import Counter
from pathlib import Path
from statistics import median
from typing import Any

import pypdfium2
import pytest

from demo_model import solids
from demo_model.scene import DemoModel, Placed, shift
from demo_model.solids import Module
from demo_model.write import write_3mf
from steps.cli import run
from steps.materials import material
from steps.prints.coupon import FORM
from steps.settings import CARD_CLASSES

Capture = pytest.CaptureFixture[str]


@pytest.fixture
def wall(tmp_path: Path) -> Path:
    """Six blocks in bond; the gap in the file is 0.10 mm per side, which is likely to slide."""
    module = Module(clearance=0.1)
    block = solids.block(2, 4, module)
    placed = tuple(
        Placed(f"block {row}", block.name, "#a63a2f", shift(module.pitch * row, 0, module.block * row))
        for row in range(6)
    )
    path = tmp_path / "wall.3mf"
    write_3mf(DemoModel("wall", {block.name: block}, placed), path)
    return path


def inspected(model: Path, toml: str, capsys: Capture) -> list[dict[str, Any]]:
    (model.parent / "stepleaf.toml").write_text(toml)
    capsys.readouterr()
    assert run(["inspect", str(model), "--json", "-q"]) == 0
    joints = json.loads(capsys.readouterr().out)["joints"]
    return [joint for joint in joints if joint["kind"] == "stud"]


@pytest.mark.parametrize("fit", CARD_CLASSES)
def test_inspect_calls_the_joints_what_the_card_said_of_their_gap(
    wall: Path, fit: str, capsys: Capture
) -> None:
    """0.10 mm is number 5 of the card."""
    before = inspected(wall, "", capsys)
    assert {joint["fit"] for joint in before} == {"slide"}
    joints = inspected(wall, f"[fit.stud_card]\n{fit} = [5]\n", capsys)
    assert {joint["fit"] for joint in joints} == {fit} and len(joints) == len(before)
    assert all("your fit card" in joint["why"] for joint in joints) or fit == "loose"


def test_pulls_set_the_hold_of_each_joint_by_its_studs(wall: Path, capsys: Capture) -> None:
    """The middle of five peaks, 9.81 N a kilogram, and half of it after a month (PLA, from memory)."""
    pulls = [0.52, 0.9, 0.5, 0.48, 0.51]
    toml = f"[fit.stud_card]\npress = [4, 5]\nloose = [7]\npulls_kg = {{ 5 = {pulls} }}\n"
    joints = inspected(wall, toml, capsys)
    aged = 9.81 * median(pulls) * material("pla").relaxation
    for joint in joints:
        assert joint["hold_n"] == pytest.approx(joint["contacts"] * aged, rel=0.01)
        assert "from your measured pull-off" in joint["why"]
    assert len(joints) == 5


def marks(model: Path, toml: str) -> Counter[str]:
    (model.parent / "stepleaf.toml").write_text(toml)
    assert run(["plan", str(model), "-o", str(model.parent / "wall.plan.json"), "-q"]) == 0
    plan = json.loads((model.parent / "wall.plan.json").read_text())
    return Counter(joint["mark"] for joint in plan["joints"] if joint["kind"] == "stud")


def test_the_card_decides_what_is_glued(wall: Path) -> None:
    strong = marks(wall, "[fit.stud_card]\npress = [5]\npulls_kg = { 5 = [9.0] }\n")
    assert set(strong) == {"press"}
    assert run(["verify", str(wall.parent / "wall.plan.json"), str(wall), "-q"]) == 0
    weak = marks(wall, "[fit.stud_card]\npress = [5]\nloose = [6]\npulls_kg = { 5 = [0.001] }\n")
    assert weak["glue"] > 0
    loose = marks(wall, "[fit.stud_card]\nloose = [5]\npulls_kg = { 4 = [9.0] }\n")
    assert loose["glue"] > 0


@pytest.mark.parametrize("language", ["en", "de"])
@pytest.mark.parametrize("paper", ["a4", "letter", "a5"])
def test_the_form_is_one_page_and_its_lines_are_valid_settings(
    wall: Path, language: str, paper: str, capsys: Capture
) -> None:
    """The lines as printed, blanks filled in, are read without a fault and change the joints."""
    (wall.parent / "stepleaf.toml").write_text('title = "' + "A very long name " * 20 + '"\n')
    out = wall.parent / "card"
    arguments = ["coupon", str(wall), "-o", str(out), "-q", "--language", language, "--paper", paper]
    assert run(arguments) == 0, capsys.readouterr().err
    document = pypdfium2.PdfDocument(str(out / FORM))
    assert len(document) == 1
    text = " ".join(document[0].get_textpage().get_text_range().split())
    head = re.findall(r"\[fit\.\w+\]", text)
    assert head == ["[fit.stud_card]"]  # the wall has no pegs and no balls
    lines = {name: re.search(rf"({name} = \[) (_, )+_ \]", text) for name in CARD_CLASSES}
    pulls = re.search(r"pulls_kg = \{ _ = \[ [_, ]*\] \}", text)
    assert all(lines.values()) and pulls is not None
    filled = [
        f"{found[1]} {2 * row + 1}, {2 * row + 2} ]" for row, found in enumerate(lines.values()) if found
    ]
    toml = "\n".join([head[0], *filled, "pulls_kg = { 3 = [ 1, 2, 3, 4, 5 ], 4 = [ 1, 1, 1, 1, 1 ] }"])
    assert set(tomllib.loads(toml)["fit"]["stud_card"]) == {*CARD_CLASSES, "pulls_kg"}
    assert {joint["fit"] for joint in inspected(wall, toml, capsys)} == {"slide"}  # number 5


def test_a_card_filled_in_wrongly_is_one_clear_line(wall: Path, capsys: Capture) -> None:
    (wall.parent / "stepleaf.toml").write_text("[fit.stud_card]\npress = [5]\ntight = [9]\n")
    assert run(["inspect", str(wall)]) == 2
    told = capsys.readouterr().err
    assert "stepleaf.toml" in told and "number 5 went press but number 9" in told and "Traceback" not in told
