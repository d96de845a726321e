"""The seven names of ``steps``: light to import, typed, documented, and usable from anywhere."""

from __future__ import annotations

import inspect
import json
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from pypdf import PdfReader

import steps
from demo_model.beacon import beacon
from demo_model.lattice import Builder, block_piece
from demo_model.scene import DemoModel
from demo_model.solids import Module
from demo_model.write import write_3mf, write_stl_folder
from steps import errors, make_plan, read_model, verify_plan, write_booklet, write_html, write_prints
from steps.booklet import write_labels
from steps.errors import CannotWrite, NotPlaced, WrongSettings
from steps.model import Plan
from steps.planfile import plan_to_json
from steps.settings import Settings
from tests.booklet_sample import PlainPictures, sample_plan

ROOT = Path(__file__).parent.parent


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("door")
    write_3mf(beacon(), path / "my-model.3mf")
    return path


@pytest.fixture(scope="module")
def plan(folder: Path) -> Plan:
    return make_plan(folder / "my-model.3mf", Settings(reader="child"))


def pile() -> DemoModel:
    """Three blocks: what starts a program and its workers hangs on no model."""
    build = Builder("Pile", Module())
    for n in range(3):
        build.add(f"block {n}", block_piece(2, 2, build.module), "#c9b48a", 0, 0, 2 * n)
    return build.model()


def program() -> str:
    """The README's program, as it stands there."""
    (found,) = re.findall(r"```python\n(.*?)```", (ROOT / "README.md").read_text("utf-8"), re.DOTALL)
    return found


def as_script(folder: Path, text: str) -> list[str]:
    (folder / "program.py").write_text(text)
    return [sys.executable, "program.py"]


def from_standard_input(folder: Path, text: str) -> list[str]:
    return [sys.executable, "-"]


def as_kernel(folder: Path, text: str) -> list[str]:
    """Cell by cell in one interpreter, as a notebook's kernel runs them: ``__main__`` is a bare module that
    cannot be imported again. It stands in for ipykernel, which is no dependency."""
    kernel = (
        "import code, sys, types\n"
        "main = types.ModuleType('__main__')\n"
        "sys.modules['__main__'] = main\n"
        "cells = code.InteractiveInterpreter(main.__dict__)\n"
        "for cell in sys.stdin.read().splitlines():\n"
        "    cells.runsource(cell)\n"
    )
    return [sys.executable, "-c", kernel]


def run_program(
    start: Callable[[Path, str], list[str]], folder: Path, text: str
) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        start(folder, text),
        input=text,
        cwd=folder,
        env={"PYTHONPATH": str(ROOT), "PATH": "/usr/bin:/bin"},
        capture_output=True,
        text=True,
        timeout=300,
    )


@pytest.mark.parametrize("start", [as_script, from_standard_input, as_kernel])
def test_the_readmes_program_of_five_lines_runs(
    start: Callable[[Path, str], list[str]], tmp_path: Path
) -> None:
    text = program()
    assert len([line for line in text.splitlines() if line.strip()]) == 5
    write_3mf(pile(), tmp_path / "my-model.3mf")
    done = run_program(start, tmp_path, text)
    assert (done.stdout, done.stderr) == ("True\n", "")
    assert len(PdfReader(tmp_path / "my-model.pdf").pages) > 5


def test_importing_it_loads_nothing_and_every_name_is_there() -> None:
    script = (
        "import sys, json; before = set(sys.modules); import steps\n"
        "new = {name.split('.')[0] for name in set(sys.modules) - before} - sys.stdlib_module_names\n"
        "listed = dir(steps)\n"
        "from steps import *\n"
        "missing = [name for name in steps.__all__ if name not in globals() or name not in listed]\n"
        "print(json.dumps([sorted(new), missing]))"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, cwd=ROOT, check=True
    )
    loaded, missing = json.loads(done.stdout)
    assert missing == [] and loaded == ["steps"]
    with pytest.raises(AttributeError, match="no_such_name"):
        steps.no_such_name  # noqa: B018


@pytest.mark.parametrize("name", [name for name in steps.__all__ if name != "Settings"])
def test_each_call_is_typed_and_says_what_it_raises_and_in_which_units(name: str) -> None:
    call = getattr(steps, name)
    signature = inspect.signature(call, eval_str=False)
    assert signature.return_annotation is not inspect.Signature.empty
    assert all(each.annotation is not inspect.Parameter.empty for each in signature.parameters.values())
    assert call.__doc__ and "Raises" in call.__doc__
    for error in re.findall(r"\b[A-Z][a-z]+[A-Z]\w+", call.__doc__.split("Raises", 1)[1]):
        assert hasattr(errors, error), error


def test_a_model_and_its_file_give_the_same_plan(folder: Path, plan: Plan) -> None:
    settings = Settings(reader="child")
    read = make_plan(read_model(str(folder / "my-model.3mf"), settings), settings)
    assert plan_to_json(read, settings) == plan_to_json(plan, settings)


def test_verify_takes_a_plan_or_its_file_and_a_model_or_its_file(folder: Path, plan: Plan) -> None:
    settings = Settings(reader="child")
    (folder / "my.plan.json").write_text(plan_to_json(plan, settings))
    reports = [
        verify_plan(plan, plan.model, settings),
        verify_plan(str(folder / "my.plan.json"), str(folder / "my-model.3mf")),
    ]
    assert all(report.ok for report in reports)
    counts = [[(check.name, check.looked_at) for check in report.checks] for report in reports]
    assert counts[0] == counts[1]


def test_prints_of_a_plan_follow_the_build_and_loose_parts_are_printed_too(
    folder: Path, plan: Plan, tmp_path: Path
) -> None:
    made = write_prints(plan, str(tmp_path / "of plan"), Settings(reader="child"))
    assert [plate.needed_at for plate in made.plates] == sorted(plate.needed_at or 0 for plate in made.plates)
    assert made.plates[0].needed_at == 1
    write_stl_folder(beacon(), tmp_path / "loose")
    (tmp_path / "loose" / "placements.csv").unlink()
    loose = read_model(tmp_path / "loose")
    assert len(write_prints(loose, tmp_path / "of parts").items) == len(loose.shapes)
    with pytest.raises(NotPlaced):
        make_plan(loose)


def test_settings_of_another_scale_are_refused_everywhere(plan: Plan, tmp_path: Path) -> None:
    other = Settings(scale=2.0)
    calls: list[Callable[[], object]] = [
        lambda: make_plan(plan.model, other),
        lambda: verify_plan(plan, plan.model, other),
        lambda: write_booklet(plan, tmp_path / "a.pdf", other),
        lambda: write_html(plan, tmp_path / "a.html", other),
        lambda: write_prints(plan, tmp_path / "a", other),
    ]
    for call in calls:
        with pytest.raises(WrongSettings, match=r"my-model\.3mf was read at 1 times.* say 2\."):
            call()
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("write", [write_booklet, write_html])
def test_a_place_that_cannot_be_written_is_told_before_drawing(
    write: Callable[..., None], tmp_path: Path
) -> None:
    pictures = PlainPictures()
    (tmp_path / "taken").mkdir()
    with pytest.raises(CannotWrite, match="folder of that name"):
        write(sample_plan(), tmp_path / "taken", Settings(), pictures=pictures)
    assert not pictures.asked


def test_drawing_from_code_starts_no_process_unless_asked(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(subprocess, "Popen", lambda *a, **k: pytest.fail("a process was started"))
    settings = Settings(scale=4.0, pictures="rays", stickers="70x37")
    write_labels(sample_plan(), tmp_path / "labels.pdf", settings)
    assert PdfReader(tmp_path / "labels.pdf").pages
    with pytest.raises(pytest.fail.Exception):
        write_labels(sample_plan(), tmp_path / "labels.pdf", settings, workers=2)
