"""A wish is met, and changes as few other steps as possible: counted on the tug, step by step."""

from __future__ import annotations

from dataclasses import replace
from difflib import SequenceMatcher
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from demo_model.tug import tug
from demo_model.write import write_3mf
from steps.errors import WrongSettings
from steps.features import measure
from steps.joints import find_joints
from steps.model import Joints, Measures, Model, Order
from steps.order import plan_order
from steps.pipeline import survey
from steps.settings import Settings, load_settings
from tests.order_models import model_of

RAILS = ("rail port", "rail starboard", "rail stern", "bollard port", "bollard starboard")
WALLS = ("wall aft", "wall fore", "wall port", "wall starboard")
HOUSE = (*WALLS, "windows aft", "windows fore", "windows port", "windows starboard", "roof", "wheelhouse")


@cache
def given() -> tuple[Model, Measures, Joints]:
    model = model_of(tug())
    measures = measure(model, Settings())
    return model, measures, find_joints(model, measures, Settings())


@cache
def plan_with(text: str, folder: Path | None = None) -> Order:
    """The tug's order with the wishes of a stepleaf.toml."""
    settings = Settings()
    if folder is not None:
        (folder / "stepleaf.toml").write_text(text, encoding="utf-8")
        settings = load_settings(folder / "stepleaf.toml")
    model, measures, joints = given()
    return plan_order(model, replace(measures, up=np.array(settings.order.up)), joints, settings)


def contents(order: Order) -> list[tuple[object, ...]]:
    """What each step brings, whatever its number and the names of sub-assemblies."""
    copies = {each.id: each.copies for each in order.assemblies}
    return [
        (frozenset(step.adds), frozenset(frozenset(copies[a.assembly][a.copy]) for a in step.attaches))
        for step in order.steps
    ]


def changes(order: Order) -> tuple[int, int]:
    """Steps that bring something no step brought without the wish, and steps out of their old sequence."""
    plain, now = contents(plan_with("")), contents(order)
    kept = sum(
        block.size for block in SequenceMatcher(None, plain, now, autojunk=False).get_matching_blocks()
    )
    return sum(each not in plain for each in now), len(now) - kept


def number_of(order: Order) -> dict[str, int]:
    """Step that adds each part of a first copy, by name."""
    model = given()[0]
    return {model.part_by_id[part].source: step.number for step in order.steps for part in step.adds}


@pytest.mark.parametrize(
    ("wish", "new", "moved"),
    [
        ('[order.notes]\n"lamp" = "Mind it."', 0, 0),
        ('[order.names]\n"arm weight" = "jib"', 0, 0),
        ('[order]\nlast = ["lamp"]', 0, 1),
        ('[order]\nlast = ["bow fender"]', 0, 2),
        ('[order]\nlast = ["bollard port", "bollard starboard"]', 0, 3),
        ('[order]\nbefore = [["rail stern", "pier port"]]', 2, 4),
        ('[order]\nbefore = [["bollard port", "bow deck"]]', 2, 4),
        (f"[order]\ntogether = [{list(RAILS)}]", 2, 4),
        (f"[order]\ntogether = [{list(HOUSE)}]", 5, 12),  # its own steps now come before it is put on
    ],
)
def test_a_wish_changes_few_steps(wish, new, moved, tmp_path):
    """Of some 44 steps: at most so many bring something else, so many stand elsewhere in the sequence."""
    found = changes(plan_with(wish, tmp_path))
    assert found[0] <= new and found[1] <= moved


def test_what_is_wished_is_done(tmp_path):
    order = plan_with('[order]\nbefore = [["rail stern", "pier port"]]', tmp_path)
    at, plain = number_of(order), number_of(plan_with(""))
    assert at["rail stern"] < at["pier port"] and plain["rail stern"] > plain["pier port"]
    order = plan_with('[order]\nlast = ["bow fender"]', tmp_path)
    assert number_of(order)["bow fender"] == max(
        step.number for step in order.steps if step.assembly == order.steps[-2].assembly
    )


def test_a_group_kept_together_is_built_apart_or_in_a_row(tmp_path):
    order = plan_with(f"[order]\ntogether = [{list(HOUSE)}]", tmp_path)
    at = number_of(order)
    mine = {at[name] for name in HOUSE}
    model = given()[0]
    others = {number for name, number in at.items() if name not in HOUSE and min(mine) < number < max(mine)}
    apart = [
        each
        for each in order.assemblies
        if {model.part_by_id[part].source for part in each.copies[0]} >= set(HOUSE)
    ]
    assert not others or len(apart) > 1


def test_parts_of_a_step_and_the_face_that_is_down(tmp_path):
    order = plan_with("[order]\nparts_per_step = 1", tmp_path)
    assert max(len(step.adds) + len(step.attaches) for step in order.steps) == 1
    order = plan_with('[order]\ndown = "-x"', tmp_path)
    assert np.allclose(order.up, [1, 0, 0]) and np.allclose(order.steps[-1].up, [1, 0, 0])


@pytest.mark.long
def test_a_roof_that_goes_in_before_what_it_covers_is_built_apart(tmp_path):
    order = plan_with('[order]\nbefore = [["roof", "boiler"]]', tmp_path)
    at = number_of(order)
    assert at["roof"] < at["boiler"] and not any(step.doubtful for step in order.steps)


@pytest.mark.parametrize(
    ("wish", "said"),
    [
        (
            '[order]\nbefore = [["lamp", "bow"], ["bow", "keel"], ["keel", "lamp"]]',
            ["lamp before bow (wished)", "bow before keel (wished)", "keel before lamp (wished)"],
        ),
        (
            '[order]\nlast = ["roof"]\nbefore = [["roof", "lamp"]]',
            ["roof before lamp (wished)", "lamp before roof (wished last)"],
        ),
        ('[order]\nlast = ["mast of gold"]', ["'mast of gold'", "stepleaf inspect"]),
    ],
)
def test_contradictions_are_named(wish, said, tmp_path):
    with pytest.raises(WrongSettings) as caught:
        plan_with(wish, tmp_path)
    assert all(each in str(caught.value) for each in said)


def test_the_names_in_the_file_are_those_of_the_wishes(tmp_path):
    """Through a real model file: the names that the wishes above use are the ones inspect lists."""
    write_3mf(tug(), tmp_path / "tug.3mf")
    sources = {part.source for part in survey(tmp_path / "tug.3mf", Settings()).model.parts}
    assert {*RAILS, *HOUSE, "lamp", "bow fender", "pier port", "bow deck", "boiler", "keel", "bow"} <= sources
