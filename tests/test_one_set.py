"""Booklet, stickers and plan of one run carry one id; files of different runs are noticed."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pypdf
import pytest

import steps.booklet
from steps.booklet import write_booklet, write_html, write_labels
from steps.cli import run
from steps.draw import choose_views
from steps.errors import CannotWrite, MixedSet
from steps.model import Plan
from steps.one_set import DIGITS, identifier, mixed, run_in, run_of, set_of
from steps.planfile import parse_plan, plan_to_json
from steps.settings import Settings
from tests.booklet_sample import PlainPictures, sample_plan
from tests.fuzz_seeds import seeds


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A whole set, with a page for the screen; its stem."""
    settings = Settings(paper="letter", fold=True)
    plan = replace(sample_plan(), sights=choose_views(sample_plan(), settings))
    stem = tmp_path_factory.mktemp("set") / "tug"
    write_booklet(plan, stem.with_suffix(".pdf"), settings, pictures=PlainPictures())
    write_html(plan, stem.with_suffix(".html"), settings, pictures=PlainPictures())
    write_labels(plan, stem.with_name("tug-stickers.pdf"), settings, pictures=PlainPictures())
    stem.with_suffix(".plan.json").write_text(plan_to_json(plan, settings), encoding="utf-8")
    return stem


def test_all_files_of_a_run_carry_its_id(made: Path) -> None:
    wanted = run_of(sample_plan().model, Settings(paper="letter", fold=True))
    files = set_of(made)
    assert [path.name for path in files] == ["tug.pdf", "tug.html", "tug-stickers.pdf", "tug.plan.json"]
    assert [run_in(path) for path in files] == [wanted] * 4
    assert mixed(files) == ""
    assert parse_plan(files[-1].read_text()).run == wanted
    assert wanted in pypdf.PdfReader(files[0]).trailer["/Root"]["/Metadata"].get_data().decode()


def test_an_id_tells_model_settings_and_program_apart(monkeypatch: pytest.MonkeyPatch) -> None:
    model, settings = sample_plan().model, Settings()
    first = run_of(model, settings)
    assert first == run_of(replace(model), Settings()) and len(first) == DIGITS
    shape = replace(model.shapes[0], vertices=model.shapes[0].vertices * (1 + 1e-12))
    part = replace(model.parts[0], colour="#010203")
    others = {
        run_of(replace(model, shapes=(shape, *model.shapes[1:])), settings),
        run_of(replace(model, parts=(part, *model.parts[1:])), settings),
        run_of(model, Settings(language="de")),
    }
    monkeypatch.setattr("steps.one_set.program", lambda: "another")
    assert len(others | {first, run_of(model, settings)}) == 5


def test_files_of_two_runs_are_told_and_those_without_an_id_are_not(made: Path, tmp_path: Path) -> None:
    old, new, other = (tmp_path / name for name in ("a.plan.json", "a.pdf", "a.html"))
    text = made.with_suffix(".plan.json").read_text()
    run_id = run_in(made.with_suffix(".plan.json"))
    old.write_text(text.replace(run_id, "0123456789abcdef"))
    new.write_bytes(made.with_suffix(".pdf").read_bytes())
    other.write_text("<p>an older one, or somebody's own</p>")
    assert "a.pdf of run " + run_id in (told := mixed(set_of(tmp_path / "a")))
    assert "a.plan.json of run 0123456789abcdef" in told and "a.html" not in told
    assert mixed([old, other]) == mixed([old]) == ""


def plain_pdf(plan: Plan, settings: Settings, *rest: object) -> bytes:
    return f"%PDF-1.4 {identifier(run_of(plan.model, settings))}".encode()


#: The booklet's command, without its drawing, killed as soon as the first of its files is in place.
KILLED = """
import os, signal, sys
import steps.booklet
from steps.cli import main
from tests.test_one_set import plain_pdf
steps.booklet.booklet_pdf, replace = plain_pdf, os.replace
def killed(*places):
    replace(*places)
    if os.fspath(places[1]) == sys.argv[2]:
        os.kill(os.getpid(), signal.SIGKILL)
os.replace, os.cpu_count = killed, lambda: 1
main(["booklet", sys.argv[1], "-o", sys.argv[2], "--reader", "adult"])
"""


@pytest.mark.skipif(os.name != "posix", reason="signals")
def test_a_run_killed_between_two_files_is_noticed_by_verify_and_by_the_next(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(steps.booklet, "booklet_pdf", plain_pdf)
    monkeypatch.setattr(os, "cpu_count", lambda: 1)
    (tmp_path / "m.3mf").write_bytes(seeds("plan")[0].files["m.3mf"])
    model, book, plan = (str(tmp_path / name) for name in ("m.3mf", "m.pdf", "m.plan.json"))
    assert run(["booklet", model, "-o", book]) == 0
    assert run(["verify", plan, model, "-q"]) == 0
    first = run_in(Path(plan))
    root = Path(__file__).parents[1]
    done = subprocess.run([sys.executable, "-c", KILLED, model, book], cwd=root, capture_output=True)
    assert done.returncode == -signal.SIGKILL
    assert run_in(Path(plan)) == first != run_in(Path(book))  # each file is whole, the set is not
    assert len(list(tmp_path.glob(".draft-*"))) == 1
    assert run(["verify", plan, model, "-q"]) == MixedSet.exit_status
    told = capsys.readouterr().err
    assert f"m.pdf of run {run_in(Path(book))}" in told and f"m.plan.json of run {first}" in told
    assert run(["booklet", model, "-o", book]) == 0
    assert capsys.readouterr().err.count("different runs") == 1  # before the work, and no more after it
    assert run_in(Path(plan)) == run_in(Path(book)) == first
    assert not list(tmp_path.glob(".draft-*"))


def test_a_run_tells_of_files_beside_it_that_it_does_not_make_anew(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "m.3mf").write_bytes(seeds("plan")[0].files["m.3mf"])
    (tmp_path / "m.html").write_text("stepleaf-run:0123456789abcdef")
    assert run(["plan", str(tmp_path / "m.3mf"), "-o", str(tmp_path / "m.plan.json")]) == 0
    assert capsys.readouterr().err.count("different runs") == 1  # where nothing was before, nothing is told


@pytest.mark.parametrize(
    "command", ["booklet m.3mf -o tug.pdf", "plan m.3mf -o tug.plan.json", "demo --to ."], ids=lambda c: c[:4]
)
def test_a_mixed_set_is_told_of_although_its_files_are_not_written_over(
    command: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("m.3mf").write_bytes(seeds("plan")[0].files["m.3mf"])
    Path("tug.pdf").write_bytes(b"%PDF-1.4 stepleaf-run:0123456789abcdef")
    Path("tug.plan.json").write_text('{\n "run": "fedcba9876543210"\n}')
    assert run(command.split()) == CannotWrite.exit_status == 2
    told = capsys.readouterr().err
    assert told.count("tug.pdf of run 0123456789abcdef; tug.plan.json of run fedcba9876543210") == 1
    assert told.index("different runs") < told.index("--force")
