"""The scale chooser against what each scale says by itself."""

from __future__ import annotations

import io
import json
from dataclasses import replace

import pytest
from rich.console import Console

from steps.errors import WrongSettings
from steps.features import measure
from steps.foreseen import foreseen
from steps.joints import find_joints
from steps.model import Model
from steps.pipeline import Survey
from steps.prints import prepare
from steps.scale_choice import USUAL_SCALES, choice_json, choice_table, greatest_told, scale_choice, scales_of
from steps.settings import Settings
from tests.test_foreseen import surveyed, tower


@pytest.fixture(scope="module")
def read_once() -> tuple[Survey, Settings]:
    return surveyed(tower(4, 0.02), printer={"filament_price_kg": 25.0})


def at(model: Model) -> tuple[Survey, Settings]:
    settings = Settings.model_validate({"scale": model.scale, "printer": {"filament_price_kg": 25.0}})
    measures = measure(model, settings)
    return Survey(model, measures, find_joints(model, measures, settings)), settings


@pytest.mark.parametrize("scale", [1.0, 3.0, 6.0])
def test_each_row_is_what_the_model_read_at_that_scale_gives(
    read_once: tuple[Survey, Settings], scale: float
) -> None:
    """Sizes, filament, hours, cost, joints: the file measured, joined and laid out anew at the scale."""
    (row,) = scale_choice(read_once[0], (scale,), read_once[1]).rows
    found, settings = at(tower(4, 0.02, scale))
    prints = prepare(found.model, found.measures, settings)
    uses = [(item.count, item.laid.use) for item in prints.items]
    assert row.size_mm == pytest.approx(tuple(found.model.bounds[1] - found.model.bounds[0]), rel=1e-6)
    assert row.kg == pytest.approx(sum(n * (use.grams + use.support_g) for n, use in uses) / 1000, rel=0.02)
    assert row.metres == pytest.approx(sum(n * use.metres for n, use in uses), rel=0.02)
    assert row.hours == pytest.approx(sum(n * use.minutes for n, use in uses) / 60, rel=0.02)
    assert row.cost == pytest.approx(25 * row.kg)
    assert row.too_large == sum(each.count for each in prints.items if not each.laid.fit.fits)
    assert found.joints is not None
    ahead = foreseen(found.model, found.measures, found.joints, settings)
    assert (row.hold, row.need_glue) == (3 - len(ahead.unsure), ahead.at_least)
    assert row.not_closed == len(ahead.hard)
    push = max(joint.push_n for joint in found.joints.joints)
    assert row.greatest_push_n == pytest.approx(push, rel=0.05, abs=0.01)


def test_the_greatest_scale_is_the_last_at_which_all_fit(read_once: tuple[Survey, Settings]) -> None:
    """Blocks 20 mm wide, less the clearance, on a bed of 220 mm: a little over 11 times."""
    found, settings = read_once
    greatest = scale_choice(found, (1.0,), settings).greatest
    below, above = scale_choice(found, (greatest * 0.999, 20.0), settings).rows
    assert 11.0 < greatest < 11.2 and (below.too_large, above.too_large) == (0, 4)
    assert "Every part fits the bed up to" in greatest_told(scale_choice(found, (1.0,), settings))


def test_without_a_price_there_is_no_cost_and_machines_get_every_row(
    read_once: tuple[Survey, Settings],
) -> None:
    choice = scale_choice(read_once[0], USUAL_SCALES, Settings())
    told = json.loads(choice_json(choice))
    assert [row["scale"] for row in told["rows"]] == list(USUAL_SCALES)
    assert {row["cost"] for row in told["rows"]} == {None}


def test_of_loose_parts_no_joints_are_told(
    read_once: tuple[Survey, Settings],
) -> None:
    found, settings = read_once
    loose = Survey(replace(found.model, placed=False), found.measures, None)
    choice = scale_choice(loose, (1.0, 2.0), settings)
    assert [row.hold for row in choice.rows] == [None, None]
    assert json.loads(choice_json(choice))["rows"][0]["need_glue"] is None
    console = Console(width=80, record=True, file=io.StringIO())
    console.print(choice_table(choice))
    said = console.export_text()
    assert "filament kg" in said and "glue" not in said and "joints" not in said
    assert "glue" not in greatest_told(choice)


@pytest.mark.parametrize("wrong", ["0", "1,-2", "nan", "one", "", "1,inf"])
def test_what_is_no_scale_is_refused(wrong: str) -> None:
    with pytest.raises(WrongSettings, match="--scales"):
        scales_of(wrong)


def test_scales_rise_and_none_is_the_usual_list() -> None:
    assert scales_of("4,1,2.5") == (1.0, 2.5, 4.0) and scales_of("usual") == USUAL_SCALES
