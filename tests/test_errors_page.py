"""The page of errors is current and whole, and each class is provoked by what its page says."""

from __future__ import annotations

import importlib.util
import json
from pathlib import Path

import pytest

from steps.booklet.crew import Crew
from steps.booklet.pictures import StudioPictures
from steps.cli import run
from steps.cli.commands import verify
from steps.errors import (
    BeyondLimit,
    CannotDraw,
    CannotWrite,
    FaultyModel,
    MissingExtra,
    MixedSet,
    NoBuildableOrder,
    NotPlaced,
    PlanMismatch,
    StepleafError,
    UnknownFormat,
    UnreadableInput,
    WrongSettings,
)
from steps.errors_page import PAGE, classes, page
from steps.intake import read_model
from steps.one_set import DIGITS, identifier
from steps.output import may_write
from steps.pipeline import make_plan
from steps.settings import Settings, load_settings
from tests.fuzz_seeds import seeds
from tests.intake_files import binary_stl, box


def test_the_page_is_current():
    assert PAGE.read_text(encoding="utf-8") == page(), "python -m steps.errors_page"


def test_each_class_says_of_itself_what_it_is():
    for each in classes():
        for what in ("cause", "seen", "then", "__doc__"):
            assert each.__dict__.get(what), f"{each.__name__}.{what}"
        assert f"## {each.__name__}\n" in page()
    texts = [getattr(each, what) for each in classes() for what in ("cause", "seen", "then")]
    assert len(set(texts)) == len(texts)


def unreadable(folder: Path, patch: pytest.MonkeyPatch) -> None:
    read_model(folder / "none.3mf")


def unknown(folder: Path, patch: pytest.MonkeyPatch) -> None:
    (folder / "m.3mf").write_bytes(b"%PDF-1.7 and so on")
    read_model(folder / "m.3mf")


def missing(folder: Path, patch: pytest.MonkeyPatch) -> None:
    (folder / "m.step").write_text("ISO-10303-21;\nEND-ISO-10303-21;\n")
    patch.setattr(importlib.util, "find_spec", lambda name: None)
    read_model(folder / "m.step")


def beyond(folder: Path, patch: pytest.MonkeyPatch) -> None:
    read_model(binary_stl(folder / "m.stl", box()), Settings(limits={"triangles": 11}))


def wrong(folder: Path, patch: pytest.MonkeyPatch) -> None:
    load_settings(scale=-1)


def faulty(folder: Path, patch: pytest.MonkeyPatch) -> None:
    vertices, faces = box()
    read_model(binary_stl(folder / "m.stl", (vertices * float("nan"), faces)))


def loose(folder: Path, patch: pytest.MonkeyPatch) -> None:
    binary_stl(folder / "a x2.stl", box())
    make_plan(folder)


def locked(folder: Path, patch: pytest.MonkeyPatch) -> None:
    from steps.order import plan_order
    from tests.test_order import linked_rings

    plan_order(*linked_rings(), Settings())


def undrawn(folder: Path, patch: pytest.MonkeyPatch) -> None:
    from tests.booklet_sample import sample_plan
    from tests.test_booklet_pictures import sit_down_where_nothing_draws, small_orders

    with Crew(1, sit_down_where_nothing_draws) as crew:
        list(StudioPictures(sample_plan(), Settings(pictures="rays"), crew).drawn(small_orders()))


def mismatch(folder: Path, patch: pytest.MonkeyPatch) -> None:
    good = seeds("plan")[0].files
    document = json.loads(good["m.plan.json"])
    document["steps"][1]["move"] = {part: [0, 0, 1] for part in document["steps"][1]["move"]}
    (folder / "m.plan.json").write_text(json.dumps(document))
    (folder / "m.3mf").write_bytes(good["m.3mf"])
    verify(folder / "m.plan.json", folder / "m.3mf", quiet=True)


def mixed_set(folder: Path, patch: pytest.MonkeyPatch) -> None:
    for name, content in seeds("plan")[0].files.items():
        (folder / name).write_bytes(content)
    (folder / "m.html").write_text(f'<meta name="dc.identifier" content="{identifier("0" * DIGITS)}">')
    verify(folder / "m.plan.json", folder / "m.3mf", quiet=True)


def unwritable(folder: Path, patch: pytest.MonkeyPatch) -> None:
    may_write(folder)


PROVOKED = {
    UnreadableInput: unreadable,
    UnknownFormat: unknown,
    MissingExtra: missing,
    BeyondLimit: beyond,
    WrongSettings: wrong,
    FaultyModel: faulty,
    NotPlaced: loose,
    NoBuildableOrder: locked,
    CannotDraw: undrawn,
    MixedSet: mixed_set,
    PlanMismatch: mismatch,
    CannotWrite: unwritable,
}


def test_each_class_has_its_provocation():
    assert set(PROVOKED) == set(classes())


@pytest.mark.parametrize("kind", PROVOKED, ids=lambda kind: kind.__name__)
def test_each_class_is_provoked(kind, tmp_path, monkeypatch):
    with pytest.raises(StepleafError) as caught:
        PROVOKED[kind](tmp_path, monkeypatch)
    assert type(caught.value) is kind
    assert str(caught.value).strip()


def test_the_command_line_leaves_with_the_status_of_the_page(tmp_path, capsys):
    assert run(["inspect", str(tmp_path / "none.3mf")]) == UnreadableInput.exit_status
    faulty_file = binary_stl(tmp_path / "m.stl", (box()[0] * float("nan"), box()[1]))
    assert run(["inspect", str(faulty_file)]) == FaultyModel.exit_status
    assert capsys.readouterr().out == ""
