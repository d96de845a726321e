"""The true stages from file to plan, judged by verify's independent means."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from demo_model.beacon import beacon
from demo_model.scene import DemoModel
from demo_model.seawall import sea_wall
from demo_model.tug import tug
from demo_model.write import write_3mf
from steps.model import Plan
from steps.pipeline import make_plan
from steps.planfile import PlanFile, parse_plan, plan_to_json
from steps.settings import Settings
from steps.verify import verify_plan
from steps.verify.motion import Mover, motion_tolerance

MODELS: dict[str, Callable[[], DemoModel]] = {
    "beacon": beacon,
    "tug": tug,
    "wall": lambda: sea_wall(60),
}

Made = tuple[Plan, PlanFile]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Made]:
    """Plans by model and scale, each made once."""
    folder, known = tmp_path_factory.mktemp("models"), {}

    def make(name: str, scale: float = 4.0, **more: object) -> Made:
        key = (name, scale, *sorted(more.items()))
        if key not in known:
            path = folder / f"{name}.3mf"
            if not path.exists():
                write_3mf(MODELS[name](), path)
            settings = Settings(scale=scale, **more)
            plan = make_plan(path, settings)
            known[key] = (plan, parse_plan(plan_to_json(plan, settings)))
        return known[key]

    return make


@pytest.mark.parametrize(
    ("name", "scale", "reader"),
    [
        ("beacon", 1.0, "child"),
        ("beacon", 4.0, "adult"),
        ("wall", 4.0, "helper"),
        pytest.param("tug", 1.0, "helper", marks=pytest.mark.long),
        ("tug", 4.0, "helper"),
    ],
)
def test_a_plan_made_by_the_stages_verifies(
    made: Callable[..., Made], name: str, scale: float, reader: str
) -> None:
    plan, filed = made(name, scale, reader=reader)
    report = verify_plan(filed, plan.model)
    assert report.ok, report.faults_text()
    assert len({part.source for part in filed.parts}) == len(MODELS[name]().placed)
    assert report["moves free"].looked_at >= sum(len(step.adds) for step in filed.steps)


def test_known_joints_of_the_tug_are_in_its_plan(made: Callable[..., Made]) -> None:
    _, filed = made("tug", 4.0, reader="helper")
    found = Counter((joint.kind, joint.contacts) for joint in filed.joints if joint.kind != "rest")
    assert found == Counter((kind, contacts) for _, _, kind, contacts in tug().known_joints)


def test_the_ball_joint_is_never_glued_and_the_rest_follows_the_contract(made: Callable[..., Made]) -> None:
    _, filed = made("tug", 4.0, reader="helper")
    balls = [joint for joint in filed.joints if joint.kind == "ball"]
    assert balls and all(joint.mark == "free" for joint in balls)
    assert all(step.by != "child" for step in filed.steps if step.glues)
    assert all(len(step.adds) <= 4 for step in filed.steps)


def test_every_move_of_the_tug_reversed_is_blocked(made: Callable[..., Made]) -> None:
    """The tolerance hides no collision: what goes in over studs cannot go in the other way."""
    plan, filed = made("tug", 4.0, reader="helper")
    mover = Mover.of(plan.model, filed.joints, motion_tolerance(filed, plan.model))
    partners: dict[str, set[str]] = {}
    for joint in filed.joints:
        if joint.kind == "stud":
            partners.setdefault(joint.a, set()).add(joint.b)
            partners.setdefault(joint.b, set()).add(joint.a)
    built: dict[str, list[str]] = {}
    tried = 0
    for step in filed.steps:
        before = built.setdefault(step.assembly, [])
        for name in step.adds:
            move = np.array(step.move[name])
            touched = [other for other in before if other in partners.get(name, ())]
            if touched and move.ndim == 1:
                tried += 1
                assert mover.blockers([name], touched, tuple(-move)), f"{name} in step {step.number}"
            before.append(name)
    assert tried > 40


def test_what_has_set_is_not_held_again(made: Callable[..., Made]) -> None:
    """At 4x the tug's studs are loose: tyres on its sides are held while their glue sets, then no more."""
    _, filed = made("tug", 4.0, reader="helper")
    names = {part.id: part.source for part in filed.parts}
    tyres = {part for part, name in names.items() if name.startswith("tyre")}
    assert len(tyres) == 8
    held = {step.number: tyres & set(step.hold) for step in filed.steps}
    assert {number: found for number, found in held.items() if found} == {
        step.number: tyres & set(step.adds) for step in filed.steps if tyres & set(step.adds)
    }


def test_same_model_same_bytes(made: Callable[..., Made], tmp_path: Path) -> None:
    plan, _ = made("beacon", 1.0, reader="child")
    settings = Settings(scale=1.0, reader="child")
    path = tmp_path / "beacon.3mf"
    write_3mf(beacon(), path)
    assert plan_to_json(make_plan(path, settings), settings) == plan_to_json(plan, settings)


def test_the_plan_says_where_it_came_from(made: Callable[..., Made]) -> None:
    plan, filed = made("wall", 4.0, reader="helper")
    assert filed.source.file == "wall.3mf"
    assert len(filed.source.sha256) == 64
    assert (filed.scale, filed.pitch_mm) == (4.0, pytest.approx(40.0, abs=0.08))
    assert json.loads(plan_to_json(plan, Settings(scale=4.0)))["settings"]["scale"] == 4.0
