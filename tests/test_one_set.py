"""Booklet, stickers and plan of one run carry one id; files of different runs are noticed."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pypdf
import pytest

from steps.booklet import write_booklet, write_html, write_labels
from steps.cli import run
from steps.draw import choose_views
from steps.one_set import DIGITS, mixed, run_in, run_of, set_of
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


def test_the_next_run_tells_of_a_set_that_a_killed_run_left(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A new booklet beside an old plan: told before the work, and again only where it is so after it."""
    (tmp_path / "m.3mf").write_bytes(seeds("plan")[0].files["m.3mf"])
    model, plan = str(tmp_path / "m.3mf"), str(tmp_path / "m.plan.json")
    assert run(["plan", model, "-o", plan]) == 0
    assert "different runs" not in capsys.readouterr().err
    now = run_in(tmp_path / "m.plan.json")
    for beside, times in ((now, 0), ("0123456789abcdef", 2)):
        (tmp_path / "m.html").write_text(f"stepleaf-run:{beside}")
        assert run(["plan", model, "-o", plan]) == 0
        assert capsys.readouterr().err.count("different runs") == times
    (tmp_path / "m.html").write_text(f"stepleaf-run:{now}")
    assert run(["plan", model, "-o", plan, "--reader", "adult"]) == 0
    assert capsys.readouterr().err.count("warning: These files are of different runs") == 1
