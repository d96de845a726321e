"""Sub-assemblies: found, nested within ones that repeat, and named by where they sit."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from steps.features import measure
from steps.intake.colours import name_colours
from steps.joints import find_joints
from steps.model import Assembly, Model, Part, Plan, Shape
from steps.order.names import group_name
from steps.order.site import Group
from steps.pipeline import plan_survey
from steps.planfile import plan_file
from steps.settings import Settings
from steps.verify import verify_plan
from tests.order_models import castle, model_of

UP = np.array([0.0, 0.0, 1.0])


def plan_of(towers: int) -> Plan:
    """The whole plan, glue and views too, as the program makes it."""
    model = model_of(castle(towers))
    measures = measure(model, Settings())
    return plan_survey(model, measures, find_joints(model, measures, Settings()), Settings())


@pytest.fixture(scope="module")
def two_towers() -> Plan:
    return plan_of(2)


def sources(model: Model, parts: tuple[str, ...]) -> set[str]:
    return {model.part_by_id[part].source for part in parts}


def assembly_of(plan: Plan, count: int) -> Assembly:
    (found,) = (each for each in plan.order.assemblies if len(each.copies[0]) == count)
    return found


def test_turrets_are_nested_within_the_towers_that_repeat(two_towers):
    """Two towers of ten parts; in each two turrets of three: built 2 and 4 times, attached in two levels."""
    plan = two_towers
    tower, turret = assembly_of(plan, 10), assembly_of(plan, 3)
    assert len(tower.copies) == 2 and len(turret.copies) == 4
    names = [sources(plan.model, copy) for copy in turret.copies]
    wanted = [
        {f"tower {k} turret {t} {label}" for label in ("low", "high", "cap")} for k in (1, 2) for t in (1, 2)
    ]
    assert sorted(map(sorted, names)) == sorted(map(sorted, wanted))
    for copy in turret.copies:
        assert sum(set(copy) < set(outer) for outer in tower.copies) == 1
    attached = {
        (each.assembly, each.copy, step.assembly) for step in plan.order.steps for each in step.attaches
    }
    whole = plan.order.assemblies[-1].id
    inside = {
        (turret.id, k, tower.id) for k, copy in enumerate(turret.copies) if set(copy) < set(tower.copies[0])
    }
    assert attached == inside | {(tower.id, 0, whole), (tower.id, 1, whole)} and len(inside) == 2


def test_each_part_is_put_on_once_and_only_in_first_copies(two_towers):
    plan = two_towers
    added = [part for step in plan.order.steps for part in step.adds]
    assert len(added) == len(set(added)) == len(plan.model.parts) - 10 - 3  # one tower and one turret less
    for step in plan.order.steps:
        assert set(step.adds) <= set(plan.order.assembly_by_id[step.assembly].copies[0])


@pytest.mark.parametrize("towers", [2, 3])
def test_nested_copies_replay(towers):
    """By the verifier's means: every copy rigid, each part, joint and copy once, moves free; it stands."""
    plan = plan_of(towers)
    report = verify_plan(plan_file(plan, Settings()), plan.model)
    assert report.ok, report.faults_text()
    assert report["copies alike"].looked_at == 1 + towers + 2 * towers


def test_a_nested_copy_out_of_place_is_found(two_towers):
    """The check can fail: two turrets' parts exchanged between copies are no rigid motion of the first."""
    entry = plan_file(two_towers, Settings())
    turret = next(each for each in entry.assemblies if len(each.copies) == 4)
    copies = [list(copy) for copy in turret.copies]
    copies[2][0], copies[3][0] = copies[3][0], copies[2][0]
    wrong = turret.model_copy(update={"copies": tuple(map(tuple, copies))})
    others = tuple(wrong if each.id == turret.id else each for each in entry.assemblies)
    report = verify_plan(entry.model_copy(update={"assemblies": others}), two_towers.model)
    assert not report["copies alike"].ok


def test_names_say_where_copies_sit(two_towers):
    """Towers by where they stand in the model, turrets by where they stand on a tower."""
    names = {len(each.copies[0]): str(each.name) for each in two_towers.order.assemblies}
    assert names[10] == "tower, back left and back right, built 2 times, 10 parts"
    assert names[3] == "tower, left and right, built 4 times, 3 parts"
    boxes = two_towers.model.part_bounds.mean(axis=1)
    middle = (two_towers.model.bounds[0] + two_towers.model.bounds[1]) / 2
    rows = [[two_towers.model.index_of[part] for part in copy] for copy in assembly_of(two_towers, 10).copies]
    at = np.array([boxes[copy].mean(axis=0) - middle for copy in rows])
    assert sorted(np.sign(at[:, 0])) == [-1, 1] and np.all(at[:, 1] > 0)


def _names_of(colours: tuple[str, str]) -> list[str]:
    """Names of two lone parts, on the left and on the right of a longer one, in these colours."""
    named = name_colours(["#808080", *colours])
    places = zip(
        ("S1", "S2", "S2"), ("#808080", *colours), ((0, 0, 0), (-30, 0, 10), (30, 0, 10)), strict=True
    )
    shapes = tuple(
        Shape(key, np.asarray(box.vertices), np.asarray(box.faces), True, key)
        for key, box in (
            ("S1", trimesh.creation.box((90, 10, 10))),
            ("S2", trimesh.creation.box((10, 10, 10))),
        )
    )
    parts = tuple(
        Part(
            f"P{row}",
            f"part {row}",
            key,
            colour,
            named[colour],
            trimesh.transformations.translation_matrix(at),
        )
        for row, (key, colour, at) in enumerate(places, 1)
    )
    model = Model("Beam", "beam.3mf", "0" * 64, 1.0, shapes, parts)
    groups = [Group(((row,),), UP) for row in (1, 2)] + [Group(((0, 1, 2),), UP)]
    return [str(group_name(model, group, groups[-1], groups)[0]) for group in groups[:2]]


def test_a_sub_assembly_is_told_by_its_colours_and_by_its_place_where_they_do_not_tell_it() -> None:
    assert _names_of(("#ff0000", "#0000ff")) == ["section, red", "section, blue"]
    assert _names_of(("#ff0000", "#ff0000")) == [
        "section, red, left",
        "section, red, right",
    ]
    assert _names_of(("#808080", "#808080"))[0] == "section, left"
