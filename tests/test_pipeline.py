"""The pipeline runs the stages in turn and names every fault in one report."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

import steps.draw
import steps.features
import steps.glue
import steps.intake
import steps.joints
import steps.order
import steps.settle
from demo_model.beacon import beacon
from steps.errors import FaultyModel, NoBuildableOrder, NotPlaced
from steps.model import (
    Adhesive,
    Gluing,
    Joints,
    Measures,
    Model,
    Order,
    Plan,
    Problem,
    Sight,
    Step,
    View,
    Work,
)
from steps.pipeline import STAGES, make_plan, survey
from steps.settings import Settings
from tests.hand_made import measures_of, model_of

HERE = Path("beacon.3mf")


def problem(code: str, severity: Any = "error") -> Problem:
    return Problem(code, severity, ("P1",), f"{code} is named here.")


class Stages:
    """Stand-ins for the stages: record their order, and hand on given problems or raise."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch):
        self.calls: list[str] = []
        self.problems: dict[str, tuple[Problem, ...]] = {}
        self.raises: dict[str, Exception] = {}
        self.placed = True
        for module, name, stage in (
            (steps.intake, "read_model", self.read),
            (steps.features, "measure", self.measure),
            (steps.joints, "find_joints", self.joints),
            (steps.order, "plan_order", self.order),
            (steps.glue, "choose_glue", self.glue),
            (steps.settle, "settled", self.settle),
            (steps.draw, "choose_views", self.views),
        ):
            monkeypatch.setattr(module, name, stage, raising=False)

    def _enter(self, name: str) -> tuple[Problem, ...]:
        self.calls.append(name)
        if name in self.raises:
            raise self.raises[name]
        return self.problems.get(name, ())

    def read(self, path: Path, settings: Settings) -> Model:
        made = model_of(beacon())
        return Model(
            made.name, path.name, made.sha256, 1.0, made.shapes, made.parts, self.placed, self._enter("read")
        )

    def measure(self, model: Model, settings: Settings) -> Measures:
        return Measures(measures_of(model).by_shape, 10.0, self._enter("measure"))

    def joints(self, model: Model, measures: Measures, settings: Settings) -> Joints:
        return Joints((), self._enter("joints"))

    def order(
        self, model: Model, measures: Measures, joints: Joints, settings: Settings, progress: Any = None
    ) -> Order:
        return Order((), (Step(1, "A1", (), {}, (), (), np.array([0.0, 0.0, 1.0])),), self._enter("order"))

    def glue(
        self, model: Model, measures: Measures, joints: Joints, order: Order, settings: Settings
    ) -> Gluing:
        return Gluing({}, {}, {}, Adhesive(), self._enter("glue"))

    def settle(
        self,
        model: Model,
        measures: Measures,
        joints: Joints,
        order: Order,
        gluing: Gluing,
        settings: Settings,
    ) -> tuple[Order, Gluing, Work]:
        return order, gluing, Work((), self._enter("settle"))

    def views(self, plan: Plan, settings: Settings) -> tuple[Sight, ...]:
        self._enter("views")
        return (Sight(1, View(0.0, 0.0), {}),)


@pytest.fixture
def stages(monkeypatch: pytest.MonkeyPatch) -> Stages:
    return Stages(monkeypatch)


def test_stages_run_in_order_and_are_told(stages: Stages) -> None:
    told: list[str] = []
    plan = make_plan(HERE, Settings(), lambda stage, done, total: told.append(stage))
    assert stages.calls == ["read", "measure", "joints", "order", "glue", "settle", "views"]
    assert list(dict.fromkeys(told)) == list(STAGES[:7])
    assert told == sorted(told, key=STAGES.index)  # each stage ends before the next begins
    assert plan.sights[0].number == 1
    assert STAGES.index("joints") + 1 == 3  # "3 of 8 joints"
    assert len(STAGES) == 8


def test_every_error_of_the_first_stages_is_in_one_report(stages: Stages) -> None:
    stages.problems = {
        "read": (problem("mirrored"), problem("odd-unit", "warning")),
        "measure": (problem("no-volume"),),
        "joints": (problem("floating-part"), problem("overlap"), problem("half-seated", "note")),
    }
    with pytest.raises(FaultyModel) as caught:
        make_plan(HERE, Settings())
    assert [found.code for found in caught.value.problems] == [
        "mirrored",
        "no-volume",
        "floating-part",
        "overlap",
    ]
    assert "order" not in stages.calls
    for code in ("mirrored", "no-volume", "floating-part", "overlap"):
        assert f"{code} is named here." in str(caught.value)
    assert "half-seated" not in str(caught.value)


def test_warnings_and_notes_stop_nothing(stages: Stages) -> None:
    stages.problems = {"read": (problem("odd-unit", "warning"),), "glue": (problem("hint", "note"),)}
    assert [found.code for found in make_plan(HERE, Settings()).problems] == ["odd-unit", "hint"]


def test_anyway_goes_on_and_keeps_the_problems(stages: Stages) -> None:
    stages.problems = {"joints": (problem("floating-part"),), "glue": (problem("no-hold"),)}
    plan = make_plan(HERE, Settings(anyway=True))
    assert [found.code for found in plan.problems] == ["floating-part", "no-hold"]
    assert stages.calls[-1] == "views"


def test_anyway_does_not_go_past_what_is_fatal(stages: Stages) -> None:
    stages.raises = {"order": NoBuildableOrder([problem("locked")])}
    with pytest.raises(NoBuildableOrder):
        make_plan(HERE, Settings(anyway=True))


@pytest.mark.parametrize("stage", ["measure", "joints", "order", "glue"])
def test_a_stage_that_gives_up_reports_earlier_faults_too(stages: Stages, stage: str) -> None:
    stages.problems = {"read": (problem("mirrored"),)}
    stages.raises = {stage: FaultyModel([problem("locked"), problem("mirrored")])}
    with pytest.raises(FaultyModel) as caught:
        make_plan(HERE, Settings(anyway=True))
    assert sorted(found.code for found in caught.value.problems) == ["locked", "mirrored"]


def test_the_class_of_error_is_kept(stages: Stages) -> None:
    stages.problems = {"joints": (problem("floating-part"),)}
    stages.raises = {"order": NoBuildableOrder([problem("locked")])}
    with pytest.raises(NoBuildableOrder) as caught:
        make_plan(HERE, Settings(anyway=True))
    assert [found.code for found in caught.value.problems] == ["floating-part", "locked"]


def test_errors_of_gluing_stop_the_plan(stages: Stages) -> None:
    stages.problems = {"glue": (problem("no-hold"),)}
    with pytest.raises(FaultyModel, match="no-hold"):
        make_plan(HERE, Settings())
    assert "views" not in stages.calls


def test_loose_parts_can_be_surveyed_but_not_planned(stages: Stages) -> None:
    stages.placed = False
    stages.problems = {"read": (problem("no-volume"),)}
    found = survey(HERE, Settings())
    assert found.joints is None
    assert [each.code for each in found.problems] == ["no-volume"]
    assert stages.calls == ["read", "measure"]
    with pytest.raises(NotPlaced) as caught:
        make_plan(HERE, Settings())
    assert [each.code for each in caught.value.problems] == ["no-volume", "not-placed"]
    assert "12 loose parts" in str(caught.value)
    assert "id,file,colour,x,y,z,rx,ry,rz" in str(caught.value)


def test_other_errors_pass_through(stages: Stages) -> None:
    stages.raises = {"joints": ZeroDivisionError("a bug")}
    with pytest.raises(ZeroDivisionError):
        make_plan(HERE, Settings())
