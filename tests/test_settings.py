"""stepleaf.toml: nonsense is refused at the door, with its place, its value and what is right."""

from __future__ import annotations

import ast
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from steps.errors import WrongSettings
from steps.settings import CARD_CLASSES, Settings, load_settings


def faults(tmp_path: Path, text: str) -> list[str]:
    path = tmp_path / "stepleaf.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(WrongSettings) as caught:
        load_settings(path)
    return str(caught.value).split("; stepleaf.toml: ")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[fit]\nstud_diameter_mm = 6.1", "fit: socket_diameter_mm is missing"),
        ("[fit]\nsocket_diameter_mm = 6.1", "fit: stud_diameter_mm is missing"),
        ("[fit]\nstud_diameter_mm = 61\nsocket_diameter_mm = 6.2", "a stud of 61 mm and a socket of 6.2 mm"),
        ("[fit]\nstud_diameter_mm = 24\nsocket_diameter_mm = 0.95", "both across, in mm, as printed"),
        ("[fit.ball_card]\nloose = [6]\npulls_kg = { 5 = [1.0] }", "ball_card: pulls are taken of studs and"),
        ("refit = 0", "is no fit to aim at; known are press, slide"),
        (
            "[fit]\npress_below_mm = 0.3\nslide_below_mm = 0.1",
            "press_below_mm 0.3 is above slide_",
        ),
        (
            "[fit]\ntight_below_mm = 0.3\nslide_below_mm = 0.1",
            "tight_below_mm 0.3 is above slide_",
        ),
        ("[fit]\npress_below_mm = 30", "fit.press_below_mm: is 30; must be less than or equal to 2"),
        ("[fit]\npull_off_n = 'many'", "fit.pull_off_n: is 'many'; must be a valid number"),
        ("[fit]\npull_off_n = nan", "fit.pull_off_n: is nan; must be a finite number"),
        ("[fit]\nstud = 3", "fit.stud: there is no such setting; here stand stud_diameter_mm,"),
        (
            "[fit.stud_card]\nfirm = [1]",
            "fit.stud_card.firm: there is no such setting; here stand tight,",
        ),
        ("colour = 3", "colour: there is no such setting; here stand title, scale,"),
        ("fit = 3", "fit: is 3; must be a table, [fit]"),
        ("scale = inf", "scale: is inf; must be a finite number"),
        ("[printer]\nwall_mm = 1e300", "printer.wall_mm: is 1e+300; must be less than or equal to 100000"),
        ("scale = 0", "scale: is 0; must be greater than or equal to 0.000001"),
        (f"title = '{'t' * 9000}'", "title: is 'ttt"),
        (f"[order.notes]\na = '{'t' * 9000}'", "…; must have at most 2000 characters"),
        ("[printer]\nboss_error_mm = 50", "no print is off by more than 1 mm; write what the"),
        (
            "[printer]\nbed_mm = [220, 0, 250]",
            "printer.bed_mm.1: is 0; must be greater than or equal to 0.001",
        ),
        ("[fit", "not valid TOML"),
    ],
)
def test_nonsense_is_named_with_its_place_and_value(tmp_path: Path, text: str, said: str) -> None:
    (fault,) = faults(tmp_path, text)
    assert said in fault


def test_every_fault_is_told_at_once(tmp_path: Path) -> None:
    text = "scale = -1\n[fit]\npull_off_n = -2\n[glue]\nroom_m3 = 'big'"
    told = faults(tmp_path, text)
    assert [fault.removeprefix("stepleaf.toml: ").split(":")[0] for fault in told] == [
        "scale",
        "fit.pull_off_n",
        "glue.room_m3",
    ]


def test_an_options_fault_names_the_option(tmp_path: Path) -> None:
    with pytest.raises(WrongSettings, match=r"^--scale: is nan; must be a finite number$"):
        load_settings(None, scale=float("nan"))


def test_sound_values_pass_and_options_go_first(tmp_path: Path) -> None:
    path = tmp_path / "stepleaf.toml"
    path.write_text(
        "scale = 2\n[fit]\nstud_diameter_mm = 24.1\nsocket_diameter_mm = 24.5\n"
        "tight_below_mm = -0.1\npress_below_mm = 0.1\nslide_below_mm = 0.2\npull_off_n = 4\n",
        encoding="utf-8",
    )
    found = load_settings(path, scale=4.0, material=None)
    assert (found.scale, found.material) == (4.0, Settings().material)
    assert (found.fit.stud_diameter_mm, found.fit.slide_below_mm) == (24.1, 0.2)


def test_the_readmes_example_is_sound(tmp_path: Path) -> None:
    readme = (Path(__file__).parent.parent / "README.md").read_text(encoding="utf-8")
    path = tmp_path / "stepleaf.toml"
    path.write_text(readme.split("```toml\n")[1].split("```")[0], encoding="utf-8")
    found = load_settings(path)
    assert (found.scale, found.fit.stud_diameter_mm, found.fit.pull_off_n) == (4.0, 26.5, 4.0)


def test_down_is_a_direction_too():
    up = Settings(order={"down": (3.0, 0.0, -4.0)}).order.up
    assert up == pytest.approx((-0.6, 0.0, 0.8))
    with pytest.raises(ValueError, match="points nowhere"):
        Settings(order={"down": (0.0, 0.0, 0.0)})


@pytest.mark.parametrize(
    "text",
    [
        "scale = " + "[" * 20_000 + "]" * 20_000,
        ".".join(["a"] * 20_000) + " = 1",
        "[" + ".".join(["a"] * 20_000) + "]",
        "x = " + "{a = " * 5_000 + "1" + "}" * 5_000,
    ],
    ids=["lists", "dotted key", "table", "inline tables"],
)
def test_settings_nested_without_end_are_refused_by_name(text, tmp_path):
    path = tmp_path / "stepleaf.toml"
    path.write_text(text)
    with pytest.raises(WrongSettings, match="deeper than any setting"):
        load_settings(path)


#: The face that is down is read through ``OrderSettings.up``.
BY_NAME = {("CardSettings", name) for name in CARD_CLASSES} | {("OrderSettings", "down")}
#: Settings whose readers are being written. Nothing else may stand here.
AWAITED: set[tuple[str, str]] = set()
#: All that mypy needs to know of the library to follow the settings' types.
PYDANTIC = """
from typing import Any
class BaseModel:
    @classmethod
    def model_validate(cls, value: Any) -> Any: ...
def __getattr__(name: str) -> Any: ...
"""


def test_every_setting_is_read_by_something(tmp_path: Path) -> None:
    """Each setting is renamed in a copy of the program; by the types, mypy says who misses it."""
    fields = rename_settings(tmp_path)
    files = [str(path.relative_to(tmp_path)) for path in tmp_path.rglob("*.py*")]
    options = ["--config-file=", "--follow-imports=skip", "--ignore-missing-imports", "--check-untyped-defs"]
    told = subprocess.run(
        [sys.executable, "-m", "mypy", *options, f"--cache-dir={os.devnull}", *files],
        cwd=tmp_path, capture_output=True, text=True, check=False,
    ).stdout  # fmt: skip
    elsewhere = "\n".join(line for line in told.splitlines() if not line.startswith("steps/settings.py"))
    missed = set(re.findall(r'error: "(\w+)" has no attribute "(\w+)"', elsewhere))
    assert ("Settings", "scale") in missed, told[-2000:]
    assert fields - missed - BY_NAME <= AWAITED


def rename_settings(folder: Path) -> set[tuple[str, str]]:
    """Copy the program into the folder with every setting that is no section renamed: (class, name)."""
    program = Path(__file__).parent.parent / "steps"
    shutil.copytree(program, folder / "steps", ignore=shutil.ignore_patterns("__pycache__"))
    (folder / "pydantic.pyi").write_text(PYDANTIC)
    source = (program / "settings.py").read_text(encoding="utf-8")
    lines, fields = source.splitlines(), set()
    for section in (node for node in ast.parse(source).body if isinstance(node, ast.ClassDef)):
        for node in section.body:
            if isinstance(node, ast.AnnAssign) and "Settings" not in ast.unparse(node.annotation):
                row, column = node.target.lineno - 1, node.target.col_offset
                lines[row] = f"{lines[row][:column]}renamed_{lines[row][column:]}"
                fields.add((section.name, ast.unparse(node.target)))
    (folder / "steps" / "settings.py").write_text("\n".join(lines), encoding="utf-8")
    return fields
