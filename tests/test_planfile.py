"""plan.json: the contract's keys, deterministic text, reading back, and the published schema."""

from __future__ import annotations

import json
import math
import re
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_model.beacon import beacon
from steps.errors import UnreadableInput
from steps.model import (
    Adhesive,
    Assembly,
    Attach,
    Gluing,
    Joint,
    Joints,
    Move,
    Order,
    Plan,
    Problem,
    Sight,
    Step,
    StepWork,
    Touch,
    View,
    Work,
)
from steps.planfile import (
    SCHEMA_FILE,
    PlanFile,
    parse_plan,
    plan_file,
    plan_to_json,
    read_plan,
    schema_text,
    to_text,
)
from steps.settings import Settings
from steps.wording import phrase
from tests.hand_made import measures_of, model_of

#: Every key of the contract, by the place it stands in.
CONTRACT = {
    "": "format version source settings unit scale pitch_mm shapes parts joints assemblies steps adhesive "
    "problems",
    "source": "file sha256",
    "shapes": "id name size_mm volume_mm3 printed_g studs count",
    "parts": "id source shape colour colour_name pose",
    "joints": "id kind a b axis contacts gap_mm depth_mm snap_mm fit mark hold_n load_n push_n "
    "glue_area_mm2 why touches",
    "touches": "kind from point axis gap_mm depth_mm area_mm2",
    "assemblies": "id name copies",
    "steps": "number assembly adds move attaches closes glues sitting needs_cured up view seen by hold "
    "wait_min",
    "attaches": "assembly copy move",
    "view": "azimuth elevation",
    "adhesive": "family volume_ml fixture_min cure_min",
    "problems": "code severity parts text",
}


@pytest.fixture(scope="module")
def plan() -> Plan:
    """A small plan with every kind of entry: two parts, one joint, a sub-assembly, glue, a bent move."""
    demo = beacon()
    model = model_of(demo)
    touch = Touch(
        "stud", "P1", [1, 2, 3], [0, 0, 1], 0.1, 0.12, 2.6, 30.0, np.zeros((4, 3)), np.zeros((4, 3))
    )
    joint = Joint(
        "J1",
        "stud",
        "P1",
        "P3",
        np.array([-0.0, 0, 1]),
        2,
        0.1,
        2.6,
        0.0,
        "press",
        False,
        1.5,
        (1.0, 2.0),
        9.0,
        60.0,
        "gap 0.10 mm per side at 1x: press",
        (touch,),
    )
    rest = tuple(part.id for part in model.parts[1:])
    whole = tuple(part.id for part in model.parts)
    steps = (
        Step(
            1,
            "A1",
            ("P1",),
            {"P1": Move(np.array([[0, 0, -1.0]]))},
            (),
            (),
            np.array([0, 0, 1.0]),
        ),
        Step(
            2,
            "A2",
            rest,
            {part: Move(np.array([[0, 0, -20.0], [-3.0, 0, 0]])) for part in rest},
            (Attach("A1", 0, Move(np.array([[0, 0, -1.0]]))),),
            ("J1",),
            np.array([0, 0, 1.0]),
            doubtful=(phrase("not proved"),),
            note="mind the fingers",
            needs_push_n=12.0,
        ),
    )
    return Plan(
        model,
        measures_of(model),
        Joints((joint,), (Problem("half-seated", "warning", ("P3",), "P3 sits high."),)),
        Order((Assembly("A1", "foot", (("P1",),)), Assembly("A2", "beacon", (whole,))), steps),
        Gluing(
            {"J1": "glue"},
            {"J1": "Glued: it must not come off."},
            {"J1": 0.4},
            Adhesive("epoxy", 1.5, 5.0, 60.0, 1440.0, ("fills the gap",)),
        ),
        Work((StepWork(1), StepWork(2, ("J1",), 1, ("J1",), "adult", 2, 30.0, ("P2",)))),
        tuple(Sight(n, View(math.pi / 4, 0.6155), {"P10": 0.5, "P2": 1.0}) for n in (1, 2)),
    )


def test_every_key_of_the_contract_is_there(plan: Plan) -> None:
    values = json.loads(plan_to_json(plan, Settings()))
    places = {
        "": values,
        "source": values["source"],
        "touches": values["joints"][0]["touches"][0],
        "attaches": values["steps"][1]["attaches"][0],
        "view": values["steps"][0]["view"],
        "adhesive": values["adhesive"],
        **{key: values[key][0] for key in ("shapes", "parts", "joints", "assemblies", "steps", "problems")},
    }
    for place, keys in CONTRACT.items():
        missing = set(keys.split()) - set(places[place])
        assert not missing, f"{place}: {missing}"


def test_values_stand_where_they_belong(plan: Plan) -> None:
    values = json.loads(plan_to_json(plan, Settings(scale=2.0)))
    assert values["settings"]["scale"] == 2.0
    assert values["settings"]["printer"]["nozzle_mm"] == 0.4
    joint = values["joints"][0]
    assert (joint["mark"], joint["hold_n"], joint["load_n"]) == ("glue", 1.5, 0.4)
    assert joint["why"] == "gap 0.10 mm per side at 1x: press; Glued: it must not come off."
    assert joint["touches"][0]["from"] == "P1"
    one, two = values["steps"]
    assert one["move"] == {"P1": [0, 0, -1]}
    assert two["move"]["P2"] == [[0, 0, -20], [-3, 0, 0]]
    assert two["attaches"] == [{"assembly": "A1", "copy": 0, "move": [0, 0, -1], "turn": None}]
    assert (two["by"], two["sitting"], two["wait_min"], two["hold"]) == ("adult", 1, 30.0, ["P2"])
    assert (one["by"], one["sitting"]) == ("child", None)
    assert two["view"] == {"azimuth": 45.0, "elevation": pytest.approx(math.degrees(0.6155), abs=1e-4)}
    assert list(two["seen"]) == ["P2", "P10"]
    assert [shape["count"] for shape in values["shapes"]] == [4, 4, 1, 2, 1]
    assert values["parts"][2]["source"] == "plinth left"
    assert np.array(values["parts"][2]["pose"]) == pytest.approx(plan.model.parts[2].pose)


def test_text_is_the_same_every_time_and_has_no_negative_zero(plan: Plan) -> None:
    text = plan_to_json(plan, Settings())
    assert text == plan_to_json(plan, Settings())
    assert not re.search(r"-0\.0+\b(?!\d)", text)
    assert text.endswith("}\n")
    # one line per part, so that two plans compare well by line
    assert sum(line.startswith('  {"id": "P') for line in text.splitlines()) == len(plan.model.parts)


def test_reads_back_as_it_was_written(plan: Plan, tmp_path: Path) -> None:
    text = plan_to_json(plan, Settings())
    path = tmp_path / "beacon.plan.json"
    path.write_text(text, encoding="utf-8")
    again = read_plan(path)
    assert to_text(again) == text
    assert again == plan_file_rounded(plan)


def plan_file_rounded(plan: Plan) -> PlanFile:
    """The plan's types with the file's rounding."""
    return PlanFile.model_validate_json(to_text(plan_file(plan, Settings())))


def test_keys_may_be_added(plan: Plan) -> None:
    values = json.loads(plan_to_json(plan, Settings()))
    values["colour_of_the_sea"] = "green"
    values["steps"][0]["mood"] = "calm"
    assert parse_plan(json.dumps(values)).steps[0].number == 1


@pytest.mark.parametrize("key", [key for key in CONTRACT[""].split() if key not in ("format", "version")])
def test_a_key_that_is_missing_is_named(plan: Plan, key: str) -> None:
    values = json.loads(plan_to_json(plan, Settings()))
    del values[key]
    with pytest.raises(UnreadableInput, match=rf"{key}: is missing"):
        parse_plan(json.dumps(values))


def test_all_faults_come_in_one_report(plan: Plan) -> None:
    values = json.loads(plan_to_json(plan, Settings()))
    values["unit"] = "inch"
    values["parts"][0]["colour"] = "blue"
    values["steps"][1]["by"] = "cat"
    values["joints"][0]["gap_mm"] = "wide"
    with pytest.raises(UnreadableInput) as caught:
        parse_plan(json.dumps(values), "beacon.plan.json")
    for place in ("unit", "parts.0.colour", "steps.1.by", "joints.0.gap_mm", "beacon.plan.json"):
        assert place in str(caught.value)


@pytest.mark.parametrize("value", ["NaN", "Infinity", "1e999"])
def test_no_value_is_infinite(plan: Plan, value: str) -> None:
    text = plan_to_json(plan, Settings()).replace('"gap_mm": 0.1', f'"gap_mm": {value}', 1)
    assert value in text
    with pytest.raises(UnreadableInput):
        parse_plan(text)


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "not valid JSON"),
        (b"{", "not valid JSON at line 1"),
        (b"[1, 2]", "not a plan"),
        (b'{"format": "stepleaf-inspection"}', "not a plan"),
        (b'{"format": "stepleaf-plan", "version": 2}', "version 2"),
        (b'{"format": "stepleaf-plan", "version": "' + b"1" * 10_000 + b'"}', r"version \"1{19}; only"),
        (b"\x89PNG\r\n\x1a\n\xff\xfe", "not text"),
        (b"[" * 100_000, "not valid JSON"),
        (b'{"version": ' + b"9" * 6000 + b"}", "not valid JSON"),
    ],
)
def test_wrong_files_are_told_apart(tmp_path: Path, content: bytes, says: str) -> None:
    path = tmp_path / "wrong.plan.json"
    path.write_bytes(content)
    with pytest.raises(UnreadableInput, match=says) as caught:
        read_plan(path)
    assert "wrong.plan.json" in str(caught.value)


def test_a_missing_file_and_a_folder(tmp_path: Path) -> None:
    with pytest.raises(UnreadableInput, match="there is no such file"):
        read_plan(tmp_path / "none.plan.json")
    with pytest.raises(UnreadableInput, match="not an ordinary file but a folder"):
        read_plan(tmp_path)


def test_the_committed_schema_is_current() -> None:
    assert SCHEMA_FILE.read_text(encoding="utf-8") == schema_text(), "run python -m steps.planfile"


def test_the_schema_accepts_a_plan_and_refuses_a_wrong_one(plan: Plan) -> None:
    jsonschema = pytest.importorskip("jsonschema")
    schema = json.loads(SCHEMA_FILE.read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator.check_schema(schema)
    values = json.loads(plan_to_json(plan, Settings()))
    jsonschema.validate(values, schema)
    for spoil in (
        lambda v: v.pop("steps"),
        lambda v: v["joints"][0].update(kind="nail"),
        lambda v: v["steps"][0].update(up=[0, 1]),
        lambda v: v["parts"][0].update(colour="red"),
    ):
        wrong = json.loads(json.dumps(values))
        spoil(wrong)
        with pytest.raises(jsonschema.ValidationError):
            jsonschema.validate(wrong, schema)


finite = st.floats(-1e4, 1e4)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(st.tuples(finite, finite, finite), st.floats(0, 2 * math.pi))
def test_poses_survive_the_file_rigid_and_in_place(place: tuple[float, ...], angle: float) -> None:
    from steps.planfile import PartEntry

    pose = np.eye(4)
    pose[:2, :2] = [[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]]
    pose[:3, 3] = place
    entry = PartEntry(
        id="P1", source="s", shape="S1", colour="#000000", colour_name="black", pose=pose.tolist()
    )
    again = np.array(json.loads(to_text(entry))["pose"])
    assert np.abs(again - pose).max() <= 1e-9
    assert np.linalg.det(again[:3, :3]) == pytest.approx(1.0, abs=1e-9)
