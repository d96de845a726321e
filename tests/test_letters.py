"""Nothing that anybody wrote steers what shows it."""

from __future__ import annotations

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from steps.cli import run
from steps.errors import StepleafError, WrongSettings
from steps.intake import read_model
from steps.intake.names import printable
from steps.letters import JOINERS, STEERING, unsteered
from steps.model import Problem
from steps.pipeline import make_plan
from steps.planfile import plan_to_json
from steps.settings import Settings, load_settings
from tests.intake_files import Gltf, binary_stl, box

#: Red, a bell, the line turned round (two ways), a hidden mark, a line separator.
EVIL = "mast\x1b[31m\x07 \u202egnp.\u2066b\u200f\u2028\ufeff end"
ALLOWED = set(JOINERS) | {"\n", "\t"}


def steers(text: str) -> list[str]:
    return [letter for letter in text if unicodedata.category(letter) in STEERING and letter not in ALLOWED]


@given(st.text(max_size=60))
def test_texts_keep_what_shows_and_lose_what_steers(text):
    safe = unsteered(text)
    assert not steers(safe)
    assert [letter for letter in text if not steers(letter)] == [
        letter for letter in text if letter in unsteered(letter)
    ]
    assert not steers(printable(text)) and len(printable(text)) <= 200


def test_scripts_written_from_right_to_left_stay_as_they_are():
    for name in ("תורן", "سارية", "دکل\u200cها", "👷\u200d♀️"):
        assert printable(name) == unsteered(name) == name
    assert unsteered("a\x1b\u202e\u2028b") == "a\\x1b\\u202e\\u2028b"


def test_a_name_with_a_line_end_stays_on_its_line(tmp_path):
    (tmp_path / "placements.csv").write_text(
        'id,file,colour,x,y,z,rx,ry,rz\n1,"a\n- x.stl",red,0,0,0,0,0,0\n'
    )
    with pytest.raises(StepleafError, match=r"a\\x0a- x\.stl: there is no such file"):
        read_model(tmp_path)
    (tmp_path / "a\n- x.stl").write_bytes(b"")
    with pytest.raises(StepleafError, match=r"a\\x0a- x\.stl: is empty"):
        read_model(tmp_path)
    (tmp_path / "a\n- x.stl").unlink()
    (tmp_path / "a\n- x.stl").mkdir()
    with pytest.raises(StepleafError, match=r"a\\x0a- x\.stl: is not an ordinary file"):
        read_model(tmp_path)
    (tmp_path / "s.toml").write_text('"a\\nb" = 1\n')
    with pytest.raises(WrongSettings, match=r"s\.toml: a\\x0ab: there is no such setting"):
        load_settings(tmp_path / "s.toml")


@pytest.fixture
def evil(tmp_path):
    """A scene, its file, its parts and its folder's settings all with such names."""
    file = Gltf()
    file.document["scenes"][0]["name"] = EVIL
    for row in range(2):
        mesh = file.mesh(file.primitive((box((20, 20, 10))[0] / 1000, box()[1])), name=EVIL)
        file.node(mesh=mesh, name=f"{EVIL}{row}", translation=[0, 0.02 * row, 0])
    return file.write(tmp_path / f"m{EVIL.replace('/', '')}.glb")


def test_names_reach_plan_and_terminal_without_what_steers(evil, capsys):
    model = read_model(evil)
    settings = Settings(title=EVIL, order={"notes": {model.parts[0].source: EVIL}})
    assert not steers(plan_to_json(make_plan(evil, settings), settings))
    assert run(["inspect", str(evil)]) == 0
    assert run(["inspect", str(evil), "--json"]) == 0
    assert run(["inspect", str(evil) + "none"]) == 2
    said = capsys.readouterr()
    assert not steers(said.out) and not steers(said.err)
    assert "mast" in said.out


def test_names_of_loose_files_reach_the_terminal_without_what_steers(tmp_path, capsys):
    binary_stl(tmp_path / f"{EVIL.replace('/', '')} x2 x3.stl", box())
    for arguments in ([], ["--json"]):
        assert run(["inspect", str(tmp_path), *arguments]) == 0
    said = capsys.readouterr()
    assert not steers(said.out) and not steers(said.err)


def test_a_problems_text_is_safe_whoever_made_it():
    assert Problem("x", "note", (), "a\x1bb").text == "a\\x1bb"
